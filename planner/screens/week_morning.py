"""The top of the week: more work than hours and what would cure it, then each machine's first job, and who is waited
for."""

from __future__ import annotations

from datetime import timedelta

import pandas as pd
import streamlit as st

from planner.screens import access, background, plans, words
from planner.screens.plans import View
from planner.screens.said import act
from planner.screens.spindle_view import draw_spindle
from planner.shop import JobState, Overtime, Shop
from planner.units import Units, as_read, counted, minutes_words
from planner.week.edge_rules import grade_of
from planner.week.overload import Overload, cures, overload_of
from planner.week.queue import Queue
from planner.week.tables import BEHIND

_SHOWN = 5


# -- overload ----------------------------------------------------------------------------------------------------------
def overload(view: View, shop: Shop) -> list[background.Work]:
    """Say an overload first, with what would cure it; returns what is still being worked out."""
    too_much = overload_of(view.plan)
    if not too_much:
        return []
    plan = view.plan
    key = (*access.versions(), plan.decision_key, plan.start.replace(minute=0))
    text = "Working out what would help against the overload"
    work = background.ask(("cures", access.kind()), key, text, lambda tell: cures(shop, plan, progress=tell))
    with st.container(border=True):
        st.error(_overload_words(view, shop, too_much))
        _late_jobs(view, shop, too_much)
        if not work.over:
            st.caption("What would help is being worked out …")
            return [work]
        _cures(shop, work.result or ())
    return []


def _overload_words(view: View, shop: Shop, too_much: Overload) -> str:
    moved = view.proposal is not None and view.proposal.what != plans.SEARCHED
    said = []
    if too_much.late:
        count = len(too_much.late)
        said.append(f"{count} job{'s' if count > 1 else ''} late, {minutes_words(too_much.minutes)} in all")
    if too_much.unplaced:
        named = ", ".join(words.job_name(shop, j) for j in too_much.unplaced[:_SHOWN])
        said.append(f"no hours left for {named}")
    # what a hand moved late is not for want of hours, nor what came after the order was settled and stands behind it
    late = "; ".join(said) + "."
    if moved:
        return f"**In this order:** {late}"
    if view.proposal is None and view.board is not None and view.board.unplanned:
        return f"**With what came since, in the accepted order:** {late} Re-plan first: a new order may hold them."
    return f"**More work than hours:** {late}"


def _late_jobs(view: View, shop: Shop, too_much: Overload) -> None:
    for job_id, minutes in list(too_much.late.items())[:_SHOWN]:
        ready = view.plan.start + timedelta(minutes=float(view.plan.jobs.loc[str(job_id), "ready_min"]))
        ready = pd.Timestamp(ready).ceil("15min")
        st.markdown(
            f"- **{words.job_name(shop, job_id)}**: {minutes_words(minutes)} late "
            f"({words.due_words(shop.jobs[job_id])}). Moving the time to {ready:%a %d %b %H:%M} would keep it."
        )
    if len(too_much.late) > _SHOWN:
        st.caption(f"and {len(too_much.late) - _SHOWN} more, see Ready and Due in the queue")


def _cures(shop: Shop, found) -> None:
    money = shop.settings.currency
    helping = [cure for cure in found if cure.helps]
    if helping:
        st.markdown("**What would help**")
    for i, cure in enumerate(helping):
        said, button = st.columns([5, 1], vertical_alignment="center")
        left = f"{cure.late_jobs} late" if cure.late_jobs else "nothing late"
        verb = "saves" if cure.cost < 0 else "costs"
        said.markdown(f"{cure.words}: **{left}**, {verb} {money}{abs(cure.cost):.0f}, lateness counted")
        if cure.offer is not None:
            button.button("Offer it", key=f"cure/{i}", on_click=act, args=(offer, cure.offer), width="stretch")
    others = [cure.words for cure in found if not cure.helps]
    if others:
        st.caption("Would not help: " + "; ".join(others) + ".")


def offer(overtime: Overtime) -> str:
    """Store an overtime offer; the next re-plan may take it."""
    access.repository().add(overtime, by=access.who(), at=access.now())
    return f"Overtime on {overtime.start:%a %d %b} is offered. Re-plan to use it."


# -- morning -----------------------------------------------------------------------------------------------------------
def draw(view: View, shop: Shop, queue: Queue, units: Units) -> None:
    """First job per machine with its edge; what is ready, and who is waited for."""
    plan = view.plan
    cells = st.columns(len(plan.week.machines) + 1)
    for cell, machine in zip(cells, plan.week.machines, strict=False):
        with cell, st.container(border=True):
            _first_job(shop, queue, plan, machine, units)
    with cells[-1], st.container(border=True):
        waits = waiting(shop, plan)
        ready = len(set(plan.jobs.index) - {str(job_id) for job_id in waits})
        st.markdown(f"**{ready} ready to cut, {len(waits)} waiting**")
        for job_id, why in list(waits.items())[:8]:
            st.caption(f"{words.job_name(shop, job_id)}: {as_read(why, units)}")
        if len(waits) > 8:
            st.caption(f"and {len(waits) - 8} more, see the queue")
    _no_place(shop, plan)


def waiting(shop: Shop, plan) -> dict[int, str]:
    """Job id -> whom or what it waits for: gates, holds, the member of its set to be cut before it."""
    found = {}
    for job in shop.open_jobs():
        behind = plan.unplaceable.get(str(job.id), "")
        whom = [*shop.part_of(job).waits_for, *([words.reason_words(shop, behind)] if BEHIND in behind else [])]
        alone = access.queue().estimates[job.id].left_alone
        if alone is not None and not whom:
            whom = [alone.words(access.units())]
        if whom:
            found[job.id] = "; ".join(whom)
    return found


def _no_place(shop: Shop, plan) -> None:
    """Jobs that nothing can take, told once for all with the same reason."""
    same: dict[str, list[int]] = {}
    waits = waiting(shop, plan)
    for job_id, why in plan.unplaceable.items():
        if int(job_id) not in waits and "within the hours" not in why:
            same.setdefault(as_read(words.reason_words(shop, why), access.units()), []).append(int(job_id))
    for why, jobs in same.items():
        named = ", ".join(words.job_name(shop, j) for j in jobs)
        lines = "\n".join(f"- {reason}" for reason in dict.fromkeys(why.split("; ")))
        st.error(f"**{named}** cannot be placed:\n\n{lines}")


def _standing_words(machine) -> str:
    """What the records say stands on a machine; empty where none does."""
    chips = f"{machine.material} chips" if machine.material else ""
    return ", ".join(x for x in (machine.fixture, chips, grade_of(machine.grade)) if x)


def _first_job(shop: Shop, queue: Queue, plan, machine, units: Units) -> None:
    noun = shop.machines[int(machine.id)]
    order = [int(j) for j in plan.order.get(machine.id, ()) if int(j) in shop.jobs]
    order = [j for j in order if str(j) in plan.jobs.index]
    if not order:
        st.markdown(f"**{noun.name}**")
        st.write("Nothing to cut.")
        return
    first = order[0]
    estimate = queue.by_machine.get((first, int(machine.id))) or queue.estimates[first]
    start = plan.start + timedelta(minutes=float(plan.jobs.loc[str(first), "start_min"]))
    verb = "Running" if shop.jobs[first].state is JobState.RUNNING else "First"
    st.markdown(f"**{noun.name}** · {verb}: **{words.job_name(shop, first)}** at {start:%a %H:%M}")
    grade = estimate.setup.grade.name if estimate.setup else "no grade"
    wanted = next(j for j in plan.week.jobs if j.id == str(first))
    edge = machine.edges.get(wanted.grade_on(machine.id))
    used = f", {edge.used:.0%} of its life spent" if edge else ""
    if estimate.setup and not shop.has_edge_in(estimate.setup.cutter.id, estimate.setup.grade.id):
        used = ", none in the cutter on record: fit one"
    mine = plan.timeline[(plan.timeline["job"] == str(first)) & (plan.timeline["machine"] == machine.id)]
    kinds = mine["kind"].tolist()
    if "index" in kinds:
        used += ": index it before this job"
    elif "index stop" in kinds:
        used += ": index it during this job"
    cut = words.likely_allow(estimate.stop_likely_mm, estimate.stop_allow_mm, units)
    st.write(f"{cut} in {counted(len(estimate.passes_likely), 'pass', 'passes')} · edge: {grade}{used}")
    stands = _standing_words(machine)
    if stands and shop.jobs[first].state is not JobState.RUNNING:
        st.caption(f"set up now: {stands}")
    draw_spindle(shop, queue, noun, order, units)
    if len(order) > 1:
        st.caption("then " + ", ".join(words.job_name(shop, j) for j in order[1:4]))
    button = st.button("Run sheet", key=f"run/{machine.id}")
    if button:
        st.session_state["run job"] = first
        st.session_state["go to"] = "run"
        st.rerun()
