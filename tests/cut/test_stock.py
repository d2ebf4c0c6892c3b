"""Fits of the clean-up depth: recovery, coverage, priors, pooling, and a simulated shop with all its habits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from planner import InputError
from planner.cut import (
    DepthPrior,
    DepthRecords,
    depth_fit,
    fit_check,
    fit_depths,
    fit_excess,
    learning_interval,
    pool_depths,
    starting_depth,
)
from tests.cut.test_record import Look

MEDIAN, SIGMA = 0.0635, 0.4


def searched(rng, depths, first=0.0381, step=0.0127):
    """Intervals of parts cut to a first depth, then step by step, looked at after each pass."""
    count = np.maximum(0, np.ceil((depths - first) / step))
    upper = first + count * step
    lower = np.where(count > 0, upper - step, 0.0)
    return lower, upper


def test_known_parameters_are_recovered():
    rng = np.random.default_rng(1)
    lower, upper = searched(rng, starting_depth(MEDIAN, SIGMA).rvs(4000, random_state=rng))
    found = depth_fit(lower, upper)
    assert found.median_mm == pytest.approx(MEDIAN, rel=0.03)
    assert found.sigma == pytest.approx(SIGMA, rel=0.05)
    assert found.distribution.median() == pytest.approx(found.median_mm)
    assert fit_depths(lower, upper).ppf(0.8) == pytest.approx(found.distribution.ppf(0.8))


def test_intervals_cover_over_two_hundred_simulated_shops():
    rng = np.random.default_rng(5)
    inside = np.zeros(2)
    for _ in range(200):
        truth = starting_depth(MEDIAN, SIGMA).rvs(60, random_state=rng)
        lower, upper = searched(rng, truth)
        given_up = rng.random(60) < 0.05
        upper[given_up & (lower > 0)] = np.inf
        found = depth_fit(lower, upper)
        inside += (
            found.median_interval_mm[0] <= MEDIAN <= found.median_interval_mm[1],
            found.sigma_interval[0] <= SIGMA <= found.sigma_interval[1],
        )
    assert (inside / 200 >= 0.90).all() and (inside / 200 <= 0.99).all(), inside / 200


def simulated_cut(rng, truth):
    """A cut as it is done: search, clean tap, then perhaps a finishing pass, a match to the partner, a tool mark."""
    looks, total = [Look(0.0, bool(truth <= 0), "kiss")], 0.0
    for step in [0.0381] + [0.0127] * 60:
        total += step
        clean = bool(truth <= total)
        forgot = not clean and rng.random() < 0.15
        looks.append(Look(total, None if forgot else clean))
        if clean:
            break
    if rng.random() < 0.8:
        total += 0.0254
        looks.append(Look(total, True if rng.random() < 0.5 else None, "finish"))
    if rng.random() < 0.5:
        total += rng.uniform(0.0127, 0.15)
        looks.append(Look(total, True, "match"))
    if rng.random() < 0.2:
        total += 0.0127
        looks.append(Look(total, False, "tool mark"))
        looks.append(Look(total + 0.0127, True, "tool mark"))
    return looks


def test_matched_partners_and_finishing_passes_do_not_bias_the_fit():
    rng = np.random.default_rng(11)
    truth = starting_depth(MEDIAN, SIGMA).rvs(3000, random_state=rng)
    records = [simulated_cut(rng, one) for one in truth]
    found = [learning_interval(looks, least_settable_mm=0.0127) for looks in records]
    lower, upper = np.array([(f.lower_mm, f.upper_mm) for f in found]).T
    assert ((lower < truth) & (truth <= upper)).all()
    fit = depth_fit(lower, upper)
    # within the fit's own doubt, at four standard errors
    for value, (low, high), aim in (
        (fit.median_mm, fit.median_interval_mm, MEDIAN),
        (fit.sigma, fit.sigma_interval, SIGMA),
    ):
        error = math.log(high / low) / (2 * 1.96)
        assert abs(math.log(value / aim)) <= 4 * error
    # the depth where the spindle stopped would have taught far too much
    stopped = np.array([looks[-1].total_mm for looks in records])
    assert np.median(stopped) > 1.3 * MEDIAN


def test_a_prior_is_worth_about_five_records():
    rng = np.random.default_rng(3)
    held = DepthPrior(0.052, 0.4)
    for count in (5, 50, 1000):
        # a record whose logs have exactly mean log 0.05 and spread 0.4
        z = rng.normal(size=count)
        depths = 0.05 * np.exp((z - z.mean()) / z.std() * 0.4)
        found = depth_fit(depths, depths, held)
        share = math.log(found.median_mm / 0.05) / math.log(0.052 / 0.05)
        assert share == pytest.approx(5 / (5 + count), rel=0.02)
        assert found.sigma == pytest.approx(0.4, rel=0.01)
    assert depth_fit([], [], held).median_mm == pytest.approx(0.052)
    assert depth_fit([], [], held).sigma == pytest.approx(0.4)


def test_a_prior_may_be_given_as_distribution_or_pair():
    lower, upper = [0.05, 0.03, 0.06], [0.06, 0.05, 0.09]
    a = fit_depths(lower, upper, DepthPrior(0.06, 0.4))
    for prior in (stats.lognorm(0.4, scale=0.06), (0.06, 0.4), (0.06, 0.4, 5.0)):
        b = fit_depths(lower, upper, prior)
        assert (b.median(), b.std()) == pytest.approx((a.median(), a.std()), rel=1e-6)


@pytest.mark.parametrize("prior", [None, DepthPrior(0.06, 0.4)])
def test_an_interval_that_repeats_counts_as_often_as_it_stands_there(prior):
    lower, upper = np.array([0.0, 0.04, 0.05, 0.08, 0.06]), np.array([0.03, 0.05, 0.06, math.inf, 0.06])
    times = np.array([3, 7, 11, 2, 4])
    found = depth_fit(np.repeat(lower, times), np.repeat(upper, times), prior)

    def loss(theta):
        fitted = stats.lognorm(math.exp(theta[1]), scale=math.exp(theta[0]))
        inside = np.where(lower == upper, fitted.pdf(lower), fitted.cdf(upper) - fitted.cdf(lower))
        value = times @ np.log(inside)
        if prior is not None:
            # five records of exact depths: see `DepthPrior`
            value -= 5 / 2 * ((theta[0] - math.log(0.06)) / 0.4) ** 2 + 5 * (theta[1] - math.log(0.4)) ** 2
        return -value

    best = optimize.minimize(
        loss, [math.log(0.05), math.log(0.3)], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10}
    )
    assert (found.median_mm, found.sigma) == pytest.approx(tuple(np.exp(best.x)), rel=1e-5)
    assert found.records == 27


def test_a_long_record_is_fitted_from_a_part_of_it_and_ends_with_all():
    rng = np.random.default_rng(8)
    depths = stats.lognorm(0.4, scale=0.07).rvs(4000, random_state=rng)
    exact = depth_fit(depths, depths)
    # exact depths have the answer in closed form
    assert exact.median_mm == pytest.approx(math.exp(np.log(depths).mean()), rel=1e-9)
    assert exact.sigma == pytest.approx(np.log(depths).std(), rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.02, 0.4), min_size=1, max_size=30), st.floats(0.01, 100))
def test_the_unit_of_depth_does_not_matter(depths, unit):
    lower, upper = searched(None, np.array(depths))
    here = depth_fit(lower, upper, DepthPrior(0.06, 0.4))
    there = depth_fit(lower * unit, upper * unit, DepthPrior(0.06 * unit, 0.4))
    assert there.median_mm == pytest.approx(here.median_mm * unit, rel=1e-5)
    assert there.sigma == pytest.approx(here.sigma, rel=1e-5)


def test_a_thin_family_borrows_and_says_so():
    rng = np.random.default_rng(8)

    def records(median, count, start):
        return DepthRecords(*searched(rng, starting_depth(median, 0.35).rvs(count, random_state=rng)), start)

    start = DepthPrior(0.061, 0.35)
    own, kind, shop = records(0.09, 3, 0.061), records(0.092, 60, 0.061), records(0.18, 100, 0.127)
    alone, helped = pool_depths(start, own), pool_depths(start, own, kind, shop)
    fat = pool_depths(start, records(0.09, 500, 0.061), kind, shop)
    # the kind runs 1.5 × its starting value: three records and the starting value alone see less of that
    assert abs(helped.fit.median_mm - 0.09) < abs(alone.fit.median_mm - 0.09)
    assert fat.fit.median_mm == pytest.approx(0.09, rel=0.06)
    assert helped.origin == (
        "learned from 3 records of this family, borrowing from 60 records of its kind and 100 records of the shop"
    )
    assert fat.origin == "learned from 500 records of this family"
    assert pool_depths(start).origin == "starting value"
    assert pool_depths(start).distribution.median() == pytest.approx(0.061)
    none = pool_depths(start, None, kind)
    assert none.origin == "no record of this family yet, borrowing from 60 records of its kind"
    assert none.fit.median_mm == pytest.approx(0.092, rel=0.1)


def test_excess_of_a_survey_is_recovered():
    rng = np.random.default_rng(21)
    count, doubt = 600, 0.006
    seen = rng.uniform(0.03, 0.15, count)
    depth = seen - rng.normal(0, doubt, count) + starting_depth(0.02, 0.5).rvs(count, random_state=rng)
    lower, upper = searched(rng, depth, 0.0127)
    found = fit_excess(seen, lower, upper, doubt, DepthPrior(0.01, 0.7))
    assert found.median() == pytest.approx(0.02, rel=0.1)
    assert math.log(found.ppf(0.8413) / found.median()) == pytest.approx(0.5, rel=0.2)
    nothing = fit_excess([], [], [], doubt, DepthPrior(0.01, 0.7))
    assert nothing.median() == pytest.approx(0.01, rel=1e-3)


def test_fit_is_put_beside_its_record():
    lower, upper = np.array([0.0, 0.05, 0.08, 0.1]), np.array([0.05, 0.08, 0.1, np.inf])
    check = fit_check(starting_depth(0.07, 0.4), lower, upper, [0.05, 0.09, 0.2])
    assert check.surely_clean == pytest.approx([0.25, 0.5, 0.75])
    assert check.possibly_clean == pytest.approx([0.25, 0.75, 1.0])
    assert check.records == 4
    rng = np.random.default_rng(2)
    lower, upper = searched(rng, starting_depth(MEDIAN, SIGMA).rvs(2000, random_state=rng))
    check = fit_check(fit_depths(lower, upper), lower, upper, np.linspace(0.04, 0.2, 9))
    assert (check.surely_clean - 0.03 <= check.fitted).all() and (check.fitted <= check.possibly_clean + 0.03).all()


BAD = [
    ([0.05] * 4, [0.075] * 4, "upper_mm"),  # identical intervals
    ([0.0, 0.05], [0.1, 0.2], "upper_mm"),  # all of them share a depth
    ([0.05, 0.1], [math.inf, math.inf], "upper_mm"),  # never clean
    ([0.0, 0.1], [0.05, math.inf], "lower_mm"),  # no end of spread would be too much
    ([], [], "upper_mm"),
    ([-0.1], [0.1], "lower_mm[0]"),
    ([0.1, 0.2], [0.2, 0.1], "upper_mm[1]"),
    ([0.0], [0.0], "upper_mm[0]"),
    ([0.1], [math.nan], "upper_mm"),
    ([0.1, 0.2], [0.3], "upper_mm"),
    ([0.1, 0.2], ["deep", "deeper"], "upper_mm"),
    (["0.1", "0.2"], [0.2, 0.3], "lower_mm"),  # text is no number, even where it reads like one
    ([0.1, 0.2], [None, 0.3], "upper_mm"),
    ([False, True], [1.0, 2.0], "lower_mm"),
    ([math.inf], [math.inf], "lower_mm[0]"),
    (0.1, 0.2, "lower_mm"),
    ([0.1, 10**400], [0.2, 0.3], "lower_mm"),
]


@pytest.mark.parametrize(("lower", "upper", "field"), BAD)
def test_records_that_leave_the_answer_open_are_refused(lower, upper, field):
    with pytest.raises(InputError) as error:
        fit_depths(lower, upper)
    assert error.value.field == field


@pytest.mark.parametrize(("lower", "upper"), [case[:2] for case in BAD[:5]])
def test_with_a_prior_they_are_accepted(lower, upper):
    found = fit_depths(lower, upper, DepthPrior(0.06, 0.35))
    assert 0.01 < found.median() < 0.4


@pytest.mark.parametrize("prior", ["0.06", 0.06, stats.norm(0, 1), (0.06, -0.3), stats.lognorm])
def test_a_prior_that_is_none_is_refused(prior):
    with pytest.raises(InputError):
        fit_depths([0.05], [0.07], prior)
