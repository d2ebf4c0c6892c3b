"""Flatness of a face and straightness of a line: minimum zone, least squares, and the worst small area.

ISO 1101 defines flatness as the width of the narrowest zone between two parallel planes that holds the surface;
ISO 12781 names the minimum-zone and least-squares reference planes. Widths here are perpendicular to the planes.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from planner.errors import InputError, finite_array, positive
from planner.face.minima import all_round, hull_corners, nearby
from planner.face.zone import narrowest_band

_THICK = 0.05  # zone to breadth above which a lower minimum may lie at any angle, and all round is searched
_THIN = 1e-5  # and below which a second minimum cannot differ by 1e-9 of the zone
_TURNS = 30
_MANY = 5000


@dataclass(frozen=True, eq=False)
class Flatness:
    """A zone that holds the points; perpendicular widths.

    flatness_mm: width of the zone. normal: unit vector in the coordinates of the input, its largest component positive.
    slope_x, slope_y, offset_mm: z = slope_x x + slope_y y + offset_mm is the zone's lower plane (minimum zone) or the
    fitted plane (least squares); all NaN unless the normal is within 45 degrees of z. For (n, 2) points y takes the
    place of z and slope_y is NaN. distance_mm: normal . p of that plane, always a number.
    high, low: indices of the contacts on the side the normal points to, and on the other. Those of a minimum zone prove
    it: the two sides' hulls, seen along the normal, meet (3+1, 1+3 or 2+2; fewer when points lie in line).
    """

    flatness_mm: float
    normal: np.ndarray
    slope_x: float
    slope_y: float
    offset_mm: float
    distance_mm: float
    high: np.ndarray
    low: np.ndarray
    pattern: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "pattern", f"{len(self.high)}+{len(self.low)}")


def minimum_zone(points: object) -> Flatness:
    """Narrowest zone that holds ``points``: (n, 3) mm, flatness; or (n, 2) mm, straightness of a line.

    Points may lie anywhere in space and at any tilt. Raises `InputError` for other shapes, for anything not finite,
    and for points that span no plane (all on one line) or, with (n, 2), no line (all in one place).

    >>> zone = minimum_zone([[0, 0, 0], [100, 0, 0], [0, 50, 0], [100, 50, 0], [50, 25, 0.03]])
    >>> round(zone.flatness_mm, 9), zone.high.tolist(), round(zone.slope_x, 9)
    (0.03, [4], 0.0)
    """
    cloud = _Cloud.read(points)
    width, normal, band = _narrowest_from(cloud.centred, cloud.axes)
    high, low = band.high, band.low
    ratio = width / float(np.ptp(cloud.centred @ cloud.axes[-2]))
    if ratio > _THICK:
        corners = hull_corners(cloud.centred)
        body, rivals = cloud.centred[corners], all_round(cloud.centred[corners], width)
    else:
        corners = np.arange(len(cloud.centred))
        body, rivals = cloud.centred, nearby(cloud.centred, normal, band, ratio) if ratio > _THIN else []
    for rival in rivals:
        found = _narrowest_from(body, _frame(rival))
        if found[0] < width:
            width, normal, band = found
            high, low = corners[band.high], corners[band.low]
    return cloud.result(width, normal, high, low, lower=True)


def least_squares(points: object) -> Flatness:
    """Peak to valley about the plane (or line) of least squared perpendicular distance (ISO 12781); input and errors as
    `minimum_zone`."""
    cloud = _Cloud.read(points)
    distance = cloud.centred @ cloud.axes[-1]
    high, low = np.array([np.argmax(distance)]), np.array([np.argmin(distance)])
    return cloud.result(float(np.ptp(distance)), cloud.axes[-1], high, low, lower=False)


@dataclass(frozen=True)
class _Cloud:
    """Points about their mean in units of their size, and their principal axes, widest first."""

    mean: np.ndarray
    size: float
    centred: np.ndarray
    axes: np.ndarray

    @classmethod
    def read(cls, points: object) -> _Cloud:
        try:
            shape = np.shape(points)
        except ValueError:  # rows of different lengths
            shape = ("ragged",)
        if len(shape) != 2 or shape[1] not in (2, 3):
            said = f"shape {shape}" if len(shape) else points
            raise InputError("points", said, "an array of shape (n, 3) for a face or (n, 2) for a line, mm")
        array = finite_array("points", points, (None, shape[1]))
        least, spans = (3, "a plane") if shape[1] == 3 else (2, "a line")
        if len(array) < least:
            raise InputError("points", f"{len(array)} points", f"at least {least} points, which span {spans}")
        reach = float(np.abs(array).max())
        array = array / (reach or 1.0)
        mean = array.mean(axis=0)
        centred = array - mean
        size = float(np.abs(centred).max())
        extents = np.zeros(0)
        if size > 0:
            centred = centred / size
            axes = np.linalg.svd(centred, full_matrices=len(array) < shape[1])[2]
            extents = np.abs(centred @ axes.T).max(axis=0)
        blur = 8 * np.finfo(float).eps / max(size, 1e-300)  # what rounding of the input leaves, in units of the size
        if size == 0 or blur > 1:
            raise InputError("points", "points at one place", f"points that span {spans}")
        if extents[least - 2] <= blur:
            raise InputError("points", "points on one line", f"points that span {spans}{_LINE_HINT}")
        return cls(mean * reach, size * reach, centred, axes)

    def result(self, width: float, normal: np.ndarray, high, low, lower: bool) -> Flatness:
        largest = np.flatnonzero(np.abs(normal) >= np.abs(normal).max() - 1e-12)[-1]
        if normal[largest] < 0:
            normal, high, low = -normal, low, high
        normal = normal + 0.0  # no negative zeros
        distance = float(normal @ self.mean)
        if lower:
            distance += float((self.centred @ normal).min()) * self.size
        slope_x = slope_y = offset = float("nan")
        up = normal[-1]
        if up >= np.sqrt(0.5) - 1e-12:
            slope_x, offset = float(-normal[0] / up) + 0.0, distance / float(up)
            slope_y = float(-normal[1] / up) + 0.0 if len(normal) == 3 else float("nan")
        return Flatness(width * self.size, normal, slope_x, slope_y, offset, distance, np.sort(high), np.sort(low))


_LINE_HINT = "; for the straightness of a line give (n, 2) points"


def _frame(normal: np.ndarray) -> np.ndarray:
    """Orthonormal rows, the last along ``normal``."""
    normal = normal / np.linalg.norm(normal)
    rest = np.linalg.svd(normal[None, :])[2][1:]
    return np.vstack([rest, normal])


def _narrowest_from(centred: np.ndarray, axes: np.ndarray):
    """Turn the frame into the band found in it until it stays: there, height and distance are the same.

    Returns width, normal and the band.
    """
    if len(centred) > _MANY:  # one turn with all; then those near its planes, when the zone they make holds all
        width, normal, _ = _turned(centred, axes, 1)
        distance = centred @ normal
        near = np.flatnonzero((distance > distance.max() - 0.1 * width) | (distance < distance.min() + 0.1 * width))
        if len(near) < len(centred) / 2:
            width, normal, band = _turned(centred[near], _frame(normal), _TURNS)
            if np.ptp(centred @ normal) <= width * (1 + 1e-12):
                return width, normal, replace(band, high=near[band.high], low=near[band.low])
    return _turned(centred, axes, _TURNS)


def _turned(centred: np.ndarray, axes: np.ndarray, turns: int):
    best = None
    for _ in range(turns):
        turned = centred @ axes.T
        height = turned[:, -1]
        band = narrowest_band(turned[:, :-1], height, height)
        normal = axes.T @ np.append(-band.slopes, 1.0)
        normal /= np.linalg.norm(normal)
        width = float(np.ptp(centred @ normal))
        if best is None or width < best[0]:
            best = (width, normal, band)
        if np.linalg.norm(band.slopes) < 1e-8 or width > best[0]:
            break
        axes = _frame(normal)
    return best


@dataclass(frozen=True, eq=False)
class LocalFlatness:
    """Worst flatness within any square of side ``span_mm``; NaN when no square holds four points (grid too coarse)."""

    flatness_mm: float
    span_mm: float
    indices: np.ndarray
    areas_seen: int


def local_flatness(points: object, span_mm: float) -> LocalFlatness:
    """Worst minimum zone over squares of side ``span_mm`` along x and y; ``points`` (n, 3) mm, z along the spindle.

    A restricted-area tolerance in the sense of ISO 1101. Up to 200 points every different square is looked at; above,
    squares a quarter of a span apart. A square whose points lie on one line counts with its straightness.
    """
    array = finite_array("points", points, (None, 3))
    span = positive("span_mm", span_mm)
    edge = span * (1 + 1e-9)
    if len(array) <= 200:
        starts = [np.unique(array[:, axis]) for axis in (0, 1)]
    else:
        starts = [np.arange(low, max(high - span, low) + span / 4, span / 4) for low, high in _extents(array)]
    groups = set()
    for left in starts[0]:
        inside = np.flatnonzero((array[:, 0] >= left) & (array[:, 0] <= left + edge))
        for bottom in starts[1]:
            column = array[inside, 1]
            group = inside[(column >= bottom) & (column <= bottom + edge)]
            if len(group) >= 4:
                groups.add(tuple(group))
    bounds = sorted(((_fitted_range(array[list(group)]), group) for group in groups), reverse=True)
    worst, indices = float("nan"), np.zeros(0, dtype=int)
    for bound, group in bounds:
        if bound <= worst:  # a fitted plane's range is never below the narrowest band
            break
        chosen = array[list(group)]
        band = narrowest_band(chosen[:, :2], chosen[:, 2], chosen[:, 2])
        width = band.width / float(np.hypot(1.0, np.linalg.norm(band.slopes)))
        if not width <= worst:
            worst, indices = width, np.array(group)
    return LocalFlatness(worst, span, indices, len(groups))


def _extents(array: np.ndarray) -> list[tuple[float, float]]:
    return [(array[:, axis].min(), array[:, axis].max()) for axis in (0, 1)]


def _fitted_range(points: np.ndarray) -> float:
    centred = points - points.mean(axis=0)
    slopes = np.linalg.lstsq(centred[:, :2], centred[:, 2], rcond=None)[0]
    return float(np.ptp(centred[:, 2] - centred[:, :2] @ slopes)) + 1e-15
