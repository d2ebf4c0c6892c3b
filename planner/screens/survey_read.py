"""What a sweep says, worked out once and kept while sweep and shop stand still."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import streamlit as st

from planner import InputError
from planner.face import (
    Responsibility,
    SurveyFigures,
    local_flatness,
    minimum_zone,
    place_said,
    responsibility,
    survey_figures,
    told_place,
    usual_place,
)
from planner.screens import access
from planner.screens.kept import kept
from planner.screens.survey_draft import Draft, past_surveys
from planner.shop import Face, FaceSurvey, Goal, Part


@dataclass(frozen=True)
class Read:
    """A sweep worked out: as it lies, levelled to the goal, and what is responsible."""

    survey: FaceSurvey
    lies: SurveyFigures
    level: SurveyFigures
    why: Responsibility
    flatness_mm: float
    local_mm: float | None


def read(draft: Draft, part: Part) -> Read | None:
    """None while fewer than three points are read, or they lie on one line."""
    try:
        survey = draft.survey()
    except InputError:
        return None
    heights = tuple(sorted((n, r.height_mm) for n, r in part.latest_heights_mm(draft.face.id).items()))
    try:
        return _read(draft.face, survey, heights)
    except InputError:
        return None


@st.cache_resource(max_entries=64, show_spinner=False, hash_funcs={Face: repr})
def _read(face: Face, survey: FaceSurvey, heights: tuple) -> Read:
    import numpy as np

    known = dict(heights)
    goal = Goal.LEVEL if survey.goal is Goal.AS_IT_LIES else survey.goal
    points = np.array([(p.x_mm, p.y_mm, p.z_mm) for p in survey.points])
    pits = np.array([p.counted_pit_mm for p in survey.points])
    local = None
    if face.local_span_mm is not None:
        found = local_flatness(points, face.local_span_mm).flatness_mm
        local = None if np.isnan(found) else float(found)
    return Read(
        survey,
        survey_figures(face, survey, known, Goal.AS_IT_LIES),
        survey_figures(face, survey, known, goal),
        responsibility(points, pits),
        float(minimum_zone(points).flatness_mm),
        local,
    )


def place_words(draft: Draft, index: int, survey: FaceSurvey) -> str:
    """A surveyed place in words a machinist can find on the part."""
    return place_said(draft.face, survey.points[index], access.units().length)


@kept(64)
def _usual(which, version: tuple[int, int], face_id: int, _face: Face) -> tuple:
    first, last = [], []
    dye = access.repository().dye_places(face_id)
    cut_at = {part_id: at for part_id, at, _ in dye}
    surveys = past_surveys(_face)
    for survey in surveys:
        try:
            figures = survey_figures(_face, survey)
        except InputError:
            continue
        first.append((survey.at, told_place(_face, survey.points[figures.cut.first_contact]).near))
        # what the cut after it showed counts, not what the survey foresaw
        if cut_at.get(survey.part_id, survey.at) <= survey.at:
            last.append((survey.at, told_place(_face, survey.points[figures.cut.last_to_clean]).near))
    last += [(at, place) for _, at, place in dye]
    first += touched_first(_face, surveys)
    return tuple(usual_place([place for _, place in sorted(seen)]) for seen in (first, last))


def touched_first(face: Face, surveys: list[FaceSurvey]) -> list[tuple[datetime, str]]:
    """Where the cutter met faces first by their touch-offs, of parts nobody swept: a sweep has said it already."""
    named, swept = {p.name for p in face.points}, {}
    for survey in surveys:
        swept.setdefault(survey.part_id, []).append(survey.at)
    found, before = [], {}
    for part_id, at, place in access.repository().first_touches(face.id):
        told = any(before.get(part_id, datetime.min) < when <= at for when in swept.get(part_id, ()))
        # "the highest place" names none
        if place in named and not told:
            found.append((at, place))
        before[part_id] = at
    return found


def usual(face: Face) -> tuple:
    """Where first contact and the last dirty place usually are in this family, by surveys and by touch-offs and looks at
    the machine: two `UsualPlace`, None without record."""
    store = access.repository()
    (shop_version, _), records = store.versions()
    return _usual(access.kind(), (shop_version, records), face.id, face)
