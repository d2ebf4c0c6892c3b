"""The engine under a matched set, its forms, dimensions that change with the cut, the hand-over, kinds of engine."""

from __future__ import annotations

import dataclasses
import re

import pytest

from planner import InputError
from planner.match import GasketChoice
from planner.screens import hand_over
from planner.screens.engine_forms import read_volumes
from planner.screens.engine_words import none_fits
from planner.shop import (
    CamDrive,
    Cut,
    DepthLine,
    EngineFamily,
    EngineLimits,
    Family,
    HandOver,
    Job,
    JobState,
    MeasuredBank,
    MeasuredEngine,
    Part,
    StackFace,
)
from planner.store.runs import Measurement
from tests.tiny import MONDAY


def texts(at) -> str:
    kinds = (at.markdown, at.caption, at.info, at.success, at.warning, at.error, at.subheader)
    return "\n".join(e.value for kind in kinds for e in kind)


def test_why_no_gasket_fits_is_what_is_known():
    def choice(past=(), apart=None):
        return GasketChoice({}, {}, (), past, (), apart, None, False)

    past = choice((("left", "squish"),), 0.01)
    assert "every figure within its limit." in none_fits([past, past])
    assert "measure it on the engine" in none_fits([past, choice()])
    assert "near enough to each other" in none_fits([past, choice(apart=0.2)])


def frame_with(at, column):
    return next(f.value for f in (*at.dataframe, *at.table) if column in f.value.columns)


def engine_table(at):
    """The engine's figures, by figure."""
    return next(t.value for t in at.table if t.value.index.name == "Figure")


@pytest.fixture
def engine(store):
    """The tiny shop's heads belong to a twin with pushrods; nothing of it is measured."""
    family = next(f for f in store.load_all(Family).values() if f.name == "small head")
    return store.add(
        EngineFamily(
            "twin",
            90.0,
            80.0,
            head_family_ids=(family.id,),
            banks=("left", "right"),
            chamber_cm3=50.0,
            chamber_height_mm=100.0,
            chamber_area_mm2=5000.0,
            piston_cm3=0.0,
            pad_recess_mm=0.0,
            cam_drive=CamDrive.PUSHROD,
            limits=EngineLimits(exhaust_least_mm=2.5),
            bank_angle_deg=90,
            manifold_lean_deg=55,
        )
    )


def test_without_a_kind_of_engine_the_set_page_says_what_to_enter(app, go):
    at = go(app, "sets")
    assert "No kind of engine is entered yet" in texts(at)


def test_an_unmeasured_engine_shows_unknown_never_the_drawing(app, go, engine):
    at = go(app, "sets")
    assert "nothing is measured on this engine yet" in texts(at)
    assert "measure on the engine" in texts(at)
    frame = engine_table(at)
    for name in ("Exhaust valve to piston", "Squish", "Compression ratio"):
        assert frame.loc[name, "Left, before"] == frame.loc[name, "Left, after"] == "unknown"
    assert "not measured" in frame.loc["Exhaust valve to piston", "Left, head-room"]


def test_a_measured_clearance_has_its_head_room_and_what_if_three_more(app, go, engine, store):
    banks = tuple(MeasuredBank(n, exhaust_mm=3.0, same_gasket=True) for n in ("left", "right"))
    store.add(MeasuredEngine("E-1", engine.id, banks=banks))
    at = go(app, "sets")
    assert "more off the head before the exhaust valve clearance limit" in texts(at)

    def room() -> float:
        row = engine_table(at).loc["Exhaust valve to piston"]
        return float(row["Left, head-room"].split()[0])

    before = room()
    next(b for b in at.button if b.label == "What if 3.0 thou more").click().run()
    assert not at.exception
    assert room() == pytest.approx(before - 3.0, abs=0.11)
    next(n for n in at.number_input if "heads" in n.label).set_value(50.0).run()
    assert any("past the limit of exhaust valve clearance" in e.value for e in at.error)
    assert not any("before the cuts" in e.value for e in at.error)


def test_a_figure_past_its_limit_before_any_cut_says_so(app, go, engine, store):
    banks = tuple(MeasuredBank(n, exhaust_mm=2.0, same_gasket=True) for n in ("left", "right"))
    store.add(MeasuredEngine("E-1", engine.id, banks=banks))
    at = go(app, "sets")
    assert [e.value for e in at.error] == [
        "Left and right: past the limit of exhaust valve clearance. It was so before the cuts."
    ]


def test_four_banks_stand_in_a_column_each(app, go, engine, store):
    banks = ("1", "2", "left", "right")
    store.save(dataclasses.replace(engine, banks=banks))
    measured = tuple(MeasuredBank(n, exhaust_mm=3.0, same_gasket=True) for n in banks)
    store.add(MeasuredEngine("E-1", engine.id, banks=measured))
    at = go(app, "sets")
    table = engine_table(at)
    assert list(table.columns) == ["Limit", "1", "2", "Left", "Right", "Head-room"]
    # nothing is cut on the first two, so they read alike and come first
    assert table.loc["Exhaust valve to piston", "1"] == "118.1 thou"
    assert "→" in table.loc["Exhaust valve to piston", "Left"]
    assert table.loc["Exhaust valve to piston", "Head-room"].startswith("1 and 2: ")


def test_the_intake_correction_due_stands_in_sight(app, go, engine, store):
    thicker = MeasuredBank("left", gasket_before_mm=1.0, gasket_after_mm=1.02)
    banks = (thicker, MeasuredBank("right", same_gasket=True))
    store.add(MeasuredEngine("E-1", engine.id, banks=banks))
    at = go(app, "sets")
    said = texts(at)
    assert "Intake correction is due once these cuts are made: left side of the manifold" in said
    assert "end rails, front and rear" in said and "gate" in said
    # what is no cut is not told as one: a side that only sits lower
    for face in ("left side of the manifold", "right side of the manifold", "end rails, front and rear"):
        assert re.search(rf"{face}: take off [\d.]+ thou[;.]", said), said
    assert re.search(r"manifold as it sits: right side [\d.]+ thou lower than left\.", said), said


def test_a_parting_face_or_a_foreign_serial_is_told_in_words(app, go, engine, store):
    part = next(p for p in store.load_all(Part).values() if p.tag == "T-2")
    store.save(dataclasses.replace(part, engine_serial=""))
    at = go(app, "sets")
    assert "enter the same engine serial" in texts(at)


def test_two_kinds_that_fit_are_asked_for(app, go, engine, store):
    store.add(EngineFamily("other twin", 88.0, 80.0, head_family_ids=engine.head_family_ids))
    at = go(app, "sets")
    assert "Which kind of engine is E-1?" in texts(at)
    next(s for s in at.selectbox if s.label == "Kind of engine").set_value(engine.id).run()
    next(b for b in at.button if b.label == "That is it").click().run()
    assert not at.exception
    (measured,) = store.load_all(MeasuredEngine).values()
    assert (measured.serial, measured.engine_id) == ("E-1", engine.id)
    assert "nothing is measured" not in texts(at)


def test_chambers_are_read_as_they_are_typed():
    found = read_volumes("chambers", "41.2, -, 41.6 cc", 99.8)
    assert [(c.cylinder, c.volume_cm3, c.height_mm) for c in found] == [(1, 41.2, 99.8), (3, 41.6, 99.8)]
    assert read_volumes("chambers", "", None) == ()
    for wrong in ("41.2, many", "0", "-3"):
        with pytest.raises(InputError, match="chambers"):
            read_volumes("chambers", wrong, None)


def test_a_kind_of_engine_is_entered_with_bore_and_stroke_alone(app, go, store):
    app.session_state["shop section"] = "Engines"
    at = go(app, "shop")
    for label, value in (("Name", "lone"), ("Bore (in)", "3.5"), ("Stroke (in)", "3.1")):
        next(t for t in at.text_input if t.label == label).set_value(value).run()
    next(b for b in at.button if b.label == "Save engine").click().run()
    assert not at.exception
    (engine,) = store.load_all(EngineFamily).values()
    assert (engine.bore_mm, engine.chamber_cm3, engine.cam_drive) == (pytest.approx(88.9), None, CamDrive.UNKNOWN)
    next(t for t in at.text_input if t.label == "Stroke (in)").set_value("-1").run()
    next(b for b in at.button if b.label == "Save engine").click().run()
    assert any("will not do" in e.value for e in at.error)
    assert store.load(EngineFamily, engine.id).stroke_mm == engine.stroke_mm


# -- dimensions that change with the cut -------------------------------------------------------------------------------
@pytest.fixture
def recession(store):
    """The small head's deck has a valve recession line; nothing is measured on a part."""
    family = next(f for f in store.load_all(Family).values() if f.name == "small head")
    line = DepthLine("valve recession", None, -1.0, 0.75, None, "recut the seats")
    face = dataclasses.replace(family.faces[0], depths=(line,))
    return store.save(dataclasses.replace(family, faces=(face,)))


def test_the_set_page_and_the_run_sheet_show_the_line_as_unknown_until_measured(app, go, store, recession):
    at = go(app, "sets")
    assert set(frame_with(at, "Dimension")["Then"]) == {"unknown: measure it"}
    at = go(at, "run")
    assert frame_with(at, "Dimension")["Now"].tolist() == ["unknown"]


def test_a_reading_on_the_part_s_page_is_kept_and_says_which_passes_its_limit(app, go, store, recession):
    part = next(p for p in store.load_all(Part).values() if p.tag == "T-1")
    app.session_state["part"] = part.id
    at = go(app, "parts")
    next(t for t in at.text_input if t.label == "valve recession (thou)").set_value("30").run()
    next(b for b in at.button if b.label == "Keep the readings").click().run()
    assert not at.exception
    (reading,) = store.load(Part, part.id).depths
    assert (reading.name, reading.value_mm, reading.how) == ("valve recession", pytest.approx(0.762), "")
    at = go(at, "sets")
    assert "Past the limit at" in texts(at) and "recut the seats" in texts(at)


def test_a_cover_face_holds_its_jobs_and_a_tap_lets_them_go(app, go, store, recession):
    family = store.load(Family, recession.id)
    face = dataclasses.replace(family.faces[0], cover_bolted=True)
    store.save(dataclasses.replace(family, faces=(face,)), at=MONDAY)
    part = next(p for p in store.load_all(Part).values() if p.tag == "T-1")
    app.session_state["part"] = part.id
    at = go(app, "parts")
    assert "must be bolted on" in texts(at)
    next(b for b in at.button if b.label == "The cover is on").click().run()
    assert not at.exception
    assert store.load(Part, part.id).open_holds == ()


# -- the hand-over -----------------------------------------------------------------------------------------------------
def test_the_sheet_can_be_printed_before_anything_is_known(app, go, store, engine):
    at = go(app, "sets")
    assert any("Print hand-over sheet" in b.label for b in at.get("download_button"))
    assert "Still to be cut" in texts(at)


def test_a_set_whose_members_are_cut_is_still_found(app, go, store, engine):
    jobs = [j for j in store.load_all(Job).values() if store.load(Part, j.part_id).engine_serial == "E-1"]
    for job in jobs:
        cut = Cut(job.id, job.part_id, job.face_id, MONDAY.replace(hour=10), 0.1, by="ab", heights_mm={"middle": 99.7})
        store.record_cut(cut)
    assert {store.load(Job, j.id).state for j in jobs} == {JobState.CUT}
    at = go(app, "sets")
    assert "No matched set is open" in texts(at)
    assert any("Sets that are cut (1)" in e.label for e in at.expander)


def test_what_the_bench_did_is_kept(store, engine, monkeypatch, data_home):
    job = next(iter(store.load_all(Job).values()))
    monkeypatch.setattr(hand_over.access, "repository", lambda: store)
    monkeypatch.setattr(hand_over.access, "who", lambda: "ab")
    values = {"flatness_mm": 0.02, "pits": "", "plugs": "6 out", "dowels": "", "washed": True, "protected": None}
    values |= {"next_person": "C. Dunn", "note": "", "place 1": "front", "ra 1": 0.7}
    values |= {f"{w} {i}": None if w == "ra" else "" for i in (2, 3) for w in ("place", "ra")}
    hand_over._store(HandOver(job.id), values)
    (done,) = store.load_all(HandOver).values()
    assert (done.by, done.at, done.washed, done.protected) == ("ab", MONDAY, True, None)
    assert [(r.place, r.ra_um) for r in done.ra] == [("front", 0.7)]
    with pytest.raises(InputError, match="ra 2"):
        hand_over._store(done, values | {"place 2": "back"})


def test_blanks_of_the_bench_are_filled_from_the_run_sheet_and_the_finished_survey():
    cut = Cut(1, 1, 1, MONDAY.replace(hour=10), 0.1, started=MONDAY.replace(hour=9), by="ab")

    def survey(hour, flat, face=1, stage="finished"):
        payload = {"verdicts": [{"name": "flatness", "value": flat, "limit": 0.05, "holds": True}], "ra_um": [0.8]}
        return Measurement(1, 1, face, MONDAY.replace(hour=hour), "ab", payload, stage=stage)

    rows = [survey(8, 0.5), survey(11, 0.02), survey(12, 0.3, face=2), survey(12, 0.4, stage="clamped")]
    found = hand_over.filled(HandOver(1), cut, {"plugs": "all 6 out, counted"}, rows)
    assert (found.plugs, found.flatness_mm, [r.ra_um for r in found.ra]) == ("all 6 out, counted", 0.02, [0.8])
    # what the bench said itself stands, and so does the roughness recorded with the cut
    said = HandOver(1, plugs="five out, one stuck", flatness_mm=0.01)
    found = hand_over.filled(said, dataclasses.replace(cut, ra_um=(0.6,)), {"plugs": "all 6 out, counted"}, rows)
    assert (found.plugs, found.flatness_mm, found.ra) == ("five out, one stuck", 0.01, ())


def test_what_the_ending_told_is_read_back_until_the_cut_is_taken_back(store, engine):
    job = next(iter(store.load_all(Job).values()))
    store.add_tap(job.id, "start", {}, MONDAY, "ab")
    cut = store.record_cut(
        Cut(job.id, job.part_id, job.face_id, MONDAY.replace(hour=10), 0.1, by="ab"), told={"plugs": "all 6 out"}
    )
    assert store.told_at_end(job.id) == {"plugs": "all 6 out"}
    store.reverse_cut(cut.id, "wrong part", "ab", MONDAY.replace(hour=11))
    assert store.told_at_end(job.id) == {}


def test_a_cut_made_elsewhere_is_kept_as_reported(app, go, engine, store):
    app.run()
    app.session_state["engine/Parts on its banks, and cuts made elsewhere"] = True
    at = go(app, "sets")
    next(b for b in at.text_input if b.label.startswith("Taken off")).set_value("4").run()
    next(b for b in at.text_input if b.label.startswith("Who said so")).set_value("the owner").run()
    next(b for b in at.selectbox if b.label.startswith("Face")).set_value(StackFace.DECK).run()
    next(b for b in at.date_input if b.label == "Date").set_value(MONDAY.date()).run()
    next(b for b in at.button if b.label == "Keep this cut").click().run()
    assert not at.exception
    (known,) = store.load_shop().measured_engines.values()
    (cut,) = known.banks[0].reported
    assert cut.face is StackFace.DECK and cut.said_by == "the owner" and cut.removed_mm == pytest.approx(4 * 0.0254)
    assert "as the owner said; not measured here" in texts(at)


def test_a_part_whose_position_tells_no_bank_is_put_on_one_and_taken_off_again(app, go, engine, store):
    part = next(p for p in store.load_all(Part).values() if p.tag == "T-1")
    store.save(dataclasses.replace(part, position=""))
    app.run()
    app.session_state["engine/Parts on its banks, and cuts made elsewhere"] = True
    at = go(app, "sets")
    nowhere = "T-1 belongs to no bank: its position is not entered, the banks are left, right"
    assert nowhere in texts(at)

    def put(bank):
        next(b for b in at.selectbox if b.label.startswith("Part")).set_value("T-1").run()
        next(b for b in at.selectbox if b.label.startswith("Is on the bank")).set_value(bank).run()
        next(b for b in at.button if b.label == "Keep the bank").click().run()
        assert not at.exception

    put("right")
    (known,) = store.load_shop().measured_engines.values()
    assert {b.name: b.parts for b in known.banks} == {"right": ("T-1",)}
    assert nowhere not in texts(at)
    # a second time: the part is on one bank only
    put("left")
    (known,) = store.load_shop().measured_engines.values()
    assert {b.name: b.parts for b in known.banks} == {"right": (), "left": ("T-1",)}
    put("")
    assert nowhere in texts(at)


def test_a_reported_cut_is_dropped_again_and_one_without_a_name_is_refused(app, go, engine, store):
    app.run()
    app.session_state["engine/Parts on its banks, and cuts made elsewhere"] = True
    at = go(app, "sets")
    next(b for b in at.text_input if b.label.startswith("Taken off")).set_value("4").run()
    next(b for b in at.selectbox if b.label.startswith("Face")).set_value(StackFace.HEAD).run()
    next(b for b in at.date_input if b.label == "Date").set_value(MONDAY.date()).run()
    next(b for b in at.button if b.label == "Keep this cut").click().run()
    assert store.load_shop().measured_engines == {}
    assert any("Needed: “Who said so”" in e.value for e in at.error)
    next(b for b in at.text_input if b.label.startswith("Who said so")).set_value("the owner").run()
    next(b for b in at.button if b.label == "Keep this cut").click().run()
    assert "4.0 thou off the head" in texts(at)
    next(b for b in at.button if b.label == "Drop it").click().run()
    assert not at.exception
    (known,) = store.load_shop().measured_engines.values()
    assert known.banks[0].reported == () and "off the head" not in texts(at).split("made elsewhere")[-1]
