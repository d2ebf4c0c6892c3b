"""The survey, or the intake check, prints on the run sheet."""

from __future__ import annotations

from dataclasses import replace

from planner.cut.knowledge import Knowledge
from planner.sheets import run_sheet
from planner.shop import FaceSurvey, Goal, IntakeCheck, SurveyPoint
from planner.units import Units
from planner.week.measured import measured_jobs
from planner.week.queue import estimate_queue
from tests.tiny import MONDAY, tiny_shop


def printed(**measured) -> str:
    shop = replace(tiny_shop(), **measured)
    queue = estimate_queue(shop, Knowledge(), measured_jobs(shop, Knowledge()))
    return run_sheet(shop, shop.jobs[1], queue.estimates[1], Units(), MONDAY)


def test_a_sweep_prints_with_its_readings_first_contact_and_pits():
    at = {"front left": (5, 5, 0.0), "front right": (295, 5, -0.0508), "back left": (5, 175, -0.1016)}
    points = tuple(SurveyPoint(n, *p, pit_mm=0.0254 if n == "front right" else 0.0) for n, p in at.items())
    said = printed(surveys={(1, 1): FaceSurvey(1, 1, MONDAY, points, goal=Goal.AS_IT_LIES, by="ab")})
    for words in ("by ab", "-2.0", "-4.0", "Met first at front left", "clean last at", "Pits: front right 1.0 thou"):
        assert words in said, words
    assert "zero again" not in said


def test_an_intake_check_prints_above_the_empty_sweep():
    said = printed(checks={(1, 1): IntakeCheck(1, 1, MONDAY, 0.0508, 0.127, "along", "along + across")})
    assert "Intake check 02 Mar: at least 2.0 thou (along), at most 5.0 thou" in said and "zero again" in said


def test_without_a_measurement_there_is_room_to_write_one():
    assert "zero again" in printed() and "Swept" not in printed()
