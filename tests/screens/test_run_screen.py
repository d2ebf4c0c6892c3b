"""The run sheet at the machine: two taps a pass, undo, index, pause, the end; nothing typed is lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from types import SimpleNamespace

import pytest
from streamlit.testing.v1 import AppTest

from planner import InputError
from planner.cut.running import fold
from planner.screens import run_deeds, run_paper
from planner.shop import Aim, Cut, JobState, Outcome, PassReason, PassRecord, TapKind, TramReading
from planner.store import StaleRecord
from planner.units import MM_PER_THOU, Units
from planner.week.following import follow_runs
from planner.week.queue import estimate_queue
from tests.screens.conftest import APP
from tests.screens.run_sheet import end_it, field, press, said, to_the_mark


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
    end_it(at)
    assert store.load_shop().jobs[job_id].state is JobState.CUT
    cut = store.cuts_of(store.load_shop().jobs[job_id].part_id)[-1]
    assert cut.outcome is Outcome.FINISHED and cut.stop_depth_mm == pytest.approx(state.removed_mm)
    assert cut.delta_mm == 0 and cut.by == "ab" and len(cut.passes) == len(state.passes)
    assert cut.clean_upper_mm == pytest.approx(max(state.clean_mm, 0.0127))
    # the feed of the finishing pass, moved within the recipe toward the Ra band
    assert 0.1 <= cut.feed_mm < 0.15


def test_a_figure_shown_in_one_unit_is_never_read_in_the_other(sheet):
    at, store, job_id = sheet
    press(at, "begin")
    assert float(field(at, "Paper (thou)").value) == pytest.approx(4.0)
    at.segmented_control(key="units").set_value("metric").run()
    assert float(field(at, "Paper (mm)").value) == pytest.approx(0.102)
    press(at, "Paper grips")
    assert fold(store.taps_of(job_id)).zero.offset_mm == pytest.approx(0.102)
    assert float(field(at, "at the first mark (mm)").value) == pytest.approx(0.102)
    at.segmented_control(key="units").set_value("inch").run()
    assert float(field(at, "at the first mark (thou)").value) == pytest.approx(4.0)


def test_a_reload_keeps_the_unit_and_what_was_set_is_told_in_the_readers(sheet, go):
    at, store, job_id = sheet
    to_the_mark(at)
    press(at, "As planned")
    assert "pass set, 4.0 thou" in said(at)
    at.segmented_control(key="units").set_value("metric").run()
    assert "pass set, 0.102 mm" in said(at) and "thou" not in said(at)
    assert [f.value["Stood at"].tolist() for f in at.dataframe if "Stood at" in f.value] == [["0.102 mm"]]
    again = AppTest.from_file(str(APP), default_timeout=60)
    again.query_params["units"] = at.query_params["units"]
    again.run()
    go(again, "run")
    again.selectbox(key="run job").select(job_id).run()
    assert again.session_state["units"] == "metric" and "pass set, 0.102 mm" in said(again)
    again.segmented_control(key="units").set_value("inch").run()
    assert "pass set, 4.0 thou" in said(again) and "units" not in again.query_params


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


def test_a_finger_that_comes_down_twice_is_one_entry(store, monkeypatch):
    """Both taps leave with what the page showed: the second finds its entry there already. Another's does not pass."""
    job = next(iter(store.load_shop().jobs.values()))
    monkeypatch.setattr(run_deeds.access, "repository", lambda: store)
    monkeypatch.setattr(run_deeds.access, "who", lambda: "ab")
    shown = SimpleNamespace(job=job, seen=0)
    for _ in range(3):
        run_deeds.tap(shown, TapKind.STEP, {"name": "load"})
    assert [t.payload["name"] for t in store.taps_of(job.id)] == ["load"]
    with pytest.raises(StaleRecord):
        run_deeds.tap(shown, TapKind.STEP, {"name": "sweep"})
    # a second one meant as such comes from the page as it stands then
    run_deeds.tap(SimpleNamespace(job=job, seen=1), TapKind.STEP, {"name": "load"})
    assert len(store.taps_of(job.id)) == 2


@pytest.mark.parametrize("running", [False, True])
def test_the_plans_next_job_is_opened_but_a_running_one_before_it(app, store, go, monkeypatch, running):
    shop = store.load_shop()
    first, second = sorted(shop.jobs)[:2]
    # the plan has the second one start first
    monkeypatch.setattr("planner.screens.plans.turns", lambda: {second: (0, 1), first: (1, 1)})
    if running:
        at_ten = datetime(2026, 3, 2, 10)
        store.save(replace(shop.jobs[first], state=JobState.RUNNING), by="ab", at=at_ten)
        store.add_tap(first, TapKind.START, {"machine_id": 1}, at_ten, "ab", 0)
    app.run()
    go(app, "run")
    assert app.session_state["run job"] == (first if running else second)


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
    # a figure that would cut air is most likely one counted the wrong way
    field(at, "stands at").set_value("3").run()
    press(at, "Traversing at that")
    assert "mind which way it counts" in said(at)
    assert len(fold(store.taps_of(job_id)).passes) == 2
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


def test_a_spindle_that_would_spoil_the_face_is_told_before_the_part_is_on_the_machine(sheet):
    at, store, job_id = sheet
    assert "out of tram" not in said(at)
    shop = store.load_shop()
    family, machine = shop.families[1], next(iter(shop.machines.values()))
    store.save(replace(family, faces=(replace(family.faces[0], flatness_mm=0.05),)), by="ab", at=datetime(2026, 3, 2))
    reading = TramReading(date(2026, 3, 2), 300, 5.0, 5.0, "ab")
    store.save(replace(machine, tram=(*machine.tram, reading)), by="ab", at=datetime(2026, 3, 2))
    at.run()
    assert "Spindle out of tram" in said(at) and "tram it first" in said(at)


def test_a_refused_setting_is_said_beside_it_and_once(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    field(at, "stands at").input("deep").run()
    press(at, "Traversing at that")
    assert [e.value for e in at.error] and "“deep” will not do" in at.error[0].value
    assert not any(t.kind == TapKind.PASS for t in store.taps_of(job_id))
    at.run()
    assert not at.error


def test_hold_and_call_keeps_the_part_off_the_machine_until_it_goes_on(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    at.session_state["pause or hold"] = True
    at.run()
    press(at, "Hold it")
    shop = store.load_shop()
    part = shop.parts[shop.jobs[job_id].part_id]
    assert shop.jobs[job_id].state is JobState.WAITING and part.open_holds[0].waiting_for == "lead"
    press(at, "still clamped")
    shop = store.load_shop()
    assert not shop.parts[part.id].open_holds and fold(store.taps_of(job_id)).ready_to_cut


def test_one_spot_puts_the_weld_beside_the_rebuilds(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    press(at, "As planned")
    press(at, "one spot")
    press(at, "middle")
    assert fold(store.taps_of(job_id)).passes[-1].dye_left == "one spot, middle"
    at.session_state["weld or go on"] = True
    at.run()
    field(at, "Price").set_value("500").run()
    field(at, "Days away").set_value("3").run()
    assert "Going on costs less" in said(at) and "3 days away" in said(at)
    field(at, "Price").set_value("1").run()
    assert "Welding costs less" in said(at)


def test_a_finished_partner_sets_the_window_and_a_clamped_check_is_one_tap(sheet):
    at, store, job_id = sheet
    shop = store.load_shop()
    other = shop.jobs[next(i for i in shop.set_of(job_id).job_ids if i != job_id)]
    heights = {p.name: 99.68 for p in shop.face_of(other).points}
    passes = (PassRecord(0.05, clean=False), PassRecord(0.07, clean=True))
    store.record_cut(
        Cut(
            other.id,
            other.part_id,
            other.face_id,
            datetime(2026, 3, 2, 9),
            0.07,
            by="ab",
            passes=passes,
            heights_mm=heights,
        )
    )
    at.run()
    to_the_mark(at)
    shown = {m.label: m.value for m in at.metric}
    assert float(shown["Mean height not below (in)"]) < 99.68 / 25.4 < float(shown["Not above (in)"])
    field(at, "Height (in)").set_value("99.70 mm").run()
    press(at, "Store the check")
    assert fold(store.taps_of(job_id)).checks[-1].height_mm == pytest.approx(99.70)
    assert "front left: 3.9252 in" in said(at) and "0.0 thou more" not in said(at)


def test_magnesium_waits_for_a_persons_word(app, store, go):
    shop = store.load_shop()
    family, recipe = shop.families[1], next(r for r in shop.recipes.values() if r.material == "aluminium")
    store.save(replace(recipe, material="magnesium", signed_by="ab"), by="ab", at=datetime(2026, 3, 2))
    store.save(replace(family, material="magnesium"), by="ab", at=datetime(2026, 3, 2))
    app.run()
    app.selectbox(key="who").select_index(1).run()
    go(app, "run")
    job_id = min(shop.jobs)
    app.selectbox(key="run job").select(job_id).run()
    press(app, "begin")
    assert not any("Paper grips" in b.label for b in app.button) and "class D powder" in said(app)
    press(app, "I have looked")
    press(app, "Paper grips")
    press(app, "First mark")
    # no kiss pass, and at least a thou below the mark (on paper of 4)
    first = next(b.label for b in app.button if "As planned" in b.label)
    assert float(first.split("set ")[1].split(" thou")[0]) >= 5.0
    press(app, "As planned")
    assert fold(store.taps_of(job_id)).passes[0].reason is PassReason.SEARCH


def test_a_paper_sheet_is_a_line_of_passes_and_a_line_of_heights(sheet):
    at, store, job_id = sheet
    at.session_state["paper sheet"] = True
    at.run()
    field(at, "Depth after each pass").set_value("0 1.5 300").run()
    press(at, "Record the cut")
    assert "grow by at most" in said(at) and not store.cuts_of(store.load_shop().jobs[job_id].part_id)
    field(at, "Depth after each pass").set_value("0 1.5 3").run()
    field(at, "First clean after").set_value("3").run()
    shop = store.load_shop()
    points = [p.name for p in shop.face_of(shop.jobs[job_id]).points]
    before = shop.part_of(shop.jobs[job_id]).latest_heights_mm(shop.jobs[job_id].face_id)[points[0]].height_mm
    line = field(at, "Heights after")
    line.set_value(f"{before / 25.4 - 0.003:.4f} 9 9 9 9 9 9 9 9").run()
    press(at, "Record the cut")
    assert "Accepted: at most" in said(at) and not store.cuts_of(shop.jobs[job_id].part_id)
    field(at, "Heights after").set_value(f"{before / 25.4 - 0.003:.4f}").run()
    field(at, "Ra (").set_value("30 32").run()
    field(at, "Measuring").set_value("7").run()
    press(at, "Record the cut")
    assert any("recorded" in t.value for t in at.toast)
    cut = store.cuts_of(shop.jobs[job_id].part_id)[-1]
    assert cut.heights_mm == {points[0]: pytest.approx(before - 3 * MM_PER_THOU, abs=2e-3)}
    assert len(cut.ra_um) == 2 and cut.step_minutes == {"measure": 7}


def test_where_it_was_touched_is_chosen_by_keys(sheet):
    at, store, job_id = sheet
    press(at, "begin")
    press(at, "back left")
    press(at, "highest place")
    press(at, "front right", 1)
    press(at, "Paper grips")
    tap = store.taps_of(job_id)[-1]
    # the highest place, which is this point; it lies nothing below first contact
    assert tap.payload["place"] == "front right" and tap.payload["below_first_mm"] == 0.0


def test_a_finished_paper_sheet_says_after_which_pass_it_was_clean_or_that_nobody_noted_it(sheet):
    """Left empty it would teach that the face never was clean down to the depth it was finished at."""
    at, store, job_id = sheet
    at.session_state["paper sheet"] = True
    at.run()
    part_id = store.load_shop().jobs[job_id].part_id
    field(at, "Depth after each pass").set_value("0 1.5 3").run()
    press(at, "Record the cut")
    assert "the kiss pass counted" in said(at) and not store.cuts_of(part_id)
    field(at, "First clean after").set_value("?").run()
    press(at, "Record the cut")
    cut = store.cuts_of(part_id)[-1]
    assert [p.clean for p in cut.passes] == [None, None, None]
    # clean somewhere down to where it was stopped
    assert (cut.clean_lower_mm, cut.clean_upper_mm) == (0.0, pytest.approx(3 * MM_PER_THOU))


@pytest.mark.parametrize(
    ("typed", "outcome", "aim", "found"),
    [
        ("2", Outcome.FINISHED, Aim.TILL_CLEAN, 2),
        ("?", Outcome.FINISHED, Aim.TILL_CLEAN, "?"),
        ("", Outcome.NOT_CLEAN, Aim.TILL_CLEAN, None),
        # cut to a depth: nobody has to look
        ("", Outcome.FINISHED, Aim.TO_DEPTH, "?"),
    ],
)
def test_what_a_paper_sheet_says_of_the_first_clean_look(typed, outcome, aim, found):
    assert run_paper.read_clean_at(typed, outcome, aim) == found


def test_a_finishing_pass_of_unknown_clean_look_is_the_last_one():
    passes = run_paper.read_passes("0 2 3", "?", True, Units())
    assert [p.reason for p in passes] == [PassReason.KISS, PassReason.SEARCH, PassReason.FINISH]
    with pytest.raises(InputError):
        run_paper.read_passes("3", "?", True, Units())
    with pytest.raises(InputError):
        run_paper.read_clean_at("third", Outcome.FINISHED, Aim.TILL_CLEAN)


def test_off_the_machine_and_measured_are_one_tap_each(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    press(at, "As planned")
    press(at, "Clean")
    press(at, "As planned")
    press(at, "good")
    press(at, "Off the machine")
    press(at, "Measured at the bench")
    assert fold(store.taps_of(job_id)).steps[-2:] == ("unload", "measure")
    end_it(at)
    cut = store.cuts_of(store.load_shop().jobs[job_id].part_id)[-1]
    assert {"unload", "measure"} <= set(cut.step_minutes)


def test_the_partners_last_reading_comes_from_its_record(sheet):
    at, store, job_id = sheet
    to_the_mark(at)
    press(at, "As planned")
    press(at, "Clean")
    press(at, "As planned")
    press(at, "good")
    reading = fold(store.taps_of(job_id)).passes[-1].reading
    end_it(at)
    shop = store.load_shop()
    other = next(i for i in shop.set_of(job_id).job_ids if i != job_id)
    at.selectbox(key="run job").select(other).run()
    to_the_mark(at)
    at.session_state["same blocks"] = True
    at.run()
    shown = {m.label: m.value for m in at.metric}
    assert any("last pass" in label and value == reading for label, value in shown.items()), shown
