"""The run sheet at the machine: two taps a pass, undo, index, pause, the end; nothing typed is lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from planner.cut.running import fold
from planner.shop import JobState, Outcome
from planner.units import MM_PER_THOU
from planner.week.following import follow_runs
from planner.week.queue import estimate_queue


def press(at, label, nth=0):
    found = [b for b in at.button if label in b.label]
    assert found, (label, [b.label for b in at.button])
    found[nth].click()
    at.run()
    assert not at.exception, [e.value for e in at.exception]
    return at


def field(at, label):
    found = [f for f in at.text_input if label in f.label]
    assert found, (label, [f.label for f in at.text_input])
    return found[0]


def said(at) -> str:
    shown = (*at.markdown, *at.caption, *at.title, *at.error, *at.warning, *at.info, *at.success)
    return " | ".join(str(e.value) for e in shown)


@pytest.fixture
def sheet(app, store, go):
    """The run sheet of the tiny shop's first job; its only person is named."""
    app.run()
    app.selectbox(key="who").select_index(1).run()
    go(app, "run")
    job = next(iter(store.load_shop().jobs.values()))
    app.selectbox(key="run job").select(job.id).run()
    assert not app.exception
    return app, store, job.id


def to_the_mark(at):
    press(at, "begin")
    press(at, "Paper grips")
    press(at, "First mark")
    return at


def test_a_job_from_the_paper_to_its_record(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    assert store.load_shop().jobs[job_id].state is JobState.RUNNING
    state = fold(store.taps_of(job_id))
    assert state.ready_to_cut and state.zero.below_first_mm == 0 and state.zero.offset_mm == pytest.approx(0.1016)
    # the kiss pass stands at the paper's thickness: 4 thou
    assert "4.0 thou" in said(at)
    press(at, "As planned")
    press(at, "half")
    press(at, "As planned")
    press(at, "Clean")
    # till it is done, the finishing pass where there is one
    for _ in range(3):
        if any("As planned" in b.label for b in at.button):
            press(at, "As planned")
            press(at, "good")
    state = fold(store.taps_of(job_id))
    assert state.clean_mm is not None and state.passes[-1].finishing
    assert state.not_clean_mm == 0 and state.removed_mm >= state.clean_mm
    at.checkbox(key=next(c.key for c in at.checkbox if "out" in c.label)).check().run()
    press(at, "Record and end")
    assert store.load_shop().jobs[job_id].state is JobState.CUT
    cut = store.cuts_of(store.load_shop().jobs[job_id].part_id)[-1]
    assert cut.outcome is Outcome.FINISHED and cut.stop_depth_mm == pytest.approx(state.removed_mm)
    assert cut.delta_mm == 0 and cut.by == "ab" and len(cut.passes) == len(state.passes)
    assert cut.clean_upper_mm == pytest.approx(max(state.clean_mm, 0.0127))


def test_finishing_wants_the_plugs_counted_out(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    press(at, "As planned")
    press(at, "Clean")
    press(at, "As planned")
    press(at, "good")
    press(at, "Record and end")
    assert store.cuts_of(store.load_shop().jobs[job_id].part_id) == ()
    assert "counted out" in said(at)


def test_undo_takes_the_last_entry_back_and_another_session_is_told(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    press(at, "As planned")
    press(at, "half")
    press(at, "Undo it")
    assert fold(store.taps_of(job_id)).waits_for_look
    press(at, "Undo it")
    assert fold(store.taps_of(job_id)).passes == ()
    # the desk taps meanwhile: what is pressed here was decided on an older picture
    store.add_tap(job_id, "step", {"name": "dye"}, datetime(2026, 3, 2, 8), "xy")
    found = next(b for b in at.button if "As planned" in b.label)
    found.click()
    at.run()
    assert "Another session" in said(at)
    assert fold(store.taps_of(job_id)).passes == ()


def test_as_set_counts_and_never_goes_past_the_limit(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    press(at, "As planned")
    press(at, "all")
    field(at, "stands at").set_value("6").run()
    press(at, "Traversing at that")
    # 6 thou on the dial, zero on paper of 4: 2 thou deep
    assert fold(store.taps_of(job_id)).removed_mm == pytest.approx(2 * MM_PER_THOU)
    press(at, "quarter")
    # 99.80 mm measured, least height 99: 0.8 mm in hand, less the doubt
    field(at, "stands at").set_value("40").run()
    press(at, "Traversing at that")
    assert "stop and call" in said(at)
    assert fold(store.taps_of(job_id)).removed_mm == pytest.approx(2 * MM_PER_THOU)


def test_the_queue_follows_each_tap(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    press(at, "As planned")
    press(at, "all")
    shop = store.load_shop()
    plain = estimate_queue(replace(shop, taps={}))
    now = follow_runs(plain, shop)
    assert len(now.estimates[job_id].passes) == len(plain.estimates[job_id].passes) - 1
    assert now.estimates[job_id].machine_minutes < plain.estimates[job_id].machine_minutes


def test_pause_keeps_what_was_done_and_taken_off_asks_for_a_new_zero(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    press(at, "As planned")
    press(at, "half")
    press(at, "As planned")
    press(at, "quarter")
    removed = fold(store.taps_of(job_id)).removed_mm
    at.session_state["pause or hold"] = True
    at.run()
    press(at, "Pause to another day")
    assert store.load_shop().jobs[job_id].state is JobState.WAITING
    press(at, "it was taken off")
    state = fold(store.taps_of(job_id))
    assert state.removed_mm == removed and not state.ready_to_cut
    press(at, "Paper grips")
    state = fold(store.taps_of(job_id))
    assert state.ready_to_cut
    # the next pass counts from the cut face: its own depth and the paper
    assert state.zero.below_mm(removed) == pytest.approx(0.1016)
