"""Speeds, travels, lanes and minutes of a traverse."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError
from planner.cut import (
    choose_speed,
    clearing_travel,
    cutting_travel,
    lanes,
    pass_minutes,
    path_in_material,
    spindle_speed,
    surface_speed,
    table_feed,
    traverse,
)


@given(st.floats(1, 5000), st.floats(5, 800))
def test_surface_and_spindle_speed_turn_into_each_other(speed, diameter):
    assert surface_speed(spindle_speed(speed, diameter), diameter) == pytest.approx(speed)


def test_a_list_of_speeds_rounds_down():
    choice = choose_speed(790, 1200, speeds_rpm=[1000, 300, 600, 800])
    assert (choice.rpm, choice.limited_by, choice.faster_than_recipe) == (600, "machine's list", False)


def test_a_listed_speed_is_taken_as_it_is():
    assert choose_speed(800, 1200, speeds_rpm=[600, 800]).limited_by == "recipe"


def test_a_range_is_kept_to():
    assert choose_speed(1400, 3000, least_rpm=150, greatest_rpm=1200).rpm == 1200
    assert choose_speed(700, 3000, least_rpm=150, greatest_rpm=1200).rpm == 700


def test_the_cutters_mark_is_never_passed():
    assert choose_speed(1400, 900).rpm == 900
    assert choose_speed(1400, 900, speeds_rpm=[400, 800, 1000]).rpm == 800
    with pytest.raises(InputError, match="cutter_max_rpm"):
        choose_speed(1400, 300, speeds_rpm=[400, 800])


def test_a_machine_too_fast_for_the_recipe_is_flagged():
    choice = choose_speed(100, 900, least_rpm=150, greatest_rpm=1200)
    assert (choice.rpm, choice.limited_by, choice.faster_than_recipe) == (150, "machine's least", True)


def test_an_unmarked_cutter_is_refused():
    with pytest.raises(InputError, match="marked on the cutter"):
        choose_speed(800, None)


@given(
    st.floats(20, 3000),
    st.floats(200, 3000),
    st.lists(st.floats(20, 3000), max_size=6),
)
def test_the_chosen_speed_stays_below_every_limit(wanted, mark, speeds):
    try:
        choice = choose_speed(wanted, mark, speeds_rpm=speeds)
    except InputError:
        assert min(speeds) > mark
        return
    assert choice.rpm <= mark * (1 + 1e-9)
    assert choice.faster_than_recipe == (choice.rpm > wanted * (1 + 1e-9))
    if speeds:
        assert choice.rpm in speeds


@given(st.floats(20, 2000), st.floats(20, 1500), st.floats(60, 400), st.floats(0, 20))
def test_lanes_cover_the_face_and_fit_the_cutter(length, width, diameter, overlap):
    strips = lanes(width, diameter, overlap_mm=overlap)
    assert strips[0].middle_mm - strips[0].width_mm / 2 == pytest.approx(-width / 2, abs=1e-6)
    assert strips[-1].middle_mm + strips[-1].width_mm / 2 == pytest.approx(width / 2, abs=1e-6)
    for a, b in zip(strips, strips[1:], strict=False):
        assert (a.middle_mm + a.width_mm / 2) - (b.middle_mm - b.width_mm / 2) == pytest.approx(overlap, abs=1e-6)
    assert all(strip.width_mm <= diameter + 1e-6 for strip in strips)
    if len(strips) > 1:
        # one lane less would not reach
        fewer = len(strips) - 1
        assert fewer * diameter - (fewer - 1) * overlap < width + 1e-6


def test_an_offset_that_leaves_a_side_uncut_is_centred():
    assert lanes(100, 120, offset_mm=30)[0].offset_mm == 0
    assert lanes(100, 120, offset_mm=10)[0].offset_mm == 10


def test_traverse_follows_the_machines_rule_and_counts_clearances_and_return():
    common = {"approach_mm": 5, "runout_mm": 3, "return_mm_min": 2000}
    stop = traverse(300, 100, 250, 0.1, 1, 800, run_clear=False, **common)
    clear = traverse(300, 100, 250, 0.1, 1, 800, run_clear=True, **common)
    cut_travel, clear_travel = cutting_travel(300, 100, 250) + 8, clearing_travel(300, 100, 250) + 8
    assert stop.when_cut_minutes == clear.when_cut_minutes == pytest.approx(cut_travel / 80)
    assert stop.run_clear_minutes == clear.run_clear_minutes == pytest.approx(clear_travel / 80)
    assert stop.minutes == pytest.approx(cut_travel / 80 + cut_travel / 2000)
    assert clear.minutes == pytest.approx(clear_travel / 80 + clear_travel / 2000)


def test_two_lanes_take_two_traverses():
    one = traverse(300, 200, 250, 0.1, 1, 800, run_clear=False)
    two = traverse(300, 400, 250, 0.1, 1, 800, run_clear=False)
    assert (one.lanes, two.lanes) == (1, 2)
    assert two.minutes == pytest.approx(2 * one.minutes)
    assert two.path_mm == pytest.approx(2 * one.path_mm)


def test_each_of_several_inserts_runs_the_path_of_the_feed_per_revolution():
    single, triple = (traverse(300, 100, 250, 0.1, z, 800, run_clear=False) for z in (1, 3))
    assert triple.path_mm == pytest.approx(single.path_mm / 3)
    assert triple.minutes == pytest.approx(single.minutes / 3)


def test_a_pass_longer_than_the_tables_travel_is_refused():
    with pytest.raises(InputError, match="table's travel"):
        traverse(900, 100, 250, 0.1, 1, 800, run_clear=True, travel_mm=1000)


@given(st.floats(0, 1))
def test_path_goes_with_the_net_share(share):
    whole = path_in_material(300, 100, 250, 0.1)
    assert path_in_material(300, 100, 250, 0.1, net_share=share) == pytest.approx(whole * share)


BAD = [
    (lambda: spindle_speed(0, 100), "speed_m_min"),
    (lambda: spindle_speed(100, -1), "diameter_mm"),
    (lambda: table_feed(0.1, 1.5, 100), "inserts"),
    (lambda: table_feed(0.1, 0, 100), "inserts"),
    (lambda: table_feed("thin", 1, 100), "feed_mm"),
    (lambda: spindle_speed([100, -200], 100), "speed_m_min[1]"),
    (lambda: spindle_speed([100, 200], [100, 200, 300]), "diameter_mm"),
    (lambda: cutting_travel(100, [60, 101], 100), "width_mm"),
    (lambda: table_feed(0.1, [1, 1.5], 100), "inserts[1]"),
    (lambda: table_feed(0.1, [1, 1.5, 2], 100), "inserts"),
    (lambda: spindle_speed(10**400, 100), "speed_m_min"),
    (lambda: spindle_speed(True, 100), "speed_m_min"),
    (lambda: pass_minutes(math.nan, 10), "travel_mm"),
    (lambda: pass_minutes(100, 0), "table_feed_mm_min"),
    (lambda: pass_minutes(-1, 10), "travel_mm"),
    (lambda: cutting_travel(100, 101, 100), "width_mm"),
    (lambda: cutting_travel(100, 60, 100, 21), "width_mm"),
    (lambda: clearing_travel(math.nan, 60, 100), "length_mm"),
    (lambda: path_in_material(100, 60, 100, 0), "feed_mm"),
    (lambda: path_in_material(100, 60, 100, 0.1, net_share=1.1), "net_share"),
    (lambda: lanes(100, 60, overlap_mm=60), "overlap_mm"),
    (lambda: choose_speed(100, 100, speeds_rpm=[0]), "speeds_rpm[0]"),
    (lambda: choose_speed(100, 100, speeds_rpm=[50], least_rpm=60), "speeds_rpm"),
    (lambda: choose_speed(100, 100, least_rpm=60, greatest_rpm=50), "greatest_rpm"),
]


@pytest.mark.parametrize(("call", "field"), BAD)
def test_wrong_input_names_its_field(call, field):
    with pytest.raises(InputError) as error:
        call()
    assert error.value.field == field


def test_a_face_as_wide_as_the_cutter_is_accepted():
    assert cutting_travel(100, 100, 100) == pytest.approx(150)
