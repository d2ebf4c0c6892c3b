"""Areas of a surface known at points: its linear interpolant on the Delaunay triangles, inside an outline.

Clipping a polygon, convex or not, by a triangle (Sutherland & Hodgman, 1974) and cutting the rest into a fan gives
triangles with a sign whose areas add up to the exact area of the part inside; an opening's are subtracted. Over one
such triangle the area above a level is a quadratic of the level, so shares and volumes are exact and fast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from planner.errors import InputError, finite_array


@dataclass(frozen=True, eq=False)
class Surface:
    """Signed triangles: ``heights`` (m, 3) at their corners and signed ``areas`` (m,), in the units of the input.

    ``outline_area``: area inside the outline less openings, or the area of the survey where no outline was given;
    what the survey covers of it is ``covered_area``.
    """

    heights: np.ndarray
    areas: np.ndarray
    covered_area: float
    outline_area: float

    def area_above(self, levels: np.ndarray) -> np.ndarray:
        """Area of the surface at or above each of ``levels`` (k,)."""
        low, mid, high = np.sort(self.heights, axis=1).T
        level = np.asarray(levels, dtype=float)[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            upper = (high - level) ** 2 / ((high - low) * (high - mid))
            lower = 1 - (level - low) ** 2 / ((mid - low) * (high - low))
        share = np.where(level <= low, 1.0, np.where(level > high, 0.0, np.where(level >= mid, upper, lower)))
        share = np.where((level >= mid) & (mid == high) & (level > low), 0.0, share)
        return share @ self.areas

    def volume_above(self, levels: np.ndarray) -> np.ndarray:
        """Volume between the surface and the level plane under it, for each of ``levels`` (k,)."""
        low, mid, high = np.sort(self.heights, axis=1).T
        level = np.asarray(levels, dtype=float)[:, None]
        whole = (low + mid + high) / 3 - level
        with np.errstate(divide="ignore", invalid="ignore"):
            upper = (high - level) ** 3 / (3 * (high - low) * (high - mid))
            lower = whole + (level - low) ** 3 / (3 * (mid - low) * (high - low))
        depth = np.where(level <= low, whole, np.where(level >= high, 0.0, np.where(level >= mid, upper, lower)))
        return depth @ self.areas


def triangulate(places: np.ndarray) -> np.ndarray:
    """Triangles (m, 3) of indices over ``places`` (n, 2); `InputError` when the places lie on one line.

    The Delaunay triangles of the places as they lie: a stretch of one axis would give others. On a grid, where either
    diagonal of a cell will do, Qhull's choice for these very coordinates.
    """
    try:
        return scipy.spatial.Delaunay(places - far_origin(places)).simplices
    except scipy.spatial.QhullError:
        raise InputError("points", "places on one line", "at least three places not on one line") from None


def far_origin(places: np.ndarray) -> np.ndarray:
    """What to take off ``places`` (n, 2) before they are triangulated, (2,): nothing, unless they lie so far from the
    origin that their last figures count."""
    centre = places.mean(axis=0)
    return centre if np.abs(centre).max() > 1000 * np.ptp(places, axis=0).max() else np.zeros(2)


def surface(places: np.ndarray, heights: np.ndarray, outline: object = None, openings: object = ()) -> Surface:
    """The interpolant over ``places`` (n, 2) inside ``outline`` (m, 2) less ``openings``, a sequence of (k, 2).

    Polygons may be concave; openings must lie inside the outline and apart from each other. Where two places coincide
    the mean height is taken.
    """
    unique, inverse = np.unique(places, axis=0, return_inverse=True)
    inverse = inverse.ravel()
    mean = np.bincount(inverse, weights=heights) / np.bincount(inverse)
    if len(unique) == len(places):
        unique, mean = places, heights
    corners = triangulate(unique)
    at, height = unique[corners], mean[corners]
    areas = _signed(at)
    at = np.where((areas < 0)[:, None, None], at[:, ::-1], at)
    height = np.where((areas < 0)[:, None], height[:, ::-1], height)
    if outline is None and not len(openings):
        return Surface(height, np.abs(areas), float(np.abs(areas).sum()), float(np.abs(areas).sum()))
    pieces = []
    if outline is None:
        pieces.append((height, np.abs(areas)))
        whole = float(np.abs(areas).sum())
    else:
        polygon = as_polygon("outline", outline)
        pieces += _clipped(at, height, polygon, 1.0)
        whole = abs(polygon_area(polygon))
    for k, opening in enumerate(openings):
        polygon = as_polygon(f"openings[{k}]", opening)
        pieces += _clipped(at, height, polygon, -1.0)
        whole -= abs(polygon_area(polygon))
    all_heights = np.vstack([piece[0] for piece in pieces]) if pieces else np.zeros((0, 3))
    all_areas = np.concatenate([piece[1] for piece in pieces]) if pieces else np.zeros(0)
    covered = float(all_areas.sum())
    if not covered > 0:
        raise InputError("outline", "no area inside the survey", "an outline that holds the surveyed places")
    return Surface(all_heights, all_areas, covered, whole)


def lowest_inside(places: np.ndarray, heights: np.ndarray, polygon: object) -> float:
    """Least height of the interpolant inside ``polygon`` (k, 2); NaN where the survey does not reach it."""
    corners = triangulate(places)
    at = places[corners]
    at = np.where((_signed(at) < 0)[:, None, None], at[:, ::-1], at)
    height = np.where((_signed(places[corners]) < 0)[:, None], heights[corners][:, ::-1], heights[corners])
    pieces = _clipped(at, height, as_polygon("polygon", polygon), 1.0)
    return float(min(piece[0].min() for piece in pieces)) if pieces else float("nan")


def as_polygon(field: str, value: object) -> np.ndarray:
    """A simple polygon (m, 2), at least three corners, anticlockwise, with an area."""
    polygon = finite_array(field, value, (None, 2))
    if len(polygon) > 1 and np.array_equal(polygon[0], polygon[-1]):
        polygon = polygon[:-1]
    if len(polygon) < 3 or polygon_area(polygon) == 0:
        raise InputError(field, value, "at least three corners, not on one line")
    return polygon if polygon_area(polygon) > 0 else polygon[::-1]


def polygon_area(polygon: np.ndarray) -> float:
    """Signed area, positive anticlockwise."""
    x, y = (polygon - polygon[0]).T
    return float(0.5 * (x @ np.roll(y, -1) - np.roll(x, -1) @ y))


def inside(polygon: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Which of ``places`` (n, 2) lie inside ``polygon`` (m, 2), by counting crossings."""
    x, y = places.T
    result = np.zeros(len(places), dtype=bool)
    for (x1, y1), (x2, y2) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        crosses = (y1 > y) != (y2 > y)
        if y1 != y2:
            result ^= crosses & (x < x1 + (y - y1) * (x2 - x1) / (y2 - y1))
    return result


def _signed(triangles: np.ndarray) -> np.ndarray:
    one, two = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    return 0.5 * (one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])


def _clipped(triangles: np.ndarray, heights: np.ndarray, polygon: np.ndarray, sign: float) -> list:
    """Signed fan triangles of the parts of ``polygon`` inside each anticlockwise triangle: [(heights, areas)]."""
    low, high = polygon.min(axis=0), polygon.max(axis=0)
    near = ((triangles.max(axis=1) >= low) & (triangles.min(axis=1) <= high)).all(axis=1)
    pieces = []
    for triangle, height in zip(triangles[near], heights[near], strict=True):
        part = polygon
        for start, end in zip(triangle, np.roll(triangle, -1, axis=0), strict=True):
            part = _half(part, start, end)
            if len(part) < 3:
                break
        if len(part) < 3:
            continue
        edges = np.column_stack([triangle[1] - triangle[0], triangle[2] - triangle[0]])
        shares = np.linalg.solve(edges, (part - triangle[0]).T).T
        level = height[0] + shares @ (height[1:] - height[0])
        fan = np.stack([np.repeat(part[:1], len(part) - 2, axis=0), part[1:-1], part[2:]], axis=1)
        levels = np.column_stack([np.full(len(part) - 2, level[0]), level[1:-1], level[2:]])
        levels = np.clip(levels, height.min(), height.max())
        pieces.append((levels, sign * _signed(fan)))
    return pieces


def _half(part: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """The part of a polygon to the left of the line from ``start`` to ``end``."""
    direction = end - start
    side = direction[0] * (part[:, 1] - start[1]) - direction[1] * (part[:, 0] - start[0])
    following, next_side = np.roll(part, -1, axis=0), np.roll(side, -1)
    kept = []
    for here, there, now, then in zip(part, following, side, next_side, strict=True):
        if now >= 0:
            kept.append(here)
        if (now > 0 > then) or (now < 0 < then):
            kept.append(here + (there - here) * (now / (now - then)))
    return np.array(kept).reshape(-1, 2)
