"""What one survey says about a part's face: clean-up depth, its doubt, touch-off, gaps at the measuring points."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from planner.errors import InputError, finite_array
from planner.face.area import far_origin
from planner.face.cleanup import Cleanup, cleanup
from planner.face.heights import gaps
from planner.face.survey import DepthRange, Place, depth_range, find_place, template
from planner.shop import Face, FaceSurvey, Goal, SurveyPoint

WORST = "worst place "


@dataclass(frozen=True, eq=False)
class SurveyFigures:
    """A survey worked out on its face.

    ``cut``: the clean-up, in the order of the survey's points. ``doubt``: its range. ``touch_place``: where to touch
    off, ``delta_mm`` how far that place lies below first contact. ``gaps_mm``: by measuring point, first-contact height
    less the height there, in the frame of the cut; empty when unknown.
    """

    cut: Cleanup
    doubt: DepthRange
    touch_place: str
    delta_mm: float
    gaps_mm: Mapping[str, float]


def outline_of(face: Face) -> np.ndarray:
    """The face's four corners (4, 2) mm, from its left front corner."""
    return np.array([(0, 0), (face.length_mm, 0), (face.length_mm, face.width_mm), (0, face.width_mm)], dtype=float)


def counted_points(face: Face, places: np.ndarray) -> np.ndarray:
    """Which of the places (n, 2) must come clean, (n,): those in a zone that need not seal are left out, unless a zone
    that must lies over it; all of them where that would leave none."""
    free, sealed = np.zeros(len(places), dtype=bool), np.zeros(len(places), dtype=bool)
    for zone in face.zones:
        away = np.hypot(places[:, 0] - zone.circle.x_mm, places[:, 1] - zone.circle.y_mm)
        within = away <= zone.circle.radius_mm + zone.land_mm
        if zone.counts:
            sealed |= within
        else:
            free |= within
    counts = ~free | sealed
    return counts if counts.any() else np.ones(len(places), dtype=bool)


def heights_at(points: object, places: object) -> np.ndarray:
    """Height (m,) mm of a surveyed face, points (n, 3), at other places (m, 2): the linear interpolant inside the survey;
    beyond it the least-squares plane plus what the nearest surveyed point is off it. Raises `InputError`."""
    survey = finite_array("points", points, (None, 3))
    wanted = finite_array("places", places, (None, 2))
    if not len(survey):
        raise InputError("points", points, "at least one point")
    if not len(wanted):
        return np.zeros(0)
    centre = survey[:, :2].mean(axis=0)
    columns = np.column_stack([np.ones(len(survey)), survey[:, :2] - centre])
    fitted = np.linalg.lstsq(columns, survey[:, 2], rcond=None)[0]
    off = survey[:, 2] - columns @ fitted
    away = np.hypot(*(wanted[:, None, :] - survey[None, :, :2]).transpose(2, 0, 1))
    beyond = np.column_stack([np.ones(len(wanted)), wanted - centre]) @ fitted + off[np.argmin(away, axis=1)]
    try:
        origin = far_origin(survey[:, :2])
        inside = scipy.interpolate.LinearNDInterpolator(survey[:, :2] - origin, survey[:, 2])(wanted - origin)
    except scipy.spatial.QhullError:  # on one line: nothing lies inside
        return beyond
    return np.where(np.isnan(inside), beyond, inside)


def datum_slopes(points: object, places: object, heights_mm: object) -> tuple[float, float] | None:
    """Slopes of the datum in survey coordinates from heights (m,) measured at places (m, 2) of the surveyed face; None
    with fewer than three places or all on one line."""
    where = finite_array("places", places, (None, 2))
    high = finite_array("heights_mm", heights_mm, (len(where),))
    if len(where) < 3:
        return None
    columns = np.column_stack([np.ones(len(where)), where - where.mean(axis=0)])
    if np.linalg.matrix_rank(columns, tol=1e-9 * np.abs(columns).max()) < 3:
        return None
    fitted = np.linalg.lstsq(columns, heights_at(points, where) - high, rcond=None)[0]
    return float(fitted[1]), float(fitted[2])


def survey_figures(
    face: Face, survey: FaceSurvey, heights_mm: Mapping[str, float] | None = None, goal: Goal | None = None
) -> SurveyFigures:
    """Work a survey out. ``heights_mm``: measured heights by measuring point, which tell how the datum lies where the
    survey does not say; ``goal``: instead of the survey's own. Raises `InputError`."""
    points = np.array([(p.x_mm, p.y_mm, p.z_mm) for p in survey.points])
    pits = np.array([p.counted_pit_mm for p in survey.points])
    at = {p.name: (p.x_mm, p.y_mm) for p in face.points}
    slopes, limit, datum = None, None, survey.datum_slopes
    known = {name: h for name, h in (heights_mm or {}).items() if name in at}
    if datum is None:
        datum = datum_slopes(points, [at[n] for n in known], list(known.values())) if len(known) >= 3 else None
    goal = goal or survey.goal
    if goal is Goal.AS_IT_LIES:
        slopes = (0.0, 0.0)
    elif goal is Goal.DATUM:
        slopes = datum or (0.0, 0.0)
    elif datum is not None:
        limit = face.parallel_limit_mm
    cut = cleanup(
        points,
        pits,
        slopes,
        limit,
        datum or (0.0, 0.0),
        counts=counted_points(face, points[:, :2]),
        outline=outline_of(face),
        openings=tuple(circle_polygon(c.x_mm, c.y_mm, c.radius_mm) for c in face.openings),
    )
    names = [p.name for p in survey.points]
    touch = names.index(survey.touch_place) if survey.touch_place in names else cut.first_contact
    places = np.array([at[name] for name in at])
    there = np.column_stack([places, heights_at(points, places)])
    below = gaps(points, there, (cut.slope_x, cut.slope_y))
    return SurveyFigures(
        cut=cut,
        doubt=depth_range(cut, survey.division_mm, survey.repeatability_mm),
        touch_place=told_place(face, survey.points[touch]).near_words,
        delta_mm=float(-cut.levelled_mm[touch]),
        gaps_mm={name: max(0.0, float(g)) for name, g in zip(at, below, strict=True)},
    )


def told_place(face: Face, point: SurveyPoint) -> Place:
    """A surveyed point as a machinist finds it: by its own name, or, for a probe's numbered points, by the face's
    measuring points."""
    if not point.name.isdigit() or not face.points:
        return Place(point.name, 0.0, None)
    return find_place((point.x_mm, point.y_mm), {p.name: (p.x_mm, p.y_mm) for p in face.points})


def place_said(face: Face, point: SurveyPoint, length: Callable[[float], str]) -> str:
    """A surveyed point in words a machinist can find on the part, ``length`` turning mm into the reader's unit: a family's
    worst place with where it lies."""
    if point.name.startswith(WORST) and face.points:
        where = find_place((point.x_mm, point.y_mm), {p.name: (p.x_mm, p.y_mm) for p in face.points})
        return f"{point.name} ({where.words(length)})"
    return told_place(face, point).words(length)


def circle_polygon(x_mm: float, y_mm: float, radius_mm: float, corners: int = 24) -> np.ndarray:
    """A round opening as a polygon (k, 2) of the same area."""
    turn = 2 * np.pi * np.arange(corners) / corners
    radius = radius_mm * np.sqrt(2 * np.pi / (corners * np.sin(2 * np.pi / corners)))
    return np.column_stack([x_mm + radius * np.cos(turn), y_mm + radius * np.sin(turn)])


def face_template(face: Face, count: int, worst: Mapping[str, object] | None = None) -> dict[str, tuple[float, float]]:
    """The named points of a sweep over a face, name -> (x, y) mm in sweeping order: `template` of 4, 9 or 13 points, with
    the face's own measuring points in place of those they lie beside, so that a place has one name only."""
    inset = min(0.05 * min(face.length_mm, face.width_mm), 12.0)
    places = template(count, face.length_mm, face.width_mm, inset, worst)
    near = 0.1 * min(face.length_mm, face.width_mm)
    found: dict[str, tuple[float, float]] = {}
    for name, (x, y) in places.items():
        own = [p for p in face.points if np.hypot(p.x_mm - x, p.y_mm - y) <= near and p.name not in found]
        best = min(own, key=lambda p: np.hypot(p.x_mm - x, p.y_mm - y), default=None)
        if best is None:
            found[name] = _on_metal(face, (x, y), inset)
        else:
            found[best.name] = _on_metal(face, (best.x_mm, best.y_mm), inset)
    return found


def _on_metal(face: Face, place: tuple[float, float], inset_mm: float) -> tuple[float, float]:
    """The place itself, or, where it lies in an opening, the nearest metal: an indicator cannot stand in a hole."""
    clear = min(4.0, inset_mm / 2)
    holes = [(c.x_mm, c.y_mm, c.radius_mm + clear) for c in face.openings]

    def free(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        outside = (x >= 0) & (x <= face.length_mm) & (y >= 0) & (y <= face.width_mm)
        for at_x, at_y, radius in holes:
            outside &= np.hypot(x - at_x, y - at_y) >= radius - clear / 2
        return outside

    x, y = place
    if free(np.array([x]), np.array([y])).all():
        return place
    turn = 2 * np.pi * np.arange(48) / 48
    around = np.array([(a + r * np.cos(t), b + r * np.sin(t)) for a, b, r in holes for t in turn])
    around = around[free(*around.T)]
    if not len(around):
        return place
    nearest = around[np.argmin(np.round(np.hypot(around[:, 0] - x, around[:, 1] - y), 6))]
    return float(round(nearest[0], 3)), float(round(nearest[1], 3))


def worst_places(face: Face, dirty: Sequence[tuple[float, float]]) -> dict[str, tuple[float, float]] | None:
    """The four worst places of a family, beside corners and middle, from where the dye went last in past surveys (x, y),
    oldest first: the places seen most often, then the middles of the sides; None without such a record."""
    inset = min(0.05 * min(face.length_mm, face.width_mm), 12.0)
    usual = {n: _on_metal(face, at, inset) for n, at in template(9, face.length_mm, face.width_mm, inset).items()}
    sides = {n: at for n, at in usual.items() if n.startswith("middle ")}
    taken = [at for n, at in usual.items() if n not in sides]
    near = 0.15 * min(face.length_mm, face.width_mm)
    groups: list[list[tuple[float, float]]] = []
    for at in reversed(list(dirty)):
        if any(np.hypot(at[0] - x, at[1] - y) <= near for x, y in taken):
            continue
        for group in groups:
            if np.hypot(group[0][0] - at[0], group[0][1] - at[1]) <= near:
                group.append(at)
                break
        else:
            groups.append([at])
    if not groups:
        return None
    groups.sort(key=len, reverse=True)
    found = {f"{WORST}{k}": group[0] for k, group in enumerate(groups[:4], 1)}
    for name, at in sides.items():
        if len(found) < 4 and all(np.hypot(at[0] - x, at[1] - y) > near for x, y in found.values()):
            found[name] = at
    for name, at in sides.items():
        if len(found) < 4:
            found.setdefault(name, at)
    return found
