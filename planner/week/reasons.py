"""What the week knows by number, with names: reasons for not placing a job, and people."""

from __future__ import annotations

import re
from collections.abc import Callable

from planner.shop import Shop
from planner.week.tables import BEHIND

_JOB = re.compile(rf"(?<=waits for )\d+(?=, {re.escape(BEHIND)})")


def reason_named(shop: Shop, reason: str, job_name: Callable[[int], str]) -> str:
    """A reason of `planner.week.search.Plan.unplaceable` or of a change, as people say it."""
    parts = []
    for part in reason.split("; "):
        number, colon, rest = part.partition(": ")
        machine = shop.machines.get(int(number)) if colon and number.isdigit() else None
        parts.append(f"{machine.name}: {rest}" if machine else part)
    return _JOB.sub(lambda job: job_name(int(job[0])), "; ".join(parts))


def person_named(shop: Shop, person: str) -> str:
    """A person of the week as people say it: hands that belong to a machine are "at" it."""
    if person.isdigit() and int(person) in shop.people:
        return shop.people[int(person)].name
    machine = person.removeprefix("at ")
    if machine != person and machine.isdigit() and int(machine) in shop.machines:
        return f"at {shop.machines[int(machine)].name}"
    return person
