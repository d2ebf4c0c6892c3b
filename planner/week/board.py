"""The accepted plan on the wall, and what has changed since.

A plan that was accepted stands still: its rows are kept as they were. The same order, run again on today's estimates,
tells how far it is out of date; only a person re-plans and accepts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from planner.cut.knowledge import Knowledge
from planner.shop import JobState, Shop
from planner.units import minutes_words
from planner.week.adapt import DAYS, week_of
from planner.week.circles import settled, untangled
from planner.week.model import Week
from planner.week.partners import planned_cut
from planner.week.queue import Queue
from planner.week.reasons import person_named
from planner.week.search import Decision, Plan, Progress, evaluate_decision, search_week
from planner.week.standing import lies_with, running_on
from planner.week.tables import Tables

LATE_MINUTES = 0.5


def plan_shop(
    shop: Shop,
    queue: Queue,
    now: datetime,
    knowledge: Knowledge | None = None,
    *,
    accepted: Mapping[str, Any] | None = None,
    begin_with: Iterable[Decision] = (),
    pins: Mapping[int, datetime] | None = None,
    seconds: float = 2.0,
    seed: int = 0,
    steps: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    days: int = DAYS,
) -> Plan:
    """Search the best week for the shop from ``now`` on; ``accepted`` is the payload of the plan on the wall, whose
    running and next jobs stay where they are. ``begin_with``: plans to start from as well; ``pins``: job id -> the
    instant it is to start at (None: the accepted plan's pins). Raises `InputError` when the shop has no machine."""
    tables = Tables(week_for(shop, queue, now, knowledge, accepted=accepted, pins=pins, days=days))
    begin = [settled(tables, d)[0] for d in (*([decision_of(accepted)] if accepted else []), *begin_with)]
    return search_week(tables, seconds, seed, steps=steps, progress=progress, start=now, begin_with=begin)


def week_for(
    shop: Shop,
    queue: Queue,
    now: datetime,
    knowledge: Knowledge | None = None,
    *,
    accepted: Mapping[str, Any] | None = None,
    pins: Mapping[int, datetime] | None = None,
    days: int = DAYS,
) -> Week:
    """The week's problem beside the accepted plan: moves count against it, its running and next jobs stay first, its
    pins hold unless ``pins`` are given."""
    order, _ = untangled(_order_of(accepted), [view.order for view in queue.sets.values()])
    kept = pins_of(accepted) if pins is None else pins
    fixed = _fixed(shop, queue, order, accepted, now)
    return week_of(shop, queue, now, knowledge, days=days, accepted=order, fixed=fixed, pins=kept)


def plan_of_decision(
    shop: Shop,
    queue: Queue,
    now: datetime,
    decision: Decision,
    knowledge: Knowledge | None = None,
    *,
    accepted: Mapping[str, Any] | None = None,
    pins: Mapping[int, datetime] | None = None,
) -> Plan:
    """The plan that a decision makes from ``now`` on, exactly; nothing is searched. Where a set's members are to be
    cut in another order by now, they change places, and nothing else moves, unless sets on several machines wait for
    each other (`planner.week.circles`)."""
    return settled_plan(shop, queue, now, decision, knowledge, accepted=accepted, pins=pins)[0]


def settled_plan(
    shop: Shop,
    queue: Queue,
    now: datetime,
    decision: Decision,
    knowledge: Knowledge | None = None,
    *,
    accepted: Mapping[str, Any] | None = None,
    pins: Mapping[int, datetime] | None = None,
) -> tuple[Plan, tuple[int, ...]]:
    """`plan_of_decision`, and the jobs brought forward because sets waited for each other."""
    tables = Tables(week_for(shop, queue, now, knowledge, accepted=accepted, pins=pins))
    runs, forward = settled(tables, decision)
    return evaluate_decision(tables, runs, now), tuple(int(job) for job in forward)


def payload_of(
    plan: Plan, shop: Shop, queue: Queue, now: datetime, pins: Mapping[int, datetime] | None = None
) -> dict[str, Any]:
    """The plan as it is kept when accepted: order, people, overtime, rows of the timeline, totals (JSON only)."""
    rows = plan.timeline.copy()
    for column in ("start", "end"):
        rows[column] = [t.isoformat() for t in rows[column]]
    return {
        "start": now.isoformat(),
        "order": {m: list(ids) for m, ids in plan.decision.order.items()},
        "person": dict(plan.decision.person),
        "bench_first": sorted(plan.decision.bench_first),
        "opened": sorted(plan.decision.opened),
        "pins": {str(j): at.isoformat() for j, at in (pins or {}).items() if str(j) in plan.jobs.index},
        "rows": rows.to_dict("records"),
        "jobs": {
            str(job_id): {
                "machine": row.machine,
                "start": (now + timedelta(minutes=float(row.start_min))).isoformat(),
                "ready": (now + timedelta(minutes=float(row.ready_min))).isoformat(),
                "late_minutes": float(row.late_minutes),
                "minutes": _job_minutes(queue, int(job_id)),
                **planned_cut(queue.estimates.get(int(job_id))),
            }
            for job_id, row in plan.jobs.iterrows()
        },
        "unplaceable": dict(plan.unplaceable),
        "late_jobs": int((plan.late_minutes > LATE_MINUTES).sum()),
        "cost": float(plan.cost),
        "edges": [[m, g, int(n)] for (m, g), n in plan.edges.items()],
        "setup_minutes": float(plan.setup_minutes),
    }


@dataclass(frozen=True)
class Board:
    """The accepted plan beside what it would be today.

    ``rows``: the accepted timeline, one row a piece of work, as a frame with instants; ``today``: the same order on
    today's estimates. ``more_minutes``: how much longer the planned jobs are estimated now; ``late_more``: jobs late
    now beyond those late when accepted; ``unplanned``: open jobs that could be placed and are not on the board;
    ``finished``: jobs of the board that are done; ``blocked``: jobs of the board that now wait for somebody;
    ``forward``: jobs ``today`` brings forward, because on the board sets wait for each other in a circle.
    """

    rows: pd.DataFrame
    today: Plan
    late_then: int
    late_now: tuple[int, ...]
    more_minutes: float
    unplanned: tuple[int, ...]
    finished: tuple[int, ...]
    blocked: tuple[int, ...]
    forward: tuple[int, ...] = ()

    @property
    def late_more(self) -> int:
        return max(0, len(self.late_now) - self.late_then)

    @property
    def out_of_date(self) -> bool:
        return bool(abs(self.more_minutes) >= 1 or self.late_more or self.unplanned or self.blocked or self.forward)

    @property
    def words(self) -> str:
        """ "out of date: +40 min, 1 job late", or "" while the board holds."""
        if not self.out_of_date:
            return ""
        said = []
        if abs(self.more_minutes) >= 1:
            sign = "+" if self.more_minutes > 0 else "−"
            said.append(f"{sign}{minutes_words(abs(self.more_minutes))}")
        for count, one, many in (
            (self.late_more, "job late", "jobs late"),
            (len(self.unplanned), "job not on it", "jobs not on it"),
            (len(self.blocked), "job now waits", "jobs now wait"),
        ):
            if count:
                said.append(f"{count} {one if count == 1 else many}")
        if self.forward:
            said.append("sets on it wait for each other")
        return "out of date: " + ", ".join(said)


def board_of(
    payload: Mapping[str, Any], shop: Shop, queue: Queue, now: datetime, knowledge: Knowledge | None = None
) -> Board:
    """Read the accepted plan against the shop as it stands at ``now``. Nothing is searched."""
    rows = pd.DataFrame(payload["rows"])
    for column in ("start", "end"):
        if column in rows:
            rows[column] = pd.to_datetime(rows[column], format="ISO8601")
    today, forward = settled_plan(shop, queue, now, decision_of(payload), knowledge, accepted=payload)
    planned = {int(j): row for j, row in payload["jobs"].items()}
    open_ids = {job.id for job in shop.open_jobs()}
    more = math.fsum(
        _job_minutes(queue, j) - row["minutes"]
        for j, row in planned.items()
        if j in open_ids and shop.jobs[j].state is JobState.WAITING
    )
    late = tuple(int(j) for j, minutes in today.late_minutes.items() if minutes > LATE_MINUTES and int(j) in planned)
    placeable = {int(j) for j in today.jobs.index}
    return Board(
        rows,
        today,
        sum(row["late_minutes"] > LATE_MINUTES for j, row in planned.items() if j in open_ids),
        late,
        more,
        tuple(sorted(placeable - set(planned))),
        tuple(sorted(set(planned) - open_ids)),
        tuple(sorted(j for j in planned if j in open_ids and str(j) in today.unplaceable)),
        forward,
    )


def hours(plan: Plan, shop: Shop, now: datetime, until: datetime) -> pd.DataFrame:
    """Hours booked against available from ``now`` to ``until``: columns who, kind ("machine" or "person"), booked,
    available (hours)."""
    end = (until - now) / timedelta(minutes=1)
    found = []
    for machine in plan.week.machines:
        noun = shop.machines[int(machine.id)]
        rows = plan.timeline[plan.timeline["machine"] == machine.id]
        found.append((noun.name, "machine", _booked(rows, end), _available(machine.windows, end)))
    for person in plan.week.people:
        rows = plan.timeline[plan.timeline["person"] == person.id]
        found.append((person_named(shop, person.id), "person", _booked(rows, end), _available(person.windows, end)))
    return pd.DataFrame(found, columns=["who", "kind", "booked", "available"])


def _booked(rows: pd.DataFrame, end: float) -> float:
    starts, ends = rows["start_min"].to_numpy(float), rows["end_min"].to_numpy(float)
    return float(np.clip(np.minimum(ends, end) - starts, 0, None).sum()) / 60


def _available(windows, end: float) -> float:
    return math.fsum(max(0.0, min(w.end_min, end) - max(w.start_min, 0)) for w in windows if not w.overtime) / 60


def week_end(now: datetime) -> datetime:
    """Sunday midnight of the week that ``now`` lies in."""
    monday: date = now.date() - timedelta(days=now.weekday())
    return datetime.combine(monday + timedelta(days=7), datetime.min.time())


def _job_minutes(queue: Queue, job_id: int) -> float:
    estimate = queue.estimates.get(job_id)
    return 0.0 if estimate is None else math.fsum(s.minutes for s in estimate.steps)


def _order_of(payload: Mapping[str, Any] | None) -> dict[int, tuple[int, ...]]:
    if not payload:
        return {}
    return {int(m): tuple(int(j) for j in ids) for m, ids in payload["order"].items()}


def pins_of(payload: Mapping[str, Any] | None) -> dict[int, datetime]:
    """Job id -> the instant it is pinned to, of a kept plan."""
    return {int(j): datetime.fromisoformat(at) for j, at in (payload or {}).get("pins", {}).items()}


def decision_of(payload: Mapping[str, Any]) -> Decision:
    """What a kept plan decides."""
    return Decision(
        {m: tuple(ids) for m, ids in payload["order"].items()},
        dict(payload["person"]),
        frozenset(payload["bench_first"]),
        frozenset(payload["opened"]),
    )


def _fixed(
    shop: Shop, queue: Queue, order: Mapping[int, tuple[int, ...]], payload: Mapping[str, Any] | None, now: datetime
) -> dict[int, tuple[int, ...]]:
    """On each machine the running job and the one after it on the board; where nothing runs yet, the first one if the
    board has it start today. They never move by themselves."""
    found = {}
    on_it = running_on(shop, queue)
    for machine_id in shop.machines:
        running = list(lies_with(queue, on_it[machine_id], machine_id)) if machine_id in on_it else []
        there = {*on_it.values(), *running}
        waiting = (j for j in order.get(machine_id, ()) if j in shop.jobs and j not in there)
        rest = [j for j in waiting if shop.jobs[j].state.is_open and not shop.part_of(shop.jobs[j]).waits_for][:1]
        if rest and (running or _starts_on(payload, rest[0]) == now.date()):
            running = [*running, *rest]
        if running:
            found[machine_id] = tuple(running)
    return found


def _starts_on(payload: Mapping[str, Any] | None, job_id: int) -> date | None:
    row = (payload or {}).get("jobs", {}).get(str(job_id))
    return None if row is None else datetime.fromisoformat(row["start"]).date()
