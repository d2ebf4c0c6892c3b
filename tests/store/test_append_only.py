"""The record cannot be changed or deleted, by no statement; mistakes are corrected by entries that reverse."""

from __future__ import annotations

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from planner.store import tables

RECORD = [t.name for t in tables.APPEND_ONLY]


@pytest.fixture
def full(repository, stored, make_cut):
    repository.add_tap(stored.job.id, "pass", {"clean": False}, make_cut().started)
    repository.record_cut(make_cut())
    return repository


def test_the_record_is_these_tables():
    assert RECORD == ["cuts", "edge_uses", "height_readings", "edge_events", "run_taps"]


@pytest.mark.parametrize("table", RECORD)
@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM {table}",
        "UPDATE {table} SET id = id",
        "INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
    ],
)
def test_no_statement_changes_the_record(full, count_rows, table, statement):
    before = count_rows()
    assert before[table] > 0
    with pytest.raises(IntegrityError, match="append-only"), full.engine.begin() as connection:
        connection.execute(text(statement.format(table=table)))
    assert count_rows() == before
