"""A gang on the table: one zero, one traverse, one edge. What is tapped of these goes down on the sheets of all its
members; levelling, looks and heights stay each one's own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from planner import InputError
from planner.cut.course import PlannedPass
from planner.screens import access
from planner.shop import PassReason, Tap, TapKind
from planner.week.gang import GangCourse

if TYPE_CHECKING:
    from planner.screens.run_deeds import Sheet

MOVES = (TapKind.START, TapKind.PAUSE, TapKind.HOLD, TapKind.RESUME)
"""Entries that change how the job stands."""
_JOINT = (TapKind.TOUCH, TapKind.MARK, TapKind.PASS, TapKind.EDGE, TapKind.INDEX_STEP, *MOVES)


def is_joint(kind: str, payload: Mapping[str, Any]) -> bool:
    """Whether an entry is made for all that lie on the table."""
    return kind in _JOINT or (kind == TapKind.CONFIRM and payload.get("what") == "magnesium")


def course_of(job_id: int, machine_id: int | None) -> GangCourse | None:
    """How a job is cut as one of a gang on that machine; None where it is not."""
    courses = access.queue().gangs.values()
    return next((c for c in courses if job_id in c.job_ids and c.machine_id == machine_id), None)


def ended(sheet: Sheet) -> dict[int, str]:
    """Jobs that were put on the table with it and are ended since, with the tags of their parts: they have left the
    gang, and a scrapped one its set."""
    begun = next((t.payload.get("with", {}) for t in sheet.taps if t.kind == TapKind.START), {})
    there = {one.job.id for one in sheet.together}
    return {j: tag for j, tag in sorted((int(i), t) for i, t in begun.items()) if j not in there}


def recorded_in(sheet: Sheet, entry: Tap) -> list[str]:
    """Tags of those that left the gang with this entry on their sheets: it stands in their records."""
    store, made = access.repository(), (entry.kind, entry.at)
    return [tag for j, tag in ended(sheet).items() if made in {(t.kind, t.at) for t in store.taps_of(j, whole=True)}]


def as_its_own(sheet: Sheet, made_on: Sheet, kind: str, told: Mapping[str, Any]) -> dict[str, Any]:
    """An entry ``made_on`` one member's sheet as it reads on another's: its face lies below that of the highest, so the
    cutter goes down farther until it touches. Raises `InputError` for a zero set at a place nobody knows the height of."""
    own, state, course = dict(told), sheet.state, made_on.course
    if kind == TapKind.TOUCH:
        if course is None:
            raise InputError(
                "gang", sheet.part.tag, "a gang that can be cut in one setting; pause it and call the lead"
            )
        on_cut = bool(told.get("on_cut_face"))
        if told.get("below_first_mm") is None and not on_cut:
            raise InputError(
                "where", told.get("place"), "the highest place of the highest member, or one that was surveyed"
            )
        below = course.below_mm[sheet.job.id]
        place = (course.reached_mm if on_cut else told["below_first_mm"]) - below
        if on_cut or below > 0:
            where = "cut_face_mm" if on_cut else "below_first_mm"
            own |= {where: max(0.0, place), "paper_mm": told["paper_mm"] + max(0.0, -place)}
        if below > 0 and not on_cut:
            own |= {"place": f"on {made_on.part.tag}", "by_heights": True}
    elif kind == TapKind.MARK:
        own["below_mm"] = told["below_mm"] + state.zero.offset_mm - made_on.state.zero.offset_mm
    elif kind == TapKind.PASS and told["reason"] != PassReason.TOOL_MARK:
        total = state.zero.total_mm(told["below_mm"])
        if total <= 1e-6:
            own["reason"] = str(PassReason.KISS)
        elif told["reason"] == PassReason.KISS:
            own["reason"] = str(PassReason.SEARCH)
        elif state.clean_mm is not None and told["reason"] == PassReason.SEARCH:
            own["reason"] = str(PassReason.MATCH)
    return own


def next_pass(sheet: Sheet) -> PlannedPass | None:
    """What comes next: for all that lie on the table, or for this one alone; None: nothing, or stop and call."""
    course, zero = sheet.course, sheet.state.zero
    if not sheet.mates:
        return sheet.estimate.passes[0] if sheet.estimate.passes else None
    if course is None or course.next_pass is None or zero is None:
        return None
    reason, finishing, total = course.next_pass
    own = total - course.below_mm[sheet.job.id]
    below, dial = zero.below_mm(own), sheet.dial
    standing, turns = dial.standing_mm(below, sheet.at_zero_mm), dial.whole_turns(below)
    depth, minutes = total - course.reached_mm, course.traverse_minutes
    return PlannedPass(reason, finishing, depth, own, below, standing, turns, minutes, 1.0)


def clean(sheet: Sheet) -> bool:
    """Whether all that lie on the table came clean."""
    return all(one.state.clean_mm is not None for one in sheet.together)
