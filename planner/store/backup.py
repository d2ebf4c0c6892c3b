"""Backups of an SQLite shop: a consistent copy while the shop is open, and putting one back."""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine

from planner.errors import InputError
from planner.store.engine import database_file
from planner.store.errors import BackupError
from planner.store.places import Kind

KEEP = 20
_NAME = re.compile(r"^(own|sample)-(\d{8}-\d{6})(?:-(\d+))?(?:-([a-z-]+))?\.db$")


@dataclass(frozen=True)
class Backup:
    """One backup file. ``why``: "", "before-upgrade" or "before-restore"."""

    path: Path
    kind: Kind
    at: datetime
    why: str
    bytes: int


def backup_now(engine: Engine, folder: Path, kind: Kind, at: datetime, keep: int = KEEP, why: str = "") -> Backup:
    """Copy the whole database to ``folder`` while it is in use, then drop all but the last ``keep`` backups.

    Raises `BackupError` for a database that is not an SQLite file (its server has its own means), a full disk, or a
    copy that does not pass the integrity check.
    """
    if keep < 1:
        raise InputError("keep", keep, "1 or more")
    source = database_file(engine)
    if source is None or not source.exists():
        raise BackupError("Only a shop kept in an SQLite file is backed up here; use the database server's own means.")
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = _free_name(folder, kind, at, why)
    partial = path.with_suffix(".part")
    try:
        with _connect(source) as live, _connect(partial) as copy:
            live.backup(copy)
            # one plain file: no log beside it that could be left behind when the file is carried off
            copy.execute("PRAGMA journal_mode=DELETE")
            _check(copy, path)
        with open(partial, "rb") as written:
            os.fsync(written.fileno())
        os.replace(partial, path)
    except (sqlite3.Error, OSError) as trouble:
        raise BackupError(f"The backup to {path} failed: {trouble}") from trouble
    finally:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
    for old in list_backups(folder, kind)[keep:]:
        with contextlib.suppress(OSError):
            old.path.unlink(missing_ok=True)
    return _described(path)


def list_backups(folder: Path, kind: Kind | None = None) -> tuple[Backup, ...]:
    """Backups in a folder, newest first."""
    if not folder.is_dir():
        return ()
    found = [_described(path) for path in folder.iterdir() if _NAME.match(path.name)]
    wanted = [b for b in found if kind is None or b.kind is kind]
    return tuple(sorted(wanted, key=lambda b: (b.at, b.path.name), reverse=True))


def marked_kind(path: Path) -> Kind:
    """Whose shop a database file holds; `BackupError` when it holds none or is damaged."""
    try:
        with _connect(path, must_exist=True) as connection:
            _check(connection, path)
            return Kind(connection.execute("SELECT kind FROM meta").fetchone()[0])
    except (sqlite3.Error, TypeError, ValueError) as trouble:
        why = "it holds no shop" if "no such table" in str(trouble) else trouble
        raise BackupError(f"{path.name} is not a readable backup of a shop: {why}") from trouble


def put_back(engine: Engine, backup: Path, folder: Path, at: datetime) -> Backup:
    """Replace the shop's data by a backup's, after backing up the present one; returns that last backup.

    The database must be brought up to date afterwards (`planner.store.opening.restore` does both). Raises
    `BackupError` for an unreadable backup or one of the other shop; the present data stays then.
    """
    live_path = database_file(engine)
    if live_path is None:
        raise BackupError("Only a shop kept in an SQLite file is put back here; use the database server's own means.")
    kind = marked_kind(live_path)
    if marked_kind(backup) is not kind:
        mine = "your own shop" if kind is Kind.OWN else "the sample shop"
        raise BackupError(f"{backup.name} is a backup of the other shop; {mine} stays as it is.")
    # what is about to be replaced must not push the chosen backup out of the kept ones
    last = backup_now(engine, folder, kind, at, keep=KEEP + 1, why="before-restore")
    overwrite(live_path, backup)
    return last


def overwrite(live: Path, backup: Path) -> None:
    """Copy a backup over a database, through the database itself, so that open sessions see it whole.

    The counters go on from where they stood: what was read before is recognised as stale.
    """
    counters = ("data_version", "shop_version", "records_version", "taps_version")
    try:
        with _connect(live) as target, _connect(backup, must_exist=True) as source:
            try:
                before = target.execute(f"SELECT {', '.join(counters)} FROM meta").fetchone() or (0,) * len(counters)
            except sqlite3.OperationalError:
                before = (0,) * len(counters)
            source.backup(target)
            moved = ", ".join(
                f"{name} = MAX({name}, {int(value)}) + 1" for name, value in zip(counters, before, strict=True)
            )
            with contextlib.suppress(sqlite3.OperationalError):
                target.execute(f"UPDATE meta SET {moved}")
                target.commit()
            target.execute("PRAGMA journal_mode=WAL")
    except sqlite3.Error as trouble:
        raise BackupError(f"Putting {backup.name} back failed: {trouble}") from trouble


@contextlib.contextmanager
def _connect(path: Path, must_exist: bool = False) -> Iterator[sqlite3.Connection]:
    mode = "rw" if must_exist else "rwc"
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode={mode}", uri=True, timeout=15)
    try:
        yield connection
    finally:
        connection.close()


def _check(connection: sqlite3.Connection, path: Path) -> None:
    said = connection.execute("PRAGMA quick_check").fetchone()[0]
    if said != "ok":
        raise BackupError(f"{path.name} is damaged: {said}")


def _free_name(folder: Path, kind: Kind, at: datetime, why: str) -> Path:
    tail = f"-{why}" if why else ""
    path = folder / f"{kind.value}-{at:%Y%m%d-%H%M%S}{tail}.db"
    number = 1
    while path.exists():
        number += 1
        path = folder / f"{kind.value}-{at:%Y%m%d-%H%M%S}-{number}{tail}.db"
    return path


def _described(path: Path) -> Backup:
    kind, stamp, _, why = _NAME.match(path.name).groups()
    return Backup(path, Kind(kind), datetime.strptime(stamp, "%Y%m%d-%H%M%S"), why or "", path.stat().st_size)
