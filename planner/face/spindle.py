"""What a spindle out of tram does to a face.

An indicator carried by the spindle sweeps the table; readings are taken as the height of the cutter's own plane. Along
the travel: its trailing side less its leading side (toward the uncut metal), positive when the trailing side is high.
Across: its far (+y) side less its near side, positive when the far side is high.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from planner.errors import InputError, finite, positive


@dataclass(frozen=True)
class TramEffect:
    """hollow_mm: depth of the hollow across the face, 0 or more. trailing_clears: the trailing edge runs above the cut
    face, so a pass may stop when cut; otherwise the pass must run clear. clearance_mm: how far above the path of the
    leading edge the trailing edge runs at the middle of the face (negative: it cuts again). out_of_parallel_mm: height
    left at the far (+y) edge less at the near edge.
    """

    hollow_mm: float
    trailing_clears: bool
    clearance_mm: float
    out_of_parallel_mm: float

    def spoils(self, flatness_limit_mm: float, parallel_limit_mm: float | None = None) -> bool:
        """Whether hollow or lean alone would break a limit."""
        lean = parallel_limit_mm is not None and abs(self.out_of_parallel_mm) > positive(
            "parallel_limit_mm", parallel_limit_mm
        )
        return self.hollow_mm > positive("flatness_limit_mm", flatness_limit_mm) or lean


def tram_effect(
    along_mm: float, across_mm: float, sweep_mm: float, diameter_mm: float, width_mm: float, offset_mm: float = 0.0
) -> TramEffect:
    """Effect of tram readings over ``sweep_mm`` on a face of ``width_mm`` cut in one lane by ``diameter_mm``.

    offset_mm: of the face's middle from the cutter's centre line, toward +y. With R = D/2, y* the place of the face
    nearest the centre line and ym the farthest, the hollow is |t/S| (sqrt(R^2 - y*^2) - sqrt(R^2 - ym^2)): the cut
    follows the lower half of a tilted circle. Trailing side high (along above 0) keeps the trailing edge clear of it.
    """
    along, across = finite("along_mm", along_mm), finite("across_mm", across_mm)
    sweep, radius = positive("sweep_mm", sweep_mm), positive("diameter_mm", diameter_mm) / 2
    width, offset = positive("width_mm", width_mm), finite("offset_mm", offset_mm)
    low, high = offset - width / 2, offset + width / 2
    nearest = min(max(0.0, low), high)
    farthest = max(abs(low), abs(high))
    if farthest > radius * (1 + 1e-12):
        accepted = f"a face within the cutter: up to {2 * (radius - abs(offset)):g} mm wide here, else cut in lanes"
        raise InputError("width_mm", width_mm, accepted)
    reach = math.sqrt(radius**2 - nearest**2)
    hollow = abs(along) / sweep * (reach - math.sqrt(max(0.0, radius**2 - farthest**2)))
    return TramEffect(hollow, along > 0, along / sweep * 2 * reach, across / sweep * width)
