"""Opening a database: tables, mark, upgrades with a backup before them, refusals in words."""

from __future__ import annotations

import shutil
import sqlite3
from datetime import datetime

import pytest
from sqlalchemy import text

from planner.store import (
    Kind,
    MigrationFailed,
    Places,
    StoreError,
    WrongDatabase,
    open_database,
    open_kind,
    own_shop_exists,
    tables,
)
from planner.store.backup import list_backups
from planner.store.migrations import HEAD, SCRIPTS

AT = datetime(2026, 3, 2, 7, 0)

SECOND = '''"""A later revision, for the tests: one more column on a table that others point to."""
import sqlalchemy as sa
from alembic import op

revision = "9001"
down_revision = "{head}"
branch_labels = None
depends_on = None


def upgrade():
    with op.batch_alter_table("cuts", recreate="always") as batch:
        batch.add_column(sa.Column("coolant", sa.String(40), nullable=True))
    {more}
'''


@pytest.fixture
def later(tmp_path):
    """A copy of the migrations with a later revision; call it with what else the revision does."""

    def make(more: str = "pass"):
        scripts = tmp_path / "migrations"
        shutil.copytree(SCRIPTS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
        (scripts / "versions" / "9001_later.py").write_text(SECOND.format(head=HEAD, more=more))
        return {"scripts": scripts, "head": "9001"}

    return make


def test_the_first_revision_makes_the_tables_the_program_knows(repository):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with repository.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, tables.metadata) == []


def test_the_head_the_program_names_is_the_last_revision():
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_heads() == [HEAD]


@pytest.mark.parametrize("dialect", ["postgresql", "mysql"])
def test_the_tables_can_be_made_on_other_databases(dialect):
    from sqlalchemy.dialects import registry
    from sqlalchemy.schema import CreateIndex, CreateTable

    maker = registry.load(dialect)()
    for table in tables.metadata.sorted_tables:
        assert table.name in str(CreateTable(table).compile(dialect=maker))
        for index in table.indexes:
            str(CreateIndex(index).compile(dialect=maker))


def test_a_new_file_gets_no_backup_and_a_second_opening_changes_nothing(tmp_path):
    where = Places(tmp_path)
    first = open_kind(where, Kind.OWN, AT)
    first.engine.dispose()
    version = first.data_version()
    again = open_kind(where, Kind.OWN, AT)
    assert again.data_version() == version
    assert not where.backups.exists()
    again.engine.dispose()


def test_the_data_folder_is_private(tmp_path):
    where = Places(tmp_path / "data")
    open_kind(where, Kind.OWN, AT).engine.dispose()
    assert (tmp_path / "data").stat().st_mode & 0o077 == 0


def test_the_own_shop_is_told_from_the_sample(tmp_path):
    where = Places(tmp_path)
    sample = open_kind(where, Kind.SAMPLE, AT)
    assert sample.kind is Kind.SAMPLE and sample.is_empty() and not own_shop_exists(where)
    sample.engine.dispose()
    own = open_kind(where, Kind.OWN, AT)
    assert own.kind is Kind.OWN and own_shop_exists(where)
    own.engine.dispose()
    assert {p.name for p in tmp_path.glob("*.db")} == {"shop.db", "sample.db"}


@pytest.mark.parametrize(("made_as", "opened_as"), [(Kind.OWN, Kind.SAMPLE), (Kind.SAMPLE, Kind.OWN)])
def test_the_sample_and_the_own_shop_cannot_be_mixed(tmp_path, made_as, opened_as):
    path = tmp_path / "any.db"
    open_database(path, made_as, at=AT).engine.dispose()
    before = path.read_bytes()
    with pytest.raises(WrongDatabase, match="the two never mix"):
        open_database(path, opened_as, at=AT)
    assert path.read_bytes() == before


def test_a_database_of_something_else_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE recipes_of_my_aunt (cake TEXT)")
    with pytest.raises(WrongDatabase, match="something else"):
        open_database(path, Kind.OWN, at=AT)
    with sqlite3.connect(path) as other:
        assert other.execute("SELECT name FROM sqlite_master").fetchall() == [("recipes_of_my_aunt",)]


def test_a_file_that_is_no_database_is_refused_in_words(tmp_path):
    path = tmp_path / "shop.db"
    path.write_bytes(b"this is not a database, only text" * 100)
    with pytest.raises(StoreError, match="damaged"):
        open_database(path, Kind.OWN, at=AT)
    with pytest.raises(StoreError, match="cannot be read"):
        own_shop_exists(Places(tmp_path))


def test_a_newer_database_is_refused_in_words(own_file, repository):
    with repository.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '7777'"))
    with pytest.raises(WrongDatabase, match="newer version"):
        open_database(own_file, Kind.OWN, at=AT)


def test_an_upgrade_makes_a_backup_and_keeps_every_record(tmp_path, own_file, repository, stored, make_cut, later):
    cut = repository.record_cut(make_cut())
    repository.engine.dispose()
    upgraded = open_database(own_file, Kind.OWN, tmp_path / "backups", AT, **later())
    (copy,) = list_backups(tmp_path / "backups")
    assert copy.why == "before-upgrade" and copy.kind is Kind.OWN
    assert upgraded.load(type(cut), cut.id) == cut
    with upgraded.reading() as connection:
        assert "coolant" in {row[1] for row in connection.exec_driver_sql("PRAGMA table_info(cuts)")}
        assert connection.exec_driver_sql("SELECT COUNT(*) FROM edge_uses").scalar() == 1
    upgraded.engine.dispose()
    # and an upgraded database is newer for the program as it is
    with pytest.raises(WrongDatabase, match="newer version"):
        open_database(own_file, Kind.OWN, at=AT)


def test_the_record_is_append_only_after_a_table_was_rebuilt(tmp_path, own_file, repository, stored, make_cut, later):
    repository.record_cut(make_cut())
    repository.engine.dispose()
    upgraded = open_database(own_file, Kind.OWN, tmp_path / "backups", AT, **later())
    with pytest.raises(Exception, match="append-only"), upgraded.engine.begin() as connection:
        connection.execute(text("DELETE FROM cuts"))
    upgraded.engine.dispose()


def test_a_failed_upgrade_leaves_the_shop_as_it_was(tmp_path, own_file, repository, stored, make_cut, later):
    cut = repository.record_cut(make_cut())
    repository.engine.dispose()
    failing = later('op.execute("INSERT INTO no_such_table VALUES (1)")')
    with pytest.raises(MigrationFailed, match="as it was before") as failure:
        open_database(own_file, Kind.OWN, tmp_path / "backups", AT, **failing)
    assert failure.value.backup.path.exists()
    again = open_database(own_file, Kind.OWN, at=AT)
    assert again.load(type(cut), cut.id) == cut
    with again.reading() as connection:
        assert "coolant" not in {row[1] for row in connection.exec_driver_sql("PRAGMA table_info(cuts)")}
    again.engine.dispose()


def test_an_upgrade_that_would_leave_records_pointing_nowhere_fails(tmp_path, own_file, repository, stored, later):
    repository.engine.dispose()
    failing = later("""op.execute("DELETE FROM families")""")
    with pytest.raises(MigrationFailed, match="pointing at records that are gone"):
        open_database(own_file, Kind.OWN, tmp_path / "backups", AT, **failing)
    again = open_database(own_file, Kind.OWN, at=AT)
    assert len(again.load_shop().families) == 1
    again.engine.dispose()


def test_nothing_is_written_into_the_checkout(tmp_path):
    """Opening, writing and backing up touch the data folder alone (compiled bytecode left aside)."""
    import os
    import subprocess
    import sys
    from pathlib import Path

    root = Path(__file__).resolve().parents[2]
    code = (
        "from datetime import datetime\n"
        "from planner.store import Kind, backup_now, open_kind, places\n"
        "from planner.shop import Gasket\n"
        "where = places(); shop = open_kind(where, Kind.OWN); shop.add(Gasket('thin', 1.0))\n"
        "backup_now(shop.engine, where.backups, Kind.OWN, datetime.now())\n"
    )
    own = ["planner/store", "tests/store/conftest.py"]
    before = {p: p.stat().st_mtime_ns for name in own for p in _files(root / name)}
    env = {"PATH": os.environ["PATH"], "XDG_DATA_HOME": str(tmp_path), "PYTHONPATH": str(root), "HOME": str(tmp_path)}
    subprocess.run([sys.executable, "-B", "-c", code], check=True, env=env, cwd=root)
    after = {p: p.stat().st_mtime_ns for name in own for p in _files(root / name)}
    assert set(after) == set(before)
    assert not (root / "alembic.ini").exists() and not list(root.glob("*.db"))
    assert {p.name for p in (tmp_path / "surfacing-planner").iterdir()} >= {"shop.db", "backups"}


def _files(path):
    if path.is_file():
        return [path]
    return [p for p in path.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
