"""Recording a cut is one transaction; a reversal takes every effect of it back; the frame and the sums agree."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

import numpy as np
import pytest
from sqlalchemy import text

from planner.edge import End, Indexed
from planner.errors import InputError
from planner.shop import (
    Condition,
    EdgeUse,
    GateKind,
    GateState,
    HeightReading,
    HeightStage,
    Job,
    JobState,
    Outcome,
    Part,
    PartState,
)

LATER = datetime(2026, 3, 2, 15, 0)


def gate(part: Part, kind: GateKind):
    return next(g for g in part.route if g.kind is kind)


def test_a_finished_cut_changes_everything_at_once(repository, stored, make_cut):
    before = repository.data_version(), repository.records_version()
    cut = repository.record_cut(make_cut())
    assert (repository.data_version(), repository.records_version()) == (before[0] + 1, before[1] + 1)
    assert replace(cut, id=None) == make_cut()
    shop = repository.load_shop()
    part = shop.parts[stored.left.id]
    assert shop.jobs[stored.job.id].state is JobState.CUT
    done = gate(part, GateKind.CUT)
    # the initials of the person named, the day of the cut
    assert (done.state, done.initials, done.on) == (GateState.DONE, "ab", date(2026, 3, 2))
    assert gate(part, GateKind.AFTER_WORK).state is GateState.OPEN
    reading = part.latest_heights_mm(stored.deck.id)["middle"]
    assert (reading.height_mm, reading.stage) == (99.7, HeightStage.FINISHED)
    assert shop.removed_mm[stored.left.id, stored.deck.id] == pytest.approx(0.1)
    (edge,) = shop.edges
    assert edge.path_mm == {"aluminium": 2.0e6} and edge.swept_mm2 == {"aluminium": 108_000.0}
    (record,) = shop.depth_records
    assert (record.family_id, record.face_id, record.condition) == (
        stored.family.id,
        stored.deck.id,
        Condition.NORMAL,
    )
    assert record.lower_mm.tolist() == [0.05] and record.upper_mm.tolist() == [0.1]


@pytest.mark.parametrize(
    "table", ["cuts", "edge_uses", "height_readings", "jobs", "run_taps", "parts"], ids=lambda t: f"fault in {t}"
)
def test_a_fault_anywhere_in_the_middle_leaves_nothing(repository, stored, make_cut, count_rows, table):
    repository.add_tap(stored.job.id, "pass", {"clean": False}, make_cut().started)
    before, version, shop = count_rows(), repository.data_version(), repository.load_shop()
    verb = "UPDATE" if table in ("jobs", "parts") else "INSERT"
    with repository.engine.begin() as connection:
        connection.execute(
            text(f"CREATE TRIGGER fault BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, 'power cut'); END")
        )
    with pytest.raises(Exception, match="power cut"):
        repository.record_cut(make_cut())
    assert count_rows() == before and repository.data_version() == version
    assert repository.load_shop() is shop
    with repository.engine.begin() as connection:
        connection.execute(text("DROP TRIGGER fault"))
    assert repository.record_cut(make_cut()).id


WRONG = [
    # field, change, why
    ("cut.by", {"by": ""}, "a record names who made it"),
    ("cut.part_id", {"part_id": 99}, "no such part"),
    ("cut.face_id", {"face_id": 99}, "no such face"),
    ("cut.job_id", {"job_id": 99}, "no such job"),
    ("cut.job_id", {"face_id": 2}, "the job is for the deck"),
    ("cut.machine_id", {"machine_id": 99}, "no such machine"),
    ("cut.cutter_id", {"cutter_id": 99}, "no such cutter"),
    ("cut.grade_id", {"grade_id": 99}, "no such grade"),
    ("cut.recipe_id", {"recipe_id": 99}, "no such recipe"),
    ("cut.id", {"id": 5}, "a record is new"),
    ("cut.uses[0]", {"uses": (EdgeUse(1, 2, 1.0, 1.0),)}, "that position is not in the cutter"),
    ("cut.uses[0]", {"uses": (EdgeUse(99, 1, 1.0, 1.0),)}, "no such insert"),
]


@pytest.mark.parametrize(("field", "change", "why"), WRONG, ids=[w[2] for w in WRONG])
def test_what_cannot_be_is_refused_and_leaves_nothing(repository, stored, make_cut, count_rows, field, change, why):
    before = count_rows()
    with pytest.raises(InputError) as wrong:
        repository.record_cut(make_cut(**change))
    assert wrong.value.field == field
    assert count_rows() == before


def test_a_cut_is_recorded_once(repository, stored, make_cut):
    repository.record_cut(make_cut())
    with pytest.raises(InputError, match="still open"):
        repository.record_cut(make_cut())


def test_the_gate_waits_for_the_part_s_other_faces(repository, stored, make_cut):
    second = repository.add(Job(stored.left.id, stored.intake.id))
    repository.record_cut(make_cut())
    assert gate(repository.load(Part, stored.left.id), GateKind.CUT).state is GateState.OPEN
    repository.record_cut(make_cut(job_id=second.id, face_id=stored.intake.id, heights_mm={}))
    assert gate(repository.load(Part, stored.left.id), GateKind.CUT).state is GateState.DONE


@pytest.mark.parametrize(
    ("outcome", "job_state", "part_state"),
    [
        (Outcome.PAUSED, JobState.WAITING, PartState.IN_SHOP),
        (Outcome.NOT_CLEAN, JobState.WAITING, PartState.IN_SHOP),
        (Outcome.TO_WELD, JobState.WAITING, PartState.IN_SHOP),
        (Outcome.SCRAPPED, JobState.WITHDRAWN, PartState.SCRAPPED),
    ],
)
def test_other_outcomes(repository, stored, make_cut, outcome, job_state, part_state):
    other = repository.add(Job(stored.left.id, stored.intake.id))
    repository.record_cut(make_cut(outcome=outcome))
    part, job = repository.load(Part, stored.left.id), repository.load(Job, stored.job.id)
    assert (job.state, part.state) == (job_state, part_state)
    assert gate(part, GateKind.CUT).state is GateState.OPEN
    assert [h.waiting_for for h in part.open_holds] == (["lead"] if outcome is Outcome.NOT_CLEAN else [])
    assert (GateKind.WELD in [g.kind for g in part.open_gates]) == (outcome is Outcome.TO_WELD)
    scrapped = outcome is Outcome.SCRAPPED
    assert repository.load(Job, other.id).state is (JobState.WITHDRAWN if scrapped else JobState.WAITING)


def test_fuller_height_readings_take_the_place_of_the_plain_ones(repository, stored, make_cut):
    full = HeightReading(
        stored.deck.id, "middle", 99.7, LATER, HeightStage.FINISHED, "micrometer", repeatability_mm=0.002, by="ab"
    )
    repository.record_cut(make_cut(), heights=[full])
    part = repository.load(Part, stored.left.id)
    assert [r for r in part.heights if r.stage is HeightStage.FINISHED] == [full]
    with pytest.raises(InputError, match="face that was cut"):
        job = repository.add(Job(stored.left.id, stored.intake.id))
        repository.record_cut(make_cut(job_id=job.id, face_id=stored.intake.id, heights_mm={}), heights=[full])


def test_an_index_during_the_job_is_stored_with_the_cut(repository, stored, make_cut):
    change = Indexed(
        at=LATER.replace(hour=9, minute=40),
        by="ab",
        cutter="fly 300",
        pocket=1,
        insert="D-1",
        from_position=1,
        to_position=2,
        end=End.WORN,
    )
    uses = (EdgeUse(stored.insert_id, 1, 1.0e6, 54_000.0), EdgeUse(stored.insert_id, 2, 1.5e6, 54_000.0))
    repository.record_cut(make_cut(uses=uses), edge_events=[change])
    (edge,) = repository.load_shop().edges
    assert edge.position == 2 and edge.path_mm == {"aluminium": 1.5e6}
    work = repository.edge_work(stored.insert_id)
    assert work[stored.insert_id, 1] == {"aluminium": (1.0e6, 54_000.0)}


def test_an_edge_taken_out_before_the_cut_began_is_refused(repository, stored, make_cut):
    change = Indexed(
        at=LATER.replace(hour=8), cutter="fly 300", pocket=1, insert="D-1", from_position=1, to_position=2, end=End.WORN
    )
    repository.add_edge_event(change)
    with pytest.raises(InputError, match="in the cutter while it cut"):
        repository.record_cut(make_cut())


def test_a_reversal_takes_every_effect_back(repository, stored, make_cut):
    cut = repository.record_cut(make_cut())
    entry = repository.reverse_cut(cut.id, "typed on the wrong part", "ab", LATER)
    assert (entry.reverses_id, entry.correction) == (cut.id, "typed on the wrong part")
    shop = repository.load_shop()
    part = shop.parts[stored.left.id]
    assert shop.jobs[stored.job.id].state is JobState.WAITING
    assert gate(part, GateKind.CUT).state is GateState.OPEN
    assert [r.height_mm for r in part.heights] == [99.8]
    assert shop.removed_mm[stored.left.id, stored.deck.id] == 0.0
    assert shop.edges[0].path_mm == {}
    assert shop.depth_records == ()
    assert repository.cuts_of(stored.left.id) == ()
    assert [c.id for c in repository.cuts_of(stored.left.id, everything=True)] == [cut.id, entry.id]
    # both stay in the record, and the cut can be recorded rightly
    assert repository.record_cut(make_cut(stop_depth_mm=0.12)).id
    assert repository.load_shop().removed_mm[stored.left.id, stored.deck.id] == pytest.approx(0.12)


def test_a_reversal_is_refused_when_it_makes_no_sense(repository, stored, make_cut):
    cut = repository.record_cut(make_cut())
    with pytest.raises(InputError) as wrong:
        repository.reverse_cut(cut.id, " ", "ab", LATER)
    assert wrong.value.field == "cut.correction"
    with pytest.raises(InputError, match="recorded cut"):
        repository.reverse_cut(99, "typo", "ab", LATER)
    new = repository.add(Job(stored.left.id, stored.deck.id))
    with pytest.raises(InputError, match="no other open job"):
        repository.reverse_cut(cut.id, "typo", "ab", LATER)
    repository.save(replace(new, state=JobState.WITHDRAWN))
    entry = repository.reverse_cut(cut.id, "typo", "ab", LATER)
    with pytest.raises(InputError, match="not reversed before"):
        repository.reverse_cut(cut.id, "typo", "ab", LATER)
    with pytest.raises(InputError, match="itself reverses"):
        repository.reverse_cut(entry.id, "typo", "ab", LATER)


def test_a_scrapped_part_comes_back_with_the_reversal(repository, stored, make_cut):
    cut = repository.record_cut(make_cut(outcome=Outcome.SCRAPPED))
    repository.reverse_cut(cut.id, "it can be welded", "ab", LATER)
    assert repository.load(Part, stored.left.id).state is PartState.IN_SHOP
    assert repository.load(Job, stored.job.id).state is JobState.WAITING


def test_history_is_added_without_touching_the_queue(repository, stored, make_cut):
    past = [
        make_cut(
            job_id=None,
            started=None,
            ended=datetime(2025, 1, 1 + i),
            by="",
            heights_mm={"middle": 99.9},
        )
        for i in range(5)
    ]
    assert repository.add_history(past) == 5
    shop = repository.load_shop()
    assert shop.jobs[stored.job.id].state is JobState.WAITING
    assert shop.removed_mm[stored.left.id, stored.deck.id] == pytest.approx(0.5)
    assert len(repository.cuts_frame()) == 5


def test_history_with_one_wrong_cut_stores_nothing(repository, stored, make_cut, count_rows):
    before = count_rows()
    with pytest.raises(InputError):
        repository.add_history([make_cut(job_id=None), make_cut(job_id=None, face_id=99)])
    assert count_rows() == before


def test_learning_can_begin_at_a_date(repository, stored, make_cut):
    for year in (2024, 2025):
        repository.add_history([make_cut(job_id=None, started=None, ended=datetime(year, 6, 1))])
    repository.add_history([make_cut(job_id=None, clean_lower_mm=0.05, clean_upper_mm=None)])
    repository.add_history([make_cut(job_id=None, clean_lower_mm=None, clean_upper_mm=None)])
    (record,) = repository.depth_records()
    # one never came clean (no upper bound); one without a look teaches nothing
    assert len(record.lower_mm) == 3 and np.isinf(record.upper_mm[-1])
    known = repository.depth_records()
    assert repository.depth_records() is known
    repository.save(replace(repository.settings(), learn_from="2025-01-01"))
    (record,) = repository.depth_records()
    assert len(record.lower_mm) == 2
    with pytest.raises(InputError) as wrong:
        repository.save(replace(repository.settings(), learn_from="last spring"))
    assert wrong.value.field == "settings.learn_from"


def test_the_frame_filters_and_names(repository, stored, make_cut):
    first = repository.record_cut(make_cut())
    repository.record_cut(make_cut(job_id=stored.other_job.id, part_id=stored.right.id, ended=LATER, ra_um=(0.8, 1.0)))
    frame = repository.cuts_frame()
    assert frame["tag"].tolist() == ["H-102", "H-101"]
    assert frame.loc[0, "ra_um"] == pytest.approx(0.9) and np.isnan(frame.loc[1, "ra_um"])
    row = frame.iloc[1]
    assert (row["family"], row["face"], row["machine"], row["cutter"], row["grade"]) == (
        "small head",
        "deck",
        "the mill",
        "fly 300",
        "diamond",
    )
    assert row["pass_count"] == 2 and row["area_mm2"] == 54_000
    for filters, wanted in (
        ({"part_id": stored.left.id}, 1),
        ({"since": date(2026, 3, 3)}, 0),
        ({"until": datetime(2026, 3, 2, 12)}, 1),
        ({"condition": Condition.NORMAL, "material": "aluminium", "outcome": Outcome.FINISHED}, 2),
        ({"condition": Condition.WELDED}, 0),
        ({"by": "A. Bell", "limit": 1}, 1),
    ):
        assert len(repository.cuts_frame(**filters)) == wanted, filters
    repository.reverse_cut(first.id, "typo", "ab", LATER)
    assert len(repository.cuts_frame()) == 1
    assert len(repository.cuts_frame(everything=True)) == 3
    assert repository.cuts_frame(part_id=99).empty


def test_calls_of_one_transaction_are_stored_together_or_not_at_all(repository, stored, make_cut, count_rows):
    before = count_rows()
    with pytest.raises(RuntimeError), repository.transaction() as together:
        together.record_cut(make_cut())
        together.add(Job(stored.left.id, stored.intake.id))
        assert len(together.cuts_of(stored.left.id)) == 1
        raise RuntimeError("the lead went home")
    assert count_rows() == before
    version = repository.data_version()
    with repository.transaction() as together:
        together.record_cut(make_cut())
        with pytest.raises(InputError):
            together.record_cut(make_cut())  # refused, and leaves nothing of its own behind
        together.add(Job(stored.left.id, stored.intake.id))
    after = count_rows()
    assert after["cuts"] == before["cuts"] + 1 and after["jobs"] == before["jobs"] + 1
    assert repository.data_version() == version + 1
