"""The course of passes of one job: from its beginning, or from where its run sheet stands."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from planner.cut.depths import narrow, starting_depth
from planner.cut.headroom import HeadRoom
from planner.cut.knowledge import Depth
from planner.cut.passes import FINISH, PassPlan, PassProblem, plan_policy
from planner.cut.running import RunState, Zeroed
from planner.cut.schedule import target_passes, worth_a_change
from planner.cut.setups import CutSetup
from planner.errors import InputError, not_negative
from planner.shop import Aim, Face, Job, Origin, Part, PassReason, PassRecord, Shop, Source
from planner.units import MM_PER_THOU

MAGNESIUM_LEAST_MM = MM_PER_THOU
"""No pass in magnesium is finer, and the first goes this far below the mark: rubbing cuts make fine, hot chips."""


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
        """How far below its zero the cutter stands at ``depth_mm`` below first contact."""
        return Zeroed(self.place, self.paper_mm, self.delta_mm).below_mm(depth_mm)


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
class Course:
    """Both courses of passes still to come: ``likely`` and, down to the allowed depth, ``passes``; where they stop.
    ``plan``: the looking schedule they follow, None where none is looked for."""

    likely: tuple[PlannedPass, ...]
    passes: tuple[PlannedPass, ...]
    stop_likely: float
    stop_allow: float
    uncleaned: float = 0.0
    worth: bool = True
    plan: PassPlan | None = None


def pass_policy(
    shop: Shop,
    setup: CutSetup,
    depth: Depth,
    look_minutes: float,
    rebuild_mm: float,
    limit_mm: float,
    removed_mm: float = 0.0,
    value_per_mm: float | None = None,
) -> PassPlan:
    """The looking schedule of a part on this setup, from ``removed_mm`` on; `InputError` where none can be made.

    ``value_per_mm``: money a mm of thickness is worth (`worth_of`); None = the shop's value of a rebuild.
    """
    settings, recipe = shop.settings, setup.recipe
    rate = (setup.hourly_rate or settings.hourly_rate) / 60
    value = settings.rebuild_value / rebuild_mm if value_per_mm is None else value_per_mm
    rough_cost = (setup.rough.minutes + look_minutes) * rate
    finish_cost = (setup.finish.minutes + look_minutes) * rate
    one_feed = setup.rough.feed_mm <= setup.finish.feed_mm * (1 + 1e-9) or recipe.finish_pass_mm == 0
    problem = PassProblem(
        depth.distribution,
        finish_cost if one_feed else rough_cost,
        value,
        least_pass_mm(setup),
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


def least_pass_mm(setup: CutSetup) -> float:
    """The least pass of a setup; never finer than a thou in magnesium."""
    least = setup.recipe.least_pass_mm
    if setup.recipe.material == "magnesium":
        # a recipe whose greatest pass is finer still is a person's, who signed it
        least = min(max(least, MAGNESIUM_LEAST_MM), setup.recipe.greatest_pass_mm)
    return least


def depth_seen(belief: Depth, run: RunState | None) -> Depth:
    """The clean-up depth given what the looks have shown so far."""
    if run is None or not run.passes or (run.not_clean_mm == 0 and run.clean_mm is None):
        return belief
    low = run.not_clean_mm
    high = math.inf if run.clean_mm is None else max(run.clean_mm, low + 1e-4)
    origin = Origin(Source.MEASURED, note="as seen on the run sheet")
    try:
        return Depth(narrow(belief.distribution, low, high), origin)
    except InputError:
        # deeper than anything believed possible: from here on a sixth more, give or take
        return Depth(narrow(starting_depth(max(low, 1e-3) * 1.15, 0.2), low, high), origin)


def touch_of(run: RunState, usual: TouchOff) -> TouchOff:
    """How the zero stands, as it was set at the machine."""
    zero = run.zero
    if zero is None:
        return usual
    return TouchOff(zero.place, zero.offset_mm, zero.below_first_mm, usual.raise_mm)


def plan_course(
    shop: Shop,
    job: Job,
    part: Part,
    face: Face,
    setup: CutSetup | None,
    belief: Depth,
    look_minutes: float,
    room: HeadRoom,
    rebuild_mm: float,
    touch: TouchOff,
    target_mm: float | None = None,
    run: RunState | None = None,
    value_per_mm: float | None = None,
) -> Course:
    """The passes of a job on its setup; with ``run`` those still to come, never past the limit or the agreed depth.
    ``value_per_mm`` as for `pass_policy`."""
    fixed = job.depth_mm if job.aim is Aim.TO_DEPTH else None
    if setup is None:
        likely, allow = (fixed, fixed) if fixed else (belief.likely_mm, belief.allow_mm)
        return Course((), (), max(likely, target_mm or 0.0), max(allow, target_mm or 0.0))
    limits = [x for x in (room.in_hand_mm, part.agreed_depth_mm) if x is not None]
    limit = min(limits) if limits else math.inf
    worth = (rebuild_mm, value_per_mm)
    return course_within(shop, setup, belief, look_minutes, worth, touch, limit, fixed, target_mm, run)


def course_within(
    shop: Shop,
    setup: CutSetup,
    belief: Depth,
    look_minutes: float,
    worth: tuple[float, float | None],
    touch: TouchOff,
    limit_mm: float = math.inf,
    fixed_mm: float | None = None,
    target_mm: float | None = None,
    run: RunState | None = None,
) -> Course:
    """The passes that are made on this setup down to where it is clean, to ``fixed_mm``, or deeper to ``target_mm``;
    never past ``limit_mm``. ``worth``: mm of a rebuild, and money a mm is worth as for `pass_policy`."""
    fixed, limit = fixed_mm, limit_mm
    if run is not None and run.passes:
        return _ahead(shop, setup, belief, look_minutes, worth, touch, fixed, target_mm, limit, run)

    def dress(rows: list) -> tuple[PlannedPass, ...]:
        return _dressed(rows, setup, touch, kiss=kisses(setup))

    if fixed is not None:
        rows = _to_target(shop, setup, fixed, PassReason.SEARCH, limit)
        return Course(dress(rows), dress(rows), rows[-1][0], rows[-1][0])
    plan = None
    if limit >= setup.recipe.least_pass_mm:
        plan = pass_policy(shop, setup, belief, look_minutes, worth[0], limit, value_per_mm=worth[1])
    if plan is None or not plan.worth_cutting:
        course = Course((), (), belief.likely_mm, belief.allow_mm, 1.0, worth=False)
    else:
        likely, allow = plan.stop_depth_mm(0.5), plan.stop_depth_mm(0.8)
        course = Course(
            dress(_search(plan, belief, likely)),
            dress(_search(plan, belief, allow)),
            likely,
            allow,
            plan.chance_uncleaned,
            plan=plan,
        )
    if target_mm is not None and course.worth and target_mm > course.stop_likely + 1e-6:
        rows = _to_target(shop, setup, target_mm, PassReason.MATCH, limit)
        stop = rows[-1][0]
        deeper = course.stop_allow > stop
        course = Course(
            dress(rows),
            course.passes if deeper else dress(rows),
            stop,
            max(course.stop_allow, stop),
            course.uncleaned,
            plan=plan,
        )
    return course


def _ahead(shop, setup, belief, look_minutes, worth, touch, fixed, target_mm, limit, run: RunState) -> Course:
    """What is still to come once passes were made. No pass is listed where the person must stop and call."""
    removed = run.removed_mm
    kiss = 0.0 if run.raised_mm is None else run.raised_mm

    def dress(rows: list) -> tuple[PlannedPass, ...]:
        return _dressed(rows, setup, touch, removed, kiss > 1e-9, max(0.0, kiss - setup.recipe.usual_pass_mm))

    def down_to(depth_mm: float, reason: PassReason) -> list:
        rest = depth_mm - removed
        if rest <= 1e-6:
            return []
        return [(removed + row[0], *row[1:]) for row in _to_target(shop, setup, rest, reason, limit - removed)]

    def within(rows: list) -> list:
        return [row for row in rows if row[0] <= limit + 1e-6]

    if run.clean_mm is not None or fixed is not None:
        rows = down_to(max(fixed or 0.0, target_mm or 0.0), PassReason.SEARCH if fixed else PassReason.MATCH)
        if not rows and not run.passes[-1].finishing and _two_feeds(setup):
            rows = [(removed + setup.recipe.finish_pass_mm, True, PassReason.FINISH, 1.0)]
        rows = within(rows)
        stop = rows[-1][0] if rows else removed
        return Course(dress(rows), dress(rows), stop, stop)
    plan = None
    if limit - removed >= least_pass_mm(setup) - 1e-9:
        plan = pass_policy(shop, setup, belief, look_minutes, worth[0], limit, removed, worth[1])
    if plan is None or not plan.worth_cutting:
        return Course((), (), max(removed, belief.likely_mm), max(removed, belief.allow_mm), 1.0, worth=False)
    likely, allow = plan.stop_depth_mm(0.5), plan.stop_depth_mm(0.8)
    rows_likely, rows_allow = _search(plan, belief, likely), _search(plan, belief, allow)
    if target_mm is not None and target_mm > likely + 1e-6:
        rows_likely = within(down_to(target_mm, PassReason.MATCH)) or rows_likely
        # look for clean-up first: the set's depth is reached once it is clean
        likely, allow = rows_likely[-1][0], max(allow, rows_likely[-1][0])
    return Course(dress(rows_likely), dress(rows_allow), likely, allow, plan.chance_uncleaned, plan=plan)


def kisses(setup: CutSetup) -> bool:
    """Whether a kiss pass stands in front; never in magnesium."""
    return setup.recipe.kiss_pass and setup.recipe.material != "magnesium"


def _two_feeds(setup: CutSetup) -> bool:
    return setup.rough.feed_mm > setup.finish.feed_mm * (1 + 1e-9) and setup.recipe.finish_pass_mm > 0


def _dressed(
    rows: list,
    setup: CutSetup,
    touch: TouchOff,
    before_mm: float = 0.0,
    kiss: bool = False,
    raise_mm: float | None = None,
) -> tuple[PlannedPass, ...]:
    """Rows (depth, finishing, reason, chance needed) as passes with instrument figures; ``kiss``: one in front, raised
    by ``raise_mm`` (None: as the touch-off says) while first contact is unknown."""
    if kiss and rows:
        rows = [(0.0, False, PassReason.KISS, 1.0), *rows]
    dial, passes, before = setup.machine.instrument, [], before_mm
    for i, (total, finishing, reason, needed) in enumerate(rows):
        below = touch.below_zero_mm(total)
        if i == 0 and reason is PassReason.KISS and touch.delta_mm is None:
            # the high spot may stand anywhere above the touch-off place: come down from above it
            below -= touch.raise_mm if raise_mm is None else raise_mm
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


def _to_target(shop: Shop, setup: CutSetup, target_mm: float, reason: PassReason, limit_mm: float = math.inf) -> list:
    """Passes to a fixed depth, the last at finishing feed. Rounding to the step does not carry a target past a limit it
    keeps; one that passes the limit as it stands is what somebody asked for, and flagged."""
    if target_mm > limit_mm + 1e-9:
        limit_mm = math.inf
    recipe = setup.recipe
    greatest = recipe.rough_greatest_mm or recipe.greatest_pass_mm
    try:
        plan = target_passes(
            target_mm,
            recipe.least_pass_mm,
            greatest,
            shop.settings.depth_step_mm,
            recipe.finish_pass_mm,
            limit_mm=limit_mm,
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
