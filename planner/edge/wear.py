"""What one cut spends of an edge: path in material, swept area, revolutions, share of life.

Capacity is a length of path in the material, not a time, so at another surface speed a path of the same length spends
(Vc / Vc_ref)^(1/n - 1) as much (Taylor's V T^n = C with path = V T). Shares of different materials add up (linear
damage, Palmgren 1924, Miner 1945). Every insert of a cutter meets the whole face once per revolution, so all edges of a
multi-insert cutter wear alike and a cut is recorded once for all of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from planner.errors import InputError, between, finite, not_negative, positive

__all__ = [
    "CutSpend",
    "arc_ratio",
    "edge_use",
    "path_for_area",
    "planning_limit",
    "revolutions",
    "spend_of_cut",
    "speed_factor",
    "swept_area",
    "swept_for_path",
]


def speed_factor(speed_m_min: float, reference_m_min: float, taylor_n: float) -> float:
    """How much faster the path wears the edge at ``speed_m_min`` than at the speed the capacity was stated for.

    (Vc / Vc_ref)^(1/n - 1), dimensionless. ``taylor_n`` in (0, 1]; 1 means the path lasts alike at any speed.
    """
    speed = positive("speed_m_min", speed_m_min)
    reference = positive("reference_m_min", reference_m_min)
    return (speed / reference) ** (1.0 / _exponent(taylor_n) - 1.0)


def edge_use(path_mm: float, capacity_mm: float, speed_factor: float = 1.0, skin_factor: float = 1.0) -> float:
    """Edge use spent by a path: path / capacity x speed factor x skin factor, in units of the Weibull scale of life.

    1 is not safe: about 63 % of edges have failed by then; see `planning_limit`.
    """
    path = not_negative("path_mm", path_mm)
    return path / positive("capacity_mm", capacity_mm) * positive("speed_factor", speed_factor) * _skin(skin_factor)


def planning_limit(shape: float, risk: float) -> float:
    """Edge use at which the chance of failure reaches ``risk``: (-ln(1 - p))^(1/shape). 0.45 for 5 % at shape 3.71."""
    k = positive("shape", shape)
    p = between("risk", risk, 0.0, 1.0)
    if p in (0.0, 1.0):
        raise InputError("risk", risk, "a chance above 0 and below 1")
    return (-math.log1p(-p)) ** (1.0 / k)


def swept_area(face_area_mm2: float, passes: float, touched_share: float = 1.0) -> float:
    """Swept area, mm2: face area (openings left out) x passes x the share of the face the passes touched."""
    area = not_negative("face_area_mm2", face_area_mm2)
    return area * not_negative("passes", passes) * between("touched_share", touched_share, 0.0, 1.0)


def revolutions(travel_mm: float, feed_mm: float) -> float:
    """Turns of the cutter over a travel; ``feed_mm`` per revolution."""
    return not_negative("travel_mm", travel_mm) / positive("feed_mm", feed_mm)


def arc_ratio(width_mm: float, diameter_mm: float, offset_mm: float = 0.0) -> float:
    """Length of the tooth's arc over the width of the face it crosses, at least 1.

    R (asin(y2/R) - asin(y1/R)) / W with y1, y2 = offset -/+ W/2. Raises `InputError` when the face is not covered.
    """
    width = positive("width_mm", width_mm)
    radius = positive("diameter_mm", diameter_mm) / 2.0
    offset = finite("offset_mm", offset_mm)
    low, high = offset - width / 2.0, offset + width / 2.0
    if max(abs(low), abs(high)) > radius:
        widest = 2 * (radius - abs(offset))
        raise InputError("width_mm", width_mm, f"a face within the cutter: at most {widest:g} mm")
    return radius * (math.asin(high / radius) - math.asin(low / radius)) / width


def path_for_area(area_mm2: float, feed_mm: float, arc_ratio: float = 1.0) -> float:
    """Path in material of each edge, mm, to sweep an area; ``feed_mm`` per revolution.

    One revolution clears feed x width of face along an arc of ``arc_ratio`` x width, so path = area / feed x arc ratio.
    """
    return not_negative("area_mm2", area_mm2) / positive("feed_mm", feed_mm) * _arc(arc_ratio)


def swept_for_path(path_mm: float, feed_mm: float, arc_ratio: float = 1.0) -> float:
    """Swept area, mm2, that a path of each edge clears at a feed per revolution; inverse of `path_for_area`."""
    return not_negative("path_mm", path_mm) * positive("feed_mm", feed_mm) / _arc(arc_ratio)


@dataclass(frozen=True)
class CutSpend:
    """What a cut took from each edge of the cutter."""

    path_mm: float  # in material, as cut
    wear_path_mm: float  # the same path at the reference speed in clean metal: what counts against the capacity
    chip_path_mm: float  # path weighted by how readily its skin chips an edge
    swept_mm2: float
    revolutions: float

    def __post_init__(self) -> None:
        for name in ("path_mm", "wear_path_mm", "chip_path_mm", "swept_mm2", "revolutions"):
            not_negative(name, getattr(self, name))

    def __add__(self, other: CutSpend) -> CutSpend:
        return CutSpend(
            self.path_mm + other.path_mm,
            self.wear_path_mm + other.wear_path_mm,
            self.chip_path_mm + other.chip_path_mm,
            self.swept_mm2 + other.swept_mm2,
            self.revolutions + other.revolutions,
        )

    def share(self, capacity_mm: float) -> float:
        """Edge use: in units of the Weibull scale of life of this material and grade."""
        return edge_use(self.wear_path_mm, capacity_mm)


def spend_of_cut(
    pass_path_mm: float,
    face_area_mm2: float,
    feed_mm: float,
    length_mm: float,
    passes: float = 1,
    touched_share: float = 1.0,
    speed_factor: float = 1.0,
    skin_passes: float = 0,
    skin_factor: float = 1.0,
    chip_factor: float = 1.0,
) -> CutSpend:
    """What ``passes`` over a face take from each edge.

    ``pass_path_mm``: path of each edge in one pass over the whole face (openings left out), from the engagement.
    ``touched_share``: mean share of the face the passes touched (early passes touch only the high places).
    ``skin_passes``: how many of the passes ran in harsh skin; these wear ``skin_factor`` and chip ``chip_factor`` times
    as readily as clean metal. ``feed_mm`` per revolution, ``length_mm`` the travel that counts for revolutions.
    """
    path = not_negative("pass_path_mm", pass_path_mm) * between("touched_share", touched_share, 0.0, 1.0)
    count = not_negative("passes", passes)
    in_skin = between("skin_passes", skin_passes, 0.0, count)
    clean = count - in_skin
    return CutSpend(
        path_mm=path * count,
        wear_path_mm=path * (clean + in_skin * _skin(skin_factor)) * positive("speed_factor", speed_factor),
        chip_path_mm=path * (clean + in_skin * positive("chip_factor", chip_factor)),
        swept_mm2=swept_area(face_area_mm2, count, touched_share),
        revolutions=revolutions(length_mm, feed_mm) * count,
    )


def _exponent(taylor_n: float) -> float:
    n = positive("taylor_n", taylor_n)
    if n > 1:
        raise InputError("taylor_n", taylor_n, "a number above 0 and at most 1")
    return n


def _skin(skin_factor: float) -> float:
    return positive("skin_factor", skin_factor)


def _arc(arc_ratio: float) -> float:
    return between("arc_ratio", arc_ratio, 1.0, math.pi / 2)
