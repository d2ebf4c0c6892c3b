"""Files for spreadsheets: units in the headings, nothing that runs as a formula, and read back as they were."""

import csv
import io
import zipfile
from dataclasses import fields, is_dataclass, replace
from datetime import datetime

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from planner import InputError
from planner.edge import Indexed
from planner.edge.ends import End
from planner.shop import (
    CamDrive,
    ChamberReading,
    Circle,
    Closure,
    Counts,
    Crown,
    DepthInstrument,
    DepthLine,
    DepthReading,
    EngineFamily,
    EngineLimits,
    Face,
    FaceSurvey,
    Family,
    Gate,
    GateKind,
    Goal,
    HandOver,
    Hold,
    Insert,
    IntakeCheck,
    LiftCurve,
    Limit,
    Machine,
    MeasuredBank,
    MeasuredEngine,
    MeasuringPoint,
    Overtime,
    Part,
    PartState,
    Person,
    RaPlace,
    ReportedCut,
    StackFace,
    SurveyPoint,
    SurveyStage,
    TautRun,
    TramReading,
    Valve,
    Window,
    Zone,
    ZoneKind,
)
from planner.store import Kind, open_database
from planner.store.exporting import (
    Format,
    export_frame,
    export_parts,
    export_queue,
    export_records,
    export_shop,
    export_template,
)
from planner.store.file_columns import Column, safe_text
from planner.store.file_columns import Kind as Cell
from planner.store.file_rows import Row, noun_fields
from planner.store.importing import IMPORTS, commit, preview
from planner.store.shop_files import read_shop
from planner.units import System

NOW = datetime(2026, 3, 3, 8, 0)
RUNS = ("=", "+", "-", "@", "\t", "\r")


def rows_of(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"))))


def cells_of(data: bytes) -> list[tuple]:
    return [tuple(r) for r in load_workbook(io.BytesIO(data)).active.iter_rows(values_only=True)]


def test_parts_state_their_units_and_carry_their_job(repository, stored):
    shop = repository.load_shop()
    inch, metric = (rows_of(export_parts(shop, system)) for system in System)
    assert [r["tag"] for r in inch] == ["H-101", "H-102"]
    assert float(inch[0]["height_in"]) == pytest.approx(99.8 / 25.4) and "height_mm" not in inch[0]
    assert float(metric[0]["height_mm"]) == 99.8
    assert inch[0]["set"] == "engine 4711" and inch[0]["due"] == "2026-03-04 07:00"
    assert inch[0]["gate_clean"] == "done ab 2026-02-27" and inch[0]["gate_cut"] == "open"


@pytest.mark.parametrize("kind", list(Format))
@pytest.mark.parametrize("system", list(System))
def test_exported_parts_can_be_imported_elsewhere(repository, stored, tmp_path, kind, system):
    shop = repository.load_shop()
    data = export_parts(shop, system, kind)
    elsewhere = open_database(tmp_path / "other.db", Kind.OWN, at=NOW)
    elsewhere.add(replace(stored.family, id=None, faces=tuple(replace(f, id=None) for f in stored.family.faces)))
    found = preview(data, "parts", "parts", elsewhere.load_shop(), now=NOW)
    assert found.ok, [p.words for p in found.problems]
    done = commit(elsewhere, found, "ab", NOW)
    for mine, theirs in zip((stored.left, stored.right), done.stored, strict=True):
        assert replace(theirs, id=mine.id, version=mine.version, family_id=mine.family_id, heights=()) == replace(
            mine, heights=()
        )
    assert done.jobs[0].due == stored.job.due and len(done.sets) == 1
    elsewhere.engine.dispose()


def test_a_part_with_two_open_jobs_has_two_rows(repository, stored):
    repository.add(replace(stored.job, id=None, version=0, face_id=stored.intake.id))
    assert [r["face"] for r in rows_of(export_parts(repository.load_shop(), System.INCH))] == ["deck", "intake", "deck"]


def test_some_parts_only(repository, stored):
    data = export_parts(repository.load_shop(), System.INCH, part_ids=[stored.right.id])
    assert [r["tag"] for r in rows_of(data)] == ["H-102"]


def test_the_queue_lists_planned_jobs_first_and_says_what_the_others_wait_for(repository, stored):
    repository.save(replace(stored.left, holds=(Hold("customer", "go on?", NOW.date()),)))
    placed = {stored.other_job.id: {"machine": "the mill", "person": "A. Bell", "start": NOW, "end": NOW}}
    rows = rows_of(export_queue(repository.load_shop(), System.METRIC, placed=placed))
    assert [(r["tag"], r["machine"], r["start"]) for r in rows] == [
        ("H-102", "the mill", "2026-03-03 08:00"),
        ("H-101", "", ""),
    ]
    assert rows[1]["waits_for"] == "customer: go on?"


def test_records_in_both_units_and_by_filter(repository, make_cut):
    repository.record_cut(make_cut(ra_um=(0.5, 0.7)))
    inch, metric = (rows_of(export_records(repository, system)) for system in System)
    assert float(inch[0]["stop_depth_thou"]) == pytest.approx(0.1 / 0.0254)
    assert float(metric[0]["stop_depth_mm"]) == 0.1
    assert float(metric[0]["ra_um"]) == pytest.approx(0.6) and float(inch[0]["ra_uin"]) == pytest.approx(0.6 / 0.0254)
    assert (inch[0]["tag"], inch[0]["grade"], inch[0]["pass_count"]) == ("H-101", "diamond", "2")
    assert rows_of(export_records(repository, System.INCH, since=datetime(2030, 1, 1))) == []


def test_records_of_no_cuts_are_headings_alone(repository):
    assert rows_of(export_records(repository, System.INCH)) == []
    assert len(cells_of(export_records(repository, System.INCH, Format.XLSX))) == 1


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=20))
def test_no_text_is_left_that_runs(said):
    assert not safe_text(said).startswith(RUNS)
    assert safe_text(said).removeprefix("'") in (said, said.removeprefix("'"))


LIVE = '=HYPERLINK("http://x")'


@pytest.mark.parametrize("said", [LIVE, "+1", "-1+2", "@SUM(A1)"])
def test_no_export_holds_a_live_formula(repository, stored, make_cut, said):
    repository.save(replace(stored.left, owner=said, notes=said))
    repository.record_cut(make_cut(note=said))
    shop = repository.load_shop()
    csv_files = [
        export_parts(shop, System.INCH),
        export_queue(shop, System.INCH),
        export_records(repository, System.INCH),
        export_frame(pd.DataFrame({said: [said]})),
    ]
    with zipfile.ZipFile(io.BytesIO(export_shop(repository, System.INCH))) as archive:
        csv_files += [archive.read(name) for name in archive.namelist()]
    cells = [c for data in csv_files for row in csv.reader(io.StringIO(data.decode("utf-8-sig"))) for c in row]
    assert "'" + said in cells
    # a number below zero may begin with its sign: it runs nothing
    assert [c for c in cells if c.startswith(RUNS) and not _is_number(c)] == []
    for data in (
        export_parts(shop, System.INCH, Format.XLSX),
        export_queue(shop, System.INCH, Format.XLSX),
        export_records(repository, System.INCH, Format.XLSX),
        export_frame(pd.DataFrame({"a": [said]}), Format.XLSX),
    ):
        book = load_workbook(io.BytesIO(data))
        assert [c.value for row in book.active.iter_rows() for c in row if c.data_type == "f"] == []


def _is_number(said: str) -> bool:
    try:
        float(said)
    except ValueError:
        return False
    return True


def test_a_frame_keeps_numbers_as_numbers():
    frame = pd.DataFrame({"depth (thou)": [1.5, None], "when": [pd.Timestamp(2026, 3, 2, 8), None], "n": [2, 3]})
    assert cells_of(export_frame(frame, Format.XLSX)) == [
        ("depth (thou)", "when", "n"),
        (1.5, "2026-03-02 08:00", 2),
        (None, None, 3),
    ]
    assert rows_of(export_frame(frame))[1] == {"depth (thou)": "", "when": "", "n": "3"}


@pytest.mark.parametrize("table", sorted(IMPORTS))
def test_a_template_has_the_headings_that_are_read(table):
    headings = export_template(table, System.METRIC).decode("utf-8-sig").strip().split(",")
    assert len(headings) == len(IMPORTS[table].columns)
    assert not any(h.endswith(("_in", "_thou")) for h in headings)


def test_no_template_of_an_unknown_kind():
    with pytest.raises(InputError):
        export_template("boats", System.INCH)


def unpack(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def alike(a, b, where="") -> list[str]:
    """Where two values differ: floats to eleven figures, ids and versions aside."""
    if is_dataclass(a):
        return [
            d
            for f in fields(a)
            if f.name not in ("id", "version")
            for d in alike(getattr(a, f.name), getattr(b, f.name), f"{where}.{f.name}")
        ]
    if isinstance(a, float) and isinstance(b, (int, float)):
        return [] if a == pytest.approx(b, rel=1e-9) else [f"{where}: {a!r} {b!r}"]
    if isinstance(a, dict):
        return [f"{where}: {a} {b}"] if set(a) != set(b) else [d for k in a for d in alike(a[k], b[k], f"{where}.{k}")]
    if isinstance(a, tuple) and isinstance(b, tuple) and len(a) == len(b):
        return [d for i, (x, y) in enumerate(zip(a, b, strict=True)) for d in alike(x, y, f"{where}[{i}]")]
    return [] if a == b else [f"{where}: {a!r} {b!r}"]


def furnish(repository, stored) -> None:
    """Everything a shop may hold that the small one lacks."""
    face = Face(
        "deck",
        300,
        180,
        points=(MeasuringPoint("A", 10, 10), MeasuringPoint("B", 290, 170)),
        limit=Limit(greatest_removal_mm=0.5),
        proud=("dowels", "studs"),
        openings=(Circle(100, 90, 40),),
        zones=(
            Zone("ring 1", ZoneKind.FIRE_RING, Circle(100, 90, 40), 3),
            Zone("e", ZoneKind.EDGE, Circle(1, 1, 1), 2, False),
        ),
        depths=(DepthLine("recession", 1.2, -1, 0.8, restored_by="seats"),),
    )
    repository.add(Family("full", "magnesium", (face,), weight_kg=12.5, hoist=True))
    day = Window(0, 420, 930, ((570, 585), (720, 750)))
    mill = repository.add(
        Machine(
            "second",
            least_rpm=100,
            greatest_rpm=900,
            hours=(day,),
            tram=(TramReading(NOW.date(), 300, 0.02, -0.01, "ab"),),
            instrument=DepthInstrument("dial", Counts.DOWN, 1.27, False, 0.01, 0.05),
            materials=("aluminium", "grey_iron"),
        )
    )
    person = repository.add(Person("C. Dale", "cd", shifts=(day,), machine_ids=(mill.id,), hourly_rate=40))
    repository.add(Closure(NOW.date(), NOW.date(), "course", person_id=person.id))
    repository.add(Overtime(NOW, NOW.replace(hour=12), 30, machine_id=mill.id))
    repository.add(
        Part(
            "gone",
            stored.family.id,
            state=PartState.GONE,
            route=(Gate(GateKind.CLEAN),),
            removed_before_mm=0.1,
            depths=(
                DepthReading(stored.deck.id, "valve recession", 1.2, NOW, by="ab"),
                DepthReading(stored.deck.id, "valve recession", 1.4, NOW, how="recut the seats"),
            ),
        )
    )
    engine = repository.add(
        EngineFamily(
            "vee six", 92.0, 76.0, head_family_ids=(stored.family.id,), banks=("left", "right"), chamber_cm3=41.5,
            chamber_area_mm2=5200.0, piston_cm3=-2.5, most_stacked=2, pad_recess_mm=0.0, cam_drive=CamDrive.RUN,
            intake=Valve(11.0, Crown.FLAT, LiftCurve((-20.0, 0.0, 20.0), (0.0, 1.0, 3.0))), cam_radius_mm=50.0,
            taut_run=TautRun.LENGTHENS, bank_angle_deg=90.0, manifold_lean_deg=55.0,
            limits=EngineLimits(10.5, 1.0, 0.9, 2.0, 2.5, 0.3, 1.5, 3.0),
        )
    )  # fmt: skip
    left = MeasuredBank("left", (ChamberReading(1, 41.2, 99.8),), 0.4, 3.1, None, 0.9, 1.0, 1.3, ("thick", "thin"))
    told = ReportedCut(StackFace.PARTING, 0.1, NOW.date(), "the owner", "no slip kept")
    left = replace(left, parts=("H-101",), reported=(told,))
    repository.add(
        MeasuredEngine("E 1", engine.id, measured_on=NOW.date(), banks=(left, MeasuredBank("right")), by="ab")
    )
    repository.add(MeasuredEngine("E 2", engine.id, notes="only its kind is known"))
    repository.add(
        HandOver(
            stored.job.id, None, 0.03, (RaPlace("front", 0.6), RaPlace("", 0.7)), plugs="6 out", washed=False, at=NOW
        )
    )


SWEPT = (
    SurveyPoint("front left", 0, 0, 0.0),
    SurveyPoint("front right", 300, 0, -0.02, 0.05, True),
    SurveyPoint("back", 150, 150, -0.03, 0.01),
)


def measure(repository, stored):
    """Two intake checks and two surveys; what was entered beside them is kept as stored."""
    left, deck = stored.left.id, stored.deck.id
    gaps = {"along": {"enters_mm": 0.05, "rocks": False}, "across": None}
    said = {"least_from": "along", "greatest_from": "along + across", "pit_place": "by the third bore", "gaps": gaps}
    repository.add_intake_check(left, deck, NOW, "ab", 0.05, 0.1, 0.02, said)
    repository.add_intake_check(stored.right.id, deck, NOW, lower_mm=0.03, payload={"least_from": "along"})
    swept = FaceSurvey(left, deck, NOW, SWEPT, SurveyStage.CLAMPED, Goal.DATUM, (0.0001, -0.0002), 0.002, 0.001, "back")
    repository.add_survey(left, deck, NOW, swept.payload(), "ab", "clamped", stored.job.id)
    finished = replace(swept, datum_slopes=None).payload()
    repository.add_survey(left, deck, NOW, finished, "ab", "finished", stored.job.id)


@pytest.mark.parametrize("system", list(System))
def test_a_whole_shop_reads_back_as_it_was(repository, stored, make_cut, system):
    furnish(repository, stored)
    measure(repository, stored)
    repository.record_cut(make_cut(ra_um=(0.5, 0.7), delta_mm=0.01))
    repository.add_edge_event(
        Indexed(at=NOW, by="ab", cutter="fly 300", pocket=1, insert="D-1", from_position=1, to_position=2, end=End.WORN)
    )
    files = unpack(export_shop(repository, system))
    back = read_shop({name: data for name, data in files.items() if name != "columns.csv"})
    for name in (
        "engines",
        "measured_engines",
        "hand_overs",
        "families",
        "gaskets",
        "grades",
        "machines",
        "people",
        "closures",
        "cutters",
        "recipes",
        "inserts",
    ):
        kind = type(getattr(back, name)[0])
        assert alike(tuple(repository.load_all(kind).values()), getattr(back, name), name) == []
    assert alike(repository.settings(), back.settings) == []
    assert alike(tuple(repository.load_all(type(back.jobs[0])).values()), back.jobs) == []
    assert alike(tuple(repository.load_all(type(back.sets[0])).values()), back.sets) == []
    assert alike(tuple(repository.load_all(type(back.cuts[0])).values()), back.cuts) == []
    left, deck = stored.left.id, stored.deck.id
    bounded = IntakeCheck(left, deck, NOW, 0.05, 0.1, "along", "along + across", 0.02, "by the third bore", "ab")
    open_above = IntakeCheck(stored.right.id, deck, NOW, 0.03, None, "along")
    assert alike((bounded, open_above), back.checks) == []
    swept = FaceSurvey(left, deck, NOW, SWEPT, SurveyStage.CLAMPED, Goal.DATUM, (0.0001, -0.0002), 0.002, 0.001, "back")
    swept = replace(swept, by="ab", job_id=stored.job.id)
    assert alike((swept, replace(swept, stage=SurveyStage.FINISHED, datum_slopes=None)), back.surveys) == []
    # heights that a cut left stand with the cut
    parts = [replace(p, heights=tuple(h for h in p.heights if h.at != back.cuts[0].ended)) for p in _parts(repository)]
    assert alike(tuple(parts), back.parts) == []
    stored_events = [(e.kind, e.insert_id, e.position, e.payload.get("end")) for e in repository.edge_events()]
    assert [(e.kind, e.insert_id, e.position, e.payload.get("end")) for e in back.edge_events] == stored_events
    assert {Insert} == {type(i) for i in back.inserts}


def _parts(repository):
    return repository.load_all(Part).values()


def test_a_whole_shop_explains_its_columns_and_is_the_same_each_time(repository, stored):
    data = export_shop(repository, System.INCH)
    assert data == export_shop(repository, System.INCH)
    files = unpack(data)
    said = {(r["file"], r["heading"]) for r in rows_of(files["columns.csv"])}
    for name, content in files.items():
        if (name, "") not in said and any(file == name for file, _ in said):
            assert {(name, h) for h in next(csv.reader(io.StringIO(content.decode("utf-8-sig"))))} <= said
    assert {"cuts.csv", "edge_events.csv", "surveys.csv", "intake_checks.csv", "plans.csv"} <= set(files)


def test_one_tag_that_served_two_parts_is_told_apart_by_number(repository, stored):
    repository.save(replace(stored.left, state=PartState.GONE))
    twin = repository.add(Part("H-101", stored.family.id))
    rows = rows_of(unpack(export_shop(repository, System.INCH))["parts.csv"])
    assert [r["part"] for r in rows if r["tag"] == "H-101"] == [str(stored.left.id), str(twin.id)]


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from([k for k in Cell if k in (Cell.LENGTH, Cell.DEPTH, Cell.RA, Cell.AREA, Cell.SPEED, Cell.MASS)]),
    st.sampled_from(list(System)),
    st.floats(1e-4, 1e6),
)
def test_figures_come_back_within_eleven_digits(kind, system, value):
    from planner.store.file_columns import Table as Columns
    from planner.store.file_columns import match_headings, read_cell, write_cell

    column = Column("figure", "a figure", kind)
    (heading,), _, _ = match_headings([column.heading(system)], Columns("t", "row", (column,)))
    written = str(write_cell(column, value, system))
    assert read_cell(heading, written, System.INCH) == pytest.approx(value, rel=1e-10)
    assert noun_fields(Row(2, {"figure": value}), (column,))
