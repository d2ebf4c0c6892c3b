"""What the fit of lives takes from a script, and what it refuses by name."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.edge import LifePrior, fit_edge_life, fit_life, known_life

USE = [40.0, 50.0, 60.0, 30.0]
FAILED = [True, True, True, False]
MIXED = [[40.0, 1.0], [50.0, 20.0], [60.0, 3.0], [30.0, 7.0]]
PRIOR, TWO = LifePrior((100.0,)), LifePrior((100.0, 200.0))


@pytest.mark.parametrize(
    "use",
    [
        np.array(USE, dtype=np.float32),
        np.array(USE, dtype=int),
        np.array(USE, dtype=object),
        np.array(USE)[:, None],
        tuple(USE),
        pd.Series(USE),
        pd.DataFrame({"aluminium": USE}),
        np.ma.masked_array(USE, mask=[False] * 4),  # a mask that hides nothing
    ],
)
@pytest.mark.parametrize("failed", [FAILED, [1, 1, 1, 0], np.array(FAILED), pd.Series(FAILED)])
@pytest.mark.parametrize("prior", [PRIOR, 100.0, [100.0], np.array([100.0])])
def test_the_same_record_in_any_dress(use, failed, prior):
    assert fit_life(use, failed, prior).capacities == pytest.approx(fit_life(USE, FAILED, PRIOR).capacities)


@pytest.mark.parametrize(
    "failing", [[0, 1, -1, -1], [0, 1, np.nan, np.nan], [0.0, 1.0, None, None], pd.Series([0, 1, -1, 7])]
)
def test_where_an_edge_failed_is_read_for_failed_edges_only(failing):
    told = fit_life(pd.DataFrame(MIXED), FAILED, TWO, failing)
    assert told.capacities == pytest.approx(fit_life(MIXED, FAILED, TWO, [0, 1, -1, -1]).capacities)


NO_NUMBERS = [
    None,
    "x",
    ["40", "50", "60", "30"],
    {},
    [1j, 2j, 3j, 4j],
    [[1, 2], [3]],  # ragged
    [1, "a", 2, 3],
    np.zeros((4, 1, 1)),
    np.ma.masked_array(USE, mask=[False, True, False, False]),  # hidden = not read
]


@pytest.mark.parametrize("value", [*NO_NUMBERS, 3.0, [True, False, True, True], [1, 2, 3, np.inf], [1e200, 1, 2, 3]])
@pytest.mark.parametrize("prior", [PRIOR, None])
def test_what_is_no_work(value, prior):
    with pytest.raises(InputError) as refused:
        fit_life(value, FAILED, prior)
    assert refused.value.field.startswith("use")


@pytest.mark.parametrize("value", [*NO_NUMBERS, True, [True] * 3, [2, 1, 1, 0], [0.5, 1, 1, 0], [np.nan, 1, 1, 0]])
def test_what_says_nothing_about_the_ends(value):
    with pytest.raises(InputError) as refused:
        fit_life(USE, value, PRIOR)
    assert refused.value.field == "failed"


@pytest.mark.parametrize("value", [*NO_NUMBERS[1:], 0, [0] * 3, [0.5, 0, 0, 0], [2, 0, 0, 0], [-2, 0, 0, 0]])
def test_what_names_no_column(value):
    with pytest.raises(InputError) as refused:
        fit_life(MIXED, FAILED, TWO, failing=value)
    assert refused.value.field.startswith("failing")


@pytest.mark.parametrize("value", [*NO_NUMBERS[1:], [], [0.0], [-1.0], [np.nan], [np.inf], [1e200], [[100.0]]])
def test_what_is_no_starting_value(value):
    for call in (LifePrior, lambda given: fit_life(USE, FAILED, given)):
        with pytest.raises(InputError) as refused:
            call(value)
        assert refused.value.field.startswith("prior.capacities")


@pytest.mark.parametrize("name", ["shape", "capacity_log_sd", "shape_log_sd"])
@pytest.mark.parametrize("value", [None, "3", True, 0, -1, np.nan, np.inf, [3.0]])
def test_what_is_no_shape_or_doubt(name, value):
    with pytest.raises(InputError) as refused:
        LifePrior((100.0,), **{name: value})
    assert refused.value.field == f"prior.{name}"


@pytest.mark.parametrize("value", [None, "0.9", 0.0, 0.3, 1.0, 2, np.nan, True])
def test_what_is_no_level(value):
    with pytest.raises(InputError) as refused:
        fit_life(USE, FAILED, PRIOR, level=value)
    assert refused.value.field == "level"


@pytest.mark.parametrize(
    ("projected", "log_sd", "field"),
    [
        ([np.nan] * 3 + [0.5], 0.1, "projected"),  # past the criterion: it has failed
        ([np.nan] * 3 + [np.inf], 0.1, "projected"),  # wear that stands still tells no life
        ([np.nan] * 3, 0.1, "projected"),
        ("x", 0.1, "projected"),
        ([np.nan] * 3 + [2.0], None, "projected_log_sd"),
        ([np.nan] * 3 + [2.0], 0.0, "projected_log_sd"),
        ([np.nan] * 3 + [2.0], "x", "projected_log_sd"),
        ([np.nan] * 3 + [2.0], [0.1, 0.1], "projected_log_sd"),
    ],
)
def test_what_is_no_projected_life(projected, log_sd, field):
    with pytest.raises(InputError) as refused:
        fit_life(USE, FAILED, PRIOR, projected=projected, projected_log_sd=log_sd)
    assert refused.value.field == field


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda fit: fit.survival([1.0, 2.0]), "use"),
        (lambda fit: fit.survival(-1.0), "use"),
        (lambda fit: fit.survival("much"), "use"),
        (lambda fit: fit.spent(np.nan), "use"),
        (lambda fit: fit.chance_lost(-1.0, 1.0), "age"),
        (lambda fit: fit.chance_lost(1.0, [1.0, 2.0]), "work"),
        (lambda fit: fit.spent_range([[1.0]]), "use"),
        (lambda fit: known_life(0, [1.0]), "shape"),
        (lambda fit: known_life(3, [0.0]), "capacities"),
        (lambda fit: fit_edge_life(USE, ["worn"] * 3, PRIOR), "ends"),
        (lambda fit: fit_edge_life(USE, ["worn"] * 3 + ["asleep"], PRIOR), "ends"),
        (lambda fit: fit_edge_life(USE, None, PRIOR), "ends"),
        (lambda fit: fit_edge_life("x", ["worn"] * 4, PRIOR), "use"),
    ],
)
def test_what_a_fit_is_not_asked(call, field):
    with pytest.raises(InputError) as refused:
        call(fit_life(USE, FAILED, PRIOR))
    assert refused.value.field == field


@given(st.integers(0, 10**6), st.floats(1e-6, 1e9))
@settings(max_examples=40, deadline=None)
def test_any_unit_of_work_from_micro_to_giga(seed, unit):
    use = np.random.default_rng(seed).weibull(3, 8) + 0.05
    failed = np.arange(8) % 4 != 0
    plain, scaled = fit_life(use, failed), fit_life(use * unit, failed)
    assert scaled.shape == pytest.approx(plain.shape, rel=1e-6)
    assert scaled.capacities / unit == pytest.approx(plain.capacities, rel=1e-6)
    assert scaled.intervals / unit == pytest.approx(plain.intervals, rel=1e-4)
