"""The narrowest band between two parallel planes (or lines) that holds a rim from above and a floor from below.

Everything about flatness and clean-up reduces to one linear programme in the slopes s, the floor's offset c and the
width t (Chebyshev approximation; ISO 12781 calls the result the minimum zone when rim and floor are the same points):

    minimise t   subject to   high_i - s.x_i - c <= t,   low_i - s.x_i - c >= 0,
                              u <= (s - s0).o_j <= u + limit      (optional, at the points o_j of an outline)

The solver's tolerance is absolute, so places are turned to their principal axes and scaled, heights are measured in
units of the present width, and a last small programme, in units of 1e-7 of the width, removes what tolerance left.
Only a few places are ever active: they are collected as they are violated, so a hundred thousand cost little more
than a hundred.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

_ROUNDS = 60
_FEW = 64


@dataclass(frozen=True)
class SlopeLimit:
    """Greatest difference ``limit`` of (slopes - ``datum``) . place between any two of ``places`` (m, k)."""

    places: np.ndarray
    datum: np.ndarray
    limit: float


@dataclass(frozen=True)
class Band:
    """The narrowest band: ``slopes`` (k,), ``width`` along z, and the contacts that prove it, with their weights.

    Weights on each side add to 1 and have the same mean place on both sides, up to the pull of a slope limit; a change
    dz of one contact's height changes the width by its weight times dz.
    """

    slopes: np.ndarray
    width: float
    high: np.ndarray
    high_weights: np.ndarray
    low: np.ndarray
    low_weights: np.ndarray


def narrowest_band(places: np.ndarray, high: np.ndarray, low: np.ndarray, limit: SlopeLimit | None = None) -> Band:
    """Solve the programme above; all lengths in one unit.

    ``places`` (n, k), ``high`` (n,) and ``low`` (n,) finite, except that ``low`` may be +inf where the place does not
    count for the floor (one place at least must count). Along directions in which the places have no extent the slope
    is left at the limit's datum, or at 0.
    """
    axes, scale = _principal_axes(places)
    centred = places - places.mean(axis=0)
    flat = centred @ axes / scale
    slopes = np.zeros(places.shape[1])
    if limit is not None:
        slopes = limit.datum - axes @ (axes.T @ limit.datum)
    counted = np.flatnonzero(np.isfinite(low))
    if limit is None and len(scale):  # a good start only; the programme corrects it
        fitted = np.column_stack([flat, np.ones(len(flat))])
        coefficients = np.linalg.lstsq(fitted, high - places @ slopes, rcond=None)[0]
        slopes = slopes + axes @ (coefficients[:-1] / scale)

    problem = _Problem(flat, centred, axes, scale, high, low, limit)
    rim, floor, width = problem.heights(slopes)
    size = np.abs(high - high.mean()).max()
    if len(scale) == 0 or (limit is None and width <= 1e-15 * size):
        top, bottom = int(np.argmax(rim)), int(counted[np.argmin(floor[counted])])
        one = np.ones(1)
        return Band(slopes, float(max(width, 0.0)), np.array([top]), one, np.array([bottom]), one)

    cells = _cells(flat)
    working = _start(flat, rim, floor, counted)
    weights = None
    best = (np.inf, slopes)
    for _ in range(_ROUNDS):
        rim, floor, width = problem.heights(slopes)
        step, lower, weights = problem.solve(slopes, rim, floor, working, unit=width if width > 0 else 1.0)
        slopes = problem.within_limit(slopes + step)
        rim, floor, width = problem.heights(slopes)
        if width < best[0]:
            best = (width, slopes)
        added = _violated(rim, floor, width, lower, cells, working)
        if not len(added):
            break
        working = np.union1d(working, added)
    width, slopes = best
    slopes, weights = _polish(problem, slopes, working, weights, limit)
    rim, floor, width = problem.heights(slopes)
    working, high_weights, low_weights = weights
    return Band(
        slopes,
        float(width),
        working[high_weights > 0],
        high_weights[high_weights > 0],
        working[low_weights > 0],
        low_weights[low_weights > 0],
    )


def _principal_axes(places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Directions (k, d) in which the places have extent, and that extent (d,)."""
    centred = places - places.mean(axis=0)
    reach = np.abs(places).max(initial=0.0)
    directions = np.linalg.svd(centred, full_matrices=False)[2] if len(places) > 1 else np.zeros((0, places.shape[1]))
    extent = np.abs(centred @ directions.T).max(axis=0) if len(directions) else np.zeros(0)
    kept = extent > 1e-13 * max(reach, extent.max(initial=0.0))
    return directions[kept].T, extent[kept]


def _cells(flat: np.ndarray) -> list[np.ndarray]:
    """Indices by region of the face, so that places far apart are collected together, not one cluster."""
    if len(flat) <= 4 * _FEW:
        return [np.array([i]) for i in range(len(flat))]
    binned = np.zeros(len(flat), dtype=np.int16)  # short: sorted by counting
    for column in flat.T:
        binned = binned * 5 + np.clip((column + 1) * 2.5, 0, 4).astype(np.int16)
    order = np.argsort(binned, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(binned[order])) + 1)


def _start(flat: np.ndarray, rim: np.ndarray, floor: np.ndarray, counted: np.ndarray) -> np.ndarray:
    if len(flat) <= _FEW:
        return np.arange(len(flat))
    chosen = {int(np.argmax(rim)), int(counted[np.argmin(floor[counted])])}
    for angle in np.linspace(0, np.pi, 8, endpoint=False):
        along = flat @ np.array([np.cos(angle), np.sin(angle)])[: flat.shape[1]]
        chosen |= {int(np.argmax(along)), int(np.argmin(along))}
        chosen |= {int(counted[np.argmax(along[counted])]), int(counted[np.argmin(along[counted])])}
    return np.array(sorted(chosen))


def _violated(rim, floor, width, lower, cells, working) -> np.ndarray:
    """The worst places, one high and one low in each region, that the programme has not seen and that matter."""
    top, bottom = rim.max(), floor.min()
    spare = max(0.5 * (width - lower), 0.0)
    if width - lower <= 1e-12 * abs(width):
        return np.zeros(0, dtype=int)
    found = []
    for cell in cells:
        highest, lowest = cell[np.argmax(rim[cell])], cell[np.argmin(floor[cell])]
        if rim[highest] >= top - spare:
            found.append(highest)
        if floor[lowest] <= bottom + spare:
            found.append(lowest)
    return np.setdiff1d(np.array(found, dtype=int), working)


@dataclass(frozen=True)
class _Problem:
    flat: np.ndarray
    centred: np.ndarray
    axes: np.ndarray
    scale: np.ndarray
    high: np.ndarray
    low: np.ndarray
    limit: SlopeLimit | None

    def heights(self, slopes: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        plane = self.centred @ slopes
        rim, floor = self.high - plane, self.low - plane
        return rim, floor, float(rim.max() - floor.min())

    def within_limit(self, slopes: np.ndarray) -> np.ndarray:
        """Bring slopes that pass the limit by the solver's tolerance back to it."""
        if self.limit is None:
            return slopes
        off = slopes - self.limit.datum
        spread = float(np.ptp(self.limit.places @ off))
        return self.limit.datum + off * (self.limit.limit / spread) if spread > self.limit.limit else slopes

    def solve(self, slopes, rim, floor, chosen, unit):
        """Best change of slope over the chosen places, their band's width, and the weights of the contacts."""
        level = floor.min()
        axes_count = len(self.scale)
        counts = np.isfinite(floor[chosen])
        x = self.flat[chosen]
        ones = np.ones((len(chosen), 1))
        above = np.hstack([-x, -ones, -ones])
        below = np.hstack([x, ones, 0 * ones])[counts]
        rows = [above, below]
        sides = [-(rim[chosen] - level) / unit, ((floor[chosen] - level) / unit)[counts]]
        cost = np.zeros(axes_count + 2)
        cost[-1] = 1.0
        if self.limit is not None:
            outline = self.limit.places @ self.axes / self.scale
            now = self.limit.places @ (slopes - self.limit.datum)
            blank = np.zeros((len(outline), 2))
            one = np.ones((len(outline), 1))
            rows = [np.hstack([block, np.zeros((len(block), 1))]) for block in rows]
            rows += [np.hstack([-outline, blank, one]), np.hstack([outline, blank, -one])]
            sides += [now / unit, (self.limit.limit - now) / unit]
            cost = np.append(cost, 0.0)
        answer = scipy.optimize.linprog(
            cost, A_ub=np.vstack(rows), b_ub=np.concatenate(sides), bounds=(None, None), method="highs-ds"
        )
        if answer.status != 0:
            raise ArithmeticError(f"the flatness programme did not end: {answer.message}")
        step = self.axes @ (answer.x[:axes_count] / self.scale) * unit
        share = np.maximum(-answer.ineqlin.marginals, 0.0)
        high_weights = share[: len(chosen)]
        low_weights = np.zeros(len(chosen))
        low_weights[counts] = share[len(chosen) : len(chosen) + counts.sum()]
        weights = (chosen, _settled(high_weights), _settled(low_weights))
        return step, float(answer.x[axes_count + 1] * unit), weights


def _settled(weights: np.ndarray) -> np.ndarray:
    kept = np.where(weights > 1e-9, weights, 0.0)
    return kept / kept.sum()


def _polish(problem: _Problem, slopes, working, weights, limit):
    """Solve once more for the change that is left, in units small enough for the solver to see it."""
    rim, floor, width = problem.heights(slopes)
    for unit in (1e-6 * width, 1e-10 * width):
        if unit <= 0:
            break
        near = (rim[working] >= rim.max() - 1e4 * unit) | (floor[working] <= floor.min() + 1e4 * unit)
        if limit is None and not near.any():
            break
        seen = working[near]
        if not np.isfinite(floor[seen]).any():
            break
        try:
            step, _, refined = problem.solve(slopes, rim, floor, seen, unit)
        except ArithmeticError:  # too few close contacts to bound the change: what we have stands
            break
        stepped = problem.within_limit(slopes + step)
        after = problem.heights(stepped)
        if not after[2] <= width:
            break
        slopes, weights = stepped, refined
        rim, floor, width = after
    return slopes, weights
