"""The pass plan of one face: depths while not clean, feeds, what to expect, and the next pass from any depth."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from planner.cut.policy import FINISH, ROUGH, STOP, Cost, PassProblem, Policy, solve
from planner.cut.schedule import ScheduleCost, schedule_cost

_TAIL = 1e-9


@dataclass(frozen=True, eq=False)
class PassPlan:
    """Passes to take while the face is not clean, looking after each.

    ``depths_mm`` (n,) increments, without the kiss pass; ``feeds`` (n,) "rough" or "finish": after a rough pass that
    shows clean the finishing pass follows, after one at finishing feed the job is done. With one feed all are "finish".
    The list ends at the limit, or where hardly a part in 1e9 is still not clean.
    ``chance_uncleaned``: chance that the list ends before the face is clean. ``cost_if_cut`` is the expected cost of
    beginning, whatever leaving the part would cost; ``worth_cutting`` compares the two.
    """

    depths_mm: np.ndarray
    feeds: tuple[str, ...]
    expected_cost: float
    expected_passes: float
    expected_over_mm: float
    chance_uncleaned: float
    cost_if_cut: float
    worth_cutting: bool
    schedule: ScheduleCost
    policy: Policy

    @property
    def totals_mm(self) -> np.ndarray:
        """Depth [mm] below first contact after each pass, shape (n,)."""
        return self.policy.problem.removed_mm + np.cumsum(self.depths_mm)

    def next_pass(self, removed_mm: float, before_mm: float | None = None) -> float:
        """Depth [mm] of the next pass at this depth, not clean; 0 = stop and call. ``before_mm``: the pass before."""
        return self.policy.next_pass(removed_mm, before_mm)[0]

    def stop_depth_mm(self, chance: float) -> float:
        """Stop depth [mm] that holds with this chance, finishing pass included: 0.5 "likely", 0.8 "allow"."""
        return self.schedule.stop_depth_mm(chance)


def plan_passes(
    depth: Any,
    pass_cost: Cost,
    value_per_mm: float,
    least_mm: float,
    greatest_mm: float,
    step_mm: float,
    removed_mm: float = 0.0,
    finish_mm: float = 0.0,
    finish_cost: Cost | None = None,
    limit_mm: float = math.inf,
    uncleaned_cost: float | None = None,
) -> PassPlan:
    """The optimal passes for a clean-up depth that is a frozen `scipy.stats` distribution in mm.

    ``pass_cost``: cost of a pass with its look (a number, or a function of pass depths in mm); ``value_per_mm``: value
    of a millimetre of thickness; ``least_mm``, ``greatest_mm``, ``step_mm``: pass depths are the multiples of the step
    between. ``removed_mm``: depth already cut and seen not clean. ``finish_mm``: depth of the finishing pass, 0 = one
    feed (``finish_cost`` is then not used). ``limit_mm``: deepest allowed depth, finishing pass included.
    ``uncleaned_cost``: cost of a part left not clean; None = stopping early is no option, and parts that reach the
    limit cost nothing further. Raises `InputError` for wrong input. Model and source: see `planner.cut.policy`.

    >>> import scipy.stats
    >>> plan = plan_passes(scipy.stats.expon(scale=0.05), 2.0, 150.0, 0.01, 0.3, 0.01)
    >>> plan.depths_mm[:3].tolist(), round(plan.expected_passes, 2), plan.next_pass(0.06)
    ([0.03, 0.03, 0.03], 2.22, 0.03)
    """
    return plan_policy(
        PassProblem(
            depth,
            pass_cost,
            value_per_mm,
            least_mm,
            greatest_mm,
            step_mm,
            removed_mm,
            finish_mm,
            finish_cost,
            limit_mm,
            uncleaned_cost,
        )
    )


def plan_policy(problem: PassProblem) -> PassPlan:
    """The optimal passes for a problem; with a ``change_cost`` those whose changes of depth are worth it.

    The expectations are those of the passes listed; a change of depth is not charged in them.
    """
    policy = solve(problem)
    depths, feeds = _follow(policy)
    schedule = schedule_cost(
        problem.depth,
        depths,
        problem.pass_cost,
        problem.value_per_mm,
        problem.removed_mm,
        feeds=feeds,
        finish_mm=problem.finish_mm,
        finish_cost=problem.finish_cost if problem.two_feeds else None,
        uncleaned_cost=policy.value_at(problem.removed_mm + math.fsum(depths)),
    )
    return PassPlan(
        depths,
        feeds,
        schedule.expected_cost,
        schedule.expected_passes,
        schedule.expected_over_mm,
        schedule.chance_uncleaned,
        policy.cost_if_cut,
        bool(len(depths)),
        schedule,
        policy,
    )


def keep_simple(plan: PassPlan, change_cost: float) -> PassPlan:
    """The plan with changes of depth only where each is worth more than ``change_cost`` (see `worth_a_change`).

    Solved anew with every change of depth charged: the simplest schedule follows by itself, under the same limits.
    """
    return plan_policy(replace(plan.policy.problem, change_cost=change_cost))


def _follow(policy: Policy) -> tuple[np.ndarray, tuple[str, ...]]:
    problem = policy.problem
    far = float(problem.depth.sf(problem.removed_mm)) * _TAIL
    last_mm = problem.removed_mm + (len(policy.action_first) - 1) * policy.cell_mm
    depths: list[float] = []
    feeds: list[str] = []
    reached, before = problem.removed_mm, None
    while len(depths) < len(policy.action_first):
        if not float(problem.depth.sf(reached)) > far or (reached >= last_mm and reached < problem.limit_mm):
            break
        one, feed = policy.next_pass(reached, before)
        if feed == STOP:
            break
        depths.append(one)
        feeds.append(feed)
        reached, before = problem.removed_mm + math.fsum(depths), one
    return np.array(depths), tuple(feeds)


__all__ = ["FINISH", "ROUGH", "STOP", "PassPlan", "PassProblem", "keep_simple", "plan_passes", "plan_policy"]
