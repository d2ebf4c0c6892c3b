"""Cutter, table and face: speeds, travels, minutes and the path each edge runs in the material.

The face is a rectangle, length L along the travel and width W across it. The cutter, radius R, runs with its centre
line `offset_mm` beside the middle of the face, so the long sides of the face lie at y1 = offset - W/2 and
y2 = offset + W/2 from the cutter's centre line.

Two conventions for the end of a pass are in use and both are offered: *stop when cut* (the last corner of the face has
been swept) and *run clear* (the cutter has left the face). Formulas are plain geometry; textbooks: El-Hofy,
Fundamentals of Machining Processes, ch. 6; Groover, Fundamentals of Modern Manufacturing, milling chapter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from planner.errors import InputError, between, each, finite, finite_array, not_negative, plain, positive, whole

_TOLERANCE_MM = 1e-9


def spindle_speed(speed_m_min: ArrayLike, diameter_mm: ArrayLike):
    """Spindle speed [rev/min] at which a cutter of this diameter [mm] runs at the surface speed [m/min]: 1000 Vc / (π D).

    As with the other figures here a number for numbers, an array for arrays that broadcast; raises `InputError` unless
    all are finite and above 0.

    >>> round(spindle_speed(145, 120)), spindle_speed([145, 290], 120).round().tolist()
    (385, [385.0, 769.0])
    """
    speed, diameter = each(speed_m_min=(positive, speed_m_min), diameter_mm=(positive, diameter_mm))
    return 1000.0 * speed / (math.pi * diameter)


def surface_speed(rpm: ArrayLike, diameter_mm: ArrayLike):
    """Surface speed [m/min] of a cutter of this diameter [mm] at this spindle speed [rev/min]: π D n / 1000."""
    turns, diameter = each(rpm=(positive, rpm), diameter_mm=(positive, diameter_mm))
    return math.pi * diameter * turns / 1000.0


def table_feed(feed_mm: ArrayLike, inserts: ArrayLike, rpm: ArrayLike):
    """Table feed [mm/min] from the feed per insert [mm], the number of inserts and the spindle speed [rev/min]: fz z n.

    Raises `InputError` unless all are finite and above 0 and the inserts whole numbers.
    """

    def least_one(field: str, value: object) -> float:
        return float(whole(field, value, 1))

    feed, count, turns = each(feed_mm=(positive, feed_mm), inserts=(least_one, inserts), rpm=(positive, rpm))
    if np.any(count != np.round(count)):
        raise InputError("inserts", inserts, "whole numbers of 1 or more")
    return feed * count * turns


def pass_minutes(travel_mm: ArrayLike, table_feed_mm_min: ArrayLike):
    """Minutes of spindle time for a travel [mm], 0 or more, at a table feed [mm/min] above 0: travel / feed.

    Raises `InputError` for anything else.
    """
    travel, feed = each(travel_mm=(not_negative, travel_mm), table_feed_mm_min=(positive, table_feed_mm_min))
    return travel / feed


@dataclass(frozen=True)
class SpeedChoice:
    """The spindle speed to set.

    ``limited_by`` is one of "recipe", "machine's list", "machine's greatest", "machine's least", "cutter's mark".
    ``faster_than_recipe`` is set where the machine cannot turn as slowly as the recipe asks.
    """

    rpm: float
    wanted_rpm: float
    limited_by: str
    faster_than_recipe: bool = False


def choose_speed(
    wanted_rpm: float,
    cutter_max_rpm: float | None,
    speeds_rpm: Sequence[float] = (),
    least_rpm: float = 0.0,
    greatest_rpm: float = math.inf,
) -> SpeedChoice:
    """Spindle speed to set for a wanted one [rev/min]: a list of speeds rounds down, a range is kept to.

    ``speeds_rpm`` is the machine's list; empty for a machine with a range. The speed marked on the cutter is never
    passed. Raises `InputError` when the mark is unknown (None), and when the machine cannot turn as slowly as the mark.
    """
    wanted = positive("wanted_rpm", wanted_rpm)
    if cutter_max_rpm is None:
        raise InputError("cutter_max_rpm", None, "the greatest speed marked on the cutter's body; unknown is refused")
    mark = positive("cutter_max_rpm", cutter_max_rpm)
    low = not_negative("least_rpm", least_rpm)
    unlimited = isinstance(greatest_rpm, float) and greatest_rpm == math.inf
    high = math.inf if unlimited else positive("greatest_rpm", greatest_rpm)
    listed = finite_array("speeds_rpm", speeds_rpm, (None,)).tolist()
    if high < low:
        raise InputError("greatest_rpm", greatest_rpm, f"a speed of at least least_rpm = {low:g}")
    goal = min(wanted, mark)
    limited = "recipe" if wanted <= mark else "cutter's mark"
    if listed:
        speeds = sorted(positive(f"speeds_rpm[{i}]", s) for i, s in enumerate(listed))
        usable = [s for s in speeds if low <= s <= high]
        if not usable:
            raise InputError("speeds_rpm", speeds_rpm, f"at least one speed from {low:g} to {high:g}")
        below = [s for s in usable if s <= goal * (1 + 1e-12)]
        rpm = below[-1] if below else usable[0]
        if rpm < goal * (1 - 1e-12):
            limited = "machine's list"
    else:
        rpm = min(max(goal, low), high)
        if rpm < goal:
            limited = "machine's greatest"
    if rpm > goal * (1 + 1e-12):
        limited = "machine's least"
    if rpm > mark * (1 + 1e-12):
        raise InputError("cutter_max_rpm", cutter_max_rpm, f"a mark of at least the machine's slowest speed, {rpm:g}")
    return SpeedChoice(rpm, wanted, limited, faster_than_recipe=rpm > wanted * (1 + 1e-12))


def cutting_travel(length_mm: ArrayLike, width_mm: ArrayLike, diameter_mm: ArrayLike, offset_mm: ArrayLike = 0.0):
    """Travel [mm] from the first touch until every place of the face has been swept (*stop when cut*).

    L + sqrt(R² - y*²) - sqrt(R² - ym²), y* the place of [y1, y2] nearest the cutter's centre line, ym the farthest.
    Raises `InputError` where the face reaches beyond the cutter; see `lanes`.

    >>> round(cutting_travel(500, 60, 150, offset_mm=45), 3)
    573.485
    """
    length, _, _, reach_near, reach_far, _ = _engage(length_mm, width_mm, diameter_mm, offset_mm)
    return plain(length + reach_near - reach_far)


def clearing_travel(length_mm: ArrayLike, width_mm: ArrayLike, diameter_mm: ArrayLike, offset_mm: ArrayLike = 0.0):
    """Travel [mm] from the first touch until the cutter has left the face (*run clear*): L + 2 sqrt(R² - y*²).

    Raises `InputError` where the face reaches beyond the cutter; see `lanes`.
    """
    length, _, _, reach_near, _, _ = _engage(length_mm, width_mm, diameter_mm, offset_mm)
    return plain(length + 2.0 * reach_near)


def path_in_material(
    length_mm: ArrayLike,
    width_mm: ArrayLike,
    diameter_mm: ArrayLike,
    feed_mm: ArrayLike,
    offset_mm: ArrayLike = 0.0,
    net_share: ArrayLike = 1.0,
):
    """Path [mm] of *each* edge in the material in one pass; ``feed_mm`` is the feed per **revolution**.

    (L / f) R (asin(y2/R) - asin(y1/R)) × net share of the face. Every edge of a cutter with several inserts runs this
    same path. The net share leaves out openings, and in early passes the part of the face not yet reached.
    Raises `InputError` where the face reaches beyond the cutter, for a feed of 0, and for a share outside 0 to 1.

    >>> round(path_in_material(500, 200, 250, 0.2) / 1000, 1)
    579.6
    """
    length, start, stop, _, _, feed, share, diameter = _engage(
        length_mm,
        width_mm,
        diameter_mm,
        offset_mm,
        feed_mm=(positive, feed_mm),
        net_share=(lambda field, value: between(field, value, 0.0, 1.0), net_share),
    )
    return plain(length / feed * (diameter / 2.0) * (stop - start) * share)


@dataclass(frozen=True)
class Lane:
    """A strip of a wide face: its middle from the face's centre line, its width, the cutter's offset from that."""

    middle_mm: float
    width_mm: float
    offset_mm: float = 0.0


def lanes(width_mm: float, diameter_mm: float, offset_mm: float = 0.0, overlap_mm: float = 0.0) -> tuple[Lane, ...]:
    """The strips in which a face [mm] is cut: one where the cutter reaches both sides, else the fewest equal strips.

    Neighbouring strips share ``overlap_mm``; the cutter then runs centred on each. Raises `InputError` where the
    overlap is not smaller than the cutter.
    """
    width = positive("width_mm", width_mm)
    diameter = positive("diameter_mm", diameter_mm)
    offset = finite("offset_mm", offset_mm)
    overlap = not_negative("overlap_mm", overlap_mm)
    if abs(offset) + width / 2 <= diameter / 2 + _TOLERANCE_MM:
        return (Lane(0.0, width, offset),)
    if overlap >= diameter:
        raise InputError("overlap_mm", overlap_mm, f"less than the cutter's diameter, {diameter:g}")
    if width <= diameter + _TOLERANCE_MM:
        # the offset alone is in the way: one centred lane reaches both sides
        return (Lane(0.0, width, 0.0),)
    count = math.ceil((width - overlap) / (diameter - overlap) - _TOLERANCE_MM)
    strip = (width + (count - 1) * overlap) / count
    first = -width / 2 + strip / 2
    return tuple(Lane(first + i * (strip - overlap), strip) for i in range(count))


@dataclass(frozen=True)
class Traverse:
    """One pass over the whole face: minutes by both end-of-pass rules, and what the machine's own rule takes.

    ``minutes`` = traverse by the machine's rule + return; travels include the machine's clearances, every lane.
    ``path_mm`` is the path of each edge in the material (overlap of lanes counted twice: it rubs, it does not rest).
    """

    lanes: int
    cutting_travel_mm: float
    clearing_travel_mm: float
    when_cut_minutes: float
    run_clear_minutes: float
    return_minutes: float
    minutes: float
    path_mm: float


def traverse(
    length_mm: float,
    width_mm: float,
    diameter_mm: float,
    feed_mm: float,
    inserts: int,
    rpm: float,
    *,
    run_clear: bool,
    offset_mm: float = 0.0,
    approach_mm: float = 0.0,
    runout_mm: float = 0.0,
    return_mm_min: float = math.inf,
    overlap_mm: float = 0.0,
    net_share: float = 1.0,
    travel_mm: float = math.inf,
) -> Traverse:
    """Minutes and path of one pass on a machine.

    ``feed_mm`` per insert; ``approach_mm`` and ``runout_mm`` are the machine's clearances before the first touch and
    after the end; ``return_mm_min`` the speed of the return with the cutter clear (inf: not counted); ``travel_mm`` the
    longest travel the table has. Raises `InputError` where the pass is longer than the table's travel.
    """
    positive("length_mm", length_mm)
    feed = positive("feed_mm", feed_mm) * whole("inserts", inserts, 1) * positive("rpm", rpm)
    extra = not_negative("approach_mm", approach_mm) + not_negative("runout_mm", runout_mm)
    cut = clear = path = 0.0
    strips = lanes(width_mm, diameter_mm, offset_mm, overlap_mm)
    for lane in strips:
        one_cut = cutting_travel(length_mm, lane.width_mm, diameter_mm, lane.offset_mm) + extra
        one_clear = clearing_travel(length_mm, lane.width_mm, diameter_mm, lane.offset_mm) + extra
        longest = one_clear if run_clear else one_cut
        if longest > travel_mm + _TOLERANCE_MM:
            raise InputError(
                "length_mm", length_mm, f"a pass within the table's travel {travel_mm:g}, not {longest:.1f}"
            )
        cut, clear = cut + one_cut, clear + one_clear
        path += path_in_material(
            length_mm, lane.width_mm, diameter_mm, feed_mm * inserts, lane.offset_mm, net_share=net_share
        )
    back = (
        0.0 if return_mm_min == math.inf else (clear if run_clear else cut) / positive("return_mm_min", return_mm_min)
    )
    cut_minutes, clear_minutes = pass_minutes(cut, feed), pass_minutes(clear, feed)
    minutes = (clear_minutes if run_clear else cut_minutes) + back
    return Traverse(len(strips), cut, clear, cut_minutes, clear_minutes, back, minutes, path)


def _engage(length_mm, width_mm, diameter_mm, offset_mm, **more):
    """Length, angles of both sides seen from the cutter's centre, reach ahead at the nearest and the farthest place;
    then ``more`` figures, checked with the others, and the diameter."""
    length, width, diameter, offset, *others = each(
        length_mm=(positive, length_mm),
        width_mm=(positive, width_mm),
        diameter_mm=(positive, diameter_mm),
        offset_mm=(finite, offset_mm),
        **more,
    )
    radius = diameter / 2.0
    low, high = offset - width / 2.0, offset + width / 2.0
    far = np.maximum(np.abs(low), np.abs(high))
    beyond = np.ravel(far > radius + _TOLERANCE_MM)
    if beyond.any():
        at = int(beyond.argmax())
        reach, needed = (np.broadcast_to(v, np.shape(far > radius)).ravel()[at] for v in (radius, far))
        raise InputError(
            "width_mm",
            width_mm,
            f"both sides within the cutter's radius {reach:g} (farthest {needed:g}); else cut in lanes",
        )
    far = np.minimum(far, radius)
    near = np.minimum(np.maximum(0.0, np.maximum(low, -high)), radius)
    start, stop = (np.arcsin(np.clip(y / radius, -1.0, 1.0)) for y in (low, high))
    return length, start, stop, _reach(radius, near), _reach(radius, far), *others, diameter


def _reach(radius, y):
    return np.sqrt(np.maximum(0.0, radius - y)) * np.sqrt(radius + y)
