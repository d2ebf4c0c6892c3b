"""Which member to cut first: expected extra removal, second setups and lost matches, for every order."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite, not_negative
from planner.match.members import Member, MemberSet, MemberState
from planner.match.natural import EDGE_MM, Natural, lowered, natural_final

MOST_MEMBERS = 4


@dataclass(frozen=True)
class OrderOutcome:
    """What is to be expected of one order.

    order: names, finished members first. recut_chance: for each member, by name, the chance that it is set up a
    second time; recut_cost: those chances times the members' setup costs. needed_chance: chance that at least
    one earlier member stands above the window once all are cut, limits to following a lower one left aside. extra_mm: expected removal beyond clean-up, all members
    together. outside_chance: every member clean above its limit, yet the set cannot be brought within the window
    (with three or four members and a least pass this is an upper bound). below_limit_chance: some member does not
    come clean above its limit. lower_mm: how much lower than clean the first is cut on purpose. cost: recut_cost +
    value of the extra removal + price of a lost match, in the shop's currency.
    """

    order: tuple[str, ...]
    recut_chance: Mapping[str, float]
    needed_chance: float
    recut_cost: float
    extra_mm: float
    outside_chance: float
    below_limit_chance: float
    lower_mm: float
    cost: float


@dataclass(frozen=True)
class OrderAdvice:
    """Every order, cheapest first; ``best`` is the one recommended.

    lower: the cheapest way of cutting the first member lower on purpose, in any order tried; None where that never
    pays or is not asked. lowest_chance: chance of each member, by name, to end lowest. reason: in words. precedence:
    pairs (earlier, later) of names for the week.
    """

    outcomes: tuple[OrderOutcome, ...]
    lower: OrderOutcome | None
    lowest_chance: Mapping[str, float]
    reason: str

    @property
    def best(self) -> OrderOutcome:
        """The recommended order, without cutting lower on purpose."""
        return self.outcomes[0]

    @property
    def precedence(self) -> tuple[tuple[str, str], ...]:
        """Which member comes directly before which."""
        return tuple(itertools.pairwise(self.best.order))


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
    prices = _Prices(value, setups, lost)

    orders = list(_orders(one.members))
    grid = _Grid(tuple(naturals.values()), window, least)
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


@dataclass(frozen=True)
class _Prices:
    value_per_mm: float
    setups: Mapping[str, float]
    lost_match: float


class _Grid:
    """The members' distributions on common nodes, and the integrals over them.

    ``over`` is P(N > t and the member is clean above its limit); a finished member's height is a fact, so its limit
    only decides whether it can be re-cut.
    """

    def __init__(self, naturals: tuple[Natural, ...], window: float, least: float) -> None:
        self.naturals = naturals
        self.window = window
        self.least = least
        self.names = [n.name for n in naturals]
        self.own_least = np.array([-math.inf if n.fixed else n.least_mm for n in naturals])
        recut_least = [n.least_mm for n in naturals]
        for i, n in enumerate(naturals):
            if n.fixed and n.jumps[0] < n.least_mm:
                recut_least[i] = -math.inf  # already below: told by the plan, no reason to leave it unmatched
        self.recut_least = np.array(recut_least)
        breaks = []
        for n in naturals:
            for at in (*n.jumps, *([n.least_mm] if n.least_mm > -math.inf else [])):
                for shift in (0.0, window, -window, least, window + least, -window - least):
                    breaks += [at + shift - EDGE_MM, at + shift + EDGE_MM]
        nodes = np.unique(np.concatenate([*(n.nodes for n in naturals), breaks]))
        span = window + least + 1e-3
        self.nodes = np.concatenate([[nodes[0] - span], nodes, [nodes[-1] + span]])
        self.mids = 0.5 * (self.nodes[1:] + self.nodes[:-1])
        # A re-cut this small would leave the member outside on the other side of the window.
        self.coarse = max(0.0, least - (2 * window if len(naturals) == 2 else window))
        points = {
            "nodes": self.nodes,
            "nodes-w": self.nodes - window,
            "mids-w": self.mids - window,
            "mids-w-p": self.mids - window - least,
            "mids-w-e": self.mids - window - self.coarse,
        }
        self.over = {key: np.array([self._over(i, at) for i in range(len(naturals))]) for key, at in points.items()}
        self.ok = np.array([float(self._over(i, np.array([-1e9]))[0]) for i in range(len(naturals))])

    def _over(self, i: int, at: np.ndarray) -> np.ndarray:
        return self.naturals[i].above(np.maximum(at, self.own_least[i] - EDGE_MM))

    def _over_group(self, group: list[int], at: float) -> float:
        return float(np.prod([self._over(i, np.array([at]))[0] for i in group]))

    def lowest_chances(self) -> dict[str, float]:
        """Chance of each member to have the lowest natural final height; ties are shared by the others' midpoint."""
        everyone = [n.above(self.nodes) for n in self.naturals]
        chances = []
        for i, above in enumerate(everyone):
            others = np.prod([a for k, a in enumerate(everyone) if k != i], axis=0)
            chances.append(float(np.sum((above[:-1] - above[1:]) * 0.5 * (others[:-1] + others[1:]))))
        total = sum(chances)
        return {n: c / total for n, c in zip(self.names, chances, strict=True)}

    def outcome(self, order: tuple[str, ...], prices: _Prices, lower_mm: float = 0.0, lower_extra: float = 0.0):
        places = [self.names.index(name) for name in order]
        chances = {name: 0.0 for name in order}
        extra = lower_extra
        outside = self._cannot_match()
        for k, j in enumerate(places):
            before, after = places[:k], places[k + 1 :]
            if before and not self.naturals[j].fixed:
                extra += self._extra_while_cutting(j, before) * float(np.prod(self.ok[after]))
            if after:
                chance, amount, blocked = self._recut(j, before, after)
                chances[order[k]] = chance
                extra += amount
                outside += blocked
        recut_cost = sum(chances[name] * prices.setups[name] for name in order)
        return OrderOutcome(
            order=order,
            recut_chance=chances,
            needed_chance=self._needed(places),
            recut_cost=recut_cost,
            extra_mm=extra,
            outside_chance=min(1.0, max(0.0, outside)),
            below_limit_chance=min(1.0, max(0.0, 1.0 - float(np.prod(self.ok)))),
            lower_mm=lower_mm,
            cost=recut_cost + prices.value_per_mm * extra + prices.lost_match * outside,
        )

    def _cannot_match(self) -> float:
        """P(all clean above their limits, but the lowest + w lies below some member's limit)."""
        highest = float(np.max(self.recut_least))
        if highest == -math.inf:
            return 0.0
        everyone = list(range(len(self.naturals)))
        return float(np.prod(self.ok)) - self._over_group(everyone, highest - self.window - EDGE_MM)

    def _extra_while_cutting(self, k: int, before: list[int]) -> float:
        """E[(N_k − A − w)+] for the lowest A already cut, where A + w keeps k above its limit."""
        lowest = np.prod(self.over["nodes"][before], axis=0)
        mass = lowest[:-1] - lowest[1:]
        above = self.over["nodes"][k]
        cells = 0.5 * (above[1:] + above[:-1]) * np.diff(self.nodes)
        beyond = np.concatenate([np.cumsum(cells[::-1])[::-1], [0.0]])
        target = self.mids + self.window
        allowed = target >= self.recut_least[k] - EDGE_MM
        return float(np.sum(mass * allowed * np.interp(target, self.nodes, beyond)))

    def _recut(self, j: int, before: list[int], after: list[int]) -> tuple[float, float, float]:
        """Chance that member j is re-cut, expected removal by it, chance that the least pass forbids it."""
        window, pass_mm = self.window, self.least
        keeps = self.recut_least[j] - window  # lowest later height that j can follow
        final = self.over["nodes"][j].copy()
        if before:
            lowest = np.prod(self.over["nodes-w"][before], axis=0)
            if not self.naturals[j].fixed:
                final *= np.minimum(lowest, self._over_group(before, keeps - EDGE_MM)) if keeps > -math.inf else lowest
            else:
                final *= float(np.prod(self.ok[before]))
        mass = final[:-1] - final[1:]
        mids = self.mids

        ok_after = float(np.prod(self.ok[after]))
        below = {key: ok_after - np.prod(self.over[key][after], axis=0) for key in ("mids-w", "mids-w-p", "mids-w-e")}
        below_keeps = 0.0 if keeps == -math.inf else ok_after - self._over_group(after, keeps - EDGE_MM)
        # E[(s − B)+] = ∫ P(B ≤ t) dt up to s, on the nodes
        at_nodes = ok_after - np.prod(self.over["nodes"][after], axis=0)
        summed = np.concatenate([[0.0], np.cumsum(0.5 * (at_nodes[1:] + at_nodes[:-1]) * np.diff(self.nodes))])
        deep = mids - window - pass_mm
        can_deep = deep >= keeps - EDGE_MM
        chance_deep = np.where(can_deep, below["mids-w-p"] - below_keeps, 0.0)
        amount_deep = np.interp(deep, self.nodes, summed) + pass_mm * below["mids-w-p"]
        if keeps > -math.inf:
            amount_deep -= np.interp(keeps, self.nodes, summed) + (mids - window - keeps) * below_keeps
        amount_deep = np.where(can_deep, amount_deep, 0.0)

        clears = mids - pass_mm >= self.recut_least[j] - EDGE_MM
        shallow = np.where(clears, below["mids-w-e"] - below["mids-w-p"], 0.0)
        needed = np.where(mids - window >= keeps - EDGE_MM, below["mids-w"] - below_keeps, 0.0)
        blocked = np.maximum(0.0, needed - chance_deep - shallow)
        chance = float(np.sum(mass * (chance_deep + shallow)))
        amount = float(np.sum(mass * (amount_deep + pass_mm * shallow)))
        return chance, amount, float(np.sum(mass * blocked))

    def _needed(self, places: list[int]) -> float:
        """P(all ok and an earlier member ends more than w above a later, lowest one)."""
        over = self.over["nodes"]
        shifted = np.array([self._over(i, self.mids + self.window) for i in range(len(self.naturals))])
        total = 0.0
        for k, low in enumerate(places):
            before, after = places[:k], places[k + 1 :]
            if not before:
                continue
            mass = over[low][:-1] - over[low][1:]
            middle = 0.5 * (over[:, :-1] + over[:, 1:])
            all_above = np.prod(middle[before], axis=0)
            none_far = np.prod(middle[before] - shifted[before], axis=0)
            total += float(np.sum(mass * np.prod(middle[after], axis=0) * (all_above - none_far)))
        return min(1.0, max(0.0, total))


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
    prices: _Prices,
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
            grid = _Grid(tuple(shifted.values()), window, least)
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
    reason = f"Cut {first} first: it will probably ({tenths} in 10) end lowest, and so sets the height."
    removal = {name: by_name[name].likely_removal_mm for name in open_names}
    worst = max(others, key=lambda name: removal[name])
    if removal[worst] > removal[first]:
        return f"{reason} {worst} has the worse face, but stands higher by more than that."
    heights = [by_name[name].height_mm - one.offset_mm(by_name[name]) for name in open_names]
    if max(heights) - min(heights) <= max(1e-6, 0.1 * removal[first]):
        return f"{reason} The heights are alike, so the worst face decides."
    return reason
