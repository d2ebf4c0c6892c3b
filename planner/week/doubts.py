"""What is not known about the jobs of a shop: passes from clean-up depths, minutes from the spread of such work."""

from __future__ import annotations

import numpy as np

from planner.cut.estimate import JobEstimate
from planner.shop import Aim, JobState, PassReason, Shop
from planner.week.queue import Queue
from planner.week.risk import Doubt, passes_from_depths

ATTENDED_SPREAD = 0.20
AWAY_SPREAD = 0.25
"""Standard deviation of the logarithm of true over planned minutes, with somebody there and at the bench: common
practice, no source. A traverse takes what feed and travel say."""

DEPTHS = 400
"""Depths, equally likely, that stand for a clean-up depth."""

_SEARCHING = (PassReason.SEARCH,)


def doubts_of(shop: Shop, queue: Queue) -> dict[str, Doubt]:
    """What is not known about each open job, by its id as text. A running job's passes are taken as planned: how far it
    is, its run sheet tells. The first member of a gang makes the passes of all, down to the last one's clean-up."""
    from scipy import stats  # late: the first screen does not wait for it

    gangs: dict[int, np.ndarray | None] = {}
    for (first, _), course in queue.gangs.items():
        gangs |= dict.fromkeys(course.job_ids) | {first: np.array(course.pass_counts)}
    found = {}
    for job in shop.open_jobs():
        estimate = queue.estimates[job.id]
        sure = job.aim is Aim.TO_DEPTH or job.state is JobState.RUNNING
        found[str(job.id)] = Doubt(
            passes=None if sure else gangs[job.id] if job.id in gangs else likely_passes(estimate),
            attended_factor=stats.lognorm(ATTENDED_SPREAD),
            away_factor=stats.lognorm(AWAY_SPREAD),
        )
    return found


def likely_passes(estimate: JobEstimate) -> np.ndarray | None:
    """(n,) equally likely numbers of passes, the kiss pass and the finishing pass among them; None where the course is
    not known. A face that a set cuts deeper than clean needs at least the passes to that target."""
    stops = np.array([p.total_mm for p in estimate.passes if p.reason in _SEARCHING])
    if not stops.size or estimate.depth is None:
        return None
    share = (np.arange(DEPTHS) + 0.5) / DEPTHS
    depths = np.asarray(estimate.depth.distribution.ppf(share), float)
    finishing = sum(p.reason is PassReason.FINISH for p in estimate.passes)
    kiss = sum(p.reason is PassReason.KISS for p in estimate.passes)
    count = passes_from_depths(depths, stops, finishing) + kiss
    if estimate.target_mm is not None:
        count = np.where(depths <= estimate.target_mm, len(estimate.passes_likely), count)
        count = np.maximum(count, len(estimate.passes_likely))
    return count
