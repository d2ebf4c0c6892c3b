"""A part warm from washing or welding waits in the plan, and nobody measures it meanwhile."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from planner import InputError
from planner.shop import FaceSurvey, Gate, GateKind, GateState, HeightReading, HeightStage, JobState, SurveyPoint
from planner.store.file_rows import read_gate, write_gate
from planner.week.adapt import week_of
from planner.week.cooling import cooling
from planner.week.queue import estimate_queue
from tests.tiny import MONDAY


def washed(shop, before_minutes, **job):
    at = MONDAY - timedelta(minutes=before_minutes)
    gate = Gate(GateKind.CLEAN, GateState.DONE, "ab", at.date(), at=at)
    part = replace(shop.parts[3], route=(gate,))
    return replace(shop, parts={**shop.parts, 3: part}, jobs={**shop.jobs, 3: replace(shop.jobs[3], **job)})


def waits(shop):
    return next(j for j in week_of(shop, estimate_queue(shop), MONDAY).jobs if j.id == "3").not_before_min


def test_the_wait_counts_from_the_minute_the_part_was_washed(shop):
    assert waits(washed(shop, 60)) == pytest.approx(120)
    assert waits(washed(shop, 180)) == 0
    found = cooling(washed(shop, 60), washed(shop, 60).parts[3], MONDAY)
    assert (found.until, found.after) == (MONDAY + timedelta(minutes=120), "washing")


def test_a_shop_that_washes_cold_does_not_wait(shop):
    warm = washed(shop, 10)
    assert waits(replace(warm, settings=replace(warm.settings, wash_cool_minutes=0))) == 0
    assert waits(replace(warm, settings=replace(warm.settings, wash_cool_minutes=45))) == pytest.approx(35)


def test_washing_without_its_hour_does_not_make_it_wait(shop):
    gate = Gate(GateKind.CLEAN, GateState.DONE, "ab", MONDAY.date())
    assert cooling(shop, replace(shop.parts[3], route=(gate,)), MONDAY) is None


def test_the_longest_wait_counts(shop):
    warm = washed(shop, 100)
    at = MONDAY - timedelta(minutes=30)
    weld = Gate(GateKind.WELD, GateState.DONE, "ab", at.date(), at=at)
    part = replace(warm.parts[3], route=(*warm.parts[3].route, weld))
    found = cooling(warm, part, MONDAY)
    assert (found.after, found.until) == ("welding", at + timedelta(minutes=180))


def test_whoever_knows_better_is_believed(shop):
    assert waits(washed(shop, 60, not_before=MONDAY - timedelta(minutes=5))) == 0  # found cool since
    assert waits(washed(shop, 60, not_before=MONDAY - timedelta(days=2))) == pytest.approx(120)  # named before
    assert (
        cooling(shop := washed(shop, 60), shop.parts[3], MONDAY, replace(shop.jobs[3], state=JobState.RUNNING)) is None
    )


def test_a_part_measured_since_is_cool(shop):
    warm = washed(shop, 60)
    face_id = warm.face_of(warm.jobs[3]).id
    reading = HeightReading(face_id, "a", 100.0, MONDAY - timedelta(minutes=10), temperature_c=21.0)
    for taken, waiting in (
        (reading, False),
        (replace(reading, temperature_c=None), True),  # nobody knows how warm it was
        (replace(reading, at=MONDAY - timedelta(days=1)), True),
        (replace(reading, stage=HeightStage.CHECK), True),
    ):
        assert (cooling(warm, replace(warm.parts[3], heights=(taken,)), MONDAY) is not None) is waiting
    points = tuple(SurveyPoint(n, x, y, 0.0) for n, x, y in (("a", 0, 0), ("b", 9, 0), ("c", 0, 9)))
    swept = FaceSurvey(3, face_id, MONDAY - timedelta(minutes=5), points)
    assert cooling(replace(warm, surveys={(3, face_id): swept}), warm.parts[3], MONDAY) is None


def test_a_gate_keeps_its_minute_in_a_file_and_refuses_another_days(shop):
    gate = Gate(GateKind.CLEAN, GateState.DONE, "W T", MONDAY.date(), at=datetime.combine(MONDAY.date(), MONDAY.time()))
    assert read_gate(GateKind.CLEAN, write_gate(gate)) == gate
    plain = replace(gate, at=None)
    assert read_gate(GateKind.CLEAN, write_gate(plain)) == plain
    for said in ("done WT 13:40", "done WT 2026-03-02 25:00", "done 13:40"):
        with pytest.raises(InputError):
            read_gate(GateKind.CLEAN, said)
    with pytest.raises(InputError, match="gate.at"):
        replace(gate, at=MONDAY + timedelta(days=1))
