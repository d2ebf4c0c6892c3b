"""The queue's estimates following the run sheets, without estimating anew what nobody touched."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from planner.cut.knowledge import Knowledge
from planner.cut.running import fold
from planner.shop import Shop
from planner.units import Units
from planner.week.queue import Measured, Queue, estimate_queue


def follow_runs(
    queue: Queue,
    shop: Shop,
    knowledge: Knowledge | None = None,
    measured: Mapping[int, Measured] | None = None,
    units: Units | None = None,
) -> Queue:
    """``queue``, made without regard to run sheets, with the jobs under way and their sets estimated from their taps."""
    running = set(shop.taps) & set(queue.estimates)
    if not running:
        return queue
    sets = {i: s for i, s in shop.sets.items() if running & set(s.job_ids)}
    wanted = running | {job_id for s in sets.values() for job_id in s.job_ids}
    part = replace(shop, jobs={i: j for i, j in shop.jobs.items() if i in wanted}, sets=sets)
    measured = dict(measured or {})
    for job_id in running:
        run = fold(shop.taps[job_id])
        if run.not_clean_mm > 0 and run.clean_mm is None:
            measured[job_id] = replace(measured.get(job_id, Measured()), taken_mm=run.not_clean_mm)
    anew = estimate_queue(part, knowledge, measured, units)
    kept = {key: e for key, e in queue.by_machine.items() if key[0] not in anew.estimates}
    return replace(
        queue,
        estimates={**queue.estimates, **anew.estimates},
        by_machine=kept | dict(anew.by_machine),
        sets={**queue.sets, **anew.sets},
        # by their first member, which another may be by now
        gangs={k: c for k, c in queue.gangs.items() if c.set_id not in sets} | dict(anew.gangs),
        stays={**queue.stays, **anew.stays},
        edge_limits=None,
    )
