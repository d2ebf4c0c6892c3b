"""What a given schedule of passes can be expected to cost, where it stops, and how it compares with a fixed rule."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from planner.cut.depths import frozen
from planner.cut.policy import FINISH, ROUGH, Cost, PassProblem, cost_at
from planner.errors import InputError, between, finite, finite_array, not_negative, positive

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_TAIL = 1e-9


@dataclass(frozen=True, eq=False)
class ScheduleCost:
    """Expectations of one schedule, per part not yet clean at the start.

    ``expected_passes`` counts every traverse, finishing passes too (``expected_finish_passes`` of them at finishing
    feed); ``expected_over_mm`` is stop depth less clean-up depth of parts that come clean, finishing pass included.
    ``stop_depths_mm`` (n,) and ``stop_chances`` (n,) are the depths at which a part may stop, deepest last, parts left
    not clean (``chance_uncleaned``) included.
    """

    expected_cost: float
    expected_passes: float
    expected_finish_passes: float
    expected_over_mm: float
    chance_uncleaned: float
    stop_depths_mm: np.ndarray
    stop_chances: np.ndarray

    def stop_depth_mm(self, chance: float) -> float:
        """Depth [mm] that holds with this chance: 0.5 is "likely", 0.8 "allow"."""
        wanted = between("chance", chance, 0.0, 1.0)
        total = np.cumsum(self.stop_chances)
        return float(self.stop_depths_mm[min(np.searchsorted(total, wanted - 1e-12), len(total) - 1)])


def schedule_cost(
    depth: Any,
    depths_mm: Sequence[float] | np.ndarray,
    pass_cost: Cost,
    value_per_mm: float,
    removed_mm: float = 0.0,
    *,
    feeds: Sequence[str] | None = None,
    finish_mm: float = 0.0,
    finish_cost: Cost | None = None,
    uncleaned_cost: float = 0.0,
) -> ScheduleCost:
    """Expected cost of taking passes ``depths_mm`` (n,) one after the other, looking after each, till clean.

    ``feeds`` (n,) are "rough" or "finish": a pass at finishing feed that shows clean ends the job, after a rough one a
    finishing pass of ``finish_mm`` follows. None: all rough where there is a finishing pass, else all "finish".
    Integrals of the survival function by 48-point Gauss-Legendre over each pass.
    """
    frozen("depth", depth)
    steps = finite_array("depths_mm", depths_mm, (None,))
    if (steps <= 0).any():
        raise InputError("depths_mm", float(steps.min()), "depths above 0")
    value = not_negative("value_per_mm", value_per_mm)
    after_mm = not_negative("finish_mm", finish_mm)
    start = not_negative("removed_mm", removed_mm)
    uncleaned = not_negative("uncleaned_cost", uncleaned_cost)
    if feeds is None:
        feeds = [ROUGH if after_mm > 0 else FINISH] * len(steps)
    if len(feeds) != len(steps) or any(feed not in (ROUGH, FINISH) for feed in feeds):
        raise InputError("feeds", feeds, f'{len(steps)} entries, each "rough" or "finish"')
    rough = np.array([feed == ROUGH for feed in feeds], dtype=bool)
    fine = pass_cost if finish_cost is None else finish_cost
    cost = np.where(rough, cost_at("pass_cost", pass_cost, steps), cost_at("finish_cost", fine, steps))
    finishing = float(cost_at("finish_cost", fine, np.array([after_mm]))[0]) if rough.any() and after_mm > 0 else 0.0

    reached = start + np.concatenate([[0.0], np.cumsum(steps)])
    survive = np.asarray(depth.sf(reached), dtype=float)
    if not survive[0] > 1e-250:
        raise InputError("removed_mm", removed_mm, "a depth at which the face may still be not clean")
    area = _survival_area(depth, reached)
    over = np.maximum(steps * survive[:-1] - area, 0.0) / survive[0]
    left = survive / survive[0]
    clean = left[:-1] - left[1:]
    with_finish = np.where(rough & (after_mm > 0), clean, 0.0)

    over_mm = float(over.sum() + after_mm * with_finish.sum())
    passes = float(left[:-1].sum() + with_finish.sum())
    fine_passes = float(left[:-1][~rough].sum() + with_finish.sum())
    total = float(left[:-1] @ cost + finishing * with_finish.sum() + value * over_mm + uncleaned * left[-1])
    stops = np.append(reached[1:] + np.where(rough, after_mm, 0.0), reached[-1])
    chances = np.append(clean, left[-1])
    order = np.argsort(stops, kind="stable")
    return ScheduleCost(total, passes, fine_passes, over_mm, float(left[-1]), stops[order], chances[order])


def _survival_area(depth: Any, reached: np.ndarray) -> np.ndarray:
    """Integral of the survival function between depths (n,): (n - 1,). Where the distribution begins and ends its curve
    has a corner, so the integral is taken between those: before, every face is still not clean; beyond, none."""
    low, high = depth.support() if hasattr(depth, "support") else (-math.inf, math.inf)
    start, stop = (np.clip(ends, low, high) for ends in (reached[:-1], reached[1:]))
    places = start[:, None] + (stop - start)[:, None] * (_NODES + 1) / 2
    inside = (np.asarray(depth.sf(places), dtype=float) * _WEIGHTS).sum(axis=1) * (stop - start) / 2
    return inside + np.maximum(0.0, np.minimum(reached[1:], low) - reached[:-1])


@dataclass(frozen=True, eq=False)
class Comparison:
    """The plan against the shop's fixed rule, per part; positive figures are what the plan saves."""

    plan: ScheduleCost
    fixed: ScheduleCost
    plan_minutes: float
    fixed_minutes: float
    cost_saved: float
    over_saved_mm: float
    rebuilds_per_hundred: float
    as_good: bool
    """The fixed rule costs hardly more (less than the tolerance): say so."""

    @property
    def minutes_saved(self) -> float:
        return self.fixed_minutes - self.plan_minutes


def compare_with_fixed(
    problem: PassProblem,
    plan: ScheduleCost,
    fixed_mm: float | Sequence[float],
    *,
    pass_minutes: float,
    finish_minutes: float,
    rebuild_mm: float,
    tolerance_cost: float = 0.0,
) -> Comparison:
    """Compare a plan with the fixed rule a shop uses today.

    ``fixed_mm``: the depth [mm] of every pass, or of the first passes, the last of them repeated till clean or until no
    pass fits above the limit. Minutes are those of one rough pass and of one pass at finishing feed, look included
    (with one feed ``finish_minutes`` alone counts); ``rebuild_mm`` is the depth of a usual rebuild of this family.
    """
    rule = np.atleast_1d(np.asarray(fixed_mm, dtype=float))
    if rule.ndim != 1 or not rule.size or not (np.isfinite(rule) & (rule > 0)).all():
        raise InputError("fixed_mm", fixed_mm, "one or more depths above 0")
    rough, fine = positive("pass_minutes", pass_minutes), positive("finish_minutes", finish_minutes)
    rebuild = positive("rebuild_mm", rebuild_mm)
    passes: list[float] = []
    reached, most = problem.removed_mm, problem.limit_mm - problem.finish_mm
    alive = float(problem.depth.sf(reached)) * _TAIL
    while len(passes) < 5000 and float(problem.depth.sf(reached)) > alive:
        one = float(rule[min(len(passes), len(rule) - 1)])
        if reached + one > most + 1e-9:
            break
        passes.append(one)
        reached += one
    fixed = schedule_cost(
        problem.depth,
        passes,
        problem.pass_cost,
        problem.value_per_mm,
        problem.removed_mm,
        finish_mm=problem.finish_mm,
        finish_cost=problem.finish_cost if problem.two_feeds else None,
        uncleaned_cost=problem.uncleaned_cost or 0.0,
    )

    def minutes(cost: ScheduleCost) -> float:
        return (cost.expected_passes - cost.expected_finish_passes) * rough + cost.expected_finish_passes * fine

    saved = fixed.expected_cost - plan.expected_cost
    over = fixed.expected_over_mm - plan.expected_over_mm
    tolerance = not_negative("tolerance_cost", tolerance_cost)
    return Comparison(
        plan, fixed, minutes(plan), minutes(fixed), saved, over, 100 * over / rebuild, as_good=saved <= tolerance
    )


def value_of_thickness(replacement_price: float, usable_mm: float) -> float:
    """Value [money per mm] of a part's thickness: its replacement price over its usable stock [mm]."""
    return not_negative("replacement_price", replacement_price) / positive("usable_mm", usable_mm)


def money_per_rebuild(value_per_mm: float, rebuild_mm: float) -> float:
    """Value of one rebuild's thickness, in money."""
    return not_negative("value_per_mm", value_per_mm) * positive("rebuild_mm", rebuild_mm)


def worth_a_change(minute_cost: float, value_per_mm: float, minutes: float = 1.0, depth_mm: float = 0.00508) -> float:
    """What a change of pass depth has to be worth, in money: more than a minute and more than 0.2 thou of thickness.

    The smaller of the two, so that a simple schedule wastes neither.
    """
    time = not_negative("minute_cost", minute_cost) * not_negative("minutes", minutes)
    return min(time, not_negative("value_per_mm", value_per_mm) * not_negative("depth_mm", depth_mm))


@dataclass(frozen=True)
class TargetPasses:
    """Passes to a fixed target, in whole steps, the last at finishing depth; they sum to the target exactly."""

    steps: tuple[int, ...]
    step_mm: float
    target_mm: float

    @property
    def depths_mm(self) -> tuple[float, ...]:
        return tuple(count * self.step_mm for count in self.steps)

    @property
    def totals_mm(self) -> tuple[float, ...]:
        """Depth [mm] reached after each pass, from the start of these passes."""
        return tuple(sum(self.steps[: i + 1]) * self.step_mm for i in range(len(self.steps)))


def target_passes(
    target_mm: float,
    least_mm: float,
    greatest_mm: float,
    step_mm: float,
    finish_mm: float = 0.0,
    *,
    limit_mm: float = math.inf,
    finish_greatest_mm: float | None = None,
) -> TargetPasses:
    """The fewest equal passes (equal to one step) to a fixed target [mm], the last at finishing depth.

    The target is first rounded to the step, deeper, unless that passes ``limit_mm``: then to the step above it. Both
    are counted from where the passes begin. Below least + finishing depth it is one finishing pass. ``finish_mm`` 0: no
    finishing pass. The finishing depth is rounded up to the step, and grows (to ``finish_greatest_mm``, default
    ``greatest_mm``) only where no equal rough passes would fit otherwise. Raises `InputError` for a target that cannot
    be reached with such passes.
    """
    target = positive("target_mm", target_mm)
    step = positive("step_mm", step_mm)
    least = max(1, math.ceil(positive("least_mm", least_mm) / step - 1e-9))
    greatest = math.floor(positive("greatest_mm", greatest_mm) / step + 1e-9)
    finish = math.ceil(not_negative("finish_mm", finish_mm) / step - 1e-9)
    if greatest < least:
        raise InputError("greatest_mm", greatest_mm, f"a depth with a whole step at or above least_mm = {least_mm:g}")
    finish_most = greatest if finish_greatest_mm is None else math.floor(finish_greatest_mm / step + 1e-9)
    if finish > finish_most:
        raise InputError("finish_mm", finish_mm, f"at most the greatest finishing pass, {finish_most * step:g}")
    if not (isinstance(limit_mm, float) and limit_mm == math.inf):
        limit_mm = finite("limit_mm", limit_mm)
    total = math.ceil(target / step - 1e-9)
    if total * step > limit_mm + 1e-9:
        total = math.floor(limit_mm / step + 1e-9)
    if total < least:
        raise InputError("target_mm", target_mm, f"at least the least pass, {least * step:g}, and not past the limit")
    if finish and total < least + finish:
        if total > max(finish_most, finish):
            raise InputError("target_mm", target_mm, f"within one finishing pass, {finish_most * step:g}")
        return TargetPasses((total,), step, total * step)
    for last in range(finish, finish_most + 1) if finish else (0,):
        rest = total - last
        count = math.ceil(rest / greatest)
        if count == 0 or rest >= count * least:
            rough = [rest // count + (i < rest % count) for i in range(count)]
            return TargetPasses((*rough, last) if last else tuple(rough), step, total * step)
    raise InputError(
        "target_mm", target_mm, f"a sum of passes from {least * step:g} to {greatest * step:g} and one finishing pass"
    )
