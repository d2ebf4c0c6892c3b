"""What follows the machine: bench work, by people who do nothing else or in the minutes the machines leave, and
overtime.

Rules 7 and 10 of `planner.week.timeline`.
"""

from __future__ import annotations

import numpy as np

from .calendar import EPS

__all__ = ["bench_instants", "bench_of_its_own", "bench_people", "overtime_money"]


def bench_people(tables, clock, end, minutes, ready_at, person_end) -> np.ndarray:
    """After-work by the people who do nothing else: in order of leaving the machine, whoever finishes first.
    Returns (B, n) who, -1 without after-work."""
    who = np.full(end.shape, -1)
    B, n = end.shape
    P = tables.p
    order = np.argsort(end, axis=1, kind="stable")
    rows = np.arange(B)
    free = {q: np.zeros(B) for q in tables.bench_only}
    for column in order.T:
        work = minutes[rows, column]
        best, chosen = np.full(B, np.inf), np.full(B, -1)
        for q in tables.bench_only:
            c = np.full(B, q)
            _, worked = clock.next_on(c, np.maximum(end[rows, column], free[q]))
            done, _ = clock.reach(c, worked + work)
            better = done < best
            best, chosen = np.where(better, done, best), np.where(better, q, chosen)
        has = work > 0
        ready_at[rows[has], column[has]] = best[has]
        who[rows[has], column[has]] = chosen[has]
        for q in tables.bench_only:
            mine = has & (chosen == q)
            free[q] = np.where(mine, best, free[q])
    for q in tables.bench_only:
        person_end[rows * P + q] = np.maximum(person_end[rows * P + q], free[q])
    return who


def bench_instants(clock, runs, b, p, level, pc, P) -> np.ndarray:
    """Instants at which person ``p`` of candidate ``b`` has had ``level`` minutes on shift and away from the
    machines."""
    hands = np.flatnonzero(runs.hands)
    of = runs.b * P + runs.p
    order = hands[np.argsort(of[hands], kind="stable")]
    # The last run of the same person that starts below the level: runs and questions sorted together.
    group = np.concatenate([of[order], b * P + p])
    value = np.concatenate([runs.free[order], level - EPS])
    asks = np.arange(len(group)) >= len(order)
    place = np.lexsort((~asks, value, group))
    seen = np.maximum.accumulate(np.where(asks[place], -1, np.arange(len(place))))
    position = np.empty(len(place), int)
    position[place] = place[np.maximum(seen, 0)]
    i = order[position[len(order) :]]
    inside = level <= runs.free_end[i] + EPS
    gap, _ = clock.reach(p, level + runs.attended_after[i])
    row, k, e = runs.row[i], runs.k[i], runs.e[i]
    free = pc.begin[row] - pc.attended[row]
    away = level - runs.free[i]
    base = free[np.arange(len(i)), k]
    column = np.arange(free.shape[1] - 1)
    hit = (free[:, 1:] - base[:, None] >= (away - EPS)[:, None]) & (column >= k[:, None]) & (column < e[:, None])
    inside &= hit.any(1)
    q = np.where(inside, hit.argmax(1), 0)
    at = runs.first[i] + pc.begin[row, q] - pc.begin[row, k]
    rest = away - (free[np.arange(len(i)), q] - base)
    within, _ = clock.reach(p, clock.worked(p, at) + rest)
    return np.where(inside, within, gap)


def bench_of_its_own(clock, runs, after_free, ready_at, person_end, pc, B, n, P) -> np.ndarray:
    """After-work by who ran the job; returns (B, n) who, -1 without after-work."""
    items = np.flatnonzero(~np.isnan(after_free))
    doing = np.full(B * n, -1)
    if items.size:
        who = np.full(B * n, -1)
        who[runs.b * n + runs.j] = runs.p
        doing[items] = who[items]
        done = bench_instants(clock, runs, items // n, who[items], after_free[items], pc, P)
        ready_at.ravel()[items] = done
        np.maximum.at(person_end, items // n * P + who[items], done)
    return doing.reshape(B, n)


def overtime_money(tables, runs, opened, bench_who, off_at, ready_at) -> np.ndarray:
    """Money for opened overtime per candidate (rule 10)."""
    total = np.zeros(len(off_at))
    for q, person in enumerate(tables.week.people):
        for window in person.windows:
            if window.overtime not in opened or not window.price_per_min:
                continue
            a, z = window.start_min, window.end_min
            until = np.zeros(len(off_at))
            hit = (runs.p == q) & (runs.start < z - EPS) & (runs.end > a + EPS)
            np.maximum.at(until, runs.b[hit], np.minimum(runs.end[hit], z) - a)
            # From the moment a job is at the bench until it is ready its person is never idle.
            bench = (bench_who == q) & (ready_at > a + EPS) & (off_at < z - EPS)
            until = np.maximum(until, np.where(bench, np.minimum(ready_at, z) - a, 0.0).max(1, initial=0.0))
            total += until * window.price_per_min
    return total
