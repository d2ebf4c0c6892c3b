"""Clean-up depth: as clamped, best levelled, with pits anywhere, with a limit of parallelism, by zone and by share."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from planner import InputError
from planner.face import cleanup, responsibility

CORNERS = np.array([[0, 0], [300, 0], [300, 180], [0, 180]], dtype=float)


def face(seed, n, pitted=True, at_the_top=False):
    rng = np.random.default_rng(seed)
    z = rng.normal(0, 0.03, n)
    points = np.column_stack([rng.uniform(0, 300, n), rng.uniform(0, 180, n), z])
    points[:, 2] += points[:, :2] @ rng.normal(0, 2e-4, 2) + rng.choice([0.0, 40.0])
    pits = np.where(rng.random(n) < 0.3, rng.exponential(0.05, n), 0.0) * pitted
    if at_the_top:
        highest = np.argsort(-points[:, 2])[:2]  # at the highest place and near it
        pits[highest] = [0.3, 0.25]
    return points, pits


def depth_by_programme(points, pits, limit=None, datum=(0, 0), outline=None):
    """The same programme written out plainly, in um and decimetres, all points at once."""
    places = (points[:, :2] - points[:, :2].mean(axis=0)) / 100
    rim = (points[:, 2] - points[:, 2].mean()) * 1e3
    one, none = np.ones(len(places)), np.zeros(len(places))
    rows = [np.column_stack([-places, -one, -one, none]), np.column_stack([places, one, none, none])]
    sides = [-rim, rim - pits * 1e3]
    if limit is not None:
        edge = ((points[:, :2] if outline is None else outline) - points[:, :2].mean(axis=0)) / 100
        lean = edge @ np.asarray(datum) * 1e5
        one, none = np.ones(len(edge)), np.zeros(len(edge))
        rows += [np.column_stack([-edge, none, none, one]), np.column_stack([edge, none, none, -one])]
        sides += [-lean, limit * 1e3 + lean]
    answer = linprog([0, 0, 0, 1, 0], A_ub=np.vstack(rows), b_ub=np.concatenate(sides), bounds=(None, None))
    return answer.fun / 1e3


def depth_by_patterns(points, pits):
    """Least depth over every plane through three rims or floors, or parallel to two such lines: up to ten points."""
    both = np.vstack([points, points - np.column_stack([0 * pits, 0 * pits, pits])])
    slopes = []
    for i, j, k in itertools.combinations(range(len(both)), 3):
        edges = both[[j, k], :2] - both[i, :2]
        if abs(np.linalg.det(edges)) > 1e-6:
            slopes.append(np.linalg.solve(edges, both[[j, k], 2] - both[i, 2]))
    pairs = list(itertools.combinations(range(len(both)), 2))
    one = np.array([both[j] - both[i] for i, j in pairs])
    a, b = np.triu_indices(len(one), 1)
    det = one[a, 0] * one[b, 1] - one[a, 1] * one[b, 0]
    a, b, det = a[abs(det) > 1e-6], b[abs(det) > 1e-6], det[abs(det) > 1e-6]
    slopes.append(
        np.column_stack(
            [
                (one[a, 2] * one[b, 1] - one[b, 2] * one[a, 1]) / det,
                (one[a, 0] * one[b, 2] - one[b, 0] * one[a, 2]) / det,
            ]
        )
    )
    slopes = np.vstack([np.array(slopes[:-1]), slopes[-1]])
    rim = points[:, 2] - slopes @ points[:, :2].T
    return (rim.max(axis=1) - (rim - pits).min(axis=1)).min()


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(4, 8), at_the_top=st.booleans())
def test_best_levelling_against_brute_force(seed, n, at_the_top):
    points, pits = face(seed, n, at_the_top=at_the_top)
    found = cleanup(points, pits)
    assert found.depth_mm == pytest.approx(depth_by_patterns(points, pits), abs=1e-9)
    level = points[:, 2] - points[:, :2] @ [found.slope_x, found.slope_y]
    assert level[found.first_contact] == pytest.approx(level.max(), abs=1e-9)
    assert (level - pits)[found.last_to_clean] == pytest.approx((level - pits).min(), abs=1e-9)


@settings(max_examples=80, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    n=st.integers(4, 60),
    limit=st.one_of(st.none(), st.floats(0, 0.06)),
    at_the_top=st.booleans(),
    crooked=st.booleans(),
)
def test_depth_with_a_limit_of_parallelism(seed, n, limit, at_the_top, crooked):
    points, pits = face(seed, n, at_the_top=at_the_top)
    datum = np.random.default_rng(seed + 1).normal(0, 1e-4, 2)
    outline = CORNERS + np.array([[0, 0], [30, -10], [0, 25], [-15, 0]]) if crooked else None
    found = cleanup(points, pits, None, limit, datum, outline=outline)
    assert found.depth_mm == pytest.approx(depth_by_programme(points, pits, limit, datum, outline), abs=1e-7)
    if limit is not None:
        assert found.parallel_mm <= limit + 1e-12
        assert cleanup(points, pits).depth_mm <= found.depth_mm + 1e-9


def test_parallelism_is_between_the_two_worst_corners_not_per_axis():
    """A face high at one corner, to be tilted along its diagonal: the limit is met there, and each axis has half."""
    x, y = (grid.ravel() for grid in np.meshgrid([0, 150, 300.0], [0, 90, 180.0]))
    points = np.column_stack([x, y, 0.1 * x / 300 + 0.1 * y / 180])
    found = cleanup(points, parallel_limit_mm=0.08)
    lean = found.slope_x * CORNERS[:, 0] + found.slope_y * CORNERS[:, 1]
    assert np.ptp(lean) == pytest.approx(0.08, abs=1e-9)
    assert found.parallel_mm == pytest.approx(0.08, abs=1e-9)
    assert found.depth_mm == pytest.approx(0.12, abs=1e-9)  # 0.2 of lean less the 0.08 that may be levelled away


def test_as_clamped_is_the_plain_difference():
    points, pits = face(3, 20)
    found = cleanup(points, pits, slopes=(0, 0))
    assert found.depth_mm == pytest.approx(points[:, 2].max() - (points[:, 2] - pits).min(), abs=1e-12)
    assert found.first_contact == np.argmax(points[:, 2])
    assert found.last_to_clean == np.argmin(points[:, 2] - pits)


def test_a_pit_at_the_high_spot_lowers_the_floor_not_the_rim():
    points = np.array([[0, 0, 0.05], [300, 0, 0], [0, 180, 0], [300, 180, 0.0]])
    plain = cleanup(points, slopes=(0, 0))
    pitted = cleanup(points, [0.2, 0, 0, 0], slopes=(0, 0))
    assert plain.depth_mm == pytest.approx(0.05)
    assert pitted.depth_mm == pytest.approx(0.2)  # measured from the rim of the pit, which is first contact
    assert pitted.first_contact == pitted.last_to_clean == 0


def test_only_counting_points_enter_the_floor():
    points, _ = face(4, 15)
    low = int(np.argmin(points[:, 2]))
    counts = np.ones(15, dtype=bool)
    counts[low] = False
    assert cleanup(points, slopes=(0, 0), counts=counts).depth_mm == pytest.approx(
        points[:, 2].max() - np.delete(points[:, 2], low).min()
    )
    high = int(np.argmax(points[:, 2]))
    counts[high] = False
    assert cleanup(points, slopes=(0, 0), counts=counts).first_contact == high


def simulated_share(found, depth, cell=0.5):
    _, _, depth_at = found.map(cell)
    known = np.isfinite(depth_at)
    return (depth_at[known] <= depth).mean()


def test_share_against_a_fine_map():
    points, _ = face(7, 40)
    outline = [[20, 20], [280, 20], [280, 100], [150, 100], [150, 160], [20, 160]]
    openings = [[[50, 50], [80, 50], [80, 80], [50, 80]], [[200, 40], [230, 60], [210, 70]]]
    found = cleanup(points, slopes=(0, 0), outline=outline, openings=openings)
    for depth in (0.02, 0.05, 0.08, 0.12):
        assert found.share_clean(depth) == pytest.approx(simulated_share(found, depth), abs=0.01)
    assert found.surface.outline_area == pytest.approx(260 * 140 - 130 * 60 - 900 - 350, abs=1e-6)
    assert found.surface.covered_area <= found.surface.outline_area + 1e-6


def test_share_of_a_wedge_is_known():
    wedge = cleanup([[0, 0, 0], [100, 0, 1], [100, 50, 1], [0, 50, 0.0]], slopes=(0, 0))
    assert wedge.share_clean([-0.1, 0, 0.25, 0.5, 1, 2]) == pytest.approx([0, 0, 0.25, 0.5, 1, 1])
    assert wedge.volume_mm3(1.0) == pytest.approx(0.5 * 100 * 50)
    flat = cleanup([[0, 0, 2], [100, 0, 2], [0, 50, 2.0]], slopes=(0, 0))
    assert flat.share_clean(0) == 1.0


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(4, 40), pitted=st.booleans())
def test_curve_rises_to_one_and_its_integral_is_the_volume(seed, n, pitted):
    points, pits = face(seed, n, pitted)
    found = cleanup(points, pits)
    depth, share = found.curve(4001)
    assert (np.diff(share) >= -1e-12).all()
    assert share[-1] == 1.0
    smooth = -found.levelled_mm.min()
    assert found.share_clean(smooth) == 1.0  # a pit has no area: the share is 1 before the depth is reached
    area = found.surface.covered_area
    assert found.volume_mm3(found.depth_mm) == pytest.approx(np.trapezoid(share, depth) * area, rel=1e-4)
    map_x, map_y, depth_at = found.map(0.5)
    cell = (map_x[1] - map_x[0]) * (map_y[1] - map_y[0])
    from_map = np.nansum(np.maximum(0, found.depth_mm - depth_at)) * cell
    assert found.volume_mm3(found.depth_mm) == pytest.approx(from_map, rel=0.01)


def test_zones_by_points_and_by_polygon():
    x, y = (grid.ravel() for grid in np.meshgrid(np.arange(0, 301, 50.0), np.arange(0, 181, 45.0)))
    points = np.column_stack([x, y, -((x / 1000) ** 2)])
    pits = np.zeros(len(x))
    centre = int(np.flatnonzero((x == 150) & (y == 90))[0])
    pits[centre] = 0.3
    found = cleanup(points, pits, slopes=(0, 0))
    zones = found.zones(
        {
            "left edge": np.flatnonzero(x == 0),
            "right edge": x == 300,
            "fire ring": [[120, 60], [180, 60], [180, 120], [120, 120]],
            "land": [[10, 10], [40, 10], [40, 30], [10, 30]],
        }
    )
    assert zones["left edge"].depth_mm == pytest.approx(0)
    assert zones["right edge"].depth_mm == pytest.approx(0.09)
    assert zones["fire ring"].depth_mm == pytest.approx(0.3 + 0.0225)
    assert zones["fire ring"].last_to_clean == centre
    assert zones["land"].depth_mm == pytest.approx(0.0025 * 40 / 50)  # between points, on the interpolant
    assert zones["land"].last_to_clean is None
    assert max(z.depth_mm for z in zones.values()) == pytest.approx(found.depth_mm)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(4, 30))
def test_responsibilities_add_up(seed, n):
    points, pits = face(seed, n)
    split = responsibility(points, pits)
    parts = (split.tilt_mm, split.pits_mm, split.bow_mm, split.local_mm)
    assert min(parts) >= -1e-9
    assert sum(parts) == pytest.approx(cleanup(points, pits, (0, 0)).depth_mm, abs=1e-9)


def test_responsibilities_of_known_faces():
    x, y = (grid.ravel() for grid in np.meshgrid(np.linspace(0, 300, 7), np.linspace(0, 180, 5)))
    tilt = responsibility(np.column_stack([x, y, 4e-4 * x]))
    assert (tilt.tilt_mm, tilt.bow_mm, tilt.local_mm) == pytest.approx((0.12, 0, 0), abs=1e-9)
    bow = responsibility(np.column_stack([x, y, 0.1 * ((x - 150) / 150) ** 2]))
    assert (bow.tilt_mm, bow.bow_mm, bow.local_mm) == pytest.approx((0, 0.1, 0), abs=1e-9)
    assert bow.straighten_first(0.09)
    assert not bow.straighten_first(0.11)
    pits = np.zeros(len(x))
    pits[8] = 0.07
    pit = responsibility(np.column_stack([x, y, 0 * x]), pits)
    assert (pit.pits_mm, pit.bow_mm, pit.local_mm) == pytest.approx((0.07, 0, 0), abs=1e-9)


def test_a_pit_that_may_stay_saves_what_it_cost():
    points = np.array([[0, 0, 0], [300, 0, 0], [0, 180, 0], [300, 180, 0], [150, 90, -0.02]], dtype=float)
    every, left = (cleanup(points, pits, (0, 0)).depth_mm for pits in ([0, 0.15, 0, 0, 0.05], [0, 0, 0, 0, 0.05]))
    assert (every, left) == pytest.approx((0.15, 0.07))  # the face around it is still cut


def test_offset_and_scale_do_not_matter():
    points, pits = face(11, 30)
    found = cleanup(points, pits)
    far = cleanup(points * 1000 + [1e5, -1e5, 1e6], pits * 1000)
    assert far.depth_mm / 1000 == pytest.approx(found.depth_mm, rel=1e-6)
    assert (far.first_contact, far.last_to_clean) == (found.first_contact, found.last_to_clean)


def test_points_in_line_have_a_depth_but_no_share():
    found = cleanup([[0, 0, 0], [100, 0, 0.1], [200, 0, 0]])
    assert found.depth_mm == pytest.approx(0.1)
    with pytest.raises(InputError, match="on one line"):
        found.share_clean(0.05)


SQUARE = [[0, 0, 0], [9, 0, 0], [0, 9, 0], [9, 9, 1.0]]


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({"points": []}, "points"),
        ({"points": [[0, 0, float("nan")]]}, "points[0, 2]"),
        ({"points": SQUARE, "pits": [0, 0, 0]}, "pits"),  # one short
        ({"points": SQUARE, "pits": [0, 0, -0.1, 0]}, "pits[2]"),  # a pit is a depth
        ({"points": SQUARE, "slopes": (0, 0, 0)}, "slopes"),
        ({"points": SQUARE, "parallel_limit_mm": -1}, "parallel_limit_mm"),
        ({"points": SQUARE, "datum_slopes": (0,)}, "datum_slopes"),
        ({"points": SQUARE, "counts": [False] * 4}, "counts"),  # something must come clean
        ({"points": SQUARE, "outline": [[0, 0], [1, 1]]}, "outline"),
        ({"points": SQUARE, "openings": [[[0, 0], [1, 1], [2, 2]]]}, "openings[0]"),
        ({"points": SQUARE, "openings": 5}, "openings"),
        ({"points": np.array(SQUARE) + 1j}, "points"),  # no lengths: complex numbers, text, dates
        ({"points": np.array(SQUARE).astype(str)}, "points"),
        ({"points": np.array([["2020-01-01"] * 3] * 3, dtype="M8[D]")}, "points"),
        ({"points": np.ma.masked_equal(np.array(SQUARE), 1.0)}, "points"),  # hidden = not read
    ],
)
def test_wrong_input(arguments, field):
    with pytest.raises(InputError) as error:
        cleanup(**arguments)
    assert error.value.field == field


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda found: found.share_clean("deep"), "depth_mm"),
        (lambda found: found.share_clean([0.1, float("nan")]), "depth_mm[1]"),
        (lambda found: found.share_clean([[0.1], [0.1, 0.2]]), "depth_mm"),
        (lambda found: found.volume_mm3(None), "depth_mm"),
        (lambda found: found.map(0), "cell_mm"),
        (lambda found: found.zones(None), "zones"),
        (lambda found: found.zones({"ring": [[0, 0], [1]]}), "zones['ring']"),
        (lambda found: found.zones({"ring": [4]}), "zones['ring']"),
    ],
)
def test_wrong_questions(call, field):
    with pytest.raises(InputError) as error:
        call(cleanup(SQUARE))
    assert error.value.field == field
