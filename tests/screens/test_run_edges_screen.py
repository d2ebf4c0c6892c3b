"""Edges on the run sheet: indexed and chipped pocket by pocket, each charged with the passes it made."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from planner.cut.running import INDEX_STEPS, fold
from planner.edge import End, Fitted, Indexed
from planner.screens import run_deeds, run_record
from planner.shop import Insert, TapKind
from planner.week.edge_rules import use_not_recorded
from planner.week.following import follow_runs
from planner.week.queue import estimate_queue
from tests.screens.run_sheet import end_it, fit, press, said, to_the_mark


def two_pockets(store):
    """The cutter of this sheet takes two inserts, both in."""
    cutter = next(c for c in store.load_shop().cutters.values() if c.name == "fly 300")
    store.save(replace(cutter, inserts=2), by="ab", at=datetime(2026, 3, 2, 5))
    for pocket in (1, 2):
        put = {"cutter": "fly 300", "pocket": pocket, "insert": f"D-{pocket}", "position": 1, "grade": "diamond"}
        store.add_edge_event(Fitted(at=datetime(2026, 3, 2, 6), by="ab", **put))
    return cutter.id


def index_and_end(at):
    """The steps of an index, a new touch-off on the cut face, the next pass clean, the finish, the end."""
    for name in INDEX_STEPS:
        press(at, name)
    press(at, "Paper grips")
    press(at, "As planned")
    press(at, "Clean")
    while any("As planned" in b.label for b in at.button):
        press(at, "As planned")
        press(at, "good")
    end_it(at)


def test_all_pockets_are_indexed_as_one_act(sheet):
    at, store, job_id = sheet
    cutter_id = two_pockets(store)
    to_the_mark(at)
    press(at, "As planned")
    press(at, "half")
    box = next(b for b in at.selectbox if b.label == "Pocket" and "all of them" in b.options)
    assert box.value == 0
    before = len(store.edge_events())
    press(at, "Changed it")
    assert {store.pockets()[cutter_id, p][1] for p in (1, 2)} == {2}
    assert len(store.edge_events()) == before + 2
    state = fold(store.taps_of(job_id))
    # one act: one entry, one touch-off after it, both old edges keep the pass they made
    assert sum(t.kind == TapKind.EDGE for t in store.taps_of(job_id)) == 1 and state.index_left == INDEX_STEPS
    assert len(state.stretches[0].edges) == 2
    press(at, "Undo it")
    assert {store.pockets()[cutter_id, p][1] for p in (1, 2)} == {1}


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
    index_and_end(at)
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
    index_and_end(at)
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
