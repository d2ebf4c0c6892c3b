"""The clean share against scipy's own triangles and interpolant of the same points (scipy.spatial, scipy.interpolate)."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.interpolate
import scipy.spatial

from planner.face import cleanup
from planner.face.figures import heights_at


def _share_by_halving(corners: np.ndarray, heights: np.ndarray, level: float, deep: int = 9) -> float:
    """Area at or above a level: triangles halved again and again, those still undecided counted by their middle."""
    total, above = 0.0, 0.0
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]) / 2
    total = area.sum()
    for _ in range(deep):
        whole, none = heights.min(axis=1) >= level, heights.max(axis=1) < level
        above += area[whole].sum()
        left = ~(whole | none)
        heights, area = heights[left], area[left]
        middle = (heights + np.roll(heights, -1, axis=1)) / 2  # of the sides 01, 12, 20
        a, b, c = heights.T
        d, e, f = middle.T
        heights = np.concatenate([np.column_stack(t) for t in ((a, d, f), (d, b, e), (f, e, c), (d, e, f))])
        area = np.tile(area / 4, 4)
    return float((above + area[heights.mean(axis=1) >= level].sum()) / total)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("size_mm", [(400.0, 150.0), (150.0, 400.0), (600.0, 60.0)])
def test_share_clean_is_that_of_the_delaunay_triangles(seed, size_mm):
    """Points anywhere, on faces longer than wide: a triangulation of stretched axes differs by up to 0.15."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 1, (14, 2)) * size_mm
    points = np.column_stack([places, rng.normal(0, 0.03, 14)])
    cut = cleanup(points, slopes=(0, 0))
    corners = scipy.spatial.Delaunay(places).simplices
    heights = points[corners, 2] - points[:, 2].max()
    for part in (0.2, 0.5, 0.8):
        depth = part * cut.depth_mm
        assert cut.share_clean(depth) == pytest.approx(_share_by_halving(places[corners], heights, -depth), abs=2e-3)


def test_a_grid_takes_the_diagonals_scipy_takes():
    x, y = (grid.ravel() for grid in np.meshgrid(np.arange(5) * 100.0, np.arange(3) * 75.0))
    points = np.column_stack([x, y, np.random.default_rng(2).normal(0, 0.03, 15)])
    cut = cleanup(points, slopes=(0, 0))
    corners = scipy.spatial.Delaunay(points[:, :2]).simplices
    heights = points[corners, 2] - points[:, 2].max()
    wanted = _share_by_halving(points[corners, :2], heights, -cut.depth_mm / 2)
    assert cut.share_clean(cut.depth_mm / 2) == pytest.approx(wanted, abs=2e-3)


def test_heights_between_points_are_those_of_the_interpolant():
    rng = np.random.default_rng(4)
    points = np.column_stack([rng.uniform(0, 1, (14, 2)) * (400, 150), rng.normal(0, 0.03, 14)])
    inner = rng.uniform(0, 1, (200, 2)) * (400, 150)
    wanted = scipy.interpolate.LinearNDInterpolator(points[:, :2], points[:, 2])(inner)
    known = ~np.isnan(wanted)
    assert known.sum() > 50
    np.testing.assert_allclose(heights_at(points, inner)[known], wanted[known], atol=1e-12)
