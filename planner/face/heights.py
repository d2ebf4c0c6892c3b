"""What a cut takes from the height at every measuring point, and when a part is too warm to measure.

Height is the dimension the cut shortens, from the face's datum. A cut to depth d below first contact takes
max(0, d - g) at a point whose surface stands g below first contact in the frame of the cut.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite, finite_array, not_negative, numbers, positive


def gaps(points: object, at: object = None, slopes: object = (0, 0)) -> np.ndarray:
    """How far the measuring points stand below first contact, (m,) mm, in the frame of the cut.

    points (n, 3) mm the survey, as now shimmed; at (m, 3) mm the measuring points in the same coordinates (default the
    surveyed points themselves); slopes of the cut in survey coordinates. A measuring point higher than every surveyed
    one is first contact itself.
    """
    survey = finite_array("points", points, (None, 3))
    measured = survey if at is None else finite_array("at", at, (None, 3))
    if not len(survey):
        raise InputError("points", points, "at least one point")
    tilt = finite_array("slopes", slopes, (2,))
    centre = survey[:, :2].mean(axis=0)
    level = measured[:, 2] - (measured[:, :2] - centre) @ tilt
    highest = float((survey[:, 2] - (survey[:, :2] - centre) @ tilt).max())
    return max(highest, float(level.max(initial=-math.inf))) - level


def heights_after(heights_mm: object, gaps_mm: object, depth_mm: float) -> np.ndarray:
    """Heights (m,) mm left by a cut to ``depth_mm`` below first contact: h - max(0, depth - gap)."""
    heights = finite_array("heights_mm", heights_mm, (None,))
    gap = finite_array("gaps_mm", gaps_mm, (len(heights),))
    if (gap < 0).any():
        raise InputError("gaps_mm", gaps_mm, "0 or more: no point stands above first contact")
    return heights - np.maximum(0.0, not_negative("depth_mm", depth_mm) - gap)


def height_elsewhere(
    height_mm: float, place: object, other: object, cut_slopes: object = (0, 0), datum_slopes: object = (0, 0)
) -> object:
    """Finished height at ``other`` (2,) or (m, 2) from the finished height at ``place`` (2,), both cut.

    h + (cut slopes - datum slopes) . (other - place), slopes in survey coordinates.
    """
    start = finite_array("place", place, (2,))
    target = numbers("other", other, "a place (2,) or places (m, 2)")
    target = finite_array("other", other, (2,) if target.ndim == 1 else (None, 2))
    tilt = finite_array("cut_slopes", cut_slopes, (2,)) - finite_array("datum_slopes", datum_slopes, (2,))
    result = finite("height_mm", height_mm) + (target - start) @ tilt
    return float(result) if target.ndim == 1 else result


@dataclass(frozen=True)
class LowestCorner:
    """The lowest corner of the finished face: its index in the outline, its place, and its height."""

    index: int
    x_mm: float
    y_mm: float
    height_mm: float


def lowest_corner(
    height_mm: float, place: object, outline: object, cut_slopes: object = (0, 0), datum_slopes: object = (0, 0)
) -> LowestCorner:
    """Where the limit is tested: the outline's corner of least finished height; arguments as `height_elsewhere`."""
    corners = finite_array("outline", outline, (None, 2))
    if not len(corners):
        raise InputError("outline", outline, "at least one corner")
    heights = height_elsewhere(height_mm, place, corners, cut_slopes, datum_slopes)
    lowest = int(np.argmin(heights))
    return LowestCorner(lowest, float(corners[lowest, 0]), float(corners[lowest, 1]), float(heights[lowest]))


def expansion_mm(height_mm: float, expansion_um_per_m_c: float, above_c: float) -> float:
    """Growth of a height ``above_c`` degrees C warmer than the gauge; about 23 um per m and C for aluminium."""
    coefficient = positive("expansion_um_per_m_c", expansion_um_per_m_c)
    return positive("height_mm", height_mm) * coefficient * 1e-6 * finite("above_c", above_c)


def warmest_c(height_mm: float, expansion_um_per_m_c: float, tolerance_mm: float) -> float:
    """Greatest difference of temperature, C, at which a height may be measured: expansion of a quarter tolerance."""
    return positive("tolerance_mm", tolerance_mm) / 4 / expansion_mm(height_mm, expansion_um_per_m_c, 1.0)


def cool_down_minutes(excess_c: float, allowed_c: float, time_constant_minutes: float) -> float:
    """Wait until a part ``excess_c`` above the room is within ``allowed_c``: Newton's law of cooling."""
    excess = not_negative("excess_c", excess_c)
    allowed = positive("allowed_c", allowed_c)
    wait = positive("time_constant_minutes", time_constant_minutes)
    return wait * math.log(excess / allowed) if excess > allowed else 0.0
