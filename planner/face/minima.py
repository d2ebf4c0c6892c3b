"""Where else the width of a set of points could be least.

The width of a convex body, as a function of direction, has several minima: each between a facet and a vertex, or
between two edges. Seen as a height map the width along z is convex and has one; the perpendicular width is that
divided by sqrt(1 + slope^2), so on a thin face a second minimum can win only among slopes whose width along z is
within that factor of the least. These functions list the normals from which such minima are reached.
"""

from __future__ import annotations

import itertools

import numpy as np
import scipy

from planner.face.zone import Band

_MANY_EDGES = 700
_STARTS = 6


def nearby(centred: np.ndarray, normal: np.ndarray, band: Band, ratio: float) -> list[np.ndarray]:
    """Normals of rival minima near ``normal`` on a thin set; empty when the contacts found are the only candidates."""
    axes = np.vstack([np.linalg.svd(normal[None, :])[2][1:], normal])
    turned = centred @ axes.T
    flat, height = turned[:, :-1], turned[:, -1]
    width = float(np.ptp(height))
    allowed = width * (1 + 0.6 * (3 * ratio) ** 2)  # slopes with less width than ours lie within about 2 ratio
    reach = float(np.linalg.norm(flat, axis=1).max())
    seen = np.union1d(band.high, band.low)
    spread = flat @ np.array([[1, 0, 1, 1], [0, 1, 1, -1]])[: flat.shape[1]]
    seen = np.union1d(seen, np.concatenate([spread.argmax(axis=0), spread.argmin(axis=0)]))
    for _ in range(4):
        extremes = _slopes_within(flat[seen] / reach, (height[seen] - height.min()) / width, allowed / width)
        if extremes is None:
            return []
        extremes = extremes * width / reach
        slack = np.linalg.norm(extremes, axis=1).max() * 2 * reach + (allowed - width)
        active = np.flatnonzero((height >= height.max() - slack) | (height <= height.min() + slack))
        tilted = height[:, None] - flat @ extremes.T
        worst = np.union1d(tilted.argmax(axis=0), tilted.argmin(axis=0))
        if np.isin(worst, seen).all():
            break
        seen = np.union1d(seen, worst)
    if len(active) > 400:  # many near ties; what is left to gain is bounded by the factor above
        return [axes.T @ np.append(-slope, 1.0) for slope in extremes] if ratio > 3e-4 else []
    normals, _ = _normals(turned[active] / np.ptp(turned, axis=0), centred[active])
    return _best(centred[active], normals, width)


def hull_corners(points: np.ndarray) -> np.ndarray:
    """Indices of the points that can touch a zone at some angle."""
    try:
        return scipy.spatial.ConvexHull(points).vertices
    except scipy.spatial.QhullError:
        return np.arange(len(points))


def all_round(corners: np.ndarray, width: float) -> list[np.ndarray]:
    """Normals of the lowest minima of a thick set below ``width``: every facet and pair of edges, or, for bodies of
    many corners, the best of many directions all round.
    """
    normals, complete = _normals(corners, corners)
    if complete:
        return _best(corners, normals, width)
    k = np.arange(2000) + 0.5
    z, turn = 1 - k / 2000, np.pi * (1 + 5**0.5) * k
    round_about = np.column_stack([np.sqrt(1 - z * z) * np.cos(turn), np.sqrt(1 - z * z) * np.sin(turn), z])
    return _best(corners, np.vstack([normals, round_about]), np.inf)


def _slopes_within(flat: np.ndarray, height: np.ndarray, allowed: float) -> np.ndarray | None:
    """The extreme slopes, each way along each axis, whose width over these points is at most ``allowed``."""
    one = np.ones((len(flat), 1))
    rows = np.vstack([np.hstack([-flat, -one]), np.hstack([flat, one])])
    sides = np.concatenate([allowed - height, height])
    found = []
    for axis in range(flat.shape[1]):
        for sign in (-1.0, 1.0):
            cost = np.zeros(flat.shape[1] + 1)
            cost[axis] = sign
            answer = scipy.optimize.linprog(cost, A_ub=rows, b_ub=sides, bounds=(None, None), method="highs-ds")
            if answer.status != 0:
                return None
            found.append(answer.x[:-1])
    return np.array(found)


def _normals(shaped: np.ndarray, points: np.ndarray) -> tuple[np.ndarray, bool]:
    """Normals of facets and edge pairs of the hull of ``points``, and whether that is all of them.

    ``shaped`` are the same points stretched to be round.
    """
    dimensions = points.shape[1]
    if len(points) <= 12:
        facets = np.array(list(itertools.combinations(range(len(points)), dimensions)))
    else:
        try:
            facets = scipy.spatial.ConvexHull(shaped).simplices
        except scipy.spatial.QhullError:  # no thickness: nothing can be narrower
            return np.zeros((0, dimensions)), True
    corner = points[facets[:, 0]]
    if dimensions == 2:
        along = points[facets[:, 1]] - corner
        return np.column_stack([-along[:, 1], along[:, 0]]), True
    normals = [np.cross(points[facets[:, 1]] - corner, points[facets[:, 2]] - corner)]
    pairs = np.unique(np.sort(facets[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
    complete = len(pairs) <= _MANY_EDGES
    if complete:
        edges = points[pairs[:, 1]] - points[pairs[:, 0]]
        one, two = np.triu_indices(len(edges), 1)
        normals.append(np.cross(edges[one], edges[two]))
    return np.vstack(normals), complete


def _best(points: np.ndarray, normals: np.ndarray, width: float) -> list[np.ndarray]:
    """The few normals across which ``points`` are narrowest, and narrower than ``width``."""
    length = np.linalg.norm(normals, axis=1)
    kept = length > 1e-10
    normals = normals[kept] / length[kept, None]
    if not len(normals):
        return []
    few = np.unique(np.concatenate([(points @ normals[:: max(1, len(normals) // 20)].T).argmax(axis=0), [0]]))
    at_least = np.ptp(normals @ points[few].T, axis=1)  # a few points already rule most directions out
    normals = normals[at_least < width * (1 - 1e-12)]
    parts = np.array_split(normals, max(1, len(normals) * len(points) // 1_000_000))
    widths = np.concatenate([np.ptp(part @ points.T, axis=1) for part in parts])
    normals, widths = normals[widths < width * (1 - 1e-12)], widths[widths < width * (1 - 1e-12)]
    chosen: list[np.ndarray] = []
    for i in np.argsort(widths)[: 40 * _STARTS]:
        if all(1 - abs(normals[i] @ other) > 1e-13 for other in chosen):
            chosen.append(normals[i])
        if len(chosen) == _STARTS:
            break
    return chosen
