"""Nouns as people say them, and tables of them in the person's units."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import pandas as pd

from planner.cut.estimate import JobEstimate
from planner.shop import Aim, DueKind, Job, PassReason, Shop
from planner.units import Units, as_read, minutes_words
from planner.week.queue import Queue
from planner.week.reasons import reason_named

PASS_WORDS = {
    PassReason.KISS: "kiss pass",
    PassReason.SEARCH: "pass, look after it",
    PassReason.FINISH: "finishing pass",
    PassReason.MATCH: "pass to the set's height",
    PassReason.TOOL_MARK: "pass for the tool mark",
}


def job_name(shop: Shop, job_id: int) -> str:
    """ "T3202 deck": tag and face of a job."""
    job = shop.jobs.get(int(job_id))
    if job is None:
        return f"job {job_id}"
    part = shop.parts.get(job.part_id)
    if part is None:
        return f"job {job_id}"
    family = shop.families.get(part.family_id)
    several = family is not None and len(family.faces) > 1
    return f"{part.tag} {shop.face_of(job).name}" if several else part.tag


def when(moment: datetime | None) -> str:
    return "no date" if moment is None else f"{moment:%a %d %b %H:%M}"


def due_words(job: Job) -> str:
    """ "due Fri 27 Nov 15:00", "for the assembly that starts Fri 27 Nov 15:00"."""
    if job.due is None:
        return "no due time"
    moment = f"{job.due:%a %d %b %H:%M}"
    return f"for the assembly that starts {moment}" if job.due_kind is DueKind.ASSEMBLY else f"due {moment}"


def reason_words(shop: Shop, reason: str) -> str:
    """A reason of the week's search, which knows machines and jobs by number, with their names."""
    return reason_named(shop, reason, lambda job_id: job_name(shop, job_id))


def aim_words(job: Job, units: Units) -> str:
    return "till clean" if job.aim is Aim.TILL_CLEAN else f"to {units.depth(job.depth_mm)}"


def likely_allow(likely_mm: float, allow_mm: float, units: Units) -> str:
    """ "likely 3.0, allow 5.0 thou"; one figure where they agree."""
    if units.depth(likely_mm) == units.depth(allow_mm):
        return units.depth(likely_mm)
    return f"likely {units.depth(likely_mm, unit=False)}, allow {units.depth(allow_mm)}"


LEFT_HELP = "Above the limit once the depth to allow for is taken, and how many rebuilds that is."


def left_words(estimate: JobEstimate, units: Units) -> str:
    """Height left above the limit at the depth to allow for, and how many rebuilds that is."""
    if estimate.left_alone is not None:
        uncut = estimate.room.before_mm
        return estimate.room.basis if uncut is None else f"{units.depth(uncut, down=True)}, not cut"
    if estimate.left_allow_mm is None:
        return estimate.room.basis
    if estimate.left_allow_mm < 0:
        return f"{units.depth(-estimate.left_allow_mm)} below the limit"
    rebuilds = estimate.rebuilds_left
    return f"{units.depth(estimate.left_allow_mm, down=True)}, {rebuilds} rebuild{'' if rebuilds == 1 else 's'}"


def set_name(shop: Shop, job_id: int) -> str:
    matched = shop.set_of(job_id)
    return matched.name if matched else ""


def queue_table(
    shop: Shop,
    queue: Queue,
    units: Units,
    ready_at: Mapping[int, datetime] | None = None,
    waits: Mapping[int, str] | None = None,
) -> pd.DataFrame:
    """The queue, one row a job: indexed by job id, in order of due time. ``ready_at``, ``waits``: what the plan says."""
    rows = []
    ready_at, waits = ready_at or {}, waits or {}
    for job in sorted(shop.open_jobs(), key=lambda j: (j.due is None, j.due or datetime.max, j.id)):
        part, estimate = shop.part_of(job), queue.estimates[job.id]
        family = shop.family_of(part)
        planned = ready_at.get(job.id)
        cut = likely_allow(estimate.stop_likely_mm, estimate.stop_allow_mm, units)
        minutes = minutes_words(estimate.machine_minutes)
        if estimate.left_alone is not None:
            cut, minutes = f"none: would need {units.depth(estimate.stop_allow_mm)}", "none"
        rows.append(
            {
                "job": job.id,
                "Part": job_name(shop, job.id),
                "Due": job.due,
                "Ready": planned,
                "Cut": cut,
                "Passes": len(estimate.passes_likely),
                "At the machine": minutes,
                "Waits for": as_read(waits.get(job.id, "; ".join(part.waits_for)), units),
                "Left after": left_words(estimate, units),
                "Condition": part.condition.value,
                "Family": "quick job" if family.one_off else family.name,
                "Set": set_name(shop, job.id),
                "Look at": "; ".join(f.words(units) for f in estimate.flags),
            }
        )
    # what the morning asks first stands left, in sight on a tablet without scrolling
    columns = ["job", "Part", "Due", "Ready", "Cut", "Passes", "At the machine", "Left after", "Waits for"]
    columns += ["Condition", "Family", "Set", "Look at"]
    return pd.DataFrame(rows, columns=columns).set_index("job")
