"""The week: what is ready, what waits for whom, what to cut first and on which edge, the board, the queue."""

from __future__ import annotations

from datetime import datetime, timedelta

import pandas as pd
import streamlit as st

from planner.screens import access, charts, estimate_view, words
from planner.screens.picture import Picture, picture
from planner.screens.plans import accepted_board, first_plan
from planner.screens.said import say, tell
from planner.screens.spindle_view import draw_spindle
from planner.shop import JobState, Shop
from planner.units import Units, minutes_words
from planner.week.board import Board, hours, payload_of, plan_shop, week_end
from planner.week.queue import Queue
from planner.week.search import Plan

_PROPOSAL = "proposal"
SEARCH_SECONDS = 3.0


def draw() -> None:
    st.title("Week")
    shop, units = access.shop(), access.units()
    if not shop.machines or not shop.jobs:
        _first_steps(shop)
        return
    queue, now = access.queue(), access.now()
    accepted = access.repository().current_plan()
    board = accepted_board(accepted) if accepted else None
    proposal = _proposal(accepted)
    _state_line(accepted, board, proposal)
    _buttons(shop, queue, now, accepted, proposal)
    shown = board.today if board is not None and proposal is None else proposal
    seen = picture(shown)
    _morning(shop, queue, shown, units)
    rows = board.rows if board is not None and proposal is None else proposal.timeline
    _timeline(shop, rows, now, seen)
    left, right = st.columns([4, 5])
    with left:
        _load(shop, now, seen)
    with right:
        _edges(units, seen)
    _queue(shop, queue, units, seen)
    _print(shop, shown, now)


def _first_steps(shop: Shop) -> None:
    st.info("Nothing to plan yet.")
    missing = [
        (not shop.machines, "a machine, with its speeds and hours"),
        (not shop.people, "the people who run it, with their shifts"),
        (not shop.cutters, "the cutters, with the rpm marked on them"),
        (not shop.recipes, "a recipe for each material"),
        (not shop.jobs, "parts: by form, as a quick job, or from a spreadsheet (page Parts)"),
    ]
    st.markdown("Enter, in this order:\n" + "\n".join(f"1. {what}" for gone, what in missing if gone))
    st.page_link(st.session_state["pages"]["shop"], label="Go to Shop")
    st.page_link(st.session_state["pages"]["parts"], label="Go to Parts")


# -- the plan ----------------------------------------------------------------------------------------------------------
def _proposal(accepted) -> Plan | None:
    """What was searched for and not accepted yet; made by itself only while no plan was ever accepted."""
    kept = st.session_state.get(_PROPOSAL)
    if kept and kept["kind"] == access.kind() and kept["version"] == access.versions():
        return kept["plan"]
    if accepted is not None:
        return None
    return first_plan()


def _state_line(accepted, board: Board | None, proposal: Plan | None) -> None:
    if proposal is not None:
        late = int((proposal.late_minutes > 0.5).sum())
        said = f"Proposed plan, not accepted yet: {late} job{'' if late == 1 else 's'} late"
        if accepted is not None:
            said += (
                f". The accepted one ({accepted.by or 'nobody named'}, {accepted.at:%a %H:%M}) stays until you accept"
            )
        st.info(said + ".")
    elif board.words:
        st.warning(f"The accepted plan is {board.words}. Its order stays until you re-plan and accept.")
    else:
        st.success(f"Plan accepted by {accepted.by or 'nobody named'} on {accepted.at:%a %d %b at %H:%M}. It holds.")


def _buttons(shop: Shop, queue: Queue, now: datetime, accepted, proposal: Plan | None) -> None:
    with st.container(horizontal=True):
        if st.button("Re-plan from now", type="secondary" if proposal is not None else "primary"):
            _search(shop, queue, now, accepted)
        if proposal is not None:
            st.button("Accept this plan", type="primary", on_click=_accept, args=(proposal, access.versions()))
            if accepted is not None:
                st.button("Keep the accepted plan", on_click=_drop)
    say()


def _search(shop: Shop, queue: Queue, now: datetime, accepted) -> None:
    bar = st.progress(0.0, text="Searching for the best order …")

    def tell(step) -> None:
        bar.progress(min(1.0, step.share), text=f"Searching for the best order … cost so far {step.cost:.0f}")

    payload = accepted.payload if accepted else None
    plan = plan_shop(shop, queue, now, access.knowledge(), accepted=payload, seconds=SEARCH_SECONDS, progress=tell)
    bar.empty()
    st.session_state[_PROPOSAL] = {"kind": access.kind(), "version": access.versions(), "plan": plan}
    st.rerun()


def _accept(plan: Plan, seen: tuple[int, int]) -> None:
    if not access.who():
        tell("Say who you are (top right), then accept: a plan carries a name.", wrong=True)
        return
    if access.versions() != seen:
        tell("Something changed meanwhile: look at the new plan, then accept.", wrong=True)
        return
    shop, store = access.shop(), access.repository()
    payload = payload_of(plan, shop, access.queue(), plan.start)
    store.accept_plan(payload, access.who(), access.now(), store.data_version())
    st.session_state.pop(_PROPOSAL, None)
    tell("Accepted. The board stays like this until somebody re-plans and accepts.")


def _drop() -> None:
    st.session_state.pop(_PROPOSAL, None)


# -- the morning board -------------------------------------------------------------------------------------------------
def _morning(shop: Shop, queue: Queue, plan: Plan, units: Units) -> None:
    cells = st.columns(len(plan.week.machines) + 1)
    for cell, machine in zip(cells, plan.week.machines, strict=False):
        with cell, st.container(border=True):
            _first_job(shop, queue, plan, machine, units)
    with cells[-1], st.container(border=True):
        waits = [j for j in shop.open_jobs() if shop.part_of(j).waits_for]
        ready = len(shop.open_jobs()) - len(waits)
        st.markdown(f"**{ready} ready to cut, {len(waits)} waiting**")
        for job in waits[:8]:
            st.caption(f"{words.job_name(shop, job.id)}: {'; '.join(shop.part_of(job).waits_for)}")
        if len(waits) > 8:
            st.caption(f"and {len(waits) - 8} more, see the queue")
    reasons = {j: why for j, why in plan.unplaceable.items() if not shop.part_of(shop.jobs[int(j)]).waits_for}
    for job_id, why in reasons.items():
        st.error(f"{words.job_name(shop, int(job_id))} cannot be placed: {why}")


def _first_job(shop: Shop, queue: Queue, plan: Plan, machine, units: Units) -> None:
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
    edge = machine.edges.get(grade)
    used = f", {edge.used:.0%} of its life spent" if edge else ""
    mine = plan.timeline[(plan.timeline["job"] == str(first)) & (plan.timeline["machine"] == machine.id)]
    if (mine["kind"] == "index").any():
        used += (
            ": index it before this job" if mine["kind"].tolist().index("index") < 4 else ": index it during this job"
        )
    cut = words.likely_allow(estimate.stop_likely_mm, estimate.stop_allow_mm, units)
    st.write(f"{cut} in {len(estimate.passes_likely)} passes · edge: {grade}{used}")
    draw_spindle(shop, queue, noun, order, units)
    if len(order) > 1:
        st.caption("then " + ", ".join(words.job_name(shop, j) for j in order[1:4]))
    button = st.button("Run sheet", key=f"run/{machine.id}")
    if button:
        st.session_state["run job"] = first
        st.session_state["go to"] = "run"
        st.rerun()


def _timeline(shop: Shop, rows: pd.DataFrame, now: datetime, seen: Picture) -> None:
    st.subheader("Board")
    if rows.empty:
        st.write("Nothing is placed.")
        return
    machines = {str(i): m.name for i, m in shop.machines.items()}
    people = {str(i): p.name for i, p in shop.people.items()}
    span = st.segmented_control(
        "Show",
        ["first day", "three days", "the week", "everything"],
        default="three days",
        key="board span",
        required=True,
    )
    days = {"first day": 1, "three days": 3, "the week": 5, "everything": 60}[span]
    lanes = [*machines.values(), *people.values()]

    def chart():
        frame = board_rows(shop, rows, machines, people, days, now)
        drawn = set(frame["lane"])
        in_order = [f"{day}  {who}" for day in dict.fromkeys(frame["day"]) for who in lanes]
        return charts.timeline(frame, [lane for lane in in_order if lane in drawn])

    st.vega_lite_chart(
        spec=seen.chart(("board", days), chart, now),
        width="stretch",
        alt="Jobs on machines and people, a lane a day, with due times as triangles; red triangles are missed",
    )


def board_rows(shop: Shop, rows: pd.DataFrame, machines: dict, people: dict, days: int, now: datetime) -> pd.DataFrame:
    """The timeline by days: day, who, lane, begin and end in hours of the day, work, what, time."""
    bars = []
    for row in rows.to_dict("records"):
        for who in (machines.get(row["machine"]), people.get(row["person"])):
            if who:
                bars.append((who, row["job"], _work(row["kind"], row["where"]), row["start"], row["end"]))
    frame = _joined(pd.DataFrame(bars, columns=["who", "job", "work", "start", "end"]))
    frame["what"] = [words.job_name(shop, int(j)) for j in frame["job"]]
    ends = rows.groupby("job")["end"].max()
    dues = []
    for job_id, end in ends.items():
        job = shop.jobs.get(int(job_id))
        mine = rows[(rows["job"] == job_id) & (rows["machine"] != "")]
        if job is None or job.due is None or mine.empty:
            continue
        who = machines.get(mine["machine"].iloc[0])
        missed = pd.Timestamp(end) > job.due
        dues.append(
            (who, job_id, "missed" if missed else "due", job.due, job.due, f"{words.job_name(shop, job.id)} due")
        )
    marks = pd.DataFrame(dues, columns=["who", "job", "work", "start", "end", "what"])
    frame = pd.concat([frame, marks], ignore_index=True) if dues else frame
    frame["start"], frame["end"] = pd.to_datetime(frame["start"]), pd.to_datetime(frame["end"])
    midnight = frame["start"].dt.normalize()
    bar_days = midnight[frame["work"].isin(charts.WORK)]
    shown = sorted(bar_days.unique())[:days]
    frame = frame[midnight.isin(shown)].copy()
    midnight = frame["start"].dt.normalize()
    frame["day"] = frame["start"].dt.strftime("%a %d %b")
    frame["begin"] = (frame["start"] - midnight).dt.total_seconds() / 3600
    frame["end"] = ((frame["end"] - midnight).dt.total_seconds() / 3600).clip(upper=24)
    clock = frame["start"].dt.strftime("%H:%M")
    frame["time"] = clock
    frame = frame.sort_values("start", kind="stable").drop(columns=["start"])
    frame["lane"] = frame["day"] + "  " + frame["who"]
    today = frame[frame["day"] == f"{now:%a %d %b}"]
    if len(today):
        hour = now.hour + now.minute / 60
        lines = today[["day", "who", "lane"]].drop_duplicates()
        lines = lines.assign(work="now", begin=hour, end=hour, what="now", time=f"{now:%H:%M}")
        frame = pd.concat([frame, lines], ignore_index=True)
    return frame


def _work(kind: str, where: str) -> str:
    if kind == "index":
        return "index the edge"
    if "change" in kind or kind == "cleanout":
        return "change of setup"
    if where == "traverse":
        return "cut"
    if where == "wait":
        return "drying"
    return "at the bench" if where == "away" else "at the machine"


def _joined(frame: pd.DataFrame) -> pd.DataFrame:
    """Neighbouring stretches of one job and one kind of work as one bar: far fewer marks to draw."""
    frame = frame.sort_values(["who", "start"], kind="stable").reset_index(drop=True)
    frame["start"], frame["end"] = pd.to_datetime(frame["start"]), pd.to_datetime(frame["end"])
    same = (frame[["who", "job", "work"]] == frame[["who", "job", "work"]].shift()).all(axis=1)
    touching = (frame["start"] - frame["end"].shift()).abs() < pd.Timedelta(seconds=2)
    groups = (~(same & touching)).cumsum()
    return frame.groupby(groups, as_index=False).agg(
        {"who": "first", "job": "first", "work": "first", "start": "min", "end": "max"}
    )


def _load(shop: Shop, now: datetime, seen: Picture) -> None:
    st.subheader("Hours this week")
    plan, end = seen.plan, week_end(now)
    frame = seen.once("hours", lambda: hours(plan, shop, now, end), now)
    if frame["available"].sum() == 0:
        frame = seen.once("next hours", lambda: hours(plan, shop, now, end + timedelta(days=7)), now)
        st.caption("This week is over: next week's hours.")
    chart = seen.chart("hours", lambda: charts.hours(frame), now)
    st.vega_lite_chart(spec=chart, width="stretch", alt="Hours booked against hours available")
    for row in frame.itertuples():
        if row.booked > row.available + 0.05:
            st.error(f"{row.who} is booked {row.booked:.1f} h and has {row.available:.1f} h.")
    late = plan.late_minutes[plan.late_minutes > 0.5]
    if len(late):
        st.markdown("**Jobs at risk**")
        for job_id, minutes in late.sort_values(ascending=False).items():
            st.write(f"{words.job_name(shop, int(job_id))}: {minutes_words(minutes)} late")
    else:
        st.caption("No job is late in this plan.")


def _edges(units: Units, seen: Picture) -> None:
    st.subheader("Edges this week")
    course = seen.course()
    if len(course):
        table = pd.DataFrame(
            {
                "Machine": course["machine"],
                "Edge": [
                    f"{g}, {'in the cutter now' if e == 0 else f'fresh no. {e}'}"
                    for g, e in zip(course["grade"], course["edge"], strict=True)
                ],
                "Material": [m.replace("_", " ") for m in course["material"]],
                "Jobs": course["jobs"],
                f"Swept ({units.area_unit})": [units.area(a, unit=False) for a in course["swept_mm2"]],
                "Spent after": [f"{u:.0%}" for u in course["use_after"]],
            }
        )
        st.dataframe(table, hide_index=True, width="stretch")
        st.caption(f"Indexed before {course['limit'].iloc[0]:.0%} of an edge's life is spent, the planning limit.")
    needs = seen.needs()
    short = needs[needs["short"] > 0]
    for row in short.itertuples():
        st.error(f"{row.grade}: {row.needed} edges needed, {row.at_hand} at hand. Order {row.to_order} inserts.")
    if short.empty:
        parts = [f"{r.grade}: {r.needed} to index, {r.at_hand} at hand" for r in needs.itertuples()]
        st.caption("Edges needed this week against stock: " + "; ".join(parts))


# -- the queue ---------------------------------------------------------------------------------------------------------
def _queue(shop: Shop, queue: Queue, units: Units, seen: Picture) -> None:
    st.subheader("Queue")
    plan = seen.plan
    ready = {int(j): plan.start + timedelta(minutes=float(m)) for j, m in plan.jobs["ready_min"].items()}
    table = seen.once("queue", lambda: words.queue_table(shop, queue, units, ready))
    picked = st.dataframe(
        table,
        hide_index=True,
        width="stretch",
        height=min(560, 38 + 35 * len(table)),
        on_select="rerun",
        selection_mode="single-row",
        key="queue table",
        placeholder="not placed",
        column_config={
            "Due": st.column_config.DatetimeColumn(format="ddd D MMM HH:mm"),
            "Ready": st.column_config.DatetimeColumn(format="ddd D MMM HH:mm", help="in the plan shown above"),
            "Waits for": st.column_config.TextColumn(width="medium"),
            "Look at": st.column_config.TextColumn(width="large"),
        },
    )
    chosen = picked.selection.rows if picked else []
    if not chosen:
        st.caption("Pick a row for its estimate: passes with instrument figures, minutes, heights after.")
        return
    job = shop.jobs[int(table.index[chosen[0]])]
    with st.container(border=True):
        st.markdown(f"**{words.job_name(shop, job.id)}**")
        estimate_view.draw(shop, job, queue.estimates[job.id], units)
        estimate_view.print_button(shop, job, queue.estimates[job.id], units)


def _print(shop: Shop, plan: Plan, now: datetime) -> None:
    from planner.sheets import week_sheet

    st.subheader("Print")
    with st.container(horizontal=True):
        for machine in plan.week.machines:
            noun = shop.machines[int(machine.id)]
            st.download_button(
                f"Week sheet, {noun.name}",
                data=lambda m=machine.id: week_sheet(shop, access.queue(), plan, m, access.units(), now).encode(),
                file_name=f"week-{noun.name.replace(' ', '-')}.html",
                mime="text/html",
                key=f"week sheet/{machine.id}",
                on_click="ignore",
            )
