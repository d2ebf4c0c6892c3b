"""Importing the week's parts, and the shop's own nouns, from CSV or XLSX: first a preview, then storing it.

`preview` reads a file against a picture of the shop and stores nothing. `commit` stores a preview without problems in
one transaction: all of it, or nothing. The columns are those of `IMPORTS`, shown on the screen and in the README.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from planner.errors import InputError
from planner.shop import Job, MatchedSet, Shop
from planner.store import file_tables as ft
from planner.store.base import Base
from planner.store.file_columns import RowProblem, Table
from planner.store.file_reading import MOST_BYTES, MOST_ROWS, read_table
from planner.store.file_rows import read_rows
from planner.store.import_checks import Problems
from planner.store.import_nouns import families_of, nouns_of
from planner.store.import_parts import NewJob, NewSet, parts_of
from planner.units import System

__all__ = [
    "IMPORTS",
    "MOST_BYTES",
    "MOST_ROWS",
    "ImportPreview",
    "Imported",
    "NewJob",
    "NewSet",
    "PART_COLUMNS",
    "RowProblem",
    "commit",
    "documented_columns",
    "preview",
    "read_parts",
    "store_import",
]

IMPORTS = ft.IMPORTS
PART_COLUMNS = ft.IMPORT_PARTS.columns
_CHUNK = 100


@dataclass(frozen=True)
class ImportPreview:
    """What a file would bring. ``nouns`` for tables of one noun a row (families included), ``parts`` and ``sets`` for
    the week's parts. ``ask_units``: say inch or metric and preview again. ``ignored`` names columns not read, ``left`` sheets of
    a workbook not read."""

    table: str
    filename: str = ""
    kind: str = ""
    rows: int = 0
    parts: tuple[NewJob, ...] = ()
    sets: tuple[NewSet, ...] = ()
    nouns: tuple[Any, ...] = ()
    problems: tuple[RowProblem, ...] = ()
    ignored: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    ask_units: bool = False

    @property
    def ok(self) -> bool:
        """Whether it can be stored."""
        return not self.problems and not self.ask_units and bool(self.parts or self.nouns)


@dataclass(frozen=True)
class Imported:
    """How much was stored, and the parts or nouns as they are now."""

    stored: tuple[Any, ...] = ()
    jobs: tuple[Job, ...] = ()
    sets: tuple[MatchedSet, ...] = field(default=())


def documented_columns(table: Table, system: System) -> tuple[Mapping[str, str], ...]:
    """The columns of a table in words, for the screen and the README: heading, needed, what, accepted."""
    return tuple(
        {
            "heading": column.heading(system),
            "needed": "yes" if column.required else "",
            "what": column.what,
            "accepted": column.accepted + ("; several separated by semicolons" if column.many else ""),
        }
        for column in table.columns
    )


def preview(
    data: bytes,
    filename: str,
    table: str,
    shop: Shop,
    units: System | None = None,
    sheet: str | None = None,
    now: datetime | None = None,
) -> ImportPreview:
    """Read a CSV or XLSX file as one of `IMPORTS` against the shop as it stands. Stores nothing.

    ``units``: what the person said, for figures without a unit of their own; None = not asked yet. ``now`` dates a
    height and a hold that carry no date of their own; parts files need it. Faults of the file become `RowProblem`s;
    only a wrong ``table`` raises `InputError`.
    """
    if table not in IMPORTS:
        raise InputError("table", table, "one of " + ", ".join(IMPORTS))
    wanted = IMPORTS[table]
    try:
        raw = read_table(data, filename, sheet)
    except InputError as error:
        return ImportPreview(table, filename, problems=(RowProblem(0, "", str(error.value), error.accepted),))
    read = read_rows(raw, wanted, units)
    empty = ImportPreview(table, filename, raw.kind, len(raw.rows), ignored=read.ignored, left=raw.left)
    missing_columns = tuple(p for p in read.problems if p.row == 1)
    if missing_columns:
        return replace(empty, problems=missing_columns)
    if read.ask_units:
        return replace(empty, ask_units=True)
    problems = Problems(wanted, read.problems)
    if table == "parts":
        if now is None:
            raise InputError("now", now, "the time on the shop's clock, for a file of parts")
        parts, sets = parts_of(read.rows, shop, problems, now)
        filled = replace(empty, parts=parts, sets=sets)
    elif table == "families":
        filled = replace(empty, nouns=families_of(read.rows, shop, problems))
    else:
        filled = replace(empty, nouns=nouns_of(wanted, read.rows, shop, problems))
    if problems.found:
        return replace(empty, problems=problems.sorted())
    return filled


def commit(
    repository: Base,
    found: ImportPreview,
    by: str = "",
    at: datetime | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Imported:
    """Store a preview in one transaction. ``progress(done, all)`` is called on the way.

    Raises `InputError` for a preview with problems, and when the shop changed since and no longer agrees (a tag
    taken, a family gone): nothing is stored then.
    """
    if not found.ok:
        raise InputError("preview", f"{len(found.problems)} problems", "a file without problems, its units known")
    report = progress or (lambda done, total: None)
    with repository.transaction() as together:
        if found.nouns:
            return Imported(_add(together, found.nouns, by, at, report, len(found.nouns), 0))
        total = 2 * len(found.parts)
        parts = _add(together, [n.part for n in found.parts], by, at, report, total, 0)
        new_jobs = [replace(n.job, part_id=part.id) for n, part in zip(found.parts, parts, strict=True)]
        jobs = _add(together, new_jobs, by, at, report, total, len(parts))
        sets = [
            MatchedSet(s.name, tuple(jobs[i].id for i in s.members), tolerance_mm=s.tolerance_mm) for s in found.sets
        ]
        return Imported(parts, jobs, together.add_all(sets, by, at) if sets else ())


def read_parts(
    data: bytes, filename: str, shop: Shop, units: System | None = None, at: datetime | None = None
) -> ImportPreview:
    """The week's parts, each with its job, from a CSV or XLSX file with `PART_COLUMNS`; see `preview`. ``at`` dates the
    heights and holds of the file (None = now)."""
    return preview(data, filename, "parts", shop, units, now=at or datetime.now().replace(second=0, microsecond=0))


def store_import(repository: Base, found: ImportPreview, by: str = "", at: datetime | None = None) -> Imported:
    """Store what `read_parts` found, in one transaction; see `commit`."""
    return commit(repository, found, by, at)


def _add(
    repository: Any, nouns: Iterable[Any], by: str, at: datetime | None, report: Any, total: int, done: int
) -> tuple[Any, ...]:
    nouns = list(nouns)
    stored: list[Any] = []
    for start in range(0, len(nouns), _CHUNK):
        stored += repository.add_all(nouns[start : start + _CHUNK], by, at)
        report(done + len(stored), total)
    return tuple(stored)
