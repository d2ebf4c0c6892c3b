"""Which member to cut first: expected extra removal, second setups and lost matches, for every order."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite, not_negative
from planner.match.chances import OrderGrid, OrderOutcome, Prices
from planner.match.members import Member, MemberSet, MemberState
from planner.match.natural import EDGE_MM, Natural, lowered, natural_final

MOST_MEMBERS = 4


@dataclass(frozen=True)
class OrderAdvice:
    """Every order, cheapest first; ``best`` is the one recommended.

    lower: the cheapest way of cutting the first member lower on purpose, in any order tried; None where that never
    pays or is not asked. lowest_chance: chance of each member, by name, to end lowest. reason: in words.
    """

    outcomes: tuple[OrderOutcome, ...]
    lower: OrderOutcome | None
    lowest_chance: Mapping[str, float]
    reason: str

    @property
    def best(self) -> OrderOutcome:
        """The recommended order, without cutting lower on purpose."""
        return self.outcomes[0]


def advise_order(
    one: MemberSet,
    *,
    value_per_mm: float,
    setup_cost: float | Mapping[str, float],
    guard_mm: float = 0.0,
    least_mm: float = 0.0,
    lower_step_mm: float = 0.0,
    lost_match_cost: float = 0.0,
) -> OrderAdvice:
    """Compare every order of cutting a set of two to four members.

    Each member in turn is cut until clean, and on to at most w = aim − guard above the lowest one already cut.
    When all are cut, an earlier member standing more than w above the lowest is set up again and cut by what is
    missing, but at least by the least pass; not where that takes it below its limit or, being too coarse, leaves it
    outside on the other side. A member being cut keeps its place as the first of those not finished.

    With independent natural final heights N every figure is an integral over one height: before and after a member
    only the lowest height matters, and the distribution of a minimum is a product. In a pair
    P(re-cut) = P(N_second < N_first − w). Chances are joint: re-cuts and extra removal count where no member is lost
    below its limit.

    value_per_mm: worth of a millimetre of material; setup_cost: of a second setup, one figure or by member name;
    lost_match_cost: of a set left outside the window; lower_step_mm: multiples to try for cutting the first lower on
    purpose (0: not priced). Raises `InputError` for five or more members, a member without height or removal,
    negative figures.
    """
    if len(one.members) > MOST_MEMBERS:
        raise InputError("members", len(one.members), f"two to {MOST_MEMBERS} members")
    value = not_negative("value_per_mm", value_per_mm)
    window = max(0.0, one.aim_mm - not_negative("guard_mm", guard_mm))
    least = not_negative("least_mm", least_mm)
    lower_step = not_negative("lower_step_mm", lower_step_mm)
    lost = not_negative("lost_match_cost", lost_match_cost)
    setups = _setup_costs(one, setup_cost)
    naturals = {m.name: natural_final(m, one.offset_mm(m)) for m in one.members}
    prices = Prices(value, setups, lost)

    orders = list(_orders(one.members))
    grid = OrderGrid(tuple(naturals.values()), window, least)
    outcomes = sorted((grid.outcome(order, prices) for order in orders), key=lambda o: o.cost)
    outcomes = _steady(outcomes, {name: n.mean_mm for name, n in naturals.items()})
    lower = None
    if lower_step > 0:
        tried = [o.order for o in outcomes[: 2 if len(one.members) == 2 else 1]]
        lower = _cheapest_lower(naturals, tried, window, least, lower_step, prices)
    lowest = grid.lowest_chances()
    return OrderAdvice(
        outcomes=tuple(outcomes),
        lower=lower if lower is not None and lower.cost < outcomes[0].cost - 1e-9 else None,
        lowest_chance=lowest,
        reason=_reason(one, outcomes, lowest, naturals),
    )


def _orders(members: tuple[Member, ...]):
    """Finished members first, then the one being cut, then every order of the rest."""
    done = [m.name for m in members if m.state is MemberState.FINISHED]
    on_machine = [m.name for m in members if m.state is MemberState.BEING_CUT]
    rest = [m.name for m in members if m.name not in {*done, *on_machine}]
    for started in itertools.permutations(on_machine):
        for order in itertools.permutations(rest):
            yield (*done, *started, *order)


def _setup_costs(one: MemberSet, setup_cost: float | Mapping[str, float]) -> dict[str, float]:
    if not isinstance(setup_cost, Mapping):
        return dict.fromkeys((m.name for m in one.members), not_negative("setup_cost", setup_cost))
    missing = [m.name for m in one.members if m.name not in setup_cost]
    if missing:
        raise InputError("setup_cost", sorted(setup_cost), f"a cost for every member, also for {missing[0]}")
    return {m.name: not_negative(f"setup_cost[{m.name}]", setup_cost[m.name]) for m in one.members}


def _steady(outcomes: list[OrderOutcome], means: Mapping[str, float]) -> list[OrderOutcome]:
    """Among orders that cost the same, the one whose earlier members are likely lower comes first."""
    cheapest = outcomes[0].cost
    slack = 1e-6 * max(1.0, abs(finite("cost", cheapest)))
    same = [o for o in outcomes if o.cost <= cheapest + slack]
    same.sort(key=lambda o: [means[name] for name in o.order])
    return same + [o for o in outcomes if o.cost > cheapest + slack]


def _cheapest_lower(
    naturals: Mapping[str, Natural],
    orders: list[tuple[str, ...]],
    window: float,
    least: float,
    step: float,
    prices: Prices,
) -> OrderOutcome | None:
    best = None
    for order in orders:
        first = next((name for name in order if not naturals[name].fixed), None)
        if first is None or first == order[-1]:
            continue
        member = naturals[first]
        reach = max(float(np.ptp(n.nodes)) for n in naturals.values())
        worse = 0
        previous = math.inf
        for k in range(1, 41):
            by = k * step
            if by > reach:
                break
            shifted = {**naturals, first: lowered(member, by)}
            grid = OrderGrid(tuple(shifted.values()), window, least)
            others = float(np.prod([grid.ok[grid.names.index(n)] for n in order if n != first]))
            outcome = grid.outcome(order, prices, by, _lowering(member, by) * others)
            if best is None or outcome.cost < best.cost:
                best = outcome
            worse = worse + 1 if outcome.cost >= previous else 0
            if worse >= 4:
                break
            previous = outcome.cost
    return best


def _lowering(member: Natural, by: float) -> float:
    """Expected removal by cutting lower on purpose: E[min(by, N − least)] where N is above its limit."""
    if member.least_mm == -math.inf:
        return by
    t = np.linspace(member.least_mm - EDGE_MM, member.least_mm + by, 400)
    return float(np.trapezoid(member.above(t), t))


def _reason(
    one: MemberSet, outcomes: list[OrderOutcome], lowest: Mapping[str, float], naturals: Mapping[str, Natural]
) -> str:
    by_name = {m.name: m for m in one.members}
    open_names = [name for name in outcomes[0].order if by_name[name].state is not MemberState.FINISHED]
    if not open_names:
        return "All members are finished."
    first = open_names[0]
    if len(open_names) == 1:
        return f"Only {first} is left to cut."
    if by_name[first].state is MemberState.BEING_CUT:
        return f"{first} is on the machine: finish it first."
    others = [name for name in open_names if name != first]
    costs = [o.cost for o in outcomes]
    if costs[-1] - costs[0] <= 1e-6 * max(1.0, abs(costs[0])):
        return f"Either order: the chances and the costs are the same. {first} is likely the lower, so cut it first."
    share = lowest[first] / sum(lowest[name] for name in open_names) if sum(lowest[n] for n in open_names) else 0.0
    likely_lowest = max(open_names, key=lambda name: lowest[name])
    tenths = min(9, max(1, round(10 * share)))
    if first != likely_lowest:
        return (
            f"Cut {first} first, although {likely_lowest} will more likely end lowest: setting {first} up a second "
            f"time would cost less than setting up {likely_lowest} again."
            if outcomes[0].recut_cost < outcomes[-1].recut_cost
            else f"Cut {first} first: it costs least, although {likely_lowest} will more likely end lowest."
        )
    if share >= 0.55:
        reason = f"Cut {first} first: it will probably ({tenths} in 10) end lowest, and so sets the height."
    elif len(open_names) > 2:
        reason = f"Cut {first} first: it is the likeliest ({tenths} in 10) to end lowest, and so to set the height."
    else:
        reason = (
            f"Cut {first} first: it is only a little more likely than {others[0]} to end lowest and set the height."
        )
    removal = {name: by_name[name].likely_removal_mm for name in open_names}
    worst = max(others, key=lambda name: removal[name])
    if removal[worst] > removal[first]:
        return f"{reason} {worst} has the worse face, but stands higher by more than that."
    heights = [by_name[name].height_mm - one.offset_mm(by_name[name]) for name in open_names]
    if max(heights) - min(heights) <= max(1e-6, 0.1 * removal[first]):
        return f"{reason} The heights are alike, so the worst face decides."
    return reason
