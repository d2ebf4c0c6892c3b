"""The run sheet at the machine: two taps a pass, undo, index, pause, the end; nothing typed is lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from types import SimpleNamespace

import pytest
from streamlit.testing.v1 import AppTest

from planner.cut.running import INDEX_STEPS, fold
from planner.edge import End, Fitted, Indexed
from planner.screens import run_deeds, run_record
from planner.screens.words import as_read
from planner.shop import Cut, Insert, Job, JobState, Outcome, PassReason, PassRecord, TapKind, TramReading
from planner.store import StaleRecord
from planner.units import MM_PER_THOU, System, Units
from planner.week.edge_rules import use_not_recorded
from planner.week.following import follow_runs
from planner.week.queue import estimate_queue
from tests.screens.conftest import APP


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


def end_it(at):
    at.checkbox(key=next(c.key for c in at.checkbox if "out" in c.label)).check().run()
    return press(at, "Record and end")


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


def test_a_record_of_another_unit_system_is_read_in_ones_own():
    inch, metric = Units(System.INCH), Units(System.METRIC)
    assert as_read("2 turns + 12.5 thou", metric) == "2 turns + 0.318 mm"
    assert as_read("not clean at 0.254 mm: call", inch) == "not clean at 10.0 thou: call"
    assert as_read("0.402 mm, 3 spots", metric) == "0.402 mm, 3 spots"


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


def test_all_pockets_are_indexed_as_one_act(sheet):
    at, store, job_id = sheet
    cutter = next(c for c in store.load_shop().cutters.values() if c.name == "fly 300")
    store.save(replace(cutter, inserts=2), by="ab", at=datetime(2026, 3, 2, 5))
    for pocket in (1, 2):
        store.add_edge_event(
            Fitted(
                at=datetime(2026, 3, 2, 6),
                by="ab",
                cutter="fly 300",
                pocket=pocket,
                insert=f"D-{pocket}",
                position=1,
                grade="diamond",
            )
        )
    to_the_mark(at)
    press(at, "As planned")
    press(at, "half")
    box = next(b for b in at.selectbox if b.label == "Pocket" and "all of them" in b.options)
    assert box.value == 0
    before = len(store.edge_events())
    press(at, "Changed it")
    assert {store.pockets()[cutter.id, p][1] for p in (1, 2)} == {2}
    assert len(store.edge_events()) == before + 2
    state = fold(store.taps_of(job_id))
    # one act: one entry, one touch-off after it, both old edges keep the pass they made
    assert sum(t.kind == TapKind.EDGE for t in store.taps_of(job_id)) == 1 and state.index_left == INDEX_STEPS
    assert len(state.stretches[0].edges) == 2
    press(at, "Undo it")
    assert {store.pockets()[cutter.id, p][1] for p in (1, 2)} == {1}


def two_pockets(store):
    """The cutter of this sheet takes two inserts, both in."""
    cutter = next(c for c in store.load_shop().cutters.values() if c.name == "fly 300")
    store.save(replace(cutter, inserts=2), by="ab", at=datetime(2026, 3, 2, 5))
    for pocket in (1, 2):
        put = {"cutter": "fly 300", "pocket": pocket, "insert": f"D-{pocket}", "position": 1, "grade": "diamond"}
        store.add_edge_event(Fitted(at=datetime(2026, 3, 2, 6), by="ab", **put))
    return cutter.id


def test_another_pocket_s_index_does_not_hide_a_chipped_edge(sheet):
    at, store, job_id = sheet
    two_pockets(store)
    to_the_mark(at)
    next(b for b in at.selectbox if b.label == "Pocket" and "all of them" not in b.options).select(2).run()
    press(at, "It chipped")
    assert "The edge in pocket 2 chipped" in said(at) and "2: D-2 position 1 (**chipped**)" in said(at)
    next(b for b in at.selectbox if b.label == "Pocket" and "all of them" in b.options).select(1).run()
    press(at, "Changed it")
    assert "The edge in pocket 2 chipped" in said(at)
    assert not any("As planned" in b.label or "Paper grips" in b.label for b in at.button)
    next(b for b in at.selectbox if b.label == "Pocket" and "all of them" in b.options).select(2).run()
    press(at, "Changed it")
    assert "chipped: index it" not in said(at)


def test_an_edge_that_stays_while_another_pocket_is_indexed_keeps_all_its_passes_and_gives_none_away(sheet):
    at, store, job_id = sheet
    two_pockets(store)
    to_the_mark(at)
    for dye in ("all", "half", "quarter"):
        press(at, "As planned")
        press(at, dye)
    next(b for b in at.selectbox if b.label == "Pocket" and "all of them" in b.options).select(2).run()
    press(at, "Changed it")
    for name in INDEX_STEPS:
        press(at, name)
    press(at, "Paper grips")
    press(at, "As planned")
    press(at, "Clean")
    while any("As planned" in b.label for b in at.button):
        press(at, "As planned")
        press(at, "good")
    end_it(at)
    shop = store.load_shop()
    cut, face = store.cuts_of(shop.jobs[job_id].part_id)[-1], shop.face_of(shop.jobs[job_id]).area_mm2
    label = {i.id: i.label for i in store.load_all(Insert).values()}
    swept = {(label[use.insert_id], use.position): use.swept_mm2 / face for use in cut.uses}
    # the kiss pass cuts nothing; two passes before the change, the others after it
    after = len(cut.passes) - 3
    assert swept == {
        ("D-1", 1): pytest.approx(2 + after),
        ("D-2", 1): pytest.approx(2),
        ("D-2", 2): pytest.approx(after),
    }
    paths = {(label[use.insert_id], use.position): use.path_mm for use in cut.uses}
    assert paths["D-1", 1] == pytest.approx(paths["D-2", 1] + paths["D-2", 2])


def test_an_edge_changed_elsewhere_while_the_job_waits_keeps_what_it_cut(sheet, monkeypatch):
    """Two passes on D-1 position 1; the page Inserts turns it; the next, after a new touch-off, on position 2."""
    at, store, job_id = sheet
    fit(store)
    to_the_mark(at)
    for dye in ("all", "half"):
        press(at, "As planned")
        press(at, dye)
    assert fold(store.taps_of(job_id)).removed_mm > 0
    later = datetime.now().replace(microsecond=0) + timedelta(seconds=2)
    turned = {"cutter": "fly 300", "pocket": 1, "insert": "D-1", "end": End.BY_RULE}
    store.add_edge_event(Indexed(at=later, by="cd", from_position=1, to_position=2, **turned))
    at.run()
    assert "The edge was changed" in said(at) and not any("As planned" in b.label for b in at.button)
    monkeypatch.setattr(run_deeds, "clock", lambda: later + timedelta(seconds=1))
    press(at, "Paper grips")
    press(at, "As planned")
    press(at, "Clean")
    done = run_record.tapped(run_deeds.open_sheet(store.load_shop(), job_id))
    assert [[p for _, p in edges] for edges, _ in done.by_edge] == [[1], [2]]
    assert [len(made) for _, made in done.by_edge] == [2, 1]


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


def fit(store, at=datetime(2026, 3, 2, 6)):
    """A fresh edge sits in the cutter of this sheet."""
    store.add_edge_event(Fitted(at=at, by="ab", cutter="fly 300", pocket=1, insert="D-1", position=1, grade="diamond"))


def test_an_edge_is_charged_with_what_is_cut_before_it_is_recorded(sheet):
    at, store, job_id = sheet
    fit(store)
    to_the_mark(at)
    press(at, "As planned")
    press(at, "half")

    def now():
        shop = store.load_shop()
        return follow_runs(estimate_queue(replace(shop, taps={})), shop)

    # passes are still to come: the plan carries the job's use
    assert use_not_recorded(now()) == {}
    press(at, "As planned")
    press(at, "Clean")
    while any("As planned" in b.label for b in at.button):
        press(at, "As planned")
        press(at, "good")
    queue = now()
    estimate = queue.estimates[job_id]
    assert use_not_recorded(queue) == {(estimate.setup.cutter.id, estimate.setup.grade.id): estimate.edge_share_likely}
    assert estimate.edge_share_likely > 0 and not sum(store.load_shop().edges[0].swept_mm2.values())
    end_it(at)
    # from here on the ledger has it
    assert use_not_recorded(now()) == {} and sum(store.load_shop().edges[0].swept_mm2.values()) > 0


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


def test_an_index_in_the_middle_keeps_the_depth_and_leaves_the_old_edge_its_work(sheet):
    at, store, job_id = sheet
    cutter = next(c for c in store.load_shop().cutters.values() if c.name == "fly 300")
    began = datetime(2026, 3, 2, 6)
    fit(store, at=began)
    to_the_mark(at)
    for look in ("half", "quarter"):
        press(at, "As planned")
        press(at, look)
    removed = fold(store.taps_of(job_id)).removed_mm
    assert removed > 0
    press(at, "Changed it")
    state = fold(store.taps_of(job_id))
    assert state.removed_mm == removed and not state.ready_to_cut
    assert store.pockets()[cutter.id, 1][1] == 2
    # the old zero no longer holds: no figure to set is shown
    assert "No figure to set" in said(at) and "Set dial to" not in said(at)
    # taken back: the old edge sits in the pocket again, and the pass goes on
    press(at, "Undo it")
    assert store.pockets()[cutter.id, 1][1] == 1 and fold(store.taps_of(job_id)).ready_to_cut
    press(at, "Changed it")
    for name in INDEX_STEPS:
        press(at, name)
    press(at, "Paper grips")
    press(at, "As planned")
    press(at, "Clean")
    while any("As planned" in b.label for b in at.button):
        press(at, "As planned")
        press(at, "good")
    end_it(at)
    cut = store.cuts_of(store.load_shop().jobs[job_id].part_id)[-1]
    by_position = {use.position: use.swept_mm2 for use in cut.uses}
    face = store.load_shop().families[1].faces[0].area_mm2
    # one cutting pass on the old edge (the kiss pass does not count), the others on the new one
    assert by_position == {1: pytest.approx(face), 2: pytest.approx(face * (len(cut.passes) - 2))}


def test_a_chipped_edge_stops_the_passes_until_it_is_indexed(sheet):
    at, store, job_id = sheet
    fit(store)
    to_the_mark(at)
    press(at, "It chipped")
    assert "index it before the next pass" in said(at)
    assert not any("As planned" in b.label for b in at.button)
    press(at, "Undo it")
    assert any("As planned" in b.label for b in at.button)


def test_a_spent_edge_is_named_before_the_next_pass(sheet, monkeypatch):
    at, store, job_id = sheet
    assert "planning limit" not in said(at)
    fit(store)
    monkeypatch.setattr("planner.screens.run_edges.life_spent", lambda shop, knowledge, edge: 0.84)
    at.run()
    assert "84% of its life spent" in said(at)
    press(at, "begin")
    assert "index it before the next pass" in said(at)


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
