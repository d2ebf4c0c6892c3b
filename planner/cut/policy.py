"""The optimal looking schedule, solved backward: how deep the next pass is, at which feed, or whether to stop.

With D the clean-up depth, d the depth reached and not clean, S = P(D > d+p | D > d):

    V(d) = min { rough:  c(p)   + S V(d+p) + v E[(d+p-D)+ | D>d] + (1-S)(c_f + v f),
                 finish: c_f(p) + S V(d+p) + v E[(d+p-D)+ | D>d],
                 stop:   K }

p a multiple of the step. With one feed, no limit and exponential D the best p is constant and solves
exp(λp) - 1 - λp = λ c / v: the optimal inspection interval of Barlow & Proschan, Mathematical Theory of Reliability
(1965). The state also carries the depth of the pass before, so that a change of depth can be made to cost something.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from planner.cut.depths import frozen
from planner.errors import GREATEST, InputError, finite, not_negative, numbers, positive

CELL_MM = 0.00254
"""Widest cell of the grid on which a policy is solved: 0.0001 in."""

_TAIL = 1e-9
_MOST_STEPS = 20_000
_MOST_CHOICES = 10_000_000
_STILL_MUCH = 1e-3
_SLACK_MM = 1e-9

Cost = float | Callable[[np.ndarray], np.ndarray]

ROUGH, FINISH, STOP = "rough", "finish", "stop"


@dataclass(frozen=True)
class PassProblem:
    """What a pass policy is solved for; lengths mm, money in the shop's currency.

    ``depth``: frozen distribution of the clean-up depth. ``pass_cost``, ``finish_cost``: a number, or a function of the
    pass depths (array in, array out, or one by one); ``finish_cost`` None = as ``pass_cost``. ``finish_mm`` 0: one feed
    only. With two feeds, ``finish_greatest_mm`` (None = ``greatest_mm``) is the deepest pass at finishing feed.
    ``limit_mm``: deepest allowed depth, finishing pass included. ``uncleaned_cost``: cost of a part that is left not
    clean; None = stopping before the limit is no option, and reaching it costs nothing further. ``change_cost``: what a
    change of depth from one pass to the next has to be worth.
    """

    depth: Any
    pass_cost: Cost
    value_per_mm: float
    least_mm: float
    greatest_mm: float
    step_mm: float
    removed_mm: float = 0.0
    finish_mm: float = 0.0
    finish_cost: Cost | None = None
    limit_mm: float = math.inf
    uncleaned_cost: float | None = None
    finish_greatest_mm: float | None = None
    change_cost: float = 0.0

    def __post_init__(self) -> None:
        frozen("depth", self.depth)
        checks = {
            "value_per_mm": not_negative,
            "step_mm": positive,
            "least_mm": positive,
            "greatest_mm": positive,
            "removed_mm": not_negative,
            "finish_mm": not_negative,
            "change_cost": not_negative,
            "uncleaned_cost": not_negative,
            "finish_greatest_mm": positive,
        }
        for name, check in checks.items():
            given = getattr(self, name)
            if given is not None or name not in ("uncleaned_cost", "finish_greatest_mm"):
                object.__setattr__(self, name, check(name, given))  # a plain float, whatever kind of number came
        step, least, greatest = self.step_mm, self.least_mm, self.greatest_mm
        if greatest < least:
            raise InputError("greatest_mm", greatest, f"at least least_mm = {least:g}")
        if not (isinstance(self.limit_mm, float) and self.limit_mm == math.inf):
            object.__setattr__(self, "limit_mm", finite("limit_mm", self.limit_mm))
        if greatest / step > _MOST_STEPS:
            raise InputError("step_mm", self.step_mm, f"at least a {_MOST_STEPS}th of greatest_mm = {greatest:g}")
        if not steps_between(least, greatest, step).size:
            raise InputError(
                "step_mm",
                self.step_mm,
                f"a step with a multiple between least_mm = {least:g} and greatest_mm = {greatest:g}",
            )
        if self.finish_greatest_mm is not None and self.finish_greatest_mm < least:
            raise InputError("finish_greatest_mm", self.finish_greatest_mm, f"at least least_mm = {least:g}")
        with np.errstate(over="ignore"):
            left = float(self.depth.sf(self.removed_mm))
        if not left > 1e-250:
            raise InputError("removed_mm", self.removed_mm, "a depth at which the face may still be not clean")
        for name in ("pass_cost", "finish_cost"):
            if getattr(self, name) is not None:
                cost_at(name, getattr(self, name), np.array([least]))

    @property
    def two_feeds(self) -> bool:
        return self.finish_mm > 0


def steps_between(least_mm: float, greatest_mm: float, step_mm: float) -> np.ndarray:
    """Whole multiples of the step from least to greatest [mm], as counts of steps."""
    first = max(1, math.ceil(least_mm / step_mm - 1e-9))
    return np.arange(first, math.floor(greatest_mm / step_mm + 1e-9) + 1)


def _told(cost: Callable, depths_mm: np.ndarray):
    """What a function says of these depths, asked one by one where it is made for one at a time."""
    try:
        return cost(depths_mm)
    except (TypeError, ValueError):
        return np.array([cost(float(depth)) for depth in depths_mm])


def cost_at(field_name: str, cost: Cost, depths_mm: np.ndarray) -> np.ndarray:
    """The cost of passes of these depths [mm], shape (n,); raises `InputError` unless finite and not negative."""
    wanted = "a finite cost of 0 or more, or a function that gives one for each pass depth"
    told = cost
    if callable(cost):
        try:
            told = _told(cost, depths_mm)
        except TypeError as wrong:
            # a function of nothing, or of something else
            raise InputError(field_name, cost, f"{wanted} ({wrong})") from wrong
    values = numbers(field_name, told, wanted)
    shapes = ((), depths_mm.shape) if callable(cost) else ((),)
    if values.shape not in shapes or not ((values >= 0) & (values <= GREATEST)).all():
        raise InputError(field_name, told, wanted)
    return np.broadcast_to(values, depths_mm.shape)


@dataclass(frozen=True)
class Policy:
    """A solved policy: for every depth on the grid the next pass and its feed, and what is still to be expected.

    Grid point i lies at ``start_mm + i cell_mm``. ``value_first`` and ``action_first`` (n,) hold the state without a
    pass before, ``action`` (n, pass depths) the state by the depth of the pass before. An action is the index into
    ``pass_mm``, plus its length at finishing feed, or -1 to stop.
    """

    problem: PassProblem
    cell_mm: float
    pass_mm: np.ndarray
    value_first: np.ndarray
    action_first: np.ndarray
    action: np.ndarray
    cost_if_cut: float
    start_mm: float

    def value_at(self, removed_mm: float) -> float:
        """Cost still to be expected at this depth, not clean; beyond the grid that of its last point."""
        return float(self.value_first[self._place(removed_mm)])

    def next_pass(self, removed_mm: float, before_mm: float | None = None) -> tuple[float, str]:
        """Depth [mm] and feed ("rough", "finish", "stop") of the next pass at this depth, not clean.

        ``before_mm`` is the depth of the pass before, where a change of depth costs something. Never leads past the
        limit: (0.0, "stop") where no pass fits.
        """
        place, removed = self._place(removed_mm), float(removed_mm)
        code = int(self.action_first[place])
        if before_mm is not None and self.problem.change_cost > 0:
            same = np.flatnonzero(np.abs(self.pass_mm - before_mm) < 0.5 * self.problem.step_mm)
            if same.size:
                code = int(self.action[place, same[0]])
        if code < 0:
            return 0.0, STOP
        which, feed = code % len(self.pass_mm), FINISH if code >= len(self.pass_mm) else ROUGH
        room = self.problem.limit_mm - removed
        if feed == ROUGH and self.problem.two_feeds:
            room -= self.problem.finish_mm
        if self.pass_mm[which] > room + _SLACK_MM:
            # the true depth lies within half a cell of the grid's, on the wrong side of what still fits
            fitting = np.flatnonzero(self.pass_mm <= room + _SLACK_MM)
            if not fitting.size:
                return 0.0, STOP
            which = int(fitting[-1])
        return float(self.pass_mm[which]), feed if self.problem.two_feeds else FINISH

    def _place(self, removed_mm: float) -> int:
        removed = finite("removed_mm", removed_mm)
        if removed < self.start_mm - _SLACK_MM:
            raise InputError("removed_mm", removed_mm, f"at least the depth planned from, {self.start_mm:g}")
        return min(round((removed - self.start_mm) / self.cell_mm), len(self.action_first) - 1)


def solve(problem: PassProblem) -> Policy:
    """Solve backward on a grid of at most 0.0001 in; all states of one step at once, for every pass depth and feed."""
    cells = max(1, math.ceil(problem.step_mm / CELL_MM - 1e-9))
    cell = problem.step_mm / cells
    start, limit = float(problem.removed_mm), float(problem.limit_mm)
    counts = steps_between(problem.least_mm, problem.greatest_mm, problem.step_mm)
    passes = counts * problem.step_mm
    jump = counts * cells
    longest = int(jump[-1])
    steps = _steps_ahead(problem, start, limit)
    last = steps * cells  # deepest state that is solved
    choices = (last + 1 + longest) * len(passes)
    if choices > _MOST_CHOICES:
        wanted = problem.step_mm * math.sqrt(choices / _MOST_CHOICES)
        raise InputError("step_mm", problem.step_mm, f"a coarser step, from about {wanted:.2g}")
    survive, area = _survival(problem.depth, start, cell, last + longest)

    value_per_mm = float(problem.value_per_mm)
    finish_cost = problem.pass_cost if problem.finish_cost is None or not problem.two_feeds else problem.finish_cost
    rough = cost_at("pass_cost", problem.pass_cost, passes)
    fine = cost_at("finish_cost", finish_cost, passes)
    after = 0.0
    if problem.two_feeds:
        after = float(cost_at("finish_cost", finish_cost, np.array([problem.finish_mm]))[0])
        after += value_per_mm * problem.finish_mm
    fine_most = problem.greatest_mm if problem.finish_greatest_mm is None else problem.finish_greatest_mm
    stop = math.inf if problem.uncleaned_cost is None else float(problem.uncleaned_cost)
    at_limit = 0.0 if problem.uncleaned_cost is None else stop
    bounded = math.isfinite(limit)
    to_limit = bounded and limit < start + (steps + 1) * problem.step_mm * (1 - 1e-9)

    # value[i, q] while not clean at grid point i after a pass of depth q; beyond the last point: the rule of the end
    value = np.empty((last + 1 + longest, len(passes)))
    value[last + 1 :] = (
        at_limit if to_limit else _far_value(problem, survive, area, last, passes, jump, rough, fine, after, stop)
    )
    first = np.full(last + 1, at_limit)
    act_first = np.full(last + 1, -1, dtype=np.int32)
    act = np.full((last + 1, len(passes)), -1, dtype=np.int32)
    cost_if_cut = at_limit
    every = np.arange(len(passes))

    for high in range(last, -1, -cells):
        low = max(0, high - cells + 1)
        here = np.arange(low, high + 1)
        there = here[:, None] + jump
        alive = survive[here][:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            on = np.where(alive > 0, survive[there] / alive, 0.0)
            over = np.where(alive > 0, passes - (area[here][:, None] - area[there]) / alive, 0.0)
        ahead = on * value[there, every] + value_per_mm * np.maximum(over, 0.0)
        wear = fine + ahead
        reach = start + here[:, None] * cell + passes
        if bounded:
            wear = np.where(reach <= limit + _SLACK_MM, wear, np.inf)
        wear = np.where(passes <= fine_most + _SLACK_MM, wear, np.inf) if problem.two_feeds else wear
        if problem.two_feeds:
            search = rough + ahead + (1.0 - on) * after
            if bounded:
                search = np.where(reach <= limit - problem.finish_mm + _SLACK_MM, search, np.inf)
            keep = search < wear
            take, feed = np.where(keep, search, wear), np.where(keep, every, every + len(passes))
        else:
            take, feed = wear, np.broadcast_to(every + len(passes), wear.shape)
        best = take.argmin(axis=1)
        row = np.arange(len(here))
        best_cost, best_code = take[row, best], feed[row, best]
        none = ~np.isfinite(best_cost)  # no pass fits above the limit
        cut = np.where(none, at_limit, best_cost)
        halt = none | (stop < cut)
        first[low : high + 1] = np.where(halt, np.where(none, at_limit, stop), cut)
        act_first[low : high + 1] = np.where(halt, -1, best_code)
        changed = cut + problem.change_cost
        stay = take <= changed[:, None]
        onward = np.where(stay, take, changed[:, None])
        halt_q = none[:, None] | (stop < onward)
        value[low : high + 1] = np.where(halt_q, np.where(none, at_limit, min(stop, np.inf))[:, None], onward)
        act[low : high + 1] = np.where(halt_q, -1, np.where(stay, feed, best_code[:, None]))
        if low == 0:
            cost_if_cut = float(cut[0])
    return Policy(problem, cell, passes, first, act_first, act, cost_if_cut, start)


def _steps_ahead(problem: PassProblem, start: float, limit: float) -> int:
    """Steps of depth to solve: to the limit, or to where hardly a part in 1e9 is still not clean."""
    room = (limit - start) / problem.step_mm + 1e-9
    alive = float(problem.depth.sf(start))

    def left(steps: int) -> float:
        return float(problem.depth.sf(start + steps * problem.step_mm)) / alive

    if room <= 0 or (room <= _MOST_STEPS and left(math.floor(room)) > _TAIL):
        return max(0, math.floor(room))
    most = math.floor(min(room, _MOST_STEPS))
    if room > most and left(most) > _STILL_MUCH:
        raise InputError("step_mm", problem.step_mm, f"a coarser step: {_MOST_STEPS} of them do not reach clean-up")
    low, high = 0, most
    while high - low > 1:
        middle = (low + high) // 2
        if left(middle) > _TAIL:
            low = middle
        else:
            high = middle
    return high


def _survival(depth: Any, start: float, cell: float, count: int) -> tuple[np.ndarray, np.ndarray]:
    """sf at the grid points, and the integral of sf from each to the last (Simpson, summed from the far end)."""
    halves = start + np.arange(2 * count + 1) * (cell / 2)
    sf = np.asarray(depth.sf(halves), dtype=float)
    piece = (sf[:-2:2] + 4 * sf[1::2] + sf[2::2]) * (cell / 6)
    area = np.concatenate([np.cumsum(piece[::-1])[::-1], [0.0]])
    return sf[::2], area


def _far_value(problem, survive, area, last, passes, jump, rough, fine, after, stop) -> float:
    """Value beyond the last grid point of an unlimited problem: the best constant pass under the hazard found there.

    Reached by less than one part in 1e9, so only its order matters.
    """
    if survive[last] <= 0:
        return 0.0
    on = np.clip(survive[last + jump] / survive[last], 0.0, 1.0 - 1e-12)
    over = np.maximum(passes - (area[last] - area[last + jump]) / survive[last], 0.0)
    cost = fine + problem.value_per_mm * over
    if problem.two_feeds:
        cost = np.minimum(cost, rough + problem.value_per_mm * over + (1 - on) * after)
    return float(min((cost / (1 - on)).min(), stop))
