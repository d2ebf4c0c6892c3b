"""Engine arithmetic against published worked examples and independent geometry; the source stands beside each."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from planner.match import (
    Crown,
    LiftCurve,
    cam_shift,
    compression_ratio,
    depth_table,
    milled_clearance,
    piston_drop,
    swept_volume,
    valve_clearance_after,
    valve_loss,
)

CM3_PER_IN3 = 16.387064  # exact, from 1 in = 25.4 mm (NIST SP 811)


def test_swept_volume_77_by_80_4():
    """Published worked example (read): bore 77, stroke 80.4 mm, 374.394 cm³ a cylinder.

    The publication rounds π to 3.1416, which gives 374.394; with π itself it is 374.393.
    """
    ours = swept_volume(77, 80.4)
    assert ours == pytest.approx(374.394, abs=0.0015)
    assert ours * 3.1416 / math.pi == pytest.approx(374.394, abs=0.0005)


def test_compression_ratio_with_deck_volume():
    """Discussion's worked example (read): 92 × 82 mm, deck volume 3.378 cm³, head 48 cm³, ratio 11.6."""
    assert compression_ratio(swept_volume(92, 82), 48 + 3.378) == pytest.approx(11.6, abs=0.05)


def test_compression_ratio_in_inches():
    """Magazine's worked example (read): 4.00 × 3.48 in; piston 0.305, deck 0.41469, gasket 0.251328, chamber
    3.906 in³; ratio 9.97."""
    clearance = (0.305 + 0.41469 + 0.251328 + 3.906) * CM3_PER_IN3
    assert compression_ratio(swept_volume(4.00 * 25.4, 3.48 * 25.4), clearance) == pytest.approx(9.97, abs=0.005)


@pytest.mark.parametrize(("cut", "ratio"), [(0.1, 10.095), (0.25, 10.242), (0.5, 10.497)])
def test_milled_chamber_raises_the_ratio(cut, ratio):
    """Derived (geometry, no publication): 86 × 86 mm, ratio 10, chamber as wide as the bore."""
    swept = swept_volume(86, 86)
    after = milled_clearance(swept / 9.0, math.pi / 4 * 86**2, cut)
    assert compression_ratio(swept, after) == pytest.approx(ratio, abs=0.0005)


def test_milled_volume_against_a_numerically_integrated_chamber():
    """A hemisphere of radius 45 cut by a thin slice: volume by quadrature; the area at the face stands for the whole
    slice only while the slice is thin, and the error is of second order."""
    radius, cut = 45.0, 0.3
    z = np.linspace(0, cut, 2001)
    removed = np.trapezoid(math.pi * (radius**2 - z**2), z) / 1000
    whole = 2 / 3 * math.pi * radius**3 / 1000
    assert whole - milled_clearance(whole, math.pi * radius**2, cut) == pytest.approx(removed, rel=2e-5)


@pytest.mark.parametrize(("angle", "drop"), [(5, 0.1947), (10, 0.7765), (15, 1.7382), (20, 3.0682)])
def test_slider_crank(angle, drop):
    """Derived from the slider-crank's geometry: r 40, l 143 mm."""
    assert piston_drop(angle, 40, 143) == pytest.approx(drop, abs=0.00005)
    assert piston_drop(np.array([angle, -angle]), 40, 143) == pytest.approx([drop, drop], abs=0.00005)


def test_a_very_long_rod_is_a_scotch_yoke():
    """Derived: with the rod's length the drop tends to r (1 − cos θ); nothing is lost to the difference of two lengths
    that are nearly the same."""
    assert piston_drop(10, 40, 1e9) == pytest.approx(40 * (1 - math.cos(math.radians(10))), rel=1e-7)


def test_slider_crank_course_problem():
    """Course problem data, r 8 cm, l 24.5 cm: 93.43 mm at 90° (the value derived)."""
    assert piston_drop(90, 80, 245) == pytest.approx(93.43, abs=0.005)


@pytest.mark.parametrize("angle", [0, 37, 90, 141, 180, 275])
def test_slider_crank_by_coordinates(angle):
    """The pin lies on the bore's axis at the rod's length from the crank pin: solved as a circle meeting a line."""
    r, l = 40.0, 143.0  # noqa: E741
    pin = np.array([r * math.sin(math.radians(angle)), r * math.cos(math.radians(angle))])
    y = brentq(lambda y: math.hypot(pin[0], y - pin[1]) - l, pin[1], pin[1] + 2 * l, xtol=1e-12)
    assert piston_drop(angle, r, l) == pytest.approx(r + l - y, abs=1e-9)


def taut_length(centres, crank_radius, cam_radius, crank_turn, cam_turn):
    """Chain between a link fixed on the crank's wheel and one fixed on the cam's: arc + exact tangent + arc."""
    lean = math.asin((cam_radius - crank_radius) / centres)
    tangent = math.sqrt(centres**2 - (cam_radius - crank_radius) ** 2)
    return tangent + crank_radius * (crank_turn - lean) + cam_radius * (cam_turn + lean)


def test_cam_retard_against_exact_tangents():
    """Derived with exact tangents: radii 25 and 50 mm, centres 250 mm, drop 0.25 mm: 0.285° cam, 0.570° crank."""
    r1, r2, centres, drop = 25.0, 50.0, 250.0, 0.25
    before = taut_length(centres, r1, r2, 1.0, 1.0)
    # Chain does not stretch: what the tangent and arcs lose, the cam gives back by turning behind.
    behind = brentq(lambda a: taut_length(centres - drop, r1, r2, 1.0, 1.0 + a) - before, -0.1, 0.1, xtol=1e-14)
    assert math.degrees(behind) == pytest.approx(0.285, abs=0.0005)
    run_angle = math.degrees(math.asin((r2 - r1) / centres))
    ours = cam_shift(drop, r2, run_angle)
    assert ours == pytest.approx(0.570, abs=0.0005)
    assert ours == pytest.approx(2 * math.degrees(behind), rel=1e-3)
    assert ours > 0  # a shortened taut run retards the cam
    assert cam_shift(-drop, r2, run_angle) == -ours


@pytest.mark.parametrize("phi", [0.0, 12.0, 23.0, 45.0])
def test_valve_clearance_by_coordinates(phi):
    """Valve of axis φ from the bore: where its axis meets the crown, before and after the head comes down by 1 mm."""
    axis = np.array([math.sin(math.radians(phi)), -math.cos(math.radians(phi))])
    start, crown_y = np.array([0.0, 10.0]), 0.0
    along = [(s[1] - crown_y) / -axis[1] for s in (start, start - [0, 1.0])]
    assert valve_loss(1.0, phi, Crown.FLAT) == pytest.approx(along[0] - along[1])
    # A pocket parallel to the valve head: the distance of two parallel planes whose normal is the valve's axis.
    point = np.array([3.0, 1.0])
    apart = [abs((s - point) @ axis) for s in (start, start - [0, 1.0])]
    assert valve_loss(1.0, phi, Crown.PARALLEL_POCKET) == pytest.approx(apart[0] - apart[1])
    assert valve_loss(1.0, phi, Crown.UNKNOWN) == pytest.approx(along[0] - along[1])
    assert valve_loss(-1.0, phi, Crown.UNKNOWN) == pytest.approx(-(apart[0] - apart[1]))


@pytest.mark.parametrize("shift", [-3.0, 0.0, 2.5])
@pytest.mark.parametrize("closes", [False, True])
def test_lift_curve_against_a_search_over_the_crank(closes, shift):
    """Exhaust valve closing (or intake opening) past a piston at top dead centre: least gap sought on a fine grid."""
    angles = np.arange(-60.0, 61.0, 1.0)
    lift = 3.5 * np.exp(-np.maximum(0, angles + 25) / 18) if closes else 3.5 * np.exp(-np.maximum(0, 25 - angles) / 18)
    fine = np.arange(-60, 60, 0.01)
    r, l, phi, drop = 43.0, 140.0, 20.0, 0.3  # noqa: E741
    cos = math.cos(math.radians(phi))
    down = r * (1 - np.cos(np.radians(fine))) + l - np.sqrt(l**2 - (r * np.sin(np.radians(fine))) ** 2)

    def least(head_down, by):
        return min(8.0 + (down - head_down) * cos - np.interp(fine - by, angles, lift))

    after = valve_clearance_after(
        least(0.0, 0.0),
        drop,
        phi,
        Crown.PARALLEL_POCKET,
        shift_crank_deg=shift,
        closes_near_tdc=closes,
        curve=LiftCurve(tuple(angles), tuple(lift)),
        crank_radius_mm=r,
        rod_mm=l,
    )
    assert after == pytest.approx(least(drop, shift), abs=1e-3)


class _Line:
    def __init__(self, name, present, per_cut, least, greatest, restored_by=""):
        self.name, self.present_mm, self.per_cut = name, present, per_cut
        self.least_mm, self.greatest_mm, self.restored_by = least, greatest, restored_by


def test_valve_recession_after_resurfacing_of_a_diesel_head():
    """US Army TM 5-3820-256-24-5: never more than 0.25 mm stock, and the recut must keep valve recession within 0 to
    0.36 mm. A head at 0.20 mm of recession may thus lose 0.20 mm, not the 0.25 mm."""
    line = _Line("valve recession", 0.20, -1.0, 0.0, 0.36, "recut the seats")
    assert depth_table([line], 0.20).past == ()
    table = depth_table([line], 0.25)
    assert [row.name for row in table.past] == ["valve recession"]
    assert table.past[0].past_by_mm == pytest.approx(0.05)
    assert table.first == ("valve recession", pytest.approx(0.20))
