"""Backups: a consistent copy while the shop is in use, the last N kept, put back whole and recognised as new."""

from __future__ import annotations

import shutil
import sqlite3
from datetime import datetime, timedelta

import pytest

from planner.errors import InputError
from planner.shop import Gasket, Part
from planner.store import BackupError, Kind, StoreError, backup_now, open_database, restore
from planner.store.backup import list_backups, marked_kind

AT = datetime(2026, 3, 2, 18, 0)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "backups"


def test_a_backup_taken_while_writing_is_one_plain_consistent_file(repository, folder, stored, make_cut):
    repository.record_cut(make_cut())
    with repository.writing() as connection:
        connection.exec_driver_sql("INSERT INTO drafts VALUES ('half', '{}', '2026-03-02 09:00:00')")
        # a change not yet finished is not in the copy
        copy = backup_now(repository.engine, folder, Kind.OWN, AT)
    assert [p.name for p in folder.iterdir()] == ["own-20260302-180000.db"]
    assert (copy.kind, copy.at, copy.why, copy.path.parent) == (Kind.OWN, AT, "", folder)
    with sqlite3.connect(copy.path) as opened:
        assert opened.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert opened.execute("SELECT COUNT(*) FROM cuts").fetchone() == (1,)
        assert opened.execute("SELECT COUNT(*) FROM drafts").fetchone() == (0,)
    assert copy.bytes == copy.path.stat().st_size


def test_the_file_alone_copied_while_nobody_writes_is_the_whole_shop(repository, own_file, stored, make_cut, tmp_path):
    """What the README promises of `shop.db`: the log beside it stays behind, and the dashboard stays open."""
    repository.record_cut(make_cut())
    copy = tmp_path / "carried.db"
    shutil.copyfile(own_file, copy)
    with sqlite3.connect(copy) as opened:
        assert opened.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert opened.execute("SELECT COUNT(*) FROM cuts").fetchone() == (1,)
        assert opened.execute("SELECT COUNT(*) FROM parts").fetchone()[0] == len(repository.load_all(Part)) > 0


def test_the_last_n_are_kept_newest_first(repository, folder):
    for i in range(6):
        backup_now(repository.engine, folder, Kind.OWN, AT + timedelta(days=i), keep=3)
    (folder / "holiday.db").write_bytes(b"mine")
    kept = list_backups(folder, Kind.OWN)
    assert [b.at.day for b in kept] == [7, 6, 5]
    assert (folder / "holiday.db").exists()
    assert list_backups(folder, Kind.SAMPLE) == () and list_backups(folder / "none") == ()
    with pytest.raises(InputError):
        backup_now(repository.engine, folder, Kind.OWN, AT, keep=0)


def test_two_backups_in_one_second_are_two(repository, folder):
    first = backup_now(repository.engine, folder, Kind.OWN, AT)
    second = backup_now(repository.engine, folder, Kind.OWN, AT)
    assert first.path != second.path and len(list_backups(folder)) == 2


def test_a_backup_is_put_back_whole_and_open_sessions_see_it(repository, second, folder, stored, make_cut):
    copy = backup_now(repository.engine, folder, Kind.OWN, AT)
    before = repository.load_shop()
    cut = repository.record_cut(make_cut())
    repository.delete(stored.gasket)
    seen, version = second.load_shop(), second.data_version()
    last = restore(repository, copy.path, folder, AT + timedelta(hours=1))
    assert last.why == "before-restore" and marked_kind(last.path) is Kind.OWN
    after = second.load_shop()
    assert after is not seen and second.data_version() > version
    assert after.parts == before.parts and after.jobs == before.jobs and after.gaskets == before.gaskets
    assert second.cuts_of(stored.left.id) == () and after.depth_records == ()
    # and what was there a moment ago can be put back in turn
    restore(second, last.path, folder, AT + timedelta(hours=2))
    assert second.load(type(cut), cut.id) == cut
    assert repository.record_cut(make_cut(job_id=stored.other_job.id, part_id=stored.right.id)).id


def test_the_chosen_backup_is_not_the_one_that_is_dropped(repository, folder):
    for i in range(20):
        backup_now(repository.engine, folder, Kind.OWN, AT + timedelta(minutes=i))
    oldest = list_backups(folder)[-1]
    restore(repository, oldest.path, folder, AT + timedelta(days=1))
    assert oldest.path.exists()


def test_a_backup_of_the_other_shop_is_refused(repository, folder, tmp_path, stored):
    sample = open_database(tmp_path / "sample.db", Kind.SAMPLE, at=AT)
    copy = backup_now(sample.engine, folder, Kind.SAMPLE, AT)
    sample.engine.dispose()
    with pytest.raises(BackupError, match="the other shop; your own shop stays"):
        restore(repository, copy.path, folder, AT)
    assert len(repository.load_all(Part)) == 2


@pytest.mark.parametrize("damage", ["cut short", "no database", "another database", "missing"])
def test_a_damaged_backup_is_refused_and_the_shop_stays(repository, folder, stored, damage):
    path = backup_now(repository.engine, folder, Kind.OWN, AT).path
    if damage == "cut short":
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) // 2 + 100])
    elif damage == "no database":
        path.write_bytes(b"not a database" * 1000)
    elif damage == "missing":
        path.unlink()
    else:
        path.unlink()
        with sqlite3.connect(path) as other:
            other.execute("CREATE TABLE cakes (name TEXT)")
    with pytest.raises(BackupError):
        restore(repository, path, folder, AT)
    assert len(repository.load_all(Part)) == 2 and len(repository.load_all(Gasket)) == 1


def test_a_backup_newer_than_the_program_is_refused_and_the_shop_stays(repository, folder, stored):
    path = backup_now(repository.engine, folder, Kind.OWN, AT).path
    with sqlite3.connect(path) as newer:
        newer.execute("UPDATE alembic_version SET version_num = '7777'")
    with pytest.raises(StoreError, match="newer version"):
        restore(repository, path, folder, AT)
    assert len(repository.load_all(Part)) == 2
    repository.add(Gasket("after", 1.0))


def test_a_folder_that_cannot_be_written_is_told(repository, tmp_path):
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where the folder should be")
    with pytest.raises((BackupError, OSError)):
        backup_now(repository.engine, blocked, Kind.OWN, AT)


def test_a_database_in_memory_or_on_a_server_is_not_backed_up_here(folder):
    from planner.store.engine import make_engine

    engine = make_engine("sqlite://")
    with pytest.raises(BackupError, match="own means"):
        backup_now(engine, folder, Kind.OWN, AT)
    engine.dispose()
