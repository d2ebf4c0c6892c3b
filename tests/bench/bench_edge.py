"""Speed of learning and planning edges, as ratios to a plain general-purpose fit of the same record. Run by hand:

python tests/bench/bench_edge.py
"""

from __future__ import annotations

import time
import warnings
from datetime import datetime, timedelta

import numpy as np
from scipy import stats

from planner.edge import (
    Cut,
    CutSpend,
    EdgeJob,
    EdgeLife,
    End,
    Fitted,
    Ledger,
    LifePrior,
    Mounted,
    Received,
    Replaced,
    fit_life,
    life_record,
    plan_edge,
)


def seconds(call, repeats: int = 3) -> float:
    best = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - start)
    return best


def record(edges: int, materials: int, seed: int = 0):
    rng = np.random.default_rng(seed)
    capacity = np.array([100.0, 250.0, 400.0])[:materials]
    life = rng.weibull(3.0, edges)
    limit = rng.uniform(0.4, 1.6, edges)
    use = rng.dirichlet([1.0] * materials, edges) * capacity * np.minimum(life, limit)[:, None]
    return use, life <= limit, LifePrior(tuple(capacity))


def five_years(cuts: int = 10_000, per_edge: int = 40) -> list:
    """A log of five years at one machine: about forty cuts a week, an insert of one edge replaced every forty."""
    start = datetime(2021, 1, 4, 8)
    log = [
        Received(at=start, grade="tip", inserts=cuts // per_edge + 2, price_each=90.0),
        Fitted(at=start, cutter="fly", pocket=1, insert="T0", position=1, grade="tip"),
        Mounted(at=start, cutter="fly", machine="surfacer"),
    ]
    spend = CutSpend(1e6, 1.1e6, 1e6, 2e5, 1e4)
    for i in range(cuts):
        now = start + timedelta(minutes=180 * (i + 1))
        if i and i % per_edge == 0:
            old, new = f"T{i // per_edge - 1}", f"T{i // per_edge}"
            log.append(Replaced(at=now, cutter="fly", pocket=1, insert=old, end=End.WORN, new_insert=new, grade="tip"))
        log.append(Cut(at=now, cut_id=f"c{i}", cutter="fly", material="aluminium", spend=spend, part=f"p{i}"))
    return log


def main() -> None:
    for edges in (60, 2000):
        use, failed, prior = record(edges, 1)
        data = stats.CensoredData(uncensored=use[failed, 0], right=use[~failed, 0])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            plain = seconds(lambda data=data: stats.weibull_min.fit(data, floc=0))
        for materials in (1, 3):
            use, failed, prior = record(edges, materials)
            ours = seconds(lambda use=use, failed=failed, prior=prior: fit_life(use, failed, prior))
            print(
                f"fit of {edges} edges, {materials} material(s): {ours:.3f} s, {ours / plain:.2f} x scipy's point fit"
            )
    use, failed, prior = record(60, 3)
    life = EdgeLife(fit_life(use, failed, prior))
    jobs = [EdgeJob(f"J{i}", (2.0, 3.0, 0.0), 400.0) for i in range(40)]
    fit = seconds(lambda: fit_life(use, failed, prior))
    print(
        f"advice for 40 jobs: {seconds(lambda: plan_edge(life, [10.0, 0.0, 0.0], jobs, 40.0)) / fit:.1f} x a fit of 60"
    )
    log = five_years()
    replay = seconds(lambda: Ledger.replay({"tip": 1}, {"fly": 1}, log), 1)
    ledger = Ledger.replay({"tip": 1}, {"fly": 1}, log)
    one = Cut(at=log[-1].at, cut_id="next", cutter="fly", material="aluminium", spend=log[-1].spend)
    step = seconds(lambda: ledger.apply(one))
    told = seconds(lambda: life_record(ledger, "tip", ["aluminium"]))
    print(f"ledger of {len(log)} events: replay {replay:.2f} s, {replay / len(log) * 1e6:.0f} us per event;")
    print(f"  one more event {step / (replay / len(log)):.1f} x the mean; the record for learning {told * 1e3:.1f} ms")


if __name__ == "__main__":
    main()
