"""The sweep itself: pad and picture side by side, the outcome under them, and storing it."""

from __future__ import annotations

import streamlit as st

from planner import InputError
from planner.face import sweep_closes
from planner.screens import access, words
from planner.screens.keys import tall
from planner.screens.said import act, tell
from planner.screens.survey_draft import CLOSING, Draft, press, signed, start_over
from planner.screens.survey_pad import draw_closure, draw_pad, draw_walk, who_reminder
from planner.screens.survey_picture import Marks, face_picture
from planner.screens.survey_read import Read, place_words, read, usual
from planner.screens.survey_warm import say_warm
from planner.shop import Goal, Part, Shop
from planner.units import Units


def draw_sweep(shop: Shop, part: Part, draft: Draft) -> None:
    units = access.units()
    say_warm(shop, part)
    left, right = st.columns([2, 3])
    with left:
        draw_pad(draft, units)
    found = read(draft, part)
    with right:
        draw_picture(draft, found, units)
        draw_closure(draft, units)
    if found is not None and len(draft.readings()) > 3:
        figures(draft, found, units)
    if draft.whole():
        _store_buttons(draft)
    draw_walk(draft, units)
    _setting_up(draft, units)


def draw_picture(draft: Draft, found: Read | None, units: Units, which: str = "read", pit_at: str = "") -> None:
    """The face to scale, as far as it is read; the ring stands at the indicator, or at the pit that is looked at."""
    heights = draft.heights(which)
    first = last = ""
    if found is not None and which == "read":
        cut = (found.lies if draft.goal is Goal.AS_IT_LIES else found.level).cut
        first, last = found.survey.points[cut.first_contact].name, found.survey.points[cut.last_to_clean].name
    marks = Marks(
        draft.places,
        heights,
        here=pit_at or (draft.names[0] if draft.at == CLOSING else draft.at),
        first_contact=first if len(heights) > 3 else "",
        last_to_clean=last if len(heights) > 3 else "",
    )
    chart = face_picture(draft.face, marks, units)
    st.vega_lite_chart(spec=chart, width="content", alt=_spoken(draft, heights, first, last, units))
    st.caption(
        f"{units.depth_unit}, + over, − under. Amber ring: {'the pit told here' if pit_at else 'the indicator stands here'}; "
        "triangle: the cutter meets it first; square: clean last. Front edge below, "
        f"sides in {'inches' if units.inch else 'millimetres'}."
        + (f" Heights: what the indicator shows, corrected for its {draft.angle_deg:g}°." if draft.angle_deg else "")
    )


def _spoken(draft: Draft, heights: dict[str, float], first: str, last: str, units: Units) -> str:
    read_so_far = ", ".join(f"{n} {signed(h, units)}" for n, h in heights.items()) or "nothing read yet"
    return f"The face seen from above: {read_so_far}. First contact {first or 'unknown'}, last to clean {last or 'unknown'}."


def figures(draft: Draft, found: Read, units: Units) -> None:
    """The figures that matter, large."""
    lies, level = found.lies, found.level
    cells = st.columns([3, 3, 3, 4])
    unit = units.depth_unit
    cells[0].metric(f"To come off ({unit})", units.depth(level.cut.depth_mm, unit=False), border=True)
    cells[1].metric(f"As it lies ({unit})", units.depth(lies.cut.depth_mm, unit=False), border=True)
    cells[2].metric(f"Out of flat ({unit})", units.depth(found.flatness_mm, unit=False), border=True)
    doubt = level.doubt
    cells[3].metric(
        f"Readings allow ({units.depth_unit})",
        f"{units.depth(doubt.least_mm, unit=False)}–{units.depth(doubt.greatest_mm, unit=False)}",
        border=True,
        help="from the indicator's division, how well it repeats, and how far apart the points lie",
    )
    cut = (lies if draft.goal is Goal.AS_IT_LIES else level).cut
    st.markdown(
        f"Met first: **{place_words(draft, cut.first_contact, found.survey)}**. "
        f"Clean last: **{place_words(draft, cut.last_to_clean, found.survey)}**."
    )
    bow_flag(draft, found, units)


def bow_flag(draft: Draft, found: Read, units: Units) -> None:
    limit = draft.face.bow_limit_mm
    if limit is not None and found.why.bow_known and found.why.straighten_first(limit):
        st.error(
            f"Bowed by {units.depth(found.why.bow_mm)}, more than this family's {units.depth(limit)}: straighten or "
            "reject before cutting."
        )


def _store_buttons(draft: Draft) -> None:
    with st.container(border=True):
        st.markdown("**The sweep is whole.** How will the face lie when it is cut?")
        lie, level, datum = st.columns(3)
        for cell, label, goal in (
            (lie, "cut as it lies", Goal.AS_IT_LIES),
            (level, "level it first", Goal.LEVEL),
            (datum, "parallel to the datum", Goal.DATUM),
        ):
            cell.button(
                tall("Store:", label),
                key=f"{draft.key}/store/{goal.value}",
                on_click=act,
                args=(store_survey, (draft.part_id, draft.face, draft.stage), goal),
                type="primary" if goal is Goal.LEVEL else "secondary",
                width="stretch",
            )
        who_reminder()


def store_survey(owner: tuple, goal: Goal) -> str:
    """Store the sweep as a survey of the clamped face; the estimates follow from it."""
    draft, units = Draft(*owner), access.units()
    if not draft.whole():
        raise InputError("sweep", f"{len(draft.readings())} points", f"all {len(draft.names)} points read")
    closing, first = draft.data.get("close"), draft.readings()[draft.names[0]]
    if closing is None and draft.data.get("from") is None:
        raise InputError("sweep", "", f"the indicator back at {draft.names[0]}, to see that nothing moved")
    if closing is not None and not sweep_closes(first, closing).closes:
        raise InputError(
            "sweep", signed(closing, units), "a sweep that closes on its zero: something moved, sweep again"
        )
    from planner.screens.survey import job_of

    job = job_of(access.shop(), draft.part_id, draft.face.id)
    survey = draft.survey(goal, None if job is None else job.id)
    stored = access.repository().add_survey(
        draft.part_id, draft.face.id, access.now(), draft.payload(survey), access.who(), "clamped", survey.job_id
    )
    draft.change(lambda data: data.update(goal=goal.value, stored=stored.id))
    return outcome(job)


def outcome(job) -> str:
    """What the survey did to the estimate, in words."""
    if job is None:
        return "Survey stored. The face has no open job."
    units, estimate = access.units(), access.queue().estimates[job.id]
    passes = len(estimate.passes_likely)
    if not passes:
        depth = words.likely_allow(estimate.cleanup_likely_mm, estimate.cleanup_allow_mm, units)
        job_name = words.job_name(access.shop(), job.id)
        return f"Survey stored. {job_name}: clean at {depth}, but no pass is planned; its part's page says why."
    return (
        f"Survey stored. {words.job_name(access.shop(), job.id)}: cut "
        f"{words.likely_allow(estimate.stop_likely_mm, estimate.stop_allow_mm, units)}, {passes} "
        f"pass{'' if passes == 1 else 'es'}; touch off at {estimate.touch_off.place}"
        + (f", {units.depth(estimate.touch_off.delta_mm)} below first contact." if estimate.touch_off.delta_mm else ".")
    )


# -- setting up ----------------------------------------------------------------------------------------------------------
def _setting_up(draft: Draft, units: Units) -> None:
    owner = (draft.part_id, draft.face, draft.stage)
    seen = draft.data.get("stored")
    if seen:
        st.caption("This sweep is stored. Readings changed from here on count once it is stored again.")
    first, last = usual(draft.face)
    said = []
    if first is not None:
        said.append(f"met first at {first.name} ({first.times} of {first.records} surveys and touch-offs)")
    if last is not None:
        said.append(f"clean last at {last.name} ({last.times} of {last.records} surveys and cuts)")
    if said:
        advice = f" Without a survey, touch off at {first.name}." if first else ""
        st.caption(f"This family is usually {' and '.join(said)}.{advice}")
    box = st.expander("Points, indicator, a new sweep", key=f"{draft.key}/setup", on_change="rerun")
    if not box.open:
        return
    from planner.screens.survey_indicator import draw_indicator

    with box:
        left, right = st.columns(2)
        with left:
            st.markdown("**Points**")
            for count in (4, 9, 13):
                st.button(
                    tall(f"New sweep over {count} points"),
                    key=f"{draft.key}/count/{count}",
                    on_click=_new_sweep,
                    args=(owner, count),
                    width="stretch",
                    type="primary" if draft.data.get("count") == count else "secondary",
                )
            st.caption("A new sweep lets go of the readings above; stored surveys stay.")
        with right:
            draw_indicator(draft, units)


def _new_sweep(owner: tuple, count: int) -> None:
    press(owner, start_over, count)
    tell(f"A new sweep over {count} points.")
