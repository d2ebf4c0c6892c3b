"""The search against every possible plan, and against exact dynamic programming."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.week import Job, Machine, Prices, Step, Week, plan_week
from planner.week.search import search_week
from planner.week.single import order_jobs
from planner.week.tables import Tables
from planner.week.timeline import evaluate
from tests.week.random_weeks import random_week


def every_tour(tables):
    """All sequences on all machines that the jobs' machines allow."""
    n, m = tables.n, tables.m
    tours = []
    for jobs in itertools.permutations(range(n)):
        for cuts in itertools.combinations(range(n + m - 1), m - 1):
            tour, rest = [], iter(jobs)
            for place in range(n + m - 1):
                tour.append(-1 if place in cuts else next(rest))
            tours.append(tour)
    tours = np.array(tours)
    lane = np.cumsum(tours < 0, axis=1)
    fits = (tables.may.any(2)[np.maximum(tours, 0), lane] | (tours < 0)).all(1)
    return tours[fits]


def cheapest_of_all(tables):
    """Cost of the best of all plans: order, machine, person, bench-first marks, opened overtime."""
    n, m = tables.n, tables.m
    tours = every_tour(tables)
    people = [np.flatnonzero(tables.may[j, k]) if tables.may[j, k].any() else [0] for j in range(n) for k in range(m)]
    drains = tables.bench_own.any() and (tables.after > 0).any()
    best = np.inf
    for count in range(len(tables.overtime_names) + 1):
        for names in itertools.combinations(tables.overtime_names, count):
            opened = frozenset(names)
            clock = tables.clock(opened)
            for picks in itertools.product(*people):
                person = np.array(picks).reshape(1, n, m)
                for marks in itertools.product((False, True), repeat=n) if drains else [(False,) * n]:
                    drain = np.array([marks])
                    for i in range(0, len(tours), 2048):
                        part = tours[i : i + 2048]
                        best = min(best, evaluate(tables, clock, part, person, drain, opened=opened).cost.min())
    return float(best)


def size_of_everything(tables):
    n, m = tables.n, tables.m
    size = float(len(every_tour(tables))) if n <= 6 else np.inf
    for j in range(n):
        for k in range(m):
            size *= max(1, int(tables.may[j, k].sum()))
    if tables.bench_own.any() and (tables.after > 0).any():
        size *= 2.0**n
    return size * 2.0 ** len(tables.overtime_names)


@pytest.mark.slow
@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(0, 10**6))
def test_equals_the_best_of_all_plans(seed):
    """Two machines, up to six jobs, setups, calendars, edges, sets, overtime, bench work."""
    rng = np.random.default_rng(seed)
    for _ in range(60):
        tables = Tables(random_week(rng, most_jobs=6, most_machines=2))
        if tables.n >= 2 and 100 <= size_of_everything(tables) <= 30_000:
            break
    else:
        return
    best = cheapest_of_all(tables)
    found = search_week(tables, seconds=20.0, steps=80, seed=1, target=best)
    assert found.cost == pytest.approx(best, rel=1e-9, abs=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [11, 12])
def test_eight_jobs_on_one_machine_with_setups_and_edges(seed):
    rng = np.random.default_rng(seed)
    while True:
        week = random_week(rng, most_jobs=8, most_machines=1)
        week = Week(week.jobs, week.machines, week.people[:1], (), Prices())
        tables = Tables(week)
        if tables.n == 8 and not (tables.after > 0).any() and not tables.overtime_names:
            break
    best = cheapest_of_all(tables)
    assert search_week(tables, steps=60, target=best).cost == pytest.approx(best, rel=1e-9)


def least_weighted_lateness(minutes, weights, due):
    """Exact: dynamic programming over the sets of jobs done first (Held & Karp, J. SIAM 10(1) 1962)."""
    n = len(minutes)
    total = np.zeros(1 << n)
    for j in range(n):
        total[1 << j : 1 << (j + 1)] = total[: 1 << j] + minutes[j]
    best = np.full(1 << n, np.inf)
    best[0] = 0.0
    subsets = np.arange(1 << n)
    order = np.argsort([int(s).bit_count() for s in subsets], kind="stable")
    counts = np.array([int(s).bit_count() for s in subsets])[order]
    for size in range(1, n + 1):
        group = order[counts == size]
        for j in range(n):
            has = group[(group >> j) & 1 == 1]
            last = weights[j] * np.maximum(0.0, total[has] - due[j])
            best[has] = np.minimum(best[has], best[has ^ (1 << j)] + last)
    return float(best[-1])


@pytest.mark.parametrize("seed", range(6))
def test_fifteen_jobs_equal_dynamic_programming(seed):
    rng = np.random.default_rng(seed)
    minutes, weights = rng.integers(10, 100, 15).astype(float), rng.integers(1, 10, 15).astype(float)
    due = rng.integers(50, int(minutes.sum() * 0.8), 15).astype(float)
    best = least_weighted_lateness(minutes, weights, due)
    assert best > 0
    assert order_jobs(minutes, weights, due, steps=2_000, target=best).cost == pytest.approx(best)
    jobs = [
        Job(f"j{i}", {"m": (Step("cut", minutes[i]),)}, due_min=due[i], weight_per_min=weights[i]) for i in range(15)
    ]
    assert plan_week(jobs, [Machine("m")], steps=60, target=best).cost == pytest.approx(best)


def test_order_jobs_with_setups_equals_all_orders():
    rng = np.random.default_rng(5)
    for n in (1, 2, 3, 4, 5, 6):
        for _ in range(5):
            minutes, weights = rng.integers(1, 10, n), rng.integers(1, 5, n)
            due, setups = rng.integers(0, 25, n), rng.integers(0, 8, (n + 1, n))

            def cost(order, minutes=minutes, weights=weights, due=due, setups=setups):
                t, last, sum_late = 0, -1, 0
                for j in order:
                    t += setups[last + 1, j] + minutes[j]
                    sum_late += weights[j] * max(0, t - due[j])
                    last = j
                return sum_late

            best = min(cost(order) for order in itertools.permutations(range(n)))
            found = order_jobs(minutes, weights, due, setups, steps=200, target=best)
            assert found.cost == best == cost(found.order)


def test_fractions_of_minutes_cost_what_they_should():
    rng = np.random.default_rng(8)
    minutes, weights = rng.uniform(1, 10, 12), rng.uniform(0.1, 3, 12)
    due, setups = rng.uniform(0, 60, 12), rng.uniform(0, 5, (13, 12))
    found = order_jobs(minutes, weights, due, setups, steps=300)
    ends = np.cumsum(minutes[found.order] + setups[np.r_[0, found.order[:-1] + 1], found.order])
    late = weights[found.order] @ np.maximum(0, ends - due[found.order])
    assert found.cost == pytest.approx(late)


def test_same_seed_and_steps_give_the_same_plan():
    tables = Tables(random_week(np.random.default_rng(3), most_jobs=8))
    one, other = (search_week(tables, steps=12, seed=4) for _ in range(2))
    assert one.decision == other.decision and one.cost == other.cost
    rng = np.random.default_rng(0)
    minutes, due, setups = rng.integers(1, 50, 40), rng.integers(0, 900, 40), rng.integers(0, 30, (41, 40))
    first, second = (order_jobs(minutes, np.ones(40), due, setups, steps=200, seed=9) for _ in range(2))
    np.testing.assert_array_equal(first.order, second.order)


def test_no_steps_is_the_best_of_the_orders_it_begins_with():
    tables = Tables(random_week(np.random.default_rng(3), most_jobs=8))
    begun, searched = (search_week(tables, steps=count, seed=4) for count in (0, 40))
    assert begun.steps == 0 and searched.steps > 0
    assert searched.cost <= begun.cost + 1e-9
    again = search_week(tables, steps=0, seed=4, begin_with=[searched.decision])
    assert again.cost == pytest.approx(searched.cost)


def test_progress_can_show_the_best_plan_at_any_moment():
    tables = Tables(random_week(np.random.default_rng(6), most_jobs=8))
    seen = []
    plan = search_week(tables, steps=10, progress=lambda p: seen.append((p.share, p.cost, p.best().cost)))
    shares, costs, plans = zip(*seen, strict=True)
    assert list(shares) == sorted(shares) and shares[-1] <= 1.0
    assert list(costs) == sorted(costs, reverse=True) and costs[-1] == pytest.approx(plan.cost)
    assert plans == pytest.approx(costs)
