"""Heights point by point and the figures on the depth instrument, against a simulated cutter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.face import (
    TouchOff,
    cleanup,
    cool_down_minutes,
    gaps,
    greatest_depth,
    height_elsewhere,
    heights_after,
    lowest_corner,
    touch_off_delta,
    warmest_c,
)


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
    setting = TouchOff(touch_off_delta(points, touch), paper, shows, counts_up)
    cutter = Cutter(points[:, 2], counts_up)
    cutter.touch(touch, paper, shows)
    reading = setting.reading_mm(found.depth_mm)
    cutter.cut(reading)
    assert cutter.plane == pytest.approx((points[:, 2] - pits).min(), abs=1e-12)
    assert setting.depth_mm(reading) == pytest.approx(found.depth_mm, abs=1e-12)
    lost = points[touch, 2] - cutter.surface[touch]
    assert setting.height_lost_at_touch_mm(reading) == pytest.approx(lost, abs=1e-12)  # whatever delta was
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


def test_greatest_depth_reaches_the_limit_exactly():
    points, _, _, heights = crooked_face(7)
    limit = heights.min() - 0.2
    deepest = greatest_depth(heights, gaps(points), limit)
    assert heights_after(heights, gaps(points), deepest).min() == pytest.approx(limit, abs=1e-12)
    assert greatest_depth(heights, gaps(points), heights.min() + 0.1) == 0


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 10**6), kiss=st.floats(0, 0.04), greatest=st.sampled_from([0.04, 0.1]))
def test_first_traverse_never_bites_more_than_planned(seed, kiss, greatest):
    points, _, _, _ = crooked_face(seed)
    low = int(np.argmin(points[:, 2]))
    setting = TouchOff(touch_off_delta(points, low), paper_mm=0.1)
    first = setting.first_traverse(kiss, greatest)
    cutter = Cutter(points[:, 2], counts_up=True)
    cutter.touch(low, 0.1, 0.0)
    cutter.cut(first.reading_mm)
    assert points[:, 2].max() - cutter.plane == pytest.approx(kiss, abs=1e-12)
    bite_at_zero = points[:, 2].max() - (points[low, 2] + 0.1)
    assert first.may_traverse_at_zero == (bite_at_zero <= greatest)
    assert first.raised_mm == pytest.approx(max(0, bite_at_zero - kiss), abs=1e-12)


def test_without_a_survey_the_start_is_raised_by_the_usual_out_of_flat():
    setting = TouchOff(None, paper_mm=0.1)
    first = setting.first_traverse(0.0, 0.1, usual_out_of_flat_mm=0.25)
    assert (first.reading_mm, first.raised_mm, first.assumed) == (pytest.approx(-0.15), pytest.approx(0.15), True)
    assert not first.may_traverse_at_zero
    assert setting.depth_mm(0.3) is None  # delta unknown: a reading says nothing about depth from first contact
    assert setting.height_lost_at_touch_mm(0.3) == pytest.approx(0.2)
    with pytest.raises(InputError, match="usual_out_of_flat_mm"):
        setting.reading_mm(0.1)


def test_steps_and_turns_of_the_dial():
    thou = 0.0254
    setting = TouchOff(1 * thou, 4 * thou, at_touch_mm=0.0, per_turn_mm=100 * thou, step_mm=0.5 * thou)
    depth = setting.settable_depth_mm(2.3 * thou)
    assert depth / thou == pytest.approx(2.5)
    assert setting.settable_depth_mm(2.3 * thou, deeper=False) / thou == pytest.approx(2.0)
    assert setting.settable_depth_mm(2.5 * thou) / thou == pytest.approx(2.5)
    assert setting.dial(setting.reading_mm(depth)) == (0, pytest.approx(5.5 * thou))
    assert setting.dial(-1 * thou) == (-1, pytest.approx(99 * thou))
    assert setting.to_go_mm(5.0 * thou, depth) / thou == pytest.approx(0.5)
    down = TouchOff(0.0, 0.0, at_touch_mm=40 * thou, counts_up=False, step_mm=thou)
    assert down.reading_mm(3 * thou) / thou == pytest.approx(37)
    assert down.settable_depth_mm(2.3 * thou) / thou == pytest.approx(3)
    assert down.settable_depth_mm(2.3 * thou, deeper=False) / thou == pytest.approx(2)
    assert down.to_go_mm(39 * thou, 3 * thou) / thou == pytest.approx(2)


def test_a_warm_part_waits_until_it_may_be_measured():
    assert warmest_c(127, 23, 0.0508) == pytest.approx(4.35, abs=0.01)
    assert cool_down_minutes(60, 3, 60) == pytest.approx(60 * np.log(20))
    assert cool_down_minutes(2, 3, 60) == 0


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: TouchOff(-0.1), "delta_mm"),
        (lambda: TouchOff(0.0, paper_mm=-1), "paper_mm"),
        (lambda: TouchOff(0.0).first_traverse(0.2, 0.1), "pass_mm"),
        (lambda: touch_off_delta([[0, 0, 0]], 3), "touch"),
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
