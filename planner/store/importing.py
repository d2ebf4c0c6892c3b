"""Importing the week's parts, and the shop's own nouns, from CSV or XLSX: first a preview, then storing it.

`preview` reads a file against a picture of the shop and stores nothing. `commit` stores a preview without problems in
one transaction: all of it, or nothing. The columns are those of `IMPORTS`, shown on the screen and in the README.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, time
from typing import Any

from planner.errors import InputError
from planner.shop import (
    Cutter,
    DepthInstrument,
    Face,
    Family,
    Gasket,
    GateKind,
    HeightReading,
    Hold,
    InsertGrade,
    Job,
    JobState,
    Limit,
    Machine,
    MatchedSet,
    Part,
    PartState,
    Person,
    Recipe,
    Shop,
)
from planner.shop.materials import material
from planner.store import file_tables as ft
from planner.store.base import Base
from planner.store.file_columns import Column, RowProblem, Table
from planner.store.file_reading import MOST_BYTES, MOST_ROWS, read_table
from planner.store.file_rows import Row, noun_fields, read_gate, read_rows
from planner.store.file_tables import gate_column
from planner.store.import_checks import Problems, build, by_name, check_height, look_up, names_once, same_name
from planner.store.shop_files import INSTRUMENT_COLUMNS, LIMIT_COLUMNS, RENAMES
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
_LIVE = (PartState.IN_SHOP, PartState.EXPECTED, PartState.SHELF)
_OPEN = (JobState.WAITING, JobState.RUNNING)
_CHUNK = 100


@dataclass(frozen=True)
class NewJob:
    """A part of a file with its job, whose ``part_id`` is set when both are stored."""

    part: Part
    job: Job


@dataclass(frozen=True)
class NewSet:
    """A matched set of a file: its name, tolerance, and its members as positions in `ImportPreview.parts`."""

    name: str
    members: tuple[int, ...]
    tolerance_mm: float


@dataclass(frozen=True)
class ImportPreview:
    """What a file would bring. ``nouns`` for tables of one noun a row (families included), ``parts`` and ``sets`` for
    the week's parts. ``ask_units``: say inch or metric and preview again. ``ignored`` names columns not read."""

    table: str
    filename: str = ""
    kind: str = ""
    rows: int = 0
    parts: tuple[NewJob, ...] = ()
    sets: tuple[NewSet, ...] = ()
    nouns: tuple[Any, ...] = ()
    problems: tuple[RowProblem, ...] = ()
    ignored: tuple[str, ...] = ()
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
    empty = ImportPreview(table, filename, raw.kind, len(raw.rows), ignored=read.ignored)
    missing_columns = tuple(p for p in read.problems if p.row == 1)
    if missing_columns:
        return replace(empty, problems=missing_columns)
    if read.ask_units:
        return replace(empty, ask_units=True)
    problems = Problems(wanted, read.problems)
    if table == "parts":
        if now is None:
            raise InputError("now", now, "the time on the shop's clock, for a file of parts")
        parts, sets = _parts(read.rows, shop, problems, now)
        filled = replace(empty, parts=parts, sets=sets)
    elif table == "families":
        filled = replace(empty, nouns=_families(read.rows, shop, problems))
    else:
        filled = replace(empty, nouns=_simple(wanted, read.rows, shop, problems))
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


# -- the week's parts -----------------------------------------------------------------------------------------
_PART_COLUMNS = tuple(c for c in ft.PARTS.columns if c.name != "family" and not c.name.startswith("gate_"))
_JOB_COLUMNS = tuple(
    c for c in ft.JOBS.columns if c.name not in ("job", "tag", "face", "job_state", "gasket", "machine")
)


def _parts(
    rows: tuple[Row, ...], shop: Shop, problems: Problems, now: datetime
) -> tuple[tuple[NewJob, ...], tuple[NewSet, ...]]:
    families, gaskets, machines = by_name(shop.families), by_name(shop.gaskets), by_name(shop.machines)
    taken = [p.tag for p in shop.parts.values() if p.state in _LIVE]
    names_once(rows, "tag", taken, "no part in the shop carries", problems)
    found: list[NewJob] = []
    for row in rows:
        family = look_up(row, "family", families, "a family of the shop", problems)
        face = _face_of(row, family, problems)
        part = _part(row, family, face, problems, now)
        gasket = look_up(row, "gasket", gaskets, "a gasket of the shop", problems)
        machine = look_up(row, "machine", machines, "a machine of the shop", problems)
        for name in ("due", "not_before"):
            when = row.get(name)
            if when is not None and when.time() == time():
                problems.note(row, name, "a date with its time of day, as 2026-03-05 15:00")
        job = build(
            Job,
            row,
            {
                **noun_fields(row, _JOB_COLUMNS, RENAMES["jobs"]),
                "part_id": 0,
                "face_id": 0 if face is None else face.id,
                "gasket_id": gasket and gasket.id,
                "machine_id": machine and machine.id,
            },
            problems,
            RENAMES["jobs"],
        )
        if part is not None and job is not None:
            found.append(NewJob(part, job))
    return tuple(found), _sets(rows, shop, problems)


def _face_of(row: Row, family: Family | None, problems: Problems) -> Face | None:
    if family is None:
        return None
    name = row.get("face")
    if name is None:
        return family.faces[0]
    for face in family.faces:
        if same_name(face.name) == same_name(name):
            return face
    problems.note(row, "face", "a face of the family: " + ", ".join(f.name for f in family.faces))
    return None


def _part(row: Row, family: Family | None, face: Face | None, problems: Problems, now: datetime) -> Part | None:
    route = []
    for kind in GateKind:
        said = row.get(gate_column(kind))
        if said:
            try:
                route.append(read_gate(kind, said))
            except InputError as error:
                problems.note(row, gate_column(kind), error.accepted)
    holds = []
    who, why = row.get("hold_for"), row.get("hold_reason")
    if who or why:
        for column, value in (("hold_for", who), ("hold_reason", why)):
            if not value:
                problems.note(row, column, "both who is waited for, and for what")
        if who and why:
            renames = {"hold_for": "waiting_for", "hold_reason": "reason"}
            hold = build(Hold, row, {"waiting_for": who, "reason": why, "since": now.date()}, problems, renames)
            holds = [hold] if hold is not None else []
    before = row.get("removed_before")
    if before is not None and face is not None and face.new_height_mm is not None and before >= face.new_height_mm / 2:
        wanted = f"a depth well below the new height, {face.new_height_mm:.3f} mm"
        problems.note(row, "removed_before", wanted)
    return build(
        Part,
        row,
        {
            **noun_fields(row, _PART_COLUMNS),
            "family_id": 0 if family is None else family.id,
            "route": tuple(route),
            "holds": tuple(holds),
            "heights": _heights(row, face, problems, now),
        },
        problems,
    )


def _heights(row: Row, face: Face | None, problems: Problems, now: datetime) -> tuple[HeightReading, ...]:
    height, point = row.get("height"), row.get("point")
    if height is None:
        if point is not None:
            problems.note(row, "height", f"the height at the point {point}, or no point")
        return ()
    if height <= 0:
        problems.note(row, "height", "a height above 0")
        return ()
    if face is None:
        return ()
    check_height(face, height, row, "height", problems)
    names = {same_name(p.name): p.name for p in face.points}
    wanted = names.get(same_name(point)) if point is not None else names.get("middle")
    if wanted is None:
        problems.note(row, "point", "a measuring point of the face: " + ", ".join(names.values()))
        return ()
    return (HeightReading(face.id, wanted, height, now),)


def _sets(rows: tuple[Row, ...], shop: Shop, problems: Problems) -> tuple[NewSet, ...]:
    taken = {
        same_name(s.name)
        for s in shop.sets.values()
        if any(shop.jobs[j].state in _OPEN for j in s.job_ids if j in shop.jobs)
    }
    groups: dict[str, list[int]] = {}
    for i, row in enumerate(rows):
        name = row.get("set")
        if name is not None:
            groups.setdefault(same_name(name), []).append(i)
        elif row.get("set_tolerance") is not None:
            problems.note(row, "set", "the name of the set this tolerance is for")
    found = []
    for key, members in groups.items():
        first = rows[members[0]]
        name = first.get("set")
        if key in taken:
            problems.note(first, "set", "a name no open set of the shop has")
        if len(members) < 2:
            problems.note(first, "set", "a name that two or more rows share")
        tolerances = {rows[i].get("set_tolerance") for i in members} - {None}
        if len(tolerances) > 1:
            problems.note(first, "set_tolerance", "one tolerance for a set")
        tolerance = min(tolerances, default=shop.settings.set_tolerance_mm)
        if tolerance <= 0:
            problems.note(first, "set_tolerance", "a tolerance above 0")
        if len(name) > 80:
            problems.note(first, "set", "at most 80 characters")
        found.append(NewSet(name, tuple(members), tolerance))
    return tuple(found)


# -- families and the other nouns -----------------------------------------------------------------------------
_FAMILY_COLUMNS = ft.FAMILIES.columns
_FACE_COLUMNS = tuple(c for c in ft.FACES.columns if c.name != "family")


def _families(rows: tuple[Row, ...], shop: Shop, problems: Problems) -> tuple[Family, ...]:
    taken = {same_name(f.name) for f in shop.families.values()}
    groups: dict[str, list[Row]] = {}
    for row in rows:
        if row.get("family"):
            groups.setdefault(same_name(row.get("family")), []).append(row)
    found = []
    for key, members in groups.items():
        first = members[0]
        if key in taken:
            problems.note(first, "family", "a family the shop does not have yet")
        names_once(members, "face", (), "", problems)
        if first.get("material") is None and first.whole:
            problems.note(first, "material", "aluminium, grey iron or magnesium, in the family's first row")
        for row in members[1:]:
            for column in _FAMILY_COLUMNS[1:]:
                value = row.get(column.name)
                if value is not None and value != first.get(column.name):
                    wanted = f"the same as in row {first.number}, or nothing"
                    problems.note(row, column.name, wanted)
        faces = [_new_face(row, problems) for row in members]
        made = build(
            Family,
            first,
            noun_fields(first, _FAMILY_COLUMNS, RENAMES["families"])
            # a stand-in where a face was refused, so that the family's own columns are checked all the same
            | {"faces": tuple(f or Face(f"face {i}", 1, 1) for i, f in enumerate(faces))},
            problems,
            RENAMES["families"],
        )
        if made is not None:
            found.append(made)
    return tuple(found)


def _new_face(row: Row, problems: Problems) -> Face | None:
    limit = build(Limit, row, noun_fields(row, [c for c in _FACE_COLUMNS if c.name in LIMIT_COLUMNS]), problems)
    fields = noun_fields(row, [c for c in _FACE_COLUMNS if c.name not in LIMIT_COLUMNS], RENAMES["faces"])
    return build(Face, row, fields | {"limit": limit or Limit()}, problems, RENAMES["faces"])


_NOUNS: Mapping[str, tuple[type, str]] = {
    "gaskets": (Gasket, "gaskets"),
    "grades": (InsertGrade, "grades"),
    "machines": (Machine, "machines"),
    "people": (Person, "people"),
    "cutters": (Cutter, "cutters"),
    "recipes": (Recipe, "recipes"),
}


def _simple(table: Table, rows: tuple[Row, ...], shop: Shop, problems: Problems) -> tuple[Any, ...]:
    noun, where = _NOUNS[table.name]
    if table.name == "recipes":
        _recipes_once(rows, shop, problems)
    else:
        taken = [n.name for n in getattr(shop, where).values()]
        names_once(rows, table.columns[0].name, taken, "the shop does not have yet", problems)
    machines, grades = by_name(shop.machines), by_name(shop.grades)
    found = []
    for row in rows:
        fields = noun_fields(row, _own_columns(table), RENAMES.get(table.name))
        if table.name in ("cutters", "recipes"):
            grade = look_up(row, "grade", grades, "an insert grade of the shop", problems)
            fields["grade_id"] = grade.id if grade else (0 if table.name == "recipes" else None)
        if table.name == "cutters":
            machine = look_up(row, "machine", machines, "a machine of the shop", problems)
            fields["machine_id"] = machine and machine.id
        elif table.name == "machines":
            columns = [c for c in table.columns if c.name in INSTRUMENT_COLUMNS]
            dial = build(DepthInstrument, row, noun_fields(row, columns, RENAMES["instruments"]), problems)
            fields["instrument"] = dial or DepthInstrument()
        elif table.name == "people":
            fields["machine_ids"] = _machine_ids(row, machines, problems)
        made = build(noun, row, fields, problems, RENAMES.get(table.name))
        if made is not None:
            found.append(made)
    return tuple(found)


def _own_columns(table: Table) -> list[Column]:
    linked = {"cutters": ("machine", "grade"), "recipes": ("grade",), "people": ("machines",)}.get(table.name, ())
    dial = INSTRUMENT_COLUMNS if table.name == "machines" else ()
    return [c for c in table.columns if c.name not in linked and c.name not in dial]


def _machine_ids(row: Row, machines: Mapping[str, Machine], problems: Problems) -> tuple[int, ...]:
    found = []
    for name in row.get("machines") or ():
        machine = machines.get(same_name(name))
        if machine is None:
            wanted = "machines of the shop: " + ", ".join(m.name for m in machines.values())
            problems.note(row, "machines", wanted)
        else:
            found.append(machine.id)
    return tuple(found)


def _recipes_once(rows: tuple[Row, ...], shop: Shop, problems: Problems) -> None:
    names = {g.id: same_name(g.name) for g in shop.grades.values()}
    taken = {(r.material, names.get(r.grade_id)) for r in shop.recipes.values() if r.active}
    for row in rows:
        if not row.get("material") or not row.get("grade") or row.get("active") is False:
            continue
        try:
            key = (material("material", row.get("material")), same_name(row.get("grade")))
        except InputError:
            continue  # told when the recipe is built
        if key in taken:
            problems.note(row, "material", "one active recipe for a material and a grade")
        taken.add(key)
