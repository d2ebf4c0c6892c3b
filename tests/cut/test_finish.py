"""Roughness, the gasket's band, feed windows and learned ratios."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError, LimitOfValidity
from planner.cut import (
    Corner,
    FinishModel,
    feed_for_ra,
    feed_window,
    learn_finish,
    theoretical_ra,
    theoretical_rz,
)


def test_arrays_come_back_as_arrays():
    feeds = np.array([0.05, 0.1, 0.2])
    assert theoretical_ra(feeds, 0.8).shape == (3,)
    assert theoretical_rz(feeds, 0.8)[1] == pytest.approx(theoretical_rz(0.1, 0.8))


def test_real_roughness_adds_ratio_and_floor_in_squares():
    model = FinishModel(ratio=1.2, floor_um=0.3)
    theory = theoretical_ra(0.1, 0.8)
    assert model.ra_um(0.1, Corner(0.8)) == pytest.approx(math.sqrt((1.2 * theory) ** 2 + 0.3**2))


def test_a_wiper_longer_than_the_feed_leaves_the_floor():
    model, corner = FinishModel(1.2, 0.3), Corner(0.8, wiper_mm=0.5)
    assert model.ra_um(0.4, corner) == 0.3
    assert model.ra_um(0.6, corner) > 1


def test_a_round_insert_has_half_its_diameter_as_corner():
    assert Corner.round(12.7).radius_mm == 6.35


def test_one_proud_insert_makes_the_upper_bound():
    model, corner = FinishModel(1.0, 0.0), Corner(1.6)
    low, high = model.bounds_um(0.1, 4, corner)
    assert low == pytest.approx(theoretical_ra(0.1, 1.6))
    assert high == pytest.approx(theoretical_ra(0.4, 1.6))
    assert model.bounds_um(0.1, 1, corner) == (low, low)


@given(
    st.floats(0.05, 3),
    st.floats(0.05, 3),
    st.integers(1, 4),
    st.floats(0.8, 2),
    st.floats(0, 0.5),
    st.sampled_from([0.0, 0.15]),
)
def test_feeds_of_the_window_stay_in_the_band_and_those_outside_do_not(a, b, inserts, ratio, floor, wiper):
    least, greatest = sorted((a, b))
    model, corner = FinishModel(ratio, floor), Corner(6.0, wiper)
    window = feed_window(model, inserts, corner, least, greatest)
    if not window.possible:
        for feed in np.geomspace(0.005, 1.0, 60):
            low, high = model.bounds_um(feed, inserts, corner)
            assert low < least or high > greatest
        return
    for share in (0.001, 0.5, 0.999):
        feed = window.least_mm + share * (window.greatest_mm - window.least_mm)
        if feed > 0 and window.greatest_mm > window.least_mm:
            low, high = model.bounds_um(feed, inserts, corner)
            assert least * (1 - 1e-9) <= low and high <= greatest * (1 + 1e-9)
    assert model.bounds_um(window.greatest_mm * 1.01, inserts, corner)[1] > greatest
    if window.least_mm > 0:
        assert model.bounds_um(window.least_mm * 0.99, inserts, corner)[0] < least


def test_a_band_below_the_floor_is_not_reachable():
    window = feed_window(FinishModel(1.2, 0.5), 1, Corner(0.8), 0.1, 0.4)
    assert not window.possible and "smoother" in window.reason


def test_an_open_band_leaves_the_feed_open():
    assert math.isinf(feed_window(FinishModel(), 1, Corner(0.8), 0.5, None).greatest_mm)


def test_learning_recovers_ratio_and_floor():
    rng = np.random.default_rng(7)
    feed, radius = rng.uniform(0.05, 0.25, 400), rng.choice([0.8, 1.6], 400)
    truth = np.hypot(1.4 * feed**2 / (18 * math.sqrt(3) * radius) * 1000, 0.35)
    read = truth * np.exp(rng.normal(0, 0.12, 400))
    found = learn_finish(feed, radius, read)
    assert found.ratio == pytest.approx(1.4, rel=0.03)
    assert found.floor_um == pytest.approx(0.35, rel=0.05)
    assert found.scatter == pytest.approx(0.12, rel=0.15)
    assert found.origin == "learned from 400 readings"


def test_one_wild_reading_does_not_rule():
    feed = np.linspace(0.08, 0.2, 12)
    read = np.array([FinishModel(1.2, 0.25).ra_um(f, Corner(0.8)) for f in feed])
    wild = read.copy()
    wild[5] *= 8
    calm, shaken = learn_finish(feed, 0.8, read), learn_finish(feed, 0.8, wild)
    assert shaken.ratio == pytest.approx(calm.ratio, rel=0.05)


def test_few_readings_stay_near_the_start_and_none_leaves_it():
    start = FinishModel(1.25, 0.2)
    assert learn_finish([], 0.8, [], start) is start
    one = learn_finish([0.1], 0.8, [1.2], start)
    many = learn_finish([0.1] * 60, 0.8, [1.2] * 60, start)
    assert (
        abs(many.ra_um(0.1, Corner(0.8)) - 1.2)
        < abs(one.ra_um(0.1, Corner(0.8)) - 1.2)
        < 1.2 - start.ra_um(0.1, Corner(0.8))
    )


def test_a_feed_above_the_corner_radius_warns():
    with pytest.warns(LimitOfValidity, match="parabola"):
        theoretical_ra(0.9, 0.8)


BAD = [
    (lambda: theoretical_ra(0, 0.8), "feed_mm"),
    (lambda: theoretical_ra(0.1, 0), "radius_mm"),
    (lambda: theoretical_ra(1.7, 0.8), "feed_mm"),  # the arcs do not meet
    (lambda: theoretical_rz([0.1, -0.1], 0.8), "feed_mm[1]"),
    (lambda: theoretical_ra(["thin"], 0.8), "feed_mm"),
    (lambda: theoretical_ra([0.1, 0.2], [0.8, 0.8, 0.8]), "radius_mm"),
    (lambda: theoretical_rz([True, False], 0.8), "feed_mm"),
    (lambda: feed_for_ra(0, 0.8), "ra_um"),
    (lambda: feed_for_ra(1, 0.8, 0), "ratio"),
    (lambda: FinishModel(0, 0.2), "ratio"),
    (lambda: FinishModel(1, -0.1), "floor_um"),
    (lambda: Corner(0), "radius_mm"),
    (lambda: feed_window(FinishModel(), 1, Corner(0.8), 2, 1), "band_greatest_um"),
    (lambda: feed_window(FinishModel(), 1.5, Corner(0.8), 1, 2), "inserts"),
    (lambda: learn_finish([0.1], 0.8, [0]), "ra_um"),
    (lambda: learn_finish([0.1, 0.2], 0.8, [1]), "ra_um"),
]


@pytest.mark.parametrize(("call", "field"), BAD)
def test_wrong_input_names_its_field(call, field):
    with pytest.raises(InputError) as error:
        call()
    assert error.value.field == field
