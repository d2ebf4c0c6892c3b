"""Gang setups in the week: members of a set on the table together, levelled one by one, cut by the same traverse.

The first member in order carries the work at the machine: the loads, each one's levelling, one touch-off, the passes.
The others keep their unloading and their bench work. One plane cuts all, so the depth to search is the greatest of the
members' clean-up depths, each counted from first contact with the highest member.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.cut import traverse
from planner.cut.course import Course, TouchOff, course_within
from planner.cut.estimate import JobEstimate, PlannedPass, StepTime, Together
from planner.cut.knowledge import Depth, Knowledge
from planner.cut.running import RunState, Zeroed, fold
from planner.cut.setups import LANE_OVERLAP_MM, CutSetup, Feed
from planner.errors import InputError
from planner.match.gang import GangSetup, SetupMinutes, gang_setup
from planner.match.members import MemberSet
from planner.shop import Aim, EndOfPass, PassReason, Shop, TapKind
from planner.shop.starting import StepMinutes
from planner.units import Units, counted
from planner.week import model
from planner.week.risk import passes_from_depths
from planner.week.set_view import DONE, GangDepth, SetView, common_points, member_of, missing, prices_of

# Room for clamps between members on the table: common practice, no source
BETWEEN_MM = 20.0
IN_LINE, ABREAST = "one behind the other", "side by side"
COUNTED = 200
"""Equally likely depths that stand for the depth at which a gang is clean."""
_THROUGH_AIR_MM = 1e-6


@dataclass(frozen=True)
class GangCourse:
    """A gang on one machine. ``course``: its passes, counted from first contact with the highest member, and where they
    stop; ``pass_counts``: equally likely numbers of passes, the kiss pass among them, from the depth at which the last
    member is clean; ``work``, ``work_allow``: what is still to be done at the machine up to the last look; path and swept
    area of one pass and its share of an edge, all members together; ``against``: what it saves against cutting one by one;
    ``members``: the heads themselves, in the order of ``job_ids``.

    By job id: ``below_mm`` how far each member's first contact lies below that with the highest one; ``together`` what
    each one's estimate takes from the gang. ``reached_mm``: the depth below first contact that was cut."""

    set_id: int
    job_ids: tuple[int, ...]
    machine_id: int
    layout: str
    course: Course
    pass_counts: tuple[int, ...]
    work: tuple[StepTime, ...]
    work_allow: tuple[StepTime, ...]
    unload_minutes: Mapping[int, float]
    pass_share: float
    pass_path_mm: float
    pass_swept_mm2: float
    against: GangSetup
    members: MemberSet
    below_mm: Mapping[int, float]
    together: Mapping[int, Together]
    reached_mm: float = 0.0

    @property
    def highest(self) -> int:
        """The job whose face the cutter meets first."""
        return min(self.below_mm, key=self.below_mm.get)

    @property
    def stop_mm(self) -> float:
        """The likely stop depth, below first contact with the highest."""
        return self.course.stop_likely

    @property
    def passes(self) -> tuple[bool, ...]:
        """Finishing or not, of each likely pass after the kiss pass."""
        return tuple(p.finishing for p in self.course.likely if p.reason is not PassReason.KISS)

    @property
    def next_pass(self) -> tuple[PassReason, bool, float] | None:
        """What comes next: why, finishing or not, and down to where; None: nothing does, because all are clean, or
        because nothing fits above a limit or an agreed depth."""
        ahead = self.course.passes[:1]
        return (ahead[0].reason, ahead[0].finishing, ahead[0].total_mm) if ahead else None

    @property
    def depths_mm(self) -> dict[int, float]:
        """Likely stop depth of each, below its own first contact, by job id."""
        return {j: own.course.stop_likely for j, own in self.together.items()}

    @property
    def steps(self) -> tuple[model.Step, ...]:
        """The week's steps on the machine, but for the others' unloading."""
        uses = iter([0.0 if p.reason is PassReason.KISS else self.pass_share for p in self.course.likely])
        found = [_week_step(step, next(uses) if step.is_pass else 0.0) for step in self.work]
        return (*found, model.Step("unload", self.unload_minutes[self.job_ids[0]]))

    @property
    def machine_minutes(self) -> float:
        """Minutes at the machine still to come, for all together."""
        return math.fsum(s.minutes for s in self.work) + math.fsum(self.unload_minutes.values())

    @property
    def traverse_minutes(self) -> float:
        """Minutes of the next traverse over all members; 0 where none is to come."""
        return next((s.minutes for s in self.work if s.is_pass), 0.0)


def course_words(shop: Shop, course: GangCourse, units: Units) -> str:
    """How a gang is cut, in words: its passes, the kiss pass among them, and down to where."""
    passes, tag = len(course.course.likely), shop.part_of(shop.jobs[course.highest]).tag
    depth, allow = units.depth(course.stop_mm), units.depth(course.course.stop_allow)
    more = f" (allow {allow})" if allow != depth else ""
    return f"likely {counted(passes, 'pass', 'passes')} to {depth}{more} below first contact with {tag}, the highest"


def gang_courses(
    shop: Shop,
    view: SetView,
    ids: Sequence[int],
    by_machine: Mapping[tuple[int, int], JobEstimate],
    knowledge: Knowledge,
    measured: Mapping[int, object] | None = None,
) -> tuple[dict[tuple[int, int], GangCourse], str]:
    """The gang ``ids`` of a set on every machine that can take it, by (first job's id, machine id), from what each would
    be if it lay alone (``by_machine``); where there is none, why, in words."""
    ids = tuple(j for j in view.order if j in ids)
    jobs = [shop.jobs[j] for j in ids]
    alone = [shop.part_of(j).tag for j in jobs if (run := fold(shop.taps.get(j.id, ()))).begun and run.gang is None]
    if alone:
        return {}, f"{' and '.join(alone)} went on the machine alone"
    points = common_points(shop, jobs)
    unknown = [why for job in jobs if (why := missing(shop, job, points))]
    if unknown:
        return {}, "; ".join(unknown)
    found, against = {}, []
    for machine_id, machine in shop.machines.items():
        estimates = {j: by_machine.get((j, machine_id)) for j in ids}
        out = [shop.part_of(shop.jobs[j]).tag for j, e in estimates.items() if e is None or e.setup is None]
        if out:
            against.append(f"{machine.name} does not take {' and '.join(out)}")
            continue
        if len({(e.setup.cutter.id, e.setup.grade.id, e.setup.recipe.id) for e in estimates.values()}) > 1:
            against.append(f"on {machine.name} they take different cutters or recipes")
            continue
        try:
            members = MemberSet(
                view.matched.name,
                tuple(member_of(shop, j, estimates[j.id], points, (measured or {}).get(j.id)) for j in jobs),
                view.matched.tolerance_mm,
                view.matched.tolerance_mm,
                view.matched.relative_to_nominal,
            )
            found[ids[0], machine_id] = _course(shop, view, members, estimates, knowledge)
        except InputError as wrong:
            against.append(f"on {machine.name}: needed is {wrong.accepted}")
    return found, "" if found else "; ".join(against)


def _course(
    shop: Shop,
    view: SetView,
    members: MemberSet,
    by_id: Mapping[int, JobEstimate],
    knowledge: Knowledge,
) -> GangCourse:
    ids, estimates = tuple(by_id), list(by_id.values())
    setup, layout = _on_the_table(shop, ids, estimates)
    runs = {j: fold(shop.taps.get(j, ())) for j in ids}
    compared = np.array([m.height_mm - members.offset_mm(m) for m in members.members])
    zeroed = {max((t.at for t in shop.taps.get(j, ()) if t.kind == TapKind.TOUCH), default=None) for j in ids}
    below = _below_mm([runs[j].zero for j in ids] if len(zeroed) == 1 else [], compared)
    below = dict(zip(ids, below.tolist(), strict=True))
    top = min(below, key=below.get)
    cut_before = any(run.passes for run in runs.values())
    # some may still lie below the cutter
    reached = max((r.removed_mm + below[j] for j, r in runs.items() if r.removed_mm > 0), default=0.0)
    minutes = [knowledge.steps(shop.family_of(shop.part_of(shop.jobs[j]))) for j in ids]
    look = max(m.steps.look for m in minutes)
    course = _searched(shop, view, setup, below, by_id, runs, reached, look)
    if not course.worth:
        if not cut_before:
            raise InputError("set", view.matched.name, "a depth that cleans all its members above their limits")
        course = Course((), (), reached, reached, 1.0, worth=False)
    searched = [p for p in course.likely if p.reason is not PassReason.KISS]
    counts = (len(course.likely),)
    if course.plan is not None:
        kiss = len(course.likely) - len(searched)
        counts = tuple(
            max(n, len(course.likely)) if _to_match(course) else n for n in _counted(course, below, by_id, kiss)
        )
    tags = [shop.part_of(shop.jobs[j]).tag for j in ids]
    work, work_allow = (
        _work(tags, [getattr(m, which) for m in minutes], passes, runs[top])
        for which, passes in (("steps", course.likely), ("allowed", course.passes))
    )
    per_pass = [
        (e.edge_share_likely or 0.0) / e.path_likely_mm * e.setup.finish.path_mm if e.path_likely_mm else 0.0
        for e in estimates
    ]
    faces = [shop.face_of(shop.jobs[j]) for j in ids]
    return GangCourse(
        view.matched.id,
        ids,
        setup.machine.id,
        layout,
        course,
        counts,
        work,
        work_allow,
        {j: m.steps.unload for j, m in zip(ids, minutes, strict=True)},
        math.fsum(per_pass),
        math.fsum(e.setup.finish.path_mm for e in estimates),
        math.fsum(f.area_mm2 for f in faces),
        _against(shop, view, members, compared, estimates, minutes, setup, course, knowledge),
        members,
        below,
        {
            j: Together(
                _as_its_own(course, below[j], reached, clean=runs[j].clean_mm is not None),
                _with_traverse(by_id[j].setup, setup),
                _zero_on(shop, by_id, j, top),
                len(ids),
                _share(work, len(ids)),
                _share(work_allow, len(ids)),
            )
            for j in ids
        },
        reached,
    )


def _below_mm(zeros: Sequence[Zeroed | None], compared_mm: np.ndarray) -> np.ndarray:
    """How far the cutter goes down from first contact with the highest until it touches each member: as the one zero of
    all told, where there is one, else as the heights say."""
    if zeros and None not in zeros:
        contact = np.array([zero.below_mm(0.0) for zero in zeros])
        return contact - contact.min()
    return compared_mm.max() - compared_mm


def _searched(
    shop: Shop,
    view: SetView,
    setup: CutSetup,
    below: Mapping[int, float],
    by_id: Mapping[int, JobEstimate],
    runs: Mapping[int, RunState],
    reached: float,
    look: float,
) -> Course:
    """The passes of all members, counted from first contact with the highest one."""
    top = min(below, key=below.get)
    run = None
    if any(r.passes for r in runs.values()):
        clean = reached if all(r.clean_mm is not None for r in runs.values()) else None
        made = max((r.passes for r in runs.values()), key=len)
        run = replace(runs[top], passes=made, removed_mm=reached, clean_mm=clean, raised_mm=None)
    jobs = {j: shop.jobs[j] for j in below}
    given = {j: below[j] + job.depth_mm for j, job in jobs.items() if job.aim is Aim.TO_DEPTH}
    limit = min((_limit_mm(shop, j, by_id[j]) + b for j, b in below.items()), default=math.inf)
    targets = list(given.values())
    if view.feasible and any(shop.jobs[j].state in DONE for j in view.matched.job_ids):
        # what is finished sets the window of those that are still to be cut
        targets += [below[j] + view.depths_mm[j] for j in below]
    target = max((t for t in targets if t <= limit + 1e-6), default=None)
    searching = [j for j in below if j not in given] or list(below)
    depth = GangDepth(tuple(by_id[j].depth.distribution for j in searching), tuple(below[j] for j in searching))
    believed = Depth(depth, by_id[top].depth.origin)
    fixed = max(given.values()) if len(given) == len(below) else None
    value = math.fsum(e.worth.per_mm for e in by_id.values())
    rebuild = min(e.rebuild_mm for e in by_id.values())
    touch = by_id[top].touch_off
    return course_within(shop, setup, believed, look, (rebuild, value), touch, limit, fixed, target, run)


def _limit_mm(shop: Shop, job_id: int, estimate: JobEstimate) -> float:
    """Deepest depth below its own first contact that a member may be cut to: its limit, or what was agreed."""
    agreed = shop.part_of(shop.jobs[job_id]).agreed_depth_mm
    return min((x for x in (estimate.room.in_hand_mm, agreed) if x is not None), default=math.inf)


def _to_match(course: Course) -> bool:
    return any(p.reason is PassReason.MATCH for p in course.likely)


def _counted(
    course: Course, below: Mapping[int, float], by_id: Mapping[int, JobEstimate], kiss: int
) -> tuple[int, ...]:
    """Passes down to the depth at which the last member is clean."""
    roughs = [course.plan.policy.problem.two_feeds and feed != "finish" for feed in course.plan.feeds]
    return pass_counts(course.plan.policy.problem.depth, course.plan.totals_mm, roughs, bool(kiss))


def pass_counts(depth: GangDepth, totals_mm: Sequence[float], roughs: Sequence[bool], kiss: bool) -> tuple[int, ...]:
    """Passes until the last member is clean, for equally likely depths: a roughing pass that shows clean is followed by
    a finishing one, the kiss pass stands in front."""
    shares = (np.arange(COUNTED) + 0.5) / COUNTED
    totals = np.asarray(totals_mm, float)
    searched = passes_from_depths(np.asarray(depth.isf(1 - shares), float), totals)
    finishing = np.asarray(roughs, bool)[np.minimum(searched, totals.size) - 1]
    return tuple(int(n) for n in searched + finishing + kiss)


# -- each member's own -------------------------------------------------------------------------------------------------
def _as_its_own(course: Course, below_mm: float, reached_mm: float, *, clean: bool) -> Course:
    """The gang's course from a member's own first contact: what goes over it through the air takes nothing off it."""

    def passes(rows: tuple[PlannedPass, ...]) -> tuple[PlannedPass, ...]:
        found, before = [], max(0.0, reached_mm - below_mm)
        for row in rows:
            total = max(0.0, row.total_mm - below_mm)
            reason = PassReason.KISS if total <= _THROUGH_AIR_MM else row.reason
            found.append(replace(row, reason=reason, total_mm=total, depth_mm=total - before))
            before = total
        return tuple(found)

    likely, allow = (max(0.0, mm - below_mm) for mm in (course.stop_likely, course.stop_allow))
    return Course(
        passes(course.likely), passes(course.passes), likely, allow, course.uncleaned, worth=course.worth or clean
    )


def _with_traverse(own: CutSetup, gang: CutSetup) -> CutSetup:
    """A member's setup with the traverse over all: its minutes and lanes, the edge's path in its own face."""
    rough, finish = (replace(g, path_mm=o.path_mm) for g, o in ((gang.rough, own.rough), (gang.finish, own.finish)))
    return replace(own, rough=rough, finish=finish)


def _zero_on(shop: Shop, by_id: Mapping[int, JobEstimate], job_id: int, top: int) -> TouchOff:
    """Where the one zero is set, as a member's sheet says it."""
    touch = by_id[top].touch_off
    tag = shop.part_of(shop.jobs[top]).tag
    named = job_id == top or not touch.place or tag in touch.place
    return touch if named else replace(touch, place=f"{touch.place} of {tag}")


def _work(
    tags: Sequence[str], minutes: Sequence[StepMinutes], passes: Sequence[PlannedPass], run: RunState
) -> tuple[StepTime, ...]:
    """What is still to be done at the machine up to the last look, for all together; ``run``: the highest one's."""
    first = int(np.argmax([m.load + m.touch_off for m in minutes]))
    look = max(m.look for m in minutes)
    found = []
    if run.zero is None and not run.passes:
        found.append(StepTime("load", _shared([m.load for m in minutes], first), "machine"))
        for tag, m in zip(tags, minutes, strict=True):
            found.append(StepTime(f"level {tag}", m.sweep + m.shim_round * m.shim_rounds + m.clamp, "machine"))
        found.append(StepTime("dye", math.fsum(m.dye for m in minutes), "machine"))
        found.append(StepTime("dye dries", max(m.dry for m in minutes), "unattended"))
    if not run.ready_to_cut:
        found.append(StepTime("touch off", _shared([m.touch_off for m in minutes], first), "machine"))
    if run.waits_for_look:
        found.append(StepTime("look", look, "machine"))
    for planned in passes:
        found.append(StepTime(f"{planned.reason.value} pass", planned.minutes, "unattended", is_pass=True))
        found.append(StepTime("look", look, "machine"))
    return tuple(step for step in found if step.minutes > 0)


def _share(work: Sequence[StepTime], members: int) -> tuple[StepTime, ...]:
    return tuple(replace(step, minutes=step.minutes / members) for step in work)


def _week_step(step: StepTime, use: float) -> model.Step:
    where = model.Where.TRAVERSE if step.is_pass else model.Where.ATTENDED
    if step.where == "unattended" and not step.is_pass:
        where = model.Where.WAIT
    # the week knows the setting of the zero by this name: after a shift's end it is done again
    return model.Step("touch-off" if step.name == "touch off" else step.name, step.minutes, where, use)


def _against(shop, view, members, compared, estimates, minutes, setup, course, knowledge) -> GangSetup:
    """The gang as it is planned beside its members cut one by one, within the set's aim."""
    spent = [
        SetupMinutes(
            m.steps.load,
            m.steps.sweep + m.steps.shim_round * m.steps.shim_rounds + m.steps.clamp + m.steps.dye,
            m.steps.touch_off,
            e.setup.finish.minutes,
            m.steps.look,
            len(e.passes_likely),
        )
        for e, m in zip(estimates, minutes, strict=True)
    ]
    jobs = [shop.jobs[e.job_id] for e in estimates]
    prices = prices_of(shop, jobs, members, {e.job_id: e for e in estimates}, knowledge)
    aim = members.aim_mm if view.members is None else view.members.aim_mm
    return gang_setup(
        compared,
        [m.likely_removal_mm for m in members.members],
        [m.least_mean_mm - members.offset_mm(m) for m in members.members],
        aim,
        spent,
        gang_traverse_minutes=setup.finish.minutes,
        gang_passes=len(course.likely),
        rate_per_minute=(setup.hourly_rate or shop.settings.hourly_rate) / 60,
        value_per_mm=prices.value_per_mm,
        guard_mm=min(view.guard_mm, aim),
        step_mm=view.step_mm,
        least_mm=view.least_pass_mm,
        plane_mm=float(compared.max()) - course.stop_likely,
        names=[m.name for m in members.members],
    )


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
