"""The state of the plan, accepting one, what changed since, the versions, and the plan on paper and as files."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pandas as pd
import streamlit as st

from planner.screens import access, plans, words
from planner.screens.plans import FIRST_STEPS, View
from planner.screens.said import say, tell
from planner.screens.week_job import effect
from planner.shop import Shop
from planner.store import StaleRecord
from planner.units import Units, as_read
from planner.week import calendar_text
from planner.week.board import payload_of, plan_shop
from planner.week.changes import Change, between, since_accepted
from planner.week.queue import Queue
from planner.week.reasons import person_named
from planner.week.search import Plan

SEARCH_STEPS = FIRST_STEPS
_LISTED = 12


# -- the top of the page -----------------------------------------------------------------------------------------------
def head(view: View, shop: Shop) -> None:
    """What plan this is, and what can be done with it."""
    late = int((view.plan.late_minutes > 0.5).sum())
    counted = f"{late or 'no'} job{'s' if late > 1 else ''} late"
    if view.plan.jobs.empty:
        counted = "nothing can be cut by now"
    if view.proposal is not None:
        st.info(_proposed_words(view, counted))
    elif view.board is None:
        st.info(f"Proposed plan, not accepted yet: {counted}.")
    elif view.board.words:
        st.warning(f"The accepted plan is {view.board.words}. Its order stays until you re-plan and accept.")
    else:
        by, at = view.accepted.by, view.accepted.at
        st.success(f"Plan accepted by {by or 'nobody named'} on {at:%a %d %b at %H:%M}. It holds.")
    if view.forward:
        named = ", ".join(words.job_name(shop, j) for j in view.forward)
        verb = "comes" if len(view.forward) == 1 else "come"
        st.warning(f"In this order sets on several machines would wait for each other for ever: {named} {verb} sooner.")
    _buttons(view, shop)
    say()
    if not shop.people:
        st.info("Nobody is entered: planned as if somebody always stood at each machine while it is open.")
    if view.proposal is not None and view.board is not None:
        st.caption(f"Against the accepted plan as it would run now: {effect(view.board.today, view.plan, shop)}.")
    if view.offered is not None and view.proposal is None:
        _offered(view)


def _proposed_words(view: View, counted: str) -> str:
    proposal = view.proposal
    made = f"{proposal.what}, {proposal.by or 'nobody named'} {proposal.at:%a %H:%M}"
    said = f"Proposed plan, not accepted yet ({made}): {counted}"
    if view.accepted is not None:
        by, at = view.accepted.by or "nobody named", view.accepted.at
        said += f". The accepted one ({by}, {at:%a %H:%M}) stays until you accept"
    return said + "."


def _buttons(view: View, shop: Shop) -> None:
    with st.container(horizontal=True):
        primary = "secondary" if view.proposed else "primary"
        if st.button("Re-plan from now", type=primary, shortcut="Alt+N"):
            _search(view, shop)
        if view.proposed:
            seen = (access.versions(), view.accepted.id if view.accepted else 0)
            pins = dict(view.pins)
            st.button(
                "Accept this plan", type="primary", on_click=_accept, args=(view.plan, pins, seen), shortcut="Alt+A"
            )
        if view.proposal is not None:
            again = "Keep the accepted plan" if view.accepted else "Drop these changes"
            st.button(again, on_click=plans.drop_proposal)
            if view.accepted is not None:
                st.button("Look at the board", on_click=plans.close_proposal, help="The proposal stays kept.")


def _offered(view: View) -> None:
    kept = view.offered
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(
            f"A proposal is kept: {kept.what} ({kept.by or 'nobody named'}, {kept.at:%a %H:%M}).", width="content"
        )
        st.button("Look at it", on_click=plans.open_offered)


def _search(view: View, shop: Shop) -> None:
    bar = st.progress(0.0, text="Searching for the best order …")
    currency = shop.settings.currency

    def show(step) -> None:
        bar.progress(min(1.0, step.share), text=f"Searching for the best order … cost so far {currency}{step.cost:.0f}")

    payload = view.accepted.payload if view.accepted else None
    plan = plan_shop(
        shop,
        access.queue(),
        access.now(),
        access.knowledge(),
        accepted=payload,
        begin_with=[view.plan.decision],
        pins=view.pins,
        steps=SEARCH_STEPS,
        progress=show,
    )
    bar.empty()
    plans.propose(plan.decision, view.pins, plans.SEARCHED)
    st.rerun()


def _accept(plan: Plan, pins: dict[int, datetime], seen: tuple) -> None:
    if not access.shop().people:
        tell("A plan carries a name: enter the people first, on the page Shop.", wrong=True)
        return
    if not access.who():
        tell("Say who you are (top right), then accept: a plan carries a name.", wrong=True)
        return
    if access.versions() != seen[0]:
        tell("Something changed meanwhile: look at the new plan, then accept.", wrong=True)
        return
    shop, store = access.shop(), access.repository()
    payload = payload_of(plan, shop, access.queue(), plan.start, pins)
    try:
        store.accept_plan(payload, access.who(), access.now(), store.data_version(), seen_plan_id=seen[1])
    except StaleRecord:
        tell("Somebody accepted another plan meanwhile: look at it first. Yours stays kept as a proposal.", wrong=True)
        return
    plans.drop_proposal()
    tell("Accepted. The board stays like this until somebody re-plans and accepts.")


# -- what changed, and the versions ------------------------------------------------------------------------------------
def versions(view: View, shop: Shop) -> None:
    """What changed since the plan was accepted, and the plans accepted before."""
    if view.accepted is None:
        return
    with st.expander(
        "What changed since it was accepted, and earlier plans", key="week versions", on_change="rerun"
    ) as more:
        if not more.open:
            return
        st.markdown(f"**Since {view.accepted.at:%a %d %b %H:%M}**")
        _list(shop, since_accepted(view.board, view.accepted.payload, shop), "Nothing: it runs as accepted.")
        history = access.repository().plan_history(20)
        st.markdown("**Plans accepted so far**")
        rows = [
            {
                "Accepted": f"{plan.at:%a %d %b %H:%M}",
                "By": plan.by,
                "Jobs": len(plan.payload["jobs"]),
                "Late": plan.payload["late_jobs"],
                "Edges": sum(n for _, _, n in plan.payload.get("edges", [])),
                f"Cost ({shop.settings.currency})": f"{plan.payload['cost']:.0f}",
            }
            for plan in history
        ]
        st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
        if len(history) > 1:
            now, before = history[0], history[1]
            st.markdown(
                f"**What the plan of {now.at:%a %d %b %H:%M} changed against that of {before.at:%a %d %b %H:%M}**"
            )
            _list(shop, between(before.payload, now.payload), "Nothing.")


def _list(shop: Shop, found: tuple[Change, ...], none: str) -> None:
    if not found:
        st.caption(none)
    for change in found[:_LISTED]:
        name, told = words.job_name(shop, change.job_id), words.reason_words(shop, change.words)
        told = as_read(told, access.units())
        st.markdown(f"- {':red[●] ' if change.bad else ''}**{name}**: {told}")
    if len(found) > _LISTED:
        st.caption(f"and {len(found) - _LISTED} more")


# -- paper and files ---------------------------------------------------------------------------------------------------
def take_away(view: View, shop: Shop, now: datetime) -> None:
    """Week sheets per machine, the plan as a table, the plan for a calendar. Made when they are asked for."""
    # what is made on demand is made outside the session: everything of the session is read here
    plan, queue, units = view.plan, access.queue(), access.units()
    st.subheader("Print and take away")
    if view.proposed:
        st.caption("Not accepted yet: what is printed is the proposal.")
    with st.container(horizontal=True):
        for machine in plan.week.machines:
            noun = shop.machines[int(machine.id)]
            st.download_button(
                f"Week sheet, {noun.name}",
                data=lambda m=machine.id: _sheet(shop, queue, plan, m, units, now),
                file_name=f"week-{noun.name.replace(' ', '-')}.html",
                mime="text/html",
                key=f"week sheet/{machine.id}",
                on_click="ignore",
            )
        st.download_button(
            "Plan as CSV",
            data=lambda: plan_file(plan, shop),
            file_name="plan.csv",
            mime="text/csv",
            on_click="ignore",
        )
        version = view.accepted.id if view.accepted else 0
        st.download_button(
            "Plan for a calendar",
            data=lambda: calendar_file(plan, shop, version),
            file_name="plan.ics",
            mime="text/calendar",
            on_click="ignore",
            help="An iCalendar file (RFC 5545), times as the shop's clock shows them.",
        )


def _sheet(shop: Shop, queue: Queue, plan: Plan, machine: str, units: Units, now: datetime) -> bytes:
    # the templates are read only by who prints
    from planner.sheets import week_sheet

    return week_sheet(shop, queue, plan, machine, units, now).encode()


def calendar_file(plan: Plan, shop: Shop, version: int) -> bytes:
    """The plan's work as iCalendar text, in the shop's own names."""
    return calendar_text(
        plan,
        datetime.now(UTC),
        title=lambda j: words.job_name(shop, int(j)),
        place=lambda m: shop.machines[int(m)].name,
        who=lambda p: person_named(shop, p),
        version=version,
    ).encode()


def plan_file(plan: Plan, shop: Shop) -> bytes:
    """The plan as a table: a row a job, in order of start; jobs without a place last, with the reason."""
    from planner.store.exporting import export_frame

    rows = []
    for key, row in plan.jobs.sort_values("start_min").iterrows():
        job = shop.jobs[int(key)]
        part = shop.part_of(job)
        start, end, ready = (
            (plan.start + timedelta(minutes=float(row[c]))).replace(second=0, microsecond=0)
            for c in ("start_min", "end_min", "ready_min")
        )
        person = shop.people.get(int(row["person"])) if str(row["person"]).isdigit() else None
        matched = shop.set_of(job.id)
        rows.append(
            {
                "machine": shop.machines[int(row["machine"])].name,
                "place": int(row["place"]) + 1,
                "person": person.name if person else "",
                "tag": part.tag,
                "face": shop.face_of(job).name,
                "work order": part.work_order,
                "start": start,
                "off the machine": end,
                "ready": ready,
                "due": job.due,
                "late min": round(float(row["late_minutes"])),
                "set": matched.name if matched else "",
                "not placed because": "",
            }
        )
    for key, why in plan.unplaceable.items():
        job = shop.jobs[int(key)]
        part, matched = shop.part_of(job), shop.set_of(job.id)
        rows.append(
            {
                "tag": part.tag,
                "face": shop.face_of(job).name,
                "work order": part.work_order,
                "due": job.due,
                "set": matched.name if matched else "",
                "not placed because": words.reason_words(shop, why),
            }
        )
    return export_frame(pd.DataFrame(rows))
