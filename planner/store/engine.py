"""The database engine. SQLite: write-ahead log, foreign keys, full sync; any other SQLAlchemy URL works as it is."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError

from planner.errors import InputError

BUSY_SECONDS = 15.0


def database_url(database: str | Path | URL) -> URL:
    """A file path or a URL as a URL; raises `InputError` for text that is neither."""
    if isinstance(database, URL):
        return database
    if isinstance(database, Path):
        return URL.create("sqlite", database=str(database))
    try:
        return make_url(database)
    except ArgumentError:
        raise InputError("PLANNER_DATABASE", database, "a database URL such as sqlite:////home/shop/shop.db") from None


def database_file(engine: Engine) -> Path | None:
    """The file behind an SQLite engine; None for another database or one in memory."""
    name = engine.url.database
    if engine.dialect.name != "sqlite" or not name or name == ":memory:":
        return None
    return Path(name)


def make_engine(database: str | Path | URL) -> Engine:
    """An engine for the shop's database.

    SQLite connections get WAL, foreign keys, ``synchronous=FULL`` (an acknowledged write survives a power cut), a log
    that is emptied into the file after every write, a busy timeout, and real transactions: reading ones start with
    BEGIN, writing ones with BEGIN IMMEDIATE, so that two writers wait for each other instead of failing half-way.
    """
    url = database_url(database)
    dumps = partial(json.dumps, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    options: dict = {"json_serializer": dumps}
    if url.get_backend_name() == "sqlite":
        options["connect_args"] = {"timeout": BUSY_SECONDS}
    else:
        options["pool_pre_ping"] = True
    try:
        engine = create_engine(url, **options)
    except (NoSuchModuleError, ModuleNotFoundError) as missing:
        named = url.render_as_string(hide_password=True)
        raise InputError("PLANNER_DATABASE", named, f"a database whose driver is installed here ({missing})") from None
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection, _record) -> None:
    # the driver's own transaction handling commits behind our back before DDL; we say BEGIN ourselves
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in (
        f"busy_timeout={int(BUSY_SECONDS * 1000)}",
        "journal_mode=WAL",
        "synchronous=FULL",
        # every write goes on into the file itself at once: who carries off the file alone carries off the shop
        "wal_autocheckpoint=1",
        "foreign_keys=ON",
        # REPLACE would otherwise delete a row without its delete trigger
        "recursive_triggers=ON",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One transaction that sees one state of the database from its first read to its end."""
    with engine.connect() as connection:
        if engine.dialect.name != "sqlite":
            connection = connection.execution_options(isolation_level="REPEATABLE READ")
        with connection.begin():
            yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One writing transaction: all of it is stored, or nothing."""
    with engine.connect() as connection:
        connection = connection.execution_options(writes=True)
        with connection.begin():
            yield connection
