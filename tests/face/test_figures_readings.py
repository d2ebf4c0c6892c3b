"""One survey worked out on its face; readings as people and probes hand them over."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.face import datum_slopes, face_template, heights_at, read_readings, survey_figures, worst_places
from planner.shop import Circle, Face, FaceSurvey, Goal, SurveyPoint, Zone, ZoneKind
from planner.units import System, Units

AT = datetime(2026, 3, 2, 9)
FACE = Face("deck", 300, 180, id=1)


def survey(points, **more) -> FaceSurvey:
    named = tuple(SurveyPoint(f"p{k}", *p) for k, p in enumerate(points))
    return FaceSurvey(1, 1, AT, named, **more)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_heights_at_is_exact_on_a_plane_inside_and_outside(seed):
    rng = np.random.default_rng(seed)
    places, slopes = rng.uniform(0, 200, (8, 2)), rng.normal(0, 1e-3, 2)
    points = np.column_stack([places, places @ slopes + 5])
    wanted = rng.uniform(-50, 250, (6, 2))
    assert heights_at(points, wanted) == pytest.approx(wanted @ slopes + 5, abs=1e-9)
    assert heights_at(points, places) == pytest.approx(points[:, 2], abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_the_datum_is_told_by_heights_at_three_places(seed):
    """Height is survey less datum: z - (datum slopes . place + c)."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 250, (6, 2))
    z = rng.normal(0, 0.03, 6)
    datum = rng.normal(0, 1e-3, 2)
    points = np.column_stack([places, z])
    assert datum_slopes(points, places, z - places @ datum + 100) == pytest.approx(tuple(datum), abs=1e-9)
    assert datum_slopes(points, places[:2], [100, 100]) is None


def test_a_part_in_a_zone_that_need_not_seal_may_stay_dirty():
    low = Zone("free", ZoneKind.FREE, Circle(150, 90, 5), 15, counts=False)
    face = Face("deck", 300, 180, id=1, zones=(low,))
    points = [(5, 5, 0), (295, 5, 0), (5, 175, 0), (295, 175, 0), (150, 90, -0.2)]
    swept = survey(points, goal=Goal.AS_IT_LIES)
    assert survey_figures(FACE, swept).cut.depth_mm == pytest.approx(0.2)
    assert survey_figures(face, swept).cut.depth_mm == pytest.approx(0, abs=1e-12)


def test_parallel_to_the_datum_cuts_with_the_datums_slopes():
    points = [(x, y, 1e-3 * x) for x in (5, 150, 295) for y in (5, 175)]
    found = survey_figures(FACE, survey(points, goal=Goal.DATUM, datum_slopes=(1e-3, 0.0)))
    assert (found.cut.slope_x, found.cut.slope_y) == (1e-3, 0.0)
    assert found.cut.depth_mm == pytest.approx(0, abs=1e-12) and found.cut.parallel_mm == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("count", [4, 9, 13])
def test_a_template_has_its_points_on_metal_under_one_name(count):
    face = Face("deck", 300, 180, id=1, openings=(Circle(150, 90, 45), Circle(50, 90, 45), Circle(250, 90, 45)))
    places = face_template(face, count)
    assert len(places) == count and {"front left", "back right"} <= set(places)
    for x, y in places.values():
        assert 0 <= x <= 300 and 0 <= y <= 180
        assert all(np.hypot(x - c.x_mm, y - c.y_mm) > c.radius_mm for c in face.openings)


def test_worst_places_are_those_seen_most_often():
    assert worst_places(FACE, []) is None
    found = worst_places(FACE, [(100, 60), (200, 60), (101, 61), (5, 5)])
    assert len(found) == 4 and found["worst place 1"] == (101, 61)
    assert set(face_template(FACE, 9, found)) >= {"worst place 1", "worst place 2"}


THOU = Units(System.INCH)


def read(text, names=("a", "b", "c"), unit=THOU.read_depth_mm):
    return read_readings(text, names, lambda cell: unit("reading", cell))


@pytest.mark.parametrize(
    "text",
    [
        "0\n-1.5\n2",  # a column
        "0\n-1,5\n2,0",  # with a decimal comma
        "a,0\nb,-1.5\nc,2",
        "name;reading\nc;2\nb;-1.5\na;0",  # in any order
        "point\treading\na\t0\nb\t-1.5 thou\nc\t0.0508 mm",
        "\ufeffreading\n0\n-1.5\n2\n\n",
    ],
)
def test_three_ways_to_hand_over_the_same_sweep(text):
    found = read(text)
    assert found.problems == () and found.places is None
    assert {n: r / 0.0254 for n, r in found.readings.items()} == pytest.approx({"a": 0, "b": -1.5, "c": 2})


def test_a_probes_points_bring_their_own_places():
    found = read("x,y,z\n0,0,0.01\n100,0,0.02\n0,50,-0.01", unit=Units(System.METRIC).read_length_mm)
    assert found.problems == () and found.places == {"1": (0, 0), "2": (100, 0), "3": (0, 50)}
    assert found.readings == pytest.approx({"1": 0.01, "2": 0.02, "3": -0.01})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ["empty"]),
        ("reading", ["no reading"]),
        ("0\n1", ["2 readings for 3 points"]),
        ("0\nx\n2", ["row 2"]),
        ("a,0\nb,?\nq,1\nc,2", ["row 2", "row 3"]),  # every bad row, not the first alone
        ("a,0\na,1\nb,2", ["twice"]),
        ("a,0\nb,1", ["no reading for c"]),
        ("0\n5 in\n1", ["unit right"]),
        ("x,y,z\n0,0,0\n0,0,1\n1,1", ["same place as row 2", "row 4"]),
        ("x,y,z\n0,0,0\n0,,1\n1,1,0", ["row 3, y: it is empty"]),
    ],
)
def test_every_bad_row_is_reported(text, said):
    problems = " | ".join(read(text).problems)
    for words in said:
        assert words in problems


@pytest.mark.parametrize(
    "points",
    [[(0, 0, 0), (1, 1, 0)], [(0, 0, 0), (0, 0, 1), (1, 1, 0)], [(0, 0, 0), (1, 0, float("nan")), (1, 1, 0)]],
)
def test_a_survey_needs_three_places_and_finite_heights(points):
    with pytest.raises(InputError):
        survey(points)
