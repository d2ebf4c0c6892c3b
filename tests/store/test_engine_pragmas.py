"""SQLite as it must run: WAL, foreign keys, full sync, waiting writers, real transactions."""

from __future__ import annotations

import threading

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from planner.shop import Gasket


@pytest.mark.parametrize(
    ("pragma", "wanted"),
    [
        ("journal_mode", "wal"),
        ("foreign_keys", 1),
        ("synchronous", 2),
        ("wal_autocheckpoint", 1),
        ("busy_timeout", 15000),
        ("recursive_triggers", 1),
    ],
)
def test_every_connection_has_the_pragmas(repository, pragma, wanted):
    with repository.engine.connect() as one, repository.engine.connect() as two:
        for connection in (one, two):
            assert connection.exec_driver_sql(f"PRAGMA {pragma}").scalar() == wanted


def test_foreign_keys_are_enforced(repository):
    with pytest.raises(IntegrityError), repository.engine.begin() as connection:
        connection.execute(text("INSERT INTO set_members (job_id, set_id, seq) VALUES (99, 99, 0)"))


def test_a_reader_sees_one_state_while_another_writes(repository, second):
    with repository.reading() as connection:
        count = text("SELECT COUNT(*) FROM gaskets")
        assert connection.execute(count).scalar() == 0
        second.add(Gasket("thin", 1.0))
        assert connection.execute(count).scalar() == 0
    assert len(repository.load_all(Gasket)) == 1


def test_writers_wait_for_each_other(repository, second):
    """Twenty gaskets each from two sessions at once: none lost, no writer fails, every write counted."""
    before = repository.data_version()
    problems = []

    def write(store, name):
        try:
            for i in range(20):
                store.add(Gasket(f"{name} {i}", 1.0))
        except Exception as problem:  # kept for the assertion, a thread's own exception would be lost
            problems.append(problem)

    threads = [threading.Thread(target=write, args=(s, n)) for s, n in ((repository, "a"), (second, "b"))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    assert len(repository.load_all(Gasket)) == 40
    assert repository.data_version() == before + 40
