"""One job of the plan: why it stands where it stands, what moving it costs, and moving, pinning, holding, rushing it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import streamlit as st

from planner import InputError
from planner.cut.estimate import JobEstimate
from planner.screens import access, estimate_view, plans, week_certainty, words
from planner.screens.background import Work
from planner.screens.forms import Field, Form
from planner.screens.kept import kept
from planner.screens.plans import View
from planner.screens.said import act, say, tell
from planner.screens.week_board import PICKED
from planner.shop import Hold, Job, JobState, Shop
from planner.units import Units, as_read, minutes_words
from planner.week import Tables, compare, explain_job
from planner.week.board import settled_plan
from planner.week.cooling import cooling
from planner.week.explain import Explanation
from planner.week.gang_jobs import NEVER
from planner.week.queue import Queue
from planner.week.search import Decision, Plan

QUEUED = "queue rows"
_HERE = "week job"
"""What a button of the picked job led to is said beside it: the top of the page is out of sight."""


def picked_in_queue() -> None:
    """Callback of the queue: the row that was picked names the job."""
    rows = st.session_state["queue table"].selection.rows
    shown = st.session_state.get(QUEUED, ())
    if rows and rows[0] < len(shown):
        st.session_state[PICKED] = int(shown[rows[0]])


def draw(view: View, shop: Shop, queue: Queue, units: Units, sure: Work | None) -> list[Work]:
    """The picked job, under the board; returns what is still being worked out. ``sure``: how sure the plan is."""
    placed = [int(j) for ids in view.plan.order.values() for j in ids if j in view.plan.jobs.index]
    others = [job.id for job in shop.open_jobs() if job.id not in placed]
    choices = [None, *(j for j in placed if j in shop.jobs), *others]
    if st.session_state.get(PICKED) not in choices:
        st.session_state[PICKED] = None
    chosen = st.selectbox(
        "Job",
        choices,
        key=PICKED,
        format_func=lambda j: "pick a job, here or on the board" if j is None else words.job_name(shop, j),
        persist_state="session",
        width=380,
    )
    if chosen is None:
        say(_HERE)
        return []
    job = shop.jobs[chosen]
    with st.container(border=True):
        waiting = _standing(view, shop, queue, job, sure)
        _buttons(view, shop, job, units)
        say(_HERE)
        estimate = _estimate(view, queue, chosen)
        estimate_view.draw(shop, job, estimate, units)
        estimate_view.print_button(shop, job, estimate, units)
    return waiting


def _estimate(view: View, queue: Queue, job_id: int) -> JobEstimate:
    """On the machine the plan has it on; where it has no place, on the one that suits it best."""
    jobs = view.plan.jobs
    there = queue.by_machine.get((job_id, int(jobs.loc[str(job_id), "machine"]))) if str(job_id) in jobs.index else None
    return there or queue.estimates[job_id]


# -- why it stands there -----------------------------------------------------------------------------------------------
def _standing(view: View, shop: Shop, queue: Queue, job: Job, sure: Work | None) -> list[Work]:
    plan, name = view.plan, words.job_name(shop, job.id)
    if str(job.id) not in plan.jobs.index:
        why = plan.unplaceable.get(str(job.id), "it has no place in this plan")
        st.markdown(f"**{name}** is not placed: {as_read(words.reason_words(shop, why), access.units())}.")
        return []
    row = plan.jobs.loc[str(job.id)]
    start, ready = (plan.start + timedelta(minutes=float(row[c])) for c in ("start_min", "ready_min"))
    machine = shop.machines[int(row["machine"])].name
    late, chance = float(row["late_minutes"]), week_certainty.chance_words(sure, job.id)
    st.markdown(
        f"**{name}** on {machine}, {start:%a %d %b %H:%M}, ready {ready:%a %d %b %H:%M}; {words.due_words(job)}"
        + (f": **{minutes_words(late)} late**" if late > 0.5 else "")
        + "."
        + (f" As such weeks turn out: {chance}." if chance else "")
    )
    found = _explained(view, shop, job.id)
    reasons = [f"{r[0].upper()}{r[1:]}" for r in found.reasons]
    warm = cooling(shop, shop.part_of(job), access.now(), job)
    if warm is not None:
        reasons.insert(0, f"It cools after {warm.after} until {warm.until:%a %H:%M}")
    st.markdown("Why it stands there: " + ". ".join(reasons) + ".")
    said = _moves(found, shop)
    if said:
        st.caption("The best of the other places: " + "; ".join(said) + ".")
    return _other_chances(view, shop, queue, job, sure, found)


def _other_chances(view: View, shop: Shop, queue: Queue, job: Job, sure: Work | None, found: Explanation) -> list[Work]:
    """What the best of the other places do to the chances, where that is anything."""
    if found.earlier is found.later is found.elsewhere is None:
        return []
    work = week_certainty.ask_moves(view, shop, queue, job.id, found)
    if work.result is None or sure is None or sure.result is None:
        return [] if work.over else [work]
    now = sure.result.risk.jobs["chance_on_time"]

    def named(one: str) -> str:
        return "it" if one == str(job.id) else words.job_name(shop, int(one))

    for place, then in work.result.items():
        said = week_certainty.compared(now, then, named)
        if said:
            where = f"on {shop.machines[int(found.elsewhere.machine)].name}" if place == "elsewhere" else place
            st.markdown(f"At the best place {where}: " + "; ".join(said) + ".")
    return []


def _explained(view: View, shop: Shop, job_id: int) -> Explanation:
    plan = view.plan
    return _explanation(access.kind(), *access.versions(), plan.start, plan.decision_key, job_id, plan, shop)


@kept(64)
def _explanation(which, version, records, start, key, job_id: int, _plan: Plan, _shop: Shop) -> Explanation:
    return explain_job(
        Tables(_plan.week),
        _plan.decision,
        str(job_id),
        name=lambda j: words.job_name(_shop, int(j)),
        machine_name=lambda m: _shop.machines[int(m)].name,
        money=_shop.settings.currency,
        never=NEVER,
    )


def _moves(found: Explanation, shop: Shop) -> list[str]:
    said = []
    for word, move in (("earlier", found.earlier), ("later", found.later)):
        if move is not None and not any(move.text in reason for reason in found.reasons):
            said.append(f"{word} {move.text}")
    if found.elsewhere is not None:
        said.append(f"on {shop.machines[int(found.elsewhere.machine)].name} {found.elsewhere.text}")
    return said


# -- buttons -----------------------------------------------------------------------------------------------------------
def _buttons(view: View, shop: Shop, job: Job, units: Units) -> None:
    placed = str(job.id) in view.plan.jobs.index
    running = job.state is JobState.RUNNING
    with st.container(horizontal=True):
        if placed and not running:
            st.button(
                "Earlier", on_click=_act, args=(move, job.id, -1), shortcut="Alt+Up", icon=":material/arrow_upward:"
            )
            st.button(
                "Later", on_click=_act, args=(move, job.id, 1), shortcut="Alt+Down", icon=":material/arrow_downward:"
            )
            for machine in _others(view.plan, shop, job.id):
                noun = shop.machines[int(machine)]
                st.button(
                    f"To {noun.name}",
                    key=f"to/{machine}",
                    on_click=_act,
                    args=(move_to, job.id, machine),
                    shortcut="Alt+M" if len(view.plan.week.machines) == 2 else None,
                )
            pinned = view.pins.get(job.id)
            said = "Free its time" if pinned else "Keep its time"
            st.button(
                said, on_click=_act, args=(pin_time, job.id), help=_pin_words(view, job.id, pinned), shortcut="Alt+P"
            )
        if not running:
            _machine_button(view, shop, job)
            st.button("No rush" if job.rush else "Rush", on_click=_act, args=(rush, job.id), shortcut="Alt+U")
            with st.popover("Hold"):
                _hold(shop, job, units)


def _act(deed, *args) -> None:
    act(deed, *args, at=_HERE)


def _pin_words(view: View, job_id: int, pinned: datetime | None) -> str:
    if pinned is not None:
        return f"It is kept at {pinned:%a %d %b %H:%M}."
    start = view.plan.start + timedelta(minutes=float(view.plan.jobs.loc[str(job_id), "start_min"]))
    return f"It starts at {start:%a %d %b %H:%M} in every plan to come, until freed."


def _machine_button(view: View, shop: Shop, job: Job) -> None:
    if len(shop.machines) < 2:
        return
    if job.machine_id is not None:
        name = shop.machines[job.machine_id].name if job.machine_id in shop.machines else "its machine"
        st.button("Any machine", on_click=_act, args=(pin_machine, job.id, None), help=f"It is kept on {name}.")
    elif str(job.id) in view.plan.jobs.index:
        here = int(view.plan.jobs.loc[str(job.id), "machine"])
        st.button(f"Only {shop.machines[here].name}", on_click=_act, args=(pin_machine, job.id, here))


def _hold(shop: Shop, job: Job, units: Units) -> None:
    part = shop.part_of(job)
    fields = (
        Field("waiting_for", "Waits for", required=True, placeholder="owner, welder, parts desk"),
        Field("reason", "For what", required=True),
    )
    form = Form("hold", part.id, fields, {}, units, access.repository())
    form.draw(columns=1)
    form.say()
    form.button("Hold it", lambda values: hold(part, values), primary=False)


def hold(part, values: Mapping[str, str]) -> str:
    """The part waits for somebody, from today on."""
    added = Hold(values["waiting_for"], values["reason"], access.now().date())
    access.repository().save(replace(part, holds=(*part.holds, added)), by=access.who(), at=access.now())
    tell(f"{part.tag} waits for {added.waiting_for}. Its jobs leave the board at the next re-plan.", at=_HERE)
    return ""


# -- what the buttons do -----------------------------------------------------------------------------------------------
def _others(plan: Plan, shop: Shop, job_id: int) -> list[str]:
    """Machines beside its own that may take the job and what goes with it; none once any of them runs."""
    model = {job.id: job for job in plan.week.jobs}
    here = plan.jobs.loc[str(job_id), "machine"]
    block = [model[one] for one in _block_of(plan, shop, str(job_id))]
    if any(shop.jobs[int(job.id)].state is JobState.RUNNING for job in block):
        return []
    may = [m.id for m in plan.week.machines if m.id != here]
    return [m for m in may if all(m in job.steps and job.pin_machine in ("", m) for job in block)]


def move(job_id: int, by: int) -> str:
    """One place earlier or later on its machine, past the job (or the set) that stands there; a proposal, not the
    board."""
    view, shop = plans.look(), access.shop()
    order = {m: list(ids) for m, ids in view.plan.order.items()}
    key = str(job_id)
    machine = next(m for m, ids in order.items() if key in ids)
    blocks = _blocks(view.plan, shop, [j for j in order[machine] if j in view.plan.jobs.index])
    at = next(i for i, block in enumerate(blocks) if key in block)
    if not 0 <= at + by < len(blocks):
        raise InputError(words.job_name(shop, job_id), "first" if by < 0 else "last", "a place further on")
    for one in (*blocks[at + by], *blocks[at]):
        if shop.jobs[int(one)].state is JobState.RUNNING:
            raise InputError(words.job_name(shop, int(one)), "running", "a running job stays first")
    blocks[at], blocks[at + by] = blocks[at + by], blocks[at]
    rest = [j for j in order[machine] if j not in view.plan.jobs.index]
    order[machine] = [j for block in blocks for j in block] + rest
    what = f"{_named(shop, job_id, blocks[at + by])} one place {'earlier' if by < 0 else 'later'}"
    return _propose(view, order, what)


def _named(shop: Shop, job_id: int, block: Sequence[str]) -> str:
    """A job, and that its set goes with it."""
    return words.job_name(shop, job_id) + (" and its set" if len(block) > 1 else "")


def _block_of(plan: Plan, shop: Shop, key: str) -> list[str]:
    placed = [j for j in plan.order[plan.jobs.loc[key, "machine"]] if j in plan.jobs.index]
    return next(block for block in _blocks(plan, shop, placed) if key in block)


def _blocks(plan: Plan, shop: Shop, placed: list[str]) -> list[list[str]]:
    """Jobs in order, those on the table together and those of a set that is never parted as one."""
    model = {job.id: job for job in plan.week.jobs}
    kept = {member: one.members for one in plan.week.sets if one.split_price >= NEVER for member in one.members}
    blocks: list[list[str]] = []
    for one in placed:
        with_the_last = model[one].started and shop.jobs[int(one)].state is not JobState.RUNNING
        if blocks and (with_the_last or one in kept.get(blocks[-1][-1], ())):
            blocks[-1].append(one)
        else:
            blocks.append([one])
    return blocks


def move_to(job_id: int, machine: str) -> str:
    """To the place on another machine that costs least, with what is never parted from it."""
    view, shop = plans.look(), access.shop()
    block = _block_of(view.plan, shop, str(job_id))
    found = _explained(view, shop, job_id).elsewhere
    order = {m: [j for j in ids if j not in block] for m, ids in view.plan.order.items()}
    place = found.place if found is not None and found.machine == machine else len(order[machine])
    order[machine][place:place] = block
    return _propose(view, order, f"{_named(shop, job_id, block)} to {shop.machines[int(machine)].name}")


def _propose(view: View, order: Mapping[str, list[str]], what: str) -> str:
    """Keep a moved order as a proposal, unless it leaves a job without a place; says what it changes."""
    before = view.plan.decision
    decision = Decision({m: tuple(ids) for m, ids in order.items()}, before.person, before.bench_first, before.opened)
    shop, accepted = access.shop(), view.accepted
    payload = accepted.payload if accepted else None
    then, forward = settled_plan(
        shop, access.queue(), view.plan.start, decision, access.knowledge(), accepted=payload, pins=view.pins
    )
    if forward:
        named = ", ".join(words.job_name(shop, j) for j in forward)
        raise InputError(
            what, "this order", f"an order in which {named} does not wait for ever (the first of a set is cut first)"
        )
    if then.order == view.plan.order:
        raise InputError(what, "this place", "a place that the order of its set allows: its members keep theirs")
    lost = [j for j in view.plan.jobs.index if j not in then.jobs.index]
    if lost:
        named = ", ".join(words.job_name(shop, int(j)) for j in lost)
        raise InputError(
            what, "this order", f"an order in which {named} still has a place (the first of a set is cut first)"
        )
    parts = (plan.costs["split sets"] for plan in (then, view.plan))
    if next(parts) >= NEVER > next(parts):
        raise InputError(
            what,
            "this order",
            "an order that leaves matched sets on one machine; who may part them agrees on the page Matched sets",
        )
    plans.propose(then.decision, view.pins, what)
    return f"{what}: {effect(view.plan, then, shop)}. Nothing on the board moves until you accept."


def effect(before: Plan, after: Plan, shop: Shop) -> str:
    """ "late jobs 0 → 1, costs $12 more"."""
    figures = compare(before, after).figures
    money = shop.settings.currency
    said = []
    late, edges, cost = (figures.loc[row] for row in ("late jobs", "edges", "cost"))
    if late.change:
        said.append(f"late jobs {late.now:.0f} → {late.then:.0f}")
    if edges.change:
        said.append(f"edges {edges.now:.0f} → {edges.then:.0f}")
    if abs(cost.change) >= 0.5:
        said.append(f"costs {money}{cost.change:.0f} more" if cost.change > 0 else f"saves {money}{-cost.change:.0f}")
    return ", ".join(said) or "nothing gets later or dearer"


def pin_time(job_id: int) -> str:
    """Keep a job at the time it stands at, or free it."""
    view, shop = plans.look(), access.shop()
    pins, name = dict(view.pins), words.job_name(shop, job_id)
    if job_id in pins:
        del pins[job_id]
        plans.propose(view.plan.decision, pins, f"{name} free again")
        return f"{name} may move again in the next plan."
    start = view.plan.start + timedelta(minutes=float(view.plan.jobs.loc[str(job_id), "start_min"]))
    pins[job_id] = start.replace(second=0, microsecond=0)
    plans.propose(view.plan.decision, pins, f"{name} kept at {start:%a %H:%M}")
    return f"{name} is kept at {start:%a %d %b %H:%M}. Accept the proposal to keep it so for everybody."


def pin_machine(job_id: int, machine_id: int | None) -> str:
    """Keep a job on a machine, or let it go to any."""
    shop = access.shop()
    _save(replace(shop.jobs[job_id], machine_id=machine_id))
    name = words.job_name(shop, job_id)
    if machine_id is None:
        return f"{name} may go on any machine that takes it."
    return f"{name} is kept on {shop.machines[machine_id].name}."


def rush(job_id: int) -> str:
    """A rush job counts five times as much when it is late."""
    shop = access.shop()
    job = shop.jobs[job_id]
    _save(replace(job, rush=not job.rush))
    name = words.job_name(shop, job_id)
    return f"{name} is no rush job any more." if job.rush else f"{name} is a rush job now. Re-plan to bring it forward."


def _save(job: Job) -> None:
    access.repository().save(job, by=access.who(), at=access.now())
