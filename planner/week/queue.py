"""The queue with figures: every open job estimated on every machine that can take it, and every set planned.

Sets come first in their natural course (each member till clean); the closed form then says which members must go
deeper, and their estimates are made anew with that target. Members on the table together are estimated anew by the
course of their gang, and their set ends where that course does.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from planner.cut.estimate import JobEstimate, TouchOff, estimate_job
from planner.cut.knowledge import Depth, Knowledge
from planner.cut.running import fold
from planner.shop import Job, JobState, Shop
from planner.units import Units
from planner.week.gang import GangCourse, gang_courses
from planner.week.set_view import SetView, cut_together, gang_of, view_set
from planner.week.staying import Stay, stay_of


@dataclass(frozen=True)
class Measured:
    """What a measurement of a job's face gives the estimate: clean-up depth, touch-off, gaps at measuring points; and
    how deep below first contact a running job was cut so far without coming clean (None = nobody said)."""

    depth: Depth | None = None
    touch_off: TouchOff | None = None
    gaps_mm: Mapping[str, float] | None = None
    taken_mm: float | None = None

    @property
    def surveyed(self) -> bool:
        """Whether the face was swept on the machine, not only checked at the bench."""
        return self.gaps_mm is not None

    def mean_gap_mm(self, points: Iterable[str]) -> float:
        """Mean of the gaps at these measuring points; 0 without a survey (safe against a limit)."""
        known = [self.gaps_mm[name] for name in points if name in (self.gaps_mm or {})]
        return float(np.mean(known)) if known else 0.0


@dataclass(frozen=True)
class Queue:
    """Estimates of the open jobs by job id (the preferred machine) and by (job id, machine id), the sets, and the gangs
    by (first member's job id, machine id); ``stays``: what each set keeps to, by its id. ``edge_limits``: what
    `edge_advice.edge_limits` says of exactly these estimates, where it was worked out with them."""

    estimates: Mapping[int, JobEstimate]
    by_machine: Mapping[tuple[int, int], JobEstimate]
    sets: Mapping[int, SetView]
    gangs: Mapping[tuple[int, int], GangCourse] = field(default_factory=dict)
    stays: Mapping[int, Stay] = field(default_factory=dict)
    edge_limits: Mapping[tuple[int, int], float] | None = None


def estimate_queue(
    shop: Shop,
    knowledge: Knowledge | None = None,
    measured: Mapping[int, Measured] | None = None,
    units: Units | None = None,
) -> Queue:
    """Estimate every open job and plan every set. ``measured`` by job id; ``units`` for lengths in problems."""
    knowledge, measured, units = knowledge or Knowledge(), measured or {}, units or Units()
    stays = {i: stay_of(shop, matched, knowledge) for i, matched in sorted(shop.sets.items())}
    ways = {j: stays[i].ways for i, s in shop.sets.items() for j in s.job_ids if stays[i].ways and _waits(shop, j)}
    natural = {
        job.id: _estimate(shop, job, knowledge, measured, None, *_best(ways.get(job.id))) for job in shop.open_jobs()
    }
    sets, gangs = {}, {}
    together: dict[int, GangCourse] = {}
    for i, matched in sorted(shop.sets.items()):
        own = [j for j in gang_of(shop, matched) if j in natural]
        view = view_set(shop, matched, natural, units, measured, knowledge, advise=len(own) < 2)
        if len(own) > 1:
            alone = {}
            for j in own:
                alone |= _by_machine(shop, shop.jobs[j], natural[j], knowledge, measured, ways.get(j))
            courses, why = gang_courses(shop, view, own, alone, knowledge, measured)
            gangs |= courses
            if courses:
                chosen = _preferred(courses, natural)
                together |= dict.fromkeys(own, chosen)
                view = cut_together(shop, view, chosen.members, chosen.depths_mm, units)
            else:
                view = replace(view_set(shop, matched, natural, units, measured, knowledge), apart_because=why)
        sets[i] = view
    targets = {}
    for view in sets.values():
        for job_id, depth in view.depths_mm.items():
            if job_id in natural and view.feasible and depth > natural[job_id].stop_likely_mm + 1e-6:
                targets[job_id] = depth
    estimates, by_machine = {}, {}
    for job in shop.open_jobs():
        own = ways.get(job.id)
        if job.id in together:
            mine = {
                machine_id: _estimate(
                    shop, job, knowledge, measured, machine_id=machine_id, together=course.together[job.id]
                )
                for (_, machine_id), course in gangs.items()
                if job.id in course.together
            }
            estimates[job.id] = mine[together[job.id].machine_id]
            by_machine |= {(job.id, machine_id): e for machine_id, e in mine.items()}
            continue
        target = targets.get(job.id)
        best = natural[job.id] if target is None else _estimate(shop, job, knowledge, measured, target, *_best(own))
        estimates[job.id] = best
        by_machine |= _by_machine(shop, job, best, knowledge, measured, own, target)
    return Queue(estimates, by_machine, sets, gangs, stays)


def _by_machine(
    shop: Shop, job: Job, best: JobEstimate, knowledge, measured, ways: Mapping[int, int] | None, target_mm=None
) -> dict[tuple[int, int], JobEstimate]:
    """``best``, and what the job is on every other machine it may go on, by (job id, machine id)."""
    if best.setup is None:
        return {}
    found = {(job.id, best.setup.machine.id): best}
    for machine_id in shop.machines:
        if machine_id == best.setup.machine.id or job.machine_id not in (None, machine_id) or job.id in shop.taps:
            continue
        if ways and machine_id not in ways:
            continue
        other = _estimate(shop, job, knowledge, measured, target_mm, machine_id, ways[machine_id] if ways else None)
        if other.setup is not None:
            found[job.id, machine_id] = other
    return found


def _preferred(courses: Mapping[tuple[int, int], GangCourse], natural: Mapping[int, JobEstimate]) -> GangCourse:
    """The gang on the machine its first member would go on, else where it takes least time."""
    for (first, machine_id), course in courses.items():
        setup = natural[first].setup
        if setup is not None and setup.machine.id == machine_id:
            return course
    return min(courses.values(), key=lambda course: course.machine_minutes)


def _waits(shop: Shop, job_id: int) -> bool:
    return job_id in shop.jobs and shop.jobs[job_id].state is JobState.WAITING and job_id not in shop.taps


def _best(ways: Mapping[int, int] | None) -> tuple[int | None, int | None]:
    """The machine and cutter that suit all members of a set best; (None, None) where a job is free."""
    return next(iter(ways.items())) if ways else (None, None)


def _estimate(
    shop, job: Job, knowledge, measured, target_mm=None, machine_id=None, cutter_id: int | None = None, together=None
) -> JobEstimate:
    seen = measured.get(job.id, Measured())
    return estimate_job(
        shop,
        job,
        knowledge,
        depth=seen.depth,
        touch_off=seen.touch_off,
        gaps_mm=seen.gaps_mm,
        target_mm=target_mm,
        machine_id=machine_id,
        cutter_id=cutter_id,
        run=fold(taps) if (taps := shop.taps.get(job.id)) else None,
        together=together,
    )
