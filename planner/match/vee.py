"""Intake side of a vee: what a manifold between two heads needs after heads and deck are cut."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite, not_negative, positive


@dataclass(frozen=True)
class VeeFactors:
    """Per unit of cut on one bank: side = removal from the manifold's face on that bank; drop = how much the manifold
    then comes down, which the end rails must give way to."""

    side: float
    drop: float


def vee_factors(half_angle_deg: float, face_lean_deg: float) -> VeeFactors:
    """Correction per unit of head or deck cut.

    half_angle_deg α: between the bank's axis and the vertical. face_lean_deg β: of the head's manifold face from the
    vertical, positive where it leans away from the middle going up. The head comes down its bank's axis by the cut c:
    (−c sin α, −c cos α) on the right bank. A manifold that comes straight down by d with t off its face follows when
    both parts agree: t = c sin α / cos β, d = c cos(α − β) / cos β (derived; checked by coordinates, and against
    the factors commonly tabled for vee engines).
    """
    alpha, beta = _angles(half_angle_deg, face_lean_deg)
    return VeeFactors(side=math.sin(alpha) / math.cos(beta), drop=math.cos(alpha - beta) / math.cos(beta))


@dataclass(frozen=True)
class VeeCorrection:
    """What to take off after the cuts of both banks, mm.

    left_side_mm, right_side_mm: off the manifold's face on each side (or off that head's manifold face). end_rail_mm:
    off the manifold's front and rear rails, or to be made up there by less sealing: the larger of both sides.
    tilt_mm: difference of drop between the sides; more than the gasket takes up means that the banks should be
    brought level first.
    """

    left_side_mm: float
    right_side_mm: float
    end_rail_mm: float
    tilt_mm: float


def vee_correction(
    half_angle_deg: float,
    face_lean_deg: float,
    left_cut_mm: float,
    right_cut_mm: float,
    *,
    gasket_change_mm: float = 0.0,
) -> VeeCorrection:
    """Corrections after head + deck cuts of ``left_cut_mm`` and ``right_cut_mm``.

    gasket_change_mm: thickness after less before of the head gaskets, which takes back as much of each cut. A
    negative result means that a side has room instead.
    """
    factors = vee_factors(half_angle_deg, face_lean_deg)
    change = finite("gasket_change_mm", gasket_change_mm)
    left = not_negative("left_cut_mm", left_cut_mm) - change
    right = not_negative("right_cut_mm", right_cut_mm) - change
    return VeeCorrection(
        left_side_mm=factors.side * left,
        right_side_mm=factors.side * right,
        end_rail_mm=factors.drop * max(left, right),
        tilt_mm=factors.drop * abs(left - right),
    )


@dataclass(frozen=True)
class VeeLine:
    """A line of the drawing: what it is, its two ends (x, y) in mm, seen along the crank, and whether it is cut."""

    name: str
    start: tuple[float, float]
    end: tuple[float, float]
    cut: bool


def vee_drawing(half_angle_deg: float, face_lean_deg: float, size_mm: float = 100.0) -> tuple[VeeLine, ...]:
    """Lines of a front view that shows which faces are meant: decks, heads' manifold faces, manifold, end rail.

    Crank at (0, 0), y up. Not to scale but in angle.
    """
    alpha, beta = _angles(half_angle_deg, face_lean_deg)
    size = positive("size_mm", size_mm)
    lines = []
    foot = None
    for name, sign in (("left", -1.0), ("right", 1.0)):
        axis = np.array([sign * math.sin(alpha), math.cos(alpha)])
        across = np.array([-sign * math.cos(alpha), math.sin(alpha)])  # toward the valley
        deck = 1.6 * size * axis
        inner = deck + 0.45 * size * across
        lines.append(_line(f"{name} bank axis", np.zeros(2), 2.4 * size * axis, False))
        lines.append(_line(f"{name} deck and head face", deck - 0.45 * size * across, inner, True))
        lean = np.array([sign * math.sin(beta), math.cos(beta)])
        low = inner + 0.1 * size * axis
        lines.append(_line(f"{name} manifold face", low, low + 0.5 * size * lean, True))
        foot = low if foot is None else foot
    rail = foot[1] - 0.15 * size
    lines.append(_line("end rail", np.array([foot[0], rail]), np.array([-foot[0], rail]), True))
    return tuple(lines)


def _line(name: str, start: np.ndarray, end: np.ndarray, cut: bool) -> VeeLine:
    return VeeLine(name, (float(start[0]), float(start[1])), (float(end[0]), float(end[1])), cut)


def _angles(half_angle_deg: float, face_lean_deg: float) -> tuple[float, float]:
    half = finite("half_angle_deg", half_angle_deg)
    if not 0 < half < 90:
        raise InputError("half_angle_deg", half, "half the angle between the banks, above 0 and below 90 degrees")
    lean = finite("face_lean_deg", face_lean_deg)
    if not -90 < lean < 90:
        raise InputError("face_lean_deg", lean, "an angle between -90 and 90 degrees")
    return math.radians(half), math.radians(lean)
