"""The live picture: which parts and jobs are in it, when it is read anew, and that it agrees with the record."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.errors import InputError
from planner.shop import Closure, Job, JobState, Overtime, Part, PartState, PassRecord
from planner.store.live import RECENT_JOBS

AT = datetime(2026, 3, 2, 9, 0)


def test_parts_in_the_shop_expected_or_on_the_shelf_are_in_it_and_gone_ones_are_not(repository, stored):
    wanted = {s: repository.add(Part(f"P-{i}", stored.family.id, state=s)).id for i, s in enumerate(PartState)}
    shop = repository.load_shop()
    live = {PartState.IN_SHOP, PartState.EXPECTED, PartState.SHELF}
    assert {s for s, key in wanted.items() if key in shop.parts} == live


def test_open_jobs_bring_their_part_whatever_its_state(repository, stored):
    part = repository.add(Part("P-1", stored.family.id))
    job = repository.add(Job(part.id, stored.deck.id))
    part = repository.save(replace(part, state=PartState.GONE))
    assert {job.id} <= set(repository.load_shop().jobs) and part.id in repository.load_shop().parts
    repository.save(replace(job, state=JobState.WITHDRAWN))
    assert job.id not in repository.load_shop().jobs and part.id not in repository.load_shop().parts


def test_a_set_is_in_it_with_all_its_jobs_while_one_is_open(repository, stored):
    first = repository.save(replace(stored.job, state=JobState.FINISHED))
    repository.save(replace(stored.left, state=PartState.GONE))
    shop = repository.load_shop()
    assert set(shop.sets) == {stored.set.id}
    assert first.id in shop.jobs and stored.left.id in shop.parts
    repository.save(replace(stored.other_job, state=JobState.FINISHED))
    shop = repository.load_shop()
    assert shop.sets == {} and first.id not in shop.jobs


def test_the_last_cut_jobs_are_in_it_and_older_ones_are_not(repository, stored):
    parts = repository.add_all(Part(f"P-{i}", stored.family.id) for i in range(RECENT_JOBS + 5))
    jobs = repository.add_all(Job(p.id, stored.deck.id) for p in parts)
    with repository.transaction() as together:
        for i, job in enumerate(jobs):
            together.save(replace(job, state=JobState.CUT), at=AT + timedelta(minutes=i))
    cut = {key for key, job in repository.load_shop().jobs.items() if job.state is JobState.CUT}
    assert cut == {job.id for job in jobs[5:]}


def test_closures_and_overtime_are_in_it(repository, stored):
    closure = repository.add(Closure(date(2026, 3, 6), date(2026, 3, 6), "stocktaking", machine_id=stored.machine.id))
    overtime = repository.add(Overtime(AT, AT + timedelta(hours=2), 30.0, person_id=stored.person.id))
    shop = repository.load_shop()
    assert shop.closures == (closure,) and shop.overtime == (overtime,)


def test_it_is_read_anew_only_when_something_changed(repository, second, stored):
    shop = repository.load_shop()
    assert repository.load_shop() is shop and shop.data_version == repository.data_version()
    second.save(replace(stored.person, initials="bb"))
    again = repository.load_shop()
    assert again is not shop and again.people[stored.person.id].initials == "bb"
    # what was learned from the record is not read again for that
    assert again.depth_records is shop.depth_records


def test_inside_a_transaction_the_picture_shows_what_is_not_stored_yet(repository, stored):
    with pytest.raises(RuntimeError), repository.transaction() as together:
        part = together.add(Part("P-1", stored.family.id))
        assert part.id in together.load_shop().parts
        raise RuntimeError
    assert len(repository.load_shop().parts) == 2


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(st.tuples(st.floats(0.001, 0.5), st.booleans()), min_size=1, max_size=6))
def test_the_sums_agree_with_the_standing_cuts_whatever_was_recorded_and_reversed(repository, stored, make_cut, steps):
    """Each step records a cut and, if so drawn, takes one that stands back."""
    for depth, back in steps:
        repository.add_history([make_cut(job_id=None, stop_depth_mm=depth)])
        if back:
            stands = repository.cuts_of(stored.left.id)
            repository.reverse_cut(stands[len(stands) // 2].id, "drawn", "ab", AT)
    stands = repository.cuts_of(stored.left.id)
    shop = repository.load_shop()
    key = (stored.left.id, stored.deck.id)
    assert shop.removed_mm[key] == pytest.approx(sum(c.stop_depth_mm for c in stands), abs=1e-9)
    assert shop.edges[0].path_mm["aluminium"] == pytest.approx(sum(u.path_mm for c in stands for u in c.uses), abs=1e-3)
    assert sum(len(r.lower_mm) for r in shop.depth_records) == len(stands)
    assert len(repository.cuts_frame()) == len(stands)
    finished = [r for r in shop.parts[stored.left.id].heights if r.stage == "finished"]
    assert len(finished) == len(stands)


LONG, AWARE = "x" * 61, datetime(2026, 3, 2, tzinfo=UTC)
UNSIGNED = [
    lambda r, s: r.add_tap(s.job.id, "pass", {}, AWARE),
    lambda r, s: r.add_tap(s.job.id, "pass", {}, AT, LONG),
    lambda r, s: r.put_draft("k", {}, AWARE),
    lambda r, s: r.accept_plan({}, LONG, AT, 1),
    lambda r, s: r.accept_plan({}, "ab", AWARE, 1),
    lambda r, s: r.add_survey(s.left.id, s.deck.id, AWARE, {}),
    lambda r, s: r.add_attachment(s.left.id, "n", "image/png", b"1", AWARE),
    lambda r, s: r.save(s.left, by=LONG),
    lambda r, s: r.add(Part("P", s.family.id), at=AWARE),
    lambda r, s: r.reverse_height(1, "typo", "ab", AWARE),
]


@pytest.mark.parametrize("act", UNSIGNED, ids=[str(i) for i in range(len(UNSIGNED))])
def test_a_time_of_another_clock_or_an_endless_name_is_refused(repository, stored, count_rows, act):
    before = count_rows()
    with pytest.raises(InputError) as wrong:
        act(repository, stored)
    assert wrong.value.field in ("at", "by")
    assert count_rows() == before


SWEEP = {
    "points": [
        {"name": name, "x_mm": x, "y_mm": y, "z_mm": z}
        for name, x, y, z in (("front left", 0, 0, 0.0), ("front right", 300, 0, -0.02), ("back", 150, 150, -0.03))
    ]
}


def test_measurements_since_the_last_cut_are_in_it(repository, stored, make_cut):
    part, face = stored.left.id, stored.deck.id
    repository.add_intake_check(part, face, AT, "ab", lower_mm=0.05, upper_mm=0.1, payload={"least_from": "along"})
    repository.add_survey(part, face, AT, SWEEP, "ab")
    newer = repository.add_survey(part, face, AT + timedelta(minutes=5), SWEEP, "ab", job_id=stored.job.id)
    repository.add_survey(part, face, AT + timedelta(minutes=9), SWEEP, "ab", stage="finished")
    shop = repository.load_shop()
    assert shop.checks[part, face].least_from == "along" and shop.checks[part, face].greatest_mm == 0.1
    assert shop.surveys[part, face].id == newer.id and shop.surveys[part, face].points[2].z_mm == -0.03
    cut = repository.record_cut(make_cut(started=AT + timedelta(hours=1), ended=AT + timedelta(hours=2)))
    shop = repository.load_shop()
    assert not shop.surveys and not shop.checks
    repository.reverse_cut(cut.id, "typo", "ab", AT + timedelta(hours=3))
    assert repository.load_shop().surveys[part, face].id == newer.id


def test_a_survey_that_cannot_be_read_back_is_not_stored(repository, stored):
    for payload in ({}, {"points": [{"name": "a"}]}, {"points": SWEEP["points"][:2]}):
        with pytest.raises(InputError):
            repository.add_survey(stored.left.id, stored.deck.id, AT, payload)
    assert repository.surveys_of(stored.left.id) == ()


def test_a_survey_counts_for_the_next_cut_of_its_face_that_stands(repository, stored, make_cut):
    part, face, hour = stored.left.id, stored.deck.id, timedelta(hours=1)
    assert repository.followed_surveys() == ()
    repository.add_survey(part, face, AT, SWEEP, "ab")
    repository.add_survey(part, face, AT + timedelta(minutes=5), SWEEP, "ab", job_id=stored.job.id)
    repository.add_survey(stored.right.id, face, AT, SWEEP, "ab")
    repository.add_survey(part, face, AT + timedelta(minutes=6), SWEEP, "ab", stage="finished")
    cut = repository.record_cut(make_cut(started=AT + hour, ended=AT + 2 * hour))
    (one,) = repository.followed_surveys()
    # the last one before the cut, with what the cut showed
    assert one.survey.at == AT + timedelta(minutes=5) and (one.lower_mm, one.upper_mm) == (0.05, 0.1)
    repository.save(replace(repository.settings(), learn_from="2026-03-20"))
    assert repository.followed_surveys() == ()
    repository.save(replace(repository.settings(), learn_from=""))
    repository.reverse_cut(cut.id, "typo", "ab", AT + 3 * hour)
    assert repository.followed_surveys() == ()


def test_where_dye_was_left_is_remembered_with_the_family(repository, stored, make_cut):
    seen = (
        PassRecord(0.03, clean=False, dye_left="half of it, front left"),
        PassRecord(0.05, clean=False, dye_left="one spot, middle"),
        PassRecord(0.1, clean=True),
    )
    cut = repository.record_cut(make_cut(passes=seen))
    assert repository.dye_places(stored.deck.id) == ((stored.left.id, cut.ended, "middle"),)
    assert repository.dye_places(stored.intake.id) == ()
    repository.reverse_cut(cut.id, "typo", "ab", AT + timedelta(hours=9))
    assert repository.dye_places(stored.deck.id) == ()
    # how much was said, but not where
    repository.record_cut(make_cut(passes=(PassRecord(0.05, clean=False, dye_left="one spot"), PassRecord(0.1))))
    assert repository.dye_places(stored.deck.id) == ()


def test_the_last_cut_on_a_machine_that_stands_is_in_it(repository, stored, make_cut):
    assert repository.load_shop().last_cuts == {}
    cut = repository.record_cut(make_cut())
    last = repository.load_shop().last_cuts[stored.machine.id]
    assert (last.family_id, last.material) == (stored.family.id, stored.family.material)
    assert (last.cutter_id, last.grade_id, last.ended) == (stored.cutter.id, stored.grade.id, cut.ended)
    job = repository.add(Job(stored.left.id, stored.intake.id))
    later = make_cut(
        job_id=job.id, face_id=stored.intake.id, heights_mm={}, started=None, ended=cut.ended + timedelta(hours=1)
    )
    later = repository.record_cut(later)
    assert repository.load_shop().last_cuts[stored.machine.id].ended == later.ended
    repository.reverse_cut(later.id, by="ab", at=later.ended + timedelta(hours=1), reason="another part")
    assert repository.load_shop().last_cuts[stored.machine.id].ended == cut.ended


def test_where_faces_were_met_first_is_remembered_from_their_touch_offs(repository, stored, make_cut):
    def seen():
        return [place for _, _, place in repository.first_touches(stored.deck.id)]

    cut = repository.record_cut(make_cut(touch_place="front left", delta_mm=0.0))
    assert seen() == ["front left"]
    repository.reverse_cut(cut.id, "typo", "ab", AT + timedelta(hours=9))
    assert seen() == []
    for more in ({"delta_mm": None}, {"delta_mm": 0.05}, {"touch_place": "", "delta_mm": 0.0}):
        repository.record_cut(make_cut(**{"touch_place": "front left", "job_id": None} | more))
    assert seen() == []  # unknown, lower than first contact, or nobody said where
