"""Rows to nouns and back, by field name. Every noun read is built anew, so its own checks run on what was stored."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from functools import cache, partial
from typing import Any

from sqlalchemy import JSON, ColumnElement, Connection, Table, func, select

from planner.errors import InputError
from planner.shop import (
    Closure,
    Cut,
    Cutter,
    EdgeUse,
    EngineFamily,
    Face,
    Family,
    Gasket,
    HandOver,
    HeightReading,
    Hold,
    Insert,
    InsertGrade,
    Job,
    Limit,
    Machine,
    MatchedSet,
    MeasuredEngine,
    Overtime,
    Part,
    Person,
    Recipe,
    Settings,
)
from planner.store import tables
from planner.store.codec import field_types, plain, revive


@dataclass(frozen=True)
class NounTable:
    """How one noun is stored: its table, its name in words, the field people know it by, and whether that is unique."""

    table: Table
    word: str
    label: str = "name"
    unique: bool = True

    @property
    def versioned(self) -> bool:
        return "version" in self.table.c


NOUNS: Mapping[type, NounTable] = {
    Family: NounTable(tables.families, "family"),
    Part: NounTable(tables.parts, "part", label="tag", unique=False),
    Job: NounTable(tables.jobs, "job", label="id", unique=False),
    MatchedSet: NounTable(tables.sets, "set", unique=False),
    Machine: NounTable(tables.machines, "machine"),
    Person: NounTable(tables.people, "person"),
    Cutter: NounTable(tables.cutters, "cutter"),
    InsertGrade: NounTable(tables.grades, "grade"),
    Recipe: NounTable(tables.recipes, "recipe", label="material", unique=False),
    Gasket: NounTable(tables.gaskets, "gasket"),
    EngineFamily: NounTable(tables.engines, "engine"),
    MeasuredEngine: NounTable(tables.measured_engines, "measured engine", label="serial"),
    HandOver: NounTable(tables.hand_overs, "hand-over", label="job_id", unique=False),
    Insert: NounTable(tables.inserts, "insert", label="label"),
    Closure: NounTable(tables.closures, "closure", label="reason", unique=False),
    Overtime: NounTable(tables.overtime, "overtime", label="start", unique=False),
}


def noun_table(noun: Any) -> NounTable:
    """The table of a noun (or of its class); raises `InputError` for anything else."""
    kind = noun if isinstance(noun, type) else type(noun)
    if kind not in NOUNS:
        raise InputError("noun", kind.__name__, "one of " + ", ".join(k.__name__ for k in NOUNS))
    return NOUNS[kind]


def values_of(noun: Any, table: Table) -> dict[str, Any]:
    """Column values of a noun's own fields (children of their own tables left out)."""
    values = {}
    for name, as_json in _own_columns(type(noun), table):
        value = getattr(noun, name)
        if as_json:
            value = plain(value, name)
        elif isinstance(value, Enum):
            value = value.value
        values[name] = value
    return values


@cache
def _own_columns(kind: type, table: Table) -> tuple[tuple[str, bool], ...]:
    """Name of each field that has a column of its own, and whether the column holds JSON."""
    names = (name for name in field_types(kind) if name != "id" and name in table.c)
    return tuple((name, isinstance(table.c[name].type, JSON)) for name in names)


@cache
def _readers(kind: type, table: Table) -> tuple[tuple[str, Callable[[Any], Any] | None], ...]:
    return tuple(
        (name, partial(revive, held, field=name) if isinstance(table.c[name].type, JSON) else None)
        for name, held in field_types(kind).items()
        if name in table.c
    )


def noun_of(kind: type, table: Table, row: Mapping[str, Any], **children: Any) -> Any:
    """The noun a row holds."""
    fields = {name: row[name] if read is None else read(row[name]) for name, read in _readers(kind, table)}
    return kind(**fields, **children)


def face_values(face: Face) -> dict[str, Any]:
    """Column values of a face: its limit is two columns."""
    values = values_of(face, tables.faces)
    values["least_height_mm"] = face.limit.least_height_mm
    values["greatest_removal_mm"] = face.limit.greatest_removal_mm
    return values


def _face_of(row: Mapping[str, Any]) -> Face:
    limit = Limit(row["least_height_mm"], row["greatest_removal_mm"])
    return noun_of(Face, tables.faces, row, limit=limit)


def _children(
    connection: Connection, table: Table, parent: str, wanted: Any, *order: ColumnElement, extra: Any = None
) -> dict[int, list[Mapping[str, Any]]]:
    """Rows of a child table by the id of their parent. ``wanted``: None = all, or a select of parent ids."""
    query = select(table).order_by(*order)
    if wanted is not None:
        query = query.where(table.c[parent].in_(wanted))
    if extra is not None:
        query = query.where(extra)
    found: dict[int, list] = defaultdict(list)
    for row in connection.execute(query).mappings():
        found[row[parent]].append(row)
    return found


def standing_heights() -> ColumnElement:
    """Condition: readings that stand, so neither reversed nor reversing."""
    later = tables.height_readings.alias()
    return _reverses_none(tables.height_readings) & ~(
        select(later.c.id).where(later.c.reverses_id == tables.height_readings.c.id).exists()
    )


def standing_cuts() -> ColumnElement:
    """Condition: cuts that stand, so neither reversed nor reversing."""
    later = tables.cuts.alias()
    return _reverses_none(tables.cuts) & ~(select(later.c.id).where(later.c.reverses_id == tables.cuts.c.id).exists())


def _reverses_none(table: Table) -> ColumnElement:
    # said so that no index serves it: SQLite takes the unique one for the shortest way to a few rows, and then reads
    # the whole record for every edge, part or machine it was asked about
    return func.coalesce(table.c.reverses_id, 0) == 0


def load_nouns(connection: Connection, kind: type, condition: ColumnElement | None = None) -> dict[int, Any]:
    """Nouns by id, in the order of their ids; ``condition`` over the noun's own table."""
    table = tables.cuts if kind is Cut else noun_table(kind).table
    query = select(table).order_by(table.c.id)
    wanted = None
    if condition is not None:
        query = query.where(condition)
        wanted = select(table.c.id).where(condition)
    rows = connection.execute(query).mappings().all()
    if not rows:
        return {}
    if kind is Family:
        faces = _children(connection, tables.faces, "family_id", wanted, tables.faces.c.seq)
        return {r["id"]: noun_of(Family, table, r, faces=tuple(map(_face_of, faces[r["id"]]))) for r in rows}
    if kind is Part:
        readings = tables.height_readings
        holds = _children(connection, tables.holds, "part_id", wanted, tables.holds.c.id)
        heights = _children(
            connection, readings, "part_id", wanted, readings.c.at, readings.c.id, extra=standing_heights()
        )
        return {
            r["id"]: noun_of(
                Part,
                table,
                r,
                holds=tuple(noun_of(Hold, tables.holds, h) for h in holds[r["id"]]),
                heights=tuple(noun_of(HeightReading, readings, h) for h in heights[r["id"]]),
            )
            for r in rows
        }
    if kind is MatchedSet:
        members = _children(connection, tables.set_members, "set_id", wanted, tables.set_members.c.seq)
        return {
            r["id"]: noun_of(MatchedSet, table, r, job_ids=tuple(m["job_id"] for m in members[r["id"]])) for r in rows
        }
    if kind is Cut:
        uses = _children(connection, tables.edge_uses, "cut_id", wanted, tables.edge_uses.c.id)
        return {
            r["id"]: noun_of(
                Cut,
                table,
                r,
                # a reversing entry has no uses of its own: its rows take off what the reversed one's put on
                uses=() if r["reverses_id"] else tuple(noun_of(EdgeUse, tables.edge_uses, u) for u in uses[r["id"]]),
            )
            for r in rows
        }
    return {r["id"]: noun_of(kind, table, r) for r in rows}


def load_settings(connection: Connection) -> Settings:
    """The one settings record; the starting values while none is stored."""
    row = connection.execute(select(tables.settings)).mappings().first()
    return Settings() if row is None else noun_of(Settings, tables.settings, row)


def label_of(noun: Any) -> str:
    """What people call this noun: "part H-101"."""
    if isinstance(noun, Settings):
        return "the settings"
    spec = noun_table(noun)
    return f"{spec.word} {getattr(noun, spec.label)}"


def differing_fields(yours: Any, theirs: Any, left_out: Iterable[str] = ("version", "heights", "id")) -> list[str]:
    """Names of the fields in which two nouns of a kind differ."""
    skip = set(left_out)
    return [
        f.name
        for f in dataclasses.fields(yours)
        if f.name not in skip and getattr(yours, f.name) != getattr(theirs, f.name)
    ]
