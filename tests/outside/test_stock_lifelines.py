"""Interval-censored log-normal fits against `lifelines`, an independent survival library."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from lifelines import LogNormalFitter
from scipy import stats

from planner.cut import depth_fit


def reference(lower, upper, unit):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own notes on convergence and pandas
        fitted = LogNormalFitter()
        fitted._scipy_fit_options = {"ftol": 1e-14, "gtol": 1e-10}
        fitted.fit_interval_censoring(lower / unit, upper / unit)
    return float(np.exp(fitted.mu_)) * unit, float(fitted.sigma_)


def records(seed, count):
    """Cuts of a shop: searched in passes, some by two steps, a few given up, a few clean at the first pass."""
    rng = np.random.default_rng(seed)
    truth = stats.lognorm(rng.uniform(0.25, 0.7), scale=rng.uniform(0.04, 0.3)).rvs(count, random_state=rng)
    step = np.where(rng.random(count) < 0.3, 0.0381, 0.0127)
    upper = np.ceil(truth / step) * step
    lower = upper - step
    upper[(rng.random(count) < 0.06) & (lower > 0)] = np.inf
    return lower, upper


@pytest.mark.parametrize(("seed", "count"), [(1, 40), (2, 120), (3, 400), (4, 1500)])
def test_median_and_sigma_to_four_digits(seed, count):
    lower, upper = records(seed, count)
    found = depth_fit(lower, upper)
    median, sigma = reference(lower, upper, 0.1)
    assert found.median_mm == pytest.approx(median, rel=1e-4)
    assert found.sigma == pytest.approx(sigma, rel=1e-4)


def test_intervals_of_the_fit_to_three_digits():
    """Both take the curvature of the log-likelihood; theirs is in the log of the median and in sigma itself."""
    lower, upper = records(7, 800)
    found = depth_fit(lower, upper)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = LogNormalFitter().fit_interval_censoring(lower / 0.1, upper / 0.1)
    low, high = (float(fitted.summary.loc["mu_", f"coef {side} 95%"]) for side in ("lower", "upper"))
    assert found.median_interval_mm == pytest.approx((0.1 * np.exp(low), 0.1 * np.exp(high)), rel=1e-3)
