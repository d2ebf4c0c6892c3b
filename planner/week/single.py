"""Order jobs on one bare machine from time 0: weighted lateness, with or without setups that depend on the order.

An iterated local search. Every insertion, block move and swap exchanges or turns stretches of the sequence that only
shift in time, so a whole neighbourhood is evaluated at once from two tables. With the jobs ranked by slack (due - end)
and r(x) the number of jobs with slack < x, the first k jobs, all shifted by x, cost

    sum of w (end - due + x) over those among them of rank below r(x).

The tables hold the sums of w and of w (end - due) by k and r: a stretch costs four look-ups whatever its length.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite, finite_array, not_negative

__all__ = ["Ordering", "check_budget", "dispatch_orders", "good_orders", "order_jobs"]

RANK_LIMIT = 1 << 17
MOST_MOVES = 200_000
MOST_JOBS = 5_000  # the tables grow with its square
SLICE = 3_000
FAILS = 12
KICKS = (1, 4)
KICK_SPAN = 20
LEAVE_AFTER = 80
STRONG_KICK = 6


@dataclass(frozen=True)
class Ordering:
    """``order`` (n,) job numbers, ``cost`` = sum of weight x max(0, end - due), ``steps`` neighbourhoods evaluated."""

    order: np.ndarray
    cost: float
    steps: int


def check_budget(seconds: object, seed: object, steps: object, target: object, progress: object) -> float:
    """The seconds; refuses what no search can be asked for."""
    length = not_negative("seconds", seconds)
    for name, value in (("seed", seed), ("steps", steps)):
        whole = isinstance(value, int | np.integer) and not isinstance(value, bool | np.timedelta64) and value >= 0
        if not whole and not (value is None and name == "steps"):
            raise InputError(name, value, "a whole number of 0 or more" + (" or None" if name == "steps" else ""))
    if target is not None:
        finite("target", target)
    if progress is not None and not callable(progress):
        raise InputError("progress", progress, "a function, or None")
    return length


class _Moves:
    """Static position arrays of the neighbourhood of n jobs: exchanges of neighbouring stretches [a, b) and [b, c), the
    shorter one of at most so many jobs that the whole stays below `MOST_MOVES`, and swaps of two jobs further apart.
    Shuffled, and read in ``parts`` slices."""

    def __init__(self, n: int) -> None:
        rng = np.random.default_rng(0)
        found: list[np.ndarray] = []
        total, length = 0, 1
        while 2 * length <= n and (length == 1 or total + 2 * n * (n - 2 * length) // 2 <= MOST_MOVES):
            a, c = np.triu_indices(n + 1, 2 * length)
            found.append(np.stack([a, a + length, c]))
            longer = c - a > 2 * length
            found.append(np.stack([a[longer], c[longer] - length, c[longer]]))
            total += found[-1].shape[1] + found[-2].shape[1]
            length += 1
        exchanges = np.concatenate(found, axis=1)
        swaps = np.stack(np.triu_indices(n, 2))
        exchanges = exchanges[:, rng.permutation(exchanges.shape[1])[:MOST_MOVES]]
        swaps = swaps[:, rng.permutation(swaps.shape[1])[:MOST_MOVES]]
        self.a, self.b, self.c = np.ascontiguousarray(exchanges, dtype=np.intp)
        self.i, self.j = np.ascontiguousarray(swaps, dtype=np.intp)
        self.exchanges = exchanges.shape[1]
        self.count = self.exchanges + swaps.shape[1]
        self.parts = max(1, round(self.count / SLICE))
        self.first_exchange = np.linspace(0, self.exchanges, self.parts + 1).astype(int)
        self.first_swap = np.linspace(0, swaps.shape[1], self.parts + 1).astype(int)

    def apply(self, seq: np.ndarray, move: int) -> np.ndarray:
        """The sequence after a move, numbered exchanges first."""
        if move < self.exchanges:
            a, b, c = self.a[move], self.b[move], self.c[move]
            return np.concatenate([seq[:a], seq[b:c], seq[a:b], seq[c:]])
        i, j = self.i[move - self.exchanges], self.j[move - self.exchanges]
        seq = seq.copy()
        seq[i], seq[j] = seq[j], seq[i]
        return seq

    def number(self, part: int, at: int) -> int:
        """The move at a place of a slice."""
        here = self.first_exchange[part + 1] - self.first_exchange[part]
        if at < here:
            return int(self.first_exchange[part] + at)
        return int(self.exchanges + self.first_swap[part] + at - here)


class _Cost:
    """The cost of every neighbour of a sequence."""

    def __init__(self, p, w, d, s) -> None:
        self.p, self.w, self.d, self.s = p, w, d, s
        self.n = n = len(p)
        self.moves = _Moves(n)
        whole = [p, d] if s is None else [p, d, s]
        self.integers = all((x == np.round(x)).all() for x in whole)
        most = p.sum() + (0 if s is None else n * s.max())
        self.span = int(most) + 2
        self.integers &= self.span < RANK_LIMIT

    def ends(self, seq):
        if self.s is None:
            return np.cumsum(self.p[seq])
        before = np.concatenate([[0], seq[:-1] + 1])
        return np.cumsum(self.p[seq] + self.s[before, seq])

    def total(self, seq) -> float:
        return float(self.w[seq] @ np.maximum(0.0, self.ends(seq) - self.d[seq]))

    def tables(self, seq):
        n = self.n
        end = self.ends(seq)
        w, late = self.w[seq], end - self.d[seq]
        slack = -late
        order = np.argsort(slack, kind="stable")
        rank = np.empty(n, np.intp)
        rank[order] = np.arange(n)
        weight = np.zeros((n + 1, n + 1))
        weight[np.arange(1, n + 1), rank + 1] = w
        value = np.zeros((n + 1, n + 1))
        value[np.arange(1, n + 1), rank + 1] = w * late
        for table in (weight, value):
            np.cumsum(table, axis=0, out=table)
            np.cumsum(table, axis=1, out=table)
        if self.integers:
            counts = np.bincount(
                np.clip(slack, -self.span, self.span).astype(np.intp) + self.span + 1, minlength=2 * self.span + 2
            )
            ranks = np.cumsum(counts)
        else:
            ranks = slack[order]
        return end, weight.ravel(), value.ravel(), ranks

    def rank(self, ranks, shift):
        if self.integers:
            return ranks.take(shift.astype(np.intp) + self.span, mode="clip")
        return np.searchsorted(ranks, shift, side="left")

    def stretch(self, tables, low, high, shift):
        """Cost of positions [low, high) shifted; low, high already times n + 1."""
        _, weight, value, ranks = tables
        r = self.rank(ranks, shift)
        high, low = high + r, low + r
        return value.take(high) - value.take(low) + shift * (weight.take(high) - weight.take(low))

    def exchanges(self, seq, tables, a, b, c):
        n, end = self.n, tables[0]
        T = np.concatenate([[0.0], end])
        k = n + 1
        Ta, Tb, Tc = T.take(a), T.take(b), T.take(c)
        if self.s is None:
            shift_b, shift_a = Ta - Tb, Tc - Tb
            ak, bk = a * k, b * k
            cost = self.stretch(tables, bk, c * k, shift_b) + self.stretch(tables, ak, bk, shift_a)
            return cost - self.same(tables, a, c)
        S = self.local
        P_fb, la_fb = S.take(a * k + b), S.take(b * k + b)
        shift_b = Ta + P_fb - Tb - la_fb
        shift_a = Tc + shift_b + S.take(c * k + a) - Ta - S.take(a * k + a)
        shift_t = Tb + shift_a + S.take(b * k + c) - Tc - S.take(c * k + c)
        ak, bk, ck = a * k, b * k, c * k
        cost = self.stretch(tables, bk, ck, shift_b) + self.stretch(tables, ak, bk, shift_a)
        cost += self.stretch(tables, ck, n * k, shift_t)
        return cost - self.same(tables, a, None)

    def same(self, tables, low, high):
        """Cost as it stands of positions from low to high (None: to the end)."""
        _, weight, value, ranks = tables
        k = self.n + 1
        r = int(self.rank(ranks, np.zeros(1))[0])
        by_position = value.reshape(k, k)[:, r]
        upper = by_position[-1] if high is None else by_position.take(high)
        return upper - by_position.take(low)

    def swaps(self, seq, tables, i, j):
        n, end = self.n, tables[0]
        T = np.concatenate([[0.0], end])
        k = n + 1
        p, w, d = self.p[seq], self.w[seq], self.d[seq]
        i1, j1 = i + 1, j + 1
        pi, pj = p.take(i), p.take(j)
        if self.s is None:
            first = T.take(i) + pj
            shift = pj - pi
            last = T.take(j1)
            cost = self.stretch(tables, i1 * k, j * k, shift)
            cost += w.take(j) * np.maximum(0.0, first - d.take(j)) + w.take(i) * np.maximum(0.0, last - d.take(i))
            return cost - self.same(tables, i, j1)
        S = self.local
        first = T.take(i) + S.take(i * k + j) + pj
        shift = first + S.take(j1 * k + i1) - T.take(i1) - S.take(i1 * k + i1)
        last = T.take(j) + shift + S.take(j * k + i) + pi
        shift_t = last + S.take(i1 * k + j1) - T.take(j1) - S.take(j1 * k + j1)
        cost = self.stretch(tables, i1 * k, j * k, shift) + self.stretch(tables, j1 * k, n * k, shift_t)
        cost += w.take(j) * np.maximum(0.0, first - d.take(j)) + w.take(i) * np.maximum(0.0, last - d.take(i))
        return cost - self.same(tables, i, None)

    def prepare(self, seq):
        """`local`[(x, y)]: setup from the job at position x - 1 (0: first) to the one at y; 0 past the end."""
        if self.s is not None:
            k = self.n + 1
            local = np.zeros((k, k))
            local[:, :-1] = self.s[np.concatenate([[0], seq + 1])][:, seq]
            self.local = local.ravel()
        return self.tables(seq)

    def changes(self, seq, tables, part):
        """Change of cost by each move of one slice."""
        m = self.moves
        e = slice(m.first_exchange[part], m.first_exchange[part + 1])
        w = slice(m.first_swap[part], m.first_swap[part + 1])
        found = self.exchanges(seq, tables, m.a[e], m.b[e], m.c[e])
        if w.stop == w.start:
            return found
        return np.concatenate([found, self.swaps(seq, tables, m.i[w], m.j[w])])


def dispatch_orders(p, w, d, s) -> list[np.ndarray]:
    """Sequences by due time, by weight per minute, and by apparent tardiness cost (with setups where there are any):
    Vepsalainen & Morton, Management Science 33(8) 1987; Lee, Bhaskaran & Pinedo, IIE Transactions 29(1) 1997."""
    n = len(p)
    rate = w / np.maximum(p, 1e-9)
    found = [np.argsort(d, kind="stable"), np.argsort(-rate, kind="stable")]
    mean = max(float(p.mean()), 1e-9)
    mean_setup = max(float(s.mean()), 1e-9) if s is not None else 1.0
    for look_ahead in (0.5, 1.0, 2.0, 4.0):
        for setup_scale in (0.1, 0.4, 1.0) if s is not None else (1.0,):
            left = np.arange(n)
            t, last, seq = 0.0, -1, []
            while left.size:
                slack = np.maximum(0.0, d[left] - p[left] - t) / (look_ahead * mean)
                if s is not None:
                    slack = slack + s[last + 1, left] / (setup_scale * mean_setup)
                best = int((np.log(np.maximum(rate[left], 1e-300)) - slack).argmax())
                j = int(left[best])
                t += p[j] + (s[last + 1, j] if s is not None else 0.0)
                seq.append(j)
                last = j
                left = np.delete(left, best)
            found.append(np.array(seq))
    return found


def order_jobs(
    minutes,
    weights,
    due,
    setups=None,
    seconds: float = 1.0,
    seed: int = 0,
    *,
    steps: int | None = None,
    target: float | None = None,
    progress: Callable[[float, float], None] | None = None,
) -> Ordering:
    """Order n jobs on one machine from time 0 so that sum of weight x max(0, end - due) is small.

    minutes, weights, due (n,); ``setups`` (n + 1, n): ``setups[i + 1, j]`` minutes from i to j, row 0 before the
    first job. Stops after ``seconds``, or after ``steps`` slices of neighbours (same seed and steps: same order), at
    cost 0, or at ``target``. ``progress(share of the budget, best cost)`` is called after every descent. Raises
    `InputError`. Iterated local search over block moves and swaps; see the module's head.

    >>> found = order_jobs([3, 2, 1], [1, 1, 1], [3, 2, 1], steps=50)
    >>> found.order.tolist(), found.cost
    ([2, 1, 0], 4.0)
    """
    p = finite_array("minutes", minutes, (None,))
    n = len(p)
    if n > MOST_JOBS:
        raise InputError("minutes", f"{n} jobs", f"at most {MOST_JOBS} jobs")
    w, d = finite_array("weights", weights, (n,)), finite_array("due", due, (n,))
    s = None if setups is None else finite_array("setups", setups, (n + 1, n))
    for name, values in (("minutes", p), ("weights", w), *((("setups", s),) if s is not None else ())):
        if (values < 0).any():
            raise InputError(name, float(values.min()), "0 or numbers above 0")
    seconds = check_budget(seconds, seed, steps, target, progress)
    if s is not None:
        s = s.copy()
        s[np.arange(1, n + 1), np.arange(n)] = 0.0
        if not s.any():
            s = None
    if n < 2:
        return Ordering(np.arange(n), float((w * np.maximum(0.0, p + (s[0] if s is not None else 0) - d)).sum()), 0)
    began = time.perf_counter()
    cost = _Cost(p, w, d, s)
    search = _Search(cost, np.random.default_rng(seed), began, seconds, steps)
    goal = 1e-9 if target is None else max(1e-9, float(target) + 1e-6)
    return search.run(dispatch_orders(p, w, d, s), goal, progress)


def good_orders(minutes, weights, due, setups, begin, steps: int, seed: int, most: int) -> list[np.ndarray]:
    """The last ``most`` descents kept by the same search in ``steps`` slices from the sequences ``begin``, best first.
    For a search that prices them by finer means; arguments as checked by `order_jobs`."""
    cost = _Cost(minutes, weights, due, setups)
    kept: list[tuple[float, np.ndarray]] = []
    search = _Search(cost, np.random.default_rng(seed), 0.0, 0.0, steps)
    best = search.run(begin, 1e-9, None, lambda found, seq: kept.append((found, seq)))
    distinct = {tuple(seq.tolist()): found for found, seq in reversed([(best.cost, best.order), *kept][-3 * most :])}
    distinct[tuple(best.order.tolist())] = best.cost
    return [np.array(seq) for seq in sorted(distinct, key=distinct.get)[:most]]


class _Search:
    """Iterated descent from the best of some sequences: a few small random moves, a descent, kept when not worse."""

    def __init__(self, cost: _Cost, rng, began: float, seconds: float, steps: int | None) -> None:
        self.cost, self.rng = cost, rng
        self.began, self.seconds, self.most = began, seconds, steps
        self.steps = 0
        moves = cost.moves
        reach = np.concatenate([moves.c - moves.a, moves.j - moves.i])
        self.near = np.flatnonzero(reach <= KICK_SPAN)

    def spent(self) -> float:
        if self.most is not None:
            return self.steps / max(1, self.most)
        return (time.perf_counter() - self.began) / max(self.seconds, 1e-9)

    def descend(self, seq: np.ndarray, fails: int) -> np.ndarray:
        """Take the best move of a slice, slice after slice, until ``fails`` slices in a row have none."""
        cost, parts = self.cost, self.cost.moves.parts
        order = self.rng.permutation(parts)
        tables = cost.prepare(seq)
        at = failed = 0
        while failed < min(fails, parts) and self.spent() < 1.0:
            part = int(order[at % parts])
            at += 1
            change = cost.changes(seq, tables, part)
            self.steps += 1
            best = int(change.argmin())
            if change[best] < -1e-6:
                seq = cost.moves.apply(seq, cost.moves.number(part, best))
                tables = cost.prepare(seq)
                failed = 0
            else:
                failed += 1
        return seq

    def kicked(self, seq: np.ndarray, moves: int) -> np.ndarray:
        for _ in range(moves):
            seq = self.cost.moves.apply(seq, int(self.near[self.rng.integers(len(self.near))]))
        return seq

    def run(self, begin: list[np.ndarray], goal: float, progress, kept=None) -> Ordering:
        cost, rng, moves = self.cost, self.rng, self.cost.moves
        begin = sorted(begin, key=cost.total)
        best, turn = begin[0], 0
        best_cost = cost.total(best)
        if best_cost > goal:
            best = self.descend(best, moves.parts)
            best_cost = cost.total(best)
        current, current_cost = best, best_cost
        here, stale = best_cost, 0
        while best_cost > goal and self.spent() < 1.0:
            seq = self.descend(self.kicked(current, int(rng.integers(*KICKS))), FAILS)
            found = cost.total(seq)
            stale += 1
            if found <= current_cost + 1e-9:
                current, current_cost = seq, found
                if kept is not None:
                    kept(found, seq)
            if found < here - 1e-9:
                here, stale = found, 0
            if found < best_cost - 1e-9:
                best, best_cost = seq, found
            if stale > LEAVE_AFTER:
                # Nothing better around here: begin again elsewhere.
                turn += 1
                elsewhere = begin[turn % len(begin)] if len(begin) > 1 else self.kicked(best, STRONG_KICK)
                current = self.descend(elsewhere, moves.parts)
                here = current_cost = cost.total(current)
                if current_cost < best_cost - 1e-9:
                    best, best_cost = current, current_cost
                stale = 0
            if progress is not None:
                progress(min(1.0, self.spent()), best_cost)
        return Ordering(best, best_cost, self.steps)
