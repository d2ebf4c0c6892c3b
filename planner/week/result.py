"""What a plan decides and what comes of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import pandas as pd

from .model import Week
from .rows import timeline_frame
from .tables import Tables
from .timeline import COST_TERMS, Evaluation, evaluate

__all__ = ["Decision", "Plan", "State", "decide", "evaluate_decision", "plan_of", "state_of"]


@dataclass(frozen=True)
class Decision:
    """What a plan decides: machine id -> job ids in order, job id -> person id, jobs before which the bench is cleared,
    names of opened overtime."""

    order: Mapping[str, tuple[str, ...]]
    person: Mapping[str, str]
    bench_first: frozenset[str] = frozenset()
    opened: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Plan:
    """A planned week.

    timeline       `planner.week.rows.timeline_frame`: a row per piece of work.
    cost, costs    money; by term (`COST_TERMS`).
    late_minutes   pandas Series by job id (placed jobs).
    jobs           pandas frame by job id: machine, person, place (0 = first), start_min, end_min (off the machine),
                   ready_min, due_min, late_minutes.
    decision       what was decided; `evaluate_decision` gives the same plan again.
    unplaceable    job id -> reason.
    edges          (machine id, grade) -> edges to index in this plan; shortages: those beyond the stock.
    broken_pins    pinned jobs that start after their pin.
    setup_minutes, evaluations, steps.
    """

    week: Week = field(repr=False)
    start: datetime | None
    timeline: pd.DataFrame = field(repr=False)
    cost: float
    costs: Mapping[str, float]
    late_minutes: pd.Series = field(repr=False)
    jobs: pd.DataFrame = field(repr=False)
    decision: Decision
    unplaceable: Mapping[str, str]
    edges: Mapping[tuple[str, str], int]
    shortages: Mapping[tuple[str, str], int]
    broken_pins: tuple[str, ...]
    setup_minutes: float
    person_end: Mapping[str, float]
    machine_end: Mapping[str, float]
    evaluations: int = 0
    steps: int = 0

    @property
    def order(self) -> Mapping[str, tuple[str, ...]]:
        return self.decision.order

    @property
    def decision_key(self) -> tuple:
        """The decision as a key: equal for equal decisions."""
        d = self.decision
        placed = tuple((m, ids) for m, ids in sorted(d.order.items()))
        return placed, tuple(sorted(d.person.items())), tuple(sorted(d.bench_first)), tuple(sorted(d.opened))


@dataclass
class State:
    """A point of the search: tour, person by job and machine, bench-first marks, opened overtime."""

    tour: np.ndarray
    person: np.ndarray
    drain: np.ndarray
    opened: frozenset[str]
    cost: float = np.inf


def state_of(tables: Tables, decision: Decision, opened: frozenset[str] | None) -> State:
    """A state from a decision; jobs it does not know are put last on the first machine that takes them."""
    lanes: list[list[int]] = []
    seen: set[int] = set()
    for machine in tables.machine_ids:
        lane = [tables.job_index[one] for one in decision.order.get(machine, ()) if one in tables.job_index]
        # what this machine may no longer take (another one was named, the estimate changed) goes where it may
        lane = [j for j in lane if j not in seen and tables.may[j, len(lanes)].any()]
        seen.update(lane)
        lanes.append(lane)
    for j in range(tables.n):
        if j not in seen:
            lanes[int(np.flatnonzero(tables.may[j].any(1))[0])].append(j)
    tour = np.array([j for k, lane in enumerate(lanes) for j in ([-1] if k else []) + lane], int)
    person = np.where(tables.may.any(2), tables.may.argmax(2), 0)
    for one, who in decision.person.items():
        if one in tables.job_index and who in tables.person_ids:
            j, q = tables.job_index[one], tables.person_ids.index(who)
            person[j] = np.where(tables.may[j, :, q], q, person[j])
    drain = np.array([job.id in decision.bench_first for job in tables.jobs], bool)
    names = frozenset(decision.opened) & frozenset(tables.overtime_names)
    return State(tour, person, drain, names if opened is None else opened)


def decide(tables: Tables, tour: np.ndarray, person: np.ndarray, drain: np.ndarray, opened) -> Decision:
    """A decision in ids from arrays of one candidate."""
    order: dict[str, list[str]] = {machine: [] for machine in tables.machine_ids}
    who: dict[str, str] = {}
    k = 0
    for j in tour:
        if j < 0:
            k += 1
            continue
        order[tables.machine_ids[k]].append(tables.jobs[j].id)
        who[tables.jobs[j].id] = tables.person_ids[person[j, k]]
    marks = frozenset(tables.jobs[j].id for j in np.flatnonzero(drain))
    return Decision({m: tuple(ids) for m, ids in order.items()}, who, marks, frozenset(opened))


def plan_of(tables: Tables, state: State, start: datetime | None, evaluations: int = 0, steps: int = 0) -> Plan:
    """The plan of one point of the search, with its timeline."""
    clock = tables.clock(state.opened)
    ev = evaluate(
        tables, clock, state.tour[None], state.person[None], state.drain[None], opened=state.opened, keep_runs=True
    )
    decision = decide(tables, state.tour, state.person, state.drain, state.opened)
    return _plan(tables, clock, ev, decision, start, evaluations, steps)


def evaluate_decision(tables: Tables, decision: Decision, start: datetime | None = None) -> Plan:
    """The plan that a decision makes, without any search. Jobs it does not name come last."""
    return plan_of(tables, state_of(tables, decision, None), start)


def _plan(tables, clock, ev: Evaluation, decision: Decision, start, evaluations, steps) -> Plan:
    week = tables.week
    placed = ev.placed[0]
    unplaceable = dict(tables.unplaceable)
    for j in np.flatnonzero(~placed):
        unplaceable[tables.jobs[j].id] = "does not end within the hours of this calendar"
    rows = []
    for machine, ids in decision.order.items():
        place = 0
        for one in ids:
            j = tables.job_index[one]
            if not placed[j]:
                continue
            rows.append(
                (one, machine, decision.person[one], place, ev.start[0, j], ev.end[0, j], ev.ready[0, j],
                 tables.due[j], ev.late[0, j])
            )  # fmt: skip
            place += 1
    columns = ["job", "machine", "person", "place", "start_min", "end_min", "ready_min", "due_min", "late_minutes"]
    jobs = pd.DataFrame(rows, columns=columns).set_index("job")
    edges, shortages = {}, {}
    for k, machine in enumerate(week.machines):
        for grade, edge in machine.edges.items():
            need = int(ev.edges[0, k, tables.grades.index(grade)])
            if need:
                edges[machine.id, grade] = need
            if edge.stock is not None and need > edge.stock:
                shortages[machine.id, grade] = need - edge.stock
    late_pin = np.flatnonzero(placed & (ev.start[0] > tables.pin + 1e-6))
    return Plan(
        week=week,
        start=start,
        timeline=timeline_frame(tables, clock, ev, start),
        cost=float(ev.cost[0]),
        costs=dict(zip(COST_TERMS, ev.terms[0].tolist(), strict=True)),
        late_minutes=jobs["late_minutes"],
        jobs=jobs,
        decision=decision,
        unplaceable=unplaceable,
        edges=edges,
        shortages=shortages,
        broken_pins=tuple(tables.jobs[j].id for j in late_pin),
        setup_minutes=float(ev.setup_minutes[0]),
        person_end={p.id: float(ev.person_end[0, q]) for q, p in enumerate(week.people)},
        machine_end={m.id: float(ev.machine_end[0, k]) for k, m in enumerate(week.machines)},
        evaluations=evaluations,
        steps=steps,
    )
