"""Chances told against weeks that happen: a simulator written apart, its own draws, the same distributions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from planner import InputError
from planner.week import (
    Decision,
    Doubt,
    Edge,
    Job,
    Machine,
    Person,
    Step,
    Tables,
    Week,
    Where,
    Window,
    evaluate_decision,
    measuring_first,
    passes_from_depths,
    risk_of,
)
from tests.week.event_simulation import simulate

HOURS = tuple(
    Window(float(day * 1440 + a), float(day * 1440 + b), day) for day in range(12) for a, b in ((0, 240), (270, 480))
)


def steps_of(passes, touch=5.0, use=0.02):
    steps = [Step("load", 10.0), Step("dye", 1.0), Step("drying", 3.0, Where.WAIT), Step("touch-off", touch)]
    for _ in range(passes):
        steps += [Step("cut pass", 6.0, Where.TRAVERSE, use), Step("look", 2.0)]
    return (*steps, Step("unload", 5.0))


def a_week(rng, n, machines=1):
    names = [f"m{k}" for k in range(machines)]
    jobs = []
    for i in range(n):
        passes = int(rng.integers(2, 6))
        jobs.append(
            Job(
                f"j{i}",
                {name: steps_of(passes) for name in names},
                due_min=float(rng.integers(100, 480) + 1440 * rng.integers(0, max(1, n // 6))),
                weight_per_min=float(rng.integers(1, 4)),
                material=str(rng.choice(["al", "iron"])),
                grade="cbn",
                after=(("wash", 15.0),),
            )
        )
    edges = {"cbn": Edge(0.1, 0.45, 20.0, stock=3)}
    cleanout = {("al", "iron"): 12.0, ("iron", "al"): 12.0}
    made = tuple(
        Machine(name, rate_per_min=1.5, material="al", grade="cbn", cleanout=cleanout, edges=edges) for name in names
    )
    people = tuple(Person(f"p{k}", {name}, HOURS) for k, name in enumerate(names))
    return Week(tuple(jobs), made, people)


def in_order_of_due(week):
    order = {m.id: [] for m in week.machines}
    person = {}
    for i, job in enumerate(sorted(week.jobs, key=lambda j: j.due_min)):
        k = i % len(week.machines)
        order[week.machines[k].id].append(job.id)
        person[job.id] = week.people[k].id
    return Decision({m: tuple(ids) for m, ids in order.items()}, person)


PASSES = stats.binom(4, 0.45, loc=1)
ATTENDED = stats.lognorm(0.25)
AWAY = stats.lognorm(0.35)
EDGE_SHAPE = 2.5


def happened(week, decision, rng):
    """One week as it comes: every job's passes and minutes and every edge's end drawn anew."""
    jobs = []
    for job in week.jobs:
        machine = next(iter(job.steps))
        count, factor = int(rng.binomial(4, 0.45)) + 1, rng.lognormal(0.0, 0.25)
        steps = tuple(
            step if step.where != Where.ATTENDED else replace(step, minutes=step.minutes * factor)
            for step in steps_of(count)
        )
        wash = tuple((kind, minutes * rng.lognormal(0.0, 0.35)) for kind, minutes in job.after)
        jobs.append(replace(job, steps=dict.fromkeys(job.steps, steps), after=wash))
        assert machine in job.steps
    real = replace(week, jobs=tuple(jobs))
    lives = {}
    for one in week.machines:
        used = one.edges["cbn"].used
        ends = rng.weibull(EDGE_SHAPE, 12)
        while ends[0] < used:  # the edge in the cutter has held so far
            ends[0] = rng.weibull(EDGE_SHAPE)
        lives[one.id, "cbn"] = list(ends)
    return simulate(real, decision.order, decision.person, lives=lives)


@pytest.mark.slow
def test_of_jobs_told_75_to_85_percent_76_to_84_are_on_time():
    """900 weeks, each told once and then run ten times by the other simulator."""
    told, kept = [], []
    rng = np.random.default_rng(2024)
    for number in range(900):
        week = a_week(rng, 8)
        decision = in_order_of_due(week)
        doubts = {job.id: Doubt(PASSES, ATTENDED, 1.0, AWAY) for job in week.jobs}
        risk = risk_of(Tables(week), decision, doubts, samples=400, seed=number, edge_shape=EDGE_SHAPE)
        near = risk.jobs[risk.jobs.chance_on_time.between(0.75, 0.85)]
        if not len(near):
            continue
        for _ in range(10):
            real = happened(week, decision, rng)
            for job, chance in near.chance_on_time.items():
                due = next(j.due_min for j in week.jobs if j.id == job)
                told.append(chance)
                kept.append(real[job][2] <= due)
    assert len(told) > 2_500
    assert 0.76 <= np.mean(kept) <= 0.84
    assert np.mean(kept) == pytest.approx(np.mean(told), abs=0.03)


def test_without_doubt_the_sampled_week_is_the_plan():
    week = a_week(np.random.default_rng(1), 10, machines=2)
    decision = in_order_of_due(week)
    tables = Tables(week)
    plan = evaluate_decision(tables, decision)
    risk = risk_of(tables, decision, {}, samples=5)
    np.testing.assert_allclose(risk.jobs.ready_likely_min, plan.jobs.ready_min[risk.jobs.index])
    assert risk.cost_mean == pytest.approx(plan.cost) and risk.threat == ""
    assert set(risk.jobs.chance_on_time) <= {0.0, 1.0}
    for person, end in plan.person_end.items():
        assert risk.people.end_likely_min[person] == pytest.approx(end)


def test_sampled_passes_are_the_steps_of_a_job_with_so_many_passes():
    """One pass count for every sample: the week is the week planned with that many."""
    rng = np.random.default_rng(3)
    week = a_week(rng, 6)
    decision = in_order_of_due(week)
    for count in (1, 3, 7):
        risk = risk_of(Tables(week), decision, {j.id: Doubt(passes=count) for j in week.jobs}, samples=3)
        other = replace(week, jobs=tuple(replace(j, steps={"m0": steps_of(count)}) for j in week.jobs))
        plan = evaluate_decision(Tables(other), decision)
        np.testing.assert_allclose(risk.jobs.ready_allow_min, plan.jobs.ready_min[risk.jobs.index])


def test_edges_end_by_themselves_no_earlier_than_they_have_held():
    week = a_week(np.random.default_rng(4), 12)
    decision = in_order_of_due(week)
    held = risk_of(Tables(week), decision, {}, samples=400)
    early = risk_of(Tables(week), decision, {}, samples=400, edge_shape=0.6)
    assert early.edges.allow["m0", "cbn"] > held.edges.allow["m0", "cbn"]
    never = risk_of(Tables(week), decision, {}, samples=400, edge_shape=40.0)  # all live to about 1, beyond the limit
    assert never.edges.likely["m0", "cbn"] == held.edges.likely["m0", "cbn"]


def test_passes_from_depths():
    stops = np.array([0.05, 0.10, 0.15])
    depths = np.array([0.0, 0.05, 0.051, 0.15, 0.151, 0.26])
    assert passes_from_depths(depths, stops).tolist() == [1, 1, 2, 3, 4, 6]
    assert passes_from_depths(depths, stops, finishing=1).tolist() == [2, 2, 3, 4, 5, 7]


def test_the_job_that_threatens_the_week_and_whether_measuring_it_would_pay():
    """A job that takes one pass or thirty stands before two that are due: cutting it last when it is deep saves
    them."""
    jobs = [Job("deep", {"m": steps_of(2)}, due_min=470.0, weight_per_min=1.0)]
    jobs += [Job(f"j{i}", {"m": steps_of(3)}, due_min=150.0 + 50 * i, weight_per_min=5.0) for i in range(2)]
    week = Week(tuple(jobs), (Machine("m", rate_per_min=1.5),), (Person("p", {"m"}, HOURS),))
    first = Decision({"m": ("deep", "j0", "j1")}, {})
    doubts = {"deep": Doubt(passes=np.array([1, 30])), "j0": Doubt(attended_factor=stats.lognorm(0.05))}
    risk = risk_of(Tables(week), first, doubts, samples=400, measuring_minutes=15.0, rate_per_min=1.5)
    assert risk.threat == "deep" and risk.measuring.job == "deep"
    assert risk.jobs.chance_on_time["j1"] == pytest.approx(0.5, abs=0.1) and risk.jobs.shown["j1"]
    # Put last whatever its depth, it costs nobody: no need to know.
    assert not risk.measuring.pays and "would not pay" in risk.measuring.sentence
    # Due early and dear itself, it should go first when shallow and last when deep: now knowing pays.
    jobs[0] = replace(jobs[0], due_min=60.0, weight_per_min=5.0)
    week = replace(week, jobs=tuple(jobs))
    worth = measuring_first(Tables(week), first, "deep", doubts, minutes=15.0, rate_per_min=1.5)
    assert worth.pays and worth.saves > worth.costs == 22.5


def test_doubts_are_checked_by_name():
    week = a_week(np.random.default_rng(5), 2)
    decision = in_order_of_due(week)
    with pytest.raises(InputError) as caught:
        risk_of(Tables(week), decision, {"j0": Doubt(attended_factor=np.array([1.0, 0.0]))})
    assert caught.value.field == "doubts[j0].attended_factor"
    with pytest.raises(InputError):
        risk_of(Tables(week), decision, {}, samples=1)
    with pytest.raises(InputError):
        passes_from_depths(np.array([1.0]), np.array([2.0, 1.0]))


def test_same_seed_same_figures():
    week = a_week(np.random.default_rng(6), 5)
    doubts = {j.id: Doubt(PASSES, ATTENDED) for j in week.jobs}
    one, other = (risk_of(Tables(week), in_order_of_due(week), doubts, samples=50, seed=3) for _ in range(2))
    assert one.jobs.equals(other.jobs)
