"""Order jobs on one bare machine from time 0: weighted lateness, with or without setups that depend on the order.

An iterated local search. Every insertion, block move and swap exchanges or turns stretches of the sequence that only shift
in time, so a whole neighbourhood is evaluated at once from two tables: with the jobs ranked by slack (due - end), the cost
of the first k jobs when all shift by x is  sum over jobs of rank below r(x) of w (end - due + x),  r(x) = number of jobs
with slack < x. The tables hold sum w and sum w (end - due) by k and r, so a stretch costs four look-ups whatever its
length.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite_array, not_negative

__all__ = ["Ordering", "order_jobs"]

RANK_LIMIT = 1 << 16


@dataclass(frozen=True)
class Ordering:
    """``order`` (n,) job numbers, ``cost`` = sum of weight x max(0, end - due), ``steps`` neighbourhoods evaluated."""

    order: np.ndarray
    cost: float
    steps: int


class _Moves:
    """Static position arrays of the neighbourhood of n jobs: exchanges of neighbouring stretches [a, b) and [b, c) of which
    one has at most ``longest`` jobs, and swaps of two jobs further apart."""

    def __init__(self, n: int, longest: int) -> None:
        self.n = n
        a, b, c = (g.ravel() for g in np.meshgrid(*(np.arange(n + 1),) * 3, indexing="ij", sparse=False))
        good = (a < b) & (b < c) & (np.minimum(b - a, c - b) <= longest)
        self.a, self.b, self.c = (g[good].astype(np.intp) for g in (a, b, c))
        i, j = np.triu_indices(n, 2)
        self.i, self.j = i.astype(np.intp), j.astype(np.intp)
        self.count = len(self.a) + len(self.i)


class _Cost:
    """The cost of every neighbour of a sequence."""

    def __init__(self, p, w, d, s, longest) -> None:
        self.p, self.w, self.d, self.s = p, w, d, s
        self.n = n = len(p)
        self.moves = _Moves(n, longest)
        self.with_setups = s is not None
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
