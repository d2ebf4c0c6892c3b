"""Matched sets as they stand: members from the shop's nouns, the cuts that match them, and which to cut first."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.cut.estimate import JobEstimate
from planner.cut.knowledge import Knowledge
from planner.cut.running import fold
from planner.errors import InputError
from planner.match.members import Member, MemberSet, MemberState, SetPlan, plan_members
from planner.match.order import MOST_MEMBERS, OrderAdvice, advise_order
from planner.match.sets import SAME_MM, set_guard
from planner.shop import Aim, HeightReading, HeightStage, Job, JobState, MatchedSet, PartState, Shop
from planner.units import Units

if TYPE_CHECKING:
    from planner.week.queue import Measured

DONE = (JobState.CUT, JobState.FINISHED)


@dataclass(frozen=True)
class StopDepth:
    """Distribution of the depth at which a member stops: its clean-up depth and what the passes overshoot, mm."""

    cleanup: Any
    over_mm: float

    def sf(self, depth_mm: Any) -> Any:
        return self.cleanup.sf(np.asarray(depth_mm, dtype=float) - self.over_mm)

    def isf(self, share: Any) -> Any:
        return self.cleanup.isf(share) + self.over_mm


@dataclass(frozen=True)
class GangDepth:
    """Depth below first contact with the highest member at which the last member of a gang is clean: the greatest of
    the members' own depths (independent), each increased by how far the member stands below the highest, mm."""

    members: tuple[Any, ...]
    below_mm: tuple[float, ...]

    def cdf(self, depth_mm: Any) -> Any:
        depth = np.asarray(depth_mm, dtype=float)
        clean = [m.cdf(depth - b) for m, b in zip(self.members, self.below_mm, strict=True)]
        return np.prod(clean, axis=0)

    def sf(self, depth_mm: Any) -> Any:
        # by the members' own tails: 1 - cdf would lose its digits far out
        depth = np.asarray(depth_mm, dtype=float)
        left = [
            np.log1p(-np.minimum(m.sf(depth - b), 1 - 1e-15)) for m, b in zip(self.members, self.below_mm, strict=True)
        ]
        return -np.expm1(np.sum(left, axis=0))

    def pdf(self, depth_mm: Any) -> Any:
        step = 1e-6
        return (self.cdf(np.asarray(depth_mm) + step) - self.cdf(np.asarray(depth_mm) - step)) / (2 * step)

    def isf(self, share: Any) -> Any:
        """Depth at which a share of such gangs is not clean yet, by halving."""
        share = np.asarray(share, dtype=float)
        low = np.zeros(share.shape)
        high = np.full(
            share.shape, max(float(m.isf(1e-12)) + b for m, b in zip(self.members, self.below_mm, strict=True))
        )
        for _ in range(80):
            middle = 0.5 * (low + high)
            above = self.sf(middle) > share
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return (0.5 * (low + high))[()]

    def ppf(self, share: Any) -> Any:
        return self.isf(1.0 - np.asarray(share, dtype=float))


@dataclass(frozen=True)
class SetPrices:
    """What the order of a set weighs, in the shop's currency: a millimetre, a second setup by member, a lost match."""

    value_per_mm: float
    setups: tuple[tuple[str, float], ...]
    lost_match: float

    @property
    def setup(self) -> float:
        """The dearest second setup."""
        return max(cost for _, cost in self.setups)


@dataclass(frozen=True)
class SetView:
    """A matched set as it stands. ``plan`` None: it cannot be planned yet, ``problems`` say why.

    By job id, mm: ``heights_mm`` present and ``finals_mm`` final height, mean over the points that every member was
    measured at, ``cuts_mm`` what it loses there; ``depths_mm`` depth below first contact; ``least_mm`` least height.
    ``order``: job ids in cutting order; ``advice``: why, None with more members than can be weighed. ``members``: with
    the doubt of their depths; one with a survey counts its heights from first contact. ``gang``: those cut together, by
    the same traverses, ``lying`` the same in that order; ``apart_because``: why a set to be cut so is not. ``stop_mm``:
    greatest mismatch somebody may agree to. ``recut``: finished members that would have to be cut again.
    """

    matched: MatchedSet
    members: MemberSet | None
    plan: SetPlan | None
    order: tuple[int, ...]
    heights_mm: Mapping[int, float] = field(default_factory=dict)
    cuts_mm: Mapping[int, float] = field(default_factory=dict)
    depths_mm: Mapping[int, float] = field(default_factory=dict)
    finals_mm: Mapping[int, float] = field(default_factory=dict)
    least_mm: Mapping[int, float | None] = field(default_factory=dict)
    problems: tuple[str, ...] = ()
    advice: OrderAdvice | None = None
    prices: SetPrices | None = None
    guard_mm: float = 0.0
    stop_mm: float = 0.0
    step_mm: float = 0.0
    least_pass_mm: float = 0.0
    points: tuple[str, ...] = ()
    recut: tuple[int, ...] = ()
    gang: tuple[int, ...] = ()
    lying: MemberSet | None = None
    apart_because: str = ""

    @property
    def feasible(self) -> bool:
        """Whether the open members can be matched to what is finished, all clean and above their limits."""
        return self.plan is not None and self.plan.cuts.feasible and not self.recut

    @property
    def doubts_mm(self) -> dict[str, float]:
        """Doubt of each member's height, by name."""
        return {} if self.members is None else {m.name: m.height_sd_mm for m in self.members.members}

    @property
    def members_as_cut(self) -> MemberSet | None:
        """The members, each of a gang with the depth at which the gang stops."""
        if self.members is None or not self.gang:
            return self.members
        found = tuple(
            replace(m, removal_mm=max(self.depths_mm[j], m.removed_mm)) if j in self.gang else m
            for j, m in zip(self.matched.job_ids, self.members.members, strict=True)
        )
        return replace(self.members, members=found)

    def member(self, job_id: int) -> Member | None:
        """The member of a job."""
        if self.members is None:
            return self.lying.members[self.gang.index(job_id)] if job_id in self.gang else None
        return self.members.members[self.matched.job_ids.index(job_id)]

    def mean_of_check_mm(self, job_id: int, point: str, height_mm: float) -> float:
        """Mean height a check at one point stands for: members are compared by the mean of their points, and the point
        stands as far from it as it did when all of them were measured."""
        member = self.member(job_id)
        own = dict(zip(self.points, member.heights_mm, strict=True)) if member.heights_mm else {}
        return height_mm - (own[point] - member.height_mm if point in own else 0.0)


def gang_of(shop: Shop, matched: MatchedSet) -> tuple[int, ...]:
    """The open jobs of a set that are cut together: those that were put on the table together while two of them are
    there (who was ended has left it), else, in a set to be cut so, all that are open; () where fewer than two are."""
    ids = tuple(j for j in matched.job_ids if j in shop.jobs and shop.jobs[j].state.is_open)
    lying = tuple(j for j in ids if fold(shop.taps.get(j, ())).gang == matched.id)
    found = lying or (ids if matched.gang else ())
    return found if len(found) > 1 else ()


def view_set(
    shop: Shop,
    matched: MatchedSet,
    estimates: Mapping[int, JobEstimate],
    units: Units,
    measured: Mapping[int, Measured] | None = None,
    knowledge: Knowledge | None = None,
    *,
    advise: bool = True,
) -> SetView:
    """Plan one set, its members cut one by one, from their natural course (``estimates`` by job id). ``advise``: weigh
    which to cut first."""
    measured, knowledge = measured or {}, knowledge or Knowledge()
    jobs = [shop.jobs[j] for j in matched.job_ids if j in shop.jobs]
    ids = tuple(j.id for j in jobs)
    least = {j.id: shop.face_of(j).least_height_mm for j in jobs}
    stop = max(matched.tolerance_mm, shop.settings.set_stop_mm if matched.stop_mm is None else matched.stop_mm)
    empty = SetView(matched, None, None, by_state(jobs), least_mm=least, stop_mm=stop)
    if len(jobs) < len(matched.job_ids):
        return replace(empty, problems=("one of its jobs is gone",))
    points = common_points(shop, jobs)
    unknown = [why for job in jobs if (why := missing(shop, job, points))]
    if unknown:
        return replace(empty, points=points, problems=tuple(unknown))
    least_pass = max(
        (e.setup.recipe.least_pass_mm for j in ids if (e := estimates.get(j)) is not None and e.setup is not None),
        default=0.0,
    )
    try:
        found = tuple(member_of(shop, j, estimates.get(j.id), points, measured.get(j.id)) for j in jobs)
        guard = set_guard([m.height_sd_mm for m in found])
        aim = shop.settings.set_aim_mm if matched.aim_mm is None else matched.aim_mm
        accepted = 0.0 if matched.accepted_mismatch_mm is None else matched.accepted_mismatch_mm + guard
        members = MemberSet(
            matched.name,
            found,
            # planned within the aim, or within the tolerance less its guard where that is tighter
            min(aim + guard, matched.tolerance_mm),
            # an agreed mismatch is agreed as measured: no guard is kept off it
            max(matched.tolerance_mm, accepted),
            matched.relative_to_nominal,
        )
        plan = plan_members(
            members,
            doubts_mm={m.name: m.height_sd_mm for m in found},
            step_mm=shop.settings.depth_step_mm,
            least_mm=least_pass,
            show=units.depth,
            show_height=units.height,
        )
        prices = prices_of(shop, jobs, members, estimates, knowledge)
        advice = None
        if advise and len(found) <= MOST_MEMBERS and members.open_members:
            advice = _advise(members, prices, guard, least_pass)
    except InputError as wrong:
        return replace(empty, points=points, problems=(_refusal(wrong),))
    names = [m.name for m in found]
    order = by_state(jobs, members) if advice is None else tuple(ids[names.index(n)] for n in advice.best.order)
    plan, recut, problems = _without_recut(plan, jobs, names, units)
    heights = [_mean(standing_heights(shop, j, points)) for j in jobs]
    heights = {i: m.height_mm if h is None else h for i, h, m in zip(ids, heights, found, strict=True)}
    depths = dict(zip(ids, plan.cuts.cuts_mm.tolist(), strict=True))
    finals = dict(zip(ids, plan.finals_mm.tolist(), strict=True))
    return SetView(
        matched,
        members,
        plan,
        order,
        heights,
        {i: depths[i] - (m.height_mm - heights[i]) for i, m in zip(ids, found, strict=True)},
        depths,
        finals,
        least,
        problems,
        advice,
        prices,
        guard,
        stop,
        shop.settings.depth_step_mm,
        least_pass,
        points,
        tuple(ids[i] for i in recut),
    )


def cut_together(shop: Shop, view: SetView, lying: MemberSet, depths_mm: Mapping[int, float], units: Units) -> SetView:
    """The view of a set of which some members are cut by the same traverses: they end where the gang ends, at these
    depths below their own first contact by job id; what is finished, or cut by itself, stays as it was planned. Where
    the set cannot be planned, those on the table are told all the same. ``lying``: the gang in the view's order."""
    gang = tuple(j for j in view.order if j in depths_mm)
    done = tuple(j for j in view.order if shop.jobs[j].state in DONE)
    rest = tuple(j for j in view.order if j not in done + gang)
    view = replace(view, gang=gang, lying=lying, advice=None, order=done + gang + rest)
    if view.members is None or view.plan is None:
        points = common_points(shop, [shop.jobs[j] for j in gang])
        stand = {j: m.height_mm for j, m in zip(gang, lying.members, strict=True)}
        now = {j: _mean(standing_heights(shop, shop.jobs[j], points)) for j in gang}
        now = {j: stand[j] if height is None else height for j, height in now.items()}
        finals = {j: stand[j] - depths_mm[j] for j in gang}
        lost = {j: now[j] - finals[j] for j in gang}
        return replace(view, heights_mm=now, cuts_mm=lost, depths_mm=dict(depths_mm), finals_mm=finals)
    jobs = [shop.jobs[j] for j in view.matched.job_ids]
    found, given = {m.name: j for m, j in zip(view.members.members, jobs, strict=True)}, view.depths_mm | depths_mm
    removals = {name: given[job.id] for name, job in found.items() if job.state not in DONE}
    members, doubts = view.members, view.doubts_mm
    if len(gang) == len(jobs):
        # on one plane nothing is left to the window
        ends = [m.height_mm - members.offset_mm(m) - removals[m.name] for m in members.members]
        members, doubts = replace(members, aim_mm=float(np.ptp(ends)), stop_mm=float(np.ptp(ends))), None
    plan = plan_members(members, doubts_mm=doubts, removals_mm=removals, show=units.depth, show_height=units.height)
    plan, recut, problems = _without_recut(plan, jobs, list(found), units)
    heights = {job.id: member.height_mm for member, job in zip(members.members, jobs, strict=True)}
    depths = {job.id: removals.get(name, 0.0) for name, job in found.items()}
    return replace(
        view,
        plan=plan,
        cuts_mm={i: depths[i] - (heights[i] - view.heights_mm[i]) for i in depths},
        depths_mm=depths,
        finals_mm={i: heights[i] - depths[i] for i in depths},
        problems=problems,
        recut=tuple(jobs[i].id for i in recut),
    )


def _without_recut(
    plan: SetPlan, jobs: list[Job], names: list[str], units: Units
) -> tuple[SetPlan, tuple[int, ...], tuple[str, ...]]:
    """The plan to work to: within the aim, else within what may pass, without touching a finished member; the places of
    those that would have to be cut again where neither goes; and what is wrong with it, in words."""
    done = np.array([j.state in DONE for j in jobs])
    for cuts in (plan.aim, plan.stop):
        if cuts.feasible and not (cuts.cuts_mm[done] > SAME_MM).any():
            heights = plan.finals_mm + plan.cuts.cuts_mm
            return replace(plan, cuts=cuts, finals_mm=heights - cuts.cuts_mm), (), cuts.problems
    recut = tuple(int(i) for i in np.flatnonzero(done & (plan.cuts.cuts_mm > SAME_MM)))
    again = tuple(
        f"{names[i]} is finished, and would have to be cut again by {units.depth(float(plan.cuts.cuts_mm[i]))}"
        for i in recut
    )
    return plan, recut, plan.cuts.problems + again


def member_of(
    shop: Shop,
    job: Job,
    estimate: JobEstimate | None,
    points: tuple[str, ...] | None = None,
    measured: Measured | None = None,
) -> Member:
    """A job as a member of its set: heights at ``points`` (default all measured), depth at which it stops, limit."""
    part, face = shop.part_of(job), shop.face_of(job)
    readings = standing_heights(shop, job, points)
    everywhere = standing_heights(shop, job)
    heights, everywhere_mm = ([r.height_mm for r in some.values()] for some in (readings, everywhere))
    doubts = [r.repeatability_mm for r in readings.values() if r.repeatability_mm is not None]
    gaps = (measured.gaps_mm if measured is not None else None) or {}
    state, removal, taken = MemberState.NOT_MEASURED, None, 0.0
    if job.state in DONE:
        state = MemberState.FINISHED
    else:
        # A cut to depth d leaves h + gap - d: from first contact on, a survey's gap counts with the height.
        heights = [r.height_mm + gaps.get(name, 0.0) for name, r in readings.items()]
        everywhere_mm = [r.height_mm + gaps.get(name, 0.0) for name, r in everywhere.items()]
        if heights:
            state = MemberState.SURVEYED if gaps else MemberState.CHECKED
            if job.state is JobState.RUNNING:
                state = MemberState.BEING_CUT
        if estimate is not None:
            removal, taken = _removal(job, estimate, measured)
    below = None
    if heights:
        lowest = min(everywhere_mm)
        if state is not MemberState.FINISHED and gaps and estimate is not None and estimate.room.before_mm is not None:
            # a survey tells the lowest corner of the finished face, which may lie outside the measuring points
            lowest = min(lowest, estimate.room.before_mm + (face.least_height_mm or 0.0))
        below = max(0.0, float(np.mean(heights)) - lowest)
    return Member(
        part.tag,
        state,
        heights_mm=tuple(heights),
        removal_mm=removal,
        min_height_mm=face.least_height_mm,
        nominal_mm=face.new_height_mm,
        assumed_height_mm=None if heights else _assumed(shop, job),
        height_sd_mm=max(doubts, default=shop.settings.height_repeatability_mm),
        removed_mm=taken,
        lowest_below_mean_mm=below,
        engine=re.sub(r"[\W_]+", "", part.engine_serial).upper() or None,
        part=part.tag,
    )


def _removal(job: Job, estimate: JobEstimate, measured: Measured | None) -> tuple[Any, float]:
    """Depth at which the member stops (a distribution, or a number where it is fixed), and what is taken already."""
    taken = getattr(measured, "taken_mm", None) or 0.0
    if job.aim is Aim.TO_DEPTH:
        return max(estimate.stop_likely_mm, taken), taken
    over = max(0.0, estimate.stop_likely_mm - estimate.cleanup_likely_mm)
    removal = StopDepth(estimate.depth.distribution, over)
    if taken and not float(removal.sf(taken)) > 0:
        # deeper than was thought possible: the next step, until an estimate from the machine says more
        return taken, taken
    return removal, taken


def standing_heights(shop: Shop, job: Job, points: tuple[str, ...] | None = None) -> dict[str, HeightReading]:
    """Readings a set may be planned on, by point: of a finished member only those taken after its cut; checks while
    clamped are left out, as the part is still to change."""
    part, face = shop.part_of(job), shop.face_of(job)
    latest = part.latest_heights_mm(face.id)
    if job.state in DONE:
        latest = {p: r for p, r in latest.items() if r.stage is HeightStage.FINISHED}
    return latest if points is None else {p: latest[p] for p in points if p in latest}


def common_points(shop: Shop, jobs: list[Job]) -> tuple[str, ...]:
    """Measuring points at which every measured member was measured, in the first one's order."""
    measured = [found for job in jobs if (found := standing_heights(shop, job))]
    if not measured:
        return ()
    return tuple(p for p in measured[0] if all(p in found for found in measured[1:]))


def prices_of(
    shop: Shop, jobs: list[Job], members: MemberSet, estimates: Mapping[int, JobEstimate], knowledge: Knowledge
) -> SetPrices:
    """What the order of a set weighs. A second setup is everything at the machine once more, with one pass."""
    setups, rebuilds = [], []
    for job, member in zip(jobs, members.members, strict=True):
        estimate, family = estimates.get(job.id), shop.family_of(shop.part_of(job))
        steps = knowledge.steps(family).steps
        rate, traverse = shop.settings.hourly_rate, 0.0
        if estimate is not None:
            rebuilds.append(estimate.rebuild_mm)
            if estimate.setup is not None:
                rate, traverse = estimate.setup.hourly_rate or rate, estimate.setup.finish.minutes
        minutes = steps.load + steps.sweep + steps.shim_round * steps.shim_rounds + steps.clamp + steps.touch_off
        minutes += traverse + steps.look + steps.partner_check + steps.unload + steps.measure
        setups.append((member.name, rate / 60 * minutes))
    value = shop.settings.rebuild_value / min(rebuilds) if rebuilds else 0.0
    return SetPrices(value, tuple(setups), shop.settings.uncleaned_cost)


def price_lower(view: SetView) -> OrderAdvice:
    """The advice of a set with cutting the first lower on purpose weighed, too."""
    return _advise(view.members, view.prices, view.guard_mm, view.least_pass_mm, view.step_mm)


# The integrals take tens of milliseconds a set; a set of which nothing changed is not weighed again.
@functools.lru_cache(maxsize=128)
def _advise(
    members: MemberSet, prices: SetPrices, guard_mm: float, least_mm: float, lower_step_mm: float = 0.0
) -> OrderAdvice:
    return advise_order(
        members,
        value_per_mm=prices.value_per_mm,
        setup_cost=dict(prices.setups),
        guard_mm=guard_mm,
        least_mm=least_mm,
        lower_step_mm=lower_step_mm,
        lost_match_cost=prices.lost_match,
    )


def missing(shop: Shop, job: Job, points: tuple[str, ...]) -> str:
    """Why a set cannot be planned with this member yet, in words; "" when it can."""
    tag = shop.part_of(job).tag
    if shop.part_of(job).state is PartState.SCRAPPED:
        return f"{tag} is scrapped: free its partner"
    if standing_heights(shop, job, points):
        return ""
    if job.state in DONE:
        return f"{tag} is cut, but its heights were not measured after the cut: enter them"
    if standing_heights(shop, job):
        return f"{tag} was not measured at the points where its partners were: measure the same points on every member"
    if _assumed(shop, job) is None:
        return f"{tag} has no height yet: measure it, or enter what earlier cuts took"
    return ""


def _assumed(shop: Shop, job: Job) -> float | None:
    """The height a part that was never measured should have: new height less all that was taken."""
    part, face = shop.part_of(job), shop.face_of(job)
    if face.new_height_mm is None or part.removed_before_mm is None:
        return None
    return face.new_height_mm - part.removed_before_mm - shop.removed_mm.get((part.id, face.id), 0.0)


def _refusal(wrong: InputError) -> str:
    what = wrong.field.split(".")[-1].split("[")[0]
    if what == "nominal_mm":
        return f"no new height is known: needed is {wrong.accepted}"
    return f"{wrong.accepted} needed" if wrong.value in (None, "", ()) else f"{wrong.value}: needed is {wrong.accepted}"


def by_state(jobs: list[Job], members: MemberSet | None = None) -> tuple[int, ...]:
    """Finished and running members first, then the one likely to end lowest where that is known."""

    def rank(pair) -> tuple:
        place, job = pair
        natural = 0.0
        if members is not None:
            member = members.members[place]
            natural = (member.height_mm or 0.0) - members.offset_mm(member) - member.likely_removal_mm
        return (job.state not in DONE, job.state is not JobState.RUNNING, natural, job.id)

    return tuple(job.id for _, job in sorted(enumerate(jobs), key=rank))


def _mean(readings: Mapping[str, HeightReading]) -> float | None:
    return float(np.mean([r.height_mm for r in readings.values()])) if readings else None
