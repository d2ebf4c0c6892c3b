"""When the next index falls, when the drawer runs empty, what to order. Days are counted from today (0 = today).

Demand over the lead time is taken as Poisson, which spreads wider than worn edges alone (their lives scatter by about
a third) and leaves room for chips.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import scipy

from planner.edge.decision import weibull_survival_integral
from planner.errors import InputError, between, finite_array, not_negative, positive

__all__ = [
    "DrawerForecast",
    "IndexForecast",
    "OrderSuggestion",
    "day_spent",
    "drawer_forecast",
    "edges_per_use",
    "index_forecast",
    "suggest_order",
]


@dataclass(frozen=True)
class IndexForecast:
    """Days from today at which the edge reaches its limit: likely, and the early and late end of the range."""

    likely_day: float
    early_day: float
    late_day: float


@dataclass(frozen=True)
class DrawerForecast:
    """Days from today at which the last unused edge is fitted, at this week's load and at the average load."""

    at_this_week: float
    at_average: float


@dataclass(frozen=True)
class OrderSuggestion:
    """Order ``inserts`` on day ``order_day`` (0 = today); ``reason`` in plain words. 0 inserts: nothing is used."""

    inserts: int
    order_day: float
    reason: str


def day_spent(left: float, this_week: Sequence[float], average_per_day: float) -> float:
    """Day on which ``left`` is used up: the planned days first (``this_week``, use per day), then the average load."""
    rest = not_negative("left", left)
    days = finite_array("this_week", list(this_week), (None,))
    if (days < 0).any():
        raise InputError("this_week", this_week, "use of 0 or more per day")
    average = not_negative("average_per_day", average_per_day)
    if rest == 0:
        return 0.0
    for day, use in enumerate(days):
        if use >= rest:
            return day + rest / use
        rest -= use
    return math.inf if average == 0 else days.size + rest / average


def index_forecast(
    spent: tuple[float, float, float], limit_use: float, this_week: Sequence[float], average_per_day: float
) -> IndexForecast:
    """Likely day of the next index. ``spent``: edge use so far as (likely, low, high); loads in edge use per day.

    Where a range of use spent stands for a range of capacity, the loads ahead scale with it.
    """
    limit = positive("limit_use", limit_use)
    likely, low, high = (not_negative("spent", value) for value in spent)
    if not low <= likely <= high:
        raise InputError("spent", spent, "likely, low, high with low <= likely <= high")

    def day(value: float) -> float:
        scale = value / likely if likely > 0 else 1.0
        if scale == 0:
            return math.inf
        return day_spent(max(0.0, limit - value), [u * scale for u in this_week], average_per_day * scale)

    return IndexForecast(day(likely), day(high), day(low))


def edges_per_use(shape: float, index_use: float, chips_per_use: float = 0.0) -> float:
    """Edges consumed per unit of edge use when indexed at ``index_use`` (inf = run to the end): 1 / integral_0^a R.

    ``chips_per_use``: chips on top, per unit of edge use.
    """
    k = positive("shape", shape)
    to_the_end = math.gamma(1 + 1 / k)
    mean = to_the_end if math.isinf(index_use) else weibull_survival_integral(k, positive("index_use", index_use))
    return 1.0 / mean + not_negative("chips_per_use", chips_per_use)


def drawer_forecast(
    fresh_edges: int,
    edges_this_week: float,
    edges_per_week: float,
    deliveries: Sequence[tuple[float, int]] = (),
) -> DrawerForecast:
    """Day the drawer runs empty. ``deliveries``: (day, edges) on their way."""
    stock = not_negative("fresh_edges", fresh_edges)
    on_way = sorted((not_negative("deliveries.day", d), not_negative("deliveries.edges", n)) for d, n in deliveries)

    def empty(per_week: float) -> float:
        rate = per_week / 7.0
        if rate == 0:
            return math.inf
        have, today = stock, 0.0
        for day, edges in on_way:
            if have < rate * (day - today):
                break
            have += edges - rate * (day - today)
            today = day
        return today + have / rate

    return DrawerForecast(
        empty(not_negative("edges_this_week", edges_this_week)), empty(not_negative("edges_per_week", edges_per_week))
    )


def suggest_order(
    fresh_edges: int,
    edges_per_insert: int,
    edges_per_week: float,
    lead_days: float,
    cover_days: float = 28.0,
    shortage_risk: float = 0.05,
    edges_on_order: int = 0,
) -> OrderSuggestion:
    """Order so that the chance of an empty drawer before the delivery stays within ``shortage_risk``.

    The order is due when edges at hand and on order fall to what the lead time may need; it fills up for
    ``cover_days`` beyond the lead time.
    """
    if edges_per_insert != int(edges_per_insert) or edges_per_insert < 1:
        raise InputError("edges_per_insert", edges_per_insert, "a whole number from 1")
    position = not_negative("fresh_edges", fresh_edges) + not_negative("edges_on_order", edges_on_order)
    rate = not_negative("edges_per_week", edges_per_week) / 7.0
    lead, cover = not_negative("lead_days", lead_days), positive("cover_days", cover_days)
    risk = between("shortage_risk", shortage_risk, 1e-6, 0.5)
    if rate == 0:
        return OrderSuggestion(0, math.inf, "none used at the average load")
    point = float(scipy.stats.poisson.ppf(1 - risk, rate * lead)) if lead > 0 else 0.0
    fill = float(scipy.stats.poisson.ppf(1 - risk, rate * (lead + cover)))
    day = max(0.0, (position - point) / rate)
    inserts = math.ceil(max(1.0, fill - min(position, point)) / edges_per_insert)
    when = "order now" if day == 0 else f"order in {math.floor(day)} days"
    reason = f"{when}: {position:.0f} edges at hand and on order, {lead:.0f} days to deliver may use {point:.0f}"
    return OrderSuggestion(inserts, day, reason)
