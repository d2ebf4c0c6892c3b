"""Intake side of a vee: factors commonly tabled, and plane coordinates."""

import math

import numpy as np
import pytest

from planner.match import vee_correction, vee_factors


@pytest.mark.parametrize(
    ("face", "side"), [(0, 1.0), (5, 1.1), (10, 1.23), (15, 1.414), (20, 1.673), (25, 2.067), (30, 2.732), (35, 4.073)]
)
def test_side_factors_tabled_for_a_90_degree_vee(face, side):
    """Table widely reprinted in engine-rebuilding texts for 90° vees (from memory): manifold side per unit cut from
    the head, by the angle of the intake face against the square to the head face. Square to it leans 45°."""
    assert vee_factors(45.0, 45.0 + face).side == pytest.approx(side, abs=0.005)


def test_bottom_factor_tabled_for_a_90_degree_vee():
    """Same table (from memory): 1.71 off the bottom of the manifold per unit cut, at 10° (cut off after two places;
    geometry gives 1.717)."""
    assert vee_factors(45.0, 55.0).drop == pytest.approx(1.71, abs=0.008)


@pytest.mark.parametrize("alpha", [30.0, 45.0, 60.0])
@pytest.mark.parametrize("beta", [-10.0, 0.0, 35.0, 55.0, 75.0])
def test_ports_meet_again_by_coordinates(alpha, beta):
    """Right bank: a port centre on the head moves down the bank's axis by the cut. The manifold's port centre comes
    down with the manifold and moves outward, square to its face, by what that face lost: both must coincide."""
    cut = 0.4
    a, b = math.radians(alpha), math.radians(beta)
    head_port = np.array([80.0, 120.0]) - cut * np.array([math.sin(a), math.cos(a)])
    found = vee_correction(alpha, beta, cut, cut)
    into_manifold = np.array([-math.cos(b), math.sin(b)])  # square to a face that runs along (sin β, cos β)
    assert into_manifold @ np.array([math.sin(b), math.cos(b)]) == pytest.approx(0)
    manifold_port = np.array([80.0, 120.0]) - [0.0, found.end_rail_mm] + found.right_side_mm * into_manifold
    assert manifold_port == pytest.approx(head_port, abs=1e-12)
    assert found.tilt_mm == 0


def test_banks_cut_unequally_and_a_thicker_gasket():
    found = vee_correction(45.0, 45.0, 0.2, 0.5, gasket_change_mm=0.1)
    assert (found.left_side_mm, found.right_side_mm) == (pytest.approx(0.1), pytest.approx(0.4))
    assert found.end_rail_mm == pytest.approx(0.4 * math.sqrt(2))
    assert found.tilt_mm == pytest.approx(0.3 * math.sqrt(2))
