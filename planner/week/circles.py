"""Sets that wait for each other across machines: found, and untangled the same way every time.

A member is loaded after the one before it in its set has left its machine. When sets are re-ordered after a plan was
accepted, the first job on every machine may wait for one that stands further back: none of them could ever start.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import replace
from typing import TypeVar

from planner.week.result import Decision, decide, state_of
from planner.week.tables import Tables

__all__ = ["settled", "untangled"]

Key, JobId = TypeVar("Key", bound=Hashable), TypeVar("JobId", bound=Hashable)


def untangled(
    order: Mapping[Key, Iterable[JobId]], sets: Iterable[Iterable[JobId]]
) -> tuple[dict[Key, tuple[JobId, ...]], tuple[JobId, ...]]:
    """Machine -> jobs in an order in which every set can be cut, and the jobs brought forward for it.

    ``sets``: members in cutting order. Members on one machine change places among themselves; where machines still
    wait for each other, the member all wait for that stands nearest to the front of its machine comes to the front,
    again until nobody waits for ever. What waits for nobody keeps its place.
    """
    lanes = {machine: list(jobs) for machine, jobs in order.items()}
    where = {job: machine for machine, jobs in lanes.items() for job in jobs}
    before: dict[JobId, JobId] = {}
    for members in sets:
        placed = [job for job in members if job in where]
        before |= dict(zip(placed[1:], placed, strict=False))
        for jobs in lanes.values():
            spots = [i for i, job in enumerate(jobs) if job in placed]
            for i, job in zip(spots, sorted((jobs[i] for i in spots), key=placed.index), strict=True):
                jobs[i] = job
    at = dict.fromkeys(lanes, 0)
    left: set[JobId] = set()
    forward: list[JobId] = []

    def waits(job: JobId) -> bool:
        return job in before and before[job] not in left

    while True:
        stuck = True
        for machine, jobs in lanes.items():
            while at[machine] < len(jobs) and not waits(jobs[at[machine]]):
                left.add(jobs[at[machine]])
                at[machine] += 1
                stuck = False
        heads = [jobs[at[machine]] for machine, jobs in lanes.items() if at[machine] < len(jobs)]
        if not heads:
            return {machine: tuple(jobs) for machine, jobs in lanes.items()}, tuple(forward)
        if not stuck:
            continue
        wanted = []
        for job in heads:
            while waits(job):
                job = before[job]
            wanted.append((lanes[where[job]].index(job) - at[where[job]], job))
        _, job = min(wanted, key=lambda pair: pair[0])
        jobs = lanes[where[job]]
        jobs.remove(job)
        jobs.insert(at[where[job]], job)
        forward.append(job)


def settled(tables: Tables, decision: Decision) -> tuple[Decision, tuple[str, ...]]:
    """The decision with every job that can be placed on a machine that takes it, a running one at its front, and its
    order `untangled`; and the jobs brought forward."""
    state = state_of(tables, decision, None)
    whole = decide(tables, state.tour, state.person, state.drain, state.opened)
    on_it = {m.id: one for m in tables.week.machines for one in m.fixed[:1] if _runs(tables, one)}
    order = {
        machine: (*filter(None, [on_it.get(machine)]), *(one for one in jobs if one not in on_it.values()))
        for machine, jobs in whole.order.items()
    }
    order, forward = untangled(order, [one.members for one in tables.week.sets])
    return replace(whole, order=order), forward


def _runs(tables: Tables, job: str) -> bool:
    return job in tables.job_index and tables.jobs[tables.job_index[job]].started
