"""The shop's own week, not only its model: magnesium, overtime, cool-down, pins, the next job, doubts, overload, changes."""

import json
from dataclasses import replace
from datetime import date, datetime, timedelta

import numpy as np
import pytest

from planner.shop import Aim, Gate, GateKind, GateState, JobState, Overtime, PassReason, Recipe, Window
from planner.week import Decision, Tables, risk_of
from planner.week.adapt import week_of
from planner.week.board import board_of, decision_of, payload_of, pins_of, plan_of_decision, plan_shop
from planner.week.changes import between, since_accepted
from planner.week.doubts import doubts_of, likely_passes
from planner.week.overload import cures, next_saturday, overload_of
from planner.week.queue import estimate_queue
from tests.tiny import MONDAY


def planned(shop, steps=10, **more):
    queue = estimate_queue(shop)
    return queue, plan_shop(shop, queue, MONDAY, steps=steps, **more)


def stored(plan, shop, queue, pins=None):
    return json.loads(json.dumps(payload_of(plan, shop, queue, MONDAY, pins)))


def with_magnesium(shop):
    recipe = Recipe("magnesium", 1, 150, 0.15, 0.127, 0.0254, 0.0762, 0.1524, id=3, signed_by="ab")
    families = {**shop.families, 1: replace(shop.families[1], material="magnesium")}
    return replace(shop, families=families, recipes={**shop.recipes, 3: recipe})


def test_magnesium_is_never_left_and_never_last_before_closing(shop):
    shop = with_magnesium(replace(shop, sets={}))
    _, plan = planned(shop)
    mine = [j for j in ("1", "2") if j in plan.jobs.index]
    assert mine, plan.unplaceable
    for job in mine:
        rows = plan.timeline[(plan.timeline["job"] == job) & (plan.timeline["machine"] == "1")]
        rows = rows[~rows["kind"].isin(["cleanout", "fixture change", "insert change", "index"])].sort_values(
            "start_min"
        )
        assert (rows["person"] == "1").all()  # somebody is there for every minute of it
        assert np.allclose(rows["end_min"].to_numpy()[:-1], rows["start_min"].to_numpy()[1:])  # without a pause
        off = rows["end"].max()
        assert off <= off.normalize() + timedelta(hours=16) - timedelta(minutes=60) + timedelta(seconds=1)


def test_overtime_opens_machine_and_person_and_never_overlaps_the_shift(shop):
    saturday = MONDAY.replace(day=7)
    offer = Overtime(saturday, saturday.replace(hour=12), 55.0, person_id=1, id=1)
    into_the_shift = Overtime(MONDAY.replace(hour=15), MONDAY.replace(hour=18), 55.0, id=2)
    week = week_of(replace(shop, overtime=(offer, into_the_shift)), estimate_queue(shop), MONDAY)
    for windows in (week.machines[0].windows, week.people[0].windows):
        extra = [(w.start_min, w.end_min) for w in windows if w.overtime]
        day = 24 * 60
        assert extra == [(9 * 60, 11 * 60), (5 * day, 5 * day + 5 * 60)]
    assert {w.overtime for w in week.machines[0].windows} == {w.overtime for w in week.people[0].windows}


def test_a_part_welded_today_cools_before_it_is_cut_unless_somebody_knows_the_hour(shop):
    hot = Gate(GateKind.WELD, GateState.DONE, "ab", MONDAY.date())
    warm = replace(shop, parts={**shop.parts, 3: replace(shop.parts[3], route=(hot,))})
    _, plan = planned(warm)
    assert plan.jobs.loc["3", "start_min"] >= shop.settings.weld_cool_minutes
    known = replace(warm, jobs={**warm.jobs, 3: replace(warm.jobs[3], not_before=MONDAY + timedelta(minutes=30))})
    job = next(j for j in week_of(known, estimate_queue(known), MONDAY).jobs if j.id == "3")
    assert job.not_before_min == 30
    yesterday = replace(hot, on=date(2026, 3, 1))
    cold = replace(shop, parts={**shop.parts, 3: replace(shop.parts[3], route=(yesterday,))})
    assert next(j for j in week_of(cold, estimate_queue(cold), MONDAY).jobs if j.id == "3").not_before_min == 0


def test_a_night_between_touch_off_and_first_pass_needs_a_new_touch_off(shop):
    """The iron head is touched off just before closing: the zero set then does not hold over the night."""
    shop = replace(shop, sets={}, jobs={3: shop.jobs[3]})
    late = tuple(Window(d, 7 * 60, 16 * 60) for d in range(5))
    shop = replace(
        shop,
        machines={1: replace(shop.machines[1], hours=late)},
        people={1: replace(shop.people[1], shifts=late)},
    )
    queue = estimate_queue(shop)
    steps = next(j for j in week_of(shop, queue, MONDAY).jobs if j.id == "3").steps["1"]
    kinds = [s.kind for s in steps]
    at = kinds.index("touch-off")
    before = sum(s.minutes for s in steps[: at + 1])
    first = next(s.minutes for s in steps[at:] if s.kind.endswith(" pass"))
    plan = plan_shop(shop, queue, MONDAY, steps=0)
    setting = plan.timeline.query("kind == 'load'")["start_min"].iloc[0]
    # so much later that the touch-off still fits and the pass does not
    shift = 9 * 60 - setting - before - first / 2
    plan = plan_shop(shop, queue, MONDAY, steps=0, pins={3: MONDAY + timedelta(minutes=float(shift))})
    kinds = plan.timeline[plan.timeline["machine"] == "1"]["kind"].tolist()
    first_pass = next(i for i, k in enumerate(kinds) if k.endswith(" pass"))
    assert "touch-off again" in kinds[kinds.index("touch-off") : first_pass]


def test_a_pinned_job_starts_at_its_time_in_every_plan_and_its_pin_is_kept_with_the_plan(shop):
    shop = replace(shop, sets={})
    at = MONDAY.replace(hour=13)
    queue, plan = planned(shop, pins={1: at})
    assert plan.jobs.loc["1", "start_min"] == 360
    payload = stored(plan, shop, queue, {1: at})
    assert pins_of(payload) == {1: at}
    again = plan_shop(shop, queue, MONDAY, accepted=payload, steps=10)
    assert again.jobs.loc["1", "start_min"] == 360
    free = plan_shop(shop, queue, MONDAY, accepted=payload, pins={}, steps=10)
    assert free.jobs.loc["1", "start_min"] != 360


def test_the_next_job_of_today_stays_first_where_nothing_runs_yet(shop):
    shop = replace(shop, sets={})
    queue = estimate_queue(shop)
    start = plan_of_decision(shop, queue, MONDAY, Decision({"1": ("3", "1", "2")}, {}))
    payload = stored(start, shop, queue)
    hurry = replace(shop, jobs={**shop.jobs, 1: replace(shop.jobs[1], rush=True, due=MONDAY.replace(hour=9))})
    plan = plan_shop(hurry, estimate_queue(hurry), MONDAY, accepted=payload, steps=30)
    assert plan.order["1"][:2] == ("3", "1")
    # tomorrow's first job is nobody's next job today
    payload["jobs"]["3"]["start"] = (MONDAY + timedelta(days=1)).isoformat()
    plan = plan_shop(hurry, estimate_queue(hurry), MONDAY, accepted=payload, steps=30)
    assert plan.order["1"][0] == "1"


def test_a_kept_order_on_a_machine_that_no_longer_takes_the_job_is_put_right(shop):
    other = replace(shop.machines[1], id=2, name="the other")
    shop = replace(
        shop,
        sets={},
        machines={1: shop.machines[1], 2: other},
        cutters={i: replace(c, machine_id=None) for i, c in shop.cutters.items()},
        jobs={**shop.jobs, 1: replace(shop.jobs[1], machine_id=2)},
    )
    plan = plan_of_decision(shop, estimate_queue(shop), MONDAY, Decision({"1": ("1", "2", "3"), "2": ()}, {}))
    assert plan.jobs.loc["1", "machine"] == "2"
    assert set(plan.jobs.index) == {"1", "2", "3"}


def test_passes_that_may_be_needed_follow_the_depth_one_by_one(shop):
    queue = estimate_queue(replace(shop, sets={}))
    estimate = queue.estimates[3]
    found = likely_passes(estimate)
    share = (np.arange(len(found)) + 0.5) / len(found)
    searching = [p for p in estimate.passes if p.reason is PassReason.SEARCH]
    others = len(estimate.passes) - len(searching)
    last = searching[-1].total_mm - (searching[-2].total_mm if len(searching) > 1 else 0.0)
    for count, depth in zip(found, estimate.depth.distribution.ppf(share), strict=True):
        reached, passes = 0.0, 0
        while reached < depth - 1e-9:
            reached = searching[passes].total_mm if passes < len(searching) else reached + last
            passes += 1
        assert count == passes + others
    planned_passes = len(estimate.passes_likely)
    assert (found <= planned_passes).mean() >= 0.5


def test_a_job_to_a_depth_and_a_running_job_have_the_passes_that_are_planned(shop):
    jobs = {
        **shop.jobs,
        1: replace(shop.jobs[1], aim=Aim.TO_DEPTH, depth_mm=0.1),
        3: replace(shop.jobs[3], state=JobState.RUNNING),
    }
    shop = replace(shop, sets={}, jobs=jobs)
    doubts = doubts_of(shop, estimate_queue(shop))
    assert doubts["1"].passes is None and doubts["3"].passes is None and doubts["2"].passes is not None


def test_chances_of_the_shop_s_own_week(shop):
    queue, plan = planned(shop)
    risk = risk_of(Tables(plan.week), plan.decision, doubts_of(shop, queue), samples=200, edge_shape=3.71)
    assert set(risk.jobs.index) == {"1", "2", "3"}
    assert (risk.jobs["ready_allow_min"] >= risk.jobs["ready_likely_min"]).all()


def overloaded(shop):
    """Two short days of shift: the work runs over into the week after."""
    short = tuple(Window(d, 7 * 60, 9 * 60 + 30) for d in (0, 1))
    due = MONDAY.replace(day=7, hour=15)
    return replace(
        shop,
        sets={},
        machines={1: replace(shop.machines[1], hours=short)},
        people={1: replace(shop.people[1], shifts=short)},
        jobs={i: replace(j, due=due) for i, j in shop.jobs.items()},
    )


def test_an_overload_is_told_with_what_would_cure_it(shop):
    shop = overloaded(shop)
    _, plan = planned(shop)
    too_much = overload_of(plan)
    assert too_much and too_much.late and too_much.minutes == pytest.approx(plan.late_minutes.sum())
    found = cures(shop, plan, steps=10)
    saturday = next(c for c in found if c.offer is not None)
    assert saturday.offer.start == datetime(2026, 3, 7, 7) and saturday.offer.person_id == 1
    assert saturday.late_jobs < len(too_much.late) and saturday.cost < 0
    # what is offered is what the next plan can take
    stored_offer = replace(shop, overtime=(replace(saturday.offer, id=1),))
    _, then = planned(stored_offer)
    assert len(overload_of(then).late) == saturday.late_jobs


def test_without_an_overload_nothing_is_told(shop):
    _, plan = planned(shop)
    assert not overload_of(plan)


@pytest.mark.parametrize(("at", "day"), [((2, 7), 7), ((7, 11), 7), ((7, 12), 14), ((8, 9), 14)])
def test_the_saturday_to_come(at, day):
    assert next_saturday(datetime(2026, 3, *at)) == datetime(2026, 3, day)


def test_what_changed_since_a_plan_was_accepted(shop):
    queue, plan = planned(shop)
    payload = stored(plan, shop, queue)
    assert since_accepted(board_of(payload, shop, queue, MONDAY), payload, shop) == ()
    changed = replace(
        shop,
        parts={**shop.parts, 4: replace(shop.parts[4], route=())},
        jobs={**shop.jobs, 3: replace(shop.jobs[3], due=MONDAY.replace(hour=8))},
    )
    board = board_of(payload, changed, estimate_queue(changed), MONDAY)
    said = {c.job_id: c for c in since_accepted(board, payload, changed)}
    assert said[4].words == "not on the board yet" and said[4].bad
    assert said[3].words.startswith("late now, by ") and said[3].bad


def test_what_one_accepted_plan_changed_against_the_one_before(shop):
    shop = replace(shop, sets={})
    queue = estimate_queue(shop)
    one, other = (
        stored(plan_of_decision(shop, queue, MONDAY, Decision({"1": order}, {})), shop, queue)
        for order in (("1", "2", "3"), ("3", "1", "2"))
    )
    said = {c.job_id: c.words for c in between(one, other)}
    assert "another place in the order" in said[3] and "earlier" in said[3]
    assert "later" in said[1]
    assert between(one, one) == ()
    assert decision_of(one).order == {"1": ("1", "2", "3", "4")} or decision_of(one).order["1"][:3] == ("1", "2", "3")


def test_members_of_a_set_change_places_when_their_order_is_another_one_by_now(shop):
    queue = estimate_queue(shop)
    first, second = (str(j) for j in queue.sets[1].order)
    plan = plan_of_decision(shop, queue, MONDAY, Decision({"1": (second, "3", first)}, {}))
    placed = [j for j in plan.order["1"] if j in plan.jobs.index]
    assert placed == [first, "3", second]


@pytest.mark.parametrize("running", [False, True])
def test_today_s_running_and_next_job_do_not_move_by_themselves(shop, running):
    queue = estimate_queue(shop)
    plan = plan_shop(shop, queue, MONDAY, steps=3)
    payload = payload_of(plan, shop, queue, MONDAY)
    order = plan.order["1"]
    stay = 2 if running else 1
    # the last one is late by a week and counts a thousand times: everything else makes room for it
    urgent = replace(shop.jobs[int(order[-1])], due=MONDAY.replace(year=2020), weight=1000.0, rush=True)
    jobs = {**shop.jobs, urgent.id: urgent}
    if running:
        jobs[int(order[0])] = replace(jobs[int(order[0])], state=JobState.RUNNING)
    shop = replace(shop, jobs=jobs, sets={})
    again = plan_shop(shop, estimate_queue(shop), MONDAY, accepted=payload, steps=10)
    assert again.order["1"][:stay] == order[:stay]
    if not running:
        assert again.order["1"].index(order[-1]) == 1  # it comes right behind them
    free = plan_shop(shop, estimate_queue(shop), MONDAY, steps=10)
    assert free.order["1"].index(order[-1]) == (1 if running else 0)  # and before them where nothing was accepted
