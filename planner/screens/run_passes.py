"""Pass by pass: the figure to set, two taps a pass, what is left."""

from __future__ import annotations

from datetime import timedelta

import streamlit as st

from planner import InputError
from planner.cut.closing import weld_or_go_on
from planner.cut.course import PlannedPass
from planner.cut.running import DYE_LEFT, standing_below_mm
from planner.screens import access, run_gang
from planner.screens.keys import tall
from planner.screens.run_deeds import Sheet, clock, stop_for, tap, turn_to, typed
from planner.screens.said import act, say_beside
from planner.screens.tables import rows_table
from planner.screens.words import PASS_WORDS
from planner.shop import PassReason, TapKind
from planner.units import as_read, minutes_words, read_number

LOOKS = ("good", "grey streak", "torn")
# what stands under a look of one word on its key
_UNDER_LOOK = {"good": "no mark", "torn": "or dragged", "spots": "a few"}


def figures(sheet: Sheet, planned: PlannedPass | None) -> None:
    """The number to set and how much is to go, large enough to be read from the machine."""
    units, estimate, state = sheet.units, sheet.estimate, sheet.state
    left, middle, right = st.columns([3, 2, 2])
    with left.container(border=True):
        if state.waits_for_look:
            last = state.passes[-1]
            st.caption(f"Under way, pass {len(state.passes)} · the {sheet.dial.name} stands at")
            st.title(as_read(last.reading, units) or units.depth(last.total_mm), anchor=False)
        elif planned is None or not state.ready_to_cut:
            # a zero that no longer holds must not be set by
            st.caption("Depth reached" + ("" if state.ready_to_cut else ". No figure to set before the new touch-off"))
            st.title(units.depth(state.removed_mm), anchor=False)
        else:
            feed = "finishing feed" if planned.finishing else "roughing feed"
            st.caption(
                f"Pass {len(state.passes) + 1}: {PASS_WORDS[planned.reason]}, {feed}. Set the {sheet.dial.name} to"
            )
            st.title(sheet.standing(planned.below_zero_mm), anchor=False)
    likely = max(0.0, estimate.stop_likely_mm - state.removed_mm)
    allow = max(0.0, estimate.stop_allow_mm - state.removed_mm)
    with middle:
        st.metric("To go, likely", units.depth(likely), border=True, help=estimate.origins["depth"].words)
        st.caption(f"allow {units.depth(allow)} · {units.depth(state.removed_mm)} taken")
    with right:
        gang = sheet.course if sheet.mates else None
        minutes = estimate.machine_minutes if gang is None else gang.machine_minutes
        st.metric("Left at the machine", minutes_words(minutes), border=True)
        end, late = (clock() + timedelta(minutes=m) for m in (minutes, _machine_allow(sheet)))
        allowed = f"allow {late:%H:%M}" if gang is None else f"all {len(gang.job_ids)}"
        st.caption(f"done about {end:%H:%M}, {allowed}")


def _machine_allow(sheet: Sheet) -> float:
    return sheet.estimate.minutes("machine", allow=True) + sheet.estimate.minutes("unattended", allow=True)


def taps(sheet: Sheet, planned: PlannedPass | None) -> None:
    """The two taps of a pass: set and traversing, then what the look shows."""
    state = sheet.state
    waiting = [one for one in sheet.together if one.state.waits_for_look]
    for one in waiting:
        _look(one, f"{one.part.tag}: " if sheet.mates else "")
    if waiting:
        return
    if state.passes and state.passes[-1].clean is False and state.dye in DYE_LEFT[2:]:
        _where(sheet)
    if planned is not None:
        _set(sheet, planned)
    elif run_gang.clean(sheet):
        st.success("Clean. End the job below; the heights come next.")
    elif state.clean_mm is not None:
        _another_must_stop(sheet)
    else:
        _stop_and_call(sheet)
    if state.looks in LOOKS[1:]:
        st.warning(f"The face shows a {state.looks}." if state.looks != "torn" else "The face is torn.")
        _tool_mark(sheet)
    if state.clean_mm is None and state.passes and state.dye in DYE_LEFT[3:]:
        _weld_or_go_on(sheet)


def _set(sheet: Sheet, planned: PlannedPass) -> None:
    left, right = st.columns([3, 1], vertical_alignment="top")
    left.button(
        tall("As planned:", f"set {sheet.standing(planned.below_zero_mm)}, traversing"),
        key=f"pass/{sheet.seen}",
        type="primary",
        icon=":material/play_arrow:",
        width="stretch",
        on_click=act,
        args=(_passed, sheet, planned, planned.below_zero_mm),
    )
    with right.popover(tall("As set:", "another figure"), width="stretch"):
        key = f"as set/{sheet.job.id}/{sheet.seen}/{sheet.units.system}"
        shown = sheet.dial.standing_mm(planned.below_zero_mm, sheet.at_zero_mm)
        st.text_input(
            f"The {sheet.dial.name} stands at ({sheet.units.depth_unit})",
            value=sheet.units.depth(shown, unit=False),
            key=key,
        )
        st.button(
            tall("Traversing at that"),
            on_click=act,
            args=(_passed_as_set, sheet, planned, key),
            kwargs={"beside": "as set"},
            width="stretch",
        )
    say_beside("as set")


def _passed_as_set(sheet: Sheet, planned: PlannedPass, key: str) -> str:
    field, text = f"the {sheet.dial.name}", typed(key)
    shown = sheet.units.read_depth_mm(field, text)
    try:
        below = standing_below_mm(sheet.dial, shown, planned.below_zero_mm, sheet.at_zero_mm)
    except InputError as wrong:
        # as it was typed, not as it is kept inside
        raise InputError(field, text, wrong.accepted) from None
    zero, reached = sheet.state.zero, sheet.state.removed_mm
    if zero.total_mm(below) < reached - 1e-6 and zero.total_mm(planned.below_zero_mm) > reached + 1e-6:
        # most likely the sign: it would go down as a pass that took nothing
        lowest = sheet.standing(zero.below_mm(reached))
        raise InputError(field, text, f"a setting that cuts, beyond {lowest}: mind which way it counts")
    return _passed(sheet, planned, below)


def _passed(sheet: Sheet, planned: PlannedPass, below_mm: float) -> str:
    for one in sheet.together:
        total, limit = one.state.zero.total_mm(below_mm), one.limit_mm
        if limit is not None and total > limit + 1e-6:
            whose = f" on {one.part.tag}" if sheet.mates else ""
            least = sheet.units.depth(limit, down=True)
            accepted = f"at most {least} deep{whose}, the limit or what was agreed: stop and call"
            raise InputError("as set", sheet.units.depth(total), accepted)
    total = sheet.state.zero.total_mm(below_mm)
    reason = planned.reason
    if reason is PassReason.KISS and total > 1e-6:
        reason = PassReason.SEARCH
    payload = {
        "below_mm": below_mm,
        "planned_mm": planned.below_zero_mm,
        "finishing": planned.finishing,
        "reason": str(reason),
        "reading": sheet.standing(below_mm),
        "traverse_minutes": planned.minutes,
    }
    return tap(sheet, TapKind.PASS, payload)


def _look(sheet: Sheet, whose: str = "") -> None:
    state, seen = sheet.state, f"{sheet.job.id}/{sheet.seen}"
    if state.clean_mm is not None or state.passes[-1].reason in (PassReason.FINISH, PassReason.TOOL_MARK):
        st.markdown(f"**{whose}finished face looks**" if whose else "**Finished face looks**")
        for column, looks in zip(st.columns(3), LOOKS, strict=True):
            column.button(
                tall(looks, _UNDER_LOOK.get(looks, "")),
                key=f"looks/{looks}/{seen}",
                type="primary" if looks == "good" else "secondary",
                width="stretch",
                on_click=act,
                args=(tap, sheet, TapKind.LOOK, {"clean": None, "looks": looks}),
            )
        return
    left, right = st.columns([1, 3], vertical_alignment="bottom")
    left.button(
        tall("Clean:", "no dye left"),
        key=f"clean/{seen}",
        type="primary",
        icon=":material/check:",
        width="stretch",
        on_click=act,
        args=(tap, sheet, TapKind.LOOK, {"clean": True}),
    )
    with right:
        st.markdown(f"**{whose}not clean**, dye left:" if whose else "**Not clean**, dye left:")
        for column, dye in zip(st.columns(len(DYE_LEFT)), DYE_LEFT, strict=True):
            column.button(
                tall(dye, "" if " " in dye else _UNDER_LOOK.get(dye, "of it")),
                key=f"dye/{dye}/{seen}",
                width="stretch",
                on_click=act,
                args=(tap, sheet, TapKind.LOOK, {"clean": False, "dye": dye}),
            )


def _where(sheet: Sheet) -> None:
    places = [p.name for p in sheet.face.points] + ["fire ring", "water opening", "outer edge"]
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(f"Dye left ({sheet.state.dye}) at:")
        for place in places:
            st.button(
                tall(place, "" if " " in place else "of the face"),
                key=f"where/{place}/{sheet.seen}",
                type="primary" if place == sheet.state.place else "secondary",
                on_click=act,
                args=(tap, sheet, TapKind.PLACE, {"place": place}),
            )


def _tool_mark(sheet: Sheet) -> None:
    recipe, limit = sheet.estimate.setup.recipe, sheet.limit_mm
    total = sheet.state.removed_mm + recipe.least_pass_mm
    if limit is not None and total > limit + 1e-9:
        st.error("Nothing is left to take the mark out: stop and call.")
        return
    minutes = sheet.estimate.setup.finish.minutes
    below = sheet.state.zero.below_mm(total)
    again = PlannedPass(PassReason.TOOL_MARK, True, recipe.least_pass_mm, total, below, 0.0, 0, minutes, 1.0)
    st.button(
        tall("One more for the mark:", f"set {sheet.standing(below)}, traversing"),
        key=f"mark pass/{sheet.seen}",
        on_click=act,
        args=(_passed, sheet, again, below),
    )


def _another_must_stop(sheet: Sheet) -> None:
    """It is clean, one on the table with it is not and must not go on."""
    one = next(one for one in sheet.mates if one.state.clean_mm is None)
    st.error(
        f"**Stop and call.** {one.part.tag}, on the table with it, is not clean and must not go deeper. Once its job is "
        "ended, on its own sheet, the others can go on without it."
    )
    st.button(tall(f"Sheet of {one.part.tag}:", "call"), type="primary", on_click=turn_to, args=(one.job.id,))


def _stop_and_call(sheet: Sheet) -> None:
    units, limit, agreed = sheet.units, sheet.limit_mm, sheet.part.agreed_depth_mm
    why = "No further pass is worth it."
    whom = "lead"
    if limit is not None and agreed is not None and agreed <= limit + 1e-9:
        why, whom = f"The next pass would go past the agreed {units.depth(agreed)}.", "customer"
    elif limit is not None:
        why = f"The next pass would go past the limit: {units.depth(limit, down=True)} was in hand."
    st.error(f"**Stop and call.** Not clean at {units.depth(sheet.state.removed_mm)}. {why}")
    reason = f"not clean at {units.depth(sheet.state.removed_mm)}: {why.lower().rstrip('.')}"
    st.button(
        tall("Hold it", f"for the {whom}"),
        type="primary",
        on_click=act,
        args=(stop_for, sheet, TapKind.HOLD, whom, reason),
    )


def _weld_or_go_on(sheet: Sheet) -> None:
    """One pit sets the depth: weld it, or lose rebuilds."""
    units, estimate, state = sheet.units, sheet.estimate, sheet.state
    store = access.repository()
    kept = store.get_draft("weld offer") or {}
    with st.expander("One spot sets the depth: weld it, or go on?", on_change="rerun", key="weld or go on") as more:
        if not more.open:
            return
        left, right = st.columns(2)
        left.markdown("**Weld the spot**")
        left.text_input(
            f"Price ({sheet.shop.settings.currency})",
            value=kept.get("price", ""),
            key="weld price",
            on_change=_keep_offer,
        )
        left.text_input("Days away", value=kept.get("days", ""), key="weld days", on_change=_keep_offer)
        still = max(0.0, estimate.stop_likely_mm - state.removed_mm)
        right.markdown("**Go on cutting**")
        settings = sheet.shop.settings
        try:
            price, days = (read_number(n, typed(f"weld {n}") or "0") for n in ("price", "days"))
            lost, worth, _ = weld_or_go_on(still, estimate.rebuild_mm, settings.rebuild_value, price, days)
        except InputError as wrong:
            left.error(f"{wrong.field.capitalize()}: {wrong.accepted}")
            return
        right.metric("Rebuilds lost", f"{lost:.1f}", help=f"{units.depth(still)} more, likely")
        right.caption(
            f"worth {settings.currency}{worth:.0f} at {settings.currency}{settings.rebuild_value:.0f} a rebuild"
        )
        if typed("weld price"):
            cheaper = "Welding costs less" if price < worth else "Going on costs less"
            away = f"; {days:g} days away are yours to weigh" if days else ""
            st.markdown(f"{cheaper}, by {settings.currency}{abs(worth - price):.0f}{away}.")


def _keep_offer() -> None:
    payload = {"price": typed("weld price"), "days": typed("weld days")}
    access.repository().put_draft("weld offer", payload, clock())


def made(sheet: Sheet) -> None:
    """The passes so far."""
    units = sheet.units
    rows = [
        {
            "Pass": i,
            "Why": PASS_WORDS[p.reason],
            "Stood at": as_read(p.reading, units),
            f"Depth ({units.depth_unit})": units.depth(p.total_mm, unit=False),
            "Look": "clean" if p.clean else ("not clean" if p.clean is False else ""),
            "Dye left": p.dye_left,
            "At": f"{p.at:%H:%M}" if p.at else "",
        }
        for i, p in enumerate(sheet.state.passes, start=1)
    ]
    if rows:
        st.dataframe(rows_table(rows), hide_index=True, width="stretch")
