"""Facts of measuring: the cosine of an inclined indicator, expansion, and what rounding does to a reading."""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner.face import Indicator, expansion_mm, true_reading, warmest_c


@pytest.mark.parametrize(
    ("angle_deg", "factor"),
    # correction factors as printed in makers' instructions for lever indicators, from memory
    [(10, 0.98), (15, 0.97), (20, 0.94), (30, 0.87), (40, 0.77), (50, 0.64), (60, 0.50)],
)
def test_lever_indicator_correction(angle_deg, factor):
    assert true_reading(1.0, angle_deg, Indicator.LEVER) == pytest.approx(factor, abs=0.005)


def test_plunger_against_coordinates():
    """A plunger leaning 20 degrees from the spindle, its foot on a level surface that rises by 0.1 mm."""
    lean = math.radians(20)
    axis = np.array([math.sin(lean), math.cos(lean)])
    travel = 0.1 / axis[1]  # along the axis until the tip is 0.1 mm higher
    assert true_reading(travel, 20, Indicator.PLUNGER) == pytest.approx(0.1)


def test_aluminium_handbook_expansion():
    """23 um per m and C is the handbook figure for aluminium (from memory); 0.0005 in on 5 in is 8 F to the degree."""
    five_inch, half_thou = 127.0, 0.0127
    assert warmest_c(five_inch, 23, tolerance_mm=4 * half_thou) * 9 / 5 == pytest.approx(8, abs=0.5)
    assert expansion_mm(five_inch, 23, 8 * 5 / 9) == pytest.approx(half_thou, rel=0.05)
