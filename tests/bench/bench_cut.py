"""How long the cutting room takes; run by hand: python tests/bench/bench_cut.py

Times are printed beside a yardstick of the same run, so that figures from different machines can be compared:
one sort of a million numbers.
"""

from __future__ import annotations

import time

import numpy as np

from planner.cut import (
    PassProblem,
    compare_with_fixed,
    depth_fit,
    keep_simple,
    not_clean_at,
    plan_passes,
    pool_depths,
    starting_depth,
    surveyed_depth,
)
from planner.cut.stock import DepthPrior, DepthRecords

STEP = 0.0127


def best_of(call, repeats: int = 7) -> float:
    """Shortest of several runs, seconds."""
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        call()
        times.append(time.perf_counter() - begin)
    return min(times)


def searched(depths: np.ndarray, first: float = 0.0381, step: float = STEP) -> tuple[np.ndarray, np.ndarray]:
    count = np.maximum(0, np.ceil((depths - first) / step))
    upper = first + count * step
    return np.where(count > 0, upper - step, 0.0), upper


def main() -> None:
    rng = np.random.default_rng(0)
    numbers = rng.random(1_000_000)
    yardstick = best_of(lambda: np.sort(numbers))
    print(f"yardstick, sort of a million numbers: {yardstick * 1e3:.1f} ms")

    normal, deep = starting_depth(0.06096, 0.35), starting_depth(0.2794, 0.30)
    survey = surveyed_depth(0.2, 0.01, starting_depth(0.02, 0.6))
    limits = {"limit_mm": 0.5, "uncleaned_cost": 250.0, "finish_mm": 0.0254, "finish_cost": 10.6}

    def plan(depth, step=STEP, removed=0.0, **more):
        return plan_passes(depth, 7.0, 1350.0, step, 0.1016, step, removed, **more)

    ready = plan(deep, **limits)
    problem: PassProblem = ready.policy.problem
    truth = starting_depth(0.06096, 0.35).rvs(20_000, random_state=rng)
    lower, upper = searched(truth)
    few = DepthRecords(lower[:3], upper[:3], 0.061)
    kind = DepthRecords(lower[:300], upper[:300], 0.061)
    shop = DepthRecords(lower[:2000], upper[:2000], 0.061)
    cases = {
        "plan, 0.5 mm, two feeds, 0.5 thou": lambda: plan(deep, **limits),
        "plan, 0.5 mm, two feeds, 0.1 thou": lambda: plan(deep, 0.00254, **limits),
        "plan, no limit": lambda: plan(normal),
        "plan after a survey, 0.5 mm": lambda: plan(survey, **limits),
        "after a tap: not clean, plan anew": lambda: plan(not_clean_at(deep, 0.15), STEP, 0.15, **limits),
        "after a tap, surveyed": lambda: plan(not_clean_at(survey, 0.15), STEP, 0.15, **limits),
        "schedule to keep": lambda: keep_simple(ready, 1.8),
        "comparison with the fixed rule": lambda: compare_with_fixed(
            problem, ready.schedule, 0.0508, pass_minutes=4.0, finish_minutes=6.0, rebuild_mm=0.0737
        ),
        "fit, 20 000 records, no prior": lambda: depth_fit(lower, upper),
        "fit, 20 000 records, prior": lambda: depth_fit(lower, upper, DepthPrior(0.061, 0.35)),
        "pooled fit, 3 + 300 + 2 000": lambda: pool_depths(DepthPrior(0.061, 0.35), few, kind, shop),
        "draw 1 000 depths after a survey": lambda: not_clean_at(survey, 0.15).rvs(1000, random_state=rng),
    }
    for name, call in cases.items():
        took = best_of(call)
        print(f"{name:40s} {took * 1e3:8.1f} ms   {took / yardstick:7.2f} × yardstick")


if __name__ == "__main__":
    main()
