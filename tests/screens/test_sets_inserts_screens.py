"""Inserts on screen."""

from planner.edge import End, Fitted
from planner.store.edges import EdgeEvent
from tests.tiny import MONDAY


def fit(store):
    cutter = next(c for c in store.load_shop().cutters.values() if c.name == "fly 300")
    grade = store.load_shop().grades[cutter.grade_id]
    store.open_insert(grade.id, "D-1", MONDAY, "ab")
    store.add_edge_event(Fitted(cutter=cutter.name, pocket=1, insert="D-1", position=1, at=MONDAY, by="ab"))
    return cutter, grade


def test_inserts_show_the_edge_in_use_and_index_it(app, go, store):
    fit(store)
    go(app, "inserts")
    assert any("D-1 position 1" in str(v) for v in app.dataframe[0].value["Edge"])
    next(b for b in app.button if b.label == "Index to position 2").click()
    app.run()
    assert not app.exception
    edge = store.load_shop().edges[0]
    assert edge.position == 2
    events = store.edge_events()
    assert isinstance(events[-1], EdgeEvent) and events[-1].kind == "indexed"
    assert store.ledger().inserts["D-1"].edges[0].end is End.BY_RULE


def test_receiving_moves_the_stock(app, go, store):
    go(app, "inserts")
    before = {g.name: g.stock for g in store.load_shop().grades.values()}
    next(b for b in app.button if b.label == "Received").click()
    app.run()
    after = {g.name: g.stock for g in store.load_shop().grades.values()}
    assert sum(after.values()) == sum(before.values()) + 1


def test_an_empty_shop_says_what_is_missing(empty_app, go):
    go(empty_app, "sets")
    assert any("No matched set" in i.value for i in empty_app.info)
    go(empty_app, "inserts")
    assert any("No insert grade" in i.value for i in empty_app.info)
    go(empty_app, "run")
    assert any("No job is open" in i.value for i in empty_app.info)
