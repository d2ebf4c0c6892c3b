"""Taps with undo, accepted plans as versions, drafts that move nothing, intake checks, surveys, pictures."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import pytest

from planner.errors import InputError
from planner.store import StaleRecord

AT = datetime(2026, 3, 2, 9, 0)


def kinds(taps):
    return [t.kind for t in taps]


def test_taps_are_kept_in_order_and_the_last_can_be_undone(repository, stored):
    job = stored.job.id
    for i, kind in enumerate(("touch-off", "pass", "pass")):
        tap = repository.add_tap(job, kind, {"number": i}, AT + timedelta(minutes=i), "ab", seen_seq=i)
        assert tap.seq == i + 1
    undone = repository.undo_tap(job, AT, "ab", seen_seq=3)
    assert undone.payload == {"number": 2}
    assert repository.last_tap_seq(job) == 4
    assert kinds(repository.taps_of(job)) == ["touch-off", "pass"]
    assert repository.undo_tap(job, AT).payload == {"number": 1}
    repository.add_tap(job, "pass", {"number": 9}, AT)
    assert [t.payload["number"] for t in repository.taps_of(job)] == [0, 9]
    assert len(repository.taps_of(job, whole=True)) == 6
    assert repository.taps_of(stored.other_job.id) == ()


def test_nothing_more_than_everything_is_undone(repository, stored):
    repository.add_tap(stored.job.id, "pass", {}, AT)
    repository.undo_tap(stored.job.id, AT)
    with pytest.raises(InputError, match="a tap to take back"):
        repository.undo_tap(stored.job.id, AT)


def test_of_two_sessions_at_one_run_sheet_the_second_is_told(repository, second, stored):
    repository.add_tap(stored.job.id, "pass", {}, AT, seen_seq=0)
    for act in (
        lambda: second.add_tap(stored.job.id, "pass", {}, AT, seen_seq=0),
        lambda: second.undo_tap(stored.job.id, AT, seen_seq=0),
    ):
        with pytest.raises(StaleRecord, match="another session|Another session"):
            act()
    assert len(second.taps_of(stored.job.id)) == 1


@pytest.mark.parametrize(
    ("field", "arguments"),
    [
        ("job_id", (99, "pass", {}, AT)),
        ("kind", (1, "", {}, AT)),
        ("kind", (1, "undo", {}, AT)),
        ("payload", (1, "pass", [1], AT)),
        ("payload.depth", (1, "pass", {"depth": math.nan}, AT)),
    ],
)
def test_a_wrong_tap_is_refused(repository, stored, field, arguments):
    with pytest.raises(InputError) as wrong:
        repository.add_tap(*arguments)
    assert wrong.value.field == field


def test_the_taps_of_a_recorded_cut_are_closed_and_its_reversal_opens_them(repository, stored, make_cut):
    job = stored.job.id
    repository.add_tap(job, "pass", {"number": 1}, AT)
    cut = repository.record_cut(make_cut())
    assert repository.taps_of(job) == ()
    with pytest.raises(InputError):
        repository.undo_tap(job, AT)
    repository.reverse_cut(cut.id, "typo", "ab", AT.replace(hour=12))
    assert kinds(repository.taps_of(job)) == ["pass"]


def test_a_tap_is_seen_by_other_sessions_but_leaves_the_picture_of_the_shop(repository, second, stored):
    picture, version = second.load_shop(), second.data_version()
    repository.add_tap(stored.job.id, "pass", {}, AT)
    assert second.data_version() == version + 1
    again = second.load_shop()
    assert again.data_version == version + 1 and again.parts is picture.parts


def test_plans_are_versions_with_who_and_when(repository, second, stored):
    assert repository.current_plan() is None
    made_from = repository.data_version()
    payload = {"order": [2, 1], "assignment": {"1": 1}, "timeline": [{"job": 1, "start": AT}], "totals": {"late": 0}}
    first = repository.accept_plan(payload, "ab", AT, made_from, seen_plan_id=0)
    assert first.data_version == made_from and first.stored_version == repository.data_version()
    assert first.payload["timeline"][0]["start"] == AT.isoformat()
    with pytest.raises(StaleRecord) as stale:
        second.accept_plan(payload, "cd", AT, made_from, seen_plan_id=0)
    assert stale.value.by == "ab" and stale.value.at == AT
    newer = second.accept_plan(payload | {"order": [1, 2]}, "cd", AT, made_from, "rush", seen_plan_id=first.id)
    assert repository.current_plan() == newer
    assert [p.id for p in repository.plan_history()] == [newer.id, first.id]
    assert repository.plan_history(limit=1) == (newer,)
    with pytest.raises(InputError):
        repository.accept_plan(payload, "", AT, made_from)
    with pytest.raises(InputError):
        repository.accept_plan({"cost": math.inf}, "ab", AT, made_from)


def test_a_plan_s_acceptance_is_no_change_of_the_shop(repository, stored):
    version = repository.shop_version()
    repository.accept_plan({}, "ab", AT, repository.data_version())
    assert repository.shop_version() == version


def test_drafts_are_kept_replaced_and_dropped_and_move_no_counter(repository, second, stored):
    version = repository.data_version()
    repository.put_draft("part/new", {"tag": "H-9", "depth_mm": 0.1}, AT)
    repository.put_draft("part/new", {"tag": "H-10"}, AT + timedelta(minutes=1))
    repository.put_draft("job_1", {"note": "x"}, AT + timedelta(minutes=2))
    assert second.get_draft("part/new") == {"tag": "H-10"}
    assert second.draft_keys() == ("job_1", "part/new")
    # an underscore in a prefix is an underscore
    assert second.draft_keys("part_") == () and second.draft_keys("job_") == ("job_1",)
    repository.drop_draft("part/new")
    assert second.get_draft("part/new") is None
    assert repository.data_version() == version
    for key in ("", "x" * 201):
        with pytest.raises(InputError):
            repository.put_draft(key, {}, AT)


def test_intake_checks_and_surveys_are_kept_with_the_part(repository, stored):
    check = repository.add_intake_check(
        stored.left.id, stored.deck.id, AT, "ab", lower_mm=0.05, upper_mm=0.08, pit_mm=0.02, payload={"along": 0.05}
    )
    survey = repository.add_survey(
        stored.left.id, stored.deck.id, AT, {"z_mm": [0.0, 0.01]}, "ab", "levelled", job_id=stored.job.id
    )
    assert repository.intake_checks_of(stored.left.id) == (check,)
    assert repository.surveys_of(stored.left.id) == (survey,)
    assert survey.payload == {"z_mm": [0.0, 0.01]} and survey.stage == "levelled"
    for wrong in (
        lambda: repository.add_intake_check(stored.left.id, stored.deck.id, AT, lower_mm=0.1, upper_mm=0.05),
        lambda: repository.add_intake_check(stored.left.id, 99, AT),
        lambda: repository.add_survey(99, stored.deck.id, AT, {}),
        lambda: repository.add_survey(stored.left.id, stored.deck.id, AT, {}, job_id=99),
    ):
        with pytest.raises(InputError):
            wrong()


def test_pictures_are_kept_as_they_came(repository, stored):
    content = bytes(range(256))
    kept = repository.add_attachment(stored.left.id, "pit.png", "image/png", content, AT, "ab", "pit near bore 2")
    assert (kept.part_id, kept.name, kept.by, kept.note) == (stored.left.id, "pit.png", "ab", "pit near bore 2")
    assert repository.attachment_content(kept.id) == content
    for wrong in (
        lambda: repository.add_attachment(stored.left.id, "x", "image/png", b"", AT),
        lambda: repository.add_attachment(99, "x", "image/png", b"1", AT),
        lambda: repository.attachment_content(99),
    ):
        with pytest.raises(InputError):
            wrong()
