"""A face as measured: the intake check of the bench and the survey of the machine, as the planner reckons with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from planner.errors import InputError, finite, not_negative
from planner.shop.checks import all_of, choice, maybe, moment, setter, text, unique


class SurveyStage(StrEnum):
    """When a survey was taken."""

    CLAMPED = "clamped"
    FINISHED = "finished"


class Goal(StrEnum):
    """How the face will lie when it is cut."""

    LEVEL = "level to the travel"
    DATUM = "parallel to the datum"
    AS_IT_LIES = "as it lies now"


@dataclass(frozen=True)
class IntakeCheck:
    """Bounds of the clean-up depth from straightedge, feelers and pit gauge; ``greatest_mm`` None = not bounded above.

    ``least_from``, ``greatest_from`` name the readings that say so.
    """

    part_id: int
    face_id: int
    at: datetime
    least_mm: float = 0.0
    greatest_mm: float | None = None
    least_from: str = ""
    greatest_from: str = ""
    pit_mm: float | None = None
    pit_place: str = ""
    by: str = ""
    id: int | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        put("at", moment("check.at", self.at))
        put("least_mm", not_negative("check.least_mm", self.least_mm))
        put("greatest_mm", maybe(not_negative, "check.greatest_mm", self.greatest_mm))
        put("pit_mm", maybe(not_negative, "check.pit_mm", self.pit_mm))
        for name in ("least_from", "greatest_from", "pit_place", "by"):
            put(name, text(f"check.{name}", getattr(self, name), longest=120))
        if self.greatest_mm is not None and self.greatest_mm <= self.least_mm:
            raise InputError("check.greatest_mm", self.greatest_mm, f"more than the least depth, {self.least_mm:g} mm")


@dataclass(frozen=True)
class SurveyPoint:
    """One surveyed place, mm from the face's left front corner; ``z_mm`` its true height, positive where it stands high;
    ``pit_mm`` the depth of a pit there below the face around it, ``accepted`` when that pit may stay."""

    name: str
    x_mm: float
    y_mm: float
    z_mm: float
    pit_mm: float = 0.0
    accepted: bool = False

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("survey.point", self.name, required=True, longest=60))
        for name in ("x_mm", "y_mm", "z_mm"):
            put(name, finite(f"survey.{name}", getattr(self, name)))
        put("pit_mm", not_negative("survey.pit_mm", self.pit_mm))

    @property
    def counted_pit_mm(self) -> float:
        """The pit that has to be cut away: none where it was accepted."""
        return 0.0 if self.accepted else self.pit_mm


@dataclass(frozen=True)
class FaceSurvey:
    """Indicator readings over a face, true heights, as clamped.

    ``goal``: how it will lie when cut. ``datum_slopes``: of the datum in survey coordinates, (0, 0) while the part sits
    on it unshimmed, None = unknown. ``division_mm`` of the indicator, ``repeatability_mm`` one standard deviation.
    ``touch_place``: the point where the zero is set, empty = where it will be met first.
    """

    part_id: int
    face_id: int
    at: datetime
    points: tuple[SurveyPoint, ...]
    stage: SurveyStage = SurveyStage.CLAMPED
    goal: Goal = Goal.LEVEL
    datum_slopes: tuple[float, float] | None = None
    division_mm: float = 0.0127
    repeatability_mm: float = 0.0
    touch_place: str = ""
    by: str = ""
    job_id: int | None = None
    id: int | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        put("at", moment("survey.at", self.at))
        put("points", all_of("survey.points", self.points, SurveyPoint))
        unique("survey.points", (p.name for p in self.points), "point")
        if len({(p.x_mm, p.y_mm) for p in self.points}) < 3:
            raise InputError("survey.points", len(self.points), "three places or more")
        put("stage", choice("survey.stage", self.stage, SurveyStage))
        put("goal", choice("survey.goal", self.goal, Goal))
        if self.datum_slopes is not None:
            slopes = tuple(finite("survey.datum_slopes", s) for s in self.datum_slopes)
            if len(slopes) != 2:
                raise InputError("survey.datum_slopes", self.datum_slopes, "two slopes")
            put("datum_slopes", slopes)
        put("division_mm", not_negative("survey.division_mm", self.division_mm))
        put("repeatability_mm", not_negative("survey.repeatability_mm", self.repeatability_mm))
        put("touch_place", text("survey.touch_place", self.touch_place, longest=60))
        put("by", text("survey.by", self.by, longest=60))

    def payload(self) -> dict[str, Any]:
        """What is stored, besides part, face, time, person and stage."""
        return {
            "points": [
                {"name": p.name, "x_mm": p.x_mm, "y_mm": p.y_mm, "z_mm": p.z_mm}
                | ({"pit_mm": p.pit_mm} if p.pit_mm else {})
                | ({"accepted": True} if p.accepted else {})
                for p in self.points
            ],
            "goal": self.goal.value,
            "datum_slopes": None if self.datum_slopes is None else list(self.datum_slopes),
            "division_mm": self.division_mm,
            "repeatability_mm": self.repeatability_mm,
            "touch_place": self.touch_place,
        }


@dataclass(frozen=True)
class FollowedSurvey:
    """A survey and the learning interval of the cut that followed it: what a survey misses is learned from these.
    ``upper_mm`` inf = never seen clean."""

    survey: FaceSurvey
    lower_mm: float
    upper_mm: float


def survey_of(payload: Mapping[str, Any], **stored: Any) -> FaceSurvey:
    """The survey of a stored payload; ``stored``: part_id, face_id, at, stage, by, job_id, id. Raises `InputError`."""
    known = ("goal", "division_mm", "repeatability_mm", "touch_place")
    slopes = payload.get("datum_slopes")
    try:
        points = tuple(SurveyPoint(**p) for p in payload["points"])
    except (KeyError, TypeError):
        raise InputError("survey.points", payload.get("points"), "named points with x_mm, y_mm and z_mm") from None
    more = {name: payload[name] for name in known if payload.get(name) is not None}
    return FaceSurvey(points=points, datum_slopes=None if slopes is None else tuple(slopes), **more, **stored)


def check_of(payload: Mapping[str, Any], **stored: Any) -> IntakeCheck:
    """The intake check of a stored payload; ``stored``: part_id, face_id, at, by, least_mm, greatest_mm, pit_mm, id."""
    known = ("least_from", "greatest_from", "pit_place")
    return IntakeCheck(**{name: payload[name] for name in known if payload.get(name)}, **stored)
