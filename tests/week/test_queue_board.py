"""The queue, the sets' cuts and the board that stands still, on the tiny shop."""

import json
from dataclasses import replace
from datetime import timedelta

import pytest

from planner.edge import planning_limit
from planner.shop import Condition, EdgeInUse, JobState, MatchedSet, PartState
from planner.units import Units
from planner.week.board import board_of, hours, payload_of, plan_shop, week_end
from planner.week.edge_course import edge_course, edge_needs
from planner.week.queue import estimate_queue
from tests.tiny import MONDAY, tiny_shop

THOU = 0.0254


def planned(shop, steps=10):
    queue = estimate_queue(shop)
    return queue, plan_shop(shop, queue, MONDAY, steps=steps)


def test_set_members_are_cut_one_after_the_other_the_lowest_first(shop):
    queue, plan = planned(shop)
    assert queue.sets[1].order == (2, 1)
    order = plan.order["1"]
    assert order.index("1") == order.index("2") + 1
    # the partner's target is known only after the first is off and measured
    first, second = plan.jobs.loc["2"], plan.jobs.loc["1"]
    assert second["start_min"] >= first["end_min"]


def test_a_member_that_would_end_too_high_is_cut_deeper_to_fit(shop):
    low = replace(shop.parts[2], heights=tuple(replace(h, height_mm=h.height_mm - 0.15) for h in shop.parts[2].heights))
    shop = replace(shop, parts={**shop.parts, 2: low})
    queue = estimate_queue(shop)
    view = queue.sets[1]
    assert view.feasible
    assert view.cuts_mm[1] > queue.estimates[2].stop_likely_mm
    assert queue.estimates[1].target_mm == pytest.approx(view.cuts_mm[1])
    window = view.plan.cuts.window_mm
    assert abs(view.finals_mm[1] - view.finals_mm[2]) <= window + 1e-9
    assert window < shop.sets[1].tolerance_mm  # a guard is kept


def test_a_set_that_cannot_be_planned_says_why(shop):
    bare = replace(shop.parts[1], heights=())
    view = estimate_queue(replace(shop, parts={**shop.parts, 1: bare})).sets[1]
    assert view.plan is None and "T-1 has no height yet" in view.problems[0]


def test_what_waits_is_reported_and_not_placed(shop):
    _, plan = planned(shop)
    assert plan.unplaceable == {"4": "pressure test not done"}
    assert "4" not in plan.jobs.index


def test_what_is_not_worth_beginning_is_not_placed_and_says_why(shop):
    part = replace(shop.parts[3], agreed_depth_mm=0.5 * THOU)
    _, plan = planned(replace(shop, parts={**shop.parts, 3: part}))
    assert "3" not in plan.jobs.index
    assert plan.unplaceable["3"] == "Hardly clean within the agreed 0.013 mm: call the customer before beginning"


def test_nobody_works_outside_the_shift_and_nothing_overlaps(shop):
    _, plan = planned(shop)
    for row in plan.timeline.itertuples():
        start, end = row.start, row.end
        assert start.weekday() < 5
        assert start.hour * 60 + start.minute >= 7 * 60
        assert end <= start.normalize() + timedelta(hours=16) + timedelta(seconds=1)
    for column in ("machine", "person"):
        rows = plan.timeline[plan.timeline[column] == "1"].sort_values("start_min")
        assert (rows["end_min"].to_numpy()[:-1] <= rows["start_min"].to_numpy()[1:] + 1e-6).all()


def test_a_part_that_is_expected_starts_on_its_day(shop):
    day = (MONDAY + timedelta(days=2)).date()
    part = replace(shop.parts[3], state=PartState.EXPECTED, expected_on=day)
    _, plan = planned(replace(shop, parts={**shop.parts, 3: part}))
    start = MONDAY + timedelta(minutes=float(plan.jobs.loc["3", "start_min"]))
    assert start.date() >= day


def test_index_stops_come_before_the_planning_limit(shop):
    limit = planning_limit(3.71, 0.05)
    assert limit == pytest.approx(0.449, abs=1e-3)
    used = EdgeInUse(2, 1, 1, 1, 2, MONDAY, {"grey_iron": (limit - 0.005) * 120e6}, {"grey_iron": 1e6})
    shop = replace(shop, edges=(used,), ready_edges={2: 1})
    queue, plan = planned(shop)
    assert sum(plan.edges.values()) == 1
    course = edge_course(plan, shop, queue)
    iron = course[course["material"] == "grey_iron"]
    assert (iron["use_after"] <= limit + 1e-9).all()
    needs = edge_needs(plan, shop, queue).set_index("grade")
    # one to index; the cutter of the other grade stands empty
    assert needs.loc["diamond", "to_fit"] == needs.loc["diamond", "needed"] == 1
    assert (
        needs.loc["boron nitride", "to_fit"] == 0
        and needs.loc["boron nitride", "needed"] == 1
        and needs.loc["boron nitride", "short"] == 0
    )


def test_area_on_an_edge_is_face_times_passes(shop):
    queue, plan = planned(shop)
    course = edge_course(plan, shop, queue)
    total = course["swept_mm2"].sum()
    wanted = sum(queue.estimates[int(j)].swept_likely_mm2 for j in plan.jobs.index)
    assert total == pytest.approx(wanted)


def test_hours_booked_stay_within_hours_available(shop):
    _, plan = planned(shop)
    frame = hours(plan, shop, MONDAY, week_end(MONDAY)).set_index("who")
    assert frame.loc["the mill", "available"] == pytest.approx(5 * 8.5)
    assert 0 < frame.loc["the mill", "booked"] < 10


def test_the_accepted_plan_stands_still_and_tells_how_far_it_is_out_of_date(shop):
    queue, plan = planned(shop)
    payload = json.loads(json.dumps(payload_of(plan, shop, queue, MONDAY)))
    same = board_of(payload, shop, queue, MONDAY)
    assert not same.out_of_date and same.words == ""
    assert len(same.rows) == len(plan.timeline)

    worse = replace(shop.parts[1], condition=Condition.HEAVILY_CORRODED)
    changed = replace(shop, parts={**shop.parts, 1: worse})
    board = board_of(payload, changed, estimate_queue(changed), MONDAY)
    assert board.more_minutes > 0
    assert board.words.startswith("out of date: +")
    assert list(board.rows["start"]) == list(same.rows["start"])  # the rows did not move


def test_a_new_job_a_hold_and_a_finished_job_are_told(shop):
    queue, plan = planned(shop)
    payload = json.loads(json.dumps(payload_of(plan, shop, queue, MONDAY)))
    freed = replace(shop, parts={**shop.parts, 4: replace(shop.parts[4], route=())})
    board = board_of(payload, freed, estimate_queue(freed), MONDAY)
    assert board.unplanned == (4,) and "1 job not on it" in board.words
    done = replace(shop, jobs={**shop.jobs, 3: replace(shop.jobs[3], state=JobState.FINISHED)})
    board = board_of(payload, done, estimate_queue(done), MONDAY)
    assert board.finished == (3,) and not board.out_of_date
    stuck = replace(shop, parts={**shop.parts, 3: replace(shop.parts[3], state=PartState.EXPECTED)})
    board = board_of(payload, stuck, estimate_queue(stuck), MONDAY)
    assert board.blocked == (3,)


def test_the_running_job_and_the_next_never_move_by_themselves(shop):
    shop = replace(shop, sets={}, jobs={**shop.jobs, 3: replace(shop.jobs[3], state=JobState.RUNNING)})
    queue = estimate_queue(shop)
    payload = {
        "order": {"1": ["3", "1", "2"]},
        "person": {"1": "1", "2": "1", "3": "1"},
        "bench_first": [],
        "opened": [],
    }
    plan = plan_shop(shop, queue, MONDAY, accepted=payload, steps=30)
    assert plan.order["1"][:2] == ("3", "1")


def test_problems_of_a_set_are_told_in_the_persons_units():
    shop = tiny_shop()
    shop = replace(shop, sets={1: MatchedSet("s", (1, 2), id=1, tolerance_mm=0.001)})
    view = estimate_queue(shop, units=Units("inch")).sets[1]
    assert any("thou" in p for p in view.problems)
