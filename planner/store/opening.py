"""Opening a shop: backup and upgrade when needed, the mark checked, the own shop before the sample."""

from __future__ import annotations

import contextlib
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine, insert, inspect, select
from sqlalchemy.engine import URL
from sqlalchemy.exc import DatabaseError, IntegrityError, OperationalError

from planner.shop import Settings
from planner.store import tables
from planner.store.backup import Backup, backup_now, overwrite, put_back
from planner.store.engine import database_file, make_engine, reading, writing
from planner.store.errors import MigrationFailed, StoreError, WrongDatabase
from planner.store.migrations import HEAD, SCRIPTS, present_revision, upgrade
from planner.store.places import Kind, Places
from planner.store.repository import Repository
from planner.store.rows import values_of


def open_kind(where: Places, kind: Kind, at: datetime | None = None) -> Repository:
    """The own shop or the sample, created empty when it is not there yet (that is how one's own shop is started)."""
    where.make()
    return open_database(where.url(kind), kind, where.backups, at)


def own_shop_exists(where: Places) -> bool:
    """Whether the user's own shop was ever started."""
    url = where.url(Kind.OWN)
    if url.get_backend_name() == "sqlite" and not Path(url.database).exists():
        return False
    engine = make_engine(url)
    try:
        with reading(engine) as connection:
            if not inspect(connection).has_table("meta"):
                return False
            return connection.execute(select(tables.meta.c.kind)).first() is not None
    except DatabaseError as trouble:
        raise StoreError(f"The shop's database cannot be read: {trouble.orig}") from trouble
    finally:
        engine.dispose()


def open_database(
    database: str | Path | URL,
    kind: Kind,
    backups: Path | None = None,
    at: datetime | None = None,
    scripts: Path = SCRIPTS,
    head: str = HEAD,
) -> Repository:
    """A repository over a database, brought up to date (after a backup to ``backups`` when an old SQLite file must be
    upgraded) and marked as ``kind`` when new.

    Raises `WrongDatabase` when it is marked as the other shop, holds something else or is newer than this program;
    `MigrationFailed` when an upgrade failed: the database is as it was.
    """
    at = at or datetime.now()
    engine = make_engine(database)
    try:
        _bring_up_to_date(engine, Kind(kind), backups, at, scripts, head)
        _mark(engine, Kind(kind), at)
    except OperationalError as trouble:
        engine.dispose()
        raise StoreError(f"The shop's database cannot be opened: {trouble.orig}") from trouble
    except DatabaseError as trouble:
        engine.dispose()
        raise StoreError(f"The shop's database is damaged: {trouble.orig}. Put back a backup.") from trouble
    except Exception:
        engine.dispose()
        raise
    return Repository(engine)


def restore(repository: Repository, backup: Path, folder: Path, at: datetime) -> Backup:
    """Put a backup back and bring it up to date; returns the backup made of what was there. On failure the present
    data stays."""
    last = put_back(repository.engine, backup, folder, at)
    repository.engine.dispose()
    try:
        upgrade(repository.engine)
    except StoreError:
        overwrite(database_file(repository.engine), last.path)
        raise
    return last


def _bring_up_to_date(engine: Engine, kind: Kind, backups: Path | None, at: datetime, scripts: Path, head: str) -> None:
    with reading(engine) as connection:
        found = present_revision(connection)
        if found is not None:
            _refuse_other_kind(connection.execute(select(tables.meta.c.kind)).scalar(), kind)
    if found == head:
        return
    path = database_file(engine)
    if found is None or path is None:
        upgrade(engine, scripts, head)
        return
    copy = backup_now(engine, backups or path.parent / "backups", kind, at, why="before-upgrade")
    try:
        upgrade(engine, scripts, head)
    except MigrationFailed as trouble:
        engine.dispose()
        overwrite(path, copy.path)
        raise MigrationFailed(f"{trouble} The shop is as it was before; a copy is {copy.path}.", copy) from trouble


def _mark(engine: Engine, kind: Kind, at: datetime) -> None:
    query = select(tables.meta.c.kind)
    with reading(engine) as connection:
        found = connection.execute(query).scalar()
    if found is None:
        # a second session may be starting the same shop: the first mark stands
        with contextlib.suppress(IntegrityError), writing(engine) as connection:
            if connection.execute(query).scalar() is None:
                connection.execute(insert(tables.meta).values(id=1, kind=kind.value, created=at))
                values = values_of(Settings(), tables.settings)
                connection.execute(insert(tables.settings).values(values | {"id": 1, "version": 1}))
        with reading(engine) as connection:
            found = connection.execute(query).scalar()
    _refuse_other_kind(found, kind)


def _refuse_other_kind(found: str | None, kind: Kind) -> None:
    if found is not None and found != kind.value:
        said = {Kind.OWN.value: "your own shop", Kind.SAMPLE.value: "the sample shop"}
        raise WrongDatabase(f"This database holds {said[found]}, not {said[kind.value]}; the two never mix.")
