"""Before the first pass: what to mind, the steps as they are done, touch-off in two stages."""

from __future__ import annotations

import dataclasses

import streamlit as st

from planner import InputError
from planner.cut.running import BEFORE_TOUCHING, standing_below_mm
from planner.screens import access
from planner.screens.keys import choose, tall
from planner.screens.run_deeds import Sheet, tap, turn_to, typed
from planner.screens.said import act, say_beside
from planner.screens.spindle_view import check_of_machine
from planner.sheets import DEFER, cautions
from planner.shop import TapKind

STEP_WORDS = {
    "load": "loaded, underside stoned",
    "sweep": "swept",
    "shim_round": "levelled",
    "clamp": "clamped, re-read",
    "dye": "dyed",
    "dry": "dye dry",
}
# what stands under a step of one word on its key
_UNDER_STEP = {"sweep": "the face", "shim_round": "the part", "dye": "the face"}
_NO_POINT = "none of them"
HIGHEST = "highest place"
"""Where the cutter meets the face first."""


def mind(sheet: Sheet) -> None:
    """Three standing lines, and what differs for this family."""
    front, _ = cautions(sheet.family.material, sheet.family.hoist)
    lines = "\n".join(f"- {line}" for line in front)
    face, family = sheet.face, sheet.family
    proud = ", ".join(face.proud)
    differs = [f"may stand proud: **{proud}**" if proud else ""]
    differs += [f"fixture **{family.fixture}**" if family.fixture else "", f"blocks **{family.blocks}**"]
    differs[-1] = differs[-1] if family.blocks else ""
    differs += ["cut with its **cover bolted on**" if face.cover_bolted else ""]
    differs += ["**ferrous metal in the face**" if face.ferrous_inserts else "", family.notes]
    said = "; ".join(d for d in differs if d)
    st.markdown(f"{lines}\n\nThis family: {said}." if said else lines)


def out_of_tram(sheet: Sheet, machine_id: int) -> None:
    """A spindle that would spoil this face is told before the part is on the machine."""
    check = check_of_machine(sheet.shop, access.queue(), sheet.shop.machines[machine_id], [sheet.job.id])
    for warning in check.warnings(sheet.units):
        st.warning(_capital(warning))


def further(sheet: Sheet) -> None:
    """The cautions behind the three standing lines."""
    _, back = cautions(sheet.family.material, sheet.family.hoist)
    with st.expander("Further cautions", on_change="rerun", key="further cautions") as more:
        if more.open:
            st.markdown("\n".join(f"- {line}" for line in (*back, DEFER)))


def steps(sheet: Sheet) -> None:
    """The steps up to touch-off, tapped as they are done: their minutes are learned from these taps."""
    last = max((BEFORE_TOUCHING.index(s) + 1 for s in sheet.state.steps if s in BEFORE_TOUCHING), default=0)
    ahead = BEFORE_TOUCHING[last:]
    if ahead:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown("Tap when done:")
            for name in ahead:
                words = tall(STEP_WORDS[name], _UNDER_STEP.get(name, ""))
                st.button(words, key=f"step/{name}", on_click=act, args=(_step, sheet, name))


def set_up(sheet: Sheet) -> None:
    """Blocks, clamps, what stands proud; plugs in and counted."""
    left, right = st.columns([2, 3], vertical_alignment="bottom")
    left.number_input("Plugs in, counted", 0, 99, value=None, placeholder="none", step=1, key=f"plugs/{sheet.job.id}")
    words = tall("Set up: clamped,", "proud parts out, shaken")
    right.button(words, width="stretch", on_click=act, args=(_set_up, sheet))


def _set_up(sheet: Sheet) -> str:
    plugs = st.session_state.get(f"plugs/{sheet.job.id}")
    return tap(sheet, TapKind.CONFIRM, {"what": "set up", "plugs": plugs})


def _step(sheet: Sheet, name: str) -> str:
    return tap(sheet, TapKind.STEP, {"name": name, "rounds": 2} if name == "shim_round" else {"name": name})


def touch_off(sheet: Sheet) -> None:
    """Two stages: spindle stopped on feeler paper, then running down to the first mark. After an index or a re-clamp:
    once, on the cut face."""
    zero, state = sheet.state.zero, sheet.state
    if sheet.family.material == "magnesium" and not state.confirmed:
        st.error("Magnesium: the chip tray is dry, the chips are dry, class D powder stands within reach.")
        st.button(
            tall("I have looked:", "dry chips, class D powder at hand"),
            type="primary",
            on_click=act,
            args=(_confirm, sheet),
            disabled=not access.who(),
        )
        if not access.who():
            st.caption("Choose your name at the top right: a person confirms this.")
        return
    if zero is None or state.touch_again:
        _on_paper(sheet)
    elif not zero.marked:
        _to_the_mark(sheet)


def _confirm(sheet: Sheet) -> str:
    if not access.who():
        raise InputError("Who", "", "a person who confirms it: choose your name at the top right")
    return tap(sheet, TapKind.CONFIRM, {"what": "magnesium"})


def _on_paper(sheet: Sheet) -> None:
    state, units = sheet.state, sheet.units
    on_cut = bool(state.touch_again and any(one.state.removed_mm > 0 for one in sheet.together))
    if sheet.mates and sheet.course is not None and not on_cut and sheet.course.highest != sheet.job.id:
        highest = sheet.course.highest
        tag = sheet.shop.part_of(sheet.shop.jobs[highest]).tag
        st.markdown(f"**Touch off on {tag}**: it stands highest, and one zero is set for all.")
        st.button(tall(f"Sheet of {tag}:", "touch off"), type="primary", on_click=turn_to, args=(highest,))
        return
    if on_cut and not sheet.state.removed_mm:
        # the cutter went over it through the air so far: there is no cut face on it
        cut = next(one for one in sheet.mates if one.state.removed_mm > 0)
        st.markdown(f"**Touch off on {cut.part.tag}**: this one is not cut yet, and one zero is set for all.")
        st.button(f"Sheet of {cut.part.tag}: touch off", type="primary", on_click=turn_to, args=(cut.job.id,))
        return
    if on_cut:
        st.subheader("Touch off again on the cut face", anchor=False)
        removed = units.depth(state.removed_mm)
        st.caption(f"{state.touch_again[0].upper()}{state.touch_again[1:]}. The {removed} already removed are kept.")
    else:
        st.markdown("**Touch off: spindle stopped, on feeler paper**")
    columns = st.columns([4, 3, 3], vertical_alignment="bottom")
    places = [HIGHEST, *(p.name for p in sheet.face.points)]
    if on_cut:
        places = ["anywhere on the cut face"]
    surveyed = sheet.estimate.touch_off.place
    start = places.index(surveyed) if surveyed in places and sheet.estimate.touch_off.delta_mm is not None else 0
    key = f"{sheet.job.id}/{sheet.seen}"
    place = choose(columns[0], "Where:", places, f"touch place/{key}", places[start])
    paper = units.depth(sheet.shop.settings.paper_mm, unit=False)
    if place == HIGHEST and not on_cut:
        # the family remembers where its faces are met first
        names = [_NO_POINT, *(p.name for p in sheet.face.points)]
        choose(st, "Is it one of these points?", names, f"touch near/{key}", _NO_POINT)
    # the unit stands in the key: a figure shown in one unit is never read in the other
    columns[1].text_input(
        f"Paper ({units.depth_unit})",
        value=paper,
        key=f"paper/{key}/{units.system}",
        help="its thickness, measured: sheets differ; 0 = no paper",
    )
    if not sheet.dial.zeroable:
        columns[2].text_input(
            f"{_capital(sheet.dial.name)} reads there ({units.depth_unit})", key=f"at zero/{key}/{units.system}"
        )
    delta = None if on_cut else _below_first(sheet, place)
    if not on_cut:
        if delta is None:
            st.caption("No survey says how far this place lies below the highest: the first traverse begins raised.")
        elif round(delta, 3) > 0:
            st.caption(f"It lies {units.depth(delta)} below first contact, by the survey.")
    words = tall("Paper grips:", "zero set" if sheet.dial.zeroable else "reading taken")
    say_beside("touch-off")
    st.button(
        words,
        type="primary",
        on_click=act,
        args=(_touch, sheet, key, on_cut, delta),
        kwargs={"beside": "touch-off"},
        width="stretch",
    )


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _below_first(sheet: Sheet, place: str) -> float | None:
    """How far a place lies below first contact: 0 at the highest, by the survey elsewhere, None without one."""
    if place == HIGHEST:
        return 0.0
    touch = sheet.estimate.touch_off
    if sheet.state.zero is None and place == touch.place and touch.delta_mm is not None:
        return touch.delta_mm
    gaps = survey_gaps(sheet)
    return None if gaps is None else gaps.get(place)


def survey_gaps(sheet: Sheet) -> dict[str, float] | None:
    """How far each measuring point lies below first contact, by the survey of the clamped face; None without one."""
    from planner.week.measured import measured_jobs

    one = dataclasses.replace(sheet.shop, jobs={sheet.job.id: sheet.job})
    found = measured_jobs(one, access.knowledge()).get(sheet.job.id)
    return None if found is None or found.gaps_mm is None else dict(found.gaps_mm)


def _touch(sheet: Sheet, key: str, on_cut: bool, delta: float | None) -> str:
    units = sheet.units
    paper = units.read_depth_mm("paper", typed(f"paper/{key}/{units.system}") or "0")
    if paper < 0:
        raise InputError("paper", typed(f"paper/{key}/{units.system}"), "a thickness of 0 or more")
    at_zero = 0.0
    if not sheet.dial.zeroable:
        read = typed(f"at zero/{key}/{units.system}")
        if not read:
            raise InputError(f"{sheet.dial.name} reads there", "", "what it shows on the paper: it cannot be zeroed")
        at_zero = units.read_depth_mm(f"{sheet.dial.name} reads there", read)
    place = str(st.session_state.get(f"touch place/{key}", ""))
    if place == HIGHEST:
        near = st.session_state.get(f"touch near/{key}", _NO_POINT)
        place = HIGHEST if near == _NO_POINT else near
    payload = {
        "place": place,
        "paper_mm": paper,
        "below_first_mm": delta,
        "at_zero_mm": at_zero,
        "on_cut_face": on_cut,
    }
    return tap(sheet, TapKind.TOUCH, payload)


def _to_the_mark(sheet: Sheet) -> None:
    zero, units = sheet.state.zero, sheet.units
    st.subheader("Now running: down to the first mark", anchor=False)
    st.caption(
        f"Paper out, guard closed, spindle running. Come down at {zero.place}; the cutter should mark when "
        f"the {sheet.dial.name} shows {sheet.standing(zero.offset_mm)}."
    )
    key = f"mark/{sheet.job.id}/{sheet.seen}/{units.system}"
    left, right = st.columns([2, 3], vertical_alignment="bottom")
    shown = units.depth(sheet.dial.standing_mm(zero.offset_mm, zero.at_zero_mm), unit=False)
    left.text_input(f"{_capital(sheet.dial.name)} at the first mark ({units.depth_unit})", value=shown, key=key)
    right.button(
        tall("First mark,", "as read"),
        type="primary",
        width="stretch",
        on_click=act,
        args=(_mark, sheet, key),
        kwargs={"beside": "first mark"},
    )
    say_beside("first mark")


def _mark(sheet: Sheet, key: str) -> str:
    zero = sheet.state.zero
    shown = sheet.units.read_depth_mm("first mark", typed(key))
    try:
        below = standing_below_mm(sheet.dial, shown, zero.offset_mm, zero.at_zero_mm)
    except InputError as wrong:
        # as it was typed, not as it is kept inside
        raise InputError("first mark", typed(key), wrong.accepted) from None
    if below < -1e-9:
        raise InputError("first mark", typed(key), "a mark below the paper's zero; touch off again where it marked")
    return tap(sheet, TapKind.MARK, {"below_mm": max(0.0, below)})
