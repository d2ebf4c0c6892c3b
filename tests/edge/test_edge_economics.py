"""Taylor's line and the what-if of speed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError
from planner.edge import economic_speed, fastest_speed, speed_what_if, taylor_fit


@given(st.floats(0.05, 0.9), st.floats(20, 2000), st.integers(2, 6))
def test_exact_lines_are_found_again(n, c, count):
    lives = np.geomspace(2, 200, count)
    line = taylor_fit(c / lives**n, lives)
    assert line.n == pytest.approx(n)
    assert line.c == pytest.approx(c)
    assert line.life_minutes(line.speed_m_min(33)) == pytest.approx(33)


def test_the_cheapest_speed_is_below_the_fastest_unless_edges_are_free():
    assert economic_speed(0.25, 300, 2, 1.5, 10) < fastest_speed(0.25, 300, 2)
    assert economic_speed(0.25, 300, 2, 1.5, 0) == pytest.approx(fastest_speed(0.25, 300, 2))


def test_what_if_by_hand():
    # 10 min at 100 m/min; V T^0.5 = 1000: 100 min at 100 m/min, 25 min at 200; change 2 min, 1.00/min, edge 8.00
    result = speed_what_if([100, 200], 10, 100, 0.5, 1000, 2, 1.0, 8.0)
    assert result.life_minutes == pytest.approx([100, 25])
    assert result.minutes == pytest.approx([10.2, 5.4])
    assert result.cost == pytest.approx([11.0, 7.0])


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: taylor_fit([100], [10]), "speeds"),
        (lambda: taylor_fit([100, 100], [10, 11]), "speeds"),
        (lambda: taylor_fit([100, 200], [10, 10]), "lives"),  # life has to fall
        (lambda: taylor_fit([100, 200], [10]), "lives"),
        (lambda: taylor_fit([100, -200], [10, 5]), "speeds[1]"),
        (lambda: taylor_fit([100, float("nan")], [10, 5]), "speeds[1]"),
        (lambda: fastest_speed(1.0, 100, 2), "n"),
        (lambda: fastest_speed(0.2, 100, 0), "change_minutes"),
        (lambda: economic_speed(0.2, 100, 0, 1, 0), "edge_cost"),
        (lambda: economic_speed(0.2, 100, 2, 0, 1), "rate_per_minute"),
        (lambda: speed_what_if([], 1, 1, 0.2, 1, 1, 1, 1), "speeds"),
        (lambda: speed_what_if([1], 1, 1, 0.2, 1, 1, 1, 1, in_material=0), "in_material"),
    ],
)
def test_bad_input_is_refused(call, field):
    with pytest.raises(InputError) as refused:
        call()
    assert refused.value.field == field
