"""Integrals over the members' natural final heights: what one order of cutting is to be expected to bring."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.match.natural import EDGE_MM, Natural


@dataclass(frozen=True)
class OrderOutcome:
    """What is to be expected of one order.

    order: names, finished members first. recut_chance: for each member, by name, the chance that it is set up a
    second time; recut_cost: those chances times the members' setup costs. needed_chance: chance that at least
    one earlier member stands above the window once all are cut, limits to following a lower one left aside.
    extra_mm: expected removal beyond clean-up, all members together. outside_chance: every member clean above its
    limit, yet the set cannot be brought within the window
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
class Prices:
    """What a millimetre, a second setup of each member and a lost match cost, in the shop's currency."""

    value_per_mm: float
    setups: Mapping[str, float]
    lost_match: float


class OrderGrid:
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

    def outcome(
        self, order: tuple[str, ...], prices: Prices, lower_mm: float = 0.0, lower_extra: float = 0.0
    ) -> OrderOutcome:
        """Expectations of one order; lower_mm, lower_extra: the first is cut lower on purpose, and what that takes."""
        places = [self.names.index(name) for name in order]
        chances = dict.fromkeys(order, 0.0)
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
