"""One figure for what a gang takes off each member, wherever it is told; and who was ended leaves the gang."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.screens.words import queue_table
from planner.sheets import run_sheet, week_sheet
from planner.shop import Aim, JobState, Limit, PassReason
from planner.units import System, Units
from planner.week.board import plan_shop
from planner.week.model import Where
from planner.week.queue import estimate_queue
from tests.gangs import cut_so_far, ended, gang_of_three
from tests.tiny import MONDAY
from tests.week.test_gang_week import both

BELOW = {1: 0.0, 2: 0.05, 5: 0.02}


def the_course(queue):
    (course,) = {c.set_id: c for c in queue.gangs.values()}.values()
    return course


def agree(shop, queue):
    """Every place tells of each member what one plane at the gang's stop depth leaves of it."""
    view, course = queue.sets[1], the_course(queue)
    for job_id in course.job_ids:
        estimate, member = queue.estimates[job_id], view.member(job_id)
        assert estimate.stop_likely_mm == pytest.approx(course.stop_mm - course.below_mm[job_id], abs=1e-9)
        assert estimate.stop_allow_mm == pytest.approx(course.course.stop_allow - course.below_mm[job_id], abs=1e-9)
        assert view.depths_mm[job_id] == pytest.approx(estimate.stop_likely_mm, abs=1e-9)
        assert view.finals_mm[job_id] == pytest.approx(member.height_mm - estimate.stop_likely_mm, abs=1e-9)
        assert estimate.left_likely_mm == pytest.approx(view.finals_mm[job_id] - member.least_mean_mm, abs=1e-9)
        # every traverse goes over all of them
        assert len(estimate.passes_likely) == len(course.course.likely)
        assert [p.standing_mm for p in estimate.passes] == [p.standing_mm for p in course.course.passes]
        assert queue.by_machine[job_id, course.machine_id] == estimate
    assert np.ptp([view.finals_mm[j] for j in course.job_ids]) == pytest.approx(0, abs=1e-9)
    return course


def test_every_place_tells_the_same_depth_of_a_gangs_member():
    shop = gang_of_three()
    queue = estimate_queue(shop)
    course, view = agree(shop, queue), queue.sets[1]
    assert view.gang == course.job_ids and view.feasible
    assert course.below_mm == pytest.approx(BELOW)
    plan = plan_shop(shop, queue, MONDAY, steps=0)
    for units in (Units(), Units(System.METRIC)):
        table = queue_table(shop, queue, units)
        week = week_sheet(shop, queue, plan, "1", units, MONDAY)
        for job_id in course.job_ids:
            estimate = queue.estimates[job_id]
            likely, allow = units.depth(estimate.stop_likely_mm, unit=False), units.depth(estimate.stop_allow_mm)
            assert table.loc[job_id, "Cut"] == f"likely {likely}, allow {allow}"
            assert table.loc[job_id, "Passes"] == len(course.course.likely)
            row = next(r for r in week.split("<tr>") if f"<b>{shop.part_of(shop.jobs[job_id]).tag}</b>" in r)
            assert f"{likely} / {allow}" in row
            html = run_sheet(shop, shop.jobs[job_id], estimate, units, MONDAY)
            assert f"likely {likely}, allow {allow}" in html
            after = units.height(np.mean([h.likely_mm for h in estimate.heights]))
            assert after == units.height(view.finals_mm[job_id])


def test_a_plane_takes_off_each_member_what_stands_above_it():
    # by hand: the cutter at one setting leaves min(height, plane) of whatever lies under it
    shop = gang_of_three()
    queue = estimate_queue(shop)
    heights = {j: queue.sets[1].heights_mm[j] for j in (1, 2, 5)}
    plane = max(heights.values()) - the_course(queue).stop_mm
    for job_id, height in heights.items():
        assert queue.sets[1].finals_mm[job_id] == pytest.approx(min(height, plane))
        assert queue.sets[1].cuts_mm[job_id] == pytest.approx(max(0.0, height - plane))
    # each pass, too: what the first does not reach, it leaves
    course = the_course(queue)
    for number, planned in enumerate(course.course.likely):
        at = max(heights.values()) - planned.total_mm
        for job_id, height in heights.items():
            own = queue.estimates[job_id].passes_likely[number]
            assert own.total_mm == pytest.approx(max(0.0, height - at), abs=1e-9)
            assert own.below_zero_mm == planned.below_zero_mm and own.minutes == planned.minutes


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-0.12, 0.12), min_size=3, max_size=3), st.floats(0.05, 0.9))
def test_members_end_alike_above_their_limits_whatever_their_heights(offsets, in_hand):
    shop = gang_of_three(offsets)
    family = shop.families[1]
    face = replace(family.faces[0], limit=Limit(least_height_mm=99.8 - in_hand))
    shop = replace(shop, families={**shop.families, 1: replace(family, faces=(face,))})
    queue = estimate_queue(shop)
    if not queue.gangs:
        # no depth cleans all above their limits: said, and not shown as a gang
        assert queue.sets[1].apart_because and not queue.sets[1].gang
        return
    course = agree(shop, queue)
    for job_id in course.job_ids:
        assert queue.estimates[job_id].left_likely_mm >= -1e-9
    shares = sum(queue.estimates[j].machine_minutes for j in course.job_ids)
    assert shares == pytest.approx(course.machine_minutes)
    assert sum(queue.estimates[j].spindle_minutes for j in course.job_ids) == pytest.approx(
        sum(s.minutes for s in course.steps if s.where is Where.TRAVERSE)
    )


def test_a_gang_that_cannot_be_cleaned_above_a_limit_is_planned_one_by_one_and_says_why():
    shop = gang_of_three((0.0, -0.05, -0.55))
    family = shop.families[1]
    # T-5 stands so low that its plane, were it cut with the others, would lie below the limit of all
    face = replace(family.faces[0], limit=Limit(least_height_mm=99.24))
    shop = replace(shop, families={**shop.families, 1: replace(family, faces=(face,))})
    queue = estimate_queue(shop)
    view = queue.sets[1]
    assert not queue.gangs and not view.gang and view.advice is not None
    assert "needed is a depth that cleans all its members above their limits" in view.apart_because
    assert all(queue.estimates[j].members == 1 for j in (1, 2, 5))


def test_a_gang_without_room_on_any_machine_says_so():
    shop = gang_of_three()
    shop = replace(shop, machines={1: replace(shop.machines[1], travel_mm=700.0)})
    view = estimate_queue(shop).sets[1]
    assert not view.gang and "a table on which all members have room" in view.apart_because


def test_a_gang_with_a_member_cut_to_an_agreed_depth_goes_that_deep():
    shop = gang_of_three()
    job = replace(shop.jobs[2], aim=Aim.TO_DEPTH, depth_mm=0.2)
    shop = replace(shop, jobs={**shop.jobs, 2: job})
    queue = estimate_queue(shop)
    course = agree(shop, queue)
    # T-2 lies 0.05 below the highest
    assert course.stop_mm == pytest.approx(0.25, abs=0.0127)
    assert queue.estimates[2].stop_likely_mm >= 0.2 - 1e-9


def test_what_a_gang_cuts_away_more_is_what_its_depths_say():
    shop = gang_of_three()
    queue = estimate_queue(shop)
    course = agree(shop, queue)
    apart = estimate_queue(replace(shop, sets={1: replace(shop.sets[1], gang=False)})).sets[1]
    more = sum(queue.sets[1].depths_mm.values()) - sum(apart.depths_mm.values())
    assert course.against.more_mm == pytest.approx(more, abs=1e-6)


# -- who was ended has left ----------------------------------------------------------------------------------------------
@pytest.fixture
def under_way():
    return cut_so_far(gang_of_three(), 0.0889, {1: True, 2: False, 5: True}, BELOW)


def test_a_gang_under_way_agrees_everywhere(under_way):
    course = agree(under_way, estimate_queue(under_way))
    assert course.reached_mm == pytest.approx(0.0889) and course.next_pass[2] > 0.0889


@pytest.mark.parametrize("lost", [None, 0.0889])
def test_who_was_ended_leaves_the_gang_and_the_others_go_on(under_way, lost):
    shop = ended(under_way, 1, lost_mm=lost)
    queue, jobs = both(shop)
    course = the_course(queue)
    assert course.job_ids == queue.sets[1].gang and set(course.job_ids) == {2, 5}
    # T-5 is now the highest: its depths count from its own first contact
    assert course.highest == 5 and course.below_mm == pytest.approx({2: 0.03, 5: 0.0})
    assert course.reached_mm == pytest.approx(0.0889 - 0.02)
    assert course.next_pass is not None
    if lost is not None:
        agree(shop, queue)
    # the week: the first carries the passes to come, the other comes off; nothing is loaded anew
    first, second = (str(j) for j in course.job_ids)
    assert jobs[first].steps["1"][0].where is Where.TRAVERSE
    assert [s.kind for s in jobs[second].steps["1"]] == ["unload"]


def test_what_is_finished_sets_how_deep_the_rest_of_the_gang_goes():
    # T-1, cut before by itself, ended 0.4 mm lower than the others would
    shop = ended(gang_of_three(), 1, lost_mm=0.4)
    queue = estimate_queue(shop)
    course, view = agree(shop, queue), queue.sets[1]
    assert set(view.gang) == {2, 5} and view.feasible
    assert max(view.finals_mm.values()) - min(view.finals_mm.values()) <= view.members.stop_mm + 1e-9
    assert [p.reason for p in course.course.likely][-1] is PassReason.MATCH


def test_a_rest_that_must_go_below_what_is_finished_is_told(under_way):
    shop = ended(under_way, 1, lost_mm=0.01)
    view = estimate_queue(shop).sets[1]
    assert not view.feasible and any("would have to be cut again" in p for p in view.problems)


def test_a_member_ended_before_it_was_clean_waits_while_the_others_go_on(under_way):
    shop = ended(under_way, 2, JobState.WAITING)
    queue = estimate_queue(shop)
    assert set(the_course(queue).job_ids) == {1, 5} and queue.estimates[2].members == 1
    assert queue.sets[1].order[-1] == 2


def test_the_last_one_left_goes_on_by_itself(under_way):
    shop = ended(ended(under_way, 1, lost_mm=0.0889), 5, lost_mm=0.0689)
    queue, jobs = both(shop)
    assert not queue.gangs and not queue.sets[1].gang
    # its own run sheet says what is left of it
    assert queue.estimates[2].passes and "load" not in [s.kind for s in jobs["2"].steps["1"]]


def test_a_gang_that_must_stop_and_call_plans_no_pass(under_way):
    agreed = replace(under_way.parts[2], agreed_depth_mm=0.04)
    shop = replace(under_way, parts={**under_way.parts, 2: agreed})
    queue = estimate_queue(shop)
    course = agree(shop, queue)
    assert course.next_pass is None and course.stop_mm == pytest.approx(0.0889)
    assert [f.code for f in queue.estimates[2].flags][0] == "agreed"
    # those that are clean are not to blame
    assert queue.estimates[1].worth_cutting and "agreed" not in [f.code for f in queue.estimates[1].flags]
    # with it gone the others only come off, or are finished
    rest = the_course(estimate_queue(ended(shop, 2, JobState.WAITING)))
    assert set(rest.job_ids) == {1, 5} and all(own.course.worth for own in rest.together.values())


def test_a_touch_off_set_anew_on_the_rest_is_their_one_zero(under_way):
    from planner.shop import Tap, TapKind

    shop = ended(under_way, 1, lost_mm=0.0889)
    before = the_course(estimate_queue(shop))
    taps = dict(shop.taps)
    for job_id in (2, 5):
        own = before.reached_mm - before.below_mm[job_id]
        told = {"place": "cut face", "paper_mm": 0.1, "on_cut_face": True, "cut_face_mm": own}
        taps[job_id] += (Tap(0, 20, MONDAY.replace(hour=12), TapKind.TOUCH, told),)
    again = the_course(estimate_queue(replace(shop, taps=taps)))
    assert again.below_mm == pytest.approx(before.below_mm) and again.reached_mm == pytest.approx(before.reached_mm)
    assert again.next_pass == pytest.approx(before.next_pass) or again.next_pass[2] == pytest.approx(
        before.next_pass[2]
    )


def test_the_rest_of_a_gang_is_told_while_who_left_is_not_measured(under_way):
    shop = ended(under_way, 1)
    queue = estimate_queue(shop)
    view, course = queue.sets[1], the_course(queue)
    assert view.plan is None and any("heights were not measured" in p for p in view.problems)
    for job_id in course.job_ids:
        estimate = queue.estimates[job_id]
        assert view.depths_mm[job_id] == pytest.approx(estimate.stop_likely_mm)
        left = view.finals_mm[job_id] - view.member(job_id).least_mean_mm
        assert left == pytest.approx(estimate.left_likely_mm)
        assert view.heights_mm[job_id] - view.cuts_mm[job_id] == pytest.approx(view.finals_mm[job_id])
    assert view.member(1) is None


def test_a_gang_under_way_stands_first_on_its_machine_and_keeps_nobody_from_it(under_way):
    queue = estimate_queue(under_way)
    course = the_course(queue)
    # T-1 has the lowest number and was begun with the others; T-2 carries the work
    assert course.job_ids[0] == 2
    plan = plan_shop(under_way, queue, MONDAY, steps=0)
    assert list(plan.order["1"][:3]) == [str(j) for j in course.job_ids]
    assert not set(plan.unplaceable) & {"1", "2", "3", "5"}
