"""Censored Weibull fits against lifelines' WeibullFitter (Davidson-Pilon), to four digits."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from planner.edge import fit_life

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the reference library's own imports warn
    lifelines = pytest.importorskip("lifelines")


@pytest.mark.parametrize("seed", range(12))
def test_shape_and_scale_agree(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 300))
    life = rng.weibull(rng.uniform(0.8, 5), n) * 10 ** rng.uniform(-3, 6)
    limit = np.quantile(life, 0.7) * rng.uniform(0.5, 2, n)
    use, failed = np.minimum(life, limit), life <= limit
    failed[:2] = True
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = lifelines.WeibullFitter().fit(use / use.mean(), failed)
    ours = fit_life(use, failed)
    assert ours.shape == pytest.approx(theirs.rho_, rel=1e-4)
    assert ours.capacities[0] == pytest.approx(theirs.lambda_ * use.mean(), rel=1e-4)


def test_large_record_interval_agrees():
    # with many ends the averaged interval meets lifelines' delta-method interval
    rng = np.random.default_rng(3)
    life, limit = 50 * rng.weibull(2.5, 800), rng.uniform(10, 120, 800)
    use, failed = np.minimum(life, limit), life <= limit
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        summary = lifelines.WeibullFitter().fit(use, failed).summary
    ours = fit_life(use, failed, level=0.95)
    row = summary.loc["lambda_"]
    assert ours.intervals[0] == pytest.approx([row["coef lower 95%"], row["coef upper 95%"]], rel=5e-3)
