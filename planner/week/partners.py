"""What the record of one member of a set changes for its partners, in words, as the week tells it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from planner.cut.estimate import JobEstimate
from planner.shop import Shop
from planner.units import Units, counted, minutes_words
from planner.week.queue import Queue
from planner.week.set_view import DONE, SetView
from planner.week.staying import stay_words


def planned_cut(estimate: JobEstimate | None) -> dict[str, Any]:
    """What an accepted plan keeps of a job's cut, to tell later what changed."""
    if estimate is None:
        return {}
    return {"cut_mm": estimate.stop_likely_mm, "passes": len(estimate.passes_likely)}


def partner_news(payload: Mapping[str, Any] | None, shop: Shop, queue: Queue, units: Units) -> tuple[str, ...]:
    """A line for every open member whose partner was cut since the plan on the wall was accepted (``payload``; without
    one, for every open member with a partner that is cut), and one for every set that cannot stay on one machine and
    cutter."""
    planned = (payload or {}).get("jobs", {})
    lines = [
        f"{queue.sets[i].matched.name}. {stay_words(shop, stay)}"
        for i, stay in queue.stays.items()
        if stay.broken and i in queue.sets
    ]
    for view in queue.sets.values():
        done = [j for j in view.matched.job_ids if j in shop.jobs and shop.jobs[j].state in DONE]
        if payload is not None:
            done = [j for j in done if str(j) in planned]
        if not done:
            continue
        for job_id in view.order:
            if job_id in queue.estimates and shop.jobs[job_id].state not in DONE:
                lines.append(_line(shop, view, done, job_id, queue.estimates[job_id], planned.get(str(job_id)), units))
    return tuple(lines)


def _line(
    shop: Shop,
    view: SetView,
    done: list[int],
    job_id: int,
    estimate: JobEstimate,
    then: Mapping[str, Any] | None,
    units: Units,
) -> str:
    def tag(job: int) -> str:
        return shop.part_of(shop.jobs[job]).tag

    cut = " and ".join(tag(j) for j in done)
    verb = "is" if len(done) == 1 else "are"
    if view.plan is None:
        return f"{cut} {verb} cut; what {tag(job_id)} must lose is not known yet: {'; '.join(view.problems)}."
    at = " and ".join(units.height(view.heights_mm[j]) for j in done)
    begin = f"{cut} {verb} cut and measured at {at}:"
    if not view.feasible:
        return f"{begin} {tag(job_id)} cannot match: {'; '.join(view.problems)}."
    now = f"{tag(job_id)} to {units.depth(estimate.stop_likely_mm)} in {counted(len(estimate.passes_likely), 'pass', 'passes')}"
    if not then or "cut_mm" not in then:
        return f"{begin} {now}."
    same_depth = units.depth(then["cut_mm"]) == units.depth(estimate.stop_likely_mm)
    if same_depth and then["passes"] == len(estimate.passes_likely):
        return f"{begin} {now}, as planned."
    more = math.fsum(s.minutes for s in estimate.steps) - then["minutes"]
    change = f", {'+' if more > 0 else '−'}{minutes_words(abs(more))}" if abs(more) >= 1 else ""
    return f"{begin} {now}; planned were {units.depth(then['cut_mm'])} in {then['passes']}{change}."
