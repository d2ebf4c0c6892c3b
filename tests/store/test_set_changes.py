"""What people do about a set, each stored whole or not at all."""

from dataclasses import replace
from datetime import datetime

import pytest

from planner import InputError
from planner.shop import GateKind, Outcome, PartState
from planner.store import set_changes

AT = datetime(2026, 3, 2, 9, 0)


def test_a_scrapped_member_frees_its_partner_with_the_record(repository, stored, make_cut):
    repository.record_cut(make_cut(outcome=Outcome.SCRAPPED))
    shop = repository.load_shop()
    assert shop.sets == {}
    partner = shop.part_of(shop.jobs[stored.other_job.id])
    assert partner.state is PartState.SHELF
    assert partner.open_holds[-1].waiting_for == "lead" and "find another" in partner.open_holds[-1].reason


def test_a_mismatch_needs_a_name(repository, stored, count_rows):
    before = count_rows()
    with pytest.raises(InputError, match="who agreed"):
        set_changes.accept_mismatch(repository, stored.set, 0.1, " ", "ab", AT)
    assert count_rows() == before
    agreed = set_changes.accept_mismatch(repository, stored.set, 0.1, "the owner", "ab", AT)
    assert agreed.accepted_mismatch_mm == 0.1 and agreed.accepted_by == "the owner"


def test_a_split_needs_a_name(repository, stored, count_rows):
    before = count_rows()
    with pytest.raises(InputError, match="who agreed"):
        set_changes.agree_to_split(repository, stored.set, " ", "ab", AT)
    assert count_rows() == before
    assert set_changes.agree_to_split(repository, stored.set, " the lead", "ab", AT).split_agreed_by == "the lead"


def test_only_what_is_finished_is_cut_again(repository, stored, make_cut, count_rows):
    with pytest.raises(InputError, match="a member that is finished"):
        set_changes.cut_again(repository, repository.load_shop(), stored.set, {stored.job.id: 0.05}, "ab", AT)
    repository.record_cut(make_cut())
    matched = set_changes.cut_again(repository, repository.load_shop(), stored.set, {stored.job.id: 0.05}, "ab", AT)
    shop = repository.load_shop()
    again = shop.jobs[matched.job_ids[0]]
    assert again.id != stored.job.id and again.depth_mm == 0.05 and again.part_id == stored.job.part_id
    assert matched.job_ids[1] == stored.other_job.id


def test_a_partner_is_swapped_for_a_loose_part_of_its_family_only(repository, stored, count_rows):
    shop = repository.load_shop()
    leaving = shop.part_of(shop.jobs[stored.other_job.id])
    spare = repository.add(replace(leaving, id=None, version=0, tag="SPARE", engine_serial="", holds=(), heights=()))
    before = count_rows()
    with pytest.raises(InputError, match="a loose part of the family"):
        set_changes.swap_partner(
            repository, repository.load_shop(), stored.set, stored.other_job.id, spare.id, "ab", AT
        )
    assert count_rows() == before
    repository.save(replace(spare, state=PartState.SHELF))
    matched = set_changes.swap_partner(
        repository, repository.load_shop(), stored.set, stored.other_job.id, spare.id, "ab", AT
    )
    shop = repository.load_shop()
    assert shop.part_of(shop.jobs[matched.job_ids[1]]).tag == "SPARE"
    assert shop.parts[leaving.id].state is PartState.SHELF


def test_a_part_sent_to_weld_waits_for_it(repository, stored):
    part = repository.load_shop().part_of(stored.job)
    kept = set_changes.send_to_weld(repository, part, "a spot", "ab", AT)
    assert [g.kind for g in kept.open_gates][0] is GateKind.WELD


def test_loose_parts_need_an_engine_and_a_shelf(repository, stored, count_rows):
    shop, before = repository.load_shop(), count_rows()
    tags = [shop.part_of(stored.job).tag]
    with pytest.raises(InputError, match="the engine the parts are for"):
        set_changes.pair_loose(repository, shop, tags, " ", None, "ab", AT)
    with pytest.raises(InputError, match="a part on the shelf"):
        set_changes.pair_loose(repository, shop, tags, "E-7", None, "ab", AT)
    assert count_rows() == before
