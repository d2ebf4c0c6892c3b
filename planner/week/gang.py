"""Gang setups in the week: members of a set on the table together, levelled one by one, cut by the same traverse.

The first member in order carries the work at the machine: the loads, each one's levelling, one touch-off, the passes.
The others keep their unloading and their bench work. One plane cuts all, so the depth to search is the greatest of the
members' clean-up depths, each counted from first contact with the highest member.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from planner.cut import traverse
from planner.cut.course import kisses
from planner.cut.estimate import JobEstimate, cutting_passes, pass_policy
from planner.cut.knowledge import Depth, Knowledge
from planner.cut.passes import PassPlan
from planner.cut.running import fold
from planner.cut.setups import LANE_OVERLAP_MM, CutSetup, Feed
from planner.errors import InputError
from planner.match.gang import GangSetup, SetupMinutes, gang_setup
from planner.shop import EndOfPass, JobState, PassReason, Shop
from planner.week import model
from planner.week.risk import passes_from_depths
from planner.week.set_view import DONE, GangDepth, SetView

# Room for clamps between members on the table: common practice, no source
BETWEEN_MM = 20.0
IN_LINE, ABREAST = "one behind the other", "side by side"
COUNTED = 200
"""Equally likely depths that stand for the depth at which a gang is clean."""
# what a plan pays for parting members that stay together: more than anything else it could gain
NEVER = 100_000.0


@dataclass(frozen=True)
class GangCourse:
    """A gang on one machine. ``steps``: its work there but for the others' unloading; ``passes``: finishing or not, of
    each pass after the kiss pass; ``pass_counts``: equally likely numbers of passes, the kiss pass among them, from the
    depth at which the last member is clean; path and swept area of one pass and its share of an edge, all members together;
    ``against``: what it saves against cutting one by one.

    While it is cut: ``below_mm`` how far each member's first contact lies below that with the highest one, ``reached_mm``
    the depth below the latter that was cut, ``next_pass`` what comes next, from there (None: nothing does, because all are
    clean, or because nothing fits above a limit or an agreed depth)."""

    set_id: int
    job_ids: tuple[int, ...]
    machine_id: int
    layout: str
    passes: tuple[bool, ...]
    pass_counts: tuple[int, ...]
    stop_mm: float
    steps: tuple[model.Step, ...]
    unload_minutes: Mapping[int, float]
    pass_share: float
    pass_path_mm: float
    pass_swept_mm2: float
    against: GangSetup
    below_mm: Mapping[int, float] = field(default_factory=dict)
    reached_mm: float = 0.0
    next_pass: tuple[PassReason, bool, float] | None = None

    @property
    def highest(self) -> int:
        """The job whose face the cutter meets first."""
        return min(self.below_mm, key=self.below_mm.get)

    @property
    def machine_minutes(self) -> float:
        """Minutes at the machine, the others' unloading included."""
        others = math.fsum(m for j, m in self.unload_minutes.items() if j != self.job_ids[0])
        return math.fsum(s.minutes for s in self.steps) + others

    @property
    def traverse_minutes(self) -> float:
        """Minutes of the next traverse over all members; 0 where none is to come."""
        return next((s.minutes for s in self.steps if s.where is model.Where.TRAVERSE), 0.0)

    @property
    def left_minutes(self) -> float:
        """Minutes at the machine from the next traverse on."""
        begun = next((i for i, s in enumerate(self.steps) if s.where is model.Where.TRAVERSE), len(self.steps) - 1)
        return self.machine_minutes - math.fsum(s.minutes for s in self.steps[:begun])


def gang_courses(
    shop: Shop,
    view: SetView,
    by_machine: Mapping[tuple[int, int], JobEstimate],
    knowledge: Knowledge,
) -> dict[tuple[int, int], GangCourse]:
    """The gang on every machine that can take all its members, by (first job's id, machine id)."""
    ids = view.order
    if not view.matched.gang or view.members is None or any(shop.jobs[j].state in DONE for j in ids):
        return {}
    found = {}
    for machine_id in shop.machines:
        estimates = [by_machine.get((j, machine_id)) for j in ids]
        if any(e is None or e.setup is None for e in estimates):
            continue
        tools = {(e.setup.cutter.id, e.setup.grade.id, e.setup.recipe.id) for e in estimates}
        if len(tools) > 1:
            continue
        try:
            found[ids[0], machine_id] = _course(shop, view, ids, estimates, knowledge)
        except InputError:
            continue  # longer than the table's travel, or not one depth that cleans all above their limits
    return found


def _course(
    shop: Shop, view: SetView, ids: tuple[int, ...], estimates: list[JobEstimate], knowledge: Knowledge
) -> GangCourse:
    setup, layout = _on_the_table(shop, ids, estimates)
    members = [view.member(j) for j in ids]
    compared = np.array([m.height_mm - view.members.offset_mm(m) for m in members])
    below = compared.max() - compared
    depth = GangDepth(tuple(e.depth.distribution for e in estimates), tuple(below.tolist()))
    minutes = [knowledge.steps(shop.family_of(shop.part_of(shop.jobs[j]))).steps for j in ids]
    look = max(m.look for m in minutes)
    runs = [fold(shop.taps.get(j, ())) for j in ids]
    cut_before = any(run.passes for run in runs)
    # the others may still lie below the cutter
    reached = runs[int(below.argmin())].removed_mm
    two_feeds = setup.rough.feed_mm > setup.finish.feed_mm * (1 + 1e-9) and setup.recipe.finish_pass_mm > 0
    kiss = kisses(setup) and not cut_before
    limit = min((_limit_mm(shop, j, e) + b for j, e, b in zip(ids, estimates, below, strict=True)), default=math.inf)
    if cut_before and all(run.clean_mm is not None for run in runs):
        # only the finishing pass may be left
        finishing = two_feeds and not any(run.passes[-1].finishing for run in runs if run.passes)
        last = reached + setup.recipe.finish_pass_mm
        fits = bool(finishing and last <= limit + 1e-6)
        passes, ahead = [True] * fits, (PassReason.FINISH, True, last) if fits else None
        stop, counts = last if fits else reached, (int(fits),)
    else:
        rebuild = 1.0 / sum(1.0 / e.rebuild_mm for e in estimates)
        believed = Depth(depth, estimates[0].depth.origin)
        plan = pass_policy(shop, setup, believed, look, rebuild, limit, reached)
        if not plan.worth_cutting:
            raise InputError("set", view.matched.name, "a depth that cleans all its members above their limits")
        roughs = [plan.policy.problem.two_feeds and feed != "finish" for feed in plan.feeds]
        passes, stop = _down_to(plan, roughs)
        counts = _pass_counts(depth, plan.totals_mm, roughs, kiss)
        ahead = (PassReason.SEARCH, passes[0], float(plan.totals_mm[0]))
    if kiss:
        ahead = (PassReason.KISS, False, 0.0)
    share = math.fsum((e.edge_share_likely or 0.0) / max(1, cutting_passes(e.passes_likely)) for e in estimates)
    handling = [m.load + m.touch_off for m in minutes]
    first = int(np.argmax(handling))
    steps = [model.Step("load", _shared([m.load for m in minutes], first))]
    for j, m in zip(ids, minutes, strict=True):
        tag = shop.part_of(shop.jobs[j]).tag
        steps.append(model.Step(f"level {tag}", m.sweep + m.shim_round * m.shim_rounds + m.clamp))
    steps.append(model.Step("dye", math.fsum(m.dye for m in minutes)))
    if max(m.dry for m in minutes) > 0:
        steps.append(model.Step("dye dries", max(m.dry for m in minutes), model.Where.WAIT))
    steps.append(model.Step("touch off", _shared([m.touch_off for m in minutes], first)))
    rows = ([(PassReason.KISS, False, 0.0)] if kiss else []) + [(PassReason.SEARCH, f, share) for f in passes]
    for reason, finishing, use in rows:
        spindle = (setup.finish if finishing else setup.rough).minutes
        steps += [model.Step(f"{reason.value} pass", spindle, model.Where.TRAVERSE, use), model.Step("look", look)]
    steps.append(model.Step("unload", minutes[0].unload))
    rate = (setup.hourly_rate or shop.settings.hourly_rate) / 60
    spent = [
        SetupMinutes(
            m.load,
            m.sweep + m.shim_round * m.shim_rounds + m.clamp + m.dye,
            m.touch_off,
            e.setup.finish.minutes,
            m.look,
            len(e.passes_likely),
        )
        for e, m in zip(estimates, minutes, strict=True)
    ]
    against = gang_setup(
        compared,
        [m.likely_removal_mm for m in members],
        [m.least_mean_mm - view.members.offset_mm(m) for m in members],
        view.members.aim_mm,
        spent,
        gang_traverse_minutes=setup.finish.minutes,
        gang_passes=len(rows),
        rate_per_minute=rate,
        value_per_mm=view.prices.value_per_mm,
        guard_mm=min(view.guard_mm, view.members.aim_mm),
        names=[m.name for m in members],
    )
    faces = [shop.face_of(shop.jobs[j]) for j in ids]
    return GangCourse(
        view.matched.id,
        ids,
        setup.machine.id,
        layout,
        tuple(passes),
        counts,
        stop,
        tuple(s for s in steps),
        {j: m.unload for j, m in zip(ids, minutes, strict=True)},
        share,
        math.fsum(e.setup.finish.path_mm for e in estimates),
        math.fsum(f.area_mm2 for f in faces),
        against,
        dict(zip(ids, below.tolist(), strict=True)),
        reached,
        ahead,
    )


def _limit_mm(shop: Shop, job_id: int, estimate: JobEstimate) -> float:
    """Deepest depth below its own first contact that a member may be cut to: its limit, or what was agreed."""
    agreed = shop.part_of(shop.jobs[job_id]).agreed_depth_mm
    return min((x for x in (estimate.room.in_hand_mm, agreed) if x is not None), default=math.inf)


def _down_to(plan: PassPlan, roughs: Sequence[bool]) -> tuple[list[bool], float]:
    """Finishing or not of the passes down to the likely stop depth, and that depth."""
    stop = plan.stop_depth_mm(0.5)
    passes = []
    for total, rough in zip(plan.totals_mm, roughs, strict=True):
        passes.append(not rough)
        if total + (plan.policy.problem.finish_mm if rough else 0.0) >= stop - 1e-9:
            passes += [True] if rough else []
            break
    return passes, stop


def _pass_counts(depth: GangDepth, totals_mm: Sequence[float], roughs: Sequence[bool], kiss: bool) -> tuple[int, ...]:
    """Passes until the last member is clean, for equally likely depths: a roughing pass that shows clean is followed by
    a finishing one, the kiss pass stands in front."""
    shares = (np.arange(COUNTED) + 0.5) / COUNTED
    totals = np.asarray(totals_mm, float)
    searched = passes_from_depths(np.asarray(depth.isf(1 - shares), float), totals)
    finishing = np.asarray(roughs, bool)[np.minimum(searched, totals.size) - 1]
    return tuple(int(n) for n in searched + finishing + kiss)


def _shared(minutes: list[float], first: int) -> float:
    """One member's minutes in full, half of the others': a second part of a gang takes half."""
    return minutes[first] + 0.5 * (math.fsum(minutes) - minutes[first])


def _on_the_table(shop: Shop, ids: tuple[int, ...], estimates: list[JobEstimate]) -> tuple[CutSetup, str]:
    """The setup with the traverse over all members, the quicker way of laying them that the machine allows."""
    setup = estimates[0].setup
    faces = [shop.face_of(shop.jobs[j]) for j in ids]
    room = BETWEEN_MM * (len(faces) - 1)
    ways = [
        (IN_LINE, math.fsum(f.length_mm for f in faces) + room, max(f.width_mm for f in faces)),
        (ABREAST, max(f.length_mm for f in faces), math.fsum(f.width_mm for f in faces) + room),
    ]
    found = []
    for layout, length, width in ways:
        table = setup.machine.table_width_mm
        if width > (setup.cutter.diameter_mm if table is None else table):
            continue
        try:
            rough, finish = (_feed(setup, feed, length, width) for feed in (setup.rough, setup.finish))
        except InputError:
            continue
        found.append((finish.minutes, layout, replace(setup, rough=rough, finish=finish)))
    if not found:
        raise InputError("machine", setup.machine.name, "a table on which all members have room")
    _, layout, setup = min(found, key=lambda way: way[0])
    return setup, layout


def _feed(setup: CutSetup, feed: Feed, length_mm: float, width_mm: float) -> Feed:
    machine = setup.machine
    done = traverse(
        length_mm,
        width_mm,
        setup.cutter.diameter_mm,
        feed.feed_mm,
        setup.cutter.inserts,
        setup.rpm,
        run_clear=machine.end_of_pass is EndOfPass.RUN_CLEAR,
        approach_mm=machine.approach_mm,
        runout_mm=machine.overrun_mm,
        overlap_mm=LANE_OVERLAP_MM,
        travel_mm=machine.travel_mm or math.inf,
    )
    back = machine.return_minutes * done.lanes
    return replace(
        feed,
        minutes=done.minutes + back,
        when_cut_minutes=done.when_cut_minutes + back,
        run_clear_minutes=done.run_clear_minutes + back,
        lanes=done.lanes,
    )


# -- in the week's problem ---------------------------------------------------------------------------------------------
def gang_jobs(
    shop: Shop, jobs: tuple[model.Job, ...], sets: Mapping[int, SetView], gangs: Mapping[tuple[int, int], GangCourse]
) -> tuple[model.Job, ...]:
    """The week's jobs with the work of every gang on its first member."""
    by_id = {job.id: job for job in jobs}
    for view in sets.values():
        if not view.matched.gang:
            continue
        open_ids = [j for j in view.order if str(j) in by_id]
        courses = {m: c for (j, m), c in gangs.items() if c.set_id == view.matched.id}
        lying = len(open_ids) < len(view.order)
        if not open_ids or not (courses or lying):
            continue
        for place, job_id in enumerate(open_ids):
            job = by_id[str(job_id)]
            if lying or place:
                # on the table already, or put there with the first: it only comes off
                steps = {m: (s[-1],) for m, s in job.steps.items() if lying or int(m) in courses}
                changed = replace(job, steps=steps, before_minutes=0.0, cool_minutes=0.0, started=True)
            else:
                changed = _first(shop, job, [by_id[str(j)] for j in open_ids], courses)
            by_id[job.id] = changed
    return tuple(by_id[job.id] for job in jobs)


def _first(shop: Shop, job: model.Job, together: list[model.Job], courses: dict[int, GangCourse]) -> model.Job:
    running = shop.jobs[int(job.id)].state is JobState.RUNNING
    steps = {}
    for machine_id, course in courses.items():
        work = course.steps
        if running:
            # with no pass to come they only come off
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
    gang are never parted, nor measured in between."""
    members = tuple(str(j) for j in open_ids)
    if view.matched.gang:
        return model.JobSet(members, 0.0, NEVER)
    if view.matched.split_agreed_by:
        price = 0.0
    return model.JobSet(members, measuring_minutes, max(price, NEVER) if together else price)
