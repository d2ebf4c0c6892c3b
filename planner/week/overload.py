"""More work than hours: what is late, and what would cure it, each cure planned and priced like any other week."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from planner.shop import Overtime, Shop
from planner.week.board import LATE_MINUTES
from planner.week.calendar import minutes_since
from planner.week.model import Person, Week
from planner.week.search import Plan
from planner.week.whatif import Comparison, what_if, with_hours, with_person

CURE_STEPS = 30
SATURDAY, FROM, TO = 5, time(7), time(12)
SURCHARGE = 0.5
"""Share of the hourly rate paid on top for overtime: common practice, no source; an offer entered on the page Shop
has a price of its own."""


@dataclass(frozen=True)
class Overload:
    """``late``: job id -> minutes late, the latest first; ``unplaced``: jobs that do not end within the hours."""

    late: dict[int, float]
    unplaced: tuple[int, ...]

    @property
    def minutes(self) -> float:
        return math.fsum(self.late.values())

    def __bool__(self) -> bool:
        return bool(self.late or self.unplaced)


@dataclass(frozen=True)
class Cure:
    """``words`` say what would be done; ``offer``: the overtime to store for it, where that is what it takes."""

    words: str
    comparison: Comparison
    offer: Overtime | None = None

    @property
    def late_jobs(self) -> int:
        return int(self.comparison.figures.then["late jobs"])

    @property
    def cost(self) -> float:
        """Money against the plan as it is; below 0: it saves."""
        return float(self.comparison.figures.change["cost"])

    @property
    def helps(self) -> bool:
        """Whether fewer jobs are late with it, or the week is cheaper."""
        return self.comparison.figures.change["late jobs"] < 0 or self.cost <= -0.5


def overload_of(plan: Plan) -> Overload:
    """What the hours do not hold."""
    late = plan.late_minutes[plan.late_minutes > LATE_MINUTES].sort_values(ascending=False)
    beyond = tuple(int(j) for j, why in plan.unplaceable.items() if "within the hours" in why)
    return Overload({int(j): float(minutes) for j, minutes in late.items()}, beyond)


def next_saturday(now: datetime) -> datetime:
    """Midnight of the Saturday to come."""
    day = datetime.combine(now.date(), time(0)) + timedelta(days=(SATURDAY - now.weekday()) % 7)
    return day if datetime.combine(day.date(), TO) > now else day + timedelta(days=7)


def overtime_price(shop: Shop, person_id: int) -> float:
    """Money an hour on top that an hour of overtime of this person is taken for."""
    return SURCHARGE * (shop.people[person_id].hourly_rate or shop.settings.hourly_rate)


def with_overtime(week: Week, offer: Overtime, start: datetime) -> Week:
    """The week with an offer the plan may take, for its person."""
    return with_hours(
        week,
        str(offer.person_id),
        max(0.0, minutes_since(start, offer.start)),
        minutes_since(start, offer.end),
        name=f"{offer.start:%a %d %b %H:%M}-{offer.end:%H:%M}",
        price_per_min=offer.price_per_hour / 60,
    )


def second_person(week: Week, like: str) -> Person:
    """Another pair of hands: the hours of somebody who is there, any machine."""
    model = next(p for p in week.people if p.id == like)
    machines = frozenset(machine.id for machine in week.machines)
    return Person("one more", machines, tuple(w for w in model.windows if not w.overtime), model.bench)


def cures(
    shop: Shop, plan: Plan, *, steps: int = CURE_STEPS, progress: Callable[[float], None] | None = None
) -> tuple[Cure, ...]:
    """What would help against an overload, best first: a Saturday of each person, one more
    person. Each is searched ``steps`` steps from the plan as it is."""
    week, start = plan.week, plan.start
    saturday = next_saturday(start)
    tries: list[tuple[str, Week, Overtime | None]] = []
    for person in week.people:
        if not person.id.isdigit() or int(person.id) not in shop.people:
            continue
        noun = shop.people[int(person.id)]
        at = (datetime.combine(saturday.date(), FROM), datetime.combine(saturday.date(), TO))
        offer = Overtime(*at, overtime_price(shop, noun.id), person_id=noun.id)
        said = f"{noun.name} works {saturday:%a %d %b} {FROM:%H:%M} to {TO:%H:%M}"
        tries.append((said, with_overtime(week, offer, start), offer))
    if week.people:
        longest = max(week.people, key=lambda p: sum(w.end_min - w.start_min for w in p.windows))
        tries.append(("One more person on any machine", with_person(week, second_person(week, longest.id)), None))
    found = []
    for i, (said, changed, offer) in enumerate(tries):

        def tell(step, i: int = i) -> None:
            if progress is not None:
                progress((i + step.share) / len(tries))

        found.append(Cure(said, what_if(plan, changed, steps=steps, progress=tell), offer))
    return tuple(sorted(found, key=lambda c: (c.late_jobs, c.cost)))
