"""Which leaves to put under which support so that the face comes level to the travel, or parallel to its datum.

Lifting raises a reading, so leaves go under low places. The part is rigid: with the new stacks its face rises by
lift = plane through the new stacks less plane through the present ones. Every seat the part may take is predicted, and
the worst of them minimised, by an exact search: planes through three stacks in order of what they leave, until one can
be completed under the other supports.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import linprog
from scipy.spatial import HalfspaceIntersection

from planner.errors import InputError, finite, finite_array, not_negative
from planner.face.seats import CENTRE_EDGE, LEVEL_MM, Seating, seating
from planner.face.stacks import Box, open_box

_TIE_MM = 1e-9
_MOST_COMPLETIONS = 60_000


@dataclass(frozen=True, eq=False)
class ShimPlan:
    """stacks: per support {thickness_mm: count}, all that shall lie there (not what to add). heights_mm (m,).

    residual_mm: max reading less min (reading - pit), against the goal, in the worst seat; before_mm: the same now.
    predicted (n,): what the indicator will read in the worst seat. predictions (s, n): in every seat, worst first;
    seats: the supports of each. rock_mm: widest gap under the part in any seat. leaves_used: number of leaves.
    """

    stacks: tuple[dict[float, int], ...]
    heights_mm: np.ndarray
    residual_mm: float
    before_mm: float
    predicted: np.ndarray
    predictions: np.ndarray
    seats: tuple[tuple[int, int, int], ...]
    rock_mm: float
    leaves_used: int


def choose_shims(
    supports: object,
    check_points: object,
    readings: object,
    leaves: object,
    rock_mm: float = 0.0,
    zero: int | None = 0,
    pits: object = None,
    present: object = None,
    max_leaves: int = 3,
    goal_slopes: object = (0, 0),
    *,
    centre_of_gravity: object = None,
) -> ShimPlan:
    """Stacks that leave the least range of readings; then the fewest leaves; then the least height.

    supports (m, 2) mm, 3 to 8, not on one line; check_points (n, 2) mm; readings (n,) mm, true, positive where the
    surface stands high; leaves {thickness_mm: count}, all the leaves there are, those under the part included.
    rock_mm: widest gap allowed between the part and a stack in any seat (0: every stack carries). zero: index of the
    check point where the indicator is set to zero for the re-reading; None: dial left alone. pits (n,) mm. present:
    per support the stack the readings were taken on, {thickness_mm: count} or a height; None: none. goal_slopes: slopes
    the face shall end with, (0, 0) level to the travel, the datum's for parallel to the datum.
    At least one support stays empty. Raises `InputError`.
    """
    task = _Task.read(supports, check_points, readings, rock_mm, pits, present, goal_slopes, centre_of_gravity)
    n = len(task.readings)
    if zero is not None and (isinstance(zero, bool) or not isinstance(zero, (int, np.integer)) or not 0 <= zero < n):
        raise InputError("zero", zero, f"an index 0 to {n - 1}, or None")
    box = open_box(leaves, max_leaves)
    search = _Search(task, box)
    before = float(task.residuals(np.zeros((1, n)))[0])
    if present is not None:
        before = float(task.span(task.target[None, :] + 0.0)[0])
    indices, ways = search.best()
    heights = box.heights[indices]
    seats, lifts, worst = task.outcomes(heights)
    order = np.argsort(-worst, kind="stable")
    predictions = task.readings + lifts[order]
    if zero is not None:
        predictions = predictions - predictions[:, [zero]]
    _, gap = task.seating.seats(heights[None, :])
    taken = task.seating.seats(heights[None, :])[0][0]
    return ShimPlan(
        stacks=tuple({float(s): int(c) for s, c in zip(box.sizes, way, strict=True) if c} for way in ways),
        heights_mm=heights,
        residual_mm=float(worst.max()),
        before_mm=before,
        predicted=predictions[0],
        predictions=predictions,
        seats=tuple(seats[i] for i in order),
        rock_mm=float(max(0.0, gap[0, taken].max())),
        leaves_used=int(sum(map(sum, ways))),
    )


@dataclass(frozen=True, eq=False)
class _Task:
    """What is to be levelled: readings against the goal, on each of the planes the part may now be resting on."""

    seating: Seating
    places: np.ndarray
    readings: np.ndarray
    target: np.ndarray
    pits: np.ndarray
    bases: np.ndarray
    present: np.ndarray
    rock: float
    at: np.ndarray = field(repr=False)

    @classmethod
    def read(cls, supports, check_points, readings, rock_mm, pits, present, goal_slopes, centre_of_gravity) -> _Task:
        seats = seating(supports, centre_of_gravity)
        places = finite_array("check_points", check_points, (None, 2))
        if not len(places):
            raise InputError("check_points", check_points, "at least one check point")
        values = finite_array("readings", readings, (len(places),))
        depth = np.zeros(len(places)) if pits is None else finite_array("pits", pits, (len(places),))
        if (depth < 0).any():
            raise InputError("pits", pits, "0 (no pit) or a depth above 0")
        target = values - places @ finite_array("goal_slopes", goal_slopes, (2,))
        now = _present(present, len(seats.supports))
        at = seats.at(places)
        rests, _ = seats.seats(now[None, :])
        planes = np.einsum("kpj,kj->kp", at, now[seats.triples])[rests[0]]
        planes = np.unique(np.round(planes, 12), axis=0)
        bases = target - planes
        return cls(seats, places, values, target, depth, bases, planes, not_negative("rock_mm", rock_mm), at)

    def span(self, heights: np.ndarray) -> np.ndarray:
        return heights.max(axis=-1) - (heights - self.pits).min(axis=-1)

    def residuals(self, lifts: np.ndarray) -> np.ndarray:
        """Worst range of readings over the present planes for new planes ``lifts`` (..., n) at the check points."""
        return np.max([self.span(base + lifts) for base in self.bases], axis=0)

    def outcomes(self, heights: np.ndarray) -> tuple[list[tuple[int, int, int]], np.ndarray, np.ndarray]:
        """Every seat on stacks ``heights`` (m,) from every present plane: supports, lifts (s, n), ranges (s,)."""
        seats, _ = self.seating.seats(heights[None, :])
        names, lifts = [], []
        for k in np.flatnonzero(seats[0]):
            plane = self.at[k] @ heights[self.seating.triples[k]]
            for now in self.present:
                if not any(np.abs(plane - now - other).max() < LEVEL_MM for other in lifts):
                    names.append(tuple(int(s) for s in self.seating.triples[k]))
                    lifts.append(plane - now)
        lifts = np.array(lifts)
        return names, lifts, self.span(self.target + lifts)


def _present(present: object, supports: int) -> np.ndarray:
    if present is None:
        return np.zeros(supports)
    accepted = f"{supports} stacks, each {{thickness_mm: count}} or a height"
    try:
        stacks = list(present)
    except TypeError:
        raise InputError("present", present, accepted) from None
    if len(stacks) != supports:
        raise InputError("present", present, accepted)
    heights = []
    for s, stack in enumerate(stacks):
        where = f"present[{s}]"
        if stack is None:
            heights.append(0.0)
        elif isinstance(stack, Mapping):
            heights.append(sum(not_negative(where, t) * not_negative(where, c) for t, c in stack.items()))
        else:
            heights.append(not_negative(where, stack))
    return np.array(heights)


@dataclass(frozen=True, eq=False)
class _Search:
    task: _Task
    box: Box

    def best(self) -> tuple[np.ndarray, list[tuple[int, ...]]]:
        """Height index and leaf counts under each support."""
        task, box = self.task, self.box
        supports = len(task.seating.supports)
        empty = ((0, 0.0), [(0, box.recipes[0][0])] * supports)
        found = [(float(task.residuals(np.zeros((1, len(task.readings))))[0]), empty)]
        if len(box.heights) > 1:
            ideal, least = self._ideal()
            excess = 0.3 * float(box.heights[1])
            while found[0][0] > least + _TIE_MM:
                bound = min(least + excess, found[0][0])
                found = self._complete(self._planes(ideal, least, bound), found)
                if found[0][0] <= bound + _TIE_MM:
                    break
                excess *= 3
        reached = min(worst for worst, _ in found)
        ties = [built for worst, built in found if worst <= reached + _TIE_MM]
        _, chosen = min(ties, key=lambda built: (built[0][0], round(built[0][1], 9)))
        return np.array([index for index, _ in chosen]), [way for _, way in chosen]

    def _ideal(self) -> tuple[np.ndarray, float]:
        """Slopes that leave the least range, were any height possible, and that range."""
        task, count = self.task, len(self.task.bases)
        scale = np.abs(task.places - task.places.mean(axis=0)).max() or 1.0
        unit = float(np.ptp(task.bases)) + float(task.pits.max()) or 1.0
        flat = (task.places - task.places.mean(axis=0)) / scale
        n = len(flat)
        rows, sides = [], []
        for k, base in enumerate(task.bases):
            own = np.zeros((n, count))
            own[:, k] = 1.0
            level = (base - base.mean()) / unit
            rows += [np.hstack([flat, -own, -np.ones((n, 1))]), np.hstack([-flat, own, np.zeros((n, 1))])]
            sides += [-level, level - task.pits / unit]
        reach, limit = self._reach()
        rows.append(np.hstack([reach / scale, np.zeros((len(reach), count + 1))]))
        sides.append(np.full(len(reach), limit / unit))
        cost = np.zeros(count + 3)
        cost[-1] = 1.0
        answer = linprog(cost, A_ub=np.vstack(rows), b_ub=np.concatenate(sides), bounds=(None, None), method="highs")
        if answer.status != 0:
            raise ArithmeticError(f"the levelling programme did not end: {answer.message}")
        slopes = answer.x[:2] * unit / scale
        return slopes, float(task.residuals((task.places @ slopes)[None, :])[0]) - 1e-7 * unit

    def _reach(self) -> tuple[np.ndarray, float]:
        """Rows r and a limit: no plane through stacks has |r . slopes| above it."""
        places = self.task.seating.supports
        pairs = np.array([b - a for a, b in itertools.permutations(places, 2)])
        return pairs, float(self.box.heights[-1]) + self.task.rock + 1e-6

    def _planes(self, ideal: np.ndarray, least: float, bound: float) -> list[tuple[float, int, np.ndarray]]:
        """(range, triple, stack heights on it) of planes that leave at most ``bound``, in rising order."""
        task, box = self.task, self.box
        corners = self._polygon(ideal, max(bound, least + 1e-3 * float(box.heights[1])))
        heights, slack = box.heights, LEVEL_MM
        triples = list(enumerate(task.seating.triples))
        if task.rock <= LEVEL_MM:  # every stack carries, so all seats are one plane
            triples = triples[:1]
        found = []
        for k, (a, b, c) in triples:
            places = task.seating.supports
            swing_b, swing_c, swing_bc = ((places[q] - places[p]) @ corners.T for p, q in ((a, b), (a, c), (b, c)))
            low_b, high_b = _between(heights, heights + swing_b.min() - slack, heights + swing_b.max() + slack)
            low_c, high_c = _between(heights, heights + swing_c.min() - slack, heights + swing_c.max() + slack)
            many_b, many_c = high_b - low_b, high_c - low_c
            count = many_b * many_c
            start = np.repeat(np.arange(len(heights)), count)
            rank = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
            on = np.column_stack([start, low_b[start] + rank // many_c[start], low_c[start] + rank % many_c[start]])
            stack = heights[on]
            turn = stack[:, 2] - stack[:, 1]
            stack = stack[(turn >= swing_bc.min() - slack) & (turn <= swing_bc.max() + slack)]
            stack = stack[self._buildable(stack @ task.seating.weights[k].T)]
            left = task.residuals(stack @ task.at[k].T)
            good = left <= bound + _TIE_MM
            found += [(float(r), k, h) for r, h in zip(left[good], stack[good], strict=True)]
        return sorted(found, key=lambda one: one[0])

    def _polygon(self, ideal: np.ndarray, bound: float) -> np.ndarray:
        """Corners (v, 2) of the slopes that leave at most ``bound``."""
        task = self.task
        one, two = np.nonzero(~np.eye(len(task.places), dtype=bool))
        apart = task.places[one] - task.places[two]
        sides = [base[one] - base[two] + task.pits[two] - bound for base in task.bases]
        rows, (reach, limit) = [apart] * len(task.bases), self._reach()
        rows, sides = np.vstack([*rows, reach]), np.concatenate([*sides, np.full(len(reach), -2 * limit)])
        kept = np.abs(rows).max(axis=1) > 0
        rows, sides = rows[kept], sides[kept]
        margin = sides + rows @ ideal  # move the origin to the ideal, in units of the bound's own room
        unit = float(np.max(-margin / np.linalg.norm(rows, axis=1)))
        cut = HalfspaceIntersection(np.column_stack([rows, np.minimum(margin / unit, -1e-12)]), np.zeros(2))
        corners = cut.intersections[np.isfinite(cut.intersections).all(axis=1)]
        return ideal + corners * unit

    def _buildable(self, planes: np.ndarray) -> np.ndarray:
        """Which planes (n, m) have a stack within the rock under every support, and one with none."""
        rock, heights = self.task.rock, self.box.heights
        below = np.searchsorted(heights, planes + LEVEL_MM, side="right") - 1
        held = (below >= 0) & (planes - heights[np.maximum(below, 0)] <= rock + LEVEL_MM)
        return held.all(axis=1) & (planes.min(axis=1) <= rock + LEVEL_MM)

    def _complete(self, planes: list, found: list) -> list:
        """Put stacks under the other supports of each plane, best first; ``found`` is [(worst range, stacks)]."""
        task, box = self.task, self.box
        for left, k, on in planes:
            reached = min(worst for worst, _ in found)
            if left > reached + _TIE_MM:
                break
            plane = task.seating.weights[k] @ on
            low, high = _between(box.heights, plane - task.rock - LEVEL_MM, plane + LEVEL_MM)
            choices = [np.arange(a, b) for a, b in zip(low, high, strict=True)]
            for s, tall in zip(task.seating.triples[k], on, strict=True):
                choices[s] = np.array([int(np.searchsorted(box.heights, tall - LEVEL_MM))])
            if task.seating.inside[k] or task.rock <= LEVEL_MM:
                built = self._with_empty(choices)
                if built is not None:
                    found = [*found, (left, built)]
                continue
            share = task.seating.share[k]
            if (share > CENTRE_EDGE).sum() == 2:
                found = self._tipping(left, k, plane, on, choices, found, reached)
            else:  # the centre of gravity lies over a support: the part may tip any way round it
                found = self._rocking(choices, found, reached)
        reached = min(worst for worst, _ in found)
        return sorted((one for one in found if one[0] <= reached + _TIE_MM), key=lambda one: one[0])

    def _with_empty(self, choices: list[np.ndarray]):
        """Fewest leaves with one of the choices everywhere and one support empty."""
        if any(0 in c for c in choices):
            built = self.box.build(choices)
            if built is not None and any(index == 0 for index, _ in built[1]):
                return built
        options = []
        for s, c in enumerate(choices):
            if 0 in c:
                options.append(self.box.build([*choices[:s], np.array([0]), *choices[s + 1 :]]))
        options = [built for built in options if built is not None]
        return min(options, key=lambda built: built[0]) if options else None

    def _tipping(self, left, k, plane, on, choices, found: list, reached: float) -> list:
        """Complete a plane on whose one edge the centre of gravity lies: the part can tip about it to one more seat.

        Tipped by an angle t the plane sinks by t times the distance from the edge on the far side, and rises as much on
        the near side; it rests where the least gap over distance is. Each support may be that one, at each height.
        """
        task, box = self.task, self.box
        triple, share = task.seating.triples[k], task.seating.share[k]
        free = int(np.argmin(share))
        near, places = triple[free], task.seating.supports
        one, two = places[np.delete(triple, free)]
        along = (two - one) / np.linalg.norm(two - one)
        off = (places - one) @ np.array([along[1], -along[0]])  # signed distance from the edge, far side positive
        off = off if off[near] < 0 else -off
        far = np.flatnonzero(off > 1e-9 * np.abs(off).max())
        beside = np.flatnonzero(off < -1e-9 * np.abs(off).max())
        check = (task.places - one) @ np.array([along[1], -along[0]])
        check = check if (places[near] - one) @ np.array([along[1], -along[0]]) < 0 else -check
        lift = task.at[k] @ on
        gaps = [plane[s] - box.heights[c] for s, c in enumerate(choices)]
        if not len(far):
            built = self._with_empty(choices)
            return found if built is None else [*found, (left, built)]
        for s in far:
            for index, gap in zip(choices[s], gaps[s], strict=True):
                tip = max(0.0, gap) / off[s]
                worst = max(left, float(task.residuals((lift - tip * check)[None, :])[0]))
                if worst > reached + _TIE_MM:
                    continue
                fits = list(choices)
                for other in far:
                    fits[other] = choices[other][gaps[other] - tip * off[other] >= -LEVEL_MM]
                for other in beside:
                    fits[other] = choices[other][gaps[other] - tip * off[other] <= task.rock + LEVEL_MM]
                fits[s] = np.array([index])
                built = self._with_empty(fits) if all(len(f) for f in fits) else None
                if built is not None:
                    found = [*found, (worst, built)]
        return found

    def _rocking(self, choices: list[np.ndarray], found: list, reached: float) -> list:
        """Complete a plane whose seat need not be the only one: try every choice, in the worst of its seats."""
        task, box = self.task, self.box
        while np.prod([len(c) for c in choices], dtype=float) > _MOST_COMPLETIONS:  # gaps far wider than the leaves
            longest = max(range(len(choices)), key=lambda s: len(choices[s]))
            choices[longest] = choices[longest][1:]
        grid = np.stack([g.ravel() for g in np.meshgrid(*choices, indexing="ij")], axis=1)
        grid = grid[(grid == 0).any(axis=1)]
        heights = box.heights[grid]
        seats, gaps = task.seating.seats(heights)
        steady = (gaps <= task.rock + LEVEL_MM) | ~seats
        grid, heights, seats = (part[steady.all(axis=1)] for part in (grid, heights, seats))
        worst = np.full(len(grid), -np.inf)
        for j, triple in enumerate(task.seating.triples):
            here = np.flatnonzero(seats[:, j])
            if len(here):
                worst[here] = np.maximum(worst[here], task.residuals(heights[here][:, triple] @ task.at[j].T))
        leaves = box.fewest[grid].sum(axis=1)
        for i in np.lexsort((heights.sum(axis=1), leaves, np.round(worst, 10))):
            if worst[i] > reached + _TIE_MM:
                break
            built = box.build([np.array([index]) for index in grid[i]])
            if built is not None:
                found = [*found, (float(worst[i]), built)]
                break
        return found


def _between(heights: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """For each interval the range of indices of ``heights`` within it."""
    first = np.searchsorted(heights, low, side="left")
    return first, np.maximum(np.searchsorted(heights, high, side="right"), first)


@dataclass(frozen=True, eq=False)
class JackPlan:
    """moves_mm (m,): how far to turn each jack, up positive; residual_mm, before_mm and predicted as for shims."""

    moves_mm: np.ndarray
    residual_mm: float
    before_mm: float
    predicted: np.ndarray


def set_jacks(
    supports: object,
    check_points: object,
    readings: object,
    zero: int | None = 0,
    pits: object = None,
    goal_slopes: object = (0, 0),
    step_mm: float = 0.0,
) -> JackPlan:
    """How far to turn jack screws, three to eight all in contact, so that the face comes level; arguments as for shims.

    One jack stays as it is: the one that makes the greatest move smallest. With ``step_mm`` moves are whole steps; with
    more than three jacks rounding leaves gaps of about a step, and the figures are for the worst seat. Raises
    `InputError`.
    """
    task = _Task.read(supports, check_points, readings, 0.0, pits, None, goal_slopes, None)
    n = len(task.readings)
    if zero is not None and not (isinstance(zero, (int, np.integer)) and 0 <= zero < n):
        raise InputError("zero", zero, f"an index 0 to {n - 1}, or None")
    step = not_negative("step_mm", finite("step_mm", step_mm))
    free = open_box({1e3 * max(1e-3, float(np.ptp(task.readings)) + float(task.pits.max())): 6}, 6)
    slopes, _ = _Search(task, free)._ideal()
    rise = task.seating.supports @ slopes
    moves = min((rise - pivot for pivot in rise), key=lambda m: np.abs(m).max())
    if step:
        moves = np.round(moves / step) * step
    _, lifts, worst = task.outcomes(moves)
    lift = lifts[int(np.argmax(worst))]
    predicted = task.readings + lift
    if zero is not None:
        predicted = predicted - predicted[zero]
    before = float(task.span(task.target[None, :])[0])
    return JackPlan(moves + 0.0, float(worst.max()), before, predicted)
