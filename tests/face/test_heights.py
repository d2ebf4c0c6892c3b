"""Heights point by point and the figures on the depth instrument, against a simulated cutter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.cut.running import Zeroed
from planner.face import (
    cleanup,
    cool_down_minutes,
    gaps,
    height_elsewhere,
    heights_after,
    lowest_corner,
    warmest_c,
)
from planner.shop import Counts, DepthInstrument


def crooked_face(seed, n=30):
    """Tilted, warped and pitted: survey points, pits, slopes of the datum, heights above the datum at every point."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 300, n), rng.uniform(0, 180, n)
    z = 0.05 * ((x - 150) / 150) ** 2 + rng.normal(0, 0.01, n) + 3e-4 * x - 2e-4 * y + 12
    pits = np.where(rng.random(n) < 0.2, rng.exponential(0.04, n), 0)
    datum = rng.normal(0, 2e-4, 2)
    heights = z - (np.column_stack([x, y]) @ datum - 88.0)
    return np.column_stack([x, y, z]), pits, datum, heights


class Cutter:
    """A cutter on a spindle with a depth instrument, moved by readings alone; it cuts all that stands above it."""

    def __init__(self, surface, counts_up):
        self.surface, self.counts_up = surface.copy(), counts_up

    def touch(self, index, paper, shows):
        self.at_touch, self.zero = self.surface[index] + paper, shows

    def cut(self, reading):
        down = reading - self.zero if self.counts_up else self.zero - reading
        self.plane = self.at_touch - down
        self.surface = np.minimum(self.surface, self.plane)


@settings(max_examples=80, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    touch=st.integers(0, 29),
    paper=st.sampled_from([0.0, 0.1]),
    counts_up=st.booleans(),
    shows=st.sampled_from([0.0, 3.7]),
)
def test_reading_lands_the_cutter_on_the_clean_up_plane(seed, touch, paper, counts_up, shows):
    points, pits, datum, heights = crooked_face(seed)
    found = cleanup(points, pits, slopes=(0, 0))
    zero = Zeroed("", paper, float(np.ptp(points[[touch, np.argmax(points[:, 2])], 2])), shows)
    dial = DepthInstrument(counts=Counts.UP if counts_up else Counts.DOWN)
    cutter = Cutter(points[:, 2], counts_up)
    cutter.touch(touch, paper, shows)
    below = zero.below_mm(found.depth_mm)
    reading = dial.standing_mm(below, zero.at_zero_mm)
    cutter.cut(reading)
    assert cutter.plane == pytest.approx((points[:, 2] - pits).min(), abs=1e-12)
    assert zero.total_mm(below) == pytest.approx(found.depth_mm, abs=1e-12)
    # what the place touched has lost is told by the instrument alone, wherever first contact is
    assert max(0.0, below - paper) == pytest.approx(points[touch, 2] - cutter.surface[touch], abs=1e-12)
    # heights: what the simulated cut leaves above the datum, point by point
    above = cutter.surface - (points[:, :2] @ datum - 88.0)
    assert heights_after(heights, gaps(points), found.depth_mm) == pytest.approx(above, abs=1e-12)
    predicted = height_elsewhere(above[touch], points[touch, :2], points[:, :2], (0, 0), datum)
    assert predicted == pytest.approx(above, abs=1e-9)
    corners = np.array([[0, 0], [300, 0], [300, 180], [0, 180.0]])
    corner_heights = cutter.plane - (corners @ datum - 88.0)
    lowest = lowest_corner(above[touch], points[touch, :2], corners, datum_slopes=datum)
    assert lowest.height_mm == pytest.approx(corner_heights.min(), abs=1e-9)
    assert lowest.index == np.argmin(corner_heights)


def test_partial_cut_leaves_low_points_alone():
    points, _, datum, heights = crooked_face(5)
    depth = 0.4 * np.ptp(points[:, 2])
    surface = np.minimum(points[:, 2], points[:, 2].max() - depth)
    above = surface - (points[:, :2] @ datum - 88.0)
    assert heights_after(heights, gaps(points), depth) == pytest.approx(above, abs=1e-12)
    assert (surface == points[:, 2]).any()


def test_heights_with_the_part_levelled_by_slopes():
    """The cut of a levelled part, in the coordinates of the survey before levelling."""
    points, pits, datum, heights = crooked_face(6)
    found = cleanup(points, pits)
    slopes = (found.slope_x, found.slope_y)
    level = points[:, 2] - points[:, :2] @ slopes
    plane = (level - pits).min() + points[:, :2] @ slopes
    above = np.minimum(points[:, 2], plane) - (points[:, :2] @ datum - 88.0)
    assert heights_after(heights, gaps(points, slopes=slopes), found.depth_mm) == pytest.approx(above, abs=1e-9)
    assert height_elsewhere(above[0], points[0, :2], points[9, :2], slopes, datum) == pytest.approx(above[9], abs=1e-9)


def test_a_warm_part_waits_until_it_may_be_measured():
    assert warmest_c(127, 23, 0.0508) == pytest.approx(4.35, abs=0.01)
    assert cool_down_minutes(60, 3, 60) == pytest.approx(60 * np.log(20))
    assert cool_down_minutes(2, 3, 60) == 0


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: heights_after([1, 2], [0, -1], 0.1), "gaps_mm"),
        (lambda: heights_after([1, 2], [0, 0], -0.1), "depth_mm"),
        (lambda: gaps([]), "points"),
        (lambda: lowest_corner(1.0, (0, 0), np.zeros((0, 2))), "outline"),
        (lambda: warmest_c(100, 23, 0), "tolerance_mm"),
    ],
)
def test_wrong_input(call, field):
    with pytest.raises(InputError) as error:
        call()
    assert error.value.field == field
