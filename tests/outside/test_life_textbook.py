"""Weibull fits to data sets of the reliability literature, against the printed estimates (all from memory)."""

from __future__ import annotations

import pytest

from planner.edge import fit_life

BEARINGS = [
    17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.48, 51.84, 51.96, 54.12, 55.56, 67.80, 68.64, 68.64, 68.88, 84.12, 93.12,
    98.64, 105.12, 105.84, 127.92, 128.04, 173.40,
]  # fmt: skip
FLUID_34_KV = [
    0.19, 0.78, 0.96, 1.31, 2.78, 3.16, 4.15, 4.67, 4.85, 6.50, 7.35, 8.01, 8.27, 12.06, 31.75, 32.52, 33.91, 36.71, 72.89
]  # fmt: skip
REMISSION_WEEKS = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]


def test_ball_bearings():
    """Lieblein & Zelen, J. Res. NBS 57 (1956), million turns, complete; Lawless, Statistical Models and Methods for
    Lifetime Data: shape 2.102, scale 81.88."""
    fit = fit_life(BEARINGS, [True] * len(BEARINGS))
    assert fit.shape == pytest.approx(2.102, abs=5e-4)
    assert fit.capacities[0] == pytest.approx(81.88, abs=5e-3)


def test_insulating_fluid():
    """Nelson, Applied Life Data Analysis (1982), minutes to breakdown at 34 kV: shape 0.771, scale 12.22."""
    fit = fit_life(FLUID_34_KV, [True] * len(FLUID_34_KV))
    assert fit.shape == pytest.approx(0.771, abs=5e-4)
    assert fit.capacities[0] == pytest.approx(12.22, abs=5e-3)


def test_weeks_of_remission_with_twelve_of_twenty_one_still_running():
    """Freireich et al., Blood 21 (1963); the Weibull fit of the treated group in survival texts: shape 1.35, scale
    33.8."""
    fit = fit_life(REMISSION_WEEKS, RELAPSED)
    assert fit.shape == pytest.approx(1.35, abs=5e-3)
    assert fit.capacities[0] == pytest.approx(33.8, abs=0.05)
    assert (fit.edges, fit.failed) == (21, 9)
