"""A matched set stays on one machine and cutter, unless that cannot be or somebody agreed otherwise."""

from dataclasses import replace

import pytest

from planner.cut.knowledge import Knowledge
from planner.shop import CutOn, Cutter, JobState
from planner.units import Units
from planner.week.adapt import week_of
from planner.week.board import plan_shop
from planner.week.gang_jobs import NEVER
from planner.week.partners import partner_news
from planner.week.queue import estimate_queue
from planner.week.staying import stay_of, stay_words
from tests.tiny import MONDAY, tiny_shop
from tests.week.test_set_view import cut


def two_machines(shop=None):
    """The tiny shop with a second machine like the first, with a cutter of its own: "other" on "second"."""
    shop = shop or tiny_shop()
    machine, cutter = shop.machines[1], shop.cutters[1]
    second = replace(machine, id=2, name="second")
    cutters = {
        1: replace(cutter, machine_id=1),
        2: replace(cutter, id=2, name="other", machine_id=2),
    }
    people = {i: replace(p, machine_ids=()) for i, p in shop.people.items()}
    return replace(shop, machines={1: machine, 2: second}, cutters=cutters, people=people)


def stay(shop):
    return stay_of(shop, shop.sets[1], Knowledge())


def machines_of(queue, job_id):
    return {m for j, m in queue.by_machine if j == job_id}


def test_open_members_may_take_any_machine_that_takes_all_and_are_never_parted():
    shop = two_machines()
    queue = estimate_queue(shop)
    assert set(stay(shop).ways) == {1, 2} and machines_of(queue, 1) == machines_of(queue, 2) == {1, 2}
    one = next(s for s in week_of(shop, queue, MONDAY).sets if set(s.members) == {"1", "2"})
    assert one.split_price >= NEVER
    plan = plan_shop(shop, queue, MONDAY, steps=200)
    assert plan.costs["split sets"] == 0
    assert plan.jobs.loc["1", "machine"] == plan.jobs.loc["2", "machine"]


def test_the_others_follow_a_finished_member_to_its_machine_and_cutter():
    shop = replace(two_machines(cut(tiny_shop(), 2, 0.1)), cut_on={2: CutOn(2, 2, 1)})
    found = stay(shop)
    assert found.ways == {2: 2} and found.tag == "T-2"
    queue = estimate_queue(shop)
    assert machines_of(queue, 1) == {2} and queue.estimates[1].setup.cutter.id == 2
    assert "second" in stay_words(shop, found) and "T-2" in stay_words(shop, found)
    # a plan on the wall that has it elsewhere is no way round it
    elsewhere = {"order": {"1": ["1"], "2": []}, "person": {}, "bench_first": [], "opened": [], "jobs": {}}
    plan = plan_shop(shop, queue, MONDAY, steps=50, accepted=elsewhere)
    assert plan.jobs.loc["1", "machine"] == "2"


def test_who_may_part_it_says_so_and_then_every_machine_is_open_again():
    shop = replace(two_machines(cut(tiny_shop(), 2, 0.1)), cut_on={2: CutOn(2, 2, 1)})
    agreed = replace(shop, sets={1: replace(shop.sets[1], split_agreed_by="the lead")})
    assert machines_of(estimate_queue(agreed), 1) == {1, 2}
    assert "the lead agreed" in stay_words(agreed, stay(agreed))
    both = replace(two_machines(), sets={1: replace(shop.sets[1], split_agreed_by="the lead")})
    week = week_of(both, estimate_queue(both), MONDAY)
    assert next(s for s in week.sets if set(s.members) == {"1", "2"}).split_price == 0


def test_where_it_cannot_be_kept_the_plan_goes_on_and_says_why():
    shop = two_machines(cut(tiny_shop(), 2, 0.1))
    sold = replace(shop, cut_on={2: CutOn(9, 9, 1)})
    assert "no longer there" in stay(sold).broken and machines_of(estimate_queue(sold), 1) == {1, 2}
    assert any("cannot stay" in line for line in partner_news(None, sold, estimate_queue(sold), Units("inch")))
    # its cutter went to the other machine: the same machine at least, with the cutter that is there now
    moved = replace(shop, cut_on={2: CutOn(1, 2, 1)})
    assert stay(moved).ways == {1: 1} and "not on" in stay(moved).broken
    assert machines_of(estimate_queue(moved), 1) == {1}
    pinned = replace(shop, cut_on={2: CutOn(2, 2, 1)}, jobs={**shop.jobs, 1: replace(shop.jobs[1], machine_id=1)})
    assert "pinned" in stay(pinned).broken and machines_of(estimate_queue(pinned), 1) == {1}
    apart = two_machines()
    jobs = {**apart.jobs, 1: replace(apart.jobs[1], machine_id=1), 2: replace(apart.jobs[2], machine_id=2)}
    apart = replace(apart, jobs=jobs)
    assert "pinned to different machines" in stay(apart).broken
    week = week_of(apart, estimate_queue(apart), MONDAY)
    assert 0 < next(s for s in week.sets if set(s.members) == {"1", "2"}).split_price < NEVER


def test_a_record_that_names_no_machine_binds_nobody():
    shop = replace(two_machines(cut(tiny_shop(), 2, 0.1)), cut_on={2: CutOn()})
    assert set(stay(shop).ways) == {1, 2} and not stay(shop).tag


def test_members_that_come_days_apart_keep_one_machine_without_keeping_it_idle():
    shop = two_machines()
    later = replace(shop.jobs[2], not_before=MONDAY.replace(day=5))
    shop = replace(shop, jobs={**shop.jobs, 2: later})
    week = week_of(shop, estimate_queue(shop), MONDAY)
    by_id = {job.id: job for job in week.jobs}
    assert len(by_id["1"].steps) == 1 and by_id["1"].steps.keys() == by_id["2"].steps.keys()
    assert next(s for s in week.sets if set(s.members) == {"1", "2"}).split_price < NEVER


def test_two_cutters_on_one_machine_one_is_chosen_for_all():
    shop = tiny_shop()
    smaller = Cutter("small", 250.0, id=2, max_rpm=shop.cutters[1].max_rpm, machine_id=1, grade_id=1)
    shop = replace(shop, cutters={**shop.cutters, 2: smaller})
    queue = estimate_queue(shop)
    assert len({queue.estimates[j].setup.cutter.id for j in (1, 2)}) == 1
    done = replace(cut(shop, 2, 0.1), cut_on={2: CutOn(1, 2, 1)})
    assert estimate_queue(done).estimates[1].setup.cutter.id == 2


@pytest.mark.parametrize("state", [JobState.CUT, JobState.FINISHED])
def test_nothing_is_asked_of_a_set_that_is_cut(state):
    shop = cut(cut(tiny_shop(), 2, 0.1), 1, 0.1)
    shop = replace(shop, jobs={i: replace(j, state=state) if i < 3 else j for i, j in shop.jobs.items()})
    assert stay(shop).ways == {} and not stay_words(shop, stay(shop))
