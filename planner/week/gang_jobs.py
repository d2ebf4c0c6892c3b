"""Gangs and sets in the week's problem: the work of a gang on its first member, and who stays beside whom."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from planner.shop import JobState, Shop
from planner.week import model
from planner.week.gang import GangCourse
from planner.week.set_view import SetView

# what a plan pays for parting members that stay together: more than anything else it could gain
NEVER = 100_000.0


def gang_jobs(
    shop: Shop, jobs: tuple[model.Job, ...], gangs: Mapping[tuple[int, int], GangCourse]
) -> tuple[model.Job, ...]:
    """The week's jobs with the work of every gang on its first member."""
    by_id = {job.id: job for job in jobs}
    by_set: dict[int, dict[int, GangCourse]] = {}
    for (_, machine_id), course in gangs.items():
        by_set.setdefault(course.set_id, {})[machine_id] = course
    for courses in by_set.values():
        ids = next(iter(courses.values())).job_ids
        together = [by_id[str(j)] for j in ids]
        by_id[str(ids[0])] = _first(shop, together[0], together, courses)
        for job in together[1:]:
            # put on the table with the first: it only comes off
            steps = {m: (s[-1],) for m, s in job.steps.items() if int(m) in courses}
            by_id[job.id] = replace(job, steps=steps, before_minutes=0.0, cool_minutes=0.0, started=True)
    return tuple(by_id[job.id] for job in jobs)


def _first(shop: Shop, job: model.Job, together: list[model.Job], courses: dict[int, GangCourse]) -> model.Job:
    running = shop.jobs[int(job.id)].state is JobState.RUNNING
    steps = {}
    for machine_id, course in courses.items():
        work = course.steps
        if running and int(job.id) not in shop.taps:
            # on the machine without a run sheet: its passes and what follows; with no pass to come it only comes off
            begin = next((i for i, s in enumerate(work) if s.where is model.Where.TRAVERSE), len(work) - 1)
            work = work[begin:]
        steps[str(machine_id)] = work
    held = "; ".join(dict.fromkeys(j.blocked for j in together if j.blocked))
    return replace(
        job,
        steps=steps,
        before_minutes=0.0 if running else math.fsum(j.before_minutes for j in together),
        not_before_min=max(j.not_before_min for j in together),
        blocked=held,
        edge_limit=min((j.edge_limit for j in together if j.edge_limit is not None), default=None),
    )


def set_of_week(
    view: SetView, open_ids: list[int], measuring_minutes: float, price: float, *, together: bool = False
) -> model.JobSet:
    """A set's adjacency in the week. A set stays on one machine, cutter and edge: parting it costs nothing once somebody
    agreed, is never done where its members can stay ``together``, and costs ``price`` where they cannot; members of a
    gang are never parted, nor measured in between, and bind no other."""
    if view.gang:
        return model.JobSet(tuple(str(j) for j in view.gang), 0.0, NEVER)
    members = tuple(str(j) for j in open_ids)
    if view.matched.split_agreed_by:
        price = 0.0
    return model.JobSet(members, measuring_minutes, max(price, NEVER) if together else price)
