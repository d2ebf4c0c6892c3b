"""The week as arrays: one row per job and machine, and what changes between jobs cost.

`Tables` holds everything that does not depend on the order of the jobs; `Pieces` the steps, which risk replaces by
sampled ones (a row per sample and job).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain

import numpy as np

from .calendar import EPS, Clock, intersect, usable
from .model import Job, Week, Where

__all__ = ["Pieces", "Tables"]

BEHIND = "the member to be cut before it"
"""How a reason for having no place ends that is another job's."""
ATTENDED, TRAVERSE, WAIT = 0, 1, 2
_CODE = {Where.ATTENDED: ATTENDED, Where.TRAVERSE: TRAVERSE, Where.WAIT: WAIT}


@dataclass(frozen=True)
class Pieces:
    """Steps of R rows, at most K each. Column k of a (R, K + 1) array speaks of the steps before step k.

    count (R,)            number of steps
    begin (R, K + 1)      minutes from the first step's start to step k's, run without a pause
    fits (R, K)           minutes that must lie inside the window for step k to go ahead (a wait: its start only)
    attended (R, K + 1)   attended minutes before step k
    needs_person (R, K)   whether step k is attended
    last_attended (R, K + 1)  `begin` of the end of the last attended step before k, -1 without one
    last_attended_step (R, K + 1)  its number, -1 without one
    group_end (R, K)      first step after k at which the person is called back to the machine
    use (R, K + 1)        edge use before step k
    set_at, last_pass (R,)  a shift's end between steps set_at < k <= last_pass calls for a new touch-off
    """

    count: np.ndarray
    begin: np.ndarray
    fits: np.ndarray
    attended: np.ndarray
    needs_person: np.ndarray
    last_attended: np.ndarray
    last_attended_step: np.ndarray
    group_end: np.ndarray
    use: np.ndarray
    set_at: np.ndarray
    last_pass: np.ndarray

    @classmethod
    def of(cls, minutes, where, use, touches, started) -> Pieces:
        """From (R, K) minutes (0 = no step), where codes, edge use, and whether a step is a touch-off; (R,) started.

        Steps of no minutes are closed up, so a row keeps only what is really done.
        """
        present = minutes > 0
        count = present.sum(1)
        if not present[:, :-1].all() or not present.all():
            keep = np.argsort(~present, axis=1, kind="stable")
            minutes, where, use, touches = (np.take_along_axis(a, keep, 1) for a in (minutes, where, use, touches))
        rows, width = minutes.shape
        column = np.arange(width)
        inside = column < count[:, None]
        minutes = np.where(inside, minutes, 0.0)
        needs = (where == ATTENDED) & inside

        def before(values):
            out = np.zeros((rows, width + 1))
            np.cumsum(values, axis=1, out=out[:, 1:])
            return out

        begin = before(minutes)
        fits = np.where(inside, np.where(where == WAIT, begin[:, :-1], begin[:, 1:]), np.inf)
        attended_step = np.where(needs, column, -1)
        last_step = np.full((rows, width + 1), -1)
        last_step[:, 1:] = np.maximum.accumulate(attended_step, axis=1)
        last = np.where(last_step >= 0, np.take_along_axis(begin, last_step + 1, 1), -1.0)
        recall = np.zeros((rows, width), bool)
        recall[:, 1:] = needs[:, 1:] & ~needs[:, :-1]
        mark = np.where(recall, column, width)
        after = np.minimum.accumulate(mark[:, ::-1], axis=1)[:, ::-1]
        group_end = np.full((rows, width), width)
        group_end[:, :-1] = after[:, 1:]
        group_end = np.minimum(group_end, count[:, None])
        passes = (where == TRAVERSE) & inside | (use > 0) & inside
        setting = passes | touches.astype(bool) & inside
        set_at = np.where(setting.any(1), setting.argmax(1), width)
        set_at = np.where(started, -1, set_at)
        last_pass = np.where(passes.any(1), width - 1 - passes[:, ::-1].argmax(1), -1)
        return cls(
            count,
            begin,
            fits,
            before(np.where(needs, minutes, 0.0)),
            needs,
            last,
            last_step,
            group_end,
            before(np.where(inside, use, 0.0)),
            set_at,
            last_pass,
        )


def step_arrays(rows: list[tuple[Job, str]]):
    """(minutes, where, use, touches, started) of `Pieces.of` for (job, machine id) rows."""
    width = max((len(job.steps.get(machine, ())) for job, machine in rows), default=1) or 1
    shape = (len(rows), width)
    minutes, where, use = np.zeros(shape), np.zeros(shape, int), np.zeros(shape)
    touches = np.zeros(shape, bool)
    for r, (job, machine) in enumerate(rows):
        for k, step in enumerate(job.steps.get(machine, ())):
            minutes[r, k] = step.minutes
            where[r, k] = ATTENDED if job.always_attended else _CODE[step.where]
            use[r, k] = step.edge_use
            touches[r, k] = step.kind == "touch-off"
    return minutes, where, use, touches, np.array([job.started for job, _ in rows], bool)


class Tables:
    """Everything about a `Week` that does not depend on order, as arrays; and who may do what, with reasons.

    ``jobs``: the jobs that can be placed (n); ``unplaceable``: job id -> reason for the others.
    """

    def __init__(self, week: Week) -> None:
        self.week = week
        self.machine_ids = [m.id for m in week.machines]
        self.person_ids = [p.id for p in week.people]
        self.overtime_names = tuple(dict.fromkeys(w.overtime for p in week.people for w in p.windows if w.overtime))
        self._clocks: dict[frozenset[str], Clock] = {}
        self.bench_only = [i for i, p in enumerate(week.people) if p.bench and not p.machines]
        self.unplaceable: dict[str, str] = {}
        allowed = self._allowed()
        self.jobs = [job for job in week.jobs if job.id not in self.unplaceable]
        self.job_index = {job.id: i for i, job in enumerate(self.jobs)}
        n, m, p = len(self.jobs), len(week.machines), len(week.people)
        self.n, self.m, self.p = n, m, p
        self.may = np.zeros((n, m, p), bool)
        for i, job in enumerate(self.jobs):
            for a, b in allowed[job.id]:
                self.may[i, a, b] = True
        jobs = self.jobs

        def column(name):
            return np.array([getattr(job, name) for job in jobs], float)

        self.due, self.weight = column("due_min"), column("weight_per_min")
        self.before, self.cool = column("before_minutes"), column("cool_minutes")
        self.after, self.touch = column("after_minutes"), column("touch_off_minutes")
        self.pin = np.array([np.nan if job.pin_start_min is None else job.pin_start_min for job in jobs])
        self.release = np.fmax(column("not_before_min"), self.pin)
        self.whole = np.array([job.always_attended for job in jobs], bool)
        self.watch = np.where(self.whole, column("watch_minutes"), 0.0)
        self.age_price = column("edge_age_price")
        self.started = np.array([job.started for job in jobs], bool)
        self.set_before = np.full(n, -1)
        self.split_price = np.zeros(n)
        for one in week.sets:
            for first, then in zip(one.members, one.members[1:], strict=False):
                if first in self.job_index and then in self.job_index:
                    i = self.job_index[then]
                    self.set_before[i] = self.job_index[first]
                    self.split_price[i] = one.split_price
                    self.before[i] += one.measuring_minutes
        self.before[self.started] = 0.0
        self.cool[self.started] = 0.0
        self._setups()
        self.accepted_machine = np.full(n, -1)
        self.accepted_before = np.full(n, -2)
        for machine, ids in week.accepted.items():
            last = -1
            for one in ids:
                if one in self.job_index and machine in self.machine_ids:
                    i = self.job_index[one]
                    self.accepted_machine[i] = self.machine_ids.index(machine)
                    self.accepted_before[i] = last
                    last = i
        rows = [(job, machine) for job in jobs for machine in self.machine_ids]
        self.step_arrays = step_arrays(rows)
        self.pieces = Pieces.of(*self.step_arrays)
        self.has_edges = bool((self.pieces.use > 0).any() and self.has_limits)
        longest = self.pieces.begin[:, -1].reshape(n, m).max(1).sum() if n else 0.0
        slack = 200.0 * n + float(self.setup.max(initial=0.0)) * n
        self.work_minutes = float(longest + self.before.sum() + self.after.sum() + slack)
        everything = frozenset(self.overtime_names)
        self.machines_close = any(
            sum(b - a for a, b, _ in intersect(one.windows, machine.windows, everything))
            < sum(b - a for a, b, _ in usable(one.windows, everything)) - EPS
            for machine in week.machines
            for one in week.people
            if machine.id in one.machines
        )
        self.bench_own = np.array([person.bench and not self.bench_only for person in week.people], bool)

    def _setups(self) -> None:
        week, jobs, n, m = self.week, self.jobs, self.n, self.m
        self.setup = np.zeros((m, n + 1, n))
        named = [[job.grade_on(one.id) for job in jobs] for one in week.machines]
        grades = list(dict.fromkeys([*chain(*named), *(g for one in week.machines for g in one.edges)]))
        self.grades = grades
        self.grade = np.array([[grades.index(g) for g in row] for row in named], int).reshape(m, n)
        self.limit = np.full((m, max(1, len(grades))), np.inf)
        self.edge_price = np.zeros_like(self.limit)
        self.edge_used = np.zeros_like(self.limit)
        for k, machine in enumerate(week.machines):
            kinds = [(job.fixture, job.material, grade) for job, grade in zip(jobs, named[k], strict=True)]
            cache: dict = {}
            for i in range(-1, n):
                now = kinds[i] if i >= 0 else (machine.fixture, machine.material, machine.grade)
                for j, job in enumerate(jobs):
                    if i == j or job.started:
                        continue
                    key = (now, kinds[j])
                    if key not in cache:
                        cache[key] = sum(minutes for _, minutes in machine.setup_pieces(now, job))
                    self.setup[k, i + 1, j] = cache[key]
            for grade, edge in machine.edges.items():
                g = grades.index(grade)
                self.limit[k, g], self.edge_price[k, g], self.edge_used[k, g] = edge.limit, edge.price, edge.used
        self.job_limit = np.array([np.inf if job.edge_limit is None else job.edge_limit for job in jobs])
        self.has_limits = bool(np.isfinite(self.limit).any())
        self.rate = np.array([machine.rate_per_min for machine in week.machines])
        self.index_minutes = np.array([machine.index_minutes for machine in week.machines])

    def _allowed(self) -> dict[str, list[tuple[int, int]]]:
        """Job id -> (machine, person) numbers; reasons for those that cannot be placed go to ``unplaceable``."""
        week = self.week
        everything = frozenset(self.overtime_names)
        spans = {}
        for a, machine in enumerate(week.machines):
            for b, person in enumerate(week.people):
                spans[a, b] = intersect(person.windows, machine.windows, everything)
        allowed: dict[str, list[tuple[int, int]]] = {}
        for job in week.jobs:
            if job.blocked:
                self.unplaceable[job.id] = job.blocked
                continue
            pairs, reasons = [], []
            fixed_to = next((machine.id for machine in week.machines if job.id in machine.fixed), job.pin_machine)
            for a, machine in enumerate(week.machines):
                if fixed_to and machine.id != fixed_to:
                    continue
                if machine.id not in job.steps:
                    reasons.append(f"{machine.id}: {job.refused.get(machine.id, 'no way to cut it there')}")
                    continue
                problem = self._edge_problem(job, machine)
                if problem:
                    reasons.append(f"{machine.id}: {problem}")
                    continue
                found, why = [], "nobody may run it"
                for b, person in enumerate(week.people):
                    if machine.id not in person.machines or (job.pin_person and job.pin_person != person.id):
                        continue
                    if job.after and not person.bench and not self.bench_only:
                        why = "nobody does its bench work"
                        continue
                    problem = _hours_problem(job, machine.id, spans[a, b])
                    if problem:
                        why = problem
                    else:
                        found.append((a, b))
                pairs += found
                if not found:
                    reasons.append(f"{machine.id}: {why}")
            if pairs:
                allowed[job.id] = pairs
            else:
                self.unplaceable[job.id] = "; ".join(reasons)
        self._drop_after_unplaceable()
        return allowed

    def _edge_problem(self, job: Job, machine) -> str:
        edge = machine.edges.get(job.grade_on(machine.id))
        if edge is None:
            return ""
        limit = min(edge.limit, job.edge_limit or np.inf)
        steps = job.steps[machine.id]
        most = max(step.edge_use for step in steps)
        if most > limit + EPS:
            return f"one pass uses {most:.2f} of an edge, the planning limit is {limit:.2f}"
        if job.always_attended and sum(step.edge_use for step in steps) > limit + EPS:
            return "longer than an edge, and it may not be left for an index stop"
        return ""

    def _drop_after_unplaceable(self) -> None:
        for one in self.week.sets:
            for first, then in zip(one.members, one.members[1:], strict=False):
                if first in self.unplaceable and then not in self.unplaceable:
                    self.unplaceable[then] = f"waits for {first}, {BEHIND}"

    def clock(self, opened: frozenset[str] = frozenset()) -> Clock:
        """Calendars with the overtime names in ``opened``: people first, then machine x people."""
        opened = frozenset(opened)
        if opened not in self._clocks:
            people = [usable(p.windows, opened) for p in self.week.people]
            pairs = [intersect(p.windows, k.windows, opened) for k in self.week.machines for p in self.week.people]
            self._clocks[opened] = Clock([*people, *pairs], self.work_minutes)
        return self._clocks[opened]


def _hours_problem(job: Job, machine: str, spans) -> str:
    longest = max((b - a for a, b, _ in spans), default=0.0)
    if job.always_attended:
        closing = {s: b for _, b, s in spans}
        longest = max((min(b, closing[s] - job.watch_minutes) - a for a, b, s in spans), default=0.0)
        total = sum(step.minutes for step in job.steps[machine])
        if total > longest + EPS:
            return f"{total:.0f} min that may not be left, the longest stretch of hours allows {max(0.0, longest):.0f}"
        return ""
    for step in job.steps[machine]:
        if step.where != Where.WAIT and step.minutes > longest + EPS:
            return f"its {step.kind} of {step.minutes:.0f} min is longer than any stretch of hours ({longest:.0f} min)"
    return ""
