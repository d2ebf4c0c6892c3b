"""Roughness against published examples and against the profile itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.cut import Corner, FinishModel, feed_for_ra, theoretical_ra, theoretical_rz


def test_groovers_ideal_and_actual_roughness():
    """Groover, Fundamentals of Modern Manufacturing, ch. 23 example: f 0.25, r 1.2, ratio 1.25: 1.6 ideal, 2.0 actual.

    The book takes Ra = f²/(32 r); the arc gives f²/(18 sqrt(3) r), 2.6 % more, hence 1.67 and 2.09 here.
    """
    ideal = theoretical_ra(0.25, 1.2)
    assert ideal * (18 * math.sqrt(3)) / 32 == pytest.approx(1.6, abs=0.05)
    assert ideal == pytest.approx(1.6 * 1.0264, rel=0.02)
    actual = FinishModel(ratio=1.25, floor_um=0).ra_um(0.25, Corner(1.2))
    assert actual / 1.0264 == pytest.approx(2.0, abs=0.05)


def test_height_of_the_profile():
    """Rt = f²/(8 r), standard formula: 1.563 µm at f 0.1, r 0.8; the exact arc r - sqrt(r² - f²/4) gives 1.564."""
    assert theoretical_rz(0.1, 0.8) == pytest.approx(1.5625, abs=5e-4)
    assert theoretical_rz(0.1, 0.8) == pytest.approx((0.8 - math.sqrt(0.8**2 - 0.05**2)) * 1000, abs=0.002)


def profile_roughness(feed, radius):
    """Mean height, Ra and Rt [µm] of the exact arc profile, integrated on a fine grid."""
    x = (np.arange(200_000) + 0.5) / 200_000 * feed - feed / 2
    z = (radius - np.sqrt(radius**2 - x**2)) * 1000
    return float(np.abs(z - z.mean()).mean()), float(radius - math.sqrt(radius**2 - feed**2 / 4)) * 1000


@settings(max_examples=30, deadline=None)
@given(st.floats(0.02, 0.5), st.floats(0.4, 6.0))
def test_against_the_exact_arc(feed, radius):
    """Qu & Shih, Machining Science and Technology 7(2), 2003, treat exact arcs; the parabola is within f²/(16 r²)."""
    if feed > radius / 2:
        feed = radius / 2
    ra, rt = profile_roughness(feed, radius)
    assert theoretical_ra(feed, radius) == pytest.approx(ra, rel=(feed / radius) ** 2 / 8 + 1e-5)
    assert theoretical_rz(feed, radius) == pytest.approx(rt, rel=(feed / radius) ** 2 / 12 + 1e-5)


def test_ratios_of_the_arc():
    """Derived: Ra = 0.032075 f²/r; Rt/Ra = 3.897."""
    assert theoretical_ra(1.0, 1.0) / 1000 == pytest.approx(0.032075, abs=1e-6)
    assert theoretical_rz(0.3, 1.0) / theoretical_ra(0.3, 1.0) == pytest.approx(3.897, abs=5e-4)


@pytest.mark.parametrize("ra_um", [0.4, 0.8, 1.6, 3.2])
def test_feed_for_a_roughness_grade(ra_um):
    """ISO 1302 grades N5 to N8. The feed found gives the grade back, also with a real ratio."""
    feed = feed_for_ra(ra_um, 1.6, ratio=1.25)
    assert 1.25 * theoretical_ra(feed, 1.6) == pytest.approx(ra_um)
