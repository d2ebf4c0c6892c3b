"""The pool: sides, families, parts that stay together or are left out, saving against arrival."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from planner import InputError
from planner.match import PoolPart, expected_extra, pair_parts, pair_pool

HEIGHT = st.floats(-0.5, 0.5)


@given(
    st.integers(1, 12).flatmap(lambda n: st.tuples(*[st.lists(HEIGHT, min_size=n, max_size=n)] * 2)), st.floats(0, 0.2)
)
def test_sorted_matching_is_best_when_nothing_is_excluded(sides, tolerance):
    left, right = map(np.array, sides)
    total = np.maximum(0, np.abs(np.sort(left) - np.sort(right)) - tolerance).sum()
    pairs, extra = pair_pool(left, right, tolerance)
    assert extra == pytest.approx(total, abs=1e-7)
    assert sorted(pairs[:, 0]) == sorted(pairs[:, 1]) == list(range(len(left)))


@pytest.mark.parametrize(
    ("difference", "doubt"), [(0.0, 0.02), (0.03, 0.02), (0.08, 0.05), (-0.08, 0.05), (0.2, 0.001)]
)
def test_expected_extra_by_quadrature(difference, doubt):
    tolerance = 0.05
    found = integrate.quad(
        lambda x: max(0.0, abs(x) - tolerance) * stats.norm.pdf(x, difference, doubt),
        difference - 10 * doubt,
        difference + 10 * doubt,
        points=[-tolerance, tolerance],
        limit=200,
    )[0]
    assert float(expected_extra(difference, doubt, tolerance)) == pytest.approx(found, abs=1e-9)


def test_expected_extra_without_doubt_is_the_excess():
    assert expected_extra([0.02, -0.08], [0.0, 0.0], 0.05) == pytest.approx([0.0, 0.03])


def part(name, final, side="left", family="f", **more):
    return PoolPart(name, family, final, side=side, **more)


def test_sides_families_and_saving():
    parts = [
        part("L1", 0.0),
        part("L2", 0.3),
        part("R1", 0.3, "right"),
        part("R2", 0.0, "right"),
        part("G1", 0.0, family="g"),
        part("G2", 0.15, "right", family="g"),
    ]
    plan = pair_parts(parts, 0.05)
    assert {(p.first, p.second) for p in plan.pairs} == {("L1", "R2"), ("L2", "R1"), ("G1", "G2")}
    assert plan.extra_mm == pytest.approx(0.10)
    assert plan.arrival_extra_mm == pytest.approx(0.10 + 2 * 0.25)
    assert plan.saved_mm == pytest.approx(0.5)
    assert plan.single == ()


def test_parts_that_stay_together_or_are_left_out():
    parts = [
        part("L1", 0.0, together="R1"),
        part("R1", 0.3, "right"),
        part("L2", 0.3),
        part("R2", 0.0, "right"),
        part("L3", 0.1, leave_out=True),
    ]
    plan = pair_parts(parts, 0.05)
    kept = {(p.first, p.second): p.together for p in plan.pairs}
    assert kept == {("L1", "R1"): True, ("L2", "R2"): False}
    assert plan.left_out == ("L3",) and plan.single == ()
    assert plan.saved_mm == pytest.approx(0)


def test_a_pair_that_would_break_a_limit_is_not_made():
    parts = [part("L1", 0.3, least_mm=0.2), part("R1", 0.0, "right"), part("R2", 0.6, "right")]
    plan = pair_parts(parts, 0.05)
    assert [(p.first, p.second) for p in plan.pairs] == [("L1", "R2")]
    assert plan.single == ("R1",)
    assert pair_parts(parts[:2], 0.05).pairs == ()


def test_doubt_changes_the_pairing():
    """A doubtful part costs more wherever it goes; the totals are of expectations."""
    parts = [part("L1", 0.0, final_sd_mm=0.1), part("R1", 0.0, "right", final_sd_mm=0.1)]
    assert pair_parts(parts, 0.05).extra_mm == pytest.approx(float(expected_extra(0.0, math.hypot(0.1, 0.1), 0.05)))


@given(st.lists(HEIGHT, min_size=2, max_size=9))
def test_without_sides_an_odd_part_is_left_single(heights):
    plan = pair_parts([PoolPart(f"p{i}", "f", h) for i, h in enumerate(heights)], 0.02)
    assert len(plan.pairs) == len(heights) // 2
    assert len(plan.single) == len(heights) % 2


@pytest.mark.parametrize(
    "parts",
    [
        [part("A", 0.0), part("A", 0.1, "right")],  # a name twice
        [part("A", 0.0), PoolPart("B", "f", 0.1)],  # sides known and unknown in one family
        [part("A", 0.0, together="B")],  # no such part
        [part("A", 0.0, together="B"), part("B", 0.0)],  # both left
        [part("A", 0.0, together="B"), part("B", 0.0, "right", family="g")],
        [part("A", 0.0, together="B"), part("B", 0.0, "right", together="C"), part("C", 0.0)],
        [part("A", 0.0, together="B"), part("C", 0.0, together="B"), part("B", 0.0, "right")],
    ],
)
def test_refused_pools(parts):
    with pytest.raises(InputError):
        pair_parts(parts, 0.05)


def test_refused_figures():
    for bad in (lambda: part("A", math.nan), lambda: part("A", 0.0, "upper"), lambda: part("A", 0.0, final_sd_mm=-1)):
        with pytest.raises(InputError):
            bad()
    with pytest.raises(InputError):
        pair_pool([0.0, math.nan], [0.0], 0.05)
    with pytest.raises(InputError):
        pair_pool([0.0], [0.0], -0.05)
    assert pair_pool([], [0.0], 0.05).pairs.shape == (0, 2)
