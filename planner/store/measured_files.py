"""Intake checks and surveys as rows of the documented files, written and read."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from itertools import groupby
from typing import Any

from planner.face import intake_bound
from planner.shop import FaceSurvey, Goal, IntakeCheck, Settings, SurveyPoint, SurveyStage
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
        Column("least", "least clean-up depth, as worked out; both depths empty = from the feelers", _D),
        Column("greatest", "greatest clean-up depth, as worked out; empty = not bounded above", _D),
        Column("least_from", "which reading says the least"),
        Column("greatest_from", "which readings say the greatest"),
    ),
)
SURVEY_POINTS = Table(
    "survey_points",
    "one point of a survey of a face; rows of one survey stand together, what holds for all of it is read in the first",
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
        Column("accepted", "whether that pit may stay", Kind.YES_NO),
        Column("goal", "how it will lie when cut", Kind.CHOICE, choices=Goal),
        Column("stage", "as clamped (usual), or of the finished face", Kind.CHOICE, choices=SurveyStage),
        Column("job", "the job's number", Kind.WHOLE),
        Column("touch_place", "the point where the zero is set; empty = where it is met first"),
        Column("division", "one division of the indicator; empty = half a thou", _D),
        Column("repeatability", "how well one place repeats, one standard deviation; empty = 0.2 thou", _D),
        Column("datum_along", "slope of the datum along the travel, empty = unknown", Kind.NUMBER),
        Column("datum_across", "slope of the datum across it", Kind.NUMBER),
    ),
)
LINES = {"along": "along", "across": "across", "first": "first_diagonal", "second": "second_diagonal"}
"""Straightedge lines as an intake check keeps them, and their columns."""
DIVISION_MM, REPEATABILITY_MM = 0.0127, 0.005


def check_row(check: IntakeCheck, gaps: Mapping[str, Any]) -> dict[str, Any]:
    """An intake check as a row; ``gaps`` by line, as it was entered."""
    names = ("at", "by", "least_from", "greatest_from")
    row = {name: getattr(check, name) for name in names}
    row |= {"pit": check.pit_mm, "pit_place": check.pit_place, "least": check.least_mm, "greatest": check.greatest_mm}
    return row | {LINES[name]: gap.get("enters_mm") for name, gap in gaps.items() if gap and name in LINES}


def survey_rows(survey: FaceSurvey) -> Iterator[dict[str, Any]]:
    """A survey as rows, one a point."""
    slopes = survey.datum_slopes or (None, None)
    whole = {
        "survey": survey.id,
        "at": survey.at,
        "by": survey.by,
        "goal": survey.goal,
        "stage": survey.stage,
        "job": survey.job_id,
        "touch_place": survey.touch_place,
        "division": survey.division_mm,
        "repeatability": survey.repeatability_mm,
        "datum_along": slopes[0],
        "datum_across": slopes[1],
    }
    for p in survey.points:
        place = {"point": p.name, "x": p.x_mm, "y": p.y_mm, "z": p.z_mm}
        yield whole | place | {"pit": p.pit_mm or None, "accepted": p.accepted or None}


def read_checks(source: Any, where: Callable[[Row], Mapping[str, int]], settings: Settings) -> tuple[IntakeCheck, ...]:
    """Intake checks, bounded by the shop's feelers. Raises `InputError`."""

    def build(row: Row) -> IntakeCheck:
        if row.get("least") is not None or row.get("greatest") is not None:
            names = ("at", "by", "least_from", "greatest_from", "pit_place")
            said = {name: row.get(name) for name in names if row.get(name) is not None}
            least, greatest = row.get("least") or 0.0, row.get("greatest")
            return IntakeCheck(**where(row), **said, least_mm=least, greatest_mm=greatest, pit_mm=row.get("pit"))
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
            SurveyPoint(
                r.get("point"), r.get("x"), r.get("y"), r.get("z"), r.get("pit") or 0.0, bool(r.get("accepted"))
            )
            for r in rows
        )
        first = rows[0]
        slopes = (first.get("datum_along"), first.get("datum_across"))
        division, repeats = first.get("division"), first.get("repeatability")
        found.append(
            FaceSurvey(
                **where(first),
                at=first.get("at"),
                points=points,
                stage=first.get("stage") or SurveyStage.CLAMPED,
                goal=first.get("goal") or Goal.LEVEL,
                datum_slopes=None if None in slopes else slopes,
                division_mm=DIVISION_MM if division is None else division,
                repeatability_mm=REPEATABILITY_MM if repeats is None else repeats,
                touch_place=first.get("touch_place") or "",
                by=first.get("by") or "",
                job_id=first.get("job"),
            )
        )
    return tuple(found)
