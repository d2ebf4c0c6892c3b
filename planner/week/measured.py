"""From what was measured to the estimates: intake checks and surveys as what the queue reckons with.

A survey counts before an intake check. After a survey D = surveyed - U + X: U the doubt of the readings, X what a sweep
of a few points does not see.
"""

from __future__ import annotations

from planner.cut import narrow, starting_depth, surveyed_depth
from planner.cut.estimate import TouchOff
from planner.cut.knowledge import Depth, Knowledge
from planner.errors import InputError
from planner.face import SurveyFigures, survey_figures
from planner.shop import Face, FaceSurvey, IntakeCheck, Job, Origin, Shop, Source
from planner.units import MM_PER_THOU
from planner.week.queue import Measured

# what a sweep misses before the record says: a starting value, common practice, no source
MISSED_MM = 0.3 * MM_PER_THOU
MISSED_SIGMA = 0.7
# a clean-up depth known by its interval alone, where the belief holds that interval impossible
INTERVAL_SIGMA = 0.35


def measured_jobs(shop: Shop, knowledge: Knowledge | None = None) -> dict[int, Measured]:
    """What was measured of every open job, by job id; a job nobody measured is not in it."""
    knowledge = knowledge or Knowledge()
    found = {}
    for job in shop.open_jobs():
        survey, check = shop.surveys.get((job.part_id, job.face_id)), shop.checks.get((job.part_id, job.face_id))
        if survey is None and check is None:
            continue
        belief = belief_of(shop, knowledge, job)
        if survey is not None:
            heights = {n: r.height_mm for n, r in shop.part_of(job).latest_heights_mm(job.face_id).items()}
            found[job.id] = measured_by_survey(shop, shop.face_of(job), survey, heights)
        else:
            found[job.id] = Measured(depth=depth_after_check(belief, check))
    return found


def belief_of(shop: Shop, knowledge: Knowledge, job: Job) -> Depth:
    """What is believed of a job's clean-up depth before anything is measured."""
    part = shop.part_of(job)
    return knowledge.depth(shop.family_of(part), shop.face_of(job), part.condition)


def depth_after_check(belief: Depth, check: IntakeCheck) -> Depth:
    """The clean-up depth narrowed to the interval of an intake check."""
    low, high = check.least_mm, check.greatest_mm
    if low <= 0 and high is None:
        return belief
    said = " and ".join(
        words
        for words in (
            f"not below by {check.least_from}" if low > 0 and check.least_from else "",
            f"not above by {check.greatest_from}" if high is not None and check.greatest_from else "",
        )
        if words
    )
    origin = Origin(Source.MEASURED, note=f"intake check ({said})" if said else "intake check")
    bounds = (low,) if high is None else (low, high)
    try:
        depth = narrow(belief.distribution, *bounds)
        if not depth.ppf(0.8) > 0:
            raise InputError("check", bounds, "a depth above 0")
    except InputError:  # measured far from what is believed: then the measurement alone counts
        middle = 1.3 * low if high is None else max((low + high) / 2, high / 4)
        depth = narrow(starting_depth(middle, INTERVAL_SIGMA), *bounds)
    return Depth(depth, origin)


def surveyed(figures: SurveyFigures, points: int) -> Depth:
    """The clean-up depth after a survey of so many points."""
    doubt = figures.doubt
    missed = starting_depth(max(MISSED_MM, doubt.coverage_mm / 2), MISSED_SIGMA)
    depth = surveyed_depth(figures.cut.depth_mm, doubt.reading_mm / 2, missed)
    return Depth(depth, Origin(Source.MEASURED, note=f"survey of {points} points"))


def measured_by_survey(shop: Shop, face: Face, survey: FaceSurvey, heights_mm: dict[str, float]) -> Measured:
    """Depth, touch-off and gaps of a surveyed face."""
    figures = survey_figures(face, survey, heights_mm)
    return Measured(
        depth=surveyed(figures, len(survey.points)),
        touch_off=TouchOff(figures.touch_place, shop.settings.paper_mm, figures.delta_mm),
        gaps_mm=figures.gaps_mm,
    )
