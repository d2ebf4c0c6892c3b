"""The open members of a set once a partner is cut: where to end, what to set, whether to stop or go on, the check
while clamped."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from planner import InputError
from planner.cut.running import Zeroed
from planner.match import MemberState, clamped_check
from planner.screens import access, words
from planner.screens.forms import Field, Form
from planner.screens.refusals import refused
from planner.shop import HeightReading, HeightStage, Job, JobState, Shop
from planner.units import Units, counted
from planner.week.queue import Queue
from planner.week.set_help import Target, stop_or_go, target_of
from planner.week.set_view import SetView

_CHOICES = {"stop": "Stop here", "go on to the aim": "Go on into the window", "go on to level": "Go on to level"}


def draw(shop: Shop, queue: Queue, view: SetView, units: Units) -> None:
    """A card for every open member, as soon as a partner is finished."""
    if not any(m.state is MemberState.FINISHED for m in view.members.members):
        return
    for job_id in view.order:
        if view.member(job_id).state is MemberState.FINISHED or job_id not in queue.estimates:
            continue
        with st.container(border=True):
            try:
                target = target_of(shop, view, job_id, queue.estimates[job_id], units)
            except InputError as wrong:
                st.error(f"{words.job_name(shop, job_id)}. {refused(wrong, units)}")
                continue
            _card(shop, view, target, units)
            if job_id not in view.gang:
                _clean(shop, view, target, units)
            _check(shop, view, target, units)


def _card(shop: Shop, view: SetView, target: Target, units: Units) -> None:
    job, partner = shop.jobs[target.job_id], target.partner
    st.markdown(f"**{words.job_name(shop, job.id)}: where it must end**")
    cells = st.columns(4)
    # each in a cell of its own: the two ends side by side are wider than a tablet's cell
    ends = [units.height(mm, unit=False) if partner.open else "none" for mm in (partner.low_mm, partner.high_mm)]
    cells[0].metric(f"Not below ({units.length_unit})", ends[0], border=True)
    cells[1].metric(f"Not above ({units.length_unit})", ends[1], border=True)
    cells[2].metric(f"Target ({units.length_unit})", units.height(partner.final_mm, unit=False), border=True)
    cells[3].metric(
        f"From first contact ({units.depth_unit})", units.depth(partner.removal_mm, unit=False), border=True
    )
    if target.job_id in view.gang:
        st.caption("Where the gang will likely end that it lies on the table with.")
    else:
        st.caption(f"Chance to come clean there: {partner.chance:.0%}.")
    for problem in partner.problems:
        st.error(problem[0].upper() + problem[1:] + ".")
    estimate = target.estimate
    if estimate.setup is not None and estimate.passes_likely:
        dial = estimate.setup.machine.instrument.name
        shown = ", ".join(
            (f"{p.turns} turn{'s' if p.turns > 1 else ''} + " if p.turns else "")
            + units.depth(p.standing_mm, unit=False)
            for p in estimate.passes_likely
        )
        st.write(
            f"{counted(len(estimate.passes_likely), 'pass', 'passes')}; {dial} shows {shown} {units.depth_unit}. Measure at "
            f"{estimate.touch_off.place}: there the height after is the height before less the depth."
        )
    if view.matched.same_blocks:
        _same_blocks(shop, view, units)
    heights = view.member(job.id).heights_mm
    if heights and partner.point_finals_mm:
        st.caption(
            "Target at each point: "
            + ", ".join(
                f"{name} {units.height(final)}"
                for name, final in zip(view.points, partner.point_finals_mm, strict=True)
            )
        )
    button = st.button("Run sheet", key=f"target/{job.id}/run")
    if button:
        st.session_state["run job"] = job.id
        st.session_state["go to"] = "run"
        st.rerun()


def _same_blocks(shop: Shop, view: SetView, units: Units) -> None:
    """The reading at which the first member ended, where the set is cut on the same blocks with the same zero."""
    done = [j for j in view.order if shop.jobs[j].state in (JobState.CUT, JobState.FINISHED)]
    part = shop.part_of(shop.jobs[done[-1]])
    cuts = [c for c in access.repository().cuts_of(part.id) if c.job_id == done[-1]]
    if not cuts or cuts[-1].machine_id not in shop.machines:
        st.caption("Same blocks, same zero: no record of the partner's cut to read from.")
        return
    cut = cuts[-1]
    dial = shop.machines[cut.machine_id].instrument
    below = Zeroed(cut.touch_place, cut.paper_mm, cut.delta_mm).below_mm(cut.stop_depth_mm)
    turns = dial.whole_turns(below)
    reading = (f"{turns} turn{'s' if turns > 1 else ''} + " if turns else "") + units.depth(dial.standing_mm(below))
    st.info(
        f"Same blocks, same zero: {part.tag} ended at {reading} on {dial.name}. Go down to the same reading. That holds "
        "only while the instrument was not zeroed, the edge not indexed and the blocks not moved in between."
    )


# -- stop or go on -----------------------------------------------------------------------------------------------------
def _clean(shop: Shop, view: SetView, target: Target, units: Units) -> None:
    name = words.job_name(shop, target.job_id)
    with st.expander(f"{name} is clean: stop or go on?", on_change="rerun", key=f"clean/{target.job_id}") as opened:
        if not opened.open:
            return
        member = view.member(target.job_id)
        typed = st.text_input(
            f"Clean at ({units.depth_unit} below first contact)",
            value=units.depth(member.likely_removal_mm, unit=False),
            key=f"clean at/{target.job_id}/{units.system}",
            persist_state="session",
        )
        try:
            clean = units.read_depth_mm("clean at", typed)
            answer = stop_or_go(shop, view, target.job_id, target.estimate, clean, units)
        except InputError as wrong:
            st.error(refused(wrong, units))
            return
        st.write(answer.advice)
        st.dataframe(
            pd.DataFrame(
                {
                    "Choice": [
                        _CHOICES[c.name] + (" (advised)" if c is answer.advised else "") for c in answer.choices
                    ],
                    "Taken further": [units.depth(c.further_mm) for c in answer.choices],
                    "Passes more": [c.passes for c in answer.choices],
                    "Ends apart by": [units.depth(c.mismatch_mm) for c in answer.choices],
                    "In the window": ["yes" if c.within_aim else "no" for c in answer.choices],
                    "Partner cut again by": [units.depth(c.recut_mm) if c.recut_mm else "–" for c in answer.choices],
                    "Above the limit": ["yes" if c.above_limit else "no" for c in answer.choices],
                    "Costs": [f"{shop.settings.currency}{c.cost:.0f}" for c in answer.choices],
                }
            ),
            hide_index=True,
            width="stretch",
        )


# -- a height while clamped --------------------------------------------------------------------------------------------
def _check(shop: Shop, view: SetView, target: Target, units: Units) -> None:
    job = shop.jobs[target.job_id]
    face, partner = shop.face_of(job), target.partner
    with st.expander("Height check while clamped", on_change="rerun", key=f"check/{job.id}") as opened:
        if not opened.open:
            return
        fields = (
            Field("point", "At", "choice", options=[p.name for p in face.points], required=True),
            Field("height_mm", "Height", "height", required=True),
            Field("repeatability_mm", "It repeats within", "depth", required=True),
        )
        values = {"point": face.points[0].name, "repeatability_mm": shop.settings.height_repeatability_mm}
        form = Form("clamped check", job.id, fields, values, units, access.repository())
        form.draw(columns=3)
        form.say()
        form.button("Store the check", lambda v: _store(job, v), primary=False)
        checks = [h for h in shop.part_of(job).heights if h.face_id == face.id and h.stage is HeightStage.CHECK]
        if not checks or not partner.open:
            return
        # of one minute, the one stored last
        last = max(reversed(checks), key=lambda h: h.at)
        mean = view.mean_of_check_mm(job.id, last.point, last.height_mm)
        told = clamped_check(mean, last.repeatability_mm or 0.0, partner.low_mm, partner.high_mm)
        st.write(
            f"{units.height(last.height_mm)} at {last.point}, {last.at:%a %H:%M}: **{told.verdict.value}**. "
            + (
                f"Take at least {units.depth(told.surely_in_mm)} more to be surely not above the window."
                if told.surely_in_mm > 0
                else "It is surely not above the window."
            )
            + (
                f" At most {units.depth(told.at_most_mm, down=True)} more stays surely above its lower end."
                if told.at_most_mm > 0
                else " It may be below its lower end already."
            )
        )


def _store(job: Job, values: dict) -> str:
    reading = HeightReading(
        job.face_id,
        values["point"],
        values["height_mm"],
        access.now(),
        HeightStage.CHECK,
        repeatability_mm=values["repeatability_mm"],
        by=access.who(),
    )
    access.repository().add_heights(job.part_id, (reading,))
    return "The check is stored."
