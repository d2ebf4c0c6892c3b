"""Taking a scrapping back puts its set together again, unless something else happened to its members since."""

from dataclasses import replace
from datetime import timedelta

import pytest

from planner.shop import JobState, MatchedSet, Outcome, PartState
from planner.store import set_changes
from tests.tiny import MONDAY

LATER = MONDAY + timedelta(days=1)


@pytest.fixture
def scrapped(repository, stored, make_cut):
    repository.save(replace(stored.set, same_blocks=True, tolerance_mm=0.05), by="ab", at=MONDAY)
    return repository.record_cut(make_cut(outcome=Outcome.SCRAPPED))


def test_the_set_is_together_again_as_it_was(repository, stored, scrapped):
    before = stored.set
    assert repository.load_shop().sets == {}
    repository.reverse_cut(scrapped.id, "the other head", "cd", LATER)
    shop = repository.load_shop()
    (again,) = shop.sets.values()
    assert again.job_ids == before.job_ids and again.name == before.name
    assert again.same_blocks and again.tolerance_mm == 0.05
    partner = shop.part_of(shop.jobs[stored.other_job.id])
    assert partner.state is PartState.IN_SHOP and not partner.open_holds
    assert shop.part_of(stored.job).state is PartState.IN_SHOP
    assert all(shop.jobs[j].state is JobState.WAITING for j in again.job_ids)
    assert repository.came_of_taking_back(scrapped.id) == ((before.name, before.job_ids, ""),)


def test_a_partner_cut_since_comes_back_as_it_is(repository, stored, scrapped, make_cut):
    other = stored.other_job
    repository.record_cut(make_cut(job_id=other.id, part_id=other.part_id, uses=()))
    repository.reverse_cut(scrapped.id, "the other head", "cd", LATER)
    shop = repository.load_shop()
    (again,) = shop.sets.values()
    assert shop.jobs[other.id].state is JobState.CUT and again.job_ids == stored.set.job_ids


@pytest.mark.parametrize(
    ("happened", "why"),
    [
        ("another engine", "went to engine E-99"),
        ("scrapped", "is scrapped"),
        ("withdrawn", "was withdrawn"),
        ("another set", "is in the set new one now"),
    ],
)
def test_what_stands_in_the_way_is_said_and_nothing_is_changed(repository, stored, scrapped, happened, why):
    shop = repository.load_shop()
    partner = shop.part_of(shop.jobs[stored.other_job.id])
    if happened == "another engine":
        repository.save(replace(partner, engine_serial="E-99"), by="ab", at=LATER)
    elif happened == "scrapped":
        repository.save(replace(partner, state=PartState.SCRAPPED), by="ab", at=LATER)
    elif happened == "withdrawn":
        repository.save(replace(shop.jobs[stored.other_job.id], state=JobState.WITHDRAWN), by="ab", at=LATER)
    else:
        spare = repository.add(replace(partner, id=None, version=0, tag="SPARE", holds=(), heights=()))
        job = repository.add(replace(stored.other_job, id=None, version=0, part_id=spare.id))
        repository.add(MatchedSet("new one", (stored.other_job.id, job.id)), by="ab", at=LATER)
    kept = repository.load_shop().sets
    repository.reverse_cut(scrapped.id, "the other head", "cd", LATER)
    assert repository.load_shop().sets == kept
    ((_, _, said),) = repository.came_of_taking_back(scrapped.id)
    assert why in said


def test_a_member_comes_back_into_a_set_that_lived_on(repository, stored, make_cut):
    shop = repository.load_shop()
    partner = shop.part_of(shop.jobs[stored.other_job.id])
    third = repository.add(replace(partner, id=None, version=0, tag="T-9", holds=(), heights=()))
    job = repository.add(replace(stored.other_job, id=None, version=0, part_id=third.id))
    three = repository.save(replace(stored.set, job_ids=(*stored.set.job_ids, job.id)), by="ab", at=MONDAY)
    cut = repository.record_cut(make_cut(outcome=Outcome.SCRAPPED))
    assert repository.load_shop().sets[three.id].job_ids == three.job_ids[1:]
    repository.reverse_cut(cut.id, "the other head", "cd", LATER)
    assert repository.load_shop().sets[three.id].job_ids == three.job_ids
    assert repository.came_of_taking_back(cut.id)[0][2] == ""


def test_withdrawn_jobs_of_its_other_faces_wait_again(repository, stored, make_cut):
    family = repository.load_shop().family_of(repository.load_shop().part_of(stored.job))
    two = repository.save(replace(family, faces=(*family.faces, replace(family.faces[0], id=None, name="cover"))))
    other = repository.add(replace(stored.job, id=None, version=0, face_id=two.faces[1].id))
    cut = repository.record_cut(make_cut(outcome=Outcome.SCRAPPED))
    assert other.id not in {j.id for j in repository.load_shop().open_jobs()}
    repository.reverse_cut(cut.id, "the other head", "cd", LATER)
    assert other.id in {j.id for j in repository.load_shop().open_jobs()}


def test_nothing_was_kept_of_a_set_taken_apart_by_hand(repository, stored):
    shop = repository.load_shop()
    part = shop.part_of(shop.jobs[stored.job.id])
    repository.save(replace(part, state=PartState.SCRAPPED), by="ab", at=MONDAY)
    set_changes.free_partners(repository, repository.load_shop(), stored.set, "ab", MONDAY)
    assert repository.load_shop().sets == {} and repository.came_of_taking_back(1) == ()
