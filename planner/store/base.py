"""What every part of the repository stands on: transactions, the counters writes move, checks on references."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from datetime import datetime
from typing import Any, Self

from sqlalchemy import Connection, Engine, Table, insert, select, update
from sqlalchemy import text as written_out
from sqlalchemy.exc import IntegrityError, OperationalError

from planner.errors import InputError
from planner.shop.checks import moment, text
from planner.store import tables
from planner.store.engine import reading, writing
from planner.store.errors import StoreError, WrongDatabase
from planner.store.places import Kind

# what a write touches, beside the data version that every write moves
SHOP, RECORDS, TAPS = "shop_version", "records_version", "taps_version"


class Base:
    """A database of one shop. Safe to share between threads; each call is one transaction.

    ``with repository.transaction() as together:`` gives a repository whose calls are all stored together or not at all.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.written = 0
        """Writing transactions that were made through this object: what is read through it stands until the next."""
        self._joined: Connection | None = None
        self._touched: set[str] = set()
        self._cache: dict[str, Any] = {}
        self._lock = threading.Lock()

    # -- transactions ----------------------------------------------------------------------------------------------
    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the shop."""
        if self._joined is not None:
            yield self._joined
        else:
            with reading(self.engine) as connection:
                yield connection

    @contextmanager
    def writing(self, *touches: str) -> Iterator[Connection]:
        """A connection in a writing transaction. The counters move first: on any database that makes writers queue.

        ``touches``: `SHOP` when the picture of the shop changes, `RECORDS` when finished cuts change, `TAPS` when a run
        sheet does.
        """
        if self._joined is not None:
            self._move(self._joined, set(touches) - self._touched, data=False)
            self._touched |= set(touches)
            # a call that fails leaves nothing behind, even when the caller goes on with the others
            with self._joined.begin_nested():
                yield self._joined
            return
        try:
            with _told(), writing(self.engine) as connection:
                self._move(connection, set(touches), data=True)
                yield connection
        finally:
            self.written += 1

    @contextmanager
    def quiet_writing(self) -> Iterator[Connection]:
        """A writing transaction that moves no counter: for drafts, which are nobody else's business."""
        if self._joined is not None:
            yield self._joined
        else:
            with _told(), writing(self.engine) as connection:
                yield connection

    @contextmanager
    def transaction(self) -> Iterator[Self]:
        """A repository whose calls share one writing transaction: all stored at the end, or nothing on an error."""
        if self._joined is not None:
            yield self
            return
        with self.writing() as connection:
            joined = type(self)(self.engine)
            joined._joined = connection
            yield joined

    @staticmethod
    def _move(connection: Connection, touches: set[str], data: bool) -> None:
        names = sorted(touches | ({"data_version"} if data else set()))
        if names:
            counters = {name: tables.meta.c[name] + 1 for name in names}
            if connection.execute(update(tables.meta).values(**counters)).rowcount != 1:
                raise WrongDatabase("This database holds no shop yet.")

    # -- counters ----------------------------------------------------------------------------------------------------
    def data_version(self) -> int:
        """Moves with every write of anybody (drafts excepted): a cheap read to see whether something changed."""
        return self._counter("data_version")

    def shop_version(self) -> int:
        """Moves when the picture `load_shop` gives changes."""
        return self._counter("shop_version")

    def records_version(self) -> int:
        """Moves when finished cuts change: what is learned from them is stale then."""
        return self._counter("records_version")

    def versions(self) -> tuple[tuple[int, int], int]:
        """((`shop_version`, that of the run sheets' entries), `records_version`) at one moment."""
        shop, taps, records = self._counters(SHOP, TAPS, RECORDS)
        return (shop, taps), records

    def _counter(self, name: str) -> int:
        return self._counters(name)[0]

    def _counters(self, *names: str) -> tuple[int, ...]:
        found = self._glance(f"SELECT {', '.join(names)} FROM {tables.meta.name}")
        if not found:
            raise WrongDatabase("This database holds no shop yet.")
        return found[0]

    def _glance(self, query: str, **sought: str | int) -> list[tuple[Any, ...]]:
        """The rows that a fixed query finds (``:name`` = what is sought), numbers and texts as the driver gives them.
        For what is asked many times while a page is drawn: one statement sees one state of the database by itself, so
        SQLite is spared the transaction around it."""
        if self._joined is not None or self.engine.dialect.name != "sqlite":
            with self.reading() as connection:
                return [tuple(row) for row in connection.execute(written_out(query), sought)]
        with closing(self.engine.raw_connection()) as connection, closing(connection.cursor()) as cursor:
            return cursor.execute(query, sought).fetchall()

    @property
    def kind(self) -> Kind:
        """Whose shop this is: the user's own, or the sample."""
        with self.reading() as connection:
            return Kind(connection.execute(select(tables.meta.c.kind)).scalar_one())

    def created(self) -> datetime:
        with self.reading() as connection:
            return connection.execute(select(tables.meta.c.created)).scalar_one()

    def is_empty(self) -> bool:
        """True while no family was ever entered."""
        with self.reading() as connection:
            return connection.execute(select(tables.families.c.id).limit(1)).first() is None


@contextmanager
def _told() -> Iterator[None]:
    """The database's own refusals in words."""
    try:
        yield
    except IntegrityError as trouble:
        raise InputError("record", str(trouble.orig), "a record the rest of the shop agrees with") from trouble
    except OperationalError as trouble:
        if "locked" in str(trouble.orig):
            raise StoreError("The database is busy; nothing was stored. Try again in a moment.") from trouble
        raise StoreError(f"The database could not store it; nothing was changed: {trouble.orig}") from trouble


def signed(by: str, at: datetime | None, when_known: bool = False) -> tuple[str, datetime | None]:
    """Who and when, checked; ``when_known``: None will do for a time."""
    return text("by", by, longest=60), None if when_known and at is None else moment("at", at)


def require(connection: Connection, table: Table, key: int | None, field: str, what: str) -> None:
    """Raise `InputError` unless ``key`` is None or the id of a row of ``table``."""
    if key is None:
        return
    if isinstance(key, bool) or not isinstance(key, int):
        raise InputError(field, key, what)
    if connection.execute(select(table.c.id).where(table.c.id == key)).first() is None:
        raise InputError(field, key, what)


def touched(table: Table, by: str, at: datetime | None) -> dict[str, Any]:
    """The columns that mark a row as changed by somebody: its version moves."""
    return {"version": table.c.version + 1, "changed_by": by, "changed_at": at}


def add_row(connection: Connection, table: Table, values: Mapping[str, Any]) -> int:
    """Insert one row; returns its id."""
    return connection.execute(insert(table), dict(values)).inserted_primary_key[0]


def add_rows(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> list[int]:
    """Insert many rows at once; returns their ids in the same order."""
    if not rows:
        return []
    if not connection.dialect.insert_executemany_returning_sort_by_parameter_order:
        return [add_row(connection, table, row) for row in rows]
    statement = insert(table).returning(table.c.id, sort_by_parameter_order=True)
    return list(connection.execute(statement, [dict(row) for row in rows]).scalars())
