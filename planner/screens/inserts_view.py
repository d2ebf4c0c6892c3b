"""What the page Inserts knows of its edges: advice, outlook and drawer, worked out once while plan and shop stand still."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from planner.cut.knowledge import skin_wear
from planner.edge import EdgeState, End
from planner.screens import access
from planner.screens.picture import picture
from planner.screens.plans import present_plan
from planner.shop import Shop
from planner.week.edge_advice import EdgeAdvice, edge_advice
from planner.week.edge_outlook import (
    DrawerOutlook,
    EdgeOutlook,
    drawer_outlook,
    edge_outlook,
    limit_price,
    planned_use,
)
from planner.week.result import Plan

LOAD_DAYS = 182


@dataclass(frozen=True)
class EdgeView:
    """Advice and outlook of every cutter, drawers by grade id, what keeping the limit costs by cutter id."""

    advice: tuple[EdgeAdvice, ...]
    outlook: tuple[EdgeOutlook, ...]
    drawers: Mapping[int, DrawerOutlook]
    limit_prices: Mapping[int, float]


def view() -> EdgeView:
    """The edges as they stand, along the plan that every screen shows."""
    plan = present_plan()
    if plan is None:
        return _view(None)
    return picture(plan).once(("edges", access.edge_version()), lambda: _view(plan))


def advice_along(plan: Plan) -> tuple[EdgeAdvice, ...]:
    """Before which jobs of a plan to index; the page Week says it, too."""
    return picture(plan).once(
        ("advice", access.edge_version()),
        lambda: edge_advice(plan, access.shop(), access.queue(), access.knowledge()),
    )


def _view(plan) -> EdgeView:
    shop, queue, knowledge = access.shop(), access.queue(), access.knowledge()
    planned, load = planned_use(plan, queue), _load(access.now())
    advice = edge_advice(None, shop, queue, knowledge) if plan is None else advice_along(plan)
    taken: dict[int, int] = {}
    for one in advice:
        indexes = sum(step.index_before + len(step.stops) for step in one.steps)
        taken[one.grade_id] = taken.get(one.grade_id, 0) + indexes * shop.cutters[one.cutter_id].inserts
    prices = {a.cutter_id: limit_price(shop, queue, knowledge, a) for a in advice}
    return EdgeView(
        advice,
        tuple(edge_outlook(a, shop, knowledge, planned, load, _end(shop, a)) for a in advice),
        {g: drawer_outlook(shop, knowledge, g, planned, load, taken.get(g, 0)) for g in shop.grades},
        {cutter: price for cutter, price in prices.items() if price is not None},
    )


def _end(shop: Shop, advice: EdgeAdvice) -> End | None:
    """How the edge at work ended, where it was told and not yet changed."""
    if not advice.fitted:
        return None
    ledger, cutter = access.ledger(), shop.cutters[advice.cutter_id].name
    edges = [ledger.edge_in(cutter, e.pocket) for e in advice.fitted]
    return next((e.end for e in edges if e is not None and e.state is EdgeState.RETIRED), None)


def _load(now: datetime) -> dict[tuple[int, str], float]:
    """Wear path a day by (grade id, material) of the last half year, or of the shop's record where that is shorter."""
    store = access.repository()
    events = access.edge_events()
    first = min((e.at for e in events), default=now)
    since = max(first, now - timedelta(days=LOAD_DAYS))
    days = max(1.0, (now - since) / timedelta(days=1))
    shop, knowledge, load = access.shop(), access.knowledge(), {}
    for (grade_id, material, skin), path in store.edge_load(since, now).items():
        wear = path / days * (skin_wear(shop, knowledge, skin).factor if skin else 1.0)
        load[grade_id, material] = load.get((grade_id, material), 0.0) + wear
    return load
