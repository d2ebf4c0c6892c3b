"""What the edges may still cut, when the next index is likely, when the drawer runs empty, what to order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.cut.estimate import cutting_passes
from planner.cut.knowledge import Knowledge
from planner.edge import (
    DrawerForecast,
    EdgeLife,
    End,
    IndexForecast,
    OrderSuggestion,
    Permit,
    drawer_forecast,
    edges_per_use,
    index_forecast,
    suggest_order,
)
from planner.shop import PassReason, Shop, starting
from planner.week.edge_advice import EdgeAdvice, failure_cost, limit_of, permit, planned_cost
from planner.week.edge_lives import GradeLife, grade_life, rule_of
from planner.week.edge_rules import edges_at_hand, use_not_recorded
from planner.week.queue import Queue
from planner.week.result import Plan

__all__ = ["DrawerOutlook", "EdgeOutlook", "drawer_outlook", "edge_outlook", "limit_price", "planned_use"]

DAYS_AHEAD = 7
UNKNOWN_LEAD_DAYS = 14


@dataclass(frozen=True)
class EdgeOutlook:
    """An edge in a cutter: what it may still cut by material, days to the next index, use it is planned to add.

    ``may_with_iron``: the same for a face with iron or steel standing in it, where that differs.
    """

    may: Mapping[str, Permit]
    may_with_iron: Mapping[str, Permit]
    index: IndexForecast
    planned: float
    average_per_day: float


@dataclass(frozen=True)
class DrawerOutlook:
    """Unused edges of a grade: at hand, taken a week by this plan and on average, when they run out, what to order."""

    grade_id: int
    at_hand: int
    this_week: float
    average_week: float
    empty: DrawerForecast
    order: OrderSuggestion
    lead_known: bool


def planned_use(plan: Plan | None, queue: Queue, days: int = DAYS_AHEAD) -> dict[tuple[int, int], np.ndarray]:
    """(cutter id, grade id) -> edge use of the plan's passes on each of the next days (days,), per edge; what was cut
    and is not recorded yet counts to the first day."""
    found: dict[tuple[int, int], np.ndarray] = {}
    if plan is None:
        return found
    rows = plan.timeline
    passes = rows[rows["kind"].str.endswith(" pass") & ~rows["kind"].str.startswith(PassReason.KISS.value)]
    for job_id, machine_id, start in zip(passes["job"], passes["machine"], passes["start_min"], strict=True):
        estimate = queue.by_machine[int(job_id), int(machine_id)]
        setup, day = estimate.setup, int(start // 1440)
        if day >= days:
            continue
        key = (setup.cutter.id, setup.grade.id)
        use = (estimate.edge_share_likely or 0.0) / max(1, cutting_passes(estimate.passes_likely))
        found.setdefault(key, np.zeros(days))[day] += use
    for key, use in use_not_recorded(queue).items():
        found.setdefault(key, np.zeros(days))[0] += use
    return found


def edge_outlook(
    advice: EdgeAdvice,
    shop: Shop,
    knowledge: Knowledge,
    planned: Mapping[tuple[int, int], np.ndarray],
    load_per_day: Mapping[tuple[int, str], float],
    end: End | None = None,
) -> EdgeOutlook:
    """The outlook of the edge in one cutter. ``load_per_day``: (grade id, material) -> wear path of all its edges."""
    known = grade_life(shop, knowledge, advice.grade_id)
    worked = sorted({m for e in advice.fitted for m, path in e.wear_mm.items() if path > 0})
    materials = [m for m in starting.CAPACITY_PATH_MM if m in {r.material for r in shop.recipes.values()}]

    def may(with_iron: bool) -> dict[str, Permit]:
        return {
            m: permit(
                shop, m, advice.grade_id, worked, advice.spent[0], advice.limit_use, end=end, ferrous_in_face=with_iron
            )
            for m in materials
        }

    week = planned.get((advice.cutter_id, advice.grade_id), np.zeros(DAYS_AHEAD))
    edges = max(1, sum(e.grade_id == advice.grade_id for e in shop.edges))
    average = _use_per_day(known, advice.grade_id, load_per_day) / edges
    plain, iron = may(False), may(True)
    return EdgeOutlook(
        plain,
        {m: p for m, p in iron.items() if p.allowed is not plain[m].allowed},
        index_forecast(advice.spent, max(min(advice.index_use, advice.limit_use), 1e-6), list(week), average),
        float(week.sum()),
        average,
    )


def drawer_outlook(
    shop: Shop,
    knowledge: Knowledge,
    grade_id: int,
    planned: Mapping[tuple[int, int], np.ndarray],
    load_per_day: Mapping[tuple[int, str], float],
    indexes: int = 0,
) -> DrawerOutlook:
    """When the drawer of one grade runs empty, and what to order when. ``indexes``: edges the plan itself takes."""
    grade, known = shop.grades[grade_id], grade_life(shop, knowledge, grade_id)
    life = known.life
    capacity = float(np.median(life.ruling.capacities))
    chips = 0.0 if life.chips is None else life.chips.rate * capacity
    per_use = edges_per_use(life.ruling.shape, limit_of(life, shop.settings.risk_limit), chips)
    inserts = {c.id: c.inserts for c in shop.cutters.values()}
    week = sum(float(use.sum()) * inserts[c] for (c, g), use in planned.items() if g == grade_id) * 7 / DAYS_AHEAD
    this_week = max(week * per_use, float(indexes))
    average = _use_per_day(known, grade_id, load_per_day) * 7 * per_use
    lead = grade.lead_days if grade.lead_days is not None else UNKNOWN_LEAD_DAYS
    at_hand = edges_at_hand(shop, grade_id)
    return DrawerOutlook(
        grade_id,
        at_hand,
        this_week,
        average,
        drawer_forecast(at_hand, this_week, average),
        suggest_order(max(0, at_hand - indexes), grade.positions, max(week * per_use, average), lead),
        grade.lead_days is not None,
    )


def limit_price(shop: Shop, queue: Queue, knowledge: Knowledge, advice: EdgeAdvice) -> float | None:
    """Money the planning limit costs per edge, beside indexing where it is cheapest; None without a job to price it."""
    if not advice.job_ids:
        return None
    known = grade_life(shop, knowledge, advice.grade_id)
    cutter = shop.cutters[advice.cutter_id]
    life = known.of(cutter.inserts)
    planned = planned_cost(
        shop, knowledge, advice.grade_id, cutter.inserts, shop.machines[advice.machine_id].hourly_rate
    )
    costs = [failure_cost(shop, queue.by_machine[j, advice.machine_id], knowledge) for j in advice.job_ids]
    failure = float(np.mean(costs))
    best = rule_of(life, planned, failure).cost_rate
    rate, mean = _fixed(life, planned, failure, advice.limit_use)
    return max(0.0, (rate - best) * mean)


def _fixed(life: EdgeLife, planned: float, failure: float, index_use: float) -> tuple[float, float]:
    """Long-run cost per unit of edge use, and mean use of an edge, when indexed at a fixed use."""
    measure = life.measure
    unit = life.ruling.capacities / measure.materials
    use = np.linspace(0.0, index_use, 200)
    alive = np.asarray(life.wear_survival(use[:, None] * unit))
    mean = float(np.trapezoid(alive, use)) * float(np.mean(life.ruling.capacities / measure.capacities))
    return (planned * alive[-1] + failure * (1 - alive[-1])) / mean, mean


def _use_per_day(known: GradeLife, grade_id: int, load_per_day: Mapping[tuple[int, str], float]) -> float:
    paths = {m: p for (g, m), p in load_per_day.items() if g == grade_id and m in known.materials}
    return float(known.life.spent(known.work(paths))) if paths else 0.0
