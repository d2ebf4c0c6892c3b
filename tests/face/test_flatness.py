"""Minimum zone and least squares: every contact pattern, any unit, offset and tilt, degenerate input."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from planner import InputError
from planner.face import least_squares, local_flatness, minimum_zone


def narrowest_by_patterns(points):
    """Least width over every plane through three points and every plane parallel to two lines of two points."""
    points = points - points.mean(axis=0)
    points = points / np.abs(points).max()
    n = len(points)
    normals = [
        np.cross(points[j] - points[i], points[k] - points[i]) for i, j, k in itertools.combinations(range(n), 3)
    ]
    lines = np.array([points[j] - points[i] for i, j in itertools.combinations(range(n), 2)])
    one, two = np.triu_indices(len(lines), 1)
    normals = np.vstack([normals, np.cross(lines[one], lines[two])])
    length = np.linalg.norm(normals, axis=1)
    normals = normals[length > 1e-7] / length[length > 1e-7, None]
    return np.ptp(normals @ points.T, axis=1).min()


def rotation(seed):
    return np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))[0]


@settings(max_examples=120, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    n=st.integers(4, 12),
    power=st.floats(-5, 0.2),
    breadth=st.sampled_from([1.0, 0.3, 0.05]),
    gridded=st.booleans(),
    rounded=st.booleans(),
)
def test_least_over_every_contact_pattern(seed, n, power, breadth, gridded, rounded):
    rng = np.random.default_rng(seed)
    places = rng.uniform(-1, 1, (n, 2)) * [1, breadth]
    if gridded:
        places = np.array([[i % 4, breadth * (i // 4)] for i in range(n)], dtype=float)
    height = rng.normal(size=n)
    if rounded:
        height = np.round(height * 2) / 2
    points = np.column_stack([places, height * 10**power])
    centred = points - points.mean(axis=0)
    assume(np.linalg.svd(centred, compute_uv=False)[1] > 1e-6)
    expected = narrowest_by_patterns(points) * np.abs(centred).max()
    tilted = points @ rotation(seed).T
    assert minimum_zone(tilted).flatness_mm == pytest.approx(expected, rel=1e-6, abs=1e-13)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(4, 60))
def test_height_map_agrees_with_a_plain_linear_programme(seed, n):
    rng = np.random.default_rng(seed)
    x, y, z = rng.uniform(-1, 1, (3, n))
    one = np.ones(n)
    rows = np.vstack([np.column_stack([-x, -y, -one, -one]), np.column_stack([x, y, one, 0 * one])])
    answer = linprog([0, 0, 0, 1], A_ub=rows, b_ub=np.concatenate([-z, z]), bounds=(None, None))
    thin = np.column_stack([x, y, z * 1e-5])  # so thin that perpendicular and along z agree to 1e-9
    assert minimum_zone(thin).flatness_mm == pytest.approx(answer.fun * 1e-5, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    scale=st.floats(-6, 6),
    offset=st.sampled_from([0.0, 10.0, 1e3]),
    zone=st.sampled_from([0.002, 0.05, 0.5]),
)
def test_unit_offset_and_tilt_do_not_matter(seed, scale, offset, zone):
    rng = np.random.default_rng(seed)
    points = rng.uniform(-1, 1, (25, 3)) * [150, 90, zone / 2]
    expected = minimum_zone(points)
    moved = (points @ rotation(seed).T + rng.normal(size=3) * offset) * 10**scale
    found = minimum_zone(moved)
    assert found.flatness_mm / 10**scale == pytest.approx(expected.flatness_mm, rel=1e-6)
    assert abs(found.normal @ (rotation(seed) @ expected.normal)) == pytest.approx(1, abs=1e-9)
    fitted = least_squares(moved).flatness_mm / 10**scale
    assert fitted == pytest.approx(least_squares(points).flatness_mm, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(5, 40))
def test_contacts_prove_the_zone(seed, n):
    """Hulls of the high and of the low contacts, seen along the normal, meet: no tilt narrows the zone (3+1 or 2+2)."""
    rng = np.random.default_rng(seed)
    points = rng.uniform(-1, 1, (n, 3)) * [150, 90, 0.05]
    zone = minimum_zone(points)
    distance = points @ zone.normal
    assert distance[zone.high] == pytest.approx(np.full(len(zone.high), distance.max()), abs=1e-10)
    assert distance[zone.low] == pytest.approx(np.full(len(zone.low), distance.min()), abs=1e-10)
    assert distance.min() == pytest.approx(zone.distance_mm, abs=1e-10)
    assert zone.pattern in {"3+1", "1+3", "2+2"}
    high, low = points[zone.high, :2] / 100, points[zone.low, :2] / 100
    meet = np.vstack(
        [
            np.hstack([high.T, -low.T]),
            np.r_[np.ones(len(high)), np.zeros(len(low))],
            np.r_[np.zeros(len(high)), np.ones(len(low))],
        ]
    )
    assert linprog(np.zeros(meet.shape[1]), A_eq=meet, b_eq=[0, 0, 1, 1]).status == 0


def test_lower_plane_is_told_by_slopes_and_offset():
    x, y = np.meshgrid(np.linspace(0, 300, 4), np.linspace(0, 180, 3))
    z = 0.001 * x - 0.002 * y + 7 + 0.01 * (np.arange(12).reshape(3, 4) % 2)
    zone = minimum_zone(np.column_stack([x.ravel(), y.ravel(), z.ravel()]))
    floor = zone.slope_x * x + zone.slope_y * y + zone.offset_mm
    assert (z - floor).min() == pytest.approx(0, abs=1e-12)
    assert (z - floor).max() * zone.normal[2] == pytest.approx(zone.flatness_mm, abs=1e-12)


@pytest.mark.parametrize(
    ("tilt_deg", "known"),
    [(0, True), (44.9, True), (45.1, False), (90, False)],
)
def test_slopes_only_within_45_degrees(tilt_deg, known):
    turn = np.radians(tilt_deg)
    points = np.array([[0, 0, 0], [100, 0, 0.01], [0, 60, 0.02], [100, 60, 0.0], [50, 30, 0.03]])
    around_y = np.array([[np.cos(turn), 0, np.sin(turn)], [0, 1, 0], [-np.sin(turn), 0, np.cos(turn)]])
    for found in (minimum_zone(points @ around_y.T), least_squares(points @ around_y.T)):
        assert np.isfinite([found.slope_x, found.slope_y, found.offset_mm]).all() == known
        assert np.isfinite(found.distance_mm)


@pytest.mark.parametrize(
    ("points", "flatness"),
    [
        ([[0, 0, 1], [1, 0, 2], [0, 1, 3]], 0.0),  # three points are a plane
        ([[0, 0, 0], [1, 0, 0.1], [0, 1, 0.3], [1, 1, 0.4]], 0.0),  # coplanar and tilted
        ([[0, 0, 5], [1, 0, 5], [0, 1, 5], [1, 1, 5], [0, 0, 5], [1, 1, 5]], 0.0),  # flat, with duplicates
        ([[0, 0, 0], [9, 0, 0], [0, 9, 0], [9, 9, 0], [0, 0, 0.1], [9, 0, 0.1], [0, 9, 0.1], [9, 9, 0.1]], 0.1),
    ],
)
def test_degenerate_answers(points, flatness):
    assert minimum_zone(points).flatness_mm == pytest.approx(flatness, abs=1e-12)
    assert least_squares(points).flatness_mm >= flatness - 1e-12


@pytest.mark.parametrize(
    ("points", "field"),
    [
        ([[0, 0, 0], [1, 1, 1]], "points"),  # two points
        ([[0, 0, 0], [1, 1, 1], [2, 2, 2], [5, 5, 5]], "points"),  # on one line
        (np.outer(np.linspace(0, 7, 9), [0.1, 0.3, 0.7]) + [300, 4, 5], "points"),  # on one line, but for rounding
        ([[4, 4, 4]] * 6, "points"),  # one place
        ([[0, 0, 0]] * 6, "points"),
        ([[1, 1]], "points"),  # a line needs two
        ([[1, 1]] * 4, "points"),
        ([[0, 0, 0], [1, 0, float("nan")], [0, 1, 0]], "points[1, 2]"),
        ([[0, 0, 0], [1, 0, 0], [0, float("inf"), 0]], "points[2, 1]"),
        ([], "points"),
        ([1, 2, 3], "points"),
        ([[1, 2], [1, 2, 3]], "points"),
        (np.ones((5, 4)), "points"),
        ("abc", "points"),
        (None, "points"),
    ],
)
@pytest.mark.parametrize("call", [minimum_zone, least_squares])
def test_wrong_input_names_what_is_accepted(call, points, field):
    with pytest.raises(InputError) as error:
        call(points)
    assert error.value.field == field
    assert error.value.accepted


def test_straightness_of_a_line():
    assert minimum_zone([[0, 0], [1, 0.1], [2, 0]]).flatness_mm == pytest.approx(0.1)
    assert minimum_zone([[0, 0], [1, 1]]).flatness_mm == pytest.approx(0, abs=1e-15)
    upright = minimum_zone([[0, 0], [0.1, 1], [0, 2], [0.05, 3]])
    assert np.isnan(upright.slope_x)


def test_thick_clouds_find_the_lowest_of_many_minima():
    corners = np.array(list(itertools.product([0, 1.0], [0, 2.0], [0, 3.0])))
    assert minimum_zone(corners @ rotation(3).T).flatness_mm == pytest.approx(1.0, abs=1e-12)
    tetrahedron = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1.0]])
    assert minimum_zone(tetrahedron).flatness_mm == pytest.approx(2.0, abs=1e-12)  # between opposite edges


@pytest.mark.parametrize("shape", ["rough", "dome", "saddle", "rounded"])
def test_a_hundred_thousand_points(shape):
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 300, 100_000), rng.uniform(0, 180, 100_000)
    z = {
        "rough": rng.normal(0, 0.01, len(x)),
        "dome": -((x - 150) ** 2 + (y - 90) ** 2) / 1e6,
        "saddle": x * y / 1e6,
        "rounded": np.round(rng.normal(0, 0.01, len(x)), 3),
    }[shape]
    points = np.column_stack([x, y, z])
    zone = minimum_zone(points)
    assert np.ptp(points @ zone.normal) == pytest.approx(zone.flatness_mm, abs=1e-12)
    few = minimum_zone(points[np.union1d(zone.high, zone.low)])  # its contacts alone need the same zone
    assert few.flatness_mm == pytest.approx(zone.flatness_mm, rel=1e-9)


def test_local_flatness_against_every_square():
    rng = np.random.default_rng(5)
    x, y = (grid.ravel() for grid in np.meshgrid(np.arange(0, 301, 35.0), np.arange(0, 141, 35.0)))
    points = np.column_stack([x, y, rng.normal(0, 0.01, len(x)) + 1e-6 * (x - 150) ** 2])
    found = local_flatness(points, 76.2)
    worst = 0.0
    for left in np.unique(x):
        for bottom in np.unique(y):
            held = points[(x >= left) & (x <= left + 76.2) & (y >= bottom) & (y <= bottom + 76.2)]
            if len(held) >= 4 and np.ptp(held[:, 0]) and np.ptp(held[:, 1]):
                worst = max(worst, minimum_zone(held).flatness_mm)
    assert found.flatness_mm == pytest.approx(worst, rel=1e-9)
    assert found.flatness_mm < minimum_zone(points).flatness_mm
    assert minimum_zone(points[found.indices]).flatness_mm == pytest.approx(worst, rel=1e-9)


def test_local_flatness_is_unknown_on_a_coarse_grid():
    points = np.array([[0, 0, 0], [300, 0, 0.02], [0, 180, 0], [300, 180, 0], [150, 90, 0.05]], dtype=float)
    assert np.isnan(local_flatness(points, 76.2).flatness_mm)
    with pytest.raises(InputError, match="span_mm"):
        local_flatness(points, 0)
