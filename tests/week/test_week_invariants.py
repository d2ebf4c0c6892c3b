"""What must hold in every plan: nobody and no machine in two places, hours kept, gates and sets kept, every job
accounted for; and each rule once on a week small enough to check by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.week import (
    Decision,
    Edge,
    Job,
    JobSet,
    Machine,
    Person,
    Prices,
    Step,
    Tables,
    Week,
    Where,
    Window,
    evaluate_decision,
    plan_week,
    search_week,
)
from tests.week.random_weeks import random_decision, random_week

EPS = 1e-6


def overlaps(rows):
    rows = rows.sort_values("start_min")
    return (rows.start_min.iloc[1:].to_numpy() < rows.end_min.cummax().iloc[:-1].to_numpy() - EPS).any()


def inside(windows, opened, a, z):
    spans = []
    for w in windows:
        if not w.overtime or w.overtime in opened:
            if spans and spans[-1][1] == w.start_min:
                spans[-1][1] = w.end_min
            else:
                spans.append([w.start_min, w.end_min])
    return any(s - EPS <= a and z <= e + EPS for s, e in spans)


def check_plan(week, plan):
    rows, opened = plan.timeline, plan.decision.opened
    people = {p.id: p for p in week.people}
    machines = {m.id: m for m in week.machines}
    jobs = {j.id: j for j in week.jobs}
    # Every job once or with a reason.
    assert set(plan.jobs.index) | set(plan.unplaceable) == set(jobs)
    assert not set(plan.jobs.index) & set(plan.unplaceable)
    assert all(plan.unplaceable.values())
    assert set(rows.job) == set(plan.jobs.index)
    # Nobody and no machine in two places.
    for person, mine in rows[rows.person != ""].groupby("person"):
        assert not overlaps(mine), person
    for machine, mine in rows[rows.machine != ""].groupby("machine"):
        assert not overlaps(mine), machine
        for job, part in mine.groupby("job"):
            others = mine[mine.job != job]
            between = (others.start_min > part.start_min.min() + EPS) & (others.end_min < part.end_min.max() - EPS)
            assert not between.any(), "a job is not left for another on the machine"
    # Hours.
    for row in rows.itertuples():
        if row.where in ("attended", "away"):
            assert inside(people[row.person].windows, opened, row.start_min, row.end_min), row
        if row.where == "traverse":
            assert inside(people[row.runner].windows, opened, row.start_min, row.end_min), row
        if row.where in ("attended", "traverse"):
            assert inside(machines[row.machine].windows, opened, row.start_min, row.end_min), row
            assert row.machine in people[row.runner].machines
    # Gates, pins, work complete.
    for one, mine in rows.groupby("job"):
        job = jobs[one]
        machine = plan.jobs.machine[one]
        assert mine.start_min.min() >= max(job.not_before_min, job.pin_start_min or 0.0) - EPS
        if job.pin_start_min is not None:
            kept = abs(plan.jobs.start_min[one] - job.pin_start_min) < EPS
            assert kept or one in plan.broken_pins
        assert not job.blocked and machine in job.steps
        planned = sum(s.minutes for s in job.steps[machine])
        done = mine[(mine.machine != "") & mine.kind.isin([s.kind for s in job.steps[machine]])]
        assert (done.end_min - done.start_min).sum() == pytest.approx(planned)
        bench = mine[mine.kind.isin([kind for kind, _ in job.after]) & (mine.machine == "")]
        assert (bench.end_min - bench.start_min).sum() == pytest.approx(job.after_minutes)
        assert not len(bench) or bench.start_min.min() >= plan.jobs.end_min[one] - EPS
        if job.always_attended:
            at = mine[(mine.machine != "") & mine.kind.isin([s.kind for s in job.steps[machine]])]
            assert (at.person != "").all() and not (at["where"] == "traverse").any()
            starts, ends = np.sort(at.start_min), np.sort(at.end_min)
            assert np.allclose(starts[1:], ends[:-1])
    # Partners in order.
    for one in week.sets:
        for first, then in zip(one.members, one.members[1:], strict=False):
            if then in plan.jobs.index:
                assert plan.jobs.start_min[then] >= plan.jobs.end_min[first] - EPS
    assert plan.cost == pytest.approx(sum(plan.costs.values()))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.integers(0, 10**6))
def test_every_decision_makes_a_plan_that_keeps_the_rules(seed):
    rng = np.random.default_rng(seed)
    week = random_week(rng)
    tables = Tables(week)
    if tables.n:
        check_plan(week, evaluate_decision(tables, random_decision(tables, rng)))


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(0, 10**6))
def test_searched_plans_keep_the_rules_and_fixed_jobs_stand_first(seed):
    rng = np.random.default_rng(seed)
    week = random_week(rng)
    tables = Tables(week)
    if not tables.n:
        return
    j = int(rng.integers(tables.n))
    k = int(np.flatnonzero(tables.may[j].any(1))[0])
    alone = tables.jobs[j].id not in {member for one in week.sets for member in one.members}
    if alone:
        machines = tuple(
            Machine(**{**vars(m), "fixed": (tables.jobs[j].id,)}) if i == k else m for i, m in enumerate(week.machines)
        )
        week = Week(week.jobs, machines, week.people, week.sets, week.prices)
    plan = search_week(Tables(week), steps=4)
    check_plan(week, plan)
    if alone and tables.jobs[j].id in plan.jobs.index:
        assert plan.order[week.machines[k].id][0] == tables.jobs[j].id


# One rule at a time, minutes added up by hand.

DAY = (Window(0, 240, 0), Window(270, 480, 0), Window(1440, 1680, 1), Window(1710, 1920, 1))


def head(job="h", passes=2, pass_minutes=5.0, use=0.0, **more):
    steps = [Step("load", 10), Step("touch-off", 5)]
    for _ in range(passes):
        steps += [Step("cut pass", pass_minutes, Where.TRAVERSE, use), Step("look", 2)]
    return Job(job, {"m": (*steps, Step("unload", 4))}, **more)


def place(jobs, people=None, machine=None, **more):
    people = people or [Person("p", {"m"}, DAY)]
    machine = machine or Machine("m")
    week = Week(tuple(jobs), (machine,), tuple(people), **more)
    decision = Decision({"m": tuple(j.id for j in jobs)}, {j.id: people[0].id for j in jobs})
    return evaluate_decision(Tables(week), decision)


def test_one_head_takes_the_sum_of_its_steps():
    plan = place([head()])
    assert plan.jobs.end_min["h"] == 10 + 5 + 2 * (5 + 2) + 4


def test_a_pass_starts_only_if_it_ends_before_the_break():
    plan = place([head(pass_minutes=100.0, passes=3)])
    cuts = plan.timeline[plan.timeline.kind == "cut pass"]
    # 15 + 100, 117 + 100, then 219 + 100 would pass the break at 240: after it, without a new touch-off.
    assert cuts.start_min.tolist() == [15, 117, 270]
    assert "touch-off again" not in set(plan.timeline.kind)


def test_after_the_shift_there_is_a_new_touch_off():
    plan = place([head(pass_minutes=100.0, passes=5)])
    cuts = plan.timeline[plan.timeline.kind == "cut pass"]
    assert cuts.start_min.tolist() == [15, 117, 270, 372, 1440 + 5]
    again = plan.timeline[plan.timeline.kind == "touch-off again"]
    assert again.start_min.tolist() == [1440] and again.end_min.tolist() == [1445]


def test_a_pass_longer_than_every_window_has_no_place():
    plan = place([head(pass_minutes=241.0)])
    assert "longer than any stretch of hours (240 min)" in plan.unplaceable["h"]


def test_a_pass_that_uses_more_than_an_edge_has_no_place():
    plan = place([head(use=0.5, grade="cbn")], machine=Machine("m", grade="cbn", edges={"cbn": Edge(0.0, 0.45)}))
    assert "planning limit is 0.45" in plan.unplaceable["h"]


def test_index_before_a_job_that_fits_a_fresh_edge_and_between_passes_of_one_that_does_not():
    edges = {"cbn": Edge(used=0.3, limit=0.45, price=30.0)}
    machine = Machine("m", grade="cbn", index_minutes=10.0, edges=edges)
    plan = place([head(use=0.1, passes=2, grade="cbn")], machine=machine)
    assert plan.timeline.kind.tolist()[0] == "index" and plan.edges == {("m", "cbn"): 1} and plan.costs["edges"] == 30
    plan = place([head(use=0.1, passes=5, grade="cbn")], machine=machine)  # 0.5 > 0.45: no fresh edge holds it
    kinds = plan.timeline.kind.tolist()
    assert kinds.count("index stop") == 1 and kinds.index("index stop") == 4  # one pass to 0.4, the next would be 0.5
    fresh = Machine("m", grade="cbn", edges={"cbn": Edge(used=0.0, limit=0.45)})
    assert place([head(use=0.1, passes=4, grade="cbn")], machine=fresh).edges == {}


def test_setups_by_fixture_and_material_pause_at_the_break():
    machine = Machine(
        "m", fixture="a", material="al", fixture_minutes=20.0, cleanout={("al", "iron"): 12.0}, rate_per_min=2.0
    )
    first = head("x", fixture="a", material="al", passes=1, pass_minutes=190.0)  # off at 211
    second = head("y", fixture="b", material="iron")
    plan = place([first, second], machine=machine)
    rows = plan.timeline[(plan.timeline.job == "y") & plan.timeline.kind.isin(["cleanout", "fixture change"])]
    assert list(zip(rows.kind, rows.start_min, rows.end_min, strict=True)) == [
        ("cleanout", 211, 223),
        ("fixture change", 223, 240),
        ("fixture change", 270, 273),
    ]
    assert plan.costs["setups"] == 64.0


def test_unattended_minutes_free_the_person_for_the_bench():
    jobs = [head("x", after=(("wash", 20.0),)), head("y", pass_minutes=30.0)]
    plan = place(jobs)
    wash = plan.timeline[plan.timeline.kind == "wash"]
    # x off at 33; y loaded 33-43, touch-off 48, its first pass 48-78 leaves the person 30 minutes.
    assert wash.start_min.tolist() == [48] and plan.jobs.ready_min["x"] == 68


def test_bench_first_finishes_the_bench_before_loading():
    jobs = [head("x", after=(("wash", 20.0),)), head("y")]
    week = Week(tuple(jobs), (Machine("m"),), (Person("p", {"m"}, DAY),))
    plan = evaluate_decision(Tables(week), Decision({"m": ("x", "y")}, {}, frozenset({"y"})))
    assert plan.jobs.ready_min["x"] == 33 + 20 and plan.jobs.start_min["y"] == 53


def test_bench_people_take_what_leaves_the_machine():
    jobs = [head("x", after=(("wash", 20.0),))]
    plan = place(jobs, people=[Person("p", {"m"}, DAY), Person("w", frozenset(), DAY)])
    row = plan.timeline[plan.timeline.kind == "wash"].iloc[0]
    assert (row.person, row.start_min, row.end_min) == ("w", 33, 53)


def test_magnesium_is_never_left_and_never_last_before_closing():
    jobs = [head("x", pass_minutes=100.0, passes=3), head("mg", always_attended=True, watch_minutes=60.0)]
    plan = place(jobs)
    at = plan.timeline[plan.timeline.job == "mg"]
    assert (at.person == "p").all()
    # x is off at 376; mg takes 33 and must end by 480 - 60 = 420: 409 does, with three passes more it would not.
    assert plan.jobs.end_min["mg"] == 409
    later = place([jobs[0], head("mg", passes=5, always_attended=True, watch_minutes=60.0)])
    assert later.jobs.start_min["mg"] == 1440
    never = place([head("mg", pass_minutes=120.0, always_attended=True)])
    assert "may not be left" in never.unplaceable["mg"]


def test_a_set_member_waits_for_the_measured_height_of_the_one_before():
    pair = JobSet(("x", "y"), measuring_minutes=8.0, split_price=50.0)
    plan = place([head("x"), head("y")], sets=(pair,))
    rows = plan.timeline[plan.timeline.kind == "measure for target"]
    assert rows.start_min.tolist() == [33] and plan.jobs.end_min["y"] == 33 + 8 + 33 and plan.costs["split sets"] == 0
    apart = place([head("x"), head("z"), head("y")], sets=(pair,))
    assert apart.costs["split sets"] == 50


def test_holds_gates_and_reasons():
    jobs = [
        head("held", blocked="waits for the customer: thicker gasket?"),
        head("late in", not_before_min=300.0),
        Job("elsewhere", {}, refused={"m": "longer than its travel"}),
        head("x"),
        head("y"),
    ]
    early = Prices(flow_per_min=0.01)
    people, sets = [Person("p", {"m"}, DAY)], [JobSet(("held", "y"))]
    plan = plan_week(jobs, [Machine("m")], people=people, sets=sets, prices=early, steps=3)
    assert plan.unplaceable["held"] == "waits for the customer: thicker gasket?"
    assert plan.unplaceable["elsewhere"] == "m: longer than its travel"
    assert plan.unplaceable["y"].startswith("waits for held")
    assert plan.jobs.start_min["late in"] >= 300 and plan.jobs.end_min["x"] == 33


def test_overtime_is_opened_when_it_costs_less_than_being_late_and_paid_to_the_last_work():
    hours = (Window(0, 480, 0), Window(480, 600, 0, "evening", 1.5), Window(1440, 1920, 1))
    jobs = [head("x", passes=25, pass_minutes=20.0, due_min=600.0, weight_per_min=weight) for weight in (0.001, 5.0)]
    cheap, dear = (plan_week([job], [Machine("m")], people=[Person("p", {"m"}, hours)], steps=6) for job in jobs)
    assert cheap.decision.opened == frozenset() and cheap.costs["overtime"] == 0
    assert dear.decision.opened == {"evening"}
    # 15 + 25 x 22 + 4 = 569: 89 minutes into the evening.
    assert dear.costs["overtime"] == pytest.approx(1.5 * 89) and dear.late_minutes["x"] == 0


def test_moves_against_the_accepted_plan_cost_money():
    jobs = [head("x"), head("y"), head("z")]
    week = Week(tuple(jobs), (Machine("m"),), (Person("p", {"m"}, DAY),), (), Prices(move=10.0), {"m": ("x", "y", "z")})
    tables = Tables(week)
    assert evaluate_decision(tables, Decision({"m": ("x", "y", "z")}, {})).costs["moves"] == 0
    assert evaluate_decision(tables, Decision({"m": ("x", "z", "y")}, {})).costs["moves"] == 20  # z and y follow others


def test_one_person_serves_two_machines_in_the_order_of_asking():
    steps = (Step("load", 10), Step("cut pass", 30, Where.TRAVERSE), Step("unload", 4))
    jobs = (Job("x", {"a": steps}), Job("y", {"b": steps}))
    week = Week(jobs, (Machine("a"), Machine("b")), (Person("p", {"a", "b"}, DAY),))
    plan = evaluate_decision(Tables(week), Decision({"a": ("x",), "b": ("y",)}, {}))
    assert plan.jobs.start_min.to_dict() == {"x": 0, "y": 10}
    assert plan.jobs.end_min.to_dict() == {"x": 44, "y": 54}


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: Step("load", 0.0), "minutes"),
        (lambda: Step("load", 1.0, "somewhere"), "where"),
        (lambda: Window(5.0, 5.0), "end_min"),
        (lambda: Window(0.0, 5.0, price_per_min=1.0), "price_per_min"),
        (lambda: Job("x", {"m": ()}), "x.steps[m]"),
        (lambda: Job("x", {"m": (Step("cut pass", 1.0, Where.TRAVERSE),)}), "x.steps[m]"),  # nobody unloads
        (lambda: head("x", cool_minutes=5.0), "x.cool_minutes"),  # a rest after nothing
        (lambda: Machine("m", index_minutes=0.0), "m.index_minutes"),
        (lambda: Person("p", windows=(Window(0, 5), Window(4, 6))), "p.windows"),
        (lambda: JobSet(("x",)), "members"),
        (lambda: Week((head("x"), head("x")), (Machine("m"),)), "jobs"),
        (lambda: Week((head("x"),), ()), "machines"),
        (lambda: Week((head("x"),), (Machine("n"),)), "x.steps"),
        (lambda: Week((head("x"),), (Machine("m", fixed=("y",)),)), "fixed"),
        (lambda: Week((head("x"),), (Machine("m"),), sets=(JobSet(("x", "y")),)), "sets"),
        (lambda: plan_week([head("x")], [Machine("m")], seconds=-1.0), "seconds"),
    ],
)
def test_impossible_weeks_are_refused_by_name(make, field):
    with pytest.raises(InputError) as caught:
        make()
    assert caught.value.field == field
