"""From what was measured to the estimates: intake checks and surveys as what the queue reckons with.

A survey counts before an intake check. After a survey D = surveyed - U + X: U the doubt of the readings, X what a sweep
of a few points does not see.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from planner.cut import DepthPrior, fit_excess, narrow, starting_depth, surveyed_depth
from planner.cut.estimate import TouchOff
from planner.cut.knowledge import Depth, Knowledge, Missed
from planner.errors import InputError
from planner.face import SurveyFigures, survey_figures
from planner.shop import Face, FaceSurvey, FollowedSurvey, IntakeCheck, Job, Origin, Shop, Source
from planner.units import MM_PER_THOU
from planner.week.queue import Measured

# what a sweep misses before the record says: a starting value, common practice, no source
MISSED_MM = 0.3 * MM_PER_THOU
MISSED_SIGMA = 0.7
MISSED_START = Missed(MISSED_MM, MISSED_SIGMA)
PRIOR_RECORDS = 5.0
"""Records that a starting value is worth."""
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
            found[job.id] = measured_by_survey(shop, shop.face_of(job), survey, heights, knowledge.missed)
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
            f"at least by {check.least_from}" if low > 0 and check.least_from else "",
            f"at most by {check.greatest_from}" if high is not None and check.greatest_from else "",
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


@dataclass(frozen=True, eq=False)
class SurveysCut:
    """Surveyed faces that were then cut: depth by the survey, learning interval of the cut, shape (n,) each, and the
    doubt of the readings, mm."""

    surveyed_mm: np.ndarray
    lower_mm: np.ndarray
    upper_mm: np.ndarray
    doubt_mm: float

    def __len__(self) -> int:
        return len(self.surveyed_mm)


def surveys_cut(shop: Shop, followed: Iterable[FollowedSurvey]) -> SurveysCut:
    """What was surveyed and then cut, as far as the face is still known and the cut says an interval."""
    depths, lower, upper, doubts = [], [], [], []
    for one in followed:
        family = shop.family_of(shop.parts[one.survey.part_id]) if one.survey.part_id in shop.parts else None
        faces = family.faces if family else [f for known in shop.families.values() for f in known.faces]
        face = next((f for f in faces if f.id == one.survey.face_id), None)
        if face is None or not one.upper_mm > one.lower_mm:
            continue
        try:
            figures = survey_figures(face, one.survey)
        except InputError:
            continue
        depths.append(figures.cut.depth_mm)
        doubts.append(figures.doubt.reading_mm / 2)
        lower.append(one.lower_mm)
        upper.append(one.upper_mm)
    doubt = math.sqrt(sum(d * d for d in doubts) / len(doubts)) if doubts else 0.0
    return SurveysCut(np.array(depths, dtype=float), np.array(lower, dtype=float), np.array(upper, dtype=float), doubt)


def learn_missed(shop: Shop, followed: Iterable[FollowedSurvey]) -> Missed:
    """What surveys miss, from those that were followed by a cut: D = surveyed - U + X in the cut's learning interval,
    X log-normal with the starting value as prior."""
    known = surveys_cut(shop, followed)
    if not len(known):
        return MISSED_START
    start = DepthPrior(MISSED_MM, MISSED_SIGMA)
    found = fit_excess(known.surveyed_mm, known.lower_mm, known.upper_mm, known.doubt_mm, start)
    return Missed(found.median_mm, found.sigma, len(known))


def surveyed(figures: SurveyFigures, points: int, missed: Missed | None = None) -> Depth:
    """The clean-up depth after a survey of so many points. The more surveys were followed by a cut, the less the spread
    between this survey's own points has to stand for what it misses."""
    known, doubt = missed or MISSED_START, figures.doubt
    unsure = PRIOR_RECORDS / (PRIOR_RECORDS + known.records)
    excess = starting_depth(max(known.median_mm, unsure * doubt.coverage_mm / 2), known.sigma)
    depth = surveyed_depth(figures.cut.depth_mm, doubt.reading_mm / 2, excess)
    learned = ""
    if known.records:
        learned = f", what it misses learned from {known.records} cut{'' if known.records == 1 else 's'}"
    return Depth(depth, Origin(Source.MEASURED, note=f"survey of {points} points{learned}"))


def measured_by_survey(
    shop: Shop, face: Face, survey: FaceSurvey, heights_mm: dict[str, float], missed: Missed | None = None
) -> Measured:
    """Depth, touch-off and gaps of a surveyed face."""
    figures = survey_figures(face, survey, heights_mm)
    return Measured(
        depth=surveyed(figures, len(survey.points), missed),
        touch_off=TouchOff(figures.touch_place, shop.settings.paper_mm, figures.delta_mm),
        gaps_mm=figures.gaps_mm,
    )
