"""What the limit leaves: head-room before and after a cut, heights after at every measuring point.

Without a survey every place is taken to lose the whole depth against the limit (safe), and the final height gets a
range: a place that lay low loses less.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.face import heights_after as cut_heights
from planner.face import lowest_corner, outline_of
from planner.shop import Face, Part


@dataclass(frozen=True)
class HeightAfter:
    """A measuring point: height now, likely after, and the range it may end in (mm)."""

    point: str
    now_mm: float
    likely_mm: float
    lowest_mm: float
    highest_mm: float


@dataclass(frozen=True)
class HeadRoom:
    """What may still be taken. ``before_mm`` None = unknown; ``uncertainty_mm`` of the measured height is kept back.

    ``basis`` says in words what it rests on; ``measured`` whether heights were measured.
    """

    before_mm: float | None
    uncertainty_mm: float
    basis: str
    measured: bool
    removed_mm: float
    earlier_unknown: bool = False

    @property
    def in_hand_mm(self) -> float | None:
        """Deepest depth that surely stays above the limit; never below 0."""
        return None if self.before_mm is None else max(0.0, self.before_mm - self.uncertainty_mm)

    def after(self, depth_mm: float) -> float | None:
        """Height left above the limit after a cut; negative = below it."""
        return None if self.before_mm is None else self.before_mm - depth_mm


def head_room(part: Part, face: Face, recorded_mm: float, gaps_mm: Mapping[str, float] | None = None) -> HeadRoom:
    """Head-room of a part's face: from measured heights and the least height, else from the total taken so far.

    ``recorded_mm`` is what recorded cuts took; ``part.removed_before_mm`` what was taken before the record began.
    ``gaps_mm``: first-contact height less survey height at measuring points: what may be taken then counts from first
    contact, and the limit is tested at the lowest corner of the finished face, too.
    """
    heights = part.latest_heights_mm(face.id)
    least = face.least_height_mm
    before = part.removed_before_mm
    removed = recorded_mm + (before or 0.0)
    if heights and least is not None:
        lowest = min(heights.values(), key=lambda r: r.height_mm)
        surveyed = {n: r.height_mm for n, r in heights.items() if n in (gaps_mm or {})}
        if len(surveyed) == len(heights) and lowest.height_mm > least:
            after, where = _lowest_surveyed(face, surveyed, gaps_mm)
            return HeadRoom(
                after - least,
                lowest.repeatability_mm or 0.0,
                f"heights and survey at {where}, the lowest place once cut, against the least height",
                True,
                removed,
            )
        return HeadRoom(
            lowest.height_mm - least,
            lowest.repeatability_mm or 0.0,
            f"measured at {lowest.point}, the lowest point, against the least height",
            True,
            removed,
        )
    if face.limit.greatest_removal_mm is not None:
        return HeadRoom(
            face.limit.greatest_removal_mm - removed,
            0.0,
            "from the total removed so far against the greatest removal",
            bool(heights),
            removed,
            earlier_unknown=before is None,
        )
    if least is not None and face.new_height_mm is not None and before is not None:
        return HeadRoom(
            face.new_height_mm - removed - least, 0.0, "from the new height less the total removed", False, removed
        )
    reason = "no limit known, ask" if least is None else "no height measured yet"
    return HeadRoom(None, 0.0, reason, bool(heights), removed, earlier_unknown=before is None)


def _lowest_surveyed(face: Face, heights_mm: Mapping[str, float], gaps_mm: Mapping[str, float]) -> tuple[float, str]:
    """What the height of the finished face would be at its lowest place if it were cut to first contact only, mm, and
    the name of that place: a measuring point, or a corner of the outline where heights at three places tell its tilt."""
    at = {p.name: (p.x_mm, p.y_mm) for p in face.points}
    cut = {name: height + gaps_mm[name] for name, height in heights_mm.items()}
    lowest = min(cut, key=cut.get)
    known = [name for name in cut if name in at]
    places = np.array([at[name] for name in known]).reshape(-1, 2)
    columns = np.column_stack([np.ones(len(places)), places / max(face.length_mm, face.width_mm)])
    if len(places) < 3 or np.linalg.matrix_rank(columns, tol=1e-6) < 3:
        return cut[lowest], lowest
    level, *tilt = np.linalg.lstsq(columns, np.array([cut[name] for name in known]), rcond=None)[0]
    slopes = np.array(tilt) / max(face.length_mm, face.width_mm)
    corner = lowest_corner(float(level), (0.0, 0.0), outline_of(face), slopes)
    if corner.height_mm >= cut[lowest]:
        return cut[lowest], lowest
    side = "left" if corner.x_mm == 0 else "right"
    return corner.height_mm, f"the {side} {'front' if corner.y_mm == 0 else 'back'} corner"


def heights_after(
    part: Part,
    face: Face,
    stop_likely_mm: float,
    stop_allow_mm: float,
    gaps_mm: Mapping[str, float] | None,
    out_of_flat_mm: float,
) -> tuple[HeightAfter, ...]:
    """Heights after the cut at every measured point: h − max(0, d − g), g = first-contact less survey height there.

    Without a survey (``gaps_mm`` None) the likely figure takes the whole depth, and the highest one supposes the point
    lay ``out_of_flat_mm`` low.
    """
    readings = part.latest_heights_mm(face.id)
    now = [r.height_mm for r in readings.values()]
    gaps = np.array([(gaps_mm or {}).get(name, 0.0) for name in readings])
    likely, low = (cut_heights(now, gaps, depth) for depth in (stop_likely_mm, stop_allow_mm))
    high = likely if gaps_mm is not None else cut_heights(now, gaps + out_of_flat_mm, stop_likely_mm)
    return tuple(
        HeightAfter(*row) for row in zip(readings, now, likely.tolist(), low.tolist(), high.tolist(), strict=True)
    )
