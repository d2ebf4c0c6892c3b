"""Intake checks and surveys as rows of the documented files."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from itertools import groupby
from typing import Any

from planner.face import intake_bound
from planner.shop import FaceSurvey, Goal, IntakeCheck, Settings, SurveyPoint
from planner.store.file_columns import Column, Kind, Table
from planner.store.file_rows import Row

_L, _D = Kind.LENGTH, Kind.DEPTH

INTAKE_CHECKS = Table(
    "feeler_checks",
    "an intake check: the largest feeler that enters on each line, 0 = none, empty = not checked",
    (
        Column("tag", "tag", required=True),
        Column("face", "face", required=True),
        Column("at", "when", Kind.MOMENT, required=True),
        Column("by", "initials"),
        Column("along", "along the length", _D),
        Column("across", "across the width", _D),
        Column("first_diagonal", "front left to back right", _D),
        Column("second_diagonal", "back left to front right", _D),
        Column("pit", "deepest pit", _D),
        Column("pit_place", "where the pit is"),
    ),
)
SURVEY_POINTS = Table(
    "survey_points",
    "one point of a survey of the clamped face; rows of one survey stand together",
    (
        Column("survey", "number of the survey in this file", Kind.WHOLE, required=True),
        Column("tag", "tag", required=True),
        Column("face", "face", required=True),
        Column("at", "when", Kind.MOMENT, required=True),
        Column("by", "initials"),
        Column("point", "name of the point", required=True),
        Column("x", "from the left front corner along the travel", _L, required=True),
        Column("y", "from it across", _L, required=True),
        Column("z", "height, plus where it stands high", _D, required=True),
        Column("pit", "depth of a pit there", _D),
        Column("goal", "how it will lie when cut", Kind.CHOICE, choices=Goal),
    ),
)


def read_checks(source: Any, where: Callable[[Row], Mapping[str, int]], settings: Settings) -> tuple[IntakeCheck, ...]:
    """Intake checks, bounded by the shop's feelers. Raises `InputError`."""

    def build(row: Row) -> IntakeCheck:
        diagonals = (row.get("first_diagonal"), row.get("second_diagonal"))
        bound = intake_bound(settings.feelers_mm, row.get("along"), row.get("across"), diagonals, row.get("pit") or 0.0)
        bounded = bound.sound and math.isfinite(bound.greatest_mm)
        return IntakeCheck(
            **where(row),
            at=row.get("at"),
            least_mm=bound.least_mm,
            greatest_mm=bound.greatest_mm if bounded else None,
            least_from=bound.least_from if bound.least_mm > 0 else "",
            greatest_from=bound.greatest_from if bounded else "",
            pit_mm=row.get("pit"),
            pit_place=row.get("pit_place") or "",
            by=row.get("by") or "",
        )

    return source.nouns(INTAKE_CHECKS, build)


def read_surveys(source: Any, where: Callable[[Row], Mapping[str, int]]) -> tuple[FaceSurvey, ...]:
    """Surveys, their points gathered by number. Raises `InputError`."""
    found = []
    for _, rows in groupby(source.rows(SURVEY_POINTS), key=lambda r: r.get("survey")):
        rows = tuple(rows)
        points = tuple(
            SurveyPoint(r.get("point"), r.get("x"), r.get("y"), r.get("z"), r.get("pit") or 0.0) for r in rows
        )
        first = rows[0]
        found.append(
            FaceSurvey(
                **where(first),
                at=first.get("at"),
                points=points,
                goal=first.get("goal") or Goal.LEVEL,
                repeatability_mm=0.005,
                by=first.get("by") or "",
            )
        )
    return tuple(found)
