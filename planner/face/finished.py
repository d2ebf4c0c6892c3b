"""After the cut: the finished, unclamped face against its limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite_array, positive
from planner.face.flatness import local_flatness, minimum_zone


@dataclass(frozen=True)
class FinishedLimits:
    """Limits of a finished face, None where unknown. Local flatness is per square of ``local_span_mm``."""

    flatness_mm: float | None = None
    local_flatness_mm: float | None = None
    local_span_mm: float | None = None
    parallel_mm: float | None = None
    least_height_mm: float | None = None
    ra_least_um: float | None = None
    ra_greatest_um: float | None = None

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if value is not None:
                positive(name, value)
        if (self.local_flatness_mm is None) != (self.local_span_mm is None):
            raise InputError("local_span_mm", self.local_span_mm, "a span with the local limit, or neither")
        if self.ra_least_um and self.ra_greatest_um and self.ra_least_um > self.ra_greatest_um:
            raise InputError("ra_least_um", self.ra_least_um, f"at most ra_greatest_um, {self.ra_greatest_um:g}")


@dataclass(frozen=True)
class Verdict:
    """One figure of the finished face. ``holds`` is None when the figure or the limit is unknown."""

    name: str
    value: float | None
    limit: float | None
    holds: bool | None


def check_finished(
    limits: FinishedLimits, points: object = None, heights_mm: object = None, ra_um: object = None
) -> list[Verdict]:
    """Judge a finished face: points (n, 3) mm surveyed unclamped, heights (m,) mm above the datum, Ra (k,) um.

    Parallelism is the range of the heights. Local flatness is unknown when the grid is too coarse for its span. Rough
    and too smooth are separate verdicts.
    """
    found: list[tuple[str, float | None, float | None, bool]] = []  # True: greatest, False: least
    if points is not None:
        found.append(("flatness", minimum_zone(points).flatness_mm, limits.flatness_mm, True))
        if limits.local_span_mm is not None:
            local = local_flatness(points, limits.local_span_mm).flatness_mm
            found.append(("local flatness", None if np.isnan(local) else local, limits.local_flatness_mm, True))
    else:
        found.append(("flatness", None, limits.flatness_mm, True))
    heights = None if heights_mm is None else finite_array("heights_mm", heights_mm, (None,))
    known = heights is not None and len(heights) > 0
    found.append(("parallelism", float(np.ptp(heights)) if known else None, limits.parallel_mm, True))
    found.append(("least height", float(heights.min()) if known else None, limits.least_height_mm, False))
    ra = None if ra_um is None else finite_array("ra_um", ra_um, (None,))
    rough = ra is not None and len(ra) > 0
    found.append(("roughest Ra", float(ra.max()) if rough else None, limits.ra_greatest_um, True))
    found.append(("smoothest Ra", float(ra.min()) if rough else None, limits.ra_least_um, False))
    return [Verdict(name, value, limit, _holds(value, limit, most)) for name, value, limit, most in found]


def _holds(value: float | None, limit: float | None, most: bool) -> bool | None:
    if value is None or limit is None:
        return None
    slack = 1e-9 * abs(limit)
    return value <= limit + slack if most else value >= limit - slack
