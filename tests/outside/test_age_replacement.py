"""Age replacement against its stationarity condition and brute force.

R. E. Barlow and L. C. Hunter, Optimum Preventive Maintenance Policies, Operations Research 8 (1960): the best age T
solves h(T) integral_0^T R - F(T) = c_p / (c_f - c_p), and the least cost rate is (c_f - c_p) h(T).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from planner.edge import age_rule, index_age, known_life


@given(st.floats(1.2, 8), st.floats(0.01, 1e5), st.floats(1, 100), st.floats(1.05, 100))
@settings(max_examples=60, deadline=None)
def test_stationarity(shape, scale, planned, times):
    failure = planned * times
    age = index_age(shape, scale, planned, failure)
    z = age / scale
    if z**shape > 300:
        return  # past every life: the condition holds by R = 0 and is checked below
    area = integrate.quad(lambda t: math.exp(-(t**shape)), 0, z, epsabs=1e-13, epsrel=1e-12)[0]
    left = shape * z ** (shape - 1) * area + math.expm1(-(z**shape))
    assert left == pytest.approx(planned / (failure - planned), rel=1e-7, abs=1e-10)


@pytest.mark.parametrize(("shape", "times"), [(1.5, 4), (2, 3), (2.5, 10), (3.71, 5), (6, 30)])
def test_no_other_age_costs_less(shape, times):
    grid = np.linspace(0, 4, 40_001)
    age, alive = grid[1:], np.exp(-(grid**shape))[1:]
    area = integrate.cumulative_simpson(np.exp(-(grid**shape)), x=grid)
    rate = (alive + times * (1 - alive)) / area
    best = index_age(shape, 1.0, 1.0, times)
    assert age[np.argmin(rate)] == pytest.approx(best, abs=5e-3)
    rule = age_rule(known_life(shape, [250.0]), 1.0, times)
    assert rule.use == pytest.approx(best)
    assert rule.cost_rate == pytest.approx((times - 1) * shape * best ** (shape - 1))
    assert rule.cost_rate == pytest.approx(rate.min(), rel=1e-5)


def test_never_when_it_cannot_pay():
    assert index_age(1.0, 10, 1, 50) == math.inf  # constant hazard: Barlow & Hunter
    assert index_age(0.8, 10, 1, 50) == math.inf
    assert index_age(3.0, 10, 5, 5) == math.inf
    assert index_age(3.0, 10, 5, 4) == math.inf
    assert index_age(1.01, 10, 1, 1.001) > 0
