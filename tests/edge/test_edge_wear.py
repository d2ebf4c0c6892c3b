"""What one cut spends of an edge."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.cut import path_in_material, traverse
from planner.cut.setups import LANE_OVERLAP_MM, turns_of_path
from planner.edge import (
    CutSpend,
    arc_ratio,
    edge_use,
    path_for_area,
    planning_limit,
    revolutions,
    speed_factor,
    spend_of_cut,
    swept_area,
    swept_for_path,
)
from tests.tiny import tiny_shop


def simulated_paths(length, width, diameter, feed, offset, inserts, steps=400_000):
    """Path [mm] of each tooth in an uncut face, its trochoid followed in small steps of turn.

    The centre travels along x from clear to clear and the face is 0..length by offset -/+ width/2. The leading half
    cuts; the trailing half runs over metal already cut. Each step is counted once per turn that has it in the face.
    """
    radius = diameter / 2
    turn = (np.arange(steps) + 0.5) / steps  # of one revolution
    paths = []
    for tooth in range(inserts):
        angle = 2 * math.pi * (turn + tooth / inserts)
        x = -1.5 * radius + feed * turn + radius * np.cos(angle)  # in the first turn; each next is one feed further
        y = radius * np.sin(angle)
        turns_in_face = np.floor((length - x) / feed) - np.ceil(-x / feed) + 1
        cutting = (np.cos(angle) > 0) & (np.abs(y - offset) <= width / 2)
        step = np.hypot(feed - 2 * math.pi * radius * np.sin(angle), 2 * math.pi * radius * np.cos(angle)) / steps
        paths.append(float((turns_in_face * step)[cutting].sum()))
    return paths


@given(
    st.floats(0.1, 0.98),
    st.floats(-1, 1),
    st.floats(500, 4000),
    st.integers(1, 6),
    st.floats(200, 400),
    st.floats(0.05, 0.3),
)
@settings(max_examples=25, deadline=None)
def test_path_of_every_edge_against_a_simulated_tooth(share, lean, turns, inserts, diameter, feed):
    width = share * diameter
    offset = lean * (diameter - width) / 2 * 0.95
    length = turns * feed
    expected = path_in_material(length, width, diameter, feed, offset_mm=offset)
    for path in simulated_paths(length, width, diameter, feed, offset, inserts):
        assert path == pytest.approx(expected, rel=1e-3)


def test_arc_ratio_is_that_of_the_engagement():
    assert path_for_area(300 * 120, 0.2, arc_ratio(120, 250, 30)) == pytest.approx(
        path_in_material(300, 120, 250, 0.2, offset_mm=30)
    )
    assert arc_ratio(1e-3, 250) == pytest.approx(1)
    assert arc_ratio(250, 250) == pytest.approx(math.pi / 2)
    with pytest.raises(InputError, match="within the cutter"):
        arc_ratio(200, 250, 30)


@pytest.mark.parametrize("feed", [0.08, 0.2])
def test_turns_follow_from_the_path_whatever_the_feed(feed):
    """L / f turns a pass: of the tiny shop's face, and of one so wide that two lanes cut it."""
    shop = tiny_shop()
    face, cutter = shop.face_of(next(iter(shop.jobs.values()))), next(iter(shop.cutters.values()))
    share = face.net_share if face.net_share is not None else 1.0
    path = path_in_material(face.length_mm, face.width_mm, cutter.diameter_mm, feed, net_share=share)
    assert turns_of_path(face, cutter, 3 * path) == pytest.approx(3 * revolutions(face.length_mm, feed))
    narrow = replace(cutter, diameter_mm=0.7 * face.width_mm)
    sizes = (face.length_mm, face.width_mm, narrow.diameter_mm, feed, 1, 100)
    two = traverse(*sizes, run_clear=False, overlap_mm=LANE_OVERLAP_MM, net_share=share)
    assert two.lanes == 2
    assert turns_of_path(face, narrow, two.path_mm) == pytest.approx(2 * revolutions(face.length_mm, feed))


@given(st.floats(0, 1e7), st.floats(0.01, 1), st.floats(1, 1.5))
def test_area_and_path_convert_both_ways(area, feed, ratio):
    assert swept_for_path(path_for_area(area, feed, ratio), feed, ratio) == pytest.approx(area)


def test_planning_limit():
    # common wording: 45 % of the scale for a chance of 5 % at shape 3.71; and R at the limit is 1 - p by definition
    assert planning_limit(3.71, 0.05) == pytest.approx(0.45, abs=2e-3)
    for shape in (1.2, 2.5, 5):
        assert math.exp(-(planning_limit(shape, 0.02) ** shape)) == pytest.approx(0.98)
    for risk in (0, 1, -0.1, math.nan):
        with pytest.raises(InputError, match="risk"):
            planning_limit(3, risk)


def test_one_cut_by_hand():
    spend = spend_of_cut(
        pass_path_mm=100_000,
        face_area_mm2=50_000,
        feed_mm=0.1,
        length_mm=400,
        passes=4,
        speed_factor=1.5,
        skin_passes=1,
        skin_factor=2,
        chip_factor=3,
    )
    assert spend == CutSpend(400_000, 750_000, 600_000, 200_000, 16_000)
    assert spend.share(1.5e9) == pytest.approx(5e-4)
    assert (spend + spend).swept_mm2 == 400_000
    assert edge_use(400_000, 2e9, 1.5, 2) == pytest.approx(6e-4)
    assert swept_area(50_000, 3, 0.5) == 75_000
    assert revolutions(400, 0.1) == pytest.approx(4000)


def test_at_the_reference_speed_nothing_changes_and_faster_costs_more():
    assert speed_factor(300, 300, 0.25) == 1
    assert speed_factor(330, 300, 0.25) == pytest.approx(1.1**3)
    assert speed_factor(600, 300, 1) == 1


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: edge_use(-1, 10), "path_mm"),  # wear does not run backwards
        (lambda: edge_use(1, 0), "capacity_mm"),
        (lambda: edge_use(1, 1, skin_factor=0), "skin_factor"),
        (lambda: speed_factor(100, 100, 1.2), "taylor_n"),
        (lambda: swept_area(1, 1, 1.1), "touched_share"),
        (lambda: spend_of_cut(1, 1, 0.1, 1, passes=2, skin_passes=3), "skin_passes"),
        (lambda: spend_of_cut(1, 1, 0, 1), "feed_mm"),
        (lambda: CutSpend(1, -1, 1, 1, 1), "wear_path_mm"),
        (lambda: path_for_area(1, 0.1, 0.9), "arc_ratio"),
    ],
)
def test_bad_input_is_refused(call, field):
    with pytest.raises(InputError) as refused:
        call()
    assert refused.value.field == field
