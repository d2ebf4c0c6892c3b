"""Learning the life of edges: starting values, few edges, many, several materials, bad records."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from planner import InputError
from planner.edge import LEANING, LEARNED, STARTING, LifePrior, fit_flank_wear, fit_life, known_life, projected_life

PRIOR = LifePrior((100.0,))


def complete(n: int, seed: int = 0, shape: float = 3.0, capacity: float = 60.0) -> np.ndarray:
    return capacity * np.random.default_rng(seed).weibull(shape, n)


@pytest.mark.parametrize("empty", [[], np.empty((0, 3))])
def test_without_an_edge_the_answer_is_the_starting_value_exactly(empty):
    prior = LifePrior((10.0, 20.0, 30.0), shape=3.71)
    fit = fit_life(empty, [], prior)
    assert fit.shape == 3.71
    assert fit.capacities.tolist() == [10.0, 20.0, 30.0]
    assert fit.sources == (STARTING,) * 3
    factor = np.exp(stats.norm.ppf(0.975) * 0.7)
    assert fit.intervals == pytest.approx(np.outer([10, 20, 30], [1 / factor, factor]))
    assert "starting value" in fit.verdict()


@pytest.mark.parametrize("n", [1, 3])
@pytest.mark.parametrize("seed", range(5))
def test_with_few_edges_between_starting_value_and_data(n, seed):
    use = complete(n, seed)
    fit, nine = fit_life(use, [True] * n, PRIOR), fit_life(complete(9, seed), [True] * 9, PRIOR)
    data = fit_life(use, [True] * n).capacities[0] if n > 1 else use[0]
    assert min(data, 100) < fit.capacities[0] < max(data, 100)
    assert np.ptp(np.log(fit.intervals[0])) > np.ptp(np.log(nine.intervals[0]))
    assert fit.sources == (LEANING,)
    assert "leans on the starting value" in fit.verdict(["aluminium"])
    assert nine.sources == (LEARNED,)
    assert nine.verdict(["aluminium"]) == "learned from 9 edges, 9 of them ended"


def test_a_material_without_an_end_keeps_its_starting_value_and_says_so():
    use = np.column_stack([complete(9), np.zeros(9)])
    use = np.vstack([use, [[5.0, 30.0], [0.0, 80.0]]])
    fit = fit_life(use, [True] * 9 + [False] * 2, LifePrior((100.0, 200.0)))
    assert fit.capacities[1] == 200.0
    assert fit.sources == (LEARNED, STARTING)
    assert fit.verdict(["aluminium", "grey iron"]) == (
        "learned from 11 edges, 9 of them ended; grey iron still the starting value"
    )


@given(st.lists(st.floats(1, 100), min_size=4, max_size=15), st.floats(1e-6, 1e6))
@settings(max_examples=30, deadline=None)
def test_the_unit_of_work_does_not_matter(use, unit):
    use = np.array(use) + np.linspace(0, 7, len(use))
    failed = np.arange(len(use)) % 3 != 0
    a, b = fit_life(use, failed, PRIOR), fit_life(use * unit, failed, LifePrior((100.0 * unit,)))
    assert b.shape == pytest.approx(a.shape, rel=1e-5)
    assert b.capacities == pytest.approx(a.capacities * unit, rel=1e-5)
    assert b.chance_lost(10 * unit, 5 * unit) == pytest.approx(a.chance_lost(10, 5), rel=1e-4, abs=1e-9)


def test_recording_the_material_of_the_end_changes_nothing_with_one_material():
    use = complete(12)
    plain, recorded = fit_life(use, [True] * 12), fit_life(use, [True] * 12, failing=[0] * 12)
    assert recorded.shape == pytest.approx(plain.shape)
    assert recorded.capacities == pytest.approx(plain.capacities)


def test_several_materials_reach_the_stationary_point_of_the_stated_likelihood():
    rng = np.random.default_rng(4)
    use = rng.dirichlet([1, 1, 1], 40) * (np.array([10.0, 40.0, 90.0]) * rng.weibull(3, 40)[:, None])
    failed = rng.random(40) < 0.8
    failing = np.where(failed, use.argmax(axis=1), -1)
    failing[::4] = -1  # not recorded
    fit = fit_life(use, failed, failing=failing)

    def log_likelihood(log_k, log_c):
        k, d = np.exp(log_k), use @ np.exp(-log_c)
        known = failed & (failing >= 0)
        value = (failed & ~known) @ (log_k + k * np.log(d)) - (d**k).sum()
        return value + known @ (log_k + (k - 1) * np.log(d)) - log_c[failing[known]].sum()

    at = np.concatenate([[np.log(fit.shape)], np.log(fit.capacities)])
    top = log_likelihood(at[0], at[1:])
    for i in range(4):
        for step in (-0.01, 0.01):
            moved = at.copy()
            moved[i] += step
            assert log_likelihood(moved[0], moved[1:]) < top


def test_starting_values_far_from_the_record_do_not_hide_the_higher_hill():
    """Twenty edges that last 1 of each of three materials, starting values up to a thousand times off."""
    rng = np.random.default_rng(24)
    use = rng.dirichlet([1.0] * 3, 20) * rng.weibull(3, 20)[:, None]
    off = np.exp(rng.normal(0, 4, 3))
    fit = fit_life(use, [True] * 20, LifePrior(tuple(off)))

    def height(shape, capacities):
        d = use @ (1 / np.array(capacities))
        value = (np.log(shape) + shape * np.log(d) - d**shape).sum()
        return value - ((np.log(capacities / off) / 0.7) ** 2).sum() / 2 - (np.log(shape / 3.71) / 0.7) ** 2 / 2

    other = height(0.2672, [2.35313, 0.011537, 0.0422965])  # where a climb from the starting values ends
    assert height(fit.shape, fit.capacities) > other + 1
    assert (np.abs(np.log(fit.capacities)) < np.log(4)).all()
    assert fit.shape > 2


@pytest.mark.parametrize("prior", [PRIOR, None])
def test_chances_are_averages_over_what_the_record_leaves_open(prior):
    """Against two-dimensional quadrature of the posterior, uncensored and censored edges."""
    use, failed = np.array([40.0, 70.0, 55.0, 30.0]), np.array([True, True, True, False])
    fit = fit_life(use, failed, prior)

    def weight(log_c, log_k):
        k, d = np.exp(log_k), use * np.exp(-log_c)
        value = (failed * (log_k + k * np.log(d))).sum() - (d**k).sum()
        if prior is not None:
            value -= ((log_c - np.log(100)) / 0.7) ** 2 / 2 + ((log_k - np.log(3.71)) / 0.7) ** 2 / 2
        return np.exp(value)

    span = (np.log(0.15), np.log(30), np.log(8), np.log(5000))
    options = {"epsabs": 1e-9, "epsrel": 1e-5}
    total = integrate.dblquad(weight, *span, **options)[0]
    for work in (15.0, 40.0, 70.0):

        def survives(log_c, log_k, work=work):
            return weight(log_c, log_k) * np.exp(-np.exp(np.exp(log_k) * (np.log(work) - log_c)))

        exact = integrate.dblquad(survives, *span, **options)[0] / total
        assert fit.survival(work) == pytest.approx(exact, abs=0.01)


def test_told_chance_of_several_edges_and_of_a_known_life():
    life = known_life(2.0, [10.0, 20.0])
    assert life.spent([3, 4]) == pytest.approx(0.5)
    assert life.survival([3, 4]) == pytest.approx(np.exp(-0.25))
    assert life.survival([3, 4], edges=3) == pytest.approx(np.exp(-0.75))
    assert life.chance_lost([3, 4], [5, 0]) == pytest.approx(1 - np.exp(-1 + 0.25))
    assert life.survival(np.zeros((5, 2))) == pytest.approx(np.ones(5))


def test_spent_range_holds_the_likely_value():
    fit = fit_life(complete(9), [True] * 9, PRIOR)
    likely, low, high = fit.spent_range([30.0])
    assert low < likely < high
    narrow = fit.spent_range([30.0], 0.5)
    assert low < narrow[1] < narrow[2] < high


def test_edges_that_outlast_a_starting_value_many_times_keep_it_within_the_range():
    fit = fit_life([1e4, 2e4, 4e3], [False] * 3, PRIOR)
    assert fit.capacities.tolist() == [100.0]
    likely, low, high = fit.spent_range([4e3], 0.8)
    assert likely == 40.0 and low <= likely <= high


def test_flank_wear_readings_sharpen_the_answer():
    """Edges indexed healthy at half life tell nothing about the end, unless their wear was measured."""
    use = np.full(8, 30.0)
    healthy = fit_life(use, [False] * 8, PRIOR)
    factors, sds = [], []
    for i in range(8):
        path = np.array([10.0, 20.0, 30.0])
        curve = fit_flank_wear(path, 0.3 * path / (60.0 + i), reading_sd_mm=0.01)
        factor, log_sd = projected_life(30.0, curve, 0.3)
        factors.append(factor)
        sds.append(log_sd)
    assert factors[0] == pytest.approx(2.0, rel=0.02)
    read = fit_life(use, [False] * 8, PRIOR, projected=factors, projected_log_sd=sds)
    assert np.ptp(np.log(read.intervals[0])) < 0.5 * np.ptp(np.log(healthy.intervals[0]))
    assert read.intervals[0, 0] < 64 < read.intervals[0, 1]


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        (([], []), "use"),  # nothing to go by
        (([5.0, 6.0], [False, False]), "failed"),  # no end
        (([5.0], [True]), "use"),  # one end and no spread: no finite shape
        (([5.0, 5.0], [True, True]), "use"),  # ends without scatter
        (([5.0, -1.0], [True, True]), "use[1, 0]"),  # wear runs backwards
        (([5.0, 0.0], [True, True]), "use[1]"),  # failed without work
        (([5.0, np.nan], [True, True]), "use[1, 0]"),
        (([5.0, 6.0], [True]), "failed"),
        (([5.0, 6.0], [2, 1]), "failed"),
        (([[1, 0], [2, 0], [3, 0]], [1, 1, 0]), "use[:, 1]"),  # a material nobody cut
        (([[1, 0], [2, 0], [3, 4]], [1, 1, 0]), "use[:, 1]"),  # only an edge still cutting tells of it
        (([[1, 2], [2, 4], [3, 6]], [1, 1, 0]), "use"),  # always cut in the same proportion
        (([[1, 2], [2, 3]], [1, 1], None, [0, 2]), "failing[1]"),
        (([[1, 0], [2, 3]], [1, 1], None, [1, 0]), "failing[0]"),  # it never cut that
        (([[1, 0], [2, 3]], [1, 1], None, [1]), "failing"),
        (([1.0, 2.0], [1, 1], LifePrior((1.0, 2.0))), "use"),  # one column, two starting values
        (([1.0, 2.0], [1, 1], PRIOR, None, 1.5), "level"),
        (([1.0, 2.0], [1, 0], PRIOR, None, 0.9, [np.nan, 0.5], 0.1), "projected"),
        (([1.0, 2.0], [1, 0], PRIOR, None, 0.9, [np.nan, 2.0], None), "projected_log_sd"),
    ],
)
def test_bad_records_are_refused(arguments, field):
    with pytest.raises(InputError) as refused:
        fit_life(*arguments)
    assert refused.value.field == field


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        (((),), "prior.capacities"),
        (((1.0, 0.0),), "prior.capacities[1]"),
        (((1.0,), -3), "prior.shape"),
        (((1.0,), 3, 0), "prior.capacity_log_sd"),
    ],
)
def test_bad_starting_values_are_refused(arguments, field):
    with pytest.raises(InputError) as refused:
        LifePrior(*arguments)
    assert refused.value.field == field


def test_a_material_that_leaves_no_trace_is_flagged_not_invented():
    """Ends that are explained by the first material alone: no finite capacity of the second is told."""
    rng = np.random.default_rng(1)
    first = 10 * rng.weibull(8, 30)
    use = np.column_stack([first, np.where(first > np.median(first), rng.uniform(50, 99, 30), 0)])
    fit = fit_life(use, np.ones(30, dtype=bool))
    assert not fit.identified[1]
    assert np.isinf(fit.capacities[1])
    assert np.isinf(fit.intervals[1, 1])
    assert "material 2 not known" in fit.verdict()
    assert 0 < fit.survival([8.0, 10.0]) < 1


def test_same_record_same_answer():
    a, b = (fit_life(complete(7), [True] * 7, PRIOR) for _ in range(2))
    assert a.intervals.tolist() == b.intervals.tolist()
    assert a.survival(20.0) == b.survival(20.0)
