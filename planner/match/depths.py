"""Dimensions of a face that change with its cut, and at what depth the first passes its limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from planner.errors import InputError, between, finite, not_negative
from planner.match.effects import Standing
from planner.shop import Cut, Face, Part


class DepthLike(Protocol):
    """One line of the table: name, present value mm (None = unknown), its change per mm cut (+1, 0 or -1), limits mm
    (None = none), and the operation that restores it ("" = none)."""

    name: str
    present_mm: float | None
    per_cut: float
    least_mm: float | None
    greatest_mm: float | None
    restored_by: str


@dataclass(frozen=True)
class DepthKind:
    """A usual dimension: how it changes per mm cut, and what restores it. Common practice, no source."""

    name: str
    per_cut: float
    restored_by: str


def depth_kinds() -> tuple[DepthKind, ...]:
    """Dimensions that usually change with a cut, to start a face's table from.

    A recess measured from the face gets shallower (-1), whatever stands out of it stands out further (+1).
    """
    return (
        DepthKind("valve recession", -1.0, "recut or renew the seats"),
        DepthKind("valve protrusion", 1.0, "recut or renew the seats"),
        DepthKind("injector protrusion", 1.0, "thicker sealing washer"),
        DepthKind("pre-chamber protrusion", 1.0, "machine the pre-chamber flush"),
        DepthKind("seat metal left", -1.0, "renew the seat"),
        DepthKind("liner protrusion", 1.0, "recut the liner's counterbore"),
        DepthKind("liner counterbore depth", -1.0, "recut the counterbore"),
        DepthKind("spigot chamfer", -1.0, "recut the chamfer"),
        DepthKind("fire-ring groove depth", -1.0, "recut the groove"),
        DepthKind("O-ring groove depth", -1.0, "recut the groove"),
        DepthKind("dowel counterbore depth", -1.0, "recut the counterbore"),
        DepthKind("thread chamfer", -1.0, "chamfer the threads again"),
    )


@dataclass(frozen=True)
class DepthRow:
    """One line at a planned cut. headroom_mm: further cut before its limit, rounded down (inf: never; None: unknown
    or no limit). past_by_mm: how far past its limit it is, 0 where it is not. limit_at_mm: total cut at which it
    reaches its limit."""

    name: str
    present_mm: float | None
    after_mm: float | None
    least_mm: float | None
    greatest_mm: float | None
    standing: Standing
    past_by_mm: float
    limit_at_mm: float | None
    headroom_mm: float | None
    restored_by: str


@dataclass(frozen=True)
class DepthTable:
    """All lines of a face at a planned cut. first: the line that reaches its limit first, and the total cut at which
    (0: it is past it uncut); None where none ever does. unknown: names to be measured."""

    cut_mm: float
    rows: tuple[DepthRow, ...]

    @property
    def past(self) -> tuple[DepthRow, ...]:
        return tuple(r for r in self.rows if r.standing is Standing.PAST)

    @property
    def unknown(self) -> tuple[str, ...]:
        return tuple(r.name for r in self.rows if r.standing is Standing.UNKNOWN)

    @property
    def first(self) -> tuple[str, float] | None:
        known = [(r.limit_at_mm, r.name) for r in self.rows if r.limit_at_mm is not None and r.limit_at_mm < math.inf]
        if not known:
            return None
        at, name = min(known)
        return name, at


def depth_table(lines: Sequence[DepthLike], cut_mm: float, headroom_step_mm: float = 0.0254) -> DepthTable:
    """Every depth line of a face after a cut of ``cut_mm``: value = present + per_cut × cut, against its limits.

    An unknown present value stays unknown. Head-room is rounded down to the step. Raises `InputError`.
    """
    cut = not_negative("cut_mm", cut_mm)
    step = between("headroom_step_mm", headroom_step_mm, 1e-6, 10.0)
    return DepthTable(cut, tuple(_row(f"lines[{i}]", line, cut, step) for i, line in enumerate(lines)))


def _row(where: str, line: DepthLike, cut: float, step: float) -> DepthRow:
    rate = finite(f"{where}.per_cut", line.per_cut)
    least = None if line.least_mm is None else finite(f"{where}.least_mm", line.least_mm)
    greatest = None if line.greatest_mm is None else finite(f"{where}.greatest_mm", line.greatest_mm)
    if least is not None and greatest is not None and least > greatest:
        raise InputError(f"{where}.greatest_mm", greatest, f"at least the least value of {least:g} mm")
    if line.present_mm is None:
        unknown = Standing.UNKNOWN
        return DepthRow(line.name, None, None, least, greatest, unknown, 0.0, None, None, line.restored_by)
    present = finite(f"{where}.present_mm", line.present_mm)
    after = present + rate * cut
    if least is None and greatest is None:
        return DepthRow(line.name, present, after, None, None, Standing.NO_LIMIT, 0.0, None, None, line.restored_by)
    past_by = max(
        0.0, (least if least is not None else after) - after, after - (greatest if greatest is not None else after)
    )
    if past_by <= 1e-9:
        past_by = 0.0
    limit_at = _limit_at(present, rate, least, greatest)
    room = math.inf if limit_at == math.inf else max(0.0, step * math.floor((limit_at - cut) / step + 1e-6))
    return DepthRow(
        name=line.name,
        present_mm=present,
        after_mm=after,
        least_mm=least,
        greatest_mm=greatest,
        standing=Standing.PAST if past_by else Standing.WITHIN,
        past_by_mm=past_by,
        limit_at_mm=limit_at,
        headroom_mm=0.0 if past_by else room,
        restored_by=line.restored_by,
    )


def _limit_at(present: float, rate: float, least: float | None, greatest: float | None) -> float:
    """Total cut at which the value leaves its limits; 0 when it is outside them uncut and no cut can bring it in."""
    below = least is not None and present < least - 1e-9
    above = greatest is not None and present > greatest + 1e-9
    if (below and rate <= 0) or (above and rate >= 0):
        return 0.0
    if rate > 0 and greatest is not None:
        return (greatest - present) / rate
    if rate < 0 and least is not None:
        return (present - least) / -rate
    return math.inf


@dataclass(frozen=True)
class PartLine:
    """One line of a face's table for one part, as it stands now. ``origin``: in words; ``measured``: on this part."""

    name: str
    present_mm: float | None
    per_cut: float
    least_mm: float | None
    greatest_mm: float | None
    restored_by: str
    origin: str
    measured: bool
    at: datetime | None = None


def part_lines(part: Part, face: Face, cuts: Sequence[Cut] = (), removed_mm: float = 0.0) -> tuple[PartLine, ...]:
    """The lines of a face for one part: what was measured on it, carried on by the cuts recorded since.

    cuts: the part's recorded ones; removed_mm: what recorded cuts took off this face in all. A line nobody measured on
    this part is the drawing's, carried on by what was cut: its origin says so, for parts of one family differ.
    """
    found = []
    for line in face.depths:
        reading = part.latest_depth(face.id, line.name)
        if reading is not None:
            since = sum(c.stop_depth_mm for c in cuts if c.face_id == face.id and c.ended > reading.at)
            present = reading.value_mm + line.per_cut * since
            origin = f"after: {reading.how}" if reading.how else "measured on this part"
            origin += ", less the cut since" if since else ""
        elif line.present_mm is not None:
            present = line.present_mm + line.per_cut * (removed_mm + (part.removed_before_mm or 0.0))
            origin = "as drawn, not measured on this part"
        else:
            present, origin = None, "not measured"
        found.append(
            PartLine(
                line.name,
                present,
                line.per_cut,
                line.least_mm,
                line.greatest_mm,
                line.restored_by,
                origin,
                reading is not None,
                reading.at if reading else None,
            )
        )
    return tuple(found)


def cover_hold(must_be_on: bool, is_on: bool | None, cover: str = "cover") -> str | None:
    """Why a face has to wait, or None: one that is cut with its cover bolted on waits until it is there.

    ``is_on`` None: not known, so it waits.
    """
    if not must_be_on or is_on:
        return None
    return f"The {cover} must be bolted on, at its torque, before this face is cut."
