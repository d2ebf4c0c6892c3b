"""Every noun comes back from the database as it went in, whatever its fields hold."""

from __future__ import annotations

import dataclasses
import math
from datetime import date, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.errors import InputError
from planner.shop import (
    Aim,
    CamDrive,
    ChamberReading,
    Circle,
    Closure,
    Condition,
    CornerKind,
    Counts,
    Crown,
    Cutter,
    DepthInstrument,
    DepthLine,
    DepthReading,
    DueKind,
    EndOfPass,
    EngineFamily,
    EngineLimits,
    Face,
    FaceKind,
    Family,
    Gasket,
    Gate,
    GateKind,
    GateState,
    HandOver,
    HeightReading,
    HeightStage,
    Hold,
    Insert,
    InsertGrade,
    Job,
    JobState,
    LiftCurve,
    Limit,
    Machine,
    MatchedSet,
    MeasuredBank,
    MeasuredEngine,
    MeasuringPoint,
    Outcome,
    Overtime,
    Part,
    PartKind,
    PartState,
    PassReason,
    PassRecord,
    Person,
    RaPlace,
    Recipe,
    Settings,
    TautRun,
    TramReading,
    Valve,
    Window,
    Zone,
    ZoneKind,
)
from planner.store.codec import plain, revive
from planner.store.rows import NOUNS
from planner.units import System

AT = datetime(2026, 3, 2, 9, 0, 0, 123456)
HOURS = (Window(0, 420, 960, ((720, 750),)), Window(4, 420, 720))


def whole_family() -> Family:
    face = Face(
        'deck "A" — Ø 90',
        300.5,
        180.25,
        FaceKind.DECK,
        net_share=0.61,
        datum="rocker side",
        points=(MeasuringPoint("front left", 5, 5), MeasuringPoint("middle", 150, 90)),
        new_height_mm=100.0,
        limit=Limit(greatest_removal_mm=0.3),
        ra_least_um=0.4,
        ra_greatest_um=1.6,
        flatness_mm=0.05,
        local_flatness_mm=0.02,
        local_span_mm=76.2,
        bow_limit_mm=0.15,
        parallel_limit_mm=0.05,
        proud=("dowels", "studs"),
        ferrous_inserts=True,
        cover_bolted=True,
        openings=(Circle(60, 90, 45),),
        zones=(Zone("ring 1", ZoneKind.FIRE_RING, Circle(60, 90, 45), 4.0, counts=False),),
        depths=(DepthLine("valve recession", 1.1, -1.0, 0.5, 1.5, "seat"),),
    )
    return Family(
        "großer Kopf, 4 Zyl.",
        "grey_iron",
        (face, Face("intake", 200, 60, FaceKind.INTAKE, limit=Limit(least_height_mm=50))),
        kind=PartKind.CASE_HALF,
        fixture="plate",
        blocks="1-2-3",
        weight_kg=61.5,
        replacement_price=900,
        hoist=True,
        one_off=True,
        notes="line one\nline two",
    )


def without_ids(noun):
    """A noun as it was before it was stored."""
    changes = {"id": None} if hasattr(noun, "id") else {}
    if hasattr(noun, "version"):
        changes["version"] = 0
    if isinstance(noun, Family):
        changes["faces"] = tuple(dataclasses.replace(f, id=None) for f in noun.faces)
    if isinstance(noun, Part):
        changes["holds"] = tuple(dataclasses.replace(h, id=None) for h in noun.holds)
    return dataclasses.replace(noun, **changes)


@pytest.fixture
def nouns(stored):
    """One of every noun with every field filled, not yet stored."""
    s = stored
    return {
        Family: whole_family(),
        Part: Part(
            "Z-1",
            s.family.id,
            work_order="W 1",
            engine_serial="S",
            position="2",
            casting_number="C",
            part_number="P",
            owner="O'Neil; DROP TABLE parts",
            source="van",
            second_mark="X",
            condition=Condition.HEAVILY_CORRODED,
            state=PartState.EXPECTED,
            expected_on=date(2026, 3, 9),
            route=(
                Gate(GateKind.CLEAN, GateState.DONE, "ab", date(2026, 3, 1), "hot tank"),
                Gate(GateKind.WELD, GateState.NOT_NEEDED),
            ),
            holds=(
                Hold("the owner", "price", date(2026, 3, 1)),
                Hold("crack check", "lamp", date(2026, 2, 1), ended=date(2026, 2, 3)),
            ),
            heights=(
                HeightReading(s.deck.id, "middle", 99.9, AT, HeightStage.CHECK, "micrometer", 0.002, 21.5, "ab"),
                HeightReading(s.deck.id, "middle", 99.9, AT, HeightStage.CHECK, "micrometer", 0.002, 21.5, "ab"),
            ),
            depths=(DepthReading(s.deck.id, "valve recession", 1.2, AT, "recut the seats", "ab"),),
            removed_before_mm=0.0,
            agreed_depth_mm=0.2,
            agreed_by="owner",
            replacement_price=0.0,
            notes="n",
        ),
        Job: Job(
            s.left.id,
            s.intake.id,
            aim=Aim.TO_DEPTH,
            depth_mm=0.1,
            due=AT,
            due_kind=DueKind.ASSEMBLY,
            weight=2.5,
            state=JobState.RUNNING,
            gasket_id=s.gasket.id,
            not_before=AT,
            machine_id=s.machine.id,
            rush=True,
            note="call",
        ),
        Machine: Machine(
            "B",
            least_rpm=100,
            greatest_rpm=1200,
            least_feed_mm_min=10,
            greatest_feed_mm_min=400,
            travel_mm=1500,
            table_width_mm=400,
            approach_mm=1,
            overrun_mm=2,
            return_minutes=0,
            hourly_rate=95,
            end_of_pass=EndOfPass.WHEN_CUT,
            instrument=DepthInstrument("bar", Counts.DOWN, 2.54, False, 0.01, 0.05),
            tram=(TramReading(date(2026, 2, 1), 250, 0.01, -0.005, "ab"),),
            hours=HOURS,
            materials=("aluminium", "magnesium"),
        ),
        Person: Person("C. Dunn", "cd", shifts=HOURS, machine_ids=(s.machine.id,), hourly_rate=60),
        InsertGrade: InsertGrade("wiper", CornerKind.WIPER, 0.8, 2.5, 4, 70.5, 9, 14, 22.0, True),
        Cutter: Cutter("fly 350", 350.5, 2, None, machine_id=s.machine.id, grade_id=s.grade.id),
        Recipe: Recipe(
            "magnesium",
            s.grade.id,
            150,
            0.2,
            0.13,
            0.0254,
            0.0762,
            0.1524,
            rough_greatest_mm=0.2,
            finish_pass_mm=0.05,
            kiss_pass=False,
            fluid="dry",
            capacity_path_mm=6e8,
            taylor_n=0.45,
            active=False,
            signed_by="",
            note="proposal",
        ),
        Gasket: Gasket("thin", 1.05, 92.0, 0.4, 1.2, True),
        MatchedSet: MatchedSet(
            "all", (s.job.id, s.other_job.id), None, 0.05, 0.02, 0.1, True, True, True, 0.07, "the owner", "the lead"
        ),
        Insert: Insert("Q-1", s.grade.id, positions=3, scrapped=True),
        EngineFamily: EngineFamily(
            "opposed six",
            92.0,
            76.0,
            head_family_ids=(s.family.id,),
            banks=("left", "right"),
            cylinders=3,
            chamber_cm3=41.5,
            chamber_height_mm=100.0,
            chamber_area_mm2=5200.0,
            piston_cm3=-2.5,
            rod_mm=140.0,
            gasket_bore_mm=94.0,
            most_stacked=2,
            pad_recess_mm=0.0,
            intake=Valve(11.0, Crown.FLAT, LiftCurve((-20.0, 0.0, 20.0), (0.0, 1.0, 3.0))),
            exhaust=Valve(12.0, Crown.PARALLEL_POCKET),
            cam_drive=CamDrive.RUN,
            cam_radius_mm=50.0,
            cam_run_angle_deg=4.0,
            taut_run=TautRun.LENGTHENS,
            bank_angle_deg=90.0,
            manifold_lean_deg=55.0,
            limits=EngineLimits(10.5, 1.0, 0.9, 2.0, 2.5, 0.3, 1.5, 3.0),
            notes="n",
        ),
        MeasuredEngine: MeasuredEngine(
            "ES 00-4712",
            s.engine.id,
            measured_on=date(2026, 3, 2),
            banks=(
                MeasuredBank(
                    "left",
                    (ChamberReading(1, 41.2, 99.8), ChamberReading(2, 41.6)),
                    0.4,
                    3.1,
                    3.6,
                    0.9,
                    1.0,
                    1.3,
                    ("thick", "thin"),
                ),
                MeasuredBank("right"),
            ),
            by="ab",
            notes="n",
        ),
        HandOver: HandOver(
            s.job.id,
            None,
            0.03,
            (RaPlace("front", 0.6), RaPlace("back", 0.7)),
            "two, 0.05 deep, by port 3",
            "6 out",
            "two, tight",
            True,
            False,
            "C. Dunn",
            "ab",
            AT,
            "n",
        ),
        Closure: Closure(date(2026, 4, 3), date(2026, 4, 6), "Easter", person_id=s.person.id),
        Overtime: Overtime(AT, AT.replace(hour=12), 30.0, machine_id=s.machine.id),
    }


def test_every_noun_is_here(nouns):
    assert set(nouns) == set(NOUNS)


@pytest.mark.parametrize("kind", NOUNS, ids=lambda k: k.__name__)
def test_every_field_of_every_noun_round_trips(repository, stored, nouns, kind):
    noun = nouns[kind]
    if kind is MatchedSet:
        repository.delete(stored.set)
    added = repository.add(noun)
    assert without_ids(added) == noun
    again = repository.load(kind, added.id)
    assert again == added and again is not added
    if hasattr(noun, "version"):
        assert added.version == 1
        assert repository.save(added) == dataclasses.replace(added, version=2)
    else:
        assert repository.save(added) == added


def test_settings_round_trip(repository):
    wanted = Settings(
        "Haus", System.METRIC, "€", 95, 80, 0.04, 0.01, 0.01, 0.1, 0.03, 0.05, 0.08, 0.004, 15, 0.05, 200,
        (0.05, 0.1), ((0.025, 3), (0.05, 0)), "2025-06-01", version=1,
    )  # fmt: skip
    assert repository.save(wanted) == dataclasses.replace(wanted, version=2)
    assert repository.settings() == dataclasses.replace(wanted, version=2)


def test_a_full_record_of_a_cut_round_trips(repository, stored, make_cut):
    cut = make_cut(
        outcome=Outcome.FINISHED,
        passes=(
            PassRecord(0.0, PassReason.KISS, False, False, "half", "0.100", AT),
            PassRecord(0.1, PassReason.FINISH, True, True, "", "0.200", AT),
        ),
        touch_place="front left",
        delta_mm=0.012,
        paper_mm=0.1016,
        heights_mm={"middle": 99.7, "front left": 99.69},
        ra_um=(0.8, 0.9, 1.0),
        planned_depth_mm=0.08,
        allowed_depth_mm=0.12,
        planned_passes=3,
        looks="good",
        note="n",
    )
    recorded = repository.record_cut(cut)
    assert dataclasses.replace(recorded, id=None) == cut
    assert repository.load(type(cut), recorded.id) == recorded


text = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=40)
length = st.floats(1, 5000)
unknown_or = st.none() | st.floats(0.001, 1000)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(owner=text, notes=text, removed=st.none() | st.floats(0, 5), heights=st.lists(st.floats(1, 999), max_size=4))
def test_any_text_and_any_number_of_a_part_comes_back_exactly(repository, stored, owner, notes, removed, heights):
    readings = tuple(HeightReading(stored.deck.id, f"p{i}", h, AT) for i, h in enumerate(heights))
    part = Part("any", stored.family.id, owner=owner, notes=notes, removed_before_mm=removed, heights=readings)
    part = dataclasses.replace(part, state=PartState.GONE)
    assert without_ids(repository.add(part)) == part


faces = st.builds(
    Face,
    name=text.filter(str.strip),
    length_mm=length,
    width_mm=length,
    kind=st.sampled_from(FaceKind),
    net_share=st.none() | st.floats(0.01, 1),
    flatness_mm=unknown_or,
    limit=st.builds(Limit, greatest_removal_mm=unknown_or),
    proud=st.lists(text.filter(str.strip), max_size=3).map(tuple),
    openings=st.lists(
        st.builds(Circle, st.floats(-500, 500), st.floats(-500, 500), st.floats(0.1, 99)), max_size=3
    ).map(tuple),
)


@settings(max_examples=100, deadline=None)
@given(face=faces)
def test_any_face_survives_json(face):
    import json

    assert revive(Face, json.loads(json.dumps(plain(face), allow_nan=False))) == face


@settings(max_examples=100, deadline=None)
@given(
    passes=st.lists(
        st.builds(
            PassRecord,
            st.floats(0, 5),
            st.sampled_from(PassReason),
            st.booleans(),
            st.none() | st.booleans(),
            at=st.none() | st.datetimes(min_value=datetime(2000, 1, 1), max_value=datetime(2100, 1, 1)),
        ),
        max_size=5,
    )
)
def test_any_passes_survive_json(passes):
    import json

    assert revive(tuple[PassRecord, ...], json.loads(json.dumps(plain(passes)))) == tuple(passes)


def test_plain_takes_arrays_and_refuses_what_json_cannot_hold():
    held = plain({"z": np.array([1.0, 2.0]), "n": np.int64(3), "kind": Condition.LIGHT, "on": date(2026, 3, 2), 4: {1}})
    assert held == {"z": [1.0, 2.0], "n": 3, "kind": "light", "on": "2026-03-02", "4": [1]}
    for wrong in (math.nan, math.inf, object(), np.array([math.nan])):
        with pytest.raises(InputError) as problem:
            plain({"a": [wrong]}, "payload")
        assert problem.value.field.startswith("payload.a[0]")


@pytest.mark.parametrize(
    "stored_as",
    [
        {"name": "x"},  # a field is missing that has no default
        {"name": "x", "x_mm": 1.0, "y_mm": 2.0, "colour": "red"},  # a field nobody knows
        {"name": "x", "x_mm": None, "y_mm": 2.0},  # an impossible noun
        [1, 2],
    ],
)
def test_what_no_longer_fits_a_noun_is_refused_on_load(stored_as):
    with pytest.raises((InputError, TypeError)):
        revive(MeasuringPoint, stored_as, "points[0]")
