"""A survey in the making: every press is kept as a draft row at once, so that a sleeping tablet loses nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

import numpy as np

from planner import InputError
from planner.face import Indicator, face_template, true_reading, worst_places
from planner.screens import access
from planner.screens.kept import kept
from planner.shop import Face, FaceSurvey, Goal, SurveyPoint, SurveyStage, survey_of
from planner.units import Units

CLOSING = "back at the zero"
PREFIX = "survey/"
INDICATOR = ("kind", "angle", "division_mm", "noise_mm")
INDICATOR_KEY = "indicator last used"
# what a new sweep keeps of the one before
_KEPT = (*INDICATOR, "supports", "gravity", "rock_mm", "how", "section")


class Draft:
    """The draft of one face at one stage. ``data`` is what is stored; a change goes through `change`."""

    def __init__(self, part_id: int, face: Face, stage: SurveyStage = SurveyStage.CLAMPED) -> None:
        self.part_id, self.face, self.stage = part_id, face, stage
        self.key = f"{PREFIX}{part_id}/{face.id}/{stage.value}"
        self.data: dict[str, Any] = access.repository().get_draft(self.key) or {}
        stored = access.shop().surveys.get((part_id, face.id)) if stage is SurveyStage.CLAMPED else None
        if stored is not None and self._says_nothing(stored):
            self.data = as_stored(stored) | {k: v for k, v in self.data.items() if k in _KEPT and k not in INDICATOR}
        elif not self.data.get("points"):
            self.data |= begun(face, 9)

    def _says_nothing(self, stored: FaceSurvey) -> bool:
        """Whether a survey stored elsewhere goes before this draft: no reading in it, and not begun on purpose since."""
        begun_at = self.data.get("begun")
        if begun_at is not None and datetime.fromisoformat(begun_at) >= stored.at:
            return False
        return not (self.data.get("read") or self.data.get("pits") or self.data.get("reread"))

    def change(self, deed: Callable[[dict[str, Any]], None]) -> None:
        """Change the draft and keep it on disk."""
        deed(self.data)
        access.repository().put_draft(self.key, self.data, datetime.now())

    # -- what stands in it ---------------------------------------------------------------------------------------------
    @property
    def names(self) -> list[str]:
        return [p["name"] for p in self.data["points"]]

    @property
    def places(self) -> dict[str, tuple[float, float]]:
        return {p["name"]: (p["x"], p["y"]) for p in self.data["points"]}

    @property
    def at(self) -> str:
        """The point the indicator stands on."""
        at = self.data.get("at")
        return at if at in (*self.names, CLOSING) else self.names[0]

    def readings(self, which: str = "read") -> dict[str, float]:
        """What the indicator showed, mm by point, as far as it was read: of the sweep, or "reread"."""
        known = self.data.get(which) or {}
        return {name: known[name] for name in self.names if known.get(name) is not None}

    def whole(self, which: str = "read") -> bool:
        return len(self.readings(which)) == len(self.names)

    @property
    def indicator(self) -> Indicator:
        return Indicator(self.data.get("kind", Indicator.LEVER.value))

    @property
    def angle_deg(self) -> float:
        return float(self.data.get("angle", 0.0))

    @property
    def division_mm(self) -> float:
        """Of the indicator: half a thou until somebody says."""
        return float(self.data.get("division_mm", 0.0127))

    @property
    def noise_mm(self) -> float:
        """How well readings of one place repeat, one standard deviation."""
        return float(self.data.get("noise_mm", 0.005))

    def heights(self, which: str = "read") -> dict[str, float]:
        """True heights: readings less what the indicator's inclination adds."""
        angle, kind = self.angle_deg, self.indicator
        return {n: float(true_reading(r, angle, kind)) for n, r in self.readings(which).items()}

    @property
    def pits(self) -> dict[str, dict[str, Any]]:
        known = self.data.get("pits") or {}
        return {name: known[name] for name in self.names if known.get(name, {}).get("mm")}

    @property
    def goal(self) -> Goal:
        return Goal(self.data.get("goal", Goal.LEVEL.value))

    def survey(self, goal: Goal | None = None, job_id: int | None = None) -> FaceSurvey:
        """What was read so far as a survey. Raises `InputError` with fewer than three points."""
        heights, pits, places = self.heights(), self.pits, self.places
        points = tuple(
            SurveyPoint(
                name, *places[name], z, pits.get(name, {}).get("mm", 0.0), bool(pits.get(name, {}).get("accepted"))
            )
            for name, z in heights.items()
        )
        # it sits on its datum while nothing was put under it
        slopes = self.data.get("datum_slopes", (0.0, 0.0))
        return FaceSurvey(
            self.part_id,
            self.face.id,
            access.now(),
            points,
            self.stage,
            goal or self.goal,
            None if slopes is None else tuple(slopes),
            self.division_mm,
            self.noise_mm,
            self.data.get("touch", ""),
            access.who(),
            job_id,
        )

    @property
    def supports(self) -> np.ndarray:
        return np.array(self.data.get("supports") or usual_supports(self.face, 4), dtype=float)

    @property
    def present(self) -> list[dict[float, int]]:
        """Leaves under each support now."""
        stored = self.data.get("present") or []
        stacks = [{float(t): int(n) for t, n in stack.items()} for stack in stored]
        return [*stacks, *({} for _ in range(len(self.supports) - len(stacks)))][: len(self.supports)]

    def payload(self, survey: FaceSurvey) -> dict[str, Any]:
        """What is stored: the survey as it is read back, and everything else that was entered."""
        known = ("read", "close", "kind", "angle", "pits", "supports", "present", "clamp", "predicted", "photo", "ra")
        return survey.payload() | {"entered": {name: self.data[name] for name in known if self.data.get(name)}}


def begun(face: Face, count: int) -> dict[str, Any]:
    """An empty sweep over the face."""
    (version, _), records = access.versions()
    places = _template(access.kind(), version, records, face.id, count, face)
    # until somebody says: a dial of half thous, or of hundredths of a millimetre
    usual = {} if access.units().inch else {"division_mm": 0.01}
    indicator = usual | (access.repository().get_draft(INDICATOR_KEY) or {})
    return {name: indicator[name] for name in INDICATOR if name in indicator} | {
        "count": count,
        "points": [{"name": name, "x": x, "y": y} for name, (x, y) in places.items()],
        "read": {},
        "close": None,
        "at": next(iter(places)),
    }


def as_stored(survey: FaceSurvey) -> dict[str, Any]:
    """A draft that shows a stored survey: true heights, so that no inclination comes off them again."""
    return {
        "count": len(survey.points),
        "points": [{"name": p.name, "x": p.x_mm, "y": p.y_mm} for p in survey.points],
        "read": {p.name: p.z_mm for p in survey.points},
        # it closed when it was stored
        "close": survey.points[0].z_mm,
        "at": survey.points[0].name,
        "angle": 0.0,
        "division_mm": survey.division_mm,
        "noise_mm": survey.repeatability_mm,
        "pits": {p.name: {"mm": p.pit_mm, "accepted": p.accepted} for p in survey.points if p.pit_mm},
        "goal": survey.goal.value,
        "datum_slopes": survey.datum_slopes,
        "touch": survey.touch_place,
        "stored": survey.id,
    }


@kept(32)
def _template(
    which, version: int, records: int, face_id: int, count: int, _face: Face
) -> dict[str, tuple[float, float]]:
    return face_template(_face, count, worst_places(_face, last_dirty_places(_face)) if count > 4 else None)


def past_surveys(face: Face) -> list[FaceSurvey]:
    """Surveys of this family's face that were stored, oldest first."""
    found = []
    for row in access.repository().surveys_of_face(face.id):
        try:
            found.append(survey_of(row.payload, part_id=row.part_id, face_id=row.face_id, at=row.at, id=row.id))
        except InputError:
            continue
    return found


def last_dirty_places(face: Face) -> list[tuple[float, float]]:
    """Where the last untouched spot was in past surveys, and where dye was left at the machine, (x, y) mm, oldest
    first."""
    named = {p.name: (p.x_mm, p.y_mm) for p in face.points}
    seen = [
        (survey.at, (last.x_mm, last.y_mm))
        for survey in past_surveys(face)
        for last in (min(survey.points, key=_floor),)
    ]
    # "fire ring" or "outer edge" is no place to set an indicator on
    seen += [(at, named[place]) for _, at, place in access.repository().dye_places(face.id) if place in named]
    return [place for _, place in sorted(seen)]


def _floor(point: SurveyPoint) -> float:
    return point.z_mm - point.counted_pit_mm


def usual_supports(face: Face, count: int) -> list[list[float]]:
    """Places of supports to begin with: near the corners, then along the long sides; three as a tripod."""
    x, y = 0.12 * face.length_mm, 0.15 * face.width_mm
    left, right, front, back, middle = x, face.length_mm - x, y, face.width_mm - y, face.length_mm / 2
    if count == 3:
        return [[left, front], [right, front], [middle, back]]
    found = [[left, front], [right, front], [left, back], [right, back]]
    if count >= 6:
        found[1:1] = [[middle, front]]
        found[4:4] = [[middle, back]]
    if count == 8:
        quarter = (left + middle) / 2
        found = [[a, b] for b in (front, back) for a in (left, quarter, face.length_mm - quarter, right)]
    return found


def steps(units: Units) -> tuple[float, ...]:
    """The steps of the under and over keys, mm."""
    return tuple(t * 0.0254 for t in (0.5, 1, 2, 5)) if units.inch else (0.01, 0.02, 0.05, 0.1)


def signed(mm: float | None, units: Units, unit: bool = True) -> str:
    """A reading as it is called out: "over 1.5 thou", "under 0.5 thou", "0 thou"."""
    if mm is None:
        return "not read"
    body = units.depth(abs(mm), unit=unit)
    if float(units.depth(abs(mm), unit=False)) == 0:
        return f"0 {units.depth_unit}" if unit else "0"
    return f"{'over' if mm > 0 else 'under'} {body}"


def press(draft_of: tuple[int, Face, SurveyStage], deed: Callable[..., None], *args: Any) -> None:
    """A key's callback: read what is stored, change it, keep it."""
    draft = Draft(*draft_of)
    draft.change(lambda data: deed(draft, data, *args))


def step_reading(draft: Draft, data: dict[str, Any], by_mm: float | None, which: str = "read") -> None:
    """The key of a step: by_mm up or down from where it stands; None sets it to 0."""
    at = draft.at
    if at == CLOSING:
        key = "close" if which == "read" else f"{which}_close"
        data[key] = 0.0 if by_mm is None else round((data.get(key) or 0.0) + by_mm, 6)
        return
    readings = dict(data.get(which) or {})
    readings[at] = 0.0 if by_mm is None else round((readings.get(at) or 0.0) + by_mm, 6)
    data[which] = readings


def next_point(draft: Draft, data: dict[str, Any], which: str = "read", back: bool = False) -> None:
    """On to the next point of the sweep; what was not touched reads 0."""
    order = [*draft.names, CLOSING]
    here = order.index(draft.at)
    if not back:
        key = "close" if which == "read" else f"{which}_close"
        if draft.at == CLOSING:
            data[key] = data.get(key) or 0.0
        elif (data.get(which) or {}).get(draft.at) is None:
            data[which] = dict(data.get(which) or {}) | {draft.at: 0.0}
    data["at"] = order[max(0, here - 1)] if back else order[min(len(order) - 1, here + 1)]


def go_to(draft: Draft, data: dict[str, Any], name: str) -> None:
    data["at"] = name


def put(draft: Draft, data: dict[str, Any], values: Mapping[str, Any]) -> None:
    """Set entries of the draft."""
    data.update(values)


def start_over(draft: Draft, data: dict[str, Any], count: int) -> None:
    """A new sweep; supports and indicator stay as they are."""
    kept = {k: data[k] for k in _KEPT if k in data}
    data.clear()
    data.update(begun(draft.face, count) | kept | {"begun": access.now().isoformat()})
