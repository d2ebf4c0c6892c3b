"""What the forms of the page Parts share: their fields, readings of heights, the default due time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, time, timedelta
from statistics import median
from typing import Any

from planner import InputError
from planner.screens.forms import Field
from planner.shop import (
    Aim,
    Condition,
    DueKind,
    Face,
    Family,
    HeightReading,
    Job,
    Part,
    PartState,
    Shop,
)
from planner.units import Units

_DUE_AT = time(16)
TILL_CLEAN = "till clean"
# a weld may stand above the new height by this
_BUILD_UP_MM = 2.0
# common practice, no source: hardly a part has lost more in all its rebuilds
_FAR_MM = 3.0

IDENTITY = (
    Field("tag", "Tag", required=True),
    Field("work_order", "Work order"),
    Field("engine_serial", "Engine serial"),
    Field("position", "Position", placeholder="left, right, no. 3"),
    Field("casting_number", "Casting number"),
    Field("part_number", "Part number"),
    Field("second_mark", "Second mark"),
    Field("owner", "Owner"),
    Field("source", "Source", placeholder="customer, core, bought in"),
)
STANDING = (
    Field("condition", "Condition", "choice", options=Condition, required=True),
    Field("state", "State", "choice", options=PartState, required=True),
    Field("expected_on", "Expected on", "date"),
    Field("agreed_depth_mm", "Agreed depth at most", "depth", help="What the owner agreed may be taken off."),
    Field("agreed_by", "Agreed by", help="Who agreed to it, and for whom."),
    Field(
        "removed_before_mm",
        "Removed before it came",
        "depth",
        help="What earlier cuts took that are not recorded here. Empty = unknown.",
    ),
    Field("replacement_price", "Price of a replacement", "number"),
    Field("notes", "Notes", "long"),
)


def job_fields(shop: Shop) -> tuple[Field, ...]:
    """The fields of a job; an empty depth means till clean."""
    return (
        Field(
            "depth_mm",
            "Cut to a depth",
            "depth",
            help="Empty = cut till the face is clean.",
            placeholder=TILL_CLEAN,
        ),
        Field("due", "Due", "moment"),
        Field("due_kind", "The due time means", "choice", options=_DUE_WORDS, required=True),
        Field("gasket_id", "Gasket", "choice", options=named(shop.gaskets, "not chosen")),
        Field("rush", "Rush", "flag"),
        Field("weight", "Weight", "number", help="1 = usual; 2 = an hour late costs double.", required=True),
        Field("not_before", "Not before", "moment"),
        Field("machine_id", "Machine", "choice", options=named(shop.machines, "any that fits")),
        Field("note", "Note to the job"),
    )


_DUE_WORDS = {DueKind.READY: "ready on the shelf", DueKind.ASSEMBLY: "assembly starts"}


def named(nouns: Mapping[int, Any], nothing: str) -> list[tuple[int | None, str]]:
    """Choices of nouns by id, with "nothing chosen" first."""
    return [(None, nothing), *((i, n.name) for i, n in sorted(nouns.items(), key=lambda p: p[1].name.lower()))]


def part_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """Of a form's values, those of a part."""
    return {f.name: values[f.name] for f in (*IDENTITY, *STANDING)}


def job_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """Of a form's values, those of a job: a depth makes it a job to a depth. An emptied weight is the usual one."""
    wanted = ("depth_mm", "due", "due_kind", "gasket_id", "weight", "not_before", "machine_id", "note")
    found = {name: values[name] for name in wanted}
    found["rush"] = bool(values["rush"])
    found["aim"] = Aim.TILL_CLEAN if found["depth_mm"] is None else Aim.TO_DEPTH
    return found


def shown_job(job: Job) -> dict[str, Any]:
    """A job's values as its form shows them."""
    values = {name: getattr(job, name) for name in ("due", "due_kind", "gasket_id", "rush", "weight")}
    values |= {name: getattr(job, name) for name in ("not_before", "machine_id", "note")}
    return values | {"depth_mm": job.depth_mm if job.aim is Aim.TO_DEPTH else None}


def shown_part(part: Part) -> dict[str, Any]:
    return {f.name: getattr(part, f.name) for f in (*IDENTITY, *STANDING)}


def default_due(shop: Shop, now: datetime) -> datetime:
    """In two working days at 16:00: days on which a machine has hours and the shop is not closed."""
    working = {w.weekday for m in shop.machines.values() for w in m.hours} or set(range(5))
    closed = [c for c in shop.closures if c.machine_id is None and c.person_id is None]
    day, left = now.date(), 2
    for _ in range(60):
        day += timedelta(days=1)
        left -= day.weekday() in working and not any(c.first <= day <= c.last for c in closed)
        if not left:
            break
    return datetime.combine(day, _DUE_AT)


# -- heights -----------------------------------------------------------------------------------------------------------
def height_fields(face: Face) -> tuple[Field, ...]:
    return tuple(Field(f"height {p.name}", f"Height, {p.name}", "height") for p in face.points)


def readings_of(face: Face, values: Mapping[str, Any], units: Units, **more: Any) -> tuple[HeightReading, ...]:
    """Readings at the face's points out of a form's values; ``more`` goes into each. Raises `InputError`."""
    found = []
    for point in face.points:
        name = f"height {point.name}"
        height = values.get(name)
        if height is None:
            continue
        _check_height(face, name, height, units)
        found.append(HeightReading(face.id, point.name, height, **more))
    _check_alike(face, found, units)
    return tuple(found)


def _check_alike(face: Face, found: Sequence[HeightReading], units: Units) -> None:
    """Where no new height is known, the other points of the face tell a slip of the unit or of a digit."""
    if face.new_height_mm is not None or len(found) < 2:
        return
    middle = median(r.height_mm for r in found)
    for reading in found:
        if not middle / 2 <= reading.height_mm <= 2 * middle:
            others = ", ".join(units.height(r.height_mm) for r in found if r is not reading)
            wanted = f"a height like those at the other points ({others}), not half or twice of it"
            raise InputError(f"height {reading.point}", units.height(reading.height_mm), wanted)


def _check_height(face: Face, name: str, height_mm: float, units: Units) -> None:
    new = face.new_height_mm
    if height_mm <= 0:
        raise InputError(name, units.height(height_mm), "a height above 0")
    if new is not None and not new / 2 <= height_mm <= new + _BUILD_UP_MM:
        # half of it gone is a slip of the unit or of a digit
        high = units.height(new + _BUILD_UP_MM)
        wanted = f"a height from {units.height(new / 2)} to {high} (new: {units.height(new)})"
        raise InputError(name, units.height(height_mm), wanted)


def height_doubt(face: Face, units: Units) -> Callable[[str], str]:
    """What to ask beside a height far below the new one, where no limit tells whether it can be: likely a slip of the
    unit or of the decimal point. A question, no refusal."""

    def doubt(typed: str) -> str:
        new = face.new_height_mm
        if not typed.strip() or new is None or face.least_height_mm is not None:
            return ""
        try:
            below = new - units.read_length_mm("height", typed)
        except InputError:
            return ""
        if not _FAR_MM < below <= new / 2:
            return ""
        return f"{units.height(below)} below new: is the unit right, and the decimal point? If so, go on."

    return doubt


# -- faces and families ------------------------------------------------------------------------------------------------
def family_choices(shop: Shop) -> list[tuple[int, str]]:
    """Families a part can be of, one-offs left out."""
    kept = [f for f in shop.families.values() if not f.one_off]
    return [(f.id, f.name) for f in sorted(kept, key=lambda f: f.name.lower())]


def face_choices(family: Family, units: Units) -> list[tuple[int, str]]:
    return [(f.id, f"{f.name}, {face_size(f, units)}") for f in family.faces]


def face_size(face: Face, units: Units) -> str:
    return f"{units.length(face.length_mm, unit=False)} × {units.length(face.width_mm)}"


def dated(moment: datetime) -> str:
    """With the year: the past of a part goes back far."""
    return f"{moment:%d %b %Y %H:%M}"


# -- saying what came of it --------------------------------------------------------------------------------------------
