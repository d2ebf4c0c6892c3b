"""What an indexing rule costs over many weeks: the priced rule, the same within a risk limit, a fixed interval."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.edge.decision import index_age, index_pays, weibull_survival_integral
from planner.errors import InputError, between, finite_array, positive

Rule = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True, eq=False)
class RuleCost:
    """Totals per stream, summed over its jobs: ``cost``, ``indexes`` planned, ``failures``; shape (..., streams)."""

    cost: np.ndarray
    indexes: np.ndarray
    failures: np.ndarray


@dataclass(frozen=True)
class PolicyCosts:
    """Mean cost per week of each rule on the same weeks and the same edges."""

    priced: float
    within_limit: float
    best_fixed: float
    best_interval: float  # in units of the scale of life


def simulate_rule(lives, uses, failure_costs, planned_cost: float, rule: Rule) -> RuleCost:
    """Run a rule over streams of jobs.

    ``lives`` (streams, edges): life of each next edge; ``uses``, ``failure_costs`` (streams, jobs): edge use and price
    of a spoiled face of each job; all in units of the scale of life. ``rule(age, uses, failure_costs)`` says, per
    stream, whether to index before the next job, seeing this job and all that follow (streams, jobs left); ``age`` may
    have leading axes (candidates). An edge lost in a job is replaced and the rest of the job cut with the next one. An
    unused edge is never indexed.
    """
    life = finite_array("lives", lives, (None, None))
    work = finite_array("uses", uses, (life.shape[0], None))
    price = finite_array("failure_costs", failure_costs, work.shape)
    planned = positive("planned_cost", planned_cost)
    stream = np.arange(life.shape[0])
    trial = np.asarray(rule(np.zeros(life.shape[0]), work, price))
    age = np.zeros(np.broadcast_shapes(trial.shape, (life.shape[0],)))
    edge = np.zeros(age.shape, dtype=int)
    cost, indexes, failures = np.zeros(age.shape), np.zeros(age.shape, dtype=int), np.zeros(age.shape, dtype=int)
    for j in range(work.shape[1]):
        index = np.asarray(rule(age, work[:, j:], price[:, j:])) & (age > 0)
        indexes += index
        edge += index
        age = np.where(index, 0.0, age)
        left = np.broadcast_to(work[:, j], age.shape)
        while True:
            if edge.max() >= life.shape[1]:
                raise InputError("lives", life.shape[1], "more edges per stream")
            end = life[stream, edge]
            lost = age + left > end
            if not lost.any():
                break
            left = np.where(lost, left - (end - age), left)
            age = np.where(lost, 0.0, age)
            edge += lost
            failures += lost
            cost += lost * price[:, j]
        age = age + left
    return RuleCost(cost + planned * indexes, indexes, failures)


def priced_rule(
    shape: float, planned_cost: float, failure_cost: float, risk_limit: float = 1.0, ahead: int = 20
) -> Rule:
    """The rule of `planner.edge.decision` for a known Weibull shape, looking ``ahead`` jobs down the queue.

    ``failure_cost``: the long-run mean.
    """
    use = index_age(shape, 1.0, planned_cost, failure_cost)
    rate = (failure_cost - planned_cost) * shape * use ** (shape - 1) if np.isfinite(use) else np.inf
    limit = between("risk_limit", risk_limit, 0.0, 1.0)

    def rule(age: np.ndarray, uses: np.ndarray, prices: np.ndarray) -> np.ndarray:
        further = np.cumsum(uses[:, :ahead], axis=1)
        ages = age[..., None] + np.concatenate([np.zeros((uses.shape[0], 1)), further], axis=1)
        alive = np.exp(-(ages**shape))
        integral = np.diff(weibull_survival_integral(shape, ages), axis=-1)
        return index_pays(alive, integral, planned_cost, prices[:, :ahead], rate, limit)

    return rule


def fixed_interval(intervals) -> Rule:
    """Index before the job that would take the edge past a fixed use; several intervals are run side by side."""
    limit = np.atleast_1d(np.asarray(intervals, dtype=float))[:, None]

    def rule(age: np.ndarray, uses: np.ndarray, prices: np.ndarray) -> np.ndarray:
        return age + uses[:, 0] > limit

    return rule


def compare_rules(
    shape: float,
    uses,
    failure_costs,
    planned_cost: float,
    jobs_per_week: int,
    risk_limit: float = 0.05,
    seed: int = 0,
    intervals=None,
) -> PolicyCosts:
    """Cost per week of the priced rule, of the same within the risk limit, and of the best fixed interval found by
    search, on common jobs and common edges. ``uses``, ``failure_costs`` (streams, jobs).
    """
    work = finite_array("uses", uses, (None, None))
    price = finite_array("failure_costs", failure_costs, work.shape)
    if (work <= 0).any():
        raise InputError("uses", float(work.min()), "edge use above 0")
    k = positive("shape", shape)
    candidates = np.geomspace(0.03, 3.0, 120) if intervals is None else finite_array("intervals", intervals, (None,))
    weeks = work.size / positive("jobs_per_week", jobs_per_week)
    edges = work.shape[1] + int(4 * work.sum(axis=1).max()) + 20
    lives = np.random.default_rng(seed).weibull(k, (work.shape[0], edges))
    mean_price = float((price * work).sum() / work.sum())
    runs = [
        simulate_rule(lives, work, price, planned_cost, priced_rule(k, planned_cost, mean_price, limit))
        for limit in (1.0, risk_limit)
    ]
    fixed = simulate_rule(lives, work, price, planned_cost, fixed_interval(candidates)).cost.sum(axis=1)
    best = int(np.argmin(fixed))
    priced, within = (float(run.cost.sum()) / weeks for run in runs)
    return PolicyCosts(priced, within, float(fixed[best]) / weeks, float(candidates[best]))
