"""Bringing a database to the tables this program knows: forward only, all of it or nothing.

Alembic is imported only when there is something to do, since most starts find the database up to date.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from planner.store.errors import MigrationFailed, WrongDatabase
from planner.store.tables import append_only_triggers

HEAD = "0009"
SCRIPTS = Path(__file__).parent


def present_revision(connection: Connection) -> str | None:
    """The revision a database is at; None for an empty one. `WrongDatabase` when it holds tables of something else."""
    names = set(inspect(connection).get_table_names())
    if "alembic_version" in names:
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        if found is not None:
            return found
    if names - {"alembic_version"}:
        raise WrongDatabase("This database holds tables of something else; name another one, or an empty one.")
    return None


def upgrade(engine: Engine, scripts: Path = SCRIPTS, head: str = HEAD) -> None:
    """Bring the database to ``head`` in one transaction.

    Raises `WrongDatabase` for a database newer than this program, `MigrationFailed` when a step fails: the
    transaction is taken back (where the database can: SQLite and PostgreSQL do so for tables too).
    """
    sqlite = engine.dialect.name == "sqlite"
    with engine.connect() as connection:
        if sqlite:
            # rebuilding a table drops it for a moment; what points at it must not be deleted with it
            _pragma(connection, "foreign_keys=OFF")
            connection = connection.execution_options(writes=True)
        try:
            with connection.begin():
                if present_revision(connection) == head:
                    return
                _run(connection, scripts, head)
                if sqlite:
                    for statement in append_only_triggers():
                        connection.exec_driver_sql(statement)
                    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
                    if broken is not None:
                        raise MigrationFailed(f"The upgrade left table {broken[0]} pointing at records that are gone.")
        except (WrongDatabase, MigrationFailed):
            raise
        except Exception as trouble:
            raise MigrationFailed(f"The upgrade of the database failed: {trouble}") from trouble
        finally:
            if sqlite:
                _pragma(connection, "foreign_keys=ON")


def _pragma(connection: Connection, setting: str) -> None:
    # a pragma is silently ignored inside a transaction, so it goes straight to the driver
    connection.connection.driver_connection.execute(f"PRAGMA {setting}")


def _run(connection: Connection, scripts: Path, head: str) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(scripts).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    found = present_revision(connection)
    if found is not None and found not in known:
        raise WrongDatabase(
            f"This database was written by a newer version of the planner (revision {found}). "
            "Update the planner, or put back a backup from before."
        )
    command.upgrade(config, head)
