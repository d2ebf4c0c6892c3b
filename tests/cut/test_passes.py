"""The pass policy: optimal against brute force, never past a limit, expectations against simulated parts."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from planner import InputError
from planner.cut import (
    PassProblem,
    keep_simple,
    narrow,
    not_clean_at,
    plan_passes,
    plan_policy,
    schedule_cost,
    starting_depth,
    surveyed_depth,
    worth_a_change,
)

STEP = 0.0127
NORMAL = starting_depth(0.06096, 0.35)
DEEP = starting_depth(0.2794, 0.30)


def brute_force(depth, cost, fine, value, counts, finish, limit_steps, uncleaned):
    """Cheapest of every sequence of passes and feeds down to a limit, by the definition of the cost."""
    best = uncleaned
    survive = depth.sf(np.arange(limit_steps + 1) * STEP)

    def over(low, high):
        x = np.linspace(low * STEP, high * STEP, 801)
        return float(np.trapezoid((high * STEP - x) * depth.pdf(x), x))

    overs = {(a, b): over(a, b) for a, b in itertools.combinations(range(limit_steps + 1), 2)}
    finish_steps = finish / STEP

    def walk(at, spent):
        nonlocal best
        best = min(best, spent + survive[at] * uncleaned)
        for count, feed in itertools.product(counts, ("rough", "finish")):
            to = at + count
            if to + (finish_steps if feed == "rough" else 0) > limit_steps + 1e-9:
                continue
            one = survive[at] * (cost if feed == "rough" else fine) + value * overs[at, to]
            if feed == "rough":
                one += (survive[at] - survive[to]) * (fine + value * finish)
            walk(to, spent + one)

    walk(0, 0.0)
    return best


@pytest.mark.parametrize(
    ("depth", "cost", "fine", "value", "uncleaned", "finish"),
    [
        (NORMAL, 7.0, 11.0, 1200.0, 300.0, 2 * STEP),
        (NORMAL, 4.0, 12.0, 300.0, 80.0, STEP),
        (DEEP, 7.0, 11.0, 1200.0, 400.0, 2 * STEP),
        (stats.expon(scale=0.05), 5.0, 9.0, 700.0, 200.0, STEP),
        (DEEP, 7.0, 11.0, 1200.0, 20.0, 2 * STEP),  # cheaper not to begin
    ],
)
def test_no_sequence_of_passes_and_feeds_is_cheaper(depth, cost, fine, value, uncleaned, finish):
    limit = 9
    plan = plan_passes(depth, cost, value, STEP, 4 * STEP, STEP, 0, finish, fine, limit * STEP, uncleaned)
    best = brute_force(depth, cost, fine, value, (1, 2, 3, 4), finish, limit, uncleaned)
    assert plan.expected_cost == pytest.approx(best, rel=1e-5)


def simulate(rng, depth, plan, removed, cost, fine, value, finish, uncleaned, parts):
    """Cut parts one pass at a time as the plan says and book what happens."""
    draw = depth.isf(rng.uniform(0, float(depth.sf(removed)), parts))
    spent, count, over = np.zeros(parts), np.zeros(parts), np.zeros(parts)
    dirty = np.ones(parts, dtype=bool)
    at = removed
    for one, feed in zip(plan.depths_mm, plan.feeds, strict=True):
        at += one
        count[dirty] += 1
        spent[dirty] += cost if feed == "rough" else fine
        clean = dirty & (draw <= at)
        stop = at
        if feed == "rough" and finish:
            count[clean] += 1
            spent[clean] += fine
            stop = at + finish
        over[clean] = stop - draw[clean]
        dirty &= ~clean
    spent += value * over
    spent[dirty] += uncleaned
    return spent, count, over, dirty


@pytest.mark.parametrize(
    ("depth", "removed", "finish", "limit", "uncleaned"),
    [
        (NORMAL, 0.0, 0.0, math.inf, None),
        (NORMAL, 0.0, 0.0254, 0.2, 300.0),
        (DEEP, 0.15, 0.0254, 0.4, 300.0),
        (stats.weibull_min(2.0, scale=0.1), 0.05, 0.0, 0.3, 100.0),
        (stats.expon(scale=0.06), 0.0, 0.0381, 0.5, 150.0),
    ],
)
def test_expectations_agree_with_a_million_simulated_parts(depth, removed, finish, limit, uncleaned):
    cost, fine, value, parts = 7.0, 11.0, 1200.0, 1_000_000
    fine = fine if finish else cost
    plan = plan_passes(depth, cost, value, STEP, 8 * STEP, STEP, removed, finish, fine, limit, uncleaned)
    rng = np.random.default_rng(4)
    spent, count, over, dirty = simulate(rng, depth, plan, removed, cost, fine, value, finish, uncleaned or 0, parts)
    for values, expected in (
        (spent, plan.expected_cost),
        (count, plan.expected_passes),
        (over, plan.expected_over_mm),
    ):
        assert abs(values.mean() - expected) <= 4 * values.std() / math.sqrt(parts)
    chance = plan.chance_uncleaned
    assert abs(dirty.mean() - chance) <= 4 * math.sqrt(chance * (1 - chance) / parts)


def test_a_given_schedule_is_costed_like_simulated_parts():
    depths, feeds = [0.0508, 0.0381, 0.0254, 0.0254], ("rough", "rough", "finish", "finish")
    cost = schedule_cost(
        NORMAL, depths, 7.0, 1200.0, feeds=feeds, finish_mm=0.0254, finish_cost=11.0, uncleaned_cost=500.0
    )

    class Given:
        depths_mm = np.array(depths)

    Given.feeds = feeds
    spent, count, over, dirty = simulate(
        np.random.default_rng(9), NORMAL, Given, 0.0, 7.0, 11.0, 1200.0, 0.0254, 500.0, 1_000_000
    )
    assert abs(spent.mean() - cost.expected_cost) <= 4 * spent.std() / 1000
    assert abs(count.mean() - cost.expected_passes) <= 4 * count.std() / 1000
    assert abs(over.mean() - cost.expected_over_mm) <= 4 * over.std() / 1000
    assert abs(dirty.mean() - cost.chance_uncleaned) <= 4 * dirty.std() / 1000
    assert cost.stop_chances.sum() == pytest.approx(1)
    assert cost.stop_depth_mm(0.8) in cost.stop_depths_mm


def test_backward_solution_and_forward_evaluation_agree():
    for finish, limit, uncleaned in ((0.0, math.inf, None), (0.0254, 0.35, 250.0), (0.0254, 0.35, None)):
        plan = plan_passes(DEEP, 7.0, 1200.0, STEP, 8 * STEP, STEP, 0, finish, 11.0, limit, uncleaned)
        assert plan.expected_cost == pytest.approx(plan.policy.value_at(0.0), rel=1e-6)


def test_leaving_a_part_costs_nothing_where_no_limit_makes_anyone_leave_it():
    """Without a limit the list ends far out, but the cutting goes on: the price of giving up is not charged."""
    free, dear = (plan_passes(NORMAL, 9.0, 1300.0, STEP, 0.1, STEP, uncleaned_cost=k) for k in (None, 1e6))
    assert dear.expected_cost == pytest.approx(free.expected_cost, rel=1e-6)
    middling = plan_passes(starting_depth(0.09, 0.6), 9.0, 1300.0, STEP, 0.1, STEP, uncleaned_cost=60.0)
    assert 1e-5 < middling.chance_uncleaned < 1e-2
    assert middling.next_pass(float(middling.totals_mm[-1])) == 0.0


@pytest.mark.parametrize("depth", [stats.lognorm(1.6, scale=0.1), stats.weibull_min(0.5, scale=0.1)])
def test_heavy_tails_are_planned_and_costed(depth):
    plan = plan_passes(depth, 9.0, 1300.0, 0.02, 0.1, STEP)
    # 0.02 mm is no multiple of the step: the least pass is the next one above
    assert plan.depths_mm.min() >= 2 * STEP - 1e-9
    assert plan.expected_cost == pytest.approx(plan.policy.value_at(0.0), rel=1e-3)


@settings(max_examples=60, deadline=None)
@given(
    limit=st.floats(0.0, 0.5),
    removed=st.floats(0.0, 0.3),
    finish=st.sampled_from([0.0, 0.0127, 0.02, 0.0381]),
    least=st.integers(1, 3),
    extra=st.integers(0, 8),
    step=st.sampled_from([0.0127, 0.0254, 0.01]),
    uncleaned=st.sampled_from([None, 0.0, 50.0, 500.0]),
)
def test_nothing_is_ever_planned_below_the_limit(limit, removed, finish, least, extra, step, uncleaned):
    plan = plan_passes(
        DEEP, 7.0, 1200.0, least * step, (least + extra) * step, step, removed, finish, 9.0, limit, uncleaned
    )
    reached = removed
    for one, feed in zip(plan.depths_mm, plan.feeds, strict=True):
        assert least * step - 1e-9 <= one <= (least + extra) * step + 1e-9
        assert one / step == pytest.approx(round(one / step))
        reached += one
        assert reached + (finish if feed == "rough" else 0) <= limit + 1e-9
    for at in np.linspace(removed, removed + 0.4, 23):
        one, feed = plan.policy.next_pass(at)
        assert plan.next_pass(at) == one
        assert (one == 0) == (feed == "stop")
        if one:
            assert at + one + (finish if feed == "rough" else 0) <= limit + 1e-9


def test_the_next_pass_follows_the_list():
    plan = plan_passes(DEEP, 7.0, 1200.0, STEP, 8 * STEP, STEP, 0, 0.0254, 11.0, 0.4, 300.0)
    at = 0.0
    for one, feed in zip(plan.depths_mm, plan.feeds, strict=True):
        assert plan.policy.next_pass(at) == (pytest.approx(one), feed)
        at += one
    assert plan.policy.next_pass(at) == (0.0, "stop")


def test_next_pass_from_between_the_steps_is_what_planning_from_there_gives():
    plan = plan_passes(DEEP, 7.0, 1200.0, STEP, 8 * STEP, STEP, limit_mm=0.45, uncleaned_cost=300.0)
    for at in (0.0317, 0.1, 0.2222, 0.31):
        here = plan_passes(DEEP, 7.0, 1200.0, STEP, 8 * STEP, STEP, at, limit_mm=0.45, uncleaned_cost=300.0)
        assert plan.next_pass(at) == pytest.approx(here.next_pass(at), abs=STEP + 1e-9)


def test_planning_from_a_depth_is_planning_for_what_is_left():
    seen = plan_passes(DEEP, 7.0, 1200.0, STEP, 8 * STEP, STEP, 0.2)
    left = plan_passes(not_clean_at(DEEP, 0.2), 7.0, 1200.0, STEP, 8 * STEP, STEP, 0.2)
    assert np.allclose(seen.depths_mm[:10], left.depths_mm[:10])
    assert seen.expected_cost == pytest.approx(left.expected_cost, rel=1e-6)


def test_searching_at_finishing_feed_saves_the_finishing_pass_when_it_costs_little():
    cheap = plan_passes(NORMAL, 8.0, 1200.0, STEP, 8 * STEP, STEP, 0, 0.0254, 8.5, 0.3, 500.0)
    dear = plan_passes(NORMAL, 3.0, 200.0, STEP, 8 * STEP, STEP, 0, STEP, 30.0, 0.3, 500.0)
    assert set(cheap.feeds) == {"finish"}
    assert dear.feeds[0] == "rough"


def test_a_part_cheaper_to_leave_is_not_begun():
    plan = plan_passes(DEEP, 7.0, 1200.0, STEP, 8 * STEP, STEP, 0, 0.0254, 11.0, 0.4, 10.0)
    assert not plan.worth_cutting and len(plan.depths_mm) == 0
    assert plan.expected_cost == 10.0 < plan.cost_if_cut
    assert plan.chance_uncleaned == 1.0
    assert plan.next_pass(0.0) == 0.0


def test_a_limit_already_reached_leaves_nothing_to_plan():
    plan = plan_passes(DEEP, 7.0, 1200.0, STEP, 8 * STEP, STEP, 0.3, limit_mm=0.25, uncleaned_cost=300.0)
    assert len(plan.depths_mm) == 0 and plan.expected_cost == 300.0 and plan.expected_passes == 0


def test_depth_may_set_the_price_of_a_pass():
    heavy = plan_passes(NORMAL, lambda p: 5 + 400 * p, 1200.0, STEP, 8 * STEP, STEP)
    level = plan_passes(NORMAL, 5.0, 1200.0, STEP, 8 * STEP, STEP)
    assert heavy.expected_cost > level.expected_cost
    assert heavy.expected_cost == pytest.approx(heavy.policy.value_at(0.0), rel=1e-6)


@pytest.mark.parametrize(
    "depth",
    [
        surveyed_depth(0.08, 0.01, starting_depth(0.012, 0.6)),
        narrow(NORMAL, 0.04, 0.09),
        not_clean_at(surveyed_depth(0.08, 0.01, starting_depth(0.012, 0.6)), 0.1),
        stats.uniform(0, 0.2),
        stats.gamma(3, scale=0.03),
    ],
)
def test_any_distribution_with_the_usual_methods_can_be_planned(depth):
    start = max(0.0, float(depth.support()[0]))
    plan = plan_passes(depth, 7.0, 1200.0, STEP, 8 * STEP, STEP, start)
    assert plan.chance_uncleaned < 1e-6
    assert plan.expected_over_mm > 0
    assert plan.expected_cost == pytest.approx(plan.policy.value_at(start), rel=1e-4)


def changes(plan):
    steps = np.rint(plan.depths_mm / STEP)
    return int((np.diff(steps) != 0).sum())


@pytest.mark.parametrize("depth", [NORMAL, DEEP, starting_depth(0.127, 0.45)])
def test_a_schedule_to_keep_changes_less_and_costs_hardly_more(depth):
    worth = worth_a_change(110 / 60, 1200.0)
    plan = plan_passes(depth, 9.0, 1200.0, STEP, 8 * STEP, STEP, 0, 0.0254, 10.0, 0.5, 400.0)
    kept = keep_simple(plan, worth)
    assert changes(kept) <= changes(plan)
    assert plan.expected_cost <= kept.expected_cost + 1e-9
    # each change left out was worth less than that, and only changes that are reached count
    assert kept.expected_cost <= plan.expected_cost + worth * max(1, changes(plan))
    at, before = 0.0, None
    for one in kept.depths_mm:
        assert kept.next_pass(at, before) == pytest.approx(one)
        at, before = at + one, one


def test_change_is_worth_the_smaller_of_a_minute_and_a_fifth_of_a_thou():
    assert worth_a_change(2.0, 1000.0) == 2.0
    assert worth_a_change(2.0, 100.0) == pytest.approx(0.508)


def test_a_dear_change_leaves_one_depth_for_all():
    problem = PassProblem(DEEP, 9.0, 1200.0, STEP, 8 * STEP, STEP, limit_mm=0.5, uncleaned_cost=400.0, change_cost=1e6)
    steps = np.rint(plan_policy(problem).depths_mm / STEP)
    assert len(set(steps)) == 1


def test_rough_passes_may_go_deeper_than_those_at_finishing_feed():
    problem = PassProblem(
        DEEP, 5.0, 1200.0, STEP, 16 * STEP, STEP, 0.0, 0.0254, 9.0, 0.6, 400.0, finish_greatest_mm=8 * STEP
    )
    plan = plan_policy(problem)
    deepest = max((d for d, f in zip(plan.depths_mm, plan.feeds, strict=True) if f == "finish"), default=0)
    assert deepest <= 8 * STEP + 1e-9
    assert plan.depths_mm.max() > 8 * STEP


GOOD = {
    "depth": NORMAL,
    "pass_cost": 7.0,
    "value_per_mm": 1000.0,
    "least_mm": STEP,
    "greatest_mm": 0.1,
    "step_mm": STEP,
}


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"depth": 0.06}, "depth"),
        ({"pass_cost": -1.0}, "pass_cost"),
        ({"pass_cost": math.nan}, "pass_cost"),
        ({"value_per_mm": -1.0}, "value_per_mm"),
        ({"least_mm": 0.0}, "least_mm"),
        ({"greatest_mm": 0.001}, "greatest_mm"),
        ({"step_mm": 0.0}, "step_mm"),
        ({"least_mm": 0.02, "greatest_mm": 0.024}, "step_mm"),  # no multiple of the step between
        ({"removed_mm": -0.1}, "removed_mm"),
        ({"depth": stats.uniform(0, 0.1), "removed_mm": 0.1}, "removed_mm"),  # clean for certain
        ({"finish_mm": -0.1}, "finish_mm"),
        ({"finish_mm": 0.02, "finish_cost": -2.0}, "finish_cost"),
        ({"limit_mm": math.nan}, "limit_mm"),
        ({"uncleaned_cost": -1.0}, "uncleaned_cost"),
        ({"depth": stats.expon}, "depth"),  # a family of distributions, not a frozen one
        ({"depth": stats.poisson(3)}, "depth"),
        ({"pass_cost": "seven"}, "pass_cost"),
        ({"pass_cost": [7.0, 8.0]}, "pass_cost"),
        ({"pass_cost": lambda depths: [1.0, 2.0, 3.0]}, "pass_cost"),
        ({"pass_cost": lambda depths: -depths}, "pass_cost"),
        ({"pass_cost": True}, "pass_cost"),
        ({"pass_cost": lambda: 7.0}, "pass_cost"),
        ({"finish_mm": 0.02, "finish_cost": lambda a, b: 7.0}, "finish_cost"),
        ({"value_per_mm": 10**400}, "value_per_mm"),
        ({"least_mm": np.True_}, "least_mm"),
        ({"removed_mm": 1e308}, "removed_mm"),
        ({"greatest_mm": 1e90}, "step_mm"),  # more pass depths than anybody would choose from
        ({"step_mm": 1e-320}, "step_mm"),
        ({"step_mm": 1e-6}, "step_mm"),  # would not come to clean-up in as many steps as are solved
        ({"limit_mm": None}, "limit_mm"),
        ({"limit_mm": np.array([0.1, 0.2])}, "limit_mm"),
        ({"limit_mm": -math.inf}, "limit_mm"),
    ],
)
def test_wrong_input_names_its_field(change, field):
    with pytest.raises(InputError) as error:
        plan_passes(**{**GOOD, **change})
    assert error.value.field == field


def test_going_back_above_the_depth_planned_from_is_refused():
    plan = plan_passes(**GOOD, removed_mm=0.05)
    with pytest.raises(InputError, match="planned from"):
        plan.next_pass(0.02)


@pytest.mark.parametrize("limit", [5.0, 100.0, 1e99])
def test_a_limit_far_beyond_all_depths_changes_nothing_but_is_kept(limit):
    near, far = plan_passes(**GOOD), plan_passes(**GOOD, limit_mm=limit, uncleaned_cost=200.0)
    assert far.depths_mm == pytest.approx(near.depths_mm)
    assert far.expected_cost == pytest.approx(near.expected_cost, rel=1e-6)
    assert far.next_pass(limit - 0.001) == 0.0 if limit < 1e6 else True


def shortest_search(depth, cost, fine, value, counts, removed, finish, limit, uncleaned):
    """The same problem by recursion over whole steps, integrals of the survival function by adaptive quadrature."""

    def survive(x):
        return float(depth.sf(x))

    steps = math.floor((limit - removed) / STEP + 1e-9)
    ends = depth.support()
    areas = []
    for i in range(steps):
        low, high = removed + i * STEP, removed + (i + 1) * STEP
        kinks = [e for e in ends if low < e < high]
        areas.append(integrate.quad(survive, low, high, points=kinks or None, epsabs=1e-13, limit=200)[0])
    values = [0.0] * (steps + 1)
    for i in range(steps, -1, -1):
        here, alive = removed + i * STEP, survive(removed + i * STEP)
        best = math.inf
        for n in (n for n in counts if i + n <= steps and alive > 0):
            on = survive(here + n * STEP) / alive
            rest = on * values[i + n] + value * (n * STEP - sum(areas[i : i + n]) / alive)
            best = min(best, fine + rest)
            if finish and here + n * STEP + finish <= limit + 1e-9:
                best = min(best, cost + rest + (1 - on) * (fine + value * finish))
        values[i] = uncleaned if math.isinf(best) else min(best, uncleaned)
    return values[0]


@pytest.mark.parametrize(
    "depth",
    [
        stats.expon(scale=0.06),
        stats.weibull_min(0.8, scale=0.1),
        stats.weibull_min(2.5, scale=0.1),
        stats.gamma(3, scale=0.03),
        stats.lognorm(0.5, scale=0.08),
        stats.uniform(0.02, 0.1),  # an end of its own before the limit
        stats.triang(0.4, scale=0.2),
    ],
)
@pytest.mark.parametrize(("removed", "finish", "uncleaned"), [(0, 0, 300.0), (0.03, 0.02, 300.0), (0, 0.0254, 40.0)])
def test_any_depth_is_planned_as_by_an_independent_recursion(depth, removed, finish, uncleaned):
    limit = removed + 0.3
    plan = plan_passes(
        depth, 6.0, 1200.0, STEP, 0.11, STEP, removed, finish, 8.0, limit_mm=limit, uncleaned_cost=uncleaned
    )
    # with one feed the finishing cost is not used
    fine = 8.0 if finish else 6.0
    best = shortest_search(depth, 6.0, fine, 1200.0, range(1, 9), removed, finish, limit, uncleaned)
    assert plan.expected_cost == pytest.approx(best, rel=2e-5)


def test_free_passes_and_free_material_are_allowed():
    assert plan_passes(**{**GOOD, "pass_cost": 0.0}).depths_mm[0] == pytest.approx(STEP)
    assert plan_passes(**{**GOOD, "value_per_mm": 0.0}).depths_mm[0] > STEP
