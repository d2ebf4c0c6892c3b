"""The queue with figures: every open job estimated on every machine that can take it, and every set planned.

Sets come first in their natural course (each member till clean); the closed form then says which members must go
deeper, and their estimates are made anew with that target.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from planner.cut.estimate import JobEstimate, TouchOff, estimate_job
from planner.cut.knowledge import Depth, Knowledge
from planner.errors import InputError
from planner.match.members import Member, MemberSet, MemberState, SetPlan, plan_members
from planner.shop import Face, Job, JobState, MatchedSet, Shop
from planner.units import Units


@dataclass(frozen=True)
class Measured:
    """What a measurement of a job's face gives the estimate: clean-up depth, touch-off, gaps at measuring points."""

    depth: Depth | None = None
    touch_off: TouchOff | None = None
    gaps_mm: Mapping[str, float] | None = None

    @property
    def surveyed(self) -> bool:
        """Whether the face was swept on the machine, not only checked at the bench."""
        return self.gaps_mm is not None

    def mean_gap_mm(self, points: Iterable[str]) -> float:
        """Mean of the gaps at these measuring points; 0 without a survey (safe against a limit)."""
        known = [self.gaps_mm[name] for name in points if name in (self.gaps_mm or {})]
        return float(np.mean(known)) if known else 0.0


@dataclass(frozen=True)
class SetView:
    """A matched set as it stands. ``plan`` None: it cannot be planned yet, ``problems`` say why. ``order``: job ids in
    cutting order; ``cuts_mm``, ``finals_mm``, ``heights_mm``: by job id, mean over the measuring points."""

    matched: MatchedSet
    members: MemberSet | None
    plan: SetPlan | None
    order: tuple[int, ...]
    heights_mm: Mapping[int, float] = field(default_factory=dict)
    cuts_mm: Mapping[int, float] = field(default_factory=dict)
    finals_mm: Mapping[int, float] = field(default_factory=dict)
    least_mm: Mapping[int, float | None] = field(default_factory=dict)
    problems: tuple[str, ...] = ()

    @property
    def feasible(self) -> bool:
        return self.plan is not None and self.plan.cuts.feasible


@dataclass(frozen=True)
class Queue:
    """Estimates of the open jobs by job id (the preferred machine) and by (job id, machine id), and the sets."""

    estimates: Mapping[int, JobEstimate]
    by_machine: Mapping[tuple[int, int], JobEstimate]
    sets: Mapping[int, SetView]


def estimate_queue(
    shop: Shop,
    knowledge: Knowledge | None = None,
    measured: Mapping[int, Measured] | None = None,
    units: Units | None = None,
) -> Queue:
    """Estimate every open job and plan every set. ``measured`` by job id; ``units`` for lengths in problems."""
    knowledge, measured, units = knowledge or Knowledge(), measured or {}, units or Units()
    natural = {job.id: _estimate(shop, job, knowledge, measured) for job in shop.open_jobs()}
    sets = {i: view_set(shop, matched, natural, units, measured) for i, matched in sorted(shop.sets.items())}
    targets = {}
    for view in sets.values():
        for job_id, cut in view.cuts_mm.items():
            if job_id not in natural or not view.feasible:
                continue
            # a set's cut is height lost at its measuring points; a pass is set from first contact
            depth = cut + _mean_gap_mm(shop, shop.jobs[job_id], measured)
            if depth > natural[job_id].stop_likely_mm + 1e-6:
                targets[job_id] = depth
    estimates, by_machine = {}, {}
    for job in shop.open_jobs():
        target = targets.get(job.id)
        best = natural[job.id] if target is None else _estimate(shop, job, knowledge, measured, target)
        estimates[job.id] = best
        if best.setup is None:
            continue
        by_machine[job.id, best.setup.machine.id] = best
        for machine_id in shop.machines:
            if machine_id == best.setup.machine.id or job.machine_id not in (None, machine_id):
                continue
            other = _estimate(shop, job, knowledge, measured, target, machine_id)
            if other.setup is not None:
                by_machine[job.id, machine_id] = other
    return Queue(estimates, by_machine, sets)


def _estimate(shop, job: Job, knowledge, measured, target_mm=None, machine_id=None) -> JobEstimate:
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
    )


def _mean_gap_mm(shop: Shop, job: Job, measured: Mapping[int, Measured]) -> float:
    heights = shop.part_of(job).latest_heights_mm(job.face_id)
    return measured[job.id].mean_gap_mm(heights) if job.id in measured else 0.0


def member_of(
    shop: Shop,
    job: Job,
    estimate: JobEstimate | None,
    removal_mm: Any = None,
    measured: Mapping[int, Measured] | None = None,
) -> Member:
    """A job as a member of its set: heights at its measuring points, likely removal, least height, doubt."""
    seen = (measured or {}).get(job.id, Measured())
    part, face = shop.part_of(job), shop.face_of(job)
    readings = part.latest_heights_mm(face.id)
    heights = tuple(readings[p.name].height_mm for p in face.points if p.name in readings)
    doubts = [r.repeatability_mm for r in readings.values() if r.repeatability_mm is not None]
    finished = job.state in (JobState.CUT, JobState.FINISHED)
    if finished:
        state = MemberState.FINISHED
    elif not heights:
        state = MemberState.NOT_MEASURED
    else:
        state = MemberState.SURVEYED if seen.surveyed else MemberState.CHECKED
    assumed = None
    if not heights and face.new_height_mm is not None and part.removed_before_mm is not None:
        assumed = face.new_height_mm - part.removed_before_mm - shop.removed_mm.get((part.id, face.id), 0.0)
    removal = None
    if not finished and estimate is not None:
        removal = estimate.stop_likely_mm if removal_mm is None else removal_mm
        if removal_mm is None:
            removal = max(0.0, removal - seen.mean_gap_mm(p.name for p in face.points if p.name in readings))
    return Member(
        part.tag,
        state,
        heights_mm=heights,
        removal_mm=removal,
        min_height_mm=face.least_height_mm,
        nominal_mm=face.new_height_mm,
        assumed_height_mm=assumed,
        height_sd_mm=max(doubts, default=shop.settings.height_repeatability_mm),
        engine=part.engine_serial or None,
        part=part.tag,
        lowest_below_mean_mm=_lowest_below_mm(face, heights, estimate, seen) if state is MemberState.SURVEYED else None,
    )


def _lowest_below_mm(face: Face, heights: tuple[float, ...], estimate: JobEstimate | None, seen: Measured):
    """How far the finished face's lowest place will lie below the mean of the measuring points; None where the survey
    or the limit does not tell."""
    if estimate is None or face.least_height_mm is None or estimate.room.before_mm is None:
        return None
    mean = float(np.mean(heights)) + seen.mean_gap_mm(p.name for p in face.points)
    return max(0.0, mean - face.least_height_mm - estimate.room.before_mm)


def view_set(
    shop: Shop,
    matched: MatchedSet,
    estimates: Mapping[int, JobEstimate],
    units: Units,
    measured: Mapping[int, Measured] | None = None,
) -> SetView:
    """Plan one set from the natural course of its members."""
    jobs = [shop.jobs[j] for j in matched.job_ids if j in shop.jobs]
    ids = tuple(j.id for j in jobs)
    least = {j.id: shop.face_of(j).least_height_mm for j in jobs}
    try:
        members = MemberSet(
            matched.name,
            tuple(member_of(shop, j, estimates.get(j.id), measured=measured) for j in jobs),
            matched.aim_mm if matched.aim_mm is not None else matched.tolerance_mm,
            max(matched.tolerance_mm, matched.accepted_mismatch_mm or 0.0),
            matched.relative_to_nominal,
        )
        steps = {
            e.setup.recipe.least_pass_mm for j in jobs if (e := estimates.get(j.id)) is not None and e.setup is not None
        }
        plan = plan_members(
            members,
            doubts_mm={m.name: m.height_sd_mm for m in members.members},
            step_mm=shop.settings.depth_step_mm,
            least_mm=max(steps, default=0.0),
            show=units.depth,
        )
    except InputError as wrong:
        return SetView(matched, None, None, ids, least_mm=least, problems=(f"{wrong.field}: {wrong.accepted}",))
    heights = {j.id: m.height_mm for j, m in zip(jobs, members.members, strict=True)}
    cuts = {j.id: float(c) for j, c in zip(jobs, plan.cuts.cuts_mm, strict=True)}
    finals = {j.id: float(f) for j, f in zip(jobs, plan.finals_mm, strict=True)}
    return SetView(matched, members, plan, _order(jobs, members), heights, cuts, finals, least, plan.cuts.problems)


def _order(jobs: list[Job], members: MemberSet) -> tuple[int, ...]:
    """Finished and running members first, then the member likely to end lowest: it sets the height."""

    def rank(pair) -> tuple:
        job, member = pair
        done = member.state is MemberState.FINISHED or job.state is JobState.RUNNING
        natural = (member.height_mm or 0.0) - members.offset_mm(member) - member.likely_removal_mm
        return (not done, natural, job.id)

    return tuple(job.id for job, _ in sorted(zip(jobs, members.members, strict=True), key=rank))
