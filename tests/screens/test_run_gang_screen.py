"""Run sheets of a gang: what is tapped on one stands on all; paused, held and taken back together."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from planner.cut.running import fold
from planner.shop import Job, JobState, Outcome, PassReason
from planner.week.queue import estimate_queue
from tests.screens.run_sheet import end_it, fit, press, said


@pytest.fixture
def gang(sheet):
    """Both heads of the tiny shop's engine on the table together; T-2 stands 0.05 mm lower than T-1."""
    at, store, job_id = sheet
    matched = store.load_shop().set_of(job_id)
    store.save(replace(matched, gang=True), by="ab", at=datetime(2026, 3, 2))
    at.run()
    return at, store, *matched.job_ids


def both(store, *job_ids):
    return [fold(store.taps_of(j)) for j in job_ids]


def test_a_gangs_sheets_follow_from_any_of_them(gang):
    at, store, high, low = gang
    assert "Gang" in said(at)
    course = next(iter(estimate_queue(store.load_shop()).gangs.values()))
    traverses = sum(step.kind.endswith(" pass") for step in course.steps)
    assert f"one setting: likely {traverses} passes to" in said(at)
    press(at, "Sheet of T-2")
    assert at.session_state["run job"] == low
    press(at, "All 2 are on the mill now: begin")
    assert {store.load(Job, j).state for j in (high, low)} == {JobState.RUNNING}
    # one zero, on the highest
    press(at, "Sheet of T-1: touch off")
    assert at.session_state["run job"] == high
    press(at, "Paper grips")
    press(at, "First mark")
    one, other = both(store, high, low)
    assert one.ready_to_cut and other.ready_to_cut
    # the cutter goes 0.05 mm farther down until it meets the lower one, from the same zero
    assert other.zero.offset_mm - one.zero.offset_mm == pytest.approx(0.05, abs=1e-6)
    assert one.first_contact_known and not other.first_contact_known
    press(at, "As planned")
    one, other = both(store, high, low)
    assert [p.reason for p in (*one.passes, *other.passes)] == [PassReason.KISS] * 2
    assert one.waits_for_look and other.waits_for_look and not any("As planned" in b.label for b in at.button)
    # each is looked at, on the same sheet
    press(at, "half")
    press(at, "all")
    press(at, "As planned")
    one, other = both(store, high, low)
    assert one.removed_mm > 0.05 and one.removed_mm - other.removed_mm == pytest.approx(0.05, abs=1e-6)
    assert one.passes[-1].reading == other.passes[-1].reading
    press(at, "Undo it")
    one, other = both(store, high, low)
    assert len(one.passes) == len(other.passes) == 1
    press(at, "As planned")
    press(at, "Clean")
    # what stands on one sheet alone is taken back there first
    press(at, "Undo it")
    press(at, "Clean")
    press(at, "spots")
    press(at, "As planned")
    one, other = both(store, high, low)
    assert one.passes[-1].reason is PassReason.MATCH and other.passes[-1].reason is PassReason.SEARCH
    press(at, "good")
    press(at, "Clean")
    for _ in range(2):
        if any("As planned" in b.label for b in at.button):
            press(at, "As planned")
            press(at, "good", 1)
            press(at, "good")
    one, other = both(store, high, low)
    assert one.clean_mm is not None and other.clean_mm is not None and one.passes[-1].finishing
    # the minutes are shared, and no step is taken for one's own
    assert one.shared == 2 and not one.step_minutes
    end_it(at)
    at.selectbox(key="run job").select(low).run()
    end_it(at)
    shop = store.load_shop()
    cuts = [store.cuts_of(shop.jobs[j].part_id)[-1] for j in (high, low)]
    assert [c.outcome for c in cuts] == [Outcome.FINISHED] * 2
    assert cuts[0].stop_depth_mm - cuts[1].stop_depth_mm == pytest.approx(0.05, abs=1e-6)
    # what heights say of the lower one's first contact is not learned from
    assert cuts[0].delta_mm == 0 and cuts[1].delta_mm is None and cuts[1].clean_upper_mm is None


def test_a_gang_is_paused_and_goes_on_together(gang):
    at, store, high, low = gang
    press(at, "begin")
    press(at, "Paper grips")
    press(at, "First mark")
    press(at, "As planned")
    press(at, "half")
    press(at, "all")
    at.session_state["pause or hold"] = True
    at.run()
    press(at, "Hold it")
    one, other = both(store, high, low)
    assert one.held and other.paused
    assert {store.load(Job, j).state for j in (high, low)} == {JobState.WAITING}
    at.selectbox(key="run job").select(low).run()
    press(at, "still clamped")
    assert "go on from the sheet of T-1" in said(at)
    at.selectbox(key="run job").select(high).run()
    press(at, "still clamped")
    one, other = both(store, high, low)
    assert one.ready_to_cut and other.ready_to_cut
    press(at, "Undo it")
    one, other = both(store, high, low)
    assert one.held and other.paused


def test_a_held_gangs_hold_is_taken_back_from_any_sheet(gang):
    at, store, high, low = gang
    press(at, "begin")
    at.session_state["pause or hold"] = True
    at.run()
    press(at, "Hold it")
    assert store.load_shop().part_of(store.load(Job, high)).open_holds
    at.selectbox(key="run job").select(low).run()
    press(at, "Undo it")
    one, other = both(store, high, low)
    assert not one.held and not one.paused and not other.paused
    # nobody is waited for any more: the part, too, may go on
    shop = store.load_shop()
    assert not shop.part_of(shop.jobs[high]).open_holds
    assert {shop.jobs[j].state for j in (high, low)} == {JobState.RUNNING}


def test_an_edge_chipped_on_one_sheet_of_a_gang_stops_all(gang):
    at, store, high, low = gang
    fit(store)
    at.run()
    press(at, "begin")
    press(at, "Paper grips")
    press(at, "First mark")
    assert any("As planned" in b.label for b in at.button)
    press(at, "It chipped")
    assert all(state.chipped for state in both(store, high, low))
    at.selectbox(key="run job").select(low).run()
    assert "index it before the next pass" in said(at) and not any("As planned" in b.label for b in at.button)
