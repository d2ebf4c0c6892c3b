"""Engines in the store: what refers to them, the hold for a cover, gates that a cut puts on the route."""

from __future__ import annotations

import dataclasses
from datetime import date, datetime

import pytest

from planner import InputError
from planner.shop import (
    EngineFamily,
    Face,
    FaceKind,
    Family,
    GateKind,
    GateState,
    HandOver,
    Job,
    MeasuredEngine,
    Part,
    PartKind,
)
from planner.store.importing import preview
from tests.store.conftest import MONDAY

AT = datetime(2026, 3, 3, 9, 0)


def covered(repository, stored) -> Family:
    """The small head's family with a deck that is cut with its cover bolted on."""
    faces = (dataclasses.replace(stored.deck, cover_bolted=True), stored.intake)
    return repository.save(dataclasses.replace(stored.family, faces=faces), by="ab", at=AT)


def holds(repository, part_id):
    return [h for h in repository.load(Part, part_id).holds if h.waiting_for == "cover"]


def test_a_face_cut_with_its_cover_on_holds_its_open_jobs_until_somebody_says_so(repository, stored):
    covered(repository, stored)
    for part in (stored.left, stored.right):
        (hold,) = holds(repository, part.id)
        assert "must be bolted on" in hold.reason and hold.ended is None
        assert any("cover" in why for why in repository.load_shop().parts[part.id].waits_for)
    # the tap: the cover is on
    left = repository.load(Part, stored.left.id)
    repository.save(dataclasses.replace(left, holds=tuple(dataclasses.replace(h, ended=AT.date()) for h in left.holds)))
    assert repository.load_shop().parts[stored.left.id].waits_for == ()
    # saving the family again does not ask again, a new job on that face does
    family = repository.load(Family, stored.family.id)
    repository.save(dataclasses.replace(family, notes="n"), by="ab", at=AT)
    assert len(holds(repository, stored.left.id)) == 1
    fresh = repository.add(Part("H-9", stored.family.id))
    assert holds(repository, fresh.id) == []
    repository.add(Job(fresh.id, stored.intake.id))
    assert holds(repository, fresh.id) == []
    repository.add(Job(fresh.id, stored.deck.id))
    assert len(holds(repository, fresh.id)) == 1


def test_a_part_form_opened_before_the_hold_came_cannot_wipe_it_out(repository, stored):
    from planner.store import StaleRecord

    seen = repository.load(Part, stored.left.id)
    covered(repository, stored)
    with pytest.raises(StaleRecord):
        repository.save(dataclasses.replace(seen, notes="typed meanwhile"))
    assert len(holds(repository, stored.left.id)) == 1


def test_a_parting_face_cut_puts_line_bore_on_the_route_and_taking_it_back_takes_it_off(repository, stored, make_cut):
    family = repository.add(
        Family("case", "aluminium", (Face("parting", 500, 280, FaceKind.PARTING),), kind=PartKind.CASE_HALF)
    )
    part = repository.add(Part("C-1", family.id))
    job = repository.add(Job(part.id, family.faces[0].id))
    cut = make_cut(job_id=job.id, part_id=part.id, face_id=family.faces[0].id, heights_mm={}, uses=())
    recorded = repository.record_cut(cut)
    (gate,) = [g for g in repository.load(Part, part.id).route if g.kind is GateKind.LINE_BORE]
    assert gate.state.value == "open" and "parting face" in gate.note
    repository.reverse_cut(recorded.id, "another part", "ab", AT)
    assert [g for g in repository.load(Part, part.id).route if g.kind is GateKind.LINE_BORE] == []


def test_a_deck_cut_asks_for_no_line_bore(repository, stored, make_cut):
    repository.record_cut(make_cut())
    assert all(g.kind is not GateKind.LINE_BORE for g in repository.load(Part, stored.left.id).route)


def intake_gates(repository, part):
    return [g for g in repository.load(Part, part.id).route if g.kind is GateKind.INTAKE_CORRECTION]


def test_a_deck_cut_under_a_vee_manifold_puts_the_intake_correction_on_the_route(repository, stored, make_cut):
    """Manifold and end rails follow the heads down: due on the head's route like line bore on the case's, gone again
    when the cut is taken back, left alone once somebody signed it."""
    repository.save(dataclasses.replace(stored.engine, bank_angle_deg=90, manifold_lean_deg=45))
    recorded = repository.record_cut(make_cut())
    (gate,) = intake_gates(repository, stored.left)
    assert gate.state.value == "open" and "end rails" in gate.note
    assert repository.load(Part, stored.left.id).open_gates == ()  # it keeps no part off the machine
    repository.reverse_cut(recorded.id, "another part", "ab", AT)
    assert intake_gates(repository, stored.left) == []


def test_a_signed_intake_correction_stays_when_the_cut_is_taken_back(repository, stored, make_cut):
    repository.save(dataclasses.replace(stored.engine, bank_angle_deg=90, manifold_lean_deg=45))
    recorded = repository.record_cut(make_cut())
    part = repository.load(Part, stored.left.id)
    signed = tuple(
        dataclasses.replace(g, state=GateState.DONE, initials="ab", on=AT.date())
        if g.kind is GateKind.INTAKE_CORRECTION
        else g
        for g in part.route
    )
    repository.save(dataclasses.replace(part, route=signed))
    repository.reverse_cut(recorded.id, "another part", "ab", AT)
    (gate,) = intake_gates(repository, stored.left)
    assert gate.state is GateState.DONE


@pytest.mark.parametrize("lean", [45, None])
def test_the_serial_tells_which_kind_of_engine_a_head_is_from(repository, stored, make_cut, lean):
    """Two kinds take the same head: only the engine entered for its serial says whether a manifold lies between."""
    one = repository.save(dataclasses.replace(stored.engine, bank_angle_deg=90, manifold_lean_deg=lean))
    repository.add(
        EngineFamily(
            "other",
            86,
            80,
            head_family_ids=(stored.family.id,),
            bank_angle_deg=90,
            manifold_lean_deg=None if lean else 45,
        )
    )
    part = repository.save(dataclasses.replace(repository.load(Part, stored.left.id), engine_serial="VÉ 1"))
    recorded = repository.record_cut(make_cut())
    assert intake_gates(repository, part) == []  # nobody said which kind
    repository.reverse_cut(recorded.id, "again", "ab", AT)
    repository.add(MeasuredEngine("vé 1", one.id))
    repository.record_cut(make_cut())
    assert bool(intake_gates(repository, part)) == (lean is not None)


def test_what_an_engine_is_made_of_is_not_deleted(repository, stored):
    lone = repository.add(Family("lone head", "aluminium", (Face("deck", 200, 100),)))
    engine = repository.add(EngineFamily("lone", 80, 70, head_family_ids=(lone.id,)))
    with pytest.raises(InputError, match="lone"):
        repository.delete(lone)
    measured = repository.add(MeasuredEngine("E 7", engine.id))
    with pytest.raises(InputError, match="measured engines"):
        repository.delete(engine)
    repository.delete(measured)
    repository.delete(repository.load(EngineFamily, engine.id))
    repository.delete(repository.load(Family, lone.id))


@pytest.mark.parametrize(
    ("noun", "field"),
    [
        (EngineFamily("a", 80, 70, head_family_ids=(999,)), "head_family_ids"),
        (EngineFamily("SMALL engine", 80, 70), "name"),  # a name taken, whatever its capitals
        (MeasuredEngine("E 1", 999), "engine_id"),
        (HandOver(999), "job_id"),
    ],
)
def test_engines_that_do_not_fit_the_shop_are_refused(repository, stored, count_rows, noun, field):
    before = count_rows()
    with pytest.raises(InputError, match=field):
        repository.add(noun)
    assert count_rows() == before


def test_a_job_is_handed_over_once(repository, stored):
    repository.add(HandOver(stored.job.id, plugs="6 out"))
    with pytest.raises(InputError, match="handed over"):
        repository.add(HandOver(stored.job.id))


def test_the_shop_finds_a_part_s_engine(repository, stored):
    shop = repository.load_shop()
    left = shop.parts[stored.left.id]
    assert shop.engine_of(left) == stored.engine and shop.measured_engine(left.engine_serial) is None
    other = repository.add(EngineFamily("another", 80, 70, head_family_ids=(stored.family.id,)))
    assert repository.load_shop().engine_of(left) is None  # two kinds of engine take such heads: somebody must say
    repository.add(MeasuredEngine("es 00-4711", other.id, measured_on=date(2026, 3, 2)))
    assert repository.load_shop().engine_of(left) == other


def test_an_engine_s_file_tells_every_fault(repository, stored):
    text = "engine,bore_in,stroke_in,head_families,intake_crank_deg,intake_lift_mm\n"
    text += "A,3.6,3.1,no such head,,\nB,3.6,-1,small head,,\nC,3.6,3.1,small head,0; 10,1\n"
    found = preview(text.encode(), "e.csv", "engines", repository.load_shop(), now=MONDAY)
    assert {(p.row, p.column) for p in found.problems} == {(2, "head_families"), (3, "stroke"), (4, "intake_lift")}
