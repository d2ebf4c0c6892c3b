"""Pages of a shop with nothing in it say what is missing."""


def test_an_empty_shop_says_what_is_missing(empty_app, go):
    go(empty_app, "sets")
    assert any("No matched set" in i.value for i in empty_app.info)
    go(empty_app, "inserts")
    assert any("No insert grade" in i.value for i in empty_app.info)
    go(empty_app, "run")
    assert any("No job is open" in i.value for i in empty_app.info)
