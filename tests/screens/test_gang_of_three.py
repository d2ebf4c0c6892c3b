"""A gang of three: who is ended leaves it, the others may be zeroed anew and go on; the set's page tells what is cut."""

from __future__ import annotations

import pytest

from planner.cut.running import fold
from planner.shop import Job, JobState, Outcome
from planner.units import Units
from planner.week.queue import estimate_queue
from tests.gangs import gang_of_three
from tests.screens.conftest import fill
from tests.screens.run_sheet import end_it, fit, press, said

T1, T2, T5 = 1, 2, 5
"""T-1 is the highest, T-5 lies 0.02 mm below it, T-2 0.05 mm."""


@pytest.fixture
def store(empty_own):
    fill(empty_own, gang_of_three())
    fit(empty_own)
    return empty_own


def runs(store, *ids):
    return [fold(store.taps_of(j)) for j in ids]


def table(at, column):
    return next(d.value for d in at.dataframe if column in d.value.columns)


def turn(at, job_id):
    at.selectbox(key="run job").select(job_id).run()
    assert not at.exception
    return at


def end_now(at):
    """End a job although passes are still to come."""
    at.session_state["end/False"] = True
    at.run()
    end_it(at)
    at.session_state["end/False"] = False
    at.run()


def end_as(at, job_id, outcome):
    """End a job under way in another way than the sheet proposes."""
    turn(at, job_id)
    at.session_state["end/False"] = True
    at.run()
    next(s for s in at.selectbox if s.label.startswith("How it ended")).select(outcome).run()
    press(at, "Record and end")


def down_to_a_pass(at):
    """On the machine, one zero on the highest, kissed, and one pass that all have been looked at after."""
    press(at, "All 3 are on the mill now: begin")
    press(at, "Paper grips")
    press(at, "First mark")
    press(at, "As planned")
    for _ in range(3):
        press(at, "all")
    press(at, "As planned")


def test_the_set_page_the_queue_and_the_sheets_tell_one_depth(sheet, go):
    at, store, _ = sheet
    queue = estimate_queue(store.load_shop())
    (course,) = queue.gangs.values()
    go(at, "sets")
    shown = table(at, "Height lost").set_index("Member")
    go(at, "week")
    listed = table(at, "Cut").set_index("Part")
    for job_id in (T1, T2, T5):
        tag = store.load_shop().part_of(store.load(Job, job_id)).tag
        depth = Units().depth(course.stop_mm - course.below_mm[job_id], unit=False)
        assert shown.loc[tag, "Cut"].startswith(f"likely {depth}, allow")
        assert shown.loc[tag, "Cut"] == listed.loc[tag, "Cut"]
        assert int(shown.loc[tag, "Passes"]) == int(listed.loc[tag, "Passes"]) == len(course.course.likely)
        assert shown.loc[tag, "Height lost"] == f"{depth} thou"
        go(at, "run")
        turn(at, job_id)
        assert next(m for m in at.metric if m.label == "Depth, likely").value == f"{depth} thou"
        assert "as the gang is cut" in said(at)
    assert shown["Height after"].nunique() == 1


def test_one_of_three_is_ended_and_the_others_are_zeroed_anew_and_go_on(sheet, go):
    at, store, _ = sheet
    turn(at, T1)
    down_to_a_pass(at)
    # T-1 clean, the others not yet; in the order T-1, T-2, T-5
    press(at, "Clean")
    press(at, "spots")
    press(at, "spots")
    end_now(at)
    assert store.load(Job, T1).state is JobState.CUT
    turn(at, T2)
    assert "T-1 is ended: off the table before the next pass" in said(at)
    assert "Gang: T-2, T-5" in said(at)
    # the edge is indexed: the new zero is set once, for both
    before = runs(store, T2, T5)
    press(at, "Changed it")
    for name in ("pocket clean", "screw to torque", "height against its mates"):
        press(at, name)
    press(at, "Paper grips")
    after = runs(store, T2, T5)
    assert all(s.ready_to_cut and s.zero.on_cut_face for s in after)
    assert [s.removed_mm for s in after] == pytest.approx([s.removed_mm for s in before])
    assert (after[0].zero.offset_mm - (after[0].zero.below_first_mm or 0)) - (
        after[1].zero.offset_mm - (after[1].zero.below_first_mm or 0)
    ) == pytest.approx(0.03, abs=1e-6)
    # one entry on each sheet for every tap
    assert store.last_tap_seq(T2) == store.last_tap_seq(T5) and store.taps_of(T1) == ()
    press(at, "As planned")
    one, other = runs(store, T2, T5)
    assert one.waits_for_look and other.waits_for_look
    assert one.passes[-1].reading == other.passes[-1].reading
    assert other.removed_mm - one.removed_mm == pytest.approx(0.03, abs=1e-6)
    press(at, "Clean")
    press(at, "Clean")
    go(at, "sets")
    assert "T-2 and T-5 are on the table together" in said(at) or "finished" in said(at)
    go(at, "run")
    for job_id in (T2, T5):
        turn(at, job_id)
        end_it(at)
    cuts = {j: store.cuts_of(store.load(Job, j).part_id)[-1] for j in (T1, T2, T5)}
    assert {c.outcome for c in cuts.values()} == {Outcome.FINISHED}
    assert cuts[T5].stop_depth_mm - cuts[T2].stop_depth_mm == pytest.approx(0.03, abs=1e-6)
    # each is held against what was planned when the three were begun together
    fresh = estimate_queue(gang_of_three())
    for job_id, cut in cuts.items():
        assert cut.planned_depth_mm == pytest.approx(fresh.estimates[job_id].stop_likely_mm)
        assert cut.planned_passes == len(fresh.estimates[job_id].passes_likely)


def test_who_cannot_be_cleaned_is_ended_and_the_others_go_on(sheet):
    at, store, _ = sheet
    turn(at, T1)
    down_to_a_pass(at)
    for _ in range(3):
        press(at, "half")
    end_as(at, T2, Outcome.NOT_CLEAN)
    assert store.load(Job, T2).state is JobState.WAITING
    assert any(h.waiting_for == "lead" for h in store.load_shop().parts[T2].open_holds)
    turn(at, T5)
    assert "T-2 is ended" in said(at) and "Gang: T-1, T-5" in said(at)
    press(at, "As planned")
    high, low = runs(store, T1, T5)
    assert high.waits_for_look and low.waits_for_look
    assert high.removed_mm - low.removed_mm == pytest.approx(0.02, abs=1e-6)


def test_an_entry_that_stands_in_a_record_is_not_taken_back_on_the_others(sheet):
    at, store, _ = sheet
    turn(at, T1)
    down_to_a_pass(at)
    press(at, "Clean")
    press(at, "spots")
    press(at, "spots")
    end_now(at)
    turn(at, T2)
    press(at, "Undo it")
    turn(at, T5)
    press(at, "Undo it")
    # both looks are taken back; the pass before them is in the record of T-1
    passes = [len(s.passes) for s in runs(store, T2, T5)]
    press(at, "Undo it")
    assert "the record of T-1 has it" in said(at)
    assert [len(s.passes) for s in runs(store, T2, T5)] == passes


def test_the_last_one_left_goes_on_by_itself_from_its_own_sheet(sheet):
    at, store, _ = sheet
    turn(at, T1)
    down_to_a_pass(at)
    press(at, "Clean")
    press(at, "spots")
    press(at, "Clean")
    for job_id in (T1, T5):
        turn(at, job_id)
        end_now(at)
    turn(at, T2)
    assert "this one goes on by itself" in said(at) and "T-1 and T-5 are ended" in said(at)
    press(at, "As planned")
    (last,) = runs(store, T2)
    assert last.waits_for_look


def test_who_is_scrapped_leaves_set_and_gang_and_must_come_off_the_table(sheet):
    at, store, _ = sheet
    turn(at, T1)
    down_to_a_pass(at)
    for _ in range(3):
        press(at, "half")
    end_as(at, T2, Outcome.SCRAPPED)
    assert T2 not in next(iter(store.load_shop().sets.values())).job_ids
    turn(at, T5)
    assert "T-2 is ended: off the table before the next pass" in said(at) and "Gang: T-1, T-5" in said(at)
    press(at, "As planned")
    assert all(s.waits_for_look for s in runs(store, T1, T5))
