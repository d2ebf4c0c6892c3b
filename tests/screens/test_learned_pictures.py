"""What How it learned draws: speeds only as machine and cutter allow, readings gathered, wear lands listed."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from planner.cut.finish import FinishModel
from planner.cut.knowledge import Missed
from planner.cut.minutes import LearnedMinutes
from planner.cut.pooling import PooledFrom
from planner.cut.setups import setups_for
from planner.cut.work import FinishReadings, WorkMinutes
from planner.edge import Edge, speed_what_if
from planner.edge.ledger import WearReading
from planner.screens.learned_pictures import (
    finish_frames,
    missed_frame,
    settable,
    speed_frames,
    step_tables,
    wear_table,
)
from planner.shop.starting import STEPS
from planner.units import System, Units
from planner.week.measured import SurveysCut
from tests.tiny import MONDAY, tiny_shop

INCH = Units(System.INCH)


def setup_of(**machine):
    shop = tiny_shop()
    family = shop.families[1]
    machines = {i: dataclasses.replace(m, **machine) for i, m in shop.machines.items()}
    found, _ = setups_for(dataclasses.replace(shop, machines=machines), family, family.faces[0], (None, None))
    return found[0]


def test_no_speed_is_shown_above_the_rpm_marked_on_the_cutter():
    setup = setup_of(speeds_rpm=(), least_rpm=50, greatest_rpm=10_000)
    mark = np.pi * setup.cutter.diameter_mm * setup.cutter.max_rpm / 1000
    found = settable(setup, 10 * mark)
    assert found.speed_m_min == pytest.approx(mark) and found.held_by == "cutter's mark"
    assert settable(setup, 0.5 * mark).held_by == ""


def test_a_machine_s_list_rounds_down_and_says_so():
    setup = setup_of(speeds_rpm=(200.0, 400.0), least_rpm=None, greatest_rpm=None)
    wanted = np.pi * setup.cutter.diameter_mm * 300 / 1000
    found = settable(setup, wanted)
    assert found.speed_m_min == pytest.approx(wanted * 200 / 300) and found.held_by == "machine's list"


def test_cheapest_and_fastest_stand_on_the_curve_that_can_be_set():
    setup = setup_of(speeds_rpm=(), least_rpm=50, greatest_rpm=10_000)

    def what_if(speeds):
        # a life so long that the books would have it cut far faster than the mark
        return speed_what_if(speeds, 5.0, setup.speed_m_min, 0.3, 50 * setup.speed_m_min, 10.0, 2.0, 20.0)

    best, marks, curve, dots = speed_frames(setup, what_if, INCH)
    mark = np.pi * setup.cutter.diameter_mm * setup.cutter.max_rpm / 1000
    assert best.fastest_m_min > mark
    assert marks["fastest"].held_by == marks["cheapest"].held_by == "cutter's mark"
    assert curve["speed"].max() * INCH.speed_factor <= mark * (1 + 1e-9)
    assert dots["kind"].tolist() == ["now", "cheapest", "fastest"]
    for column in ("minutes", "cost"):
        assert np.interp(dots["speed"], curve["speed"], curve[column]) == pytest.approx(dots[column], rel=0.01)


def test_readings_that_coincide_are_gathered_and_the_lines_pass_through_the_model():
    read = FinishReadings(np.full(5, 0.1), 0.8, 0.0, np.array([0.4, 0.4, 0.4, 0.5, 0.5]))
    model = FinishModel(1.3, 0.1, 5)
    points, line = finish_frames(read, model, Units(System.METRIC))
    assert points["cuts"].sum() == 5 and len(points) == 2
    assert set(line["kind"]) == {"learned", "starting value", "theory alone"}
    learned = line[line["kind"] == "learned"]
    # Ra = sqrt((ratio f^2 / (18 sqrt(3) r))^2 + floor^2), here by hand
    by_hand = np.hypot(1.3 * 0.1**2 / (18 * 3**0.5 * 0.8) * 1000, 0.1)
    assert np.interp(0.1, learned["feed"], learned["ra"]) == pytest.approx(by_hand, rel=1e-3)


def test_under_a_wiper_theory_is_not_drawn():
    read = FinishReadings(np.array([0.1, 0.12]), 0.8, 1.0, np.array([0.3, 0.3]))
    _, line = finish_frames(read, FinishModel(1.0, 0.3, 2), INCH)
    assert set(line["kind"]) == {"learned", "starting value"}


def test_wear_lands_are_listed_newest_first_in_the_person_s_unit():
    first = WearReading(MONDAY, 0.1, {"aluminium": 2e6})
    later = WearReading(MONDAY.replace(hour=23), 0.254, {"aluminium": 5e6})
    table = wear_table((Edge("D-1", "diamond", 2, readings=(first, later)),), INCH)
    assert table["Wear land (thou)"].tolist() == ["10.0", "3.9"]
    # 5 km are 16 404 ft
    assert table["Path by then (1000 ft)"].tolist() == ["16.4", "6.6"]
    assert wear_table((), INCH).empty


def test_every_step_stands_in_one_table_and_what_was_clocked_has_its_range():
    start = STEPS["aluminium head"]
    kinds, tables = step_tables(start, None)
    assert kinds == ("A person at the machine", "The machine alone", "A person at the bench")
    assert [len(t) for t in tables] == [10, 1, 4]
    assert all((t["From"] == "starting value").all() and (t["Clocked"] == 0).all() for t in tables)
    likely = LearnedMinutes(9.0, 7.0, 11.0, PooledFrom(family=6))
    total = LearnedMinutes(1.1, 1.0, 1.2, PooledFrom(family=6))
    told = WorkMinutes(dataclasses.replace(start, load=9.0, sweep=5.5), total, {"load": likely})
    table = step_tables(start, told)[1][0].set_index("Step")
    load = table.loc["clean, block, load"]
    assert (load["Likely (min)"], load["Least (min)"], load["Allow (min)"], load["Clocked"]) == (
        "9.0",
        "7.0",
        "11.0",
        6,
    )
    assert table.loc["sweep", "From"] == "the whole job's minutes" and table.loc["dye", "From"] == "starting value"


def test_what_surveys_miss_stands_beside_the_cuts_that_showed_it():
    known = SurveysCut(np.array([0.05, 0.05]), np.array([0.04, 0.06]), np.array([0.06, np.inf]), 0.0)
    frame = missed_frame(known, Missed(0.01, 0.5, 2), Units(System.METRIC))
    at = frame.set_index("depth")
    # between 0.01 below and 0.01 beyond the survey one face may be clean; past that it surely is, the other may be
    assert at.loc[at.index > 0.0101, "surely"].eq(0.5).all() and at.loc[at.index > 0.0101, "possibly"].eq(1.0).all()
    assert at.loc[at.index < 0.0099, "surely"].eq(0.0).all()
    assert np.interp(0.01, frame["depth"], frame["fitted"]) == pytest.approx(0.5, abs=0.02)
