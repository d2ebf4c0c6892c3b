"""The neighbours of a plan and their exact cost."""

from __future__ import annotations

import numpy as np

from .result import State
from .surrogate import Surrogate, clock_tables
from .tables import Tables
from .timeline import evaluate

__all__ = ["Space"]

LONG_BLOCKS = 0.3


class Space:
    """Neighbours and their exact cost."""

    def __init__(self, tables: Tables) -> None:
        self.tables = tables
        self.can = tables.may.any(2)
        self.size = tables.n + tables.m - 1
        self.evaluations = 0
        self._clock_tables: dict[frozenset[str], np.ndarray] = {}
        self.fixed = [
            (k, r, tables.job_index[one])
            for k, machine in enumerate(tables.week.machines)
            for r, one in enumerate([f for f in machine.fixed if f in tables.job_index])
        ]
        self.choices = [(j, k) for j in range(tables.n) for k in range(tables.m) if tables.may[j, k].sum() > 1]
        self.drains = bool(tables.bench_own.any() and (tables.after > 0).any())

    def valid(self, tours: np.ndarray) -> np.ndarray:
        """(B,) whether every job is on a machine that may take it and fixed jobs stand first."""
        tables = self.tables
        if not tables.n:
            return np.ones(len(tours), dtype=bool)
        gap = tours < 0
        lane = np.cumsum(gap, axis=1)
        good = (self.can[np.maximum(tours, 0), lane] | gap).all(1)
        if self.fixed:
            rows = np.arange(len(tours))
            begin = np.zeros((len(tours), tables.m), int)
            if tables.m > 1:
                begin[:, 1:] = np.nonzero(gap)[1].reshape(len(tours), -1) + 1
            for k, r, j in self.fixed:
                good &= tours[rows, np.minimum(begin[:, k] + r, self.size - 1)] == j
        return good

    def costs(self, tours, persons, drains, opened) -> np.ndarray:
        self.evaluations += len(tours)
        return evaluate(self.tables, self.tables.clock(opened), tours, persons, drains, opened=opened).cost

    def price(self, states: list[State]) -> None:
        """Set the exact cost of states, those with the same overtime together."""
        for opened in {state.opened for state in states}:
            same = [state for state in states if state.opened == opened]
            arrays = [np.stack([getattr(state, name) for state in same]) for name in ("tour", "person", "drain")]
            for state, cost in zip(same, self.costs(*arrays, opened), strict=True):
                state.cost = float(cost)

    def surrogate(self, state: State) -> Surrogate:
        """The quick estimate, calibrated on a state."""
        tables = self.tables
        if state.opened not in self._clock_tables:
            self._clock_tables[state.opened] = clock_tables(tables, state.opened)
        ev = evaluate(
            tables, tables.clock(state.opened), state.tour[None], state.person[None], state.drain[None],
            opened=state.opened,
        )  # fmt: skip
        return Surrogate(tables, self._clock_tables[state.opened], state.opened, state.tour, state.person, ev)

    def rotations(self, a, b, r) -> np.ndarray:
        """Positions after rotating [a, b) by r: every insertion and block move is one."""
        x = np.arange(self.size)
        a, b, r = a[:, None], b[:, None], r[:, None]
        return np.where((x >= a) & (x < b), a + (x - a + r) % np.maximum(1, b - a), x)

    def all_moves(self) -> np.ndarray:
        """Every insertion and swap, and block moves of two and three, as position arrays."""
        T = self.size
        moves = []
        for length in (1, 2, 3):
            i, e = np.meshgrid(np.arange(T), np.arange(T + 1), indexing="ij")
            i, e = i.ravel(), e.ravel()
            forward = (i + length <= T) & (e > i + length)
            moves.append(self.rotations(i[forward], e[forward], np.full(forward.sum(), length)))
            back = (i + length <= T) & (e < i)
            if length > 1:
                moves.append(self.rotations(e[back], i[back] + length, i[back] - e[back]))
            else:
                back &= e < i - 1
                moves.append(self.rotations(e[back], i[back] + 1, i[back] - e[back]))
        i, j = np.triu_indices(T, 1)
        moves.append(self.swaps(i, j))
        return np.concatenate(moves)

    def swaps(self, i, j) -> np.ndarray:
        moved = np.tile(np.arange(self.size), (len(i), 1))
        rows = np.arange(len(i))
        moved[rows, i], moved[rows, j] = j, i
        return moved

    def some_moves(self, rng: np.random.Generator, count: int) -> np.ndarray:
        """A sample of `all_moves`."""
        T = self.size
        a, b = rng.integers(0, T, count), rng.integers(0, T, count)
        low, high = np.minimum(a, b), np.maximum(a, b) + 1
        most = np.maximum(1, high - low - 1)
        length = np.minimum(rng.choice((1, 1, 2, 3), count), most)
        anything = rng.random(count) < LONG_BLOCKS
        length = np.where(anything, rng.integers(1, most + 1), length)
        turn = np.where(rng.random(count) < 0.5, length, high - low - length)
        moves = self.rotations(low, high, turn)
        swap = rng.random(count) < 0.3
        moves[swap] = self.swaps(low[swap], high[swap] - 1)
        return moves
