"""From the shop's nouns and the queue's estimates to the week's own problem."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime, time, timedelta

from planner.cut.estimate import JobEstimate, cutting_passes
from planner.cut.knowledge import Knowledge
from planner.errors import InputError
from planner.shop import (
    Closure,
    Job,
    JobState,
    Machine,
    Overtime,
    Part,
    PartState,
    PassReason,
    Person,
    Shop,
    Window,
    starting,
)
from planner.shop.materials import MATERIALS
from planner.units import System, Units
from planner.week import calendar, model
from planner.week.cooling import cooling
from planner.week.edge_rules import EdgeRules
from planner.week.gang_jobs import gang_jobs, set_of_week
from planner.week.queue import Queue
from planner.week.set_view import SetView
from planner.week.standing import standing_on
from planner.week.staying import keep_together

DAYS = 21
"""How far ahead the calendar reaches: this week, the next, and room for what runs over."""


def week_of(
    shop: Shop,
    queue: Queue,
    now: datetime,
    knowledge: Knowledge | None = None,
    *,
    days: int = DAYS,
    accepted: Mapping[int, tuple[int, ...]] | None = None,
    fixed: Mapping[int, tuple[int, ...]] | None = None,
    pins: Mapping[int, datetime] | None = None,
) -> model.Week:
    """The week's problem from ``now`` on. Ids of the week are the shop's ids as text.

    ``accepted``: machine id -> job ids of the accepted plan, which moves are counted against; ``fixed``: machine id ->
    the running job and the next, which stay first; ``pins``: job id -> the instant it is to start at. Jobs whose part
    waits for somebody are in it as blocked, with the reason, so that they are reported and not forgotten. Raises
    `InputError` when the shop has no machine.
    """
    knowledge = knowledge or Knowledge()
    if not shop.machines:
        raise InputError("machines", (), "at least one machine")
    rules = EdgeRules(shop, queue, knowledge)
    jobs = tuple(_job(shop, job, queue, now, rules, (pins or {}).get(job.id)) for job in shop.open_jobs())
    jobs = gang_jobs(shop, jobs, queue.gangs)
    jobs, together = keep_together(jobs, queue.sets, queue.stays, fixed or {})
    known = {job.id for job in jobs}
    sets = tuple(
        set_of_week(
            view,
            members,
            _measuring(shop, members[0], knowledge),
            _split_price(shop, view),
            together=i in together,
        )
        for i, view in queue.sets.items()
        if len(members := [j for j in view.order if str(j) in known]) >= 2
    )
    return model.Week(
        jobs=jobs,
        machines=tuple(_machine(shop, m, now, days, rules, fixed or {}) for _, m in sorted(shop.machines.items())),
        people=tuple(_person(shop, p, now, days) for _, p in sorted(shop.people.items())),
        sets=sets,
        prices=model.Prices(move=_rate(shop) * 5 / 60, flow_per_min=0.001),
        accepted={str(m): tuple(str(j) for j in order if str(j) in known) for m, order in (accepted or {}).items()},
    )


def _split_price(shop: Shop, view: SetView) -> float:
    """What parting a set costs: the edge and the zero that made its members alike are lost, as a lost match would."""
    return _rate(shop) if view.prices is None else view.prices.setup + 0.5 * view.prices.lost_match


def _rate(shop: Shop) -> float:
    return shop.settings.hourly_rate


def _measuring(shop: Shop, job_id: int, knowledge: Knowledge) -> float:
    family = shop.family_of(shop.part_of(shop.jobs[job_id]))
    return knowledge.steps(family).steps.measure


def _job(shop: Shop, job: Job, queue: Queue, now: datetime, rules: EdgeRules, pinned: datetime | None) -> model.Job:
    part = shop.part_of(job)
    family = shop.family_of(part)
    best = queue.estimates[job.id]
    every = {m: e for (j, m), e in queue.by_machine.items() if j == job.id}
    # a machine on which it is not worth beginning is none of its machines
    estimates = {m: e for m, e in every.items() if e.left_alone is None}
    material = MATERIALS[family.material]
    first = next(iter((estimates or every).values()), best)
    running = job.state is JobState.RUNNING
    return model.Job(
        id=str(job.id),
        steps={str(m): _steps(e, running and job.id not in shop.taps) for m, e in estimates.items()},
        due_min=float("inf") if job.due is None else calendar.minutes_since(now, job.due),
        weight_per_min=shop.settings.late_price_per_hour
        / 60
        * job.weight
        * (starting.RUSH_FACTOR if job.rush else 1.0),
        fixture=family.fixture,
        material=material.chip_family,
        grade=rules.key(first),
        grades={str(m): rules.key(e) for m, e in estimates.items()},
        before_minutes=0.0 if running else sum(s.minutes for s in best.steps if s.where == "away" and _before(s)),
        after=tuple((s.name, s.minutes) for s in best.steps if s.where == "away" and not _before(s) and s.minutes > 0),
        not_before_min=_not_before(shop, part, job, now),
        blocked=_blocked(part, first),
        refused={} if estimates else {str(m): "; ".join(best.against) or "cannot take it" for m in shop.machines},
        touch_off_minutes=rules.knowledge.steps(family).steps.touch_off,
        always_attended=material.never_unattended,
        watch_minutes=starting.WATCH_AFTER_MAGNESIUM_MINUTES if material.never_unattended else 0.0,
        edge_limit=rules.job_limit(job.id),
        edge_age_price=rules.age_price(best),
        pin_machine=str(job.machine_id) if job.machine_id is not None and job.machine_id in shop.machines else "",
        pin_start_min=None if pinned is None or running else max(0.0, calendar.minutes_since(now, pinned)),
        started=running,
    )


def _before(step) -> bool:
    return step.name == "intake check"


def _steps(estimate: JobEstimate, running: bool) -> tuple[model.Step, ...]:
    """The steps at the machine. A running job without a run sheet keeps its passes and what follows; with one, its
    estimate holds only what is still to come."""
    cutting = cutting_passes(estimate.passes_likely)
    share = (estimate.edge_share_likely or 0.0) / max(cutting, 1)
    found, passes = [], iter(estimate.passes_likely)
    for step in estimate.steps:
        if step.where == "away" or step.minutes <= 0:
            continue
        use = 0.0
        where = model.Where.ATTENDED
        if step.is_pass:
            where = model.Where.TRAVERSE
            use = share if next(passes).reason is not PassReason.KISS else 0.0
        elif step.where == "unattended":
            where = model.Where.WAIT
        # the week knows the setting of the zero by this name: after a shift's end it is done again
        kind = "touch-off" if step.name == "touch off" else step.name
        found.append(model.Step(kind, step.minutes, where, use))
    if running:
        first = next((i for i, s in enumerate(found) if s.where is model.Where.TRAVERSE), 0)
        found = found[first:]
    return tuple(found)


def _not_before(shop: Shop, part: Part, job: Job, now: datetime) -> float:
    times = [job.not_before] if job.not_before else []
    if part.state is PartState.EXPECTED and part.expected_on is not None:
        times.append(datetime.combine(part.expected_on, time(0, 0)))
    if (warm := cooling(shop, part, now, job)) is not None:
        times.append(warm.until)
    return max([0.0, *(calendar.minutes_since(now, t) for t in times)])


def _blocked(part: Part, estimate: JobEstimate) -> str:
    """The reason that has no date of its own: gates, holds, no way to cut it."""
    reasons = list(part.waits_for)
    if part.state is PartState.EXPECTED and part.expected_on is not None:
        reasons = reasons[1:]
    if estimate.setup is None:
        reasons += estimate.against or ("no machine can take this face",)
    if estimate.left_alone is not None:
        reasons.append(estimate.left_alone.words(Units(System.METRIC)))
    return "; ".join(reasons)


def _machine(shop, machine: Machine, now, days, rules: EdgeRules, fixed) -> model.Machine:
    rate = (machine.hourly_rate or _rate(shop)) / 60
    now_on_it = standing_on(shop, rules.queue, machine, rules)
    iron_aluminium = starting.CLEANOUT_MINUTES
    families = sorted({m.chip_family for m in MATERIALS.values()})
    cleanout = {}
    for before in families:
        for after in families:
            if before == after:
                continue
            minutes = iron_aluminium
            if after == "magnesium":
                minutes = starting.MAGNESIUM_BEFORE_MINUTES
            elif before == "magnesium":
                minutes = starting.MAGNESIUM_AFTER_MINUTES
            cleanout[before, after] = minutes
    return model.Machine(
        id=str(machine.id),
        windows=windows(machine.hours, _away(shop.closures, machine_id=machine.id), _offers(shop, machine), now, days)
        if machine.hours
        else calendar.machine_windows(now, days, _away(shop.closures, machine_id=machine.id)),
        rate_per_min=rate,
        fixture=now_on_it.fixture,
        material=now_on_it.chips,
        grade=now_on_it.grade,
        fixture_minutes=starting.FIXTURE_CHANGE_MINUTES,
        insert_minutes=starting.SWAP_CUTTER_MINUTES,
        cleanout=cleanout,
        index_minutes=rules.knowledge.index_minutes()[0],
        edges=rules.edges(machine),
        fixed=tuple(str(j) for j in fixed.get(machine.id, ())),
    )


def _person(shop: Shop, person: Person, now: datetime, days: int) -> model.Person:
    machines = person.machine_ids or tuple(shop.machines)
    extra = tuple(o for o in shop.overtime if o.person_id in (None, person.id))
    return model.Person(
        id=str(person.id),
        machines=frozenset(str(m) for m in machines if m in shop.machines),
        windows=windows(person.shifts, _away(shop.closures, person_id=person.id), extra, now, days),
    )


def _offers(shop: Shop, machine: Machine) -> tuple[Overtime, ...]:
    """Overtime in which this machine may run. Its price is the people's: the machine's hours cost nothing more."""
    offers = (o for o in shop.overtime if o.machine_id in (None, machine.id))
    return tuple(replace(o, price_per_hour=0.0) for o in offers)


def _away(
    closures: Iterable[Closure], machine_id: int | None = None, person_id: int | None = None
) -> list[tuple[datetime, datetime]]:
    """Stretches in which the whole shop, this machine or this person is away."""
    found = []
    for closure in closures:
        whole_shop = closure.machine_id is None and closure.person_id is None
        mine = (machine_id is not None and closure.machine_id == machine_id) or (
            person_id is not None and closure.person_id == person_id
        )
        if whole_shop or mine:
            end = datetime.combine(closure.last, time(0, 0)) + timedelta(days=1)
            found.append((datetime.combine(closure.first, time(0, 0)), end))
    return found


def windows(shifts: Iterable[Window], away, overtime, now: datetime, days: int) -> tuple[model.Window, ...]:
    """Weekly shifts as windows of the week, absences cut out, offered overtime in it by name. Of an offer that reaches
    into a shift only what lies outside it is overtime."""
    shifts = tuple(shifts)
    return calendar.person_windows(
        now,
        days,
        [
            calendar.Shift(
                frozenset({w.weekday}),
                _clock(w.start_minute),
                _clock(w.end_minute),
                tuple((_clock(a), _clock(b)) for a, b in w.breaks),
            )
            for w in shifts
        ],
        absences=away,
        overtime=[
            calendar.Overtime(overtime_name(o), start, end, o.price_per_hour / 60)
            for o, start, end in _outside(overtime, shifts)
        ],
    )


def overtime_name(offer: Overtime) -> str:
    """ "Sat 28 Nov 07:00-12:00": people and machines open the same offer together."""
    return f"{offer.start:%a %d %b %H:%M}-{offer.end:%H:%M}"


def _outside(overtime: Iterable[Overtime], shifts: tuple[Window, ...]) -> list[tuple[Overtime, datetime, datetime]]:
    """The stretches of each offer outside the weekly shifts and outside the offers before it."""
    found: list[tuple[Overtime, datetime, datetime]] = []
    for offer in sorted(overtime, key=lambda o: (o.start, o.end)):
        taken = [(a, b) for _, a, b in found]
        day = datetime.combine(offer.start.date(), time(0, 0)) - timedelta(days=1)
        while day <= offer.end:
            for shift in shifts:
                if shift.weekday == day.weekday():
                    taken.append(
                        (day + timedelta(minutes=shift.start_minute), day + timedelta(minutes=shift.end_minute))
                    )
            day += timedelta(days=1)
        pieces = [(offer.start, offer.end)]
        for a, b in taken:
            pieces = [piece for p, q in pieces for piece in ((p, min(q, a)), (max(p, b), q)) if piece[1] > piece[0]]
        found += [(offer, p, q) for p, q in pieces]
    return found


def _clock(minute: int) -> time:
    return time(minute // 60 % 24, minute % 60)
