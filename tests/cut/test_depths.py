"""Distributions of clean-up depth, before and after something has been seen."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from planner import InputError
from planner.cut import narrow, not_clean_at, starting_depth, surveyed_depth
from planner.cut.depths import LogNormalDepth

NORMAL = starting_depth(0.06096, 0.35)
SURVEYED = surveyed_depth(0.08, 0.012, starting_depth(0.012, 0.6))


@given(st.floats(0.01, 1), st.floats(0.05, 1.2))
def test_median_and_bound_give_the_spread_back(median, sigma):
    bound = starting_depth(median, sigma).ppf(0.8)
    again = starting_depth(median, bound80_mm=float(bound))
    assert again.median() == pytest.approx(median)
    assert again.std() == pytest.approx(starting_depth(median, sigma).std(), rel=1e-6)


DISTRIBUTIONS = {
    "narrowed": narrow(NORMAL, 0.04, 0.09),
    "not clean": not_clean_at(NORMAL, 0.1),
    "far tail": not_clean_at(NORMAL, 0.4),
    "surveyed": SURVEYED,
    "surveyed, not clean": not_clean_at(SURVEYED, 0.1),
    "surveyed near nothing": surveyed_depth(0.005, 0.012, starting_depth(0.012, 0.6)),
    "survey without doubt": surveyed_depth(0.08, 0.0, starting_depth(0.012, 0.6)),
}


@pytest.mark.parametrize("name", DISTRIBUTIONS)
def test_behaves_like_a_distribution(name):
    depth = DISTRIBUTIONS[name]
    first, last = depth.support()
    places = depth.ppf(np.linspace(0.001, 0.999, 41))
    assert (np.diff(places) > 0).all()
    assert depth.cdf(places) == pytest.approx(np.linspace(0.001, 0.999, 41), abs=1e-6)
    assert depth.sf(places) == pytest.approx(1 - depth.cdf(places), abs=1e-9)
    assert depth.cdf(first) == pytest.approx(0, abs=1e-9) and depth.sf(first) == pytest.approx(1)
    # the density is the slope of the distribution
    low, high = places[4], places[30]
    area = integrate.quad(depth.pdf, low, high, limit=300, points=list(places[5:30:6]))[0]
    assert area == pytest.approx(depth.cdf(high) - depth.cdf(low), rel=1e-5)
    draw = depth.rvs(20_000, random_state=3)
    assert draw.min() >= first and draw.max() <= last
    assert draw.mean() == pytest.approx(depth.mean(), abs=5 * depth.std() / math.sqrt(20_000))
    assert draw.std() == pytest.approx(depth.std(), rel=0.1)
    assert depth.median() == pytest.approx(float(depth.ppf(0.5)))
    assert depth.isf(0.2) == pytest.approx(depth.ppf(0.8))
    assert depth.interval(0.5) == pytest.approx((depth.ppf(0.25), depth.ppf(0.75)))


@settings(max_examples=30, deadline=None)
@given(st.floats(0.0, 0.3), st.floats(0.001, 0.2))
def test_not_clean_conditions_on_more(depth_mm, further):
    seen = not_clean_at(NORMAL, depth_mm)
    expected = NORMAL.sf(depth_mm + further) / NORMAL.sf(depth_mm)
    assert seen.sf(depth_mm + further) == pytest.approx(expected, rel=1e-9)


def test_seeing_twice_is_seeing_the_deeper():
    twice = not_clean_at(not_clean_at(NORMAL, 0.05), 0.08)
    assert twice == not_clean_at(NORMAL, 0.08)
    both = narrow(narrow(NORMAL, 0.02, 0.1), 0.05, 0.2)
    assert (both.low_mm, both.high_mm) == (0.05, 0.1)
    assert narrow(NORMAL, 0.0) is NORMAL


def test_survey_against_a_simulated_one():
    """D = surveyed - U + X, drawn a million times; negative depths do not occur."""
    rng = np.random.default_rng(12)
    drawn = 0.08 - rng.normal(0, 0.012, 1_000_000) + starting_depth(0.012, 0.6).rvs(1_000_000, random_state=rng)
    drawn = drawn[drawn > 0]
    for place in (0.06, 0.08, 0.1, 0.13):
        error = 4 * math.sqrt(0.25 / drawn.size)
        assert SURVEYED.cdf(place) == pytest.approx((drawn <= place).mean(), abs=error)
    assert SURVEYED.mean() == pytest.approx(drawn.mean(), abs=4 * drawn.std() / 1000)


def test_a_survey_can_be_too_deep_and_too_shallow():
    assert 0.02 < SURVEYED.cdf(0.08) < 0.5


BAD = [
    (lambda: starting_depth(0, 0.3), "median_mm"),
    (lambda: starting_depth(0.1), "sigma"),
    (lambda: starting_depth(0.1, 0.3, 0.2), "sigma"),
    (lambda: starting_depth(0.1, bound80_mm=0.1), "bound80_mm"),
    (lambda: narrow(NORMAL, 0.1, 0.1), "high_mm"),
    (lambda: narrow(NORMAL, -0.1), "low_mm"),
    (lambda: narrow(stats.uniform(0, 0.1), 0.2), "low_mm"),
    (lambda: surveyed_depth(-0.1, 0.01, NORMAL), "surveyed_mm"),
    (lambda: surveyed_depth(0.1, -0.01, NORMAL), "uncertainty_mm"),
]


@pytest.mark.parametrize(("call", "field"), BAD)
def test_wrong_input_names_its_field(call, field):
    with pytest.raises(InputError) as error:
        call()
    assert error.value.field == field


@settings(max_examples=60, deadline=None)
# below the least normal number scipy divides by 0
@given(
    st.floats(0.001, 2.0),
    st.floats(0.05, 1.5),
    st.lists(st.floats(-0.1, 6.0, allow_subnormal=False), min_size=1, max_size=8),
)
def test_the_log_normal_depth_is_scipy_s(median, sigma, depths):
    """Reference: scipy.stats.lognorm, a general-purpose library."""
    ours, theirs = LogNormalDepth(median, sigma), stats.lognorm(sigma, scale=median)
    for name in ("cdf", "sf", "pdf"):
        assert getattr(ours, name)(depths) == pytest.approx(getattr(theirs, name)(depths), rel=1e-9, abs=1e-250), name
        assert isinstance(getattr(ours, name)(depths[0]), float)
    shares = [0.0, 1e-9, 0.2, 0.5, 0.8, 1 - 1e-9, 1.0]
    assert ours.ppf(shares) == pytest.approx(theirs.ppf(shares), rel=1e-9)
    assert ours.isf(shares) == pytest.approx(theirs.isf(shares), rel=1e-9)
    for name in ("mean", "median", "std", "var"):
        assert getattr(ours, name)() == pytest.approx(float(getattr(theirs, name)()), rel=1e-9), name
    assert ours.interval(0.8) == pytest.approx(theirs.interval(0.8))
    assert ours.support() == theirs.support()


def test_draws_from_a_log_normal_depth_follow_it():
    drawn = LogNormalDepth(0.06, 0.4).rvs(4000, random_state=5)
    assert drawn.shape == (4000,)
    assert stats.kstest(drawn, stats.lognorm(0.4, scale=0.06).cdf).pvalue > 0.01
    assert isinstance(LogNormalDepth(0.06, 0.4).rvs(random_state=5), float)


@pytest.mark.parametrize("missed_mm", [0.02, 0.005, 0.002, 0.0005])
def test_a_survey_in_more_doubt_than_it_misses_is_still_smooth(missed_mm):
    """surveyed - U + X summed the other way round: the normal distribution averaged over 4000 places of X."""
    depth = surveyed_depth(0.12, 0.01, starting_depth(missed_mm, 0.5))
    missed = stats.lognorm(0.5, scale=missed_mm).ppf((np.arange(4000) + 0.5) / 4000)
    places = np.linspace(0.09, 0.15 + 3 * missed_mm, 201)
    wanted = stats.norm.cdf((places[:, None] - 0.12 - missed) / 0.01).mean(axis=1)
    assert np.abs(depth.cdf(places) - wanted).max() < 1e-3
