"""Tool life and economics of machining against textbook worked examples."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest

from planner.edge import economic_speed, fastest_speed, speed_factor, speed_what_if, taylor_fit, use_at_wear


def test_taylor_line_through_two_points():
    # Groover, Fundamentals of Modern Manufacturing, ch. 22 example: 160 m/min 5 min, 100 m/min 41 min: n 0.223, C 229
    n, c = taylor_fit([160, 100], [5, 41])
    assert n == pytest.approx(0.223, abs=5e-4)
    assert c == pytest.approx(229, abs=0.5)


@pytest.mark.parametrize(("n", "c", "published"), [(0.28, 350, 111), (0.27, 440, 146)])
def test_speed_for_an_hour_of_life(n, c, published):
    # Groover, ch. 23 example: v T^0.28 = 350 and v T^0.27 = 440 at 60 min: 111 and 146 m/min, ratio 1.31
    lives = np.array([10.0, 30.0, 90.0])
    line = taylor_fit(c / lives**n, lives)
    assert line.speed_m_min(60) == pytest.approx(published, abs=0.5)
    assert pytest.approx(1.31, abs=5e-3) == (440 / 60**0.27) / (350 / 60**0.28)


def test_fastest_and_cheapest_speed():
    # Groover, ch. 23 example: n 0.125, C 70, tool change 2 min, 0.50/min, tool 3: 50 and 42 m/min
    assert fastest_speed(0.125, 70, 2) == pytest.approx(50, abs=0.5)
    assert economic_speed(0.125, 70, 2, 0.50, 3) == pytest.approx(42, abs=0.5)


def test_halving_the_speed_multiplies_life_by_sixteen():
    # textbook statement for n 0.25; per path the edge then lasts 8 times as far: speed_factor counts path, not time
    line = taylor_fit([100, 200], [16, 1])
    assert line.n == pytest.approx(0.25)
    assert line.life_minutes(50) / line.life_minutes(100) == pytest.approx(16)
    assert speed_factor(50, 100, 0.25) == pytest.approx(1 / 8)


def test_the_two_speeds_are_the_minima_of_the_curves():
    speeds = np.linspace(20, 80, 6001)
    what_if = speed_what_if(speeds, 10, 40, 0.125, 70, 2, 0.5, 3, in_material=0.3)
    assert speeds[np.argmin(what_if.minutes)] == pytest.approx(what_if.fastest_m_min, abs=0.02)
    assert speeds[np.argmin(what_if.cost)] == pytest.approx(what_if.cheapest_m_min, abs=0.02)


@pytest.mark.parametrize(("criterion_mm", "published"), [(0.3, 0.453), (0.5, 0.534), (0.75, 0.614)])
def test_exponent_depends_on_the_wear_criterion(reference_dir, criterion_mm, published):
    # a textbook's flank wear against time at 100 and 155 m/min: n 0.453 / 0.534 / 0.614 at 0.3 / 0.5 / 0.75 mm
    with reference_dir("wear/turning_flank_wear.csv").open(newline="") as file:
        rows = [[float(v) for v in row] for row in list(csv.reader(file))[1:]]
    lives = []
    for speed in (100.0, 155.0):
        of_speed = np.array([row[1:] for row in rows if row[0] == speed])
        lives.append(use_at_wear(of_speed[:, 0], of_speed[:, 1], criterion_mm))
    assert taylor_fit([100, 155], lives).n == pytest.approx(published, abs=1e-3)


def test_starting_shape_is_the_published_scatter():
    # Wager & Barash, ASME J. Eng. Ind. 93(4): coefficient of variation of tool life about 0.3; Weibull shape 3.71
    k = 3.71
    variance = math.gamma(1 + 2 / k) - math.gamma(1 + 1 / k) ** 2
    assert math.sqrt(variance) / math.gamma(1 + 1 / k) == pytest.approx(0.3, abs=1e-3)
