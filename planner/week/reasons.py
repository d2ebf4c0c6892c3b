"""The week's reasons for not placing a job, which know machines and jobs by number, with names."""

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
