"""Engine arithmetic: compression, piston position, cam timing, valve clearance, measured chambers.

These figures guide; the builder measures on the engine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from planner.errors import InputError, each, finite, not_negative, plain, positive
from planner.shop.engines import Crown, LiftCurve

MM3_PER_CM3 = 1000.0
# What a valve loses per crank degree that its lift comes nearer to top dead centre, where no lift curve is known.
LIFT_MM_PER_CRANK_DEG = 0.15


def swept_volume(bore_mm: ArrayLike, stroke_mm: ArrayLike):
    """Swept volume of one cylinder, cm³: π/4 bore² stroke.

    As with the other figures here a number for numbers, an array for arrays that broadcast; raises `InputError` for
    what is not finite and above 0.
    """
    bore, stroke = each(bore_mm=(positive, bore_mm), stroke_mm=(positive, stroke_mm))
    return math.pi / 4.0 * bore**2 * stroke / MM3_PER_CM3


def compression_ratio(swept_cm3: ArrayLike, clearance_cm3: ArrayLike):
    """Compression ratio: 1 + swept / clearance volume, the clearance being everything above the piston at top dead
    centre (Heywood, Internal Combustion Engine Fundamentals, ch. 2, from memory).

    Raises `InputError` unless both are above 0.

    >>> round(compression_ratio(swept_volume(92, 82), 48 + 3.378), 1)
    11.6
    """
    swept, clearance = each(swept_cm3=(positive, swept_cm3), clearance_cm3=(positive, clearance_cm3))
    return 1.0 + swept / clearance


def milled_clearance(clearance_cm3: ArrayLike, face_area_mm2: ArrayLike, cut_mm: ArrayLike):
    """Clearance volume after a face of this open area is cut, cm³: volume − area × cut.

    face_area_mm2: the chamber's area at the face for a head cut, the bore's for a case cut. Holds while the walls
    stand square to the face over the cut. Raises `InputError` when nothing of the volume would be left.
    """
    clearance, area, cut = each(
        clearance_cm3=(positive, clearance_cm3), face_area_mm2=(positive, face_area_mm2), cut_mm=(not_negative, cut_mm)
    )
    left = clearance - area * cut / MM3_PER_CM3
    if np.any(left <= 0):
        most = np.min(clearance / area) * MM3_PER_CM3
        raise InputError("cut_mm", cut_mm, f"less than {most:g} mm, which takes all of it")
    return left


def piston_drop(crank_deg: ArrayLike, crank_radius_mm: ArrayLike, rod_mm: ArrayLike):
    """Piston below top dead centre, mm: r (1 − cos θ) + l − √(l² − r² sin² θ), pin on the bore's axis.

    crank_deg: crank angle from top dead centre. Raises `InputError` unless rod > crank radius. Heywood, Internal
    Combustion Engine Fundamentals, ch. 2 (from memory).

    >>> piston_drop([5, 10, 15, 20], 40, 143).round(4).tolist()
    [0.1947, 0.7765, 1.7382, 3.0682]
    """
    angle, radius, rod = each(
        crank_deg=(finite, crank_deg), crank_radius_mm=(positive, crank_radius_mm), rod_mm=(positive, rod_mm)
    )
    if np.any(rod <= radius):
        raise InputError("rod_mm", rod_mm, f"more than the crank radius of {np.max(radius):g} mm")
    theta = np.radians(angle)
    across = radius * np.sin(theta)
    # r (1 − cos θ) and l − √(l² − a²) each without the difference of nearly equal figures
    return plain(2 * radius * np.sin(theta / 2) ** 2 + across**2 / (rod + np.sqrt(rod**2 - across**2)))


def cam_shift(drop_mm: ArrayLike, pitch_radius_mm: ArrayLike, run_angle_deg: ArrayLike = 0.0):
    """Shift of an overhead cam's timing when its axis comes nearer to the crank, crank degrees, positive = retard.

    drop_mm: head cut + case cut − gasket change (negative: raised). pitch_radius_mm: of the cam's wheel.
    run_angle_deg: between the taut run and the bore axis. 2 · (180/π) · drop · cos β / r: the taut run, which
    shortens, must be taken up by the cam turning back; the factor 2 is from cam to crank. Derived, first order in
    drop / run; checked against exact tangents.
    Raises `InputError` for a radius of 0 or an angle outside -90 to 90 degrees.
    """
    drop, radius, angle = each(
        drop_mm=(finite, drop_mm), pitch_radius_mm=(positive, pitch_radius_mm), run_angle_deg=(finite, run_angle_deg)
    )
    if np.any(np.abs(angle) >= 90):
        raise InputError("run_angle_deg", run_angle_deg, "an angle between -90 and 90 degrees")
    return plain(2.0 * np.degrees(drop * np.cos(np.radians(angle)) / radius))


def valve_loss(drop_mm: float, valve_angle_deg: float, crown: Crown) -> float:
    """Clearance lost along the valve, mm, when the head comes ``drop_mm`` nearer to the piston.

    valve_angle_deg φ: between valve and bore axis. Drop × cos φ over a pocket parallel to the valve head, drop / cos φ
    over a flat crown. Unknown: whichever leaves less clearance.
    """
    drop = finite("drop_mm", drop_mm)
    angle = finite("valve_angle_deg", valve_angle_deg)
    if not 0 <= angle < 90:
        raise InputError("valve_angle_deg", valve_angle_deg, "an angle from 0 to below 90 degrees")
    cos = math.cos(math.radians(angle))
    kind = _crown(crown)
    if kind is Crown.PARALLEL_POCKET:
        return drop * cos
    if kind is Crown.FLAT:
        return drop / cos
    return max(drop * cos, drop / cos)


def valve_clearance_after(
    measured_mm: float,
    drop_mm: float,
    valve_angle_deg: float,
    crown: Crown,
    *,
    shift_crank_deg: float = 0.0,
    closes_near_tdc: bool,
    curve: LiftCurve | None = None,
    crank_radius_mm: float | None = None,
    rod_mm: float | None = None,
) -> float:
    """Least piston-to-valve clearance after the cuts, mm along the valve (negative: they would touch).

    measured_mm: least clearance measured on the engine before. shift_crank_deg: of the cam, positive = retard.
    closes_near_tdc: True for the exhaust valve, which a retard brings nearer to the piston; False for the intake
    valve, which an advance does. With a lift curve (and crank radius and rod) the curve is shifted and the least
    clearance sought anew; without one 0.15 mm per crank degree is taken off on the side that loses, and nothing is
    added on the other.
    """
    measured = finite("measured_mm", measured_mm)
    shift = finite("shift_crank_deg", shift_crank_deg)
    lost = valve_loss(drop_mm, valve_angle_deg, crown)
    if curve is None:
        towards = shift if closes_near_tdc else -shift
        return measured - lost - LIFT_MM_PER_CRANK_DEG * max(0.0, towards)
    if crank_radius_mm is None or rod_mm is None:
        missing = "crank_radius_mm" if crank_radius_mm is None else "rod_mm"
        raise InputError(missing, None, "a length, as a lift curve is given")
    angles = np.array(curve.crank_deg)
    reach = np.linspace(angles[0] - abs(shift), angles[-1] + abs(shift), 4001)
    drop = piston_drop(reach, crank_radius_mm, rod_mm)
    kind = _crown(crown)

    def after(known: Crown) -> float:
        gap = valve_loss(1.0, valve_angle_deg, known) * drop
        shifted, before = (float(np.min(gap - np.interp(reach - by, angles, curve.lift_mm))) for by in (shift, 0.0))
        return measured - valve_loss(drop_mm, valve_angle_deg, known) + shifted - before

    return min(after(known) for known in ((Crown.PARALLEL_POCKET, Crown.FLAT) if kind is Crown.UNKNOWN else (kind,)))


@dataclass(frozen=True)
class MeasuredChamber:
    """A chamber volume measured at a known height of its head, cm³ and mm."""

    height_mm: float
    volume_cm3: float

    def __post_init__(self) -> None:
        finite("height_mm", self.height_mm)
        positive("volume_cm3", self.volume_cm3)


@dataclass(frozen=True)
class Chamber:
    """A chamber at one head height: volume, its area at the face, where each comes from, and the area's doubt."""

    volume_cm3: float
    area_mm2: float | None
    volume_measured: bool
    area_measured: bool
    area_doubt_mm2: float | None = None


def chamber_at(
    height_mm: float | None,
    *,
    drawing_cm3: float | None = None,
    drawing_area_mm2: float | None = None,
    drawing_height_mm: float | None = None,
    measured: Sequence[MeasuredChamber] = (),
    volume_doubt_cm3: float = 0.0,
) -> Chamber | None:
    """Chamber volume at a head height; None where it is not known.

    A measured volume at a known height overrides the drawing's; two or more at different heights also give the area,
    the slope of volume over height (least squares for more than two), with the doubt that ``volume_doubt_cm3`` of
    each volume makes. One alone needs the drawing's area to be carried to another height. Raises `InputError` when
    the measured volumes do not grow with the height.
    """
    if measured:
        heights = np.array([m.height_mm for m in measured])
        volumes = np.array([m.volume_cm3 for m in measured])
        if np.ptp(heights) > 1e-6:
            centred = heights - heights.mean()
            area = float(centred @ volumes / (centred @ centred)) * MM3_PER_CM3
            if area <= 0:
                raise InputError(
                    "measured", volumes.tolist(), "volumes that grow with the head's height: a lower head holds less"
                )
            doubt = not_negative("volume_doubt_cm3", volume_doubt_cm3) / math.sqrt(centred @ centred) * MM3_PER_CM3
            at = _height(height_mm)
            volume = float(volumes.mean()) + area * (at - heights.mean()) / MM3_PER_CM3
            return _chamber(volume, area, True, True, doubt)
        area_given = None if drawing_area_mm2 is None else positive("drawing_area_mm2", drawing_area_mm2)
        at = heights.mean() if height_mm is None else finite("height_mm", height_mm)
        if abs(at - heights.mean()) <= 1e-6:
            return _chamber(float(volumes.mean()), area_given, True, False)
        if area_given is None:
            return None
        volume = float(volumes.mean()) + area_given * (at - heights.mean()) / MM3_PER_CM3
        return _chamber(volume, area_given, True, False)
    if drawing_cm3 is None:
        return None
    volume = positive("drawing_cm3", drawing_cm3)
    area = None if drawing_area_mm2 is None else positive("drawing_area_mm2", drawing_area_mm2)
    if height_mm is None and drawing_height_mm is None:
        return _chamber(volume, area, False, False)
    if height_mm is None or drawing_height_mm is None or area is None:
        return None
    volume += area * (finite("height_mm", height_mm) - finite("drawing_height_mm", drawing_height_mm)) / MM3_PER_CM3
    return _chamber(volume, area, False, False)


def _chamber(volume: float, area: float | None, volume_measured: bool, area_measured: bool, doubt=None) -> Chamber:
    if volume <= 0:
        raise InputError("height_mm", volume, "a height at which some of the chamber is left")
    return Chamber(volume, area, volume_measured, area_measured, doubt)


def _height(height_mm: float | None) -> float:
    if height_mm is None:
        raise InputError("height_mm", None, "the head's height, as chamber volumes were measured at several")
    return finite("height_mm", height_mm)


def _crown(crown: Crown) -> Crown:
    try:
        return Crown(crown)
    except ValueError:
        raise InputError("crown", crown, ", ".join(Crown)) from None
