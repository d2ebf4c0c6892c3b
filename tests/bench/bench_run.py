"""From a tap to the new figures: storing it, the new picture, the job under way and its set estimated anew.

    python -m tests.bench.bench_run

Prints milliseconds and ratios measured in one run: against estimating the whole queue, and against the bare store write.
"""

from __future__ import annotations

import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median

from planner.cut.knowledge import know
from planner.shop import TapKind
from planner.store import Kind, Places, open_kind
from planner.store.sample import load_sample
from planner.week.following import follow_runs
from planner.week.measured import measured_jobs
from planner.week.queue import estimate_queue

START = datetime(2026, 3, 2, 8, 0)
THOU = 0.0254


def clocked(work):
    began = time.perf_counter()
    found = work()
    return found, (time.perf_counter() - began) * 1000


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = open_kind(Places(Path(folder)), Kind.SAMPLE, START)
        load_sample(store, START)
        shop = store.load_shop()
        known = know(shop)
        measured = measured_jobs(shop, known)
        job_id = next(i for s in shop.sets.values() for i in s.job_ids if i in shop.jobs)
        queue, whole = clocked(lambda: estimate_queue(shop, known, measured))
        entries = [
            (TapKind.START, {}),
            (TapKind.TOUCH, {"place": "middle", "paper_mm": 4 * THOU, "below_first_mm": 0.0}),
            (TapKind.MARK, {"below_mm": 4 * THOU}),
            (TapKind.PASS, {"below_mm": 4 * THOU, "reason": "kiss"}),
            (TapKind.LOOK, {"clean": False, "dye": "half"}),
        ]
        for i in range(8):
            entries += [
                (TapKind.PASS, {"below_mm": (5 + i * 0.5) * THOU}),
                (TapKind.LOOK, {"clean": False, "dye": "spots"}),
            ]
        stored, pictures, followed = [], [], []
        for i, (kind, payload) in enumerate(entries):
            at = START + timedelta(minutes=i)
            stored.append(clocked(lambda k=kind, p=payload, t=at: store.add_tap(job_id, k, p, t, "ab"))[1])
            now, spent = clocked(store.load_shop)
            pictures.append(spent)
            followed.append(clocked(lambda s=now: follow_runs(queue, s, known, measured))[1])
        store.engine.dispose()
    tap, picture, follow = median(stored), median(pictures), median(followed)
    total = tap + picture + follow
    print(
        f"tap on disk {tap:.1f} ms, new picture {picture:.1f} ms, job and set estimated {follow:.1f} ms: {total:.1f} ms"
    )
    print(f"from tap to new figures / whole queue estimated anew: {total / whole:.3f} ({whole:.0f} ms)")
    print(f"from tap to new figures / tap on disk: {total / tap:.1f}")


if __name__ == "__main__":
    main()
