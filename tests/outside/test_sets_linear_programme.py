"""Set cuts against a linear programme, and with a least pass an integer one (scipy.optimize, HiGHS): random sets."""

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from planner.match import match_set


def least_total(heights, cleanup, least, window):
    """Minimise Σ cut subject to cut ≥ clean-up, |final_i − final_j| ≤ window, final ≥ least."""
    n = len(heights)
    rows, ends = [], []
    for i in range(n):
        for j in range(n):
            if i != j:  # (h_i − c_i) − (h_j − c_j) ≤ window
                row = np.zeros(n)
                row[i], row[j] = -1.0, 1.0
                rows.append(row)
                ends.append(window - heights[i] + heights[j])
    bounds = [(q, h - m) for q, h, m in zip(cleanup, heights, least, strict=True)]
    if any(low > high for low, high in bounds):
        return None
    found = linprog(np.ones(n), A_ub=np.array(rows), b_ub=np.array(ends), bounds=bounds, method="highs")
    return found.x if found.status == 0 else None


def random_set(rng):
    n = int(rng.integers(2, 9))
    heights = rng.uniform(-0.3, 0.3, n)  # the mean height is taken off: the solver's tolerance is absolute
    cleanup = np.where(rng.random(n) < 0.2, 0.0, rng.lognormal(np.log(0.1), 0.6, n))
    # of some members no least height is known
    least = np.where(rng.random(n) < 0.2, -np.inf, heights - rng.uniform(0.05, 0.9, n))
    tolerance, guard = rng.uniform(0, 0.15), rng.uniform(0, 0.05)
    return heights, cleanup, least, tolerance, min(guard, tolerance)


def test_a_thousand_random_sets():
    rng = np.random.default_rng(20)
    feasible = 0
    for _ in range(1000):
        heights, cleanup, least, tolerance, guard = random_set(rng)
        ours = match_set(heights, cleanup, least, tolerance, guard)
        cuts = least_total(heights, cleanup, least, tolerance - guard)
        assert ours.feasible == (cuts is not None), (heights, cleanup, least, tolerance, guard)
        if cuts is not None:
            feasible += 1
            np.testing.assert_allclose(ours.cuts_mm, cuts, atol=1e-6)
        else:
            assert ours.problems and (ours.short_mm > 0).any()
    assert 200 < feasible < 800  # both answers are well represented


@pytest.mark.parametrize("seed", range(3))
def test_relaxing_the_least_heights_by_the_shortfall_makes_it_feasible(seed):
    """`short_mm` is exactly by how much: lowering the limits so far, and no less, satisfies the programme."""
    rng = np.random.default_rng(seed)
    seen = 0
    while seen < 50:
        heights, cleanup, least, tolerance, guard = random_set(rng)
        ours = match_set(heights, cleanup, least, tolerance, guard)
        if ours.feasible:
            continue
        seen += 1
        assert least_total(heights, cleanup, least - ours.short_mm - 1e-6, tolerance - guard) is not None
        assert least_total(heights, cleanup, least - 0.99 * ours.short_mm, tolerance - guard) is None


@pytest.mark.parametrize("seed", range(2))
def test_a_least_pass_against_an_integer_programme(seed):
    """A cut is nothing, or at least the least pass: a yes or no for every member, solved by branching."""
    rng = np.random.default_rng(seed)
    feasible = 0
    for _ in range(60):
        n = int(rng.integers(2, 6))
        heights, cleanup = rng.normal(0, 0.1, n), np.where(rng.random(n) < 0.5, 0.0, rng.exponential(0.1, n))
        least_mm, window = float(rng.choice([0.0127, 0.05, 0.1])), float(rng.choice([0.0, 0.02, 0.05, 0.1]))
        room = rng.uniform(0.05, 0.6, n)
        ours = match_set(heights, cleanup, heights - room, window, least_mm=least_mm)
        total = None
        if (cleanup <= room).all():
            each, far = np.eye(n), 10.0
            apart = [np.concatenate([each[j] - each[i], np.zeros(n)]) for i in range(n) for j in range(n) if i != j]
            ends = [window - heights[i] + heights[j] for i in range(n) for j in range(n) if i != j]
            rules = [
                LinearConstraint(np.array(apart), ub=ends),
                LinearConstraint(np.hstack([each, -far * each]), ub=0.0),
                LinearConstraint(np.hstack([each, -least_mm * each]), lb=0.0),
            ]
            found = milp(
                np.concatenate([np.ones(n), np.zeros(n)]),
                integrality=np.concatenate([np.zeros(n), np.ones(n)]),
                bounds=Bounds(np.concatenate([cleanup, np.zeros(n)]), np.concatenate([room, np.ones(n)])),
                constraints=rules,
            )
            total = found.fun if found.status == 0 else None
        assert ours.feasible == (total is not None)
        if total is not None:
            feasible += 1
            assert ours.cuts_mm.sum() == pytest.approx(total, abs=1e-5)
    assert 10 < feasible < 55
