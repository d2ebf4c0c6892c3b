"""Sets that wait for each other across machines, and what stands on a machine now."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.shop import EdgeInUse, Job, JobState, LastCut, MatchedSet, Tap, TapKind
from planner.week import Decision
from planner.week.adapt import week_of
from planner.week.board import board_of, decision_of, payload_of, plan_of_decision, plan_shop
from planner.week.changes import since_accepted
from planner.week.circles import untangled
from planner.week.queue import estimate_queue
from tests.tiny import MONDAY


def runs_through(order, sets):
    """Whether every job gets its turn when members wait for the one before them."""
    lanes = {m: list(jobs) for m, jobs in order.items()}
    before = {b: a for members in sets for a, b in itertools.pairwise(members)}
    placed = {j for jobs in lanes.values() for j in jobs}
    done, moved = set(), True
    while moved:
        moved = False
        for jobs in lanes.values():
            if jobs and (before.get(jobs[0]) in done or before.get(jobs[0]) not in placed):
                done.add(jobs.pop(0))
                moved = True
    return not any(lanes.values())


def test_the_smallest_circle_is_untangled_by_the_nearest_member():
    """a2 waits for a1 behind b2, which waits for b1 behind a2."""
    circle = {"m": ("a2", "b1"), "n": ("b2", "x", "a1")}
    sets = [("a1", "a2"), ("b1", "b2")]
    assert not runs_through(circle, sets)
    order, forward = untangled(circle, sets)
    assert order == {"m": ("b1", "a2"), "n": ("b2", "x", "a1")} and forward == ("b1",)
    assert runs_through(order, sets)


def test_what_does_not_wait_for_ever_is_left_as_it_is():
    sound = {"m": ("a1", "x", "b2"), "n": ("b1", "y", "a2")}
    assert untangled(sound, [("a1", "a2"), ("b1", "b2")]) == (sound, ())


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.integers(0, 10**6))
def test_every_order_can_be_untangled_and_keeps_its_jobs_on_their_machines(seed):
    rng = np.random.default_rng(seed)
    n, m = int(rng.integers(2, 13)), int(rng.integers(1, 4))
    jobs = [int(j) for j in rng.permutation(n)]
    cuts = sorted(rng.integers(0, n + 1, m - 1).tolist())
    order = {k: tuple(jobs[a:b]) for k, (a, b) in enumerate(itertools.pairwise([0, *cuts, n]))}
    members = [int(j) for j in rng.permutation(n)]
    sets, at = [], 0
    while at + 1 < n:
        size = int(rng.integers(2, 5))
        sets.append(tuple(members[at : at + size]))
        at += size
    sets = [s for s in sets if len(s) > 1]
    found, forward = untangled(order, sets)
    assert runs_through(found, sets)
    assert {k: sorted(v) for k, v in found.items()} == {k: sorted(v) for k, v in order.items()}
    assert untangled(found, sets) == (found, ())
    assert untangled(order, sets) == (found, forward)
    if runs_through(order, sets):
        assert not forward


def two_pairs(shop):
    """Two machines; heads 1, 2 and 5, 6 in two sets."""
    parts = {**shop.parts, **{i + 4: replace(shop.parts[i], id=i + 4, tag=f"T-{i + 4}") for i in (1, 2)}}
    jobs = {**{i: shop.jobs[i] for i in (1, 2)}, **{i + 4: Job(i + 4, 1, id=i + 4) for i in (1, 2)}}
    agreed = {"split_agreed_by": "ab"}
    sets = {1: replace(shop.sets[1], **agreed), 2: MatchedSet("other", (5, 6), id=2, **agreed)}
    machines = {**shop.machines, 2: replace(shop.machines[1], id=2, name="the other mill")}
    people = {1: replace(shop.people[1], machine_ids=(1, 2))}
    cutters = {**shop.cutters, 9: replace(shop.cutters[1], id=9, machine_id=2)}
    return replace(shop, parts=parts, jobs=jobs, sets=sets, machines=machines, people=people, cutters=cutters)


def test_an_accepted_plan_whose_sets_wait_in_a_circle_is_untangled_and_says_so(shop):
    shop = two_pairs(shop)
    queue = estimate_queue(shop)
    (first, second), (third, fourth) = (queue.sets[i].order for i in (1, 2))
    sound = Decision({"1": (str(first), str(fourth)), "2": (str(third), str(second))}, {})
    payload = json.loads(json.dumps(payload_of(plan_of_decision(shop, queue, MONDAY, sound), shop, queue, MONDAY)))
    assert not board_of(payload, shop, queue, MONDAY).forward
    # the order of both sets is another one by now: on the board each machine waits for the other
    payload["order"] = {"1": [str(second), str(third)], "2": [str(fourth), str(first)]}
    board = board_of(payload, shop, queue, MONDAY)
    assert board.out_of_date and "sets on it wait for each other" in board.words
    assert set(board.today.jobs.index) == {"1", "2", "5", "6"}  # each has a place again
    assert len(board.forward) == 1
    told = [
        c
        for c in since_accepted(board, payload, shop)
        if c.job_id in board.forward and "wait for each other" in c.words
    ]
    assert len(told) == 1 and told[0].bad
    again = board_of(payload, shop, queue, MONDAY)
    assert again.today.order == board.today.order
    plan = plan_shop(shop, queue, MONDAY, accepted=payload, steps=2)
    assert set(plan.jobs.index) == {"1", "2", "5", "6"}
    assert plan_of_decision(shop, queue, MONDAY, decision_of(payload)).order == board.today.order


# -- what stands on a machine ------------------------------------------------------------------------------------------


def machine_of(shop, number=0):
    return week_of(shop, estimate_queue(shop), MONDAY).machines[number]


def setups(shop):
    """Kinds of setup before the first job of a plan that begins with the aluminium heads."""
    plan = plan_of_decision(shop, estimate_queue(shop), MONDAY, Decision({"1": ("2", "1", "3")}, {}))
    rows = plan.timeline[(plan.timeline["job"] == "2") & (plan.timeline["machine"] == "1")]
    return {k for k in rows["kind"] if "change" in k or k == "cleanout"}


def test_the_first_setup_is_counted_from_the_last_cut(shop):
    assert setups(shop) == {"fixture change", "insert change"}  # nothing recorded: set up anew
    friday = MONDAY - timedelta(days=3)
    same = replace(shop, last_cuts={1: LastCut(1, "aluminium", friday, 1, 1)})
    assert setups(same) == set()
    machine = machine_of(same)
    assert (machine.fixture, machine.material, machine.grade) == ("blocks A", "aluminium", shop.grades[1].name)
    iron = replace(shop, last_cuts={1: LastCut(2, "grey_iron", friday, 2, 2)})
    assert setups(iron) == {"cleanout", "fixture change", "insert change"}


def test_an_insert_changed_since_the_last_cut_is_what_stands_on_it(shop):
    friday = MONDAY - timedelta(days=3)
    shop = replace(shop, last_cuts={1: LastCut(1, "aluminium", friday, 1, 1)})
    later = EdgeInUse(1, 1, 7, 1, 2, friday + timedelta(hours=1))
    assert machine_of(replace(shop, edges=(later,))).grade != machine_of(shop).grade
    # the same grade indexed since: still the grade of the last cut
    indexed = EdgeInUse(1, 1, 7, 2, 1, friday + timedelta(hours=1))
    assert machine_of(replace(shop, edges=(indexed,))).grade == machine_of(shop).grade


def test_the_running_job_stands_on_its_machine_and_first_in_the_plan(shop):
    shop = replace(shop, sets={}, jobs={**shop.jobs, 3: replace(shop.jobs[3], state=JobState.RUNNING)})
    queue = estimate_queue(shop)
    machine = week_of(shop, queue, MONDAY).machines[0]
    assert (machine.fixture, machine.material) == ("plate", "iron")
    # nobody accepted a plan: it lies on the table all the same
    plan = plan_shop(shop, queue, MONDAY, steps=5)
    assert plan.order["1"][0] == "3"
    assert plan_of_decision(shop, queue, MONDAY, Decision({"1": ("1", "2", "3")}, {})).order["1"][0] == "3"


def test_of_two_jobs_called_running_the_one_begun_first_lies_on_the_machine(shop):
    running = {i: replace(shop.jobs[i], state=JobState.RUNNING) for i in (1, 3)}
    taps = {3: (Tap(3, 1, MONDAY, TapKind.START, {"machine_id": 1}),)}
    shop = replace(shop, sets={}, jobs={**shop.jobs, **running}, taps=taps)
    assert machine_of(shop).fixture == "plate"


@pytest.mark.parametrize("grade_id", [None, 99])
def test_a_last_cut_without_a_known_grade_leaves_the_grade_open(shop, grade_id):
    shop = replace(shop, last_cuts={1: LastCut(1, "aluminium", MONDAY, 1, grade_id)})
    assert machine_of(shop).grade == "" and machine_of(shop).fixture == "blocks A"
