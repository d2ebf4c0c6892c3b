"""The evaluator against the plain simulation beside it: 10 000 random weeks, the same starts, ends and ready
instants."""

from __future__ import annotations

import numpy as np
import pytest

from planner.week.result import evaluate_decision, state_of
from planner.week.tables import Tables
from planner.week.timeline import evaluate
from tests.week.event_simulation import simulate
from tests.week.random_weeks import random_decision, random_week

TOLERANCE_MIN = 1e-6


def check(tables, week, decisions, opened):
    states = [state_of(tables, decision, opened) for decision in decisions]
    clock = tables.clock(opened)
    ev = evaluate(
        tables,
        clock,
        np.stack([s.tour for s in states]),
        np.stack([s.person for s in states]),
        np.stack([s.drain for s in states]),
        opened=opened,
    )
    for i, decision in enumerate(decisions):
        expected = simulate(week, decision.order, decision.person, decision.bench_first, opened)
        for j, job in enumerate(tables.jobs):
            if ev.placed[i, j]:
                found = (ev.start[i, j], ev.end[i, j], ev.ready[i, j])
                assert found == pytest.approx(expected[job.id], abs=TOLERANCE_MIN, rel=0), (decision, job.id)
            else:
                assert job.id not in expected or expected[job.id][2] > clock.horizon_min - 1
        if ev.placed[i].all():
            setup, indexes, money = expected[None]
            assert ev.setup_minutes[i] == pytest.approx(setup, abs=TOLERANCE_MIN)
            assert ev.edges[i].sum() == indexes
            assert ev.terms[i, 2] == pytest.approx(money, abs=TOLERANCE_MIN)
    return int(ev.placed.sum())


@pytest.mark.slow
def test_ten_thousand_random_weeks_equal_the_simulation():
    weeks = placed = 0
    seed = 0
    while weeks < 10_000:
        rng = np.random.default_rng(seed)
        seed += 1
        week = random_week(rng)
        tables = Tables(week)
        if not tables.n:
            continue
        decisions = [random_decision(tables, rng) for _ in range(10)]
        placed += check(tables, week, decisions, decisions[0].opened)
        weeks += len(decisions)
    assert placed > 20_000  # the comparison is of work done, not of weeks in which nothing fits


def test_one_at_a_time_equals_many_at_once():
    for seed in range(40):
        rng = np.random.default_rng(1_000_000 + seed)
        week = random_week(rng)
        tables = Tables(week)
        if not tables.n:
            continue
        decisions = [random_decision(tables, rng) for _ in range(5)]
        opened = decisions[0].opened
        states = [state_of(tables, decision, opened) for decision in decisions]
        clock = tables.clock(opened)
        arrays = [np.stack([getattr(s, name) for s in states]) for name in ("tour", "person", "drain")]
        together = evaluate(tables, clock, *arrays, opened=opened)
        for i in range(5):
            alone = evaluate(tables, clock, *(a[i : i + 1] for a in arrays), opened=opened)
            np.testing.assert_allclose(alone.cost[0], together.cost[i], rtol=1e-12)
            np.testing.assert_allclose(alone.ready[0], together.ready[i], atol=1e-9)


def test_rows_of_the_plan_end_when_the_evaluator_says():
    seen = 0
    for seed in range(150):
        rng = np.random.default_rng(2_000_000 + seed)
        week = random_week(rng)
        tables = Tables(week)
        if not tables.n:
            continue
        plan = evaluate_decision(tables, random_decision(tables, rng))
        rows = plan.timeline
        for job in plan.jobs.index:
            mine = rows[rows.job == job]
            at_machine = mine[mine.machine != ""]
            assert at_machine.end_min.max() == pytest.approx(plan.jobs.end_min[job], abs=TOLERANCE_MIN)
            assert mine.end_min.max() == pytest.approx(plan.jobs.ready_min[job], abs=TOLERANCE_MIN)
            assert mine.start_min.min() == pytest.approx(plan.jobs.start_min[job], abs=TOLERANCE_MIN)
            seen += 1
    assert seen > 300
