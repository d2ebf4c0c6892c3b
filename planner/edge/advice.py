"""Before which job to index, and why: the rule of `planner.edge.decision` walked along a machine's week."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.edge.decision import AgeRule, age_rule, index_pays
from planner.edge.ends import EdgeLife
from planner.errors import InputError, between, finite_array, not_negative, positive

__all__ = ["EdgeJob", "EdgePlan", "EdgeStep", "order_for_edge", "plan_edge"]

_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(8)
_NODES, _NODE_WEIGHTS = (_NODES + 1) / 2, _NODE_WEIGHTS / 2
_NODES.flags.writeable = _NODE_WEIGHTS.flags.writeable = False
JOBS_AHEAD = 20


@dataclass(frozen=True)
class EdgeJob:
    """A job as the edge meets it.

    ``work``: wear path per material, mm, whole job. ``failure_cost``: price of losing the edge in it (greater than the
    planned index). ``risk_limit``: greatest chance of losing the edge to wear (5 % normally, 2 % with less than one
    rebuild left; 1 = no limit). ``pass_shares``: the passes' shares of the work, in order; an index can only fall
    between passes. ``chip_path``: path weighted by how readily its skin chips. Jobs of one ``set_name`` in a row stay
    on one edge where they can.
    """

    name: str
    work: tuple[float, ...]
    failure_cost: float
    risk_limit: float = 0.05
    pass_shares: tuple[float, ...] = (1.0,)
    chip_path: float = 0.0
    set_name: str = ""

    def __post_init__(self) -> None:
        work = finite_array("job.work", np.atleast_1d(self.work), (None,))
        if work.size == 0 or (work < 0).any():
            raise InputError("job.work", self.work, "a path of 0 or more per material")
        shares = finite_array("job.pass_shares", self.pass_shares, (None,))
        if shares.size == 0 or (shares < 0).any() or abs(shares.sum() - 1) > 1e-6:
            raise InputError("job.pass_shares", self.pass_shares, "shares of 0 or more that sum to 1")
        object.__setattr__(self, "work", tuple(float(v) for v in work))
        object.__setattr__(self, "pass_shares", tuple(float(v) for v in shares))
        positive("job.failure_cost", self.failure_cost)
        between("job.risk_limit", self.risk_limit, 0.0, 1.0)
        if self.risk_limit == 0:
            raise InputError("job.risk_limit", self.risk_limit, "a chance above 0")
        not_negative("job.chip_path", self.chip_path)


@dataclass(frozen=True)
class EdgeStep:
    """One job of the plan.

    ``index_before``: index first. ``stops``: passes (counted from 1) before which to index within the job, each with a
    new touch-off. ``chance_if_kept``: chance of losing the edge in the job to wear without indexing first;
    ``chance_lost``: with the plan, chips included. ``splits_set``: the lead has to agree. ``problem``: why the job
    cannot be done on any edge within the limit, else "".
    """

    job: str
    index_before: bool
    stops: tuple[int, ...]
    use_before: float
    use_after: float
    chance_if_kept: float
    chance_lost: float
    reason: str
    splits_set: bool = False
    problem: str = ""


@dataclass(frozen=True)
class EdgePlan:
    """The edge's week on one machine. ``rule``: the age rule behind it. Chances are of losing an edge.

    ``chance_next``: present edge, next job as planned. ``chance_week_kept``: the present edge in the rest of the week,
    were it never indexed. ``chance_week``: any edge, with the plan. ``age``: wear path per material of the last edge.
    """

    steps: tuple[EdgeStep, ...]
    rule: AgeRule
    chance_next: float
    chance_week_kept: float
    chance_week: float
    indexes: int
    age: tuple[float, ...]

    @property
    def index_before(self) -> str | None:
        """Name of the first job before (or in) which to index, or None."""
        return next((s.job for s in self.steps if s.index_before or s.stops), None)

    @property
    def words(self) -> str:
        """The recommendation in one sentence."""
        first = next((s for s in self.steps if s.index_before or s.stops or s.problem), None)
        if first is None:
            return "no index needed for these jobs"
        if first.problem:
            return f"no edge lasts {first.job}: {first.problem}"
        where = f"before {first.job}" if first.index_before else f"within {first.job}, before pass {first.stops[0]}"
        return f"index {where}: {first.reason}"


def plan_edge(
    life: EdgeLife,
    age,
    jobs: Sequence[EdgeJob],
    planned_cost: float,
    failure_cost: float | None = None,
    chip_age: float = 0.0,
    may_split_sets: bool = False,
    mix=None,
    rule: AgeRule | None = None,
) -> EdgePlan:
    """Walk the jobs in order and say before which to index.

    ``age`` (materials,): wear path of the present edge, mm; all 0 = unused. ``failure_cost``: typical price of a
    spoiled face for the long-run rate, mean of the jobs' when None. ``mix`` as in `age_rule`, that of the jobs when
    None. ``rule``: the age rule where it is known already. An unused edge is never indexed; a job too long for one edge
    gets index stops between its passes.
    """
    walk = _Walk(life, planned_cost, jobs, failure_cost, mix, rule)
    before = finite_array("age", np.atleast_1d(age), (walk.materials,))
    if (before < 0).any():
        raise InputError("age", age, "wear of 0 or more")
    present, chips = before, not_negative("chip_age", chip_age)
    steps: list[EdgeStep] = []
    for i, job in enumerate(jobs):
        ahead = [] if may_split_sets or not job.set_name else _rest_of_set(jobs, i)
        first_of_set = i == 0 or jobs[i - 1].set_name != job.set_name
        force = ""
        due_inside = len(ahead) > 1 and first_of_set and present.any() and walk.breaks(present, ahead)
        if due_inside and not walk.breaks(np.zeros_like(present), ahead):
            force = f"set {job.set_name} stays on one edge"
        step, present, chips = walk.step(jobs[i:], present, chips, force)
        inside = step.stops or (step.index_before and not first_of_set)
        if job.set_name and inside and not may_split_sets:
            reason = f"{step.reason}; splits set {job.set_name}, the lead has to agree"
            step = replace(step, splits_set=True, reason=reason)
        steps.append(step)
    total = np.sum([j.work for j in jobs], axis=0) if jobs else np.zeros_like(before)
    chip_total = float(sum(j.chip_path for j in jobs))
    return EdgePlan(
        steps=tuple(steps),
        rule=walk.rule,
        chance_next=steps[0].chance_lost if steps else 0.0,
        chance_week_kept=float(life.chance_lost(before, total, chip_age, chip_total)),
        chance_week=1.0 - math.prod(1.0 - s.chance_lost for s in steps),
        indexes=sum(s.index_before + len(s.stops) for s in steps),
        age=tuple(float(v) for v in present),
    )


def order_for_edge(ra_limits_um, harsh) -> np.ndarray:
    """Order of jobs along one edge's life: finest finish first, welds and dirty roughing last; ties as given.

    ``ra_limits_um`` (n,): upper end of each job's roughness band (inf for roughing only). ``harsh`` (n,): weld,
    corroded or cast skin. Returns indices (n,).
    """
    limits = np.asarray(ra_limits_um, dtype=float)
    dirty = np.asarray(harsh, dtype=bool)
    if limits.ndim != 1 or np.isnan(limits).any() or (limits <= 0).any():
        raise InputError("ra_limits_um", ra_limits_um, "a roughness limit above 0 per job")
    if dirty.shape != limits.shape:
        raise InputError("harsh", harsh, f"True or False for each of the {limits.size} jobs")
    return np.lexsort((limits, dirty))


class _Walk:
    """What stays the same along one walk: the life, the prices, the rule."""

    def __init__(self, life: EdgeLife, planned_cost: float, jobs: Sequence[EdgeJob], failure_cost, mix, rule) -> None:
        self.life = life
        self.materials = life.measure.materials
        self.planned = positive("planned_cost", planned_cost)
        for job in jobs:
            if len(job.work) != self.materials:
                raise InputError("job.work", job.work, f"a path for each of the {self.materials} materials")
            if job.failure_cost <= self.planned:
                raise InputError("job.failure_cost", job.failure_cost, f"more than the planned index, {self.planned:g}")
        if failure_cost is None:
            failure_cost = float(np.mean([j.failure_cost for j in jobs])) if jobs else 2 * self.planned
        if mix is None and jobs:
            brought = np.sum([j.work for j in jobs], axis=0) / life.measure.capacities
            mix = brought if brought.sum() > 0 else None
        self.rule = age_rule(life, self.planned, failure_cost, mix) if rule is None else rule
        self._known: dict[tuple[bytes, bytes], tuple[float, float, float]] = {}

    def wants_index(self, queue: Sequence[EdgeJob], age: np.ndarray) -> str:
        """Why an edge of this age should be indexed before the first job of the queue; "" when it should not."""
        if not age.any():
            return ""
        ahead = queue[:JOBS_AHEAD]
        works = np.array([job.work for job in ahead])
        starts = age + np.concatenate([np.zeros((1, age.size)), np.cumsum(works, axis=0)])
        before, integral, after = self._looked_up(starts[:-1], works)
        alive = np.append(before, after[-1])
        chance = 1.0 if alive[0] <= 0 else float((alive[0] - alive[1]) / alive[0])
        if chance > ahead[0].risk_limit:
            return f"{_percent(chance)} chance to lose the edge in it, limit {_percent(ahead[0].risk_limit)}"
        prices, limits = [job.failure_cost for job in ahead], [job.risk_limit for job in ahead]
        if index_pays(alive, integral, self.planned, prices, self.rule.cost_rate, limits):
            return f"{_percent(chance)} chance to spoil the face costs more than the edge has left to give"
        return ""

    def _looked_up(self, starts: np.ndarray, works: np.ndarray) -> np.ndarray:
        """R before, integral of R over, and R after each job begun at its start; rows as returned (3, n).

        The same jobs are met from the same ages again and again along the walk: they are worked out once.
        """
        keys = [(s.astype(np.float32).tobytes(), w.tobytes()) for s, w in zip(starts, works, strict=True)]
        new = [i for i, key in enumerate(keys) if key not in self._known]
        if new:
            nodes = np.concatenate([[0.0], _NODES, [1.0]])
            points = starts[new][:, None, :] + nodes[:, None] * works[new][:, None, :]
            alive = np.asarray(self.life.wear_survival(points))
            sizes = works[new] @ (1.0 / self.life.measure.capacities)
            integral = sizes * (alive[:, 1:-1] @ _NODE_WEIGHTS)
            for i, found in zip(new, zip(alive[:, 0], integral, alive[:, -1], strict=True), strict=True):
                self._known[keys[i]] = found
        return np.array([self._known[key] for key in keys]).T

    def breaks(self, age: np.ndarray, jobs: Sequence[EdgeJob]) -> bool:
        """Whether an index falls inside this run of jobs begun at this age (before any but the first, or in one)."""
        present = age
        for i, job in enumerate(jobs):
            if self.wants_index(jobs[i:], present):
                if i:
                    return True
                present = np.zeros_like(present)
            if self.life.wear_chance(present, job.work) > job.risk_limit:
                return True
            present = present + np.asarray(job.work)
        return False

    def stops(self, job: EdgeJob, age: np.ndarray) -> tuple[tuple[int, ...], np.ndarray, float, str]:
        """Index stops within a job begun at this age: (passes, age after, chance that no edge is lost, problem)."""
        found: list[int] = []
        start, present, survive, problem = age, age, 1.0, ""
        for number, share in enumerate(job.pass_shares, start=1):
            part = share * np.asarray(job.work)
            if present.any() and self.life.wear_chance(start, present - start + part) > job.risk_limit:
                survive *= 1.0 - float(self.life.wear_chance(start, present - start))
                if number > 1:
                    found.append(number)
                else:
                    return (0,), present, survive, ""  # the present edge cannot even begin
                start = present = np.zeros_like(present)
            if not present.any():
                alone = float(self.life.wear_chance(present, part))
                if alone > job.risk_limit:
                    problem = (
                        f"pass {number} alone has a {_percent(alone)} chance to lose a fresh edge, "
                        f"limit {_percent(job.risk_limit)}"
                    )
            present = present + part
        survive *= 1.0 - float(self.life.wear_chance(start, present - start))
        return tuple(found), present, survive, problem

    def step(
        self, queue: Sequence[EdgeJob], age: np.ndarray, chip_age: float, force: str
    ) -> tuple[EdgeStep, np.ndarray, float]:
        """The first job of the queue as planned; the age and weighted chip path of the edge after it."""
        job = queue[0]
        work = np.asarray(job.work)
        if_kept = float(self.life.wear_chance(age, work))
        fresh = np.zeros_like(age)
        reason = force or self.wants_index(queue, age)
        stops: tuple[int, ...] = ()
        problem = ""
        too_long = float(self.life.wear_chance(fresh, work)) > job.risk_limit
        if too_long:
            on_fresh = self.stops(job, fresh)
            on_present = self.stops(job, age) if age.any() else on_fresh
            front = age.any() and (on_present[0] == (0,) or bool(force) or 1 + len(on_fresh[0]) <= len(on_present[0]))
            stops, after, survive, problem = on_fresh if front else on_present
            index_before = bool(front)
            reason = "too long for one edge within the limit"
        else:
            index_before = bool(reason)
            start = fresh if index_before else age
            after = start + work
            survive = 1.0 - float(self.life.wear_chance(start, work))
        began = fresh if index_before else age
        chips_before = 0.0 if index_before else chip_age
        chip = float(self.life.chip_chance(chips_before, job.chip_path))
        done = 1.0 if not stops else sum(job.pass_shares[stops[-1] - 1 :])
        chips_after = done * job.chip_path + (0.0 if stops else chips_before)
        step = EdgeStep(
            job=job.name,
            index_before=index_before,
            stops=stops,
            use_before=float(self.life.spent(began)),
            use_after=float(self.life.spent(after)),
            chance_if_kept=if_kept,
            chance_lost=1.0 - survive * (1.0 - chip),
            reason=reason if index_before or stops else "",
            problem=problem,
        )
        return step, after, chips_after


def _rest_of_set(jobs: Sequence[EdgeJob], i: int) -> list[EdgeJob]:
    out = []
    for job in jobs[i:]:
        if job.set_name != jobs[i].set_name:
            break
        out.append(job)
    return out


def _percent(chance: float) -> str:
    return f"{100 * chance:.0f} %" if chance >= 0.0095 else f"{100 * chance:.1f} %"
