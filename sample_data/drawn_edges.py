"""Draws that are the same everywhere, and the edges that wear, chip and lose their finish while the record is drawn."""

from __future__ import annotations

import math
from datetime import datetime, time, timedelta
from random import Random
from statistics import NormalDist

import shop_description as shop


class Dice:
    """Draws that stay the same everywhere: only the generator's uniform numbers are used."""

    def __init__(self, seed: int) -> None:
        self._next = Random(seed).random

    def uniform(self, low: float = 0.0, high: float = 1.0) -> float:
        return low + (high - low) * self._next()

    def chance(self, share: float) -> bool:
        return self._next() < share

    def normal(self, mean: float = 0.0, deviation: float = 1.0) -> float:
        return mean + deviation * NormalDist().inv_cdf(min(max(self._next(), 1e-9), 1 - 1e-9))

    def lognormal(self, median: float, sigma: float) -> float:
        return median * math.exp(self.normal(0.0, sigma))

    def weibull(self, shape: float, scale: float) -> float:
        return scale * (-math.log(1 - self._next())) ** (1 / shape)

    def whole(self, low: int, high: int) -> int:
        return low + int(self._next() * (high - low + 1))

    def pick(self, weighted):
        left = self._next() * sum(entry[-1] for entry in weighted)
        for entry in weighted:
            left -= entry[-1]
            if left < 0:
                return entry
        return weighted[-1]


class Edges:
    """The ledger of edges: one cutter's single pocket holds one edge; it ends by wear, a chip or by rule."""

    def __init__(
        self, dice: Dice, cutter: str, grade: int, opened: dict[int, int], inserts: list, events: list
    ) -> None:
        self.dice, self.cutter, self.grade = dice, cutter, grade
        self.opened, self.inserts, self.events = opened, inserts, events
        self.label, self.position, self.used = "", 0, 0.0

    def fit(self, at: datetime, by: str, reason: str = "", note: str = "") -> None:
        """Put a fresh edge in: the next position, or a new insert; ``reason``: how the old edge ended."""
        name, positions, price, prefix = (shop.GRADES[self.grade][i] for i in (0, 4, 5, -1))
        old = (self.label, self.position)
        event = "indexed"
        if not self.label or self.position == positions:
            event = "replaced" if self.label else "fitted"
            count = self.opened[self.grade] = self.opened.get(self.grade, 0) + 1
            if count % 4 == 1:
                # four inserts at a time, a fortnight before the first of them is opened
                when = datetime.combine(at.date() - timedelta(days=14), time(10, 5))
                self.log(when, "received", by, grade=name, count=4, cost=4 * price)
            self.label, self.position = f"{prefix}-{count:02d}", 0
            self.inserts.append({"insert": self.label, "grade": name, "positions": positions, "scrapped": "no"})
            self.log(at, "opened", by, insert=self.label, grade=name)
        self.position += 1
        self.used = 0.0
        # diamond here loses its finish long before it is worn
        self.life = self.dice.weibull(3.71, 0.72 if self.grade == 0 else 0.95)
        self.rule = self.dice.uniform(0.4, 0.75)
        more = {"from_insert": old[0], "from_position": old[1], "reason": reason} if old[0] else {}
        self.log(
            at,
            event,
            by,
            note,
            insert=self.label,
            position=self.position,
            cutter=self.cutter,
            pocket=1,
            grade=name,
            **more,
        )

    def log(self, at: datetime, event: str, by: str, note: str = "", **more) -> None:
        self.events.append({"at": f"{at:%Y-%m-%d %H:%M}", "event": event, **more, "by": by, "note": note})

    def cut(self, path_m: float, capacity_m: float, skin: float, after: datetime, by: str) -> str:
        """Spend a cut; returns why the edge is taken out after it, "" when it stays."""
        self.used += path_m * skin / capacity_m
        if self.dice.chance(1 - math.exp(-path_m * skin / (1.9 * capacity_m))):
            return "chipped"
        if self.used >= self.life:
            return self.dice.pick(
                (("finish lost", 0.7), ("worn", 0.3))
                if self.grade == 0
                else (("worn", 0.5), ("looked worn", 0.3), ("finish lost", 0.2))
            )[0]
        if self.used >= self.rule:
            return "indexed healthy"
        return ""
