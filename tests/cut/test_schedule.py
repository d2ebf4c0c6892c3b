"""Passes to a fixed target, the comparison with a fixed rule, and the value of thickness."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError
from planner.cut import (
    PassProblem,
    compare_with_fixed,
    money_per_rebuild,
    plan_policy,
    schedule_cost,
    starting_depth,
    target_passes,
    value_of_thickness,
)

STEP = 0.0127
DEPTH = starting_depth(0.06096, 0.35)


@given(
    target=st.floats(0.001, 1.5),
    least=st.integers(1, 4),
    extra=st.integers(0, 12),
    finish=st.integers(0, 4),
    step=st.sampled_from([0.0127, 0.0254, 0.00635, 0.01]),
    limit=st.one_of(st.just(math.inf), st.floats(0.02, 1.5)),
)
def test_passes_sum_to_the_target_and_keep_every_limit(target, least, extra, finish, step, limit):
    greatest = least + extra
    try:
        found = target_passes(target, least * step, greatest * step, step, finish * step, limit_mm=limit)
    except InputError as error:
        assert error.field in ("target_mm", "finish_mm")
        return
    assert sum(found.steps) * Fraction(step) == round(found.target_mm / step) * Fraction(step)
    assert found.totals_mm[-1] == found.target_mm == sum(found.steps) * step
    assert math.fsum(found.depths_mm) == pytest.approx(found.target_mm, rel=1e-14)
    assert found.target_mm <= max(limit, 0) + 1e-9
    if found.target_mm < target - 1e-9:
        assert found.target_mm + step > limit + 1e-12  # shallower only because of the limit
    else:
        assert found.target_mm < target + step
    rough = found.steps[:-1] if finish else found.steps
    if len(found.steps) > 1 or not finish:
        assert all(least <= n <= greatest for n in rough)
        assert max(rough) - min(rough) <= 1
    if finish and len(found.steps) > 1:
        assert finish <= found.steps[-1] <= greatest
    elif finish:
        assert found.steps[0] < least + finish or found.steps[0] <= greatest


@given(st.integers(1, 60), st.integers(1, 3), st.integers(0, 9), st.integers(1, 3))
def test_no_fewer_passes_reach_the_target(total, least, extra, finish):
    greatest = least + extra
    try:
        found = target_passes(total * STEP, least * STEP, greatest * STEP, STEP, finish * STEP)
    except InputError:
        return
    rough = len(found.steps) - 1
    if rough > 0:
        # with one rough pass less, even the deepest fall short of the target with this finishing pass
        assert (rough - 1) * greatest + found.steps[-1] < total


def test_a_target_below_least_and_finishing_is_one_finishing_pass():
    assert target_passes(0.03, 0.0254, 0.1016, STEP, 0.0254).steps == (3,)


def test_a_set_window_rounds_deeper_but_never_past_the_limit():
    assert target_passes(0.13, 0.0127, 0.1016, STEP, 0.0254).target_mm == pytest.approx(11 * STEP)
    assert target_passes(0.13, 0.0127, 0.1016, STEP, 0.0254, limit_mm=0.135).target_mm == pytest.approx(10 * STEP)


def test_a_target_that_no_passes_reach_says_so():
    with pytest.raises(InputError, match="least pass"):
        target_passes(0.01, 0.0254, 0.1016, STEP)
    with pytest.raises(InputError, match="sum of passes"):
        target_passes(0.127, 0.0889, 0.1016, STEP)


def test_cost_of_a_schedule_by_hand():
    """Two passes on a uniform depth 0-0.1: everything is a triangle."""
    from scipy import stats

    cost = schedule_cost(stats.uniform(0, 0.1), [0.05, 0.05], 10.0, 1000.0)
    assert cost.expected_passes == pytest.approx(1.5)
    assert cost.expected_over_mm == pytest.approx(0.025)
    assert cost.expected_cost == pytest.approx(15 + 25)
    assert cost.stop_depth_mm(0.5) == pytest.approx(0.05)
    assert cost.stop_depth_mm(0.8) == pytest.approx(0.1)
    finished = schedule_cost(stats.uniform(0, 0.1), [0.05, 0.05], 10.0, 1000.0, finish_mm=0.02, finish_cost=12.0)
    assert finished.expected_passes == pytest.approx(2.5)
    assert finished.expected_finish_passes == pytest.approx(1.0)
    assert finished.expected_cost == pytest.approx(15 + 12 + 1000 * 0.045)


def test_costing_nothing_is_leaving_the_part():
    cost = schedule_cost(DEPTH, [], 10.0, 1000.0, uncleaned_cost=70.0)
    assert (cost.expected_cost, cost.expected_passes, cost.chance_uncleaned) == (70.0, 0.0, 1.0)
    assert cost.stop_depth_mm(0.8) == 0.0


def problem(**changes):
    given = {
        "depth": DEPTH,
        "pass_cost": 7.0,
        "value_per_mm": 1200.0,
        "least_mm": STEP,
        "greatest_mm": 8 * STEP,
        "step_mm": STEP,
        "finish_mm": 0.0254,
        "finish_cost": 9.0,
        "limit_mm": 0.4,
        "uncleaned_cost": 300.0,
    }
    return PassProblem(**{**given, **changes})


MINUTES = {"pass_minutes": 4.0, "finish_minutes": 5.5, "rebuild_mm": 0.0737}


@pytest.mark.parametrize("fixed", [STEP, 0.0254, 0.0762, [0.0762, 0.0254]])
def test_no_fixed_rule_beats_the_plan(fixed):
    asked = problem()
    plan = plan_policy(asked)
    found = compare_with_fixed(asked, plan.schedule, fixed, **MINUTES)
    assert found.cost_saved >= -1e-6
    assert found.over_saved_mm == pytest.approx(found.fixed.expected_over_mm - found.plan.expected_over_mm)
    assert found.rebuilds_per_hundred == pytest.approx(100 * found.over_saved_mm / MINUTES["rebuild_mm"])
    assert found.minutes_saved == pytest.approx(found.fixed_minutes - found.plan_minutes)


def test_a_fixed_rule_as_good_as_the_plan_is_said_to_be():
    asked = problem(finish_mm=0.0, finish_cost=None)
    plan = plan_policy(asked)
    same = compare_with_fixed(asked, plan.schedule, list(plan.depths_mm), **MINUTES, tolerance_cost=0.01)
    assert same.as_good and same.cost_saved == pytest.approx(0, abs=0.01)
    worse = compare_with_fixed(asked, plan.schedule, 0.1524, **MINUTES, tolerance_cost=0.01)
    assert not worse.as_good and worse.rebuilds_per_hundred > 0


def test_a_fixed_rule_stops_at_the_limit_too():
    found = compare_with_fixed(problem(limit_mm=0.1), plan_policy(problem(limit_mm=0.1)).schedule, 0.03, **MINUTES)
    assert found.fixed.stop_depths_mm.max() <= 0.1 + 1e-9
    assert found.fixed.chance_uncleaned > found.plan.chance_uncleaned * 0.5


def test_value_of_thickness_is_price_over_usable_stock():
    assert value_of_thickness(300.0, 0.254) == pytest.approx(300 / 0.254)
    assert money_per_rebuild(value_of_thickness(300.0, 0.254), 0.0737) == pytest.approx(300 * 0.0737 / 0.254)


BAD = [
    (lambda: schedule_cost(DEPTH, [0.1, 0.0], 1, 1), "depths_mm"),
    (lambda: schedule_cost(DEPTH, [0.1, np.nan], 1, 1), "depths_mm[1]"),
    (lambda: schedule_cost(DEPTH, [0.1], 1, 1, feeds=["quick"]), "feeds"),
    (lambda: schedule_cost(DEPTH, [0.1], 1, 1, feeds=[]), "feeds"),
    (lambda: compare_with_fixed(problem(), None, [], **MINUTES), "fixed_mm"),
    (lambda: compare_with_fixed(problem(), None, [0.1, -0.1], **MINUTES), "fixed_mm"),
    (lambda: value_of_thickness(300, 0), "usable_mm"),
    (lambda: target_passes(0, 0.1, 0.1, 0.1), "target_mm"),
    (lambda: target_passes(1, 0.2, 0.1, 0.1), "greatest_mm"),
    (lambda: target_passes(1, 0.1, 0.1, 0.1, finish_mm=0.2), "finish_mm"),
]


@pytest.mark.parametrize(("call", "field"), BAD)
def test_wrong_input_names_its_field(call, field):
    with pytest.raises(InputError) as error:
        call()
    assert error.value.field == field


def test_a_distribution_that_begins_and_ends_is_integrated_exactly():
    """Uniform from 0.02 to 0.32 mm: within a pass its own length²/0.6 is wasted, past the end d - 0.17 (by hand)."""
    depth = scipy.stats.uniform(0.02, 0.3)
    within = schedule_cost(depth, [0.05, 0.20], 0.0, 1.0)
    first, second = 0.03**2 / 0.6, 0.20**2 / 0.6
    assert within.expected_over_mm == pytest.approx(first + second, rel=1e-12)
    beyond = schedule_cost(depth, [0.5], 0.0, 1.0)
    assert beyond.expected_over_mm == pytest.approx(0.5 - 0.17, rel=1e-12)
