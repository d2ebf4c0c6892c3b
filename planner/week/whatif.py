"""What if: a rush job, a machine down, a Saturday shift, a second person. Each change makes a new `Week`; two plans are
compared in four figures."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import pandas as pd

from planner.errors import InputError, finite

from .calendar import without
from .model import Job, Person, Week, Window
from .search import Plan, Progress, search_week
from .tables import Tables

__all__ = ["Comparison", "compare", "what_if", "with_hours", "with_job", "with_machine_down", "with_person"]


@dataclass(frozen=True)
class Comparison:
    """Two plans side by side. ``figures``: frame with rows late jobs, hours, edges, cost and columns now, then, change.
    ``moved``: jobs on another machine or after another job than now; ``newly_late``, ``no_longer_late``: job ids."""

    now: Plan
    then: Plan
    figures: pd.DataFrame
    moved: tuple[str, ...]
    newly_late: tuple[str, ...]
    no_longer_late: tuple[str, ...]


def with_job(week: Week, job: Job) -> Week:
    """The week with one more job (a rush job: an early due time and a high weight)."""
    return replace(week, jobs=(*week.jobs, job))


def with_machine_down(week: Week, machine: str, from_min: float, to_min: float) -> Week:
    """The week with a machine closed from ``from_min`` to ``to_min``."""
    if machine not in [m.id for m in week.machines]:
        raise InputError("machine", machine, "the id of a machine in this week")
    if not finite("to_min", to_min) > finite("from_min", from_min):
        raise InputError("to_min", to_min, f"a number above from_min ({from_min:g})")
    machines = tuple(
        replace(m, windows=without(m.windows, [(from_min, to_min)])) if m.id == machine else m for m in week.machines
    )
    # Hands that stand at one machine only keep the machine's hours.
    people = tuple(
        replace(p, windows=without(p.windows, [(from_min, to_min)]))
        if p.id == f"at {machine}" and p.machines == frozenset({machine})
        else p
        for p in week.people
    )
    return replace(week, machines=machines, people=people)


def with_hours(week: Week, person: str, start_min: float, end_min: float, *, name: str, price_per_min: float) -> Week:
    """The week with more hours for a person (a Saturday shift), which the plan may open under ``name``. Machines that
    the person may run are open then, too; what lies inside hours that exist already is left out."""
    if person not in [p.id for p in week.people]:
        raise InputError("person", person, "the id of a person in this week")
    if not finite("end_min", end_min) > finite("start_min", start_min):
        raise InputError("end_min", end_min, f"a number above start_min ({start_min:g})")
    runs = next(p.machines for p in week.people if p.id == person)
    people = tuple(
        replace(p, windows=_more(p.windows, start_min, end_min, name, price_per_min)) if p.id == person else p
        for p in week.people
    )
    machines = tuple(
        replace(m, windows=_more(m.windows, start_min, end_min, name, 0.0)) if m.id in runs else m
        for m in week.machines
    )
    return replace(week, people=people, machines=machines)


def _more(windows: tuple[Window, ...], start_min: float, end_min: float, name: str, price: float) -> tuple[Window, ...]:
    """The windows and what of the stretch lies outside them, under a name; a stretch that touches a shift continues
    it."""
    pieces = [(start_min, end_min)]
    for w in windows:
        a, b = w.start_min, w.end_min
        pieces = [piece for p, q in pieces for piece in ((p, min(q, a)), (max(p, b), q)) if piece[1] > piece[0]]
    spans = [(w.start_min, w.end_min, w.overtime, w.price_per_min, w.shift) for w in windows]
    for p, q in pieces:
        touching = [w for w in windows if w.end_min == p or w.start_min == q]
        spans.append((p, q, name, price, touching[0].shift if touching else None))
    spans.sort(key=lambda span: span[0])
    found, last, number = [], object(), -1
    for a, b, title, paid, shift in spans:
        if shift is None or shift != last:
            number += 1
        last = shift
        found.append(Window(a, b, number, title, paid))
    return tuple(found)


def with_person(week: Week, person: Person) -> Week:
    """The week with one more person."""
    return replace(week, people=(*week.people, person))


def what_if(
    now: Plan,
    week: Week,
    seconds: float = 1.0,
    seed: int = 0,
    *,
    steps: int | None = None,
    opened: Iterable[str] | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> Comparison:
    """Plan the changed ``week``, starting from the plan ``now`` among others, and compare."""
    then = search_week(
        Tables(week),
        seconds,
        seed,
        steps=steps,
        progress=progress,
        opened=None if opened is None else frozenset(opened),
        start=now.start,
        begin_with=(now.decision,),
    )
    return compare(now, then)


def _figures(plan: Plan) -> list[float]:
    busy = plan.timeline[plan.timeline.person != ""]
    # what waits for somebody, and the members to be cut after it, are nobody's lateness in either plan
    waiting = {job.id for job in plan.week.jobs if job.blocked}
    for one in plan.week.sets:
        held = [i for i, member in enumerate(one.members) if member in waiting]
        waiting |= set(one.members[held[0] :]) if held else set()
    return [
        float((plan.late_minutes > 0.5).sum() + len(set(plan.unplaceable) - waiting)),
        float((busy.end_min - busy.start_min).sum() / 60.0),
        float(sum(plan.edges.values())),
        plan.cost,
    ]


def compare(now: Plan, then: Plan) -> Comparison:
    """Two plans in four figures: jobs late (those without a place included), hours people are tied up, edges, cost."""
    figures = pd.DataFrame(
        {"now": _figures(now), "then": _figures(then)}, index=["late jobs", "hours", "edges", "cost"]
    )
    figures["change"] = figures.then - figures.now

    def follows(plan: Plan) -> dict[str, tuple[str, str]]:
        known = set(now.jobs.index) & set(then.jobs.index)
        found = {}
        for machine, ids in plan.order.items():
            last = ""
            for one in ids:
                if one in known:
                    found[one] = (machine, last)
                    last = one
        return found

    before, after = follows(now), follows(then)
    moved = tuple(one for one in after if before.get(one) != after[one])
    late = [{one for one, minutes in plan.late_minutes.items() if minutes > 1e-6} for plan in (now, then)]
    return Comparison(now, then, figures, moved, tuple(sorted(late[1] - late[0])), tuple(sorted(late[0] - late[1])))
