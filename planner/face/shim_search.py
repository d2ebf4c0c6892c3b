"""The exact search behind `levelling`.

A plane through three stacks leaves a certain range of readings. Planes are taken in rising order of it, within a bound
that grows until one of them can be completed: a stack within the rock under every other support, one support empty,
enough leaves, and no second seat that is worse. The first that can is the best, for in any other plan the worst seat
is a plane of more. Where the rock is far below the steps between stacks, few planes fit all supports, and those are
listed instead.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import scipy

from planner.errors import InputError, finite_array, not_negative, whole
from planner.face.seats import CENTRE_EDGE, LEVEL_MM, Seating, seating
from planner.face.stacks import Box

_TIE_MM = 1e-9
_MOST_COMPLETIONS = 60_000


@dataclass(frozen=True, eq=False)
class Task:
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
    def read(cls, supports, check_points, readings, rock_mm, pits, present, goal_slopes, centre_of_gravity) -> Task:
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
            heights.append(sum(not_negative(where, t) * whole(where, c) for t, c in stack.items()))
        else:
            heights.append(not_negative(where, stack))
    return np.array(heights)


@dataclass(frozen=True, eq=False)
class Search:
    task: Task
    box: Box

    def best(self) -> tuple[np.ndarray, list[tuple[int, ...]]]:
        """Height index and leaf counts under each support."""
        task, box = self.task, self.box
        supports = len(task.seating.supports)
        empty = ((0, 0.0), [(0, box.recipes[0][0])] * supports)
        found = [(float(task.residuals(np.zeros((1, len(task.readings))))[0]), empty)]
        if len(box.heights) > 1:
            ideal, least = self.ideal()
            excess = 0.3 * float(box.heights[1])
            while found[0][0] > least + _TIE_MM:
                if excess > float(box.heights[1]) and self._few_fit():
                    found = self._fitting(found)
                    break
                bound = min(least + excess, found[0][0])
                found = self._complete(self._planes(ideal, least, bound), found)
                if found[0][0] <= bound + _TIE_MM:
                    break
                excess *= 3
        reached = min(worst for worst, _ in found)
        ties = [built for worst, built in found if worst <= reached + _TIE_MM]
        _, chosen = min(ties, key=lambda built: (built[0][0], round(built[0][1], 9)))
        return np.array([index for index, _ in chosen]), [way for _, way in chosen]

    def ideal(self) -> tuple[np.ndarray, float]:
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
        answer = scipy.optimize.linprog(
            cost, A_ub=np.vstack(rows), b_ub=np.concatenate(sides), bounds=(None, None), method="highs"
        )
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
        cut = scipy.spatial.HalfspaceIntersection(
            np.column_stack([rows, np.minimum(margin / unit, -1e-12)]), np.zeros(2)
        )
        corners = cut.intersections[np.isfinite(cut.intersections).all(axis=1)]
        return ideal + corners * unit

    def _buildable(self, planes: np.ndarray) -> np.ndarray:
        """Indices of the planes (n, m) with a stack within the rock under every support, and one with none."""
        rock, heights = self.task.rock, self.box.heights
        lowest = planes.min(axis=1)
        left = np.flatnonzero((lowest >= -LEVEL_MM) & (lowest <= rock + LEVEL_MM))
        for s in range(planes.shape[1]):
            height = planes[left, s]
            below = np.searchsorted(heights, height + LEVEL_MM, side="right") - 1
            left = left[height - heights[below] <= rock + LEVEL_MM]
        return left

    def _few_fit(self) -> bool:
        supports = len(self.task.seating.supports)
        return supports > 3 and self.task.rock <= 0.25 * float(np.median(np.diff(self.box.heights)))

    def _fitting(self, found: list) -> list:
        """Every way to put stacks within the rock of one plane, best first, until the leaves suffice."""
        task, heights = self.task, self.box.heights
        places, rock = task.seating.supports, task.rock
        ones = np.ones(len(places))
        base = max(
            itertools.combinations(range(len(places)), 3),
            key=lambda t: abs(np.linalg.det(np.column_stack([places[list(t)], ones[:3]]))),
        )
        corners = np.column_stack([places[list(base)], ones[:3]])
        weights = np.linalg.solve(corners.T, np.column_stack([places, ones]).T).T
        others = [s for s in range(len(places)) if s not in base]
        grid = np.stack([g.ravel() for g in np.meshgrid(*[np.arange(len(heights))] * 3, indexing="ij")], axis=1)
        for s in others:  # the base's own gaps, 0 to rock each, move the plane a little
            plane = heights[grid[:, :3]] @ weights[s]
            low = plane - rock * (1 - np.minimum(weights[s], 0).sum()) - LEVEL_MM
            high = plane + rock * np.maximum(weights[s], 0).sum() + LEVEL_MM
            first, last = _between(heights, low, high)
            many = last - first
            row = np.repeat(np.arange(len(grid)), many)
            rank = np.arange(many.sum()) - np.repeat(np.cumsum(many) - many, many)
            grid = np.column_stack([grid[row], first[row] + rank])
        order = np.argsort([*base, *others])
        grid = grid[:, order]
        grid = grid[(grid == 0).any(axis=1) & (self.box.fewest[grid].sum(axis=1) <= self.box.available.sum())]
        for part in np.array_split(grid, max(1, len(grid) // _MOST_COMPLETIONS)):
            found = self._in_every_seat(part, found, min(worst for worst, _ in found))
        return sorted(found, key=lambda one: one[0])

    def _complete(self, planes: list, found: list) -> list:
        """Put stacks under the other supports of each plane, best first; ``found`` is [(worst range, stacks)]."""
        task, box = self.task, self.box
        for left, k, on in self._with_leaves(planes):
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

    def _with_leaves(self, planes: list) -> list:
        """The planes for which the box may hold enough leaves of every set of sizes."""
        task, box = self.task, self.box
        if not planes or (box.available >= 3 * len(task.seating.supports)).all():
            return planes
        kept: list = []
        for start in range(0, len(planes), 4096):
            part = planes[start : start + 4096]
            under = np.array([task.seating.weights[k] @ on for _, k, on in part])
            low, high = _between(box.heights, under - task.rock - LEVEL_MM, under + LEVEL_MM)
            for row, (_, k, on) in enumerate(part):
                low[row, task.seating.triples[k]] = np.searchsorted(box.heights, on - LEVEL_MM)
                high[row, task.seating.triples[k]] = low[row, task.seating.triples[k]] + 1
            pairs, which = np.unique(np.stack([low.ravel(), high.ravel()], axis=1), axis=0, return_inverse=True)
            least = np.array([box.need[a:b].min(axis=0) if b > a else box.room + 1 for a, b in pairs])
            owed = least[which.ravel()].reshape(*low.shape, -1).sum(axis=1)
            kept += [part[row] for row in np.flatnonzero((owed <= box.room).all(axis=1) & (low == 0).any(axis=1))]
        return kept

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
        while np.prod([len(c) for c in choices], dtype=float) > _MOST_COMPLETIONS:  # gaps far wider than the leaves
            longest = max(range(len(choices)), key=lambda s: len(choices[s]))
            choices[longest] = choices[longest][1:]
        grid = np.stack([g.ravel() for g in np.meshgrid(*choices, indexing="ij")], axis=1)
        return self._in_every_seat(grid[(grid == 0).any(axis=1)], found, reached)

    def _in_every_seat(self, grid: np.ndarray, found: list, reached: float) -> list:
        """Add the best of the stacks ``grid`` (n, m), height indices, that no seat lets rock too far."""
        task, box = self.task, self.box
        heights = box.heights[grid]
        seats, gaps = task.seating.seats(heights)
        steady = ((gaps <= task.rock + LEVEL_MM) | ~seats).all(axis=1)
        grid, heights, seats = grid[steady], heights[steady], seats[steady]
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
                reached = min(reached, float(worst[i]))
                if built[0][0] == leaves[i]:  # later ones are worse, or tie with more leaves or more height
                    break
        return found


def _between(heights: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """For each interval the range of indices of ``heights`` within it."""
    first = np.searchsorted(heights, low, side="left")
    return first, np.maximum(np.searchsorted(heights, high, side="right"), first)
