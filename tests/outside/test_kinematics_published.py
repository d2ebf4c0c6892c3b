"""Speeds, travels and paths against published worked examples, and against a cutter stepped through the face."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.cut import (
    clearing_travel,
    cutting_travel,
    pass_minutes,
    path_in_material,
    spindle_speed,
    surface_speed,
    table_feed,
)
from planner.face import tram_effect


def test_travel_and_minutes_of_el_hofy():
    """El-Hofy, Fundamentals of Machining Processes, ch. 6: travel 321 mm, 2.68 min, 14.13 m/min.

    Full width on a 30 mm cutter, 3 mm safety at each end: his travel counts D/2 once (all material cut).
    """
    travel = cutting_travel(300, 30, 30) + 2 * 3
    assert travel == pytest.approx(321, abs=1e-9)
    assert pass_minutes(travel, 120) == pytest.approx(2.68, abs=0.00501)  # 2.675, rounded up
    rpm = 120 / (0.1 * 8)
    assert table_feed(0.1, 8, rpm) == pytest.approx(120)
    assert surface_speed(rpm, 30) == pytest.approx(14.13, abs=0.01)


def test_speed_feed_and_approach_of_groover():
    """Groover, Fundamentals of Modern Manufacturing, face-milling problem (from memory).

    5.94 rev/s, 6.42 mm/s, approach 33.5 mm, 52 s; centred, his travel is L + A (all material cut).
    """
    rpm = spindle_speed(2.8 * 60, 150)
    feed = table_feed(0.27, 4, rpm)
    assert rpm / 60 == pytest.approx(5.94, abs=0.005)
    assert feed / 60 == pytest.approx(6.42, abs=0.005)
    travel = cutting_travel(300, 125, 150)
    assert travel - 300 == pytest.approx(33.5, abs=0.1)
    assert pass_minutes(travel, feed) * 60 == pytest.approx(52, abs=0.5)


def test_speed_and_feed_of_course_notes():
    """Course notes after Kalpakjian & Schmid: 145 m/min on 120 mm is 385 rev/min; 0.18 mm × 6 teeth is 415.8 mm/min.

    The notes round the speed to whole revolutions before taking the feed.
    """
    rpm = spindle_speed(145, 120)
    assert rpm == pytest.approx(385, abs=0.5)
    assert table_feed(0.18, 6, 385) == pytest.approx(415.8)


def test_run_clear_of_kalpakjian():
    """Kalpakjian & Schmid, Manufacturing Engineering and Technology (from memory): 65 s, 0.6 mm per tooth.

    The book runs out by D/2 on each side, L + D; the cutter is geometrically clear a little earlier only where the
    face does not reach the centre line, and here it does: both agree.
    """
    assert table_feed(0.6, 10, 100) == pytest.approx(600)
    assert clearing_travel(500, 60, 150) == pytest.approx(650)
    assert pass_minutes(clearing_travel(500, 60, 150), 600) * 60 == pytest.approx(65)


def test_engagement_and_path_derived():
    """Plain geometry: D 250, W 200, 0.2 mm/rev over 500 mm, centred; 106.26°, 29.5 % of a turn, 579.6 m."""
    path_mm = path_in_material(500, 200, 250, 0.2)
    angle_deg = math.degrees(path_mm / (500 / 0.2) / 125)
    assert angle_deg == pytest.approx(106.26, abs=0.005)
    assert angle_deg / 360 == pytest.approx(0.295, abs=0.0005)
    assert path_mm / 1000 == pytest.approx(579.6, abs=0.05)


@pytest.mark.parametrize(("width", "offset", "approach"), [(60, 45, 73.485), (100, 25, 75.0)])
def test_approach_derived(width, offset, approach):
    """Plain geometry on a 150 mm cutter: 60 mm flush to its side; 100 mm set off by 25 (one side on the rim)."""
    assert cutting_travel(300, width, 150, offset) - 300 == pytest.approx(approach, abs=5e-4)


faces = st.tuples(
    st.floats(60, 400),  # length
    st.floats(0.1, 0.98),  # width as a share of the diameter
    st.floats(-1, 1),  # offset as a share of the room there is
    st.floats(80, 360),  # diameter
)


def unpack(face):
    length, share, aside, diameter = face
    width = share * diameter
    return length, width, diameter, aside * (diameter - width) / 2 * 0.999


def stepped_cutter(length, width, diameter, offset, advance):
    """Advance a disc over a face sampled across its width; travel to the last place swept, and to the disc clear."""
    y = np.linspace(offset - width / 2, offset + width / 2, 4001)
    reach = np.sqrt(np.maximum(0.0, (diameter / 2) ** 2 - y**2))
    table = np.arange(-diameter, length + diameter, advance)
    touched = (table[:, None] + reach >= 0).any(axis=1) & (table[:, None] - reach <= length).any(axis=1)
    swept = (table[:, None] + reach >= length).all(axis=1)
    first = table[np.argmax(touched)]
    return table[np.argmax(swept)] - first, table[np.flatnonzero(touched)[-1]] - first


@settings(max_examples=40, deadline=None)
@given(faces)
def test_travels_against_a_stepped_cutter(face):
    length, width, diameter, offset = unpack(face)
    advance = 0.5
    cut, clear = stepped_cutter(length, width, diameter, offset, advance)
    # the sampled sides and the steps of the table each leave an uncertainty of about a step
    assert cutting_travel(length, width, diameter, offset) == pytest.approx(cut, abs=2 * advance + 1e-9)
    assert clearing_travel(length, width, diameter, offset) == pytest.approx(clear, abs=2 * advance + 1e-9)


def simulated_path(length, width, diameter, feed, offset, inserts):
    """Follow every edge on its trochoid; count the path where the tip is on the face, ahead of the cutter's centre."""
    radius = diameter / 2
    # the leading half meets the face while the centre runs from one radius before it to its end
    turns = (length + radius) / feed
    # steps fine enough for several hundred in each meeting with the metal, however narrow the face
    engaged = math.asin(min(1.0, (offset + width / 2) / radius)) - math.asin(max(-1.0, (offset - width / 2) / radius))
    steps = max(2000, math.ceil(400 * 2 * math.pi / engaged))
    angle = np.arange(0.0, 2 * math.pi * turns, 2 * math.pi / steps)
    paths = []
    for insert in range(inserts):
        turned = angle + 2 * math.pi * insert / inserts
        x = -radius + feed * angle / (2 * math.pi) + radius * np.cos(turned)
        y = radius * np.sin(turned)
        cutting = (x >= 0) & (x <= length) & (np.abs(y - offset) <= width / 2) & (np.cos(turned) > 0)
        move = np.hypot(np.diff(x), np.diff(y))
        paths.append(float(move[cutting[1:]].sum()))
    return np.array(paths)


@settings(max_examples=15, deadline=None)
@given(faces, st.sampled_from([1, 2, 3]), st.floats(0.8, 2.0))
def test_path_of_each_edge_against_a_turned_cutter(face, inserts, feed):
    """Feeds far coarser than in use, to keep the simulation short: the trochoid then differs from circles by f/(πR)."""
    length, width, diameter, offset = unpack(face)
    simulated = simulated_path(length, width, diameter, feed, offset, inserts)
    expected = path_in_material(length, width, diameter, feed, offset)
    one_turn = expected * feed / length
    bound = expected * (feed / diameter) + 2 * one_turn
    assert np.abs(simulated - expected).max() <= bound
    # all edges together: z times the path of one
    assert simulated.sum() == pytest.approx(inserts * expected, abs=inserts * bound)


@settings(max_examples=25, deadline=None)
@given(faces, st.floats(0.005, 0.05))
def test_hollow_of_a_leaning_spindle_against_its_swept_surface(face, tram):
    """Tilt a cutter along its travel and keep, for every place across the face, the lowest place any tip reaches."""
    _, width, diameter, offset = unpack(face)
    radius, sweep = diameter / 2, 300.0
    turned = np.linspace(-math.pi / 2, math.pi / 2, 20001)
    y, z = radius * np.sin(turned), -tram / sweep * radius * np.cos(turned)
    inside = np.abs(y - offset) <= width / 2
    hollow = z[inside].max() - z[inside].min()
    effect = tram_effect(tram, 0.0, sweep, diameter, width, offset)
    assert effect.hollow_mm == pytest.approx(hollow, rel=0.02, abs=1e-6)
