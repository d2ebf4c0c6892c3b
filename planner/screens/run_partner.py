"""The partner of a matched set: its window and target live, the first's reading, a height check while clamped."""

from __future__ import annotations

import math

import streamlit as st

from planner import InputError
from planner.cut.course import least_pass_mm
from planner.cut.running import fold
from planner.match.window import PartnerTarget, PassRule, clamped_check, partner_target, same_blocks_target
from planner.screens import access
from planner.screens.keys import tall
from planner.screens.run_deeds import Sheet, tap, typed
from planner.screens.said import act, say_beside
from planner.shop import Counts, Cut, JobState, TapKind
from planner.units import as_read
from planner.week.queue import SetView

VERDICTS = {
    "inside": "inside the window",
    "above": "still above the window",
    "below": "below the window: call the lead",
    "too close to tell": "too close to tell with this measurement",
}


def draw(sheet: Sheet, view: SetView) -> None:
    """Window and target of this member; nothing for a set that cannot be planned."""
    st.subheader(f"Matched set {view.matched.name}", anchor=False)
    if view.members is None:
        st.warning("; ".join(view.problems) or "The set cannot be planned yet.")
    else:
        target = target_of(sheet, view)
        if target is not None:
            _window(sheet, view, target)
    # the instrument's own reading needs no height
    _same_blocks(sheet, view)


def _window(sheet: Sheet, view: SetView, target: PartnerTarget) -> None:
    units = sheet.units
    for problem in target.problems:
        st.warning(problem)
    if math.isfinite(target.high_mm):
        # each end in a cell of its own: side by side they are wider than a tablet's cell
        low = units.height(target.low_mm, unit=False) if math.isfinite(target.low_mm) else "no limit known"
        left, right = st.columns(2)
        left.metric(f"Mean height not below ({units.length_unit})", low, border=True)
        right.metric(f"Not above ({units.length_unit})", units.height(target.high_mm, unit=False), border=True)
    else:
        st.caption("No member is finished yet: only the limit bounds it.")
    left, right = st.columns(2)
    left.metric("Likely ends at", units.height(target.final_mm), border=True)
    # a surveyed member's heights count from first contact already
    depth = target.removal_mm
    with right.container(border=True):
        if sheet.state.zero is not None and not sheet.state.touch_again:
            st.metric(f"{sheet.dial.name} then shows".capitalize(), sheet.standing(sheet.state.zero.below_mm(depth)))
        else:
            st.metric("Depth for that", units.depth(depth))
    _check(sheet, view, target)


def target_of(sheet: Sheet, view: SetView) -> PartnerTarget | None:
    """Window, target and passes of this member; None when it is finished or has no height."""
    setup = sheet.estimate.setup
    rule = None
    # a gang's passes are its own, and end on the step already
    if setup is not None and sheet.job.id not in view.gang:
        rule = PassRule(
            least_pass_mm(setup),
            setup.recipe.rough_greatest_mm or setup.recipe.greatest_pass_mm,
            sheet.shop.settings.depth_step_mm,
        )
    doubts = {m.name: m.height_sd_mm for m in view.members.members}
    try:
        return partner_target(
            view.members_as_cut,
            sheet.part.tag,
            rule=rule,
            doubts_mm=doubts,
            show=sheet.units.depth,
            show_height=sheet.units.height,
        )
    except InputError as wrong:
        st.caption(f"No window yet: {wrong.accepted}.")
        return None


def _check(sheet: Sheet, view: SetView, target: PartnerTarget) -> None:
    units, key = sheet.units, f"check/{sheet.job.id}/{sheet.seen}/{sheet.units.system}"
    columns = st.columns([3, 2, 2, 2], vertical_alignment="bottom")
    columns[0].selectbox("Height while clamped, at", [p.name for p in sheet.face.points], key=f"{key}/point")
    columns[1].text_input(f"Height ({units.length_unit})", key=f"{key}/height")
    doubt = units.depth(sheet.shop.settings.height_repeatability_mm, unit=False)
    columns[2].text_input(f"Doubt ({units.depth_unit})", value=doubt, key=f"{key}/doubt")
    columns[3].button(
        tall("Store the check"),
        width="stretch",
        on_click=act,
        args=(_store_check, sheet, key),
        kwargs={"beside": "check"},
    )
    say_beside("check")
    for read in sheet.state.checks[-3:]:
        said = (
            f"{read.point}: {units.height(read.height_mm)} ± {units.depth(read.doubt_mm)}, after pass {read.after_pass}"
        )
        if math.isfinite(target.high_mm) and math.isfinite(target.low_mm) and target.open:
            mean = view.mean_of_check_mm(sheet.job.id, read.point, read.height_mm)
            verdict = clamped_check(mean, read.doubt_mm, target.low_mm, target.high_mm)
            said += f": {VERDICTS[verdict.verdict]}"
            if verdict.surely_in_mm > 0:
                said += f"; {units.depth(verdict.surely_in_mm)} more brings it surely in"
            if verdict.at_most_mm > 0:
                said += f"; at most {units.depth(verdict.at_most_mm, down=True)} more stays in"
        st.markdown(f"- {said}")


def _store_check(sheet: Sheet, key: str) -> str:
    height = sheet.units.read_length_mm("height", typed(f"{key}/height"))
    doubt = sheet.units.read_depth_mm("doubt", typed(f"{key}/doubt") or "0")
    if not height > 0 or doubt < 0:
        raise InputError("height", typed(f"{key}/height"), "a height above 0 and a doubt of 0 or more")
    point = st.session_state[f"{key}/point"]
    return tap(sheet, TapKind.CHECK, {"point": point, "height_mm": height, "doubt_mm": doubt})


def _same_blocks(sheet: Sheet, view: SetView) -> None:
    """The absolute reading of the first, where it lies on the same blocks and the instrument was not zeroed since."""
    others = [sheet.shop.jobs[i] for i in view.matched.job_ids if i != sheet.job.id]
    done = [sheet.shop.part_of(j).tag for j in others if j.state in (JobState.CUT, JobState.FINISHED)]
    if not done:
        return
    with st.expander("Same blocks, same instrument", on_change="rerun", key="same blocks") as more:
        if not more.open:
            return
        units, first = sheet.units, done[-1]
        first_cut = _last_cut(sheet, first)
        known = None if first_cut is None else last_reading_mm(sheet, first_cut)
        key = f"first reading/{sheet.job.id}/{units.system}"
        columns = st.columns([2, 1, 1], vertical_alignment="bottom")
        if known is None:
            columns[0].text_input(f"{sheet.dial.name} at {first}'s last pass ({units.depth_unit})", key=key)
        else:
            said = as_read(first_cut.passes[-1].reading, units) or units.depth(known)
            columns[0].metric(f"{sheet.dial.name} at {first}'s last pass".capitalize(), said)
        # its own touch-off zeroed it, where the instrument can be zeroed at all
        zeroed = sheet.dial.zeroable and sheet.state.zero is not None and not view.matched.same_blocks
        rezeroed = columns[1].checkbox("zeroed since", key=f"{key}/zero", value=zeroed)
        moved = columns[2].checkbox("other blocks", key=f"{key}/blocks")
        if known is None and not typed(key):
            st.caption(
                f"The record of {first} has no reading of {sheet.dial.name} at its last pass: type it from paper."
            )
            return
        changed = first_cut is not None and any(
            e.at > first_cut.ended and e.cutter_id == sheet.estimate.setup.cutter.id for e in access.edge_events()
        )
        try:
            found = same_blocks_target(
                units.read_depth_mm("reading", typed(key)) if known is None else known,
                view.matched.tolerance_mm,
                counts_up=sheet.dial.counts is Counts.UP,
                rezeroed=rezeroed,
                edge_changed=changed,
                blocks_moved=moved,
            )
        except InputError as wrong:
            st.error(f"{wrong.field}: {wrong.accepted}")
            return
        if found.void:
            st.warning("Not valid: " + "; ".join(found.void) + ".")
        else:
            low, high = (_shown(sheet, mm) for mm in (found.low_mm, found.high_mm))
            st.metric(
                f"{sheet.dial.name} must show".capitalize(),
                _shown(sheet, found.reading_mm),
                help=f"{low} to {high} will do",
            )


def _shown(sheet: Sheet, reading_mm: float) -> str:
    """A reading, counted through whole turns, as it stands on the instrument."""
    turn = sheet.dial.per_turn_mm
    if turn is None or reading_mm < 0:
        return sheet.units.depth(reading_mm)
    turns = int(reading_mm // turn + 1e-9)
    return (f"{turns} turn{'s' if turns > 1 else ''} + " if turns else "") + sheet.units.depth(
        reading_mm - turns * turn
    )


def _last_cut(sheet: Sheet, tag: str) -> Cut | None:
    part = next((p for p in sheet.shop.parts.values() if p.tag == tag), None)
    cuts = [c for c in access.repository().cuts_of(part.id) if c.face_id == sheet.face.id] if part else []
    return cuts[-1] if cuts else None


def last_reading_mm(sheet: Sheet, cut: Cut) -> float | None:
    """What the instrument of this machine stood at after the last pass of another part's cut, counted through whole
    turns; None where its record does not tell, or it was cut on another machine."""
    same = cut.machine_id == sheet.estimate.setup.machine.id
    if not same or cut.job_id is None or not cut.passes or not cut.passes[-1].reading:
        return None
    zero = fold(access.repository().taps_of_cut(cut.job_id, cut.id)).zero
    if zero is None:
        return None
    below = zero.below_mm(cut.passes[-1].total_mm)
    return zero.at_zero_mm + (below if sheet.dial.counts is Counts.UP else -below)
