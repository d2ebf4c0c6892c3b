"""Where data lies: the XDG base directory specification 0.8, PLANNER_DATABASE, never the sample's file."""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.errors import InputError
from planner.store import Kind, open_kind, own_shop_exists, places


def test_the_xdg_data_directory_is_used():
    where = places({"XDG_DATA_HOME": "/srv/data", "HOME": "/home/ab"})
    assert where.folder == Path("/srv/data/surfacing-planner")
    assert where.backups == Path("/srv/data/surfacing-planner/backups")
    assert where.url(Kind.OWN).database == "/srv/data/surfacing-planner/shop.db"
    assert where.url(Kind.SAMPLE).database == "/srv/data/surfacing-planner/sample.db"


@pytest.mark.parametrize("xdg", ["", "relative/path"])
def test_the_home_directory_is_the_default_and_relative_paths_are_ignored(xdg):
    where = places({"XDG_DATA_HOME": xdg, "HOME": "/home/ab"})
    assert where.folder == Path("/home/ab/.local/share/surfacing-planner")


def test_planner_database_names_the_own_shop_alone(tmp_path):
    url = f"sqlite:///{tmp_path}/elsewhere/our.db"
    where = places({"HOME": str(tmp_path), "PLANNER_DATABASE": url})
    assert where.url(Kind.OWN).database == f"{tmp_path}/elsewhere/our.db"
    assert where.url(Kind.SAMPLE).database.endswith("surfacing-planner/sample.db")
    assert not own_shop_exists(where)
    open_kind(where, Kind.OWN).engine.dispose()
    assert (tmp_path / "elsewhere" / "our.db").exists() and own_shop_exists(where)


def test_a_server_url_is_kept_as_it_is():
    where = places({"HOME": "/home/ab", "PLANNER_DATABASE": "postgresql://shop@db/planner"})
    assert where.url(Kind.OWN).get_backend_name() == "postgresql"


@pytest.mark.parametrize(
    "named",
    [
        "not a url",
        "sqlite://",  # in memory: gone at the next start
        "sqlite:///:memory:",
        "sqlite:////home/ab/.local/share/surfacing-planner/sample.db",
        "sqlite:////home/ab/.local/share/surfacing-planner/../surfacing-planner/sample.db",
    ],
)
def test_a_database_that_cannot_be_the_own_shop_is_refused(named):
    with pytest.raises(InputError) as wrong:
        places({"HOME": "/home/ab", "PLANNER_DATABASE": named})
    assert wrong.value.field == "PLANNER_DATABASE"


@pytest.mark.parametrize("url", ["nosuchthing://shop:secret@db/planner", "postgresql+nosuch://shop:secret@db/planner"])
def test_a_database_without_a_driver_is_told_without_its_password(url):
    where = places({"HOME": "/home/ab", "PLANNER_DATABASE": url})
    with pytest.raises(InputError, match="driver") as wrong:
        own_shop_exists(where)
    assert "secret" not in str(wrong.value)
