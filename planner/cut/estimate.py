"""The estimate of one job: depth, passes with instrument figures, minutes, edge, heights after, cost, flags.

Everything is said twice where it is not sure: *likely* (half of such parts need no more) and *allow* (four of five need
no more). Every figure knows its origin.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from planner.cut.flags import Flag, job_flags
from planner.cut.headroom import HeadRoom, HeightAfter, head_room, heights_after
from planner.cut.knowledge import Depth, Knowledge, edge_life_mm
from planner.cut.passes import FINISH, PassPlan, PassProblem, plan_policy
from planner.cut.schedule import target_passes, worth_a_change
from planner.cut.setups import CutSetup, band_of, setups_for
from planner.errors import InputError, not_negative
from planner.face import TouchOff as Zero
from planner.shop import Aim, Condition, GateKind, GateState, Job, Origin, Part, PassReason, PassRecord, Shop, starting
from planner.shop.origin import COMPUTED, MEASURED, STARTING, TYPED, UNKNOWN


@dataclass(frozen=True)
class TouchOff:
    """How the zero of the depth instrument is set.

    ``delta_mm`` is how far the touch-off place lies below first contact (0 = at first contact, None = unknown, no
    survey); ``paper_mm`` the feeler paper's thickness, 0 if the cutter touches; ``raise_mm`` how much higher the first
    traverse begins when ``delta_mm`` is unknown.
    """

    place: str = ""
    paper_mm: float = 0.0
    delta_mm: float | None = None
    raise_mm: float = 0.0

    def __post_init__(self) -> None:
        not_negative("touch_off.paper_mm", self.paper_mm)
        not_negative("touch_off.raise_mm", self.raise_mm)
        if self.delta_mm is not None:
            not_negative("touch_off.delta_mm", self.delta_mm)

    def below_zero_mm(self, depth_mm: float) -> float:
        """How far below its zero the cutter stands at ``depth_mm`` below first contact: d − δ + t."""
        return Zero(self.delta_mm or 0.0, self.paper_mm).down_mm(depth_mm)


@dataclass(frozen=True)
class PlannedPass:
    """One traverse of the plan. ``total_mm`` is the depth below first contact after it; ``below_zero_mm`` how far the
    cutter stands below touch-off; ``standing_mm`` the figure on the instrument (``turns`` whole turns before it);
    ``needed`` the chance that it is needed at all."""

    reason: PassReason
    finishing: bool
    depth_mm: float
    total_mm: float
    below_zero_mm: float
    standing_mm: float
    turns: int
    minutes: float
    needed: float


@dataclass(frozen=True)
class StepTime:
    """A step of the job: ``where`` is "machine" (person and machine), "unattended" (machine alone), "away" (person
    alone). ``is_pass`` tells that the step is one traverse: a job may pause after it."""

    name: str
    minutes: float
    where: str
    is_pass: bool = False


@dataclass(frozen=True)
class JobEstimate:
    """What one job will take. mm, minutes, µm, shop currency; None = unknown. See the module for likely and allow.

    ``passes`` is the course down to the allowed depth, each followed by a look: the job stops where it is clean.
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
    path_allow_mm: float
    swept_likely_mm2: float
    swept_allow_mm2: float
    edge_share_likely: float | None
    edge_share_allow: float | None
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

    @property
    def plannable(self) -> bool:
        return self.setup is not None

    def minutes(self, where: str, allow: bool = False) -> float:
        """Minutes "machine" (attended), "unattended" or "away"."""
        return math.fsum(s.minutes for s in (self.steps_allow if allow else self.steps) if s.where == where)

    @property
    def machine_minutes(self) -> float:
        return self.minutes("machine") + self.minutes("unattended")

    @property
    def spindle_minutes(self) -> float:
        """Minutes of the likely traverses, returns included."""
        return math.fsum(p.minutes for p in self.passes_likely)

    @property
    def spindle_allow_minutes(self) -> float:
        return math.fsum(p.minutes for p in self.passes)


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
) -> JobEstimate:
    """Estimate a job of the shop.

    ``depth``: clean-up depth from a measurement (default: the family's belief for the part's condition); ``gaps_mm``:
    first-contact height less survey height at each measuring point (None: no survey, taken as 0 against the limit);
    ``target_mm``: the depth a matched set asks for, when deeper than clean-up; ``machine_id``: on this machine only.
    Raises `InputError` when the job names a part, family or face the shop does not have.
    """
    knowledge = knowledge or Knowledge()
    part, family, face = shop.part_of(job), shop.family_of(shop.part_of(job)), shop.face_of(job)
    band = band_of(shop, face, job.gasket_id)
    setups, against = setups_for(shop, family, face, band, dict(knowledge.finish))
    only = machine_id if machine_id is not None else job.machine_id
    if only is not None:
        setups = [s for s in setups if s.machine.id == only]
    chosen = _prefer(setups)
    belief = depth or knowledge.depth(family, face, part.condition)
    group = starting.group(family.material, family.kind)
    touch = touch_off or TouchOff(
        face.points[0].name, shop.settings.paper_mm, None, starting.USUAL_OUT_OF_FLAT_MM[group]
    )
    rebuild, rebuild_origin = knowledge.rebuild_mm(family, face)
    room = head_room(part, face, shop.removed_mm.get((part.id, face.id), 0.0), gaps_mm)
    minutes = knowledge.steps(family)
    course = _course(shop, job, part, face, chosen, belief, minutes.steps, room, rebuild, touch, target_mm)
    allow = course.stop_allow
    left_likely, left_allow = room.after(course.stop_likely), room.after(allow)
    rebuilds = None if left_allow is None else max(0, math.floor(left_allow / rebuild + 1e-9))
    capacity, capacity_origin = (
        edge_life_mm(shop, knowledge, family.material, chosen.grade.id) if chosen else (None, UNKNOWN)
    )
    skin = starting.SKIN_FACTOR[part.condition]
    paths = [edge_path_mm(chosen, passes) for passes in (course.likely, course.passes)]
    shares = [None if capacity is None else path * skin / capacity for path in paths]
    rate = (chosen.hourly_rate if chosen else None) or shop.settings.hourly_rate
    edge_price = 0.0
    if chosen and chosen.grade.price is not None and shares[0] is not None:
        edge_price = shares[0] * chosen.grade.price / chosen.grade.positions * chosen.cutter.inserts
    estimate = JobEstimate(
        job.id,
        chosen,
        belief,
        belief.likely_mm,
        belief.allow_mm,
        course.stop_likely,
        allow,
        course.likely,
        course.passes,
        _steps(part, minutes.steps, course.likely, _in_set(shop, job)),
        _steps(part, minutes.steps, course.passes, _in_set(shop, job)),
        touch,
        paths[0],
        paths[1],
        face.area_mm2 * cutting_passes(course.likely),
        face.area_mm2 * cutting_passes(course.passes),
        shares[0],
        shares[1],
        0.0,
        heights_after(part, face, course.stop_likely, allow, gaps_mm, starting.USUAL_OUT_OF_FLAT_MM[group]),
        room,
        left_likely,
        left_allow,
        rebuild,
        rebuilds,
        chosen.ra_least_um if chosen else None,
        chosen.ra_greatest_um if chosen else None,
        band,
        course.uncleaned,
        course.worth,
        (),
        {
            "depth": TYPED if job.aim is Aim.TO_DEPTH else belief.origin,
            "minutes": minutes.origin,
            "edge": capacity_origin,
            "rebuild": rebuild_origin,
            "ra": STARTING if chosen else UNKNOWN,
            "heights": MEASURED if room.measured else UNKNOWN,
            "travel": COMPUTED,
        },
        tuple(against) if chosen is None else (),
        target_mm,
    )
    spent = math.fsum(s.minutes for s in estimate.steps) * rate / 60 + edge_price
    estimate = replace(estimate, cost_likely=spent)
    normal = knowledge.depth(family, face, Condition.NORMAL)
    return replace(estimate, flags=job_flags(estimate, shop, job, part, family, face, normal.allow_mm))


@dataclass(frozen=True)
class _Course:
    """Both courses of passes, before they are dressed up."""

    likely: tuple[PlannedPass, ...]
    passes: tuple[PlannedPass, ...]
    stop_likely: float
    stop_allow: float
    uncleaned: float = 0.0
    worth: bool = True


def _prefer(setups: list[CutSetup]) -> CutSetup | None:
    """The setup with the shortest traverse at finishing feed; the shop's own order where they are alike."""
    return min(setups, key=lambda s: (s.finish.minutes, s.machine.id or 0, s.cutter.id or 0)) if setups else None


def _in_set(shop: Shop, job: Job) -> bool:
    return job.id is not None and shop.set_of(job.id) is not None


def pass_policy(
    shop: Shop,
    setup: CutSetup,
    depth: Depth,
    look_minutes: float,
    rebuild_mm: float,
    limit_mm: float,
    removed_mm: float = 0.0,
) -> PassPlan:
    """The looking schedule of a part on this setup, from ``removed_mm`` on; `InputError` where none can be made."""
    settings, recipe = shop.settings, setup.recipe
    rate = (setup.hourly_rate or settings.hourly_rate) / 60
    value = settings.rebuild_value / rebuild_mm
    rough_cost = (setup.rough.minutes + look_minutes) * rate
    finish_cost = (setup.finish.minutes + look_minutes) * rate
    one_feed = setup.rough.feed_mm <= setup.finish.feed_mm * (1 + 1e-9) or recipe.finish_pass_mm == 0
    problem = PassProblem(
        depth.distribution,
        finish_cost if one_feed else rough_cost,
        value,
        recipe.least_pass_mm,
        recipe.greatest_pass_mm if one_feed else (recipe.rough_greatest_mm or recipe.greatest_pass_mm),
        settings.depth_step_mm,
        removed_mm=removed_mm,
        finish_mm=0.0 if one_feed else recipe.finish_pass_mm,
        finish_cost=None if one_feed else finish_cost,
        limit_mm=limit_mm,
        uncleaned_cost=None if math.isinf(limit_mm) else settings.uncleaned_cost,
        finish_greatest_mm=None if one_feed else recipe.greatest_pass_mm,
        change_cost=worth_a_change(rate, value),
    )
    return plan_policy(problem)


def _course(shop, job, part, face, setup, belief, steps, room, rebuild, touch, target_mm) -> _Course:
    fixed = job.depth_mm if job.aim is Aim.TO_DEPTH else None
    if setup is None:
        likely, allow = (fixed, fixed) if fixed else (belief.likely_mm, belief.allow_mm)
        return _Course((), (), max(likely, target_mm or 0.0), max(allow, target_mm or 0.0))

    def dress(rows: list) -> tuple[PlannedPass, ...]:
        return _dressed(rows, setup, touch)

    if fixed is not None:
        rows = _to_target(shop, setup, fixed, PassReason.SEARCH)
        return _Course(dress(rows), dress(rows), rows[-1][0], rows[-1][0])
    limits = [x for x in (room.in_hand_mm, part.agreed_depth_mm) if x is not None]
    limit = min(limits) if limits else math.inf
    plan = None
    if limit >= setup.recipe.least_pass_mm:
        plan = pass_policy(shop, setup, belief, steps.look, rebuild, limit)
    if plan is None or not plan.worth_cutting:
        course = _Course((), (), belief.likely_mm, belief.allow_mm, 1.0, worth=False)
    else:
        likely, allow = plan.stop_depth_mm(0.5), plan.stop_depth_mm(0.8)
        course = _Course(
            dress(_search(plan, belief, likely)),
            dress(_search(plan, belief, allow)),
            likely,
            allow,
            plan.chance_uncleaned,
        )
    if target_mm is not None and course.worth and target_mm > course.stop_likely + 1e-6:
        rows = _to_target(shop, setup, target_mm, PassReason.MATCH)
        stop = rows[-1][0]
        deeper = course.stop_allow > stop
        course = _Course(
            dress(rows),
            course.passes if deeper else dress(rows),
            stop,
            max(course.stop_allow, stop),
            course.uncleaned,
        )
    return course


def _dressed(rows: list, setup: CutSetup, touch: TouchOff) -> tuple[PlannedPass, ...]:
    """Rows (depth, finishing, reason, chance needed) as passes with instrument figures, the kiss pass in front."""
    if setup.recipe.kiss_pass:
        rows = [(0.0, False, PassReason.KISS, 1.0), *rows]
    dial, passes, before = setup.machine.instrument, [], 0.0
    for i, (total, finishing, reason, needed) in enumerate(rows):
        below = touch.below_zero_mm(total)
        if i == 0 and reason is PassReason.KISS and touch.delta_mm is None:
            # the high spot may stand anywhere above the touch-off place: come down from above it
            below -= touch.raise_mm
        minutes = (setup.finish if finishing else setup.rough).minutes
        standing, turns = dial.standing_mm(below), dial.whole_turns(below)
        passes.append(PlannedPass(reason, finishing, total - before, total, below, standing, turns, minutes, needed))
        before = total
    return tuple(passes)


def cutting_passes(passes: Iterable[PlannedPass | PassRecord]) -> int:
    """How many passes count for the edge: the kiss pass only touches the high spots."""
    return sum(p.reason is not PassReason.KISS for p in passes)


def edge_path_mm(setup: CutSetup | None, passes: Iterable[PlannedPass | PassRecord]) -> float:
    """Path of each edge in the material, of planned or of recorded passes; the kiss pass left out."""
    return math.fsum(
        (setup.finish if p.finishing else setup.rough).path_mm for p in passes if p.reason is not PassReason.KISS
    )


def _to_target(shop: Shop, setup: CutSetup, target_mm: float, reason: PassReason) -> list:
    """Passes to a fixed depth, the last at finishing feed."""
    recipe = setup.recipe
    greatest = recipe.rough_greatest_mm or recipe.greatest_pass_mm
    try:
        plan = target_passes(
            target_mm,
            recipe.least_pass_mm,
            greatest,
            shop.settings.depth_step_mm,
            recipe.finish_pass_mm,
            finish_greatest_mm=recipe.greatest_pass_mm,
        )
        totals = plan.totals_mm
    except InputError:
        # shallower than the least pass: one finishing pass of just that depth
        totals = (target_mm,)
    last = len(totals) - 1
    return [(total, i == last, reason, 1.0) for i, total in enumerate(totals)]


def _search(plan: PassPlan, belief: Depth, stop_mm: float) -> list:
    """The schedule down to a stop depth, with the finishing pass where the feed before it was roughing."""
    totals, found = plan.totals_mm, []
    needed = np.concatenate([[1.0], np.asarray(belief.distribution.sf(totals[:-1]), dtype=float)])
    two_feeds = plan.policy.problem.two_feeds
    for i, total in enumerate(totals):
        rough = two_feeds and plan.feeds[i] != FINISH
        found.append((float(total), not rough, PassReason.SEARCH, float(needed[i])))
        end = total + (plan.policy.problem.finish_mm if rough else 0.0)
        if end >= stop_mm - 1e-9:
            if rough:
                found.append((float(end), True, PassReason.FINISH, float(needed[i])))
            break
    return found


def _steps(part: Part, steps: starting.StepMinutes, passes: tuple[PlannedPass, ...], in_set: bool):
    measured = any(g.kind is GateKind.MEASURE and g.state is GateState.DONE for g in part.route)
    found = []
    if not measured and not part.heights:
        found.append(StepTime("intake check", steps.intake, "away"))
    found += [
        StepTime("load", steps.load, "machine"),
        StepTime("sweep", steps.sweep, "machine"),
        StepTime("level", steps.shim_round * steps.shim_rounds, "machine"),
        StepTime("clamp and re-read", steps.clamp, "machine"),
        StepTime("dye", steps.dye, "machine"),
        StepTime("dye dries", steps.dry, "unattended"),
        StepTime("touch off", steps.touch_off, "machine"),
    ]
    for planned in passes:
        found.append(StepTime(f"{planned.reason.value} pass", planned.minutes, "unattended", is_pass=True))
        found.append(StepTime("look", steps.look, "machine"))
    if in_set:
        found.append(StepTime("check against partner", steps.partner_check, "machine"))
    found += [
        StepTime("unload", steps.unload, "machine"),
        StepTime("measure", steps.measure, "away"),
        StepTime("edges and chamfers", steps.edges, "away"),
        StepTime("wash and protect", steps.wash, "away"),
    ]
    return tuple(found)
