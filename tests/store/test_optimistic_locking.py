"""Two people with the same record: the second save is refused, shown what differs, and nothing is overwritten."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from planner.errors import InputError
from planner.shop import Cutter, Family, Gasket, InsertGrade, Job, Machine, MatchedSet, Part, Person, Recipe
from planner.store import StaleRecord

AT = datetime(2026, 3, 2, 11, 30)

CHANGES = {
    Family: ({"fixture": "blocks A"}, {"fixture": "blocks B", "notes": "heavy"}),
    Part: ({"owner": "the mill"}, {"owner": "the harbour"}),
    Job: ({"rush": True}, {"note": "call first"}),
    MatchedSet: ({"gang": True}, {"tolerance_mm": 0.05}),
    Machine: ({"travel_mm": 900.0}, {"travel_mm": 800.0}),
    Person: ({"initials": "aa"}, {"initials": "abe"}),
    Cutter: ({"max_rpm": 900.0}, {"max_rpm": 800.0}),
    InsertGrade: ({"price": 80.0}, {"price": 85.0}),
    Recipe: ({"note": "x"}, {"kiss_pass": False}),
    Gasket: ({"bore_mm": 90.0}, {"bore_mm": 91.0}),
}


@pytest.mark.parametrize("kind", CHANGES, ids=lambda k: k.__name__)
def test_the_second_save_is_refused_and_told_what_differs(repository, second, stored, kind):
    key = next(iter(repository.load_all(kind)))
    mine, theirs = repository.load(kind, key), second.load(kind, key)
    first_change, second_change = CHANGES[kind]
    saved = repository.save(replace(mine, **first_change), by="ab", at=AT)
    assert saved.version == mine.version + 1
    version = second.data_version()
    with pytest.raises(StaleRecord) as stale:
        second.save(replace(theirs, **second_change), by="cd", at=AT)
    problem = stale.value
    assert problem.by == "ab" and problem.at == AT and problem.theirs == saved
    told = {d.field: (d.yours, d.theirs) for d in problem.differences}
    assert told == {
        name: (getattr(replace(theirs, **second_change), name), getattr(saved, name))
        for name in {*first_change, *second_change}
    }
    assert "ab" in str(problem) and "11:30" in str(problem)
    assert second.load(kind, key) == saved
    assert second.data_version() == version
    # with their version in hand the change goes through
    assert second.save(replace(saved, **second_change)).version == saved.version + 1


def test_settings_are_guarded_alike(repository, second):
    mine, theirs = repository.settings(), second.settings()
    repository.save(replace(mine, hourly_rate=95.0), by="ab", at=AT)
    with pytest.raises(StaleRecord) as stale:
        second.save(replace(theirs, currency="€"))
    assert [d.field for d in stale.value.differences] == ["currency", "hourly_rate"]
    assert second.settings().hourly_rate == 95.0


def test_a_record_deleted_meanwhile_is_told_as_deleted(repository, second, stored):
    theirs = second.load(Gasket, stored.gasket.id)
    repository.delete(stored.gasket)
    with pytest.raises(StaleRecord, match="deleted") as stale:
        second.save(replace(theirs, bore_mm=90.0))
    assert stale.value.theirs is None


def test_a_record_changed_meanwhile_is_not_deleted(repository, second, stored):
    repository.save(replace(stored.gasket, bore_mm=90.0))
    with pytest.raises(StaleRecord):
        second.delete(stored.gasket)
    assert stored.gasket.id in second.load_all(Gasket)


def test_recording_a_cut_makes_an_open_form_of_its_part_and_job_stale(repository, second, stored, make_cut):
    repository.record_cut(make_cut())
    for noun in (stored.left, stored.job):
        with pytest.raises(StaleRecord):
            second.save(replace(noun, **({"notes": "x"} if isinstance(noun, Part) else {"note": "x"})))


def test_a_height_reading_alone_does_not_refuse_an_open_form(repository, second, stored):
    from planner.shop import HeightReading

    repository.add_heights(stored.left.id, [HeightReading(stored.deck.id, "front left", 99.81, AT)])
    saved = second.save(replace(stored.left, notes="bent stud"))
    assert saved.notes == "bent stud" and len(saved.heights) == 2


def test_a_noun_never_stored_cannot_be_saved_nor_a_stored_one_added(repository, stored):
    with pytest.raises(InputError) as wrong:
        repository.save(Gasket("new", 1.0))
    assert wrong.value.field == "gasket.id"
    with pytest.raises(InputError) as wrong:
        repository.add(stored.gasket)
    assert wrong.value.field == "gasket.id"
