"""A shop that cannot be opened: the page says why in words, and shows no program's error."""

from __future__ import annotations

import sqlite3

import pytest
from streamlit.testing.v1 import AppTest

from planner.store import places
from tests.screens.conftest import APP


def run() -> AppTest:
    at = AppTest.from_file(str(APP), default_timeout=60).run()
    assert not at.exception
    return at


@pytest.mark.parametrize(
    ("named", "said"),
    [("nonsense", "a database URL such as"), ("postgresql://shop@localhost/planner", "driver is installed")],
)
def test_a_database_that_is_none(data_home, monkeypatch, named, said):
    monkeypatch.setenv("PLANNER_DATABASE", named)
    (wrong,) = run().error
    assert wrong.value.startswith(f"PLANNER_DATABASE is “{named}”") and said in wrong.value


def test_a_damaged_file_and_one_of_somebody_else(data_home):
    path = data_home / "surfacing-planner" / "shop.db"
    path.parent.mkdir()
    path.write_bytes(b"no database at all" * 100)
    (wrong,) = run().error
    assert "The shop's database cannot be read" in wrong.value
    path.unlink()
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE meta (id INTEGER, kind TEXT, created TEXT)")
        other.execute("INSERT INTO meta VALUES (1, 'sample', '')")
    other.close()
    assert len(run().error) == 1
    path.unlink()
    assert not run().error and places().folder == path.parent
