"""The estimate of one job: depth, passes with instrument figures, minutes, edge, heights after, cost, flags.

Everything is said twice where it is not sure: *likely* (half of such parts need no more) and *allow* (four of five need
no more). Every figure knows its origin.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from planner.cut.course import (
    Course,
    PlannedPass,
    TouchOff,
    cutting_passes,
    depth_seen,
    edge_path_mm,
    pass_policy,
    plan_course,
    touch_of,
)
from planner.cut.flags import NOT_BEGUN, Flag, job_flags
from planner.cut.headroom import HeadRoom, HeightAfter, head_room, heights_after
from planner.cut.knowledge import Depth, Knowledge, edge_life_mm, skin_factor
from planner.cut.running import BEFORE_TOUCHING, RunState
from planner.cut.setups import CutSetup, band_of, setups_for
from planner.cut.worth import Worth, worth_of
from planner.shop import Aim, Condition, GateKind, GateState, Job, JobState, Origin, Part, Shop, starting
from planner.shop.origin import COMPUTED, MEASURED, STARTING, TYPED, UNKNOWN, learned

CLOSING_MINUTES = 1.0
"""Typing in what came out once the part is off: common practice, no source."""


@dataclass(frozen=True)
class StepTime:
    """A step of the job: ``where`` is "machine" (person and machine), "unattended" (machine alone), "away" (person
    alone). ``is_pass`` tells that the step is one traverse: a job may pause after it."""

    name: str
    minutes: float
    where: str
    is_pass: bool = False


@dataclass(frozen=True)
class Together:
    """How a job is cut by the traverses of a gang: its own ``course`` of them, counted from its own first contact; the
    ``setup`` with the gang's traverse; where the one zero is set; its share, of ``members``, of what the gang still does
    at the machine before it is taken off (likely, and to allow for)."""

    course: Course
    setup: CutSetup
    touch_off: TouchOff
    members: int
    steps: tuple[StepTime, ...]
    steps_allow: tuple[StepTime, ...]


@dataclass(frozen=True)
class JobEstimate:
    """What one job will take. mm, minutes, µm, shop currency; None = unknown. See the module for likely and allow.

    ``passes`` is the course down to the allowed depth, each followed by a look: the job stops where it is clean.
    ``members``: how many lie on the table, cut by the same traverses; its minutes are then its share of theirs, those of
    a pass the whole traverse's.
    """

    job_id: int | None
    setup: CutSetup | None
    depth: Depth
    cleanup_likely_mm: float
    cleanup_allow_mm: float
    stop_likely_mm: float
    stop_allow_mm: float
    passes_likely: tuple[PlannedPass, ...]
    passes: tuple[PlannedPass, ...]
    steps: tuple[StepTime, ...]
    steps_allow: tuple[StepTime, ...]
    touch_off: TouchOff
    path_likely_mm: float
    swept_likely_mm2: float
    edge_share_likely: float | None
    cost_likely: float
    heights: tuple[HeightAfter, ...]
    room: HeadRoom
    left_likely_mm: float | None
    left_allow_mm: float | None
    rebuild_mm: float
    rebuilds_left: int | None
    ra_least_um: float | None
    ra_greatest_um: float | None
    band_um: tuple[float | None, float | None]
    chance_uncleaned: float
    worth_cutting: bool
    flags: tuple[Flag, ...]
    origins: Mapping[str, Origin] = field(default_factory=dict)
    against: tuple[str, ...] = ()
    target_mm: float | None = None
    worth: Worth | None = None
    members: int = 1

    @property
    def plannable(self) -> bool:
        return self.setup is not None

    def minutes(self, where: str, allow: bool = False) -> float:
        """Minutes "machine" (attended), "unattended" or "away"."""
        return math.fsum(s.minutes for s in (self.steps_allow if allow else self.steps) if s.where == where)

    @property
    def left_alone(self) -> Flag | None:
        """Why it is not begun: no pass is worth it before somebody decides, and no minutes are spent on it."""
        if self.setup is None or self.steps:
            return None
        return next(flag for flag in self.flags if flag.code in NOT_BEGUN)

    @property
    def machine_minutes(self) -> float:
        return self.minutes("machine") + self.minutes("unattended")

    @property
    def spindle_minutes(self) -> float:
        """Minutes of the likely traverses, returns included."""
        return math.fsum(p.minutes for p in self.passes_likely) / self.members

    @property
    def spindle_allow_minutes(self) -> float:
        return math.fsum(p.minutes for p in self.passes) / self.members


def estimate_job(
    shop: Shop,
    job: Job,
    knowledge: Knowledge | None = None,
    *,
    depth: Depth | None = None,
    touch_off: TouchOff | None = None,
    gaps_mm: Mapping[str, float] | None = None,
    target_mm: float | None = None,
    machine_id: int | None = None,
    cutter_id: int | None = None,
    run: RunState | None = None,
    together: Together | None = None,
) -> JobEstimate:
    """Estimate a job of the shop.

    ``depth``: clean-up depth from a measurement (default: the family's belief for the part's condition); ``gaps_mm``:
    first-contact height less survey height at each measuring point (None: no survey, taken as 0 against the limit);
    ``target_mm``: the depth a matched set asks for, when deeper than clean-up; ``machine_id``, ``cutter_id``: on
    this machine, with this cutter only; ``run``: its run sheet so far: passes and steps are then those still to come,
    edge use that of the edge at work. ``together``: it is cut with others by the same traverses.
    Raises `InputError` when the job names a part, family or face the shop does not have.
    """
    knowledge = knowledge or Knowledge()
    part, family, face = shop.part_of(job), shop.family_of(shop.part_of(job)), shop.face_of(job)
    band = band_of(shop, face, job.gasket_id)
    setups, against = setups_for(shop, family, face, band, dict(knowledge.finish))
    only = machine_id if machine_id is not None else job.machine_id
    if run is not None and run.machine_id is not None:
        only = run.machine_id
    if only is not None:
        setups = [s for s in setups if s.machine.id == only]
    if cutter_id is not None:
        setups = [s for s in setups if s.cutter.id == cutter_id]
    chosen = preferred(setups) if together is None else together.setup
    belief = depth_seen(depth or knowledge.depth(family, face, part.condition), run)
    group = starting.group(family.material, family.kind)
    touch = touch_off or TouchOff(
        face.points[0].name, shop.settings.paper_mm, None, starting.USUAL_OUT_OF_FLAT_MM[group]
    )
    if run is not None:
        touch = touch_of(run, touch)
    rebuild, rebuild_origin = knowledge.rebuild_mm(family, face)
    room = head_room(part, face, shop.removed_mm.get((part.id, face.id), 0.0), gaps_mm)
    minutes = knowledge.steps(family)
    worth = worth_of(shop, part, family, face, rebuild)
    look = minutes.steps.look
    if together is None:
        course = plan_course(
            shop, job, part, face, chosen, belief, look, room, rebuild, touch, target_mm, run, worth.per_mm
        )
    else:
        course, touch = together.course, together.touch_off
    allow = course.stop_allow
    alone = chosen is not None and not course.worth and job.state is JobState.WAITING
    left_likely, left_allow = room.after(course.stop_likely), room.after(allow)
    rebuilds = None if left_allow is None else max(0, math.floor(left_allow / rebuild + 1e-9))
    capacity, capacity_origin = (
        edge_life_mm(shop, knowledge, family.material, chosen.grade.id) if chosen else (None, UNKNOWN)
    )
    faster = chosen.speed_wear if chosen else 1.0
    skin = skin_factor(shop, knowledge, part.condition) * faster
    capacity_origin = _at_speed(capacity_origin, chosen, faster)
    made = () if run is None else run.passes[run.stretches[-1].until if run.stretches else 0 :]
    path = edge_path_mm(chosen, (*made, *course.likely))
    share = None if capacity is None else path * skin / capacity
    rate = (chosen.hourly_rate if chosen else None) or shop.settings.hourly_rate
    edge_price = 0.0
    if chosen and chosen.grade.price is not None and share is not None:
        edge_price = share * chosen.grade.price / chosen.grade.positions * chosen.cutter.inserts
    shared = (None, None) if together is None else (together.steps, together.steps_allow)
    steps, longest = (
        () if alone else _steps(part, each, passes, _in_set(shop, job), run, own)
        for each, passes, own in zip(
            (minutes.steps, minutes.allowed), (course.likely, course.passes), shared, strict=True
        )
    )
    spent = math.fsum(s.minutes for s in steps) * rate / 60 + edge_price
    estimate = JobEstimate(
        job_id=job.id,
        setup=chosen,
        depth=belief,
        cleanup_likely_mm=belief.likely_mm,
        cleanup_allow_mm=belief.allow_mm,
        stop_likely_mm=course.stop_likely,
        stop_allow_mm=allow,
        passes_likely=course.likely,
        passes=course.passes,
        steps=steps,
        steps_allow=longest,
        touch_off=touch,
        path_likely_mm=path,
        swept_likely_mm2=face.area_mm2 * cutting_passes((*made, *course.likely)),
        edge_share_likely=share,
        cost_likely=spent,
        heights=heights_after(part, face, course.stop_likely, allow, gaps_mm, starting.USUAL_OUT_OF_FLAT_MM[group]),
        room=room,
        left_likely_mm=left_likely,
        left_allow_mm=left_allow,
        rebuild_mm=rebuild,
        rebuilds_left=rebuilds,
        ra_least_um=chosen.ra_least_um if chosen else None,
        ra_greatest_um=chosen.ra_greatest_um if chosen else None,
        band_um=band,
        chance_uncleaned=course.uncleaned,
        worth_cutting=course.worth,
        flags=(),
        origins={
            "depth": TYPED if job.aim is Aim.TO_DEPTH else belief.origin,
            "cleanup": belief.origin,
            "minutes": minutes.origin,
            "edge": capacity_origin,
            "rebuild": rebuild_origin,
            "ra": _finish_origin(knowledge, family.material, chosen),
            "worth": worth.origin,
            "heights": MEASURED if room.measured else UNKNOWN,
            "travel": COMPUTED,
        },
        against=tuple(against) if chosen is None else (),
        target_mm=target_mm,
        worth=worth,
        members=1 if together is None else together.members,
    )
    normal = knowledge.depth(family, face, Condition.NORMAL)
    return replace(estimate, flags=job_flags(estimate, shop, job, part, family, face, normal.allow_mm, run))


def preferred(setups: list[CutSetup]) -> CutSetup | None:
    """The setup with the shortest traverse at finishing feed; the shop's own order where they are alike."""
    return min(setups, key=lambda s: (s.finish.minutes, s.machine.id or 0, s.cutter.id or 0)) if setups else None


def _finish_origin(knowledge: Knowledge, material: str, setup: CutSetup | None) -> Origin:
    if setup is None:
        return UNKNOWN
    model = knowledge.finish.get((material, setup.grade.id))
    return STARTING if model is None or not model.records else learned(model.records, "readings of Ra")


def _at_speed(origin: Origin, setup: CutSetup | None, factor: float) -> Origin:
    """The origin of an edge's life, with what the machine's own speed makes of it."""
    if setup is None or abs(factor - 1.0) < 0.005:
        return origin
    off = setup.speed_m_min / setup.recipe.speed_m_min - 1.0
    said = f"run {abs(off):.0%} {'faster' if off > 0 else 'slower'} than the recipe, wear taken {factor:.2f} times"
    return replace(origin, note=f"{origin.note}; {said}" if origin.note else said)


def _in_set(shop: Shop, job: Job) -> bool:
    return job.id is not None and shop.set_of(job.id) is not None


def _steps(
    part: Part,
    steps: starting.StepMinutes,
    passes: tuple[PlannedPass, ...],
    in_set: bool,
    run: RunState | None,
    shared: tuple[StepTime, ...] | None = None,
) -> tuple[StepTime, ...]:
    """What is still to be done; ``shared``: a gang's part of it, up to the unloading."""
    measured = any(g.kind is GateKind.MEASURE and g.state is GateState.DONE for g in part.route)
    begun = run is not None and run.begun
    found = []
    if not measured and not part.heights and not begun:
        found.append(StepTime("intake check", steps.intake, "away"))
    found += _to_the_last_look(steps, passes, in_set, run) if shared is None else shared
    after = {
        "unload": StepTime("unload", steps.unload, "machine"),
        "measure": StepTime("measure", steps.measure, "away"),
        "edges": StepTime("edges and chamfers", steps.edges, "away"),
        "wash": StepTime("wash and protect", steps.wash, "away"),
    }
    if begun and "unload" in run.steps:
        after["unload"] = StepTime("close the run sheet", CLOSING_MINUTES, "machine")
    found += [step for name, step in after.items() if name == "unload" or not (begun and name in run.steps)]
    return tuple(found)


def _to_the_last_look(
    steps: starting.StepMinutes, passes: tuple[PlannedPass, ...], in_set: bool, run: RunState | None
) -> list[StepTime]:
    """What is still to be done at the machine before the part is taken off it."""
    found = []
    before = {
        "load": StepTime("load", steps.load, "machine"),
        "sweep": StepTime("sweep", steps.sweep, "machine"),
        "shim_round": StepTime("level", steps.shim_round * steps.shim_rounds, "machine"),
        "clamp": StepTime("clamp and re-read", steps.clamp, "machine"),
        "dye": StepTime("dye", steps.dye, "machine"),
        "dry": StepTime("dye dries", steps.dry, "unattended"),
    }
    if run is None or (run.zero is None and not run.passes):
        # what lies before the last step that was tapped was done, tapped or not
        done = max((BEFORE_TOUCHING.index(s) + 1 for s in run.steps if s in BEFORE_TOUCHING), default=0) if run else 0
        found += [before[name] for name in BEFORE_TOUCHING[done:]]
    if run is None or not run.ready_to_cut:
        found.append(StepTime("touch off", steps.touch_off, "machine"))
    if run is not None and run.waits_for_look:
        found.append(StepTime("look", steps.look, "machine"))
    for planned in passes:
        found.append(StepTime(f"{planned.reason.value} pass", planned.minutes, "unattended", is_pass=True))
        found.append(StepTime("look", steps.look, "machine"))
    if in_set and not (run is not None and run.checks):
        found.append(StepTime("check against partner", steps.partner_check, "machine"))
    return found


__all__ = [
    "JobEstimate",
    "PlannedPass",
    "StepTime",
    "Together",
    "TouchOff",
    "cutting_passes",
    "edge_path_mm",
    "estimate_job",
    "pass_policy",
    "preferred",
]
