"""Taking a survey: templates of points, the indicator's inclination, faults the readings betray, and their doubt."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
import scipy

from planner.errors import InputError, between, finite, finite_array, not_negative, positive
from planner.face.area import far_origin
from planner.face.cleanup import Cleanup

ZERO_CLOSURE_MM = 0.0127  # 0.5 thou, common practice, no source


class Indicator(Enum):
    """Kinds of indicator; the angle is measured differently on each, the correction is the same."""

    PLUNGER = "plunger"  # angle between plunger and spindle direction: inclined travel is longer by 1 / cos
    LEVER = "lever"  # angle between stylus and surface: the arc's travel is longer by 1 / cos


def true_reading(reading_mm: object, angle_deg: float, kind: Indicator = Indicator.LEVER) -> object:
    """True height from what an inclined indicator shows: reading x cos(angle), (number or array) mm.

    ``kind`` says what the angle is measured from (see `Indicator`). Up to 60 degrees; above, the contact is unsafe.
    """
    if not isinstance(kind, Indicator):
        raise InputError("kind", kind, "Indicator.LEVER or Indicator.PLUNGER")
    factor = math.cos(math.radians(between("angle_deg", angle_deg, -60, 60)))
    if np.ndim(reading_mm) == 0:
        return finite("reading_mm", reading_mm) * factor
    return finite_array("reading_mm", reading_mm, np.shape(reading_mm)) * factor


@dataclass(frozen=True)
class Closure:
    """drift_mm: last reading at the zero point less the first; closes: within the limit, else sweep again."""

    drift_mm: float
    closes: bool


def sweep_closes(first_mm: float, last_mm: float, limit_mm: float = ZERO_CLOSURE_MM) -> Closure:
    """Whether a sweep returns to its zero."""
    drift = finite("last_mm", last_mm) - finite("first_mm", first_mm)
    return Closure(drift, abs(drift) <= positive("limit_mm", limit_mm) * (1 + 1e-9))


@dataclass(frozen=True)
class ClampSpring:
    """spring_mm (signed, the largest in size), the index of its point, and whether it is within the limit."""

    spring_mm: float
    index: int
    holds: bool


def clamp_spring(loose_mm: object, clamped_mm: object, limit_mm: float = ZERO_CLOSURE_MM) -> ClampSpring:
    """What the clamps do to the part: readings at the same point or points with clamps loose or eased, and tight."""
    loose = finite_array("loose_mm", np.atleast_1d(loose_mm), (None,))
    tight = finite_array("clamped_mm", np.atleast_1d(clamped_mm), (len(loose),))
    if not len(loose):
        raise InputError("loose_mm", loose_mm, "at least one reading")
    change = tight - loose
    worst = int(np.argmax(np.abs(change)))
    holds = abs(change[worst]) <= positive("limit_mm", limit_mm) * (1 + 1e-9)
    return ClampSpring(float(change[worst]), worst, bool(holds))


def template(
    count: int, length_mm: float, width_mm: float, inset_mm: float = 0.0, worst: Mapping[str, object] | None = None
) -> dict[str, tuple[float, float]]:
    """Named points (x along the travel, y across; origin at the face's left front corner) in the order of a sweep.

    4: the corners; 9: with the middle and the four ``worst`` places of the family, name -> (x, y) (the middles of the
    sides until the family has them); 13: with four between corner and middle. The sweep starts at the left front
    corner, goes row by row, and returns there to close.
    """
    if count not in (4, 9, 13):
        raise InputError("count", count, "4, 9 or 13 points")
    length, width = positive("length_mm", length_mm), positive("width_mm", width_mm)
    inset = not_negative("inset_mm", inset_mm)
    if 2 * inset >= min(length, width):
        raise InputError("inset_mm", inset_mm, f"below half of the shorter side, {min(length, width) / 2:g}")
    x0, x1, y0, y1 = inset, length - inset, inset, width - inset
    places: dict[str, tuple[float, float]] = {
        "left front": (x0, y0),
        "right front": (x1, y0),
        "left back": (x0, y1),
        "right back": (x1, y1),
    }
    if count >= 9:
        middle = (length / 2, width / 2)
        places["middle"] = middle
        sides = {
            "middle front": (middle[0], y0),
            "middle back": (middle[0], y1),
            "middle left": (x0, middle[1]),
            "middle right": (x1, middle[1]),
        }
        if worst is not None:
            if len(worst) != 4 or set(worst) & set(places):
                raise InputError("worst", sorted(worst), "four places with names of their own")
            sides = {name: tuple(finite_array(f"worst[{name!r}]", at, (2,)).tolist()) for name, at in worst.items()}
        places |= sides
    if count == 13:
        for name in ("left front", "right front", "left back", "right back"):
            x, y = places[name]
            places[f"inner {name}"] = ((x + length / 2) / 2, (y + width / 2) / 2)
    rows = np.linspace(0, width, 6)[1:-1]
    row = {name: int(np.searchsorted(rows, y)) for name, (_, y) in places.items()}
    forward = {value: k % 2 == 0 for k, value in enumerate(sorted(set(row.values())))}
    order = sorted(places, key=lambda n: (row[n], places[n][0] if forward[row[n]] else -places[n][0]))
    return {name: places[name] for name in order}


@dataclass(frozen=True)
class Place:
    """A place told by the named point nearest to it, how far off, and toward which other named point."""

    near: str
    off_mm: float
    toward: str | None

    @property
    def near_words(self) -> str:
        """In words without a length: ``left front`` or ``near left front``."""
        return self.near if self.toward is None else f"near {self.near}"

    def words(self, length: Callable[[float], str]) -> str:
        """In words, with ``length`` turning mm into the reader's unit: ``left front`` or ``1.2 in from ...``."""
        if self.toward is None:
            return self.near
        return f"{length(self.off_mm)} from {self.near} toward {self.toward}"


def find_place(place: object, named: Mapping[str, object], close_mm: float = 5.0) -> Place:
    """Tell ``place`` (x, y) mm by ``named`` points, name -> (x, y); within ``close_mm`` it is the point itself."""
    at = finite_array("place", place, (2,))
    if not named:
        raise InputError("named", named, "at least one named point")
    names = list(named)
    points = np.array([finite_array(f"named[{name!r}]", named[name], (2,)) for name in names])
    off = points - at
    distance = np.hypot(*off.T)
    nearest = int(np.argmin(distance))
    if distance[nearest] <= not_negative("close_mm", close_mm) or len(names) == 1:
        return Place(names[nearest], float(distance[nearest]), None)
    way, ways = at - points[nearest], points - points[nearest]
    lengths = np.hypot(*ways.T)
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = np.where(lengths > 0, (ways @ way) / (lengths * distance[nearest]), -2.0)
    best = np.flatnonzero(cosine >= cosine.max() - 1e-9)
    toward = int(best[np.argmin(lengths[best])])
    return Place(names[nearest], float(distance[nearest]), names[toward])


@dataclass(frozen=True)
class UsualPlace:
    """The place seen most often, in how many of how many."""

    name: str
    times: int
    records: int


def usual_place(seen: Sequence[str]) -> UsualPlace | None:
    """Where first contact, or the last dirty place, usually is: names from past surveys, oldest first.

    Of places seen equally often the one seen last is taken; None without a record. For first contact this is where to
    touch off.
    """
    if not len(seen):
        return None
    counts = Counter(seen)
    most = max(counts.values())
    name = next(name for name in reversed(seen) if counts[name] == most)
    return UsualPlace(name, most, len(seen))


@dataclass(frozen=True)
class DepthRange:
    """Clean-up depth with the doubt of the survey: likely, and the least and greatest that the readings allow.

    reading_mm: half-width from division and repeatability. coverage_mm: how much lower than the interpolant a place
    between the points may lie. Two standard deviations each.
    """

    likely_mm: float
    least_mm: float
    greatest_mm: float
    reading_mm: float
    coverage_mm: float


def depth_range(cut: Cleanup, division_mm: float, repeatability_mm: float = 0.0) -> DepthRange:
    """Range of a clean-up depth from the indicator's division, its repeatability (one standard deviation) and the grid.

    A reading rounded to the division has the standard deviation division / sqrt(12) (JCGM 100:2008, 4.3.7); readings
    carry to the depth by the contacts' weights. Coverage compares each inner point with the mean of its neighbours, the
    nearer the more: the places between the points lie half as far from theirs, and a bend grows with the square of
    distance, so a quarter of the root mean square.
    """
    division = not_negative("division_mm", division_mm)
    spread = math.hypot(division / math.sqrt(12), not_negative("repeatability_mm", repeatability_mm))
    reading = 2 * cut.uncertainty_share * spread
    coverage = 2 * _between_points(cut.points[:, :2], cut.levelled_mm) / 4
    least = max(0.0, cut.depth_mm - reading)
    return DepthRange(cut.depth_mm, least, cut.depth_mm + math.hypot(reading, coverage), reading, coverage)


def _between_points(places: np.ndarray, heights: np.ndarray) -> float:
    """Root mean square difference of inner points from their neighbours; 0 where there is no inner point."""
    try:
        mesh = scipy.spatial.Delaunay(places - far_origin(places))
    except scipy.spatial.QhullError:
        return 0.0
    starts, neighbours = mesh.vertex_neighbor_vertices
    rim = np.unique(mesh.convex_hull)
    off = []
    for i in np.setdiff1d(np.arange(len(places)), np.append(rim, mesh.coplanar[:, 0])):
        around = neighbours[starts[i] : starts[i + 1]]
        if len(around) < 3:
            continue
        away = places[around] - places[i]
        weights = 1 / np.hypot(*away.T)
        columns = np.column_stack([np.ones(len(around)), away])  # a tilt is not roughness
        fitted = np.linalg.lstsq(columns * np.sqrt(weights)[:, None], heights[around] * np.sqrt(weights), rcond=None)[0]
        off.append(heights[i] - fitted[0])
    return float(np.sqrt(np.mean(np.square(off)))) if off else 0.0
