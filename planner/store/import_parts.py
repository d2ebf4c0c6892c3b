"""The week's parts from the rows of a file: each part with its job, and the matched sets they form."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time

from planner.errors import InputError
from planner.shop import Face, Family, GateKind, HeightReading, Hold, Job, Part, PartState, Shop
from planner.store import file_tables as ft
from planner.store.file_rows import Row, noun_fields, read_gate
from planner.store.file_tables import gate_column
from planner.store.import_checks import Problems, build, by_name, check_height, look_up, names_once, same_name
from planner.store.shop_files import RENAMES

_LIVE = (PartState.IN_SHOP, PartState.EXPECTED, PartState.SHELF)
_PART_COLUMNS = tuple(c for c in ft.PARTS.columns if c.name != "family" and not c.name.startswith("gate_"))
_JOB_COLUMNS = tuple(
    c for c in ft.JOBS.columns if c.name not in ("job", "tag", "face", "job_state", "gasket", "machine")
)


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


def parts_of(
    rows: tuple[Row, ...], shop: Shop, problems: Problems, now: datetime
) -> tuple[tuple[NewJob, ...], tuple[NewSet, ...]]:
    # a quick job's family is that one part's own
    drawings = {i: f for i, f in shop.families.items() if not f.one_off}
    families, gaskets, machines = by_name(drawings), by_name(shop.gaskets), by_name(shop.machines)
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
        if any(shop.jobs[j].state.is_open for j in s.job_ids if j in shop.jobs)
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
