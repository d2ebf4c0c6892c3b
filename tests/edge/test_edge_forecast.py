"""Next index, empty drawer, what to order."""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner import InputError
from planner.edge import day_spent, drawer_forecast, edges_per_use, index_forecast, suggest_order


def test_planned_days_first_then_the_average():
    assert day_spent(0.25, [0.1, 0.1, 0.1], 0.05) == pytest.approx(2.5)
    assert day_spent(0.5, [0.1, 0.1, 0.1], 0.05) == pytest.approx(3 + 0.2 / 0.05)
    assert day_spent(0.5, [0.1], 0.0) == math.inf
    assert day_spent(0.0, [0.1], 1.0) == 0
    assert day_spent(0.1, [0.0, 0.0, 0.4], 1.0) == pytest.approx(2.25)


def test_index_date_with_its_range():
    forecast = index_forecast((0.20, 0.15, 0.30), 0.45, [], 0.05)
    assert forecast.likely_day == pytest.approx(5)
    assert forecast.early_day == pytest.approx(0.15 / 0.075)  # a weaker edge also spends faster
    assert forecast.late_day == pytest.approx(0.30 / 0.0375)


def test_drawer_runs_empty():
    forecast = drawer_forecast(6, edges_this_week=14, edges_per_week=7, deliveries=[(4, 7)])
    assert forecast.at_this_week == pytest.approx(3)  # empty before the delivery comes
    assert forecast.at_average == pytest.approx(13)
    assert drawer_forecast(6, 0, 0).at_average == math.inf


def test_edges_consumed_against_simulation():
    rng = np.random.default_rng(0)
    lives = rng.weibull(3.71, 200_000)
    assert edges_per_use(3.71, 0.5) == pytest.approx(1 / np.minimum(lives, 0.5).mean(), rel=5e-3)
    assert edges_per_use(3.71, math.inf, 0.4) == pytest.approx(1 / lives.mean() + 0.4, rel=5e-3)


@pytest.mark.parametrize("per_week", [2.0, 7.0, 20.0])
def test_order_keeps_the_drawer_from_running_empty(per_week):
    """Simulated lead times with random demand: empty before the delivery in at most the stated share."""
    rng = np.random.default_rng(1)
    order = suggest_order(60, 4, per_week, lead_days=10, shortage_risk=0.05)
    left_when_ordering = 60 - order.order_day * per_week / 7
    assert left_when_ordering >= 0
    short = (rng.poisson(per_week / 7 * 10, 20_000) > math.ceil(left_when_ordering)).mean()
    assert short <= 0.055
    assert order.inserts * 4 >= per_week / 7 * 28  # covers the weeks ahead


def test_order_now_and_never():
    now = suggest_order(2, 2, 7.0, lead_days=7)
    assert now.order_day == 0
    assert now.reason.startswith("order now: 2 edges at hand")
    assert suggest_order(2, 2, 7.0, lead_days=7, edges_on_order=30).order_day > 0
    assert suggest_order(2, 2, 0.0, lead_days=7).inserts == 0


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: day_spent(-1, [], 1), "left"),
        (lambda: day_spent(1, [-0.1], 1), "this_week"),
        (lambda: index_forecast((0.2, 0.3, 0.4), 0.5, [], 1), "spent"),
        (lambda: suggest_order(-1, 4, 1, 1), "fresh_edges"),
        (lambda: suggest_order(1, 0, 1, 1), "edges_per_insert"),
        (lambda: suggest_order(1, 1, 1, -1), "lead_days"),
        (lambda: drawer_forecast(1, 1, 1, [(-1, 3)]), "deliveries.day"),
        (lambda: edges_per_use(3, 0), "index_use"),
    ],
)
def test_bad_input_is_refused(call, field):
    with pytest.raises(InputError) as refused:
        call()
    assert refused.value.field == field
