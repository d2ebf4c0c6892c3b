"""Around a set as it stands: the open members' targets, whether to stop or go on, and what would help."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, replace

from planner.cut.estimate import JobEstimate
from planner.cut.knowledge import Knowledge
from planner.errors import InputError
from planner.match.members import MemberSet, MemberState
from planner.match.options import Option, what_would_help
from planner.match.pool import PoolPart
from planner.match.stopping import StopOrGoOn, stop_or_go_on
from planner.match.window import PartnerTarget, PassRule, partner_target
from planner.shop import Condition, Gasket, Job, Shop
from planner.units import Units
from planner.week.loose import side_of
from planner.week.set_view import SetView

# Building up a spot and roughing the bead flush: common practice, no source
WELD_MINUTES = 90.0
_WELDED_UP = (Condition.CORRODED, Condition.HEAVILY_CORRODED, Condition.DAMAGED)


@dataclass(frozen=True)
class Target:
    """Where an open member must end. ``gap_mm``: how far its measuring points stand below first contact in the mean,
    to tell heights lost from depths; ``estimate``: its job with that target, instrument figures included."""

    job_id: int
    partner: PartnerTarget
    gap_mm: float
    estimate: JobEstimate


def pass_rule(shop: Shop, estimate: JobEstimate | None) -> PassRule | None:
    """How deep passes of this job may be set; None without a way to cut it."""
    if estimate is None or estimate.setup is None:
        return None
    recipe = estimate.setup.recipe
    greatest = recipe.rough_greatest_mm or recipe.greatest_pass_mm
    return PassRule(recipe.least_pass_mm, greatest, shop.settings.depth_step_mm, recipe.finish_pass_mm)


def target_of(shop: Shop, view: SetView, job_id: int, estimate: JobEstimate, units: Units) -> Target:
    """Window, target and passes of an open member. Raises `InputError` for a set that cannot be planned yet."""
    if view.members is None:
        raise InputError("set", view.matched.name, "a set that can be planned")
    member = view.member(job_id)
    # a gang's passes are its own, and end on the step already
    rule = None if job_id in view.gang else pass_rule(shop, estimate)
    partner = _target(view.members_as_cut, member.name, rule, tuple(view.doubts_mm.items()), units)
    return Target(job_id, partner, member.height_mm - view.heights_mm[job_id], estimate)


@functools.lru_cache(maxsize=128)
def _target(members: MemberSet, name: str, rule: PassRule | None, doubts: tuple, units: Units) -> PartnerTarget:
    return partner_target(members, name, rule=rule, doubts_mm=dict(doubts), show=units.depth, show_height=units.height)


def stop_or_go(
    shop: Shop, view: SetView, job_id: int, estimate: JobEstimate, clean_at_mm: float, units: Units
) -> StopOrGoOn:
    """Whether to stop or go on where this member is clean at ``clean_at_mm`` below first contact. Raises `InputError`
    while no partner is finished."""
    member, setup = view.member(job_id), estimate.setup
    rate = ((setup.hourly_rate if setup else None) or shop.settings.hourly_rate) / 60
    look = next((s.minutes for s in estimate.steps if s.name == "look"), 0.0)
    return stop_or_go_on(
        replace(view.members, stop_mm=max(view.stop_mm, view.members.aim_mm)),
        member.name,
        clean_at_mm=clean_at_mm,
        value_per_mm=view.prices.value_per_mm,
        pass_cost=rate * ((setup.finish.minutes if setup else 0.0) + look),
        greatest_mm=setup.recipe.greatest_pass_mm if setup else shop.settings.fixed_pass_mm,
        setup_cost=view.prices.setup,
        guard_mm=view.guard_mm,
        step_mm=view.step_mm,
        least_mm=view.least_pass_mm,
        show=units.depth,
        show_price=lambda price: f"{shop.settings.currency}{price:.0f}",
    )


def options_of(
    shop: Shop,
    view: SetView,
    estimates: Mapping[int, JobEstimate],
    knowledge: Knowledge,
    pool: tuple[PoolPart, ...],
    units: Units,
) -> tuple[Option, ...]:
    """Ways out for a set that does not fit, those that work first. ``pool``: loose parts, natural final heights as
    measured; only those that could take a member's place are offered."""
    jobs = {shop.part_of(shop.jobs[j]).tag: shop.jobs[j] for j in view.matched.job_ids}
    without = {}
    for member in view.members.members:
        job = jobs[member.name]
        estimate = estimates.get(job.id)
        part = shop.part_of(job)
        if estimate is None or member.state is MemberState.FINISHED or part.condition not in _WELDED_UP:
            continue
        over = max(0.0, estimate.stop_likely_mm - estimate.cleanup_likely_mm)
        welded = knowledge.depth(shop.family_of(part), shop.face_of(job), Condition.WELDED).likely_mm + over
        if welded < member.likely_removal_mm:
            without[member.name] = welded
    return what_would_help(
        replace(view.members, stop_mm=max(view.stop_mm, view.members.aim_mm)),
        value_per_mm=view.prices.value_per_mm,
        setup_cost=view.prices.setup,
        doubts_mm=view.doubts_mm,
        step_mm=view.step_mm,
        least_mm=view.least_pass_mm,
        shelf=gasket_shelf(shop, tuple(jobs.values())),
        most_stacked=2,
        pool=_fitting(shop, view, pool),
        removal_without_spot_mm=without or None,
        weld_cost=shop.settings.hourly_rate / 60 * WELD_MINUTES if without else None,
        show=units.depth,
        show_height=units.height,
    )


def gasket_shelf(shop: Shop, jobs: tuple[Job, ...]) -> tuple[Gasket, ...]:
    """Gaskets that fit the engine: the one planned for these jobs first, then those of the same bore; none while no
    gasket is planned or its bore is not known."""
    planned = next((shop.gaskets[j.gasket_id] for j in jobs if j.gasket_id in shop.gaskets), None)
    if planned is None:
        return ()
    if planned.bore_mm is None:
        return (planned,)
    alike = [g for g in shop.gaskets.values() if g.bore_mm == planned.bore_mm and g.id != planned.id]
    return (planned, *alike)


def _fitting(shop: Shop, view: SetView, pool: tuple[PoolPart, ...]) -> tuple[PoolPart, ...]:
    """Loose parts of the members' family, compared as the set compares."""
    parts = [shop.part_of(shop.jobs[j]) for j in view.matched.job_ids]
    families = {shop.family_of(p).name for p in parts}
    if len(parts) != 2 or len(families) != 1:
        return ()
    sides = {side_of(p) for p in parts}
    nominal = view.members.offset_mm(view.members.members[0])
    return tuple(
        replace(p, final_mm=p.final_mm - nominal, least_mm=None if p.least_mm is None else p.least_mm - nominal)
        for p in pool
        if p.family in families and (p.side is None or p.side in sides)
    )
