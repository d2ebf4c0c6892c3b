"""How long a part stays warm from washing, welding or straightening: a wait in the plan, and no heights meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from planner.shop import Gate, GateKind, GateState, HeightStage, Job, JobState, Part, Shop

_WORDS = {GateKind.CLEAN: "washing", GateKind.WELD: "welding", GateKind.STRAIGHTEN: "straightening"}


@dataclass(frozen=True)
class Cooling:
    """Until when a part may still be warm, and after what."""

    until: datetime
    after: str


def cooling(shop: Shop, part: Part, now: datetime, job: Job | None = None) -> Cooling | None:
    """The cool-down that is not over at ``now``; None for a part that is cool, or of which nobody knows otherwise.

    The time counts from the minute the gate was passed. A weld or straightening of today whose hour nobody wrote down
    counts from now; a washing without its hour does not count. A part that was swept, or whose height was taken with
    its temperature since, is cool; a job on the machine, or one whose earliest hour somebody named since, does not wait.
    """
    if job is not None and job.state is JobState.RUNNING:
        return None
    found = [c for gate in part.route if (c := _after(shop, part, gate, now, job)) is not None]
    return max(found, key=lambda c: c.until, default=None)


def _after(shop: Shop, part: Part, gate: Gate, now: datetime, job: Job | None) -> Cooling | None:
    settings = shop.settings
    minutes = {
        GateKind.CLEAN: settings.wash_cool_minutes,
        GateKind.WELD: settings.weld_cool_minutes,
        GateKind.STRAIGHTEN: settings.weld_cool_minutes,
    }.get(gate.kind, 0.0)
    if gate.state is not GateState.DONE or not minutes:
        return None
    if gate.at is not None:
        since, until = gate.at, gate.at + timedelta(minutes=minutes)
    elif gate.kind is not GateKind.CLEAN and gate.on == now.date():
        since, until = datetime.combine(gate.on, datetime.min.time()), now + timedelta(minutes=minutes)
    else:
        return None
    named = job is not None and job.not_before is not None and job.not_before >= since
    if until <= now or named or _known_cool(shop, part, since):
        return None
    return Cooling(until, _WORDS[gate.kind])


def _known_cool(shop: Shop, part: Part, since: datetime) -> bool:
    """Whether it was measured since as only a cool part is."""
    taken = (r for r in part.heights if r.stage is not HeightStage.CHECK and r.temperature_c is not None)
    swept = (s for (part_id, _), s in shop.surveys.items() if part_id == part.id)
    return any(r.at >= since for r in taken) or any(s.at >= since for s in swept)
