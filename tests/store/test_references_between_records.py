"""What must agree between records: links, tags, names, open jobs; what is still referred to is not deleted."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

import pytest

from planner.errors import InputError
from planner.shop import (
    Closure,
    Cutter,
    Face,
    Family,
    Gasket,
    HeightReading,
    HeightStage,
    Hold,
    Job,
    JobState,
    Machine,
    MatchedSet,
    Part,
    PartState,
    Person,
    Recipe,
)

AT = datetime(2026, 3, 2, 9, 0)

WRONG = [
    # noun, field that is named
    (lambda s: Part("X", 99), "part.family_id"),
    (lambda s: Part("h-101", s.family.id), "part.tag"),  # in the shop already, capitals do not matter
    (lambda s: Part("X", s.family.id, heights=(HeightReading(99, "a", 1.0, AT),)), "height.face_id"),
    (lambda s: Job(99, s.deck.id), "job.part_id"),
    (lambda s: Job(s.left.id, 99), "job.face_id"),
    (lambda s: Job(s.left.id, s.deck.id), "job.face_id"),  # that face has an open job
    (lambda s: Job(s.left.id, s.intake.id, machine_id=99), "job.machine_id"),
    (lambda s: Job(s.left.id, s.intake.id, gasket_id=99), "job.gasket_id"),
    (lambda s: MatchedSet("m", (s.job.id, s.other_job.id)), "set.job_ids"),  # in a set already
    (lambda s: MatchedSet("m", (98, 99)), "set.job_ids"),
    (lambda s: Family("Small Head", "aluminium", (Face("f", 1, 1),)), "family.name"),
    (lambda s: Family("other", "aluminium", (Face("f", 1, 1, id=1),)), "family.faces"),
    (lambda s: Machine("the mill", speeds_rpm=(100,)), "machine.name"),
    (lambda s: Gasket("thick", 1.0), "gasket.name"),
    (lambda s: Cutter("c", 100, grade_id=99), "cutter.grade_id"),
    (lambda s: Recipe("aluminium", 99, 1, 1, 1, 1, 1, 1), "recipe.grade_id"),
    (lambda s: Recipe("aluminium", s.grade.id, 700, 0.1, 0.1, 0.01, 0.02, 0.1), "recipe.grade_id"),  # one is active
    (lambda s: Closure(date(2026, 1, 1), date(2026, 1, 2), "x", machine_id=99), "closure.machine_id"),
    (lambda s: "a part", "noun"),
]


@pytest.mark.parametrize(("make", "field"), WRONG, ids=[f"{i} {w[1]}" for i, w in enumerate(WRONG)])
def test_what_does_not_agree_is_refused_and_nothing_is_stored(repository, stored, count_rows, make, field):
    before, version = count_rows(), repository.data_version()
    with pytest.raises(InputError) as wrong:
        repository.add(make(stored))
    assert wrong.value.field == field
    assert count_rows() == before and repository.data_version() == version


def test_a_batch_with_one_wrong_noun_stores_nothing(repository, stored, count_rows):
    before = count_rows()
    with pytest.raises(InputError):
        repository.add_all(
            [Part("N-1", stored.family.id), Part("N-2", stored.family.id), Part("n-1", stored.family.id)]
        )
    assert count_rows() == before
    added = repository.add_all([Part("N-1", stored.family.id), Gasket("thin", 1.0), Part("N-2", stored.family.id)])
    assert [getattr(n, "tag", None) for n in added] == ["N-1", None, "N-2"]


def test_a_tag_may_be_used_again_when_the_part_is_gone(repository, stored):
    repository.save(replace(stored.left, state=PartState.GONE))
    again = repository.add(Part("H-101", stored.family.id))
    assert again.id != stored.left.id
    with pytest.raises(InputError):
        repository.save(replace(repository.load(Part, stored.left.id), state=PartState.IN_SHOP))


def test_a_second_recipe_may_wait_inactive(repository, stored):
    waiting = repository.add(replace(stored.recipe, id=None, active=False))
    with pytest.raises(InputError):
        repository.save(replace(waiting, active=True))
    repository.save(replace(stored.recipe, active=False))
    assert repository.save(replace(waiting, active=True)).active


def test_a_job_may_follow_a_finished_one(repository, stored):
    repository.save(replace(stored.job, state=JobState.FINISHED))
    assert repository.add(Job(stored.left.id, stored.deck.id)).id


USED = [
    ("family", "2 parts"),
    ("left", "1 jobs"),
    ("job", "1 matched sets"),
    ("grade", "1 cutters, 1 inserts, 1 recipes"),
    ("cutter", "1 edge changes"),
    ("machine", "1 cutters"),
]


@pytest.mark.parametrize(("name", "said"), USED)
def test_what_is_referred_to_is_not_deleted_and_the_reason_is_told(repository, stored, count_rows, name, said):
    before = count_rows()
    noun = getattr(stored, name)
    if name == "grade":
        noun = repository.load(type(noun), noun.id)
    with pytest.raises(InputError, match=f"used by .*{said}"):
        repository.delete(noun)
    assert count_rows() == before


def test_a_machine_somebody_is_assigned_to_is_not_deleted(repository, stored):
    spare = repository.add(Machine("spare", speeds_rpm=(100,)))
    repository.add(Person("C. Dunn", machine_ids=(spare.id,)))
    with pytest.raises(InputError, match="no person is assigned"):
        repository.delete(spare)


def test_what_nothing_refers_to_is_deleted(repository, stored):
    part = repository.add(Part("T-9", stored.family.id, holds=(Hold("owner", "price", date(2026, 3, 1)),)))
    repository.delete(part)
    assert part.id not in repository.load_all(Part) and repository.find("T-9") == ()
    family = repository.add(Family("spare", "aluminium", (Face("deck", 10, 10),)))
    repository.delete(family)
    assert family.id not in repository.load_all(Family)
    repository.delete(repository.load(MatchedSet, stored.set.id))
    repository.delete(repository.load(Job, stored.job.id))
    with pytest.raises(InputError):
        repository.load(Job, stored.job.id)


def test_faces_keep_their_ids_when_a_family_is_edited(repository, stored):
    deck, intake = stored.family.faces
    edited = replace(stored.family, faces=(Face("cover", 90, 40), replace(deck, width_mm=181.0)))
    saved = repository.save(edited)
    assert [f.name for f in saved.faces] == ["cover", "deck"]
    assert saved.faces[1].id == deck.id and saved.face(deck.id).width_mm == 181.0
    with pytest.raises(InputError, match="jobs"):
        repository.save(replace(saved, faces=saved.faces[:1]))
    with pytest.raises(InputError):
        repository.save(replace(saved, faces=(replace(deck, id=99),)))


def test_holds_are_ended_added_and_taken_away(repository, stored):
    first = repository.save(
        replace(stored.left, holds=(Hold("owner", "price", AT.date()), Hold("parts", "guides", AT.date())))
    )
    owner, guides = first.holds
    second = repository.save(replace(first, holds=(replace(owner, ended=AT.date()), Hold("lead", "see me", AT.date()))))
    assert [(h.waiting_for, h.ended) for h in second.holds] == [("owner", AT.date()), ("lead", None)]
    assert second.holds[0].id == owner.id and guides.id not in {h.id for h in second.holds}
    with pytest.raises(InputError):
        repository.save(replace(second, holds=(replace(guides, id=99),)))


def test_a_part_with_records_keeps_its_family(repository, stored):
    other = repository.add(Family("other", "aluminium", (Face("deck", 10, 10),)))
    with pytest.raises(InputError) as wrong:
        repository.save(replace(stored.left, family_id=other.id))
    assert wrong.value.field == "part.family_id"
    bare = repository.add(Part("B-1", stored.family.id))
    assert repository.save(replace(bare, family_id=other.id)).family_id == other.id


def test_a_reading_is_taken_back_by_an_entry_and_never_removed(repository, stored):
    fresh = HeightReading(stored.deck.id, "front left", 9.981, AT, HeightStage.ARRIVED)
    repository.add_heights(stored.left.id, [fresh])
    # a save that leaves readings out removes none
    saved = repository.save(replace(stored.left, heights=()))
    assert len(saved.heights) == 2
    ((wrong_id, _),) = [row for row in repository.height_ids(stored.left.id) if row[1] == fresh]
    with pytest.raises(InputError):
        repository.reverse_height(wrong_id, "", "ab", AT)
    repository.reverse_height(wrong_id, "decimal point", "ab", AT)
    assert [r.point for r in repository.load(Part, stored.left.id).heights] == ["middle"]
    with pytest.raises(InputError):
        repository.reverse_height(wrong_id, "again", "ab", AT)
    with pytest.raises(InputError):
        repository.add_heights(99, [fresh])


def test_an_id_is_never_used_again(repository, stored):
    """A plan or a draft that names a deleted record must not come to mean another one."""
    first = repository.add(Gasket("thin", 1.0))
    repository.delete(first)
    assert repository.add(Gasket("thin", 1.0)).id > first.id
