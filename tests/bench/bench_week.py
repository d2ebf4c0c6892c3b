"""How fast and how good the week is planned: `python tests/bench/bench_week.py [seconds of the solver [jobs]]`.

Evaluations per second; a sampled week of 60 jobs; cost after 0.5, 1, 2 and 5 s on 30, 60, 100 and 200 jobs (or only so
many) and 1, 2 and 4 machines as a ratio to what the constraint solver (one worker, begun with the jobs in order of due
time) finds. 0 seconds: without the solver. Where the machine is busy both get less done: the seconds are the clock's.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from scipy import stats

from planner.week import Doubt, Tables, risk_of, search_week
from planner.week.single import _Cost
from planner.week.timeline import evaluate
from tests.outside.test_week_cpsat import instance, ours, reference
from tests.week.test_week_risk import a_week, in_order_of_due


def rates() -> None:
    rng = np.random.default_rng(0)
    print("neighbours priced per second")
    for n in (40, 60, 100, 200):
        minutes, weights, due = (rng.integers(1, 100, n).astype(float) for _ in range(3))
        setups = rng.integers(0, 50, (n + 1, n)).astype(float)
        for name, table in (("without setups", None), ("with setups", setups)):
            cost = _Cost(minutes, weights, due, table)
            seq = rng.permutation(n)
            began, count, part = time.perf_counter(), 0, 0
            while time.perf_counter() - began < 0.5:
                tables = cost.prepare(seq)
                count += len(cost.changes(seq, tables, part % cost.moves.parts))
                part += 1
            print(f"  one machine, {n:3d} jobs, {name:14s} {count / (time.perf_counter() - began) / 1e6:6.1f} million")
    for machines in (1, 2, 4):
        week = a_week(rng, 60, machines)
        tables = Tables(week)
        gaps = [-1] * (machines - 1)
        tours = np.array([rng.permutation(np.array([*range(60), *gaps])) for _ in range(1024)])
        person = np.tile(np.arange(machines), (1, 60, 1))
        began = time.perf_counter()
        evaluate(tables, tables.clock(), tours, person, np.zeros((1, 60), bool))
        print(f"  exact, 60 jobs, {machines} machines {1024 / (time.perf_counter() - began):9.0f}")


def against_the_solver(seconds: float, sizes: tuple[int, ...]) -> None:
    print(f"cost after 0.5, 1, 2, 5 s over the solver's after {seconds:g} s (below 1 is better)")
    for n in sizes:
        for machines in (1, 2, 4):
            problem = instance(n + machines, n, machines)
            known, proved = reference(problem, seconds, workers=1)
            if known == float("inf"):
                print(f"  {n:3d} jobs, {machines} machines: the solver found no plan at all in that time")
                continue
            ratios = [ours(problem, budget).cost / max(known, 1e-9) for budget in (0.5, 1.0, 2.0, 5.0)]
            print(
                f"  {n:3d} jobs, {machines} machines{' (proved)' if proved else '':9s}",
                *(f"{r:8.4f}" for r in ratios),
                flush=True,
            )


def sampled_week() -> None:
    week = a_week(np.random.default_rng(1), 60)
    doubts = {
        job.id: Doubt(stats.binom(4, 0.45, loc=1), stats.lognorm(0.2), 1.0, stats.lognorm(0.3)) for job in week.jobs
    }
    tables = Tables(week)
    began = time.perf_counter()
    risk_of(tables, in_order_of_due(week), doubts, samples=1000, edge_shape=3.7)
    took = time.perf_counter() - began
    began = time.perf_counter()
    search_week(tables, steps=10)
    print(f"1000 samples of 60 jobs: {took:.2f} s; ten steps of search: {time.perf_counter() - began:.2f} s")


if __name__ == "__main__":
    rates()
    sampled_week()
    budget = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    if budget:
        against_the_solver(budget, tuple(int(n) for n in sys.argv[2:]) or (30, 60, 100, 200))
