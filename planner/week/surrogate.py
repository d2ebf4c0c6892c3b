"""A quick estimate of a plan's cost, used only to choose which neighbours are worth evaluating exactly.

Working minutes instead of clock time: a job takes what it took in the plan the estimate was calibrated on (breaks,
waiting for the bench and new touch-offs included), one after another on its machine. Nothing here decides what a plan
costs.
"""

from __future__ import annotations

import numpy as np

from .tables import Tables
from .timeline import Evaluation

__all__ = ["Surrogate", "clock_tables"]

BIG = 1e7
CHUNK = 2_048


def clock_tables(tables: Tables, opened: frozenset[str]) -> np.ndarray:
    """(machines x people, working minutes): the instant by which so many working minutes have passed, whole minutes."""
    clock = tables.clock(opened)
    pairs = tables.m * tables.p
    most = int(clock.horizon_min + tables.work_minutes) + 2
    out = np.empty((pairs, most))
    for c in range(pairs):
        out[c] = clock.reach(np.full(most, tables.p + c), np.arange(most, dtype=float))[0]
    return out


class Surrogate:
    """Calibrated on one exactly evaluated plan: tour (T,), person (n, m) and its evaluation (row 0)."""

    def __init__(self, tables: Tables, table: np.ndarray, opened, tour, person, ev: Evaluation) -> None:
        clock = tables.clock(opened)
        n, m, P = tables.n, tables.m, tables.p
        self.tables, self.table = tables, table
        lane_of, before = np.zeros(n, int), np.full(n, -1)
        lane = np.cumsum(tour < 0)
        last = -1
        for at, j in enumerate(tour):
            if j < 0:
                last = -1
                continue
            lane_of[j], before[j] = lane[at], last
            last = int(j)
        here = np.arange(n)
        pair = lane_of * P + person[here, lane_of]
        end, ready = ev.end[0], ev.ready[0]
        begin = np.maximum(np.where(before >= 0, end[before], 0.0), tables.release)
        first = tables.set_before
        begin = np.maximum(begin, np.where(first >= 0, end[first], 0.0))
        begin = np.minimum(begin, end)
        worked_end = clock.worked(P + pair, end)
        took = worked_end - clock.worked(P + pair, begin) - tables.setup[lane_of, before + 1, here]
        plain = tables.pieces.begin[:, -1].reshape(n, m) + tables.before[:, None]
        extra = np.clip(took - plain[here, lane_of], 0.0, 240.0)
        self.minutes = plain + extra[:, None]
        self.lag = np.maximum(0.0, clock.worked(P + pair, ready) - worked_end)
        self.calendar = np.arange(m) * P + person
        self.released = np.empty((n, m))
        for k in range(m):
            self.released[:, k] = clock.worked(P + self.calendar[:, k], tables.release)
        # Lateness in working minutes for the search on one machine: due less what follows the machine.
        self.due_worked = np.empty((n, m))
        for k in range(m):
            due = np.minimum(tables.due, clock.horizon_min)
            self.due_worked[:, k] = clock.worked(P + self.calendar[:, k], due) - self.lag

    def costs(self, tours: np.ndarray) -> np.ndarray:
        """(B,) estimated cost."""
        return np.concatenate([self._costs(tours[i : i + CHUNK]) for i in range(0, len(tours), CHUNK)])

    def _costs(self, tours: np.ndarray) -> np.ndarray:
        tables = self.tables
        gap = tours < 0
        lane = np.cumsum(gap, axis=1)
        job = np.where(gap, 0, tours)
        previous = np.zeros_like(tours)
        previous[:, 1:] = tours[:, :-1] + 1
        setup = np.where(gap, 0.0, tables.setup[lane, previous, job])
        spent = np.where(gap, 0.0, self.minutes[job, lane] + setup)
        total = np.cumsum(spent, axis=1)
        floor = np.where(gap, 0.0, self.released[job, lane]) - (total - spent) + lane * BIG
        end = total + np.maximum.accumulate(floor, axis=1) - lane * BIG
        ready = np.minimum(end + self.lag[job], self.table.shape[1] - 1.0).astype(np.intp)
        instant = self.table[self.calendar[job, lane], ready]
        late = np.maximum(0.0, instant - tables.due[job]) * tables.weight[job]
        money = np.where(gap, 0.0, late) + setup * tables.rate[lane]
        cost = money.sum(1)
        then = np.flatnonzero(tables.set_before >= 0)
        if then.size:
            place = np.empty((len(tours), tables.n), int)
            rows, columns = np.nonzero(~gap)
            place[rows, tours[rows, columns]] = columns
            a, z = place[:, tables.set_before[then]], place[:, then]
            cost += ((z - a != 1) * tables.split_price[then]).sum(1)
            lane_place = np.take_along_axis(lane, a, 1) == np.take_along_axis(lane, z, 1)
            cost += ((z < a) & lane_place).sum(1) * tables.week.prices.unplaced
        known = tables.accepted_machine >= 0
        if known.any() and tables.week.prices.move:
            moved = (tables.accepted_machine[job] != lane) | (tables.accepted_before[job] + 1 != previous)
            cost += (moved & known[job] & ~gap).sum(1) * tables.week.prices.move
        if not np.isnan(tables.pin).all():
            pinned = ~np.isnan(tables.pin)
            slip = np.maximum(0.0, end - spent - self.released[job, lane])
            cost += np.where(pinned[job] & ~gap, slip, 0.0).sum(1) * tables.week.prices.pin_per_min
        return cost
