"""The run sheet of one job: what to set, pass by pass, and typing in what was done."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import streamlit as st

from planner import InputError
from planner.cut import learning_interval
from planner.cut.estimate import JobEstimate, cutting_passes, edge_path_mm
from planner.screens import access, estimate_view, words
from planner.screens.forms import Field, Form
from planner.screens.said import act, say, tell
from planner.sheets import DEFER, cautions
from planner.shop import (
    Cut,
    EdgeUse,
    Job,
    JobState,
    Outcome,
    PassReason,
    PassRecord,
    Shop,
)
from planner.units import Units

_LOOKS = ("good", "grey streak", "torn")


def draw() -> None:
    st.title("Run sheet")
    shop, units = access.shop(), access.units()
    jobs = {j.id: j for j in shop.open_jobs()}
    if not jobs:
        st.info("No job is open. Enter parts on the page Parts.")
        return
    say()
    queue = access.queue()
    free = [i for i, j in jobs.items() if not shop.part_of(j).waits_for]
    order = [*free, *(i for i in jobs if i not in free)]
    if st.session_state.get("run job") not in jobs:
        st.session_state["run job"] = order[0]
    job_id = st.selectbox(
        "Job",
        order,
        key="run job",
        format_func=lambda i: (
            f"{words.job_name(shop, i)}: {shop.family_of(shop.part_of(jobs[i])).name}"
            + ("" if i in free else " (waits)")
        ),
        persist_state="session",
    )
    job, estimate = jobs[job_id], queue.estimates[job_id]
    part, family = shop.part_of(job), shop.family_of(shop.part_of(job))
    front, back = cautions(family.material, family.hoist)
    st.markdown("\n".join(f"- {line}" for line in front))
    with st.expander("Further cautions"):
        st.markdown("\n".join(f"- {line}" for line in (*back, DEFER)))
    if part.waits_for:
        st.error("Not on the machine yet: " + "; ".join(part.waits_for))
    face = shop.face_of(job)
    differs = [f"may stand proud: {', '.join(face.proud)}"] if face.proud else []
    differs += ["cut with its cover bolted on"] if face.cover_bolted else []
    differs += [f"fixture: {', '.join(x for x in (family.fixture, family.blocks) if x)}"] if family.fixture else []
    if differs:
        st.info("This family: " + "; ".join(differs) + ".")
    with st.container(horizontal=True):
        if job.state is JobState.WAITING:
            st.button("It is on the machine now", on_click=act, args=(_set_state, job, JobState.RUNNING))
        else:
            st.button("Back to waiting", on_click=act, args=(_set_state, job, JobState.WAITING))
        estimate_view.print_button(shop, job, estimate, units)
    _large_figures(estimate, units)
    estimate_view.draw(shop, job, estimate, units)
    _record(shop, job, estimate, units)


def _set_state(job: Job, state: JobState) -> str:
    access.repository().save(replace(job, state=state), by=access.who(), at=access.now())
    return "On the machine." if state is JobState.RUNNING else "Back in the queue."


def _large_figures(estimate: JobEstimate, units: Units) -> None:
    """The figures to set, large enough to be read from the machine."""
    if not estimate.passes:
        return
    dial = estimate.setup.machine.instrument.name
    shown = estimate.passes[:6]
    for cell, planned in zip(st.columns(len(shown)), shown, strict=True):
        turns = f"{planned.turns} turn + " if planned.turns else ""
        cell.metric(
            f"{words.PASS_WORDS[planned.reason]} ({units.depth_unit})",
            f"{turns}{units.depth(planned.standing_mm, unit=False)}",
            help=f"{dial} shows this in {units.depth_unit}; depth then {units.depth(planned.total_mm)}",
            border=True,
        )


# -- typing in what was done -------------------------------------------------------------------------------------------
def _record(shop: Shop, job: Job, estimate: JobEstimate, units: Units) -> None:
    face = shop.face_of(job)
    st.subheader("Record the finished cut")
    planned = " ".join(units.depth(p.total_mm, unit=False) for p in estimate.passes_likely)
    fields = [
        Field(
            "passes",
            f"Depth after each pass ({units.depth_unit}), kiss pass as 0",
            help="in order, with blanks between; as it was done, not as planned",
            required=True,
            placeholder=planned,
        ),
        Field("clean_at", "First clean after pass no.", "whole", help="1 = the first one; empty = never looked clean"),
        Field("finishing", "The last pass was a finishing pass after it was clean", "flag"),
        Field("outcome", "How it ended", "choice", options=Outcome, required=True),
        Field("looks", "Looks", "choice", options=_LOOKS),
        Field("attended_minutes", "Minutes at the machine", "minutes"),
        *(Field(f"height {p.name}", f"Height, {p.name}", "height") for p in face.points),
        *(Field(f"ra {i}", f"Ra, place {i}", "ra") for i in (1, 2, 3)),
        Field("note", "Note", "long"),
    ]
    form = Form("cut", job.id, fields, {"outcome": Outcome.FINISHED, "looks": "good"}, units, access.repository())
    form.draw("passes", "clean_at", "finishing", columns=3)
    form.draw("outcome", "looks", "attended_minutes", columns=3)
    form.draw(*(f"height {p.name}" for p in face.points), columns=5)
    form.draw("ra 1", "ra 2", "ra 3", "note", columns=4)
    form.say()
    form.button("Record the cut", lambda values: _store(shop, job, estimate, units, values))


def read_passes(text: str, clean_at: int | None, finishing: bool, units: Units) -> tuple[PassRecord, ...]:
    """Passes as typed. Raises `InputError` for depths that do not grow or a clean pass that is not there."""
    totals = [units.read_depth_mm("passes", piece) for piece in text.replace(";", " ").split()]
    if not totals:
        raise InputError("passes", text, "the depth after each pass, such as 0 2.5 3.5")
    if any(b < a for a, b in zip(totals, totals[1:], strict=False)) or totals[0] < 0:
        raise InputError("passes", text, "depths from 0 up that never become less")
    if clean_at is not None and not 1 <= clean_at <= len(totals):
        raise InputError("clean_at", clean_at, f"a pass from 1 to {len(totals)}, or nothing")
    if finishing and (clean_at is None or clean_at >= len(totals)):
        raise InputError("finishing", finishing, "a clean pass before the last one")
    found = []
    for number, total in enumerate(totals, start=1):
        after = clean_at is not None and number > clean_at
        reason = PassReason.KISS if total == 0 else PassReason.FINISH if after else PassReason.SEARCH
        clean = None if after else number == clean_at
        found.append(PassRecord(total, reason, finishing=after or number == len(totals), clean=clean))
    return tuple(found)


def _store(shop: Shop, job: Job, estimate: JobEstimate, units: Units, values: dict) -> str:
    store, at = access.repository(), datetime.now().replace(microsecond=0)
    face = shop.face_of(job)
    passes = read_passes(values["passes"], values["clean_at"], bool(values["finishing"]), units)
    heights = {p.name: h for p in face.points if (h := values[f"height {p.name}"]) is not None}
    before = shop.part_of(job).latest_heights_mm(face.id)
    for point, height in heights.items():
        if point in before and height > before[point].height_mm + 0.05:
            raise InputError(
                f"height {point}", height, f"at most the height before the cut, {units.height(before[point].height_mm)}"
            )
    if not access.who():
        raise InputError("Who", "", "who cut it: choose your name at the top right, then record")
    outcome = Outcome(values["outcome"])
    stop = passes[-1].total_mm
    learned = learning_interval(
        passes, least_settable_mm=shop.settings.depth_step_mm, finished=outcome is Outcome.FINISHED
    )
    setup = estimate.setup
    uses = ()
    if setup is not None:
        path, swept = edge_path_mm(setup, passes), face.area_mm2 * cutting_passes(passes)
        uses = tuple(
            EdgeUse(e.insert_id, e.position, path, swept) for e in shop.edges if e.cutter_id == setup.cutter.id
        )
    attended = values["attended_minutes"]
    cut = Cut(
        job.id,
        job.part_id,
        job.face_id,
        at,
        stop,
        started=at - timedelta(minutes=attended) if attended else None,
        machine_id=setup.machine.id if setup else None,
        cutter_id=setup.cutter.id if setup else None,
        grade_id=setup.grade.id if setup else None,
        recipe_id=setup.recipe.id if setup else None,
        by=access.who(),
        outcome=outcome,
        passes=passes,
        clean_lower_mm=learned.lower_mm if learned.usable else None,
        clean_upper_mm=learned.upper_mm if learned.usable and learned.upper_mm != float("inf") else None,
        delta_mm=estimate.touch_off.delta_mm,
        paper_mm=estimate.touch_off.paper_mm,
        heights_mm=heights,
        ra_um=tuple(r for i in (1, 2, 3) if (r := values[f"ra {i}"]) is not None),
        uses=uses,
        planned_depth_mm=estimate.stop_likely_mm,
        allowed_depth_mm=estimate.stop_allow_mm,
        planned_passes=len(estimate.passes_likely),
        planned_minutes=estimate.machine_minutes,
        attended_minutes=attended,
        looks=values["looks"] or "",
        note=values["note"],
    )
    store.record_cut(cut)
    tag = shop.part_of(job).tag
    tell(f"{tag} recorded: {units.depth(stop)} taken. Heights, edge and queue are up to date.")
    return ""
