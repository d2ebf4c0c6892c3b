"""Wrong input to the two calls a script makes: every one is an `InputError` that names the field; nothing else escapes."""

from __future__ import annotations

import math

import pytest

from planner import InputError
from planner.week import Job, JobSet, Machine, Person, Step, order_jobs, plan_week

STEPS = (Step("load", 5), Step("unload", 5))
JOB, MILL = Job("a", {"m": STEPS}), Machine("m")


@pytest.mark.parametrize(
    ("field", "more"),
    [
        ("seconds", {"seconds": math.nan}),
        ("seconds", {"seconds": "x"}),
        ("seed", {"seed": -1}),
        ("seed", {"seed": "x"}),
        ("seed", {"seed": None}),
        ("steps", {"steps": -1}),
        ("steps", {"steps": 1.5}),
        ("target", {"target": math.nan}),
        ("progress", {"progress": 3}),
    ],
)
def test_budgets_are_checked_by_name(field, more):
    for call in (lambda: order_jobs([1, 2], [1, 1], [1, 2], **more), lambda: plan_week([JOB], [MILL], **more)):
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.field == field


@pytest.mark.parametrize(
    ("field", "make"),
    [
        ("jobs", lambda: plan_week(None, [MILL])),
        ("jobs", lambda: plan_week(JOB, [MILL])),
        ("jobs", lambda: plan_week(["a"], [MILL])),
        ("jobs", lambda: plan_week([{"id": "a"}], [MILL])),
        ("machines", lambda: plan_week([JOB], ["m"])),
        ("start", lambda: plan_week([JOB], [MILL], "2026-01-05")),
        ("people", lambda: plan_week([JOB], [MILL], people=["x"])),
        ("sets", lambda: plan_week([JOB], [MILL], sets=[("a", "b")])),
        ("prices", lambda: plan_week([JOB], [MILL], prices=3)),
        ("accepted", lambda: plan_week([JOB], [MILL], accepted=[1])),
        ("opened", lambda: plan_week([JOB], [MILL], opened="Saturday")),
        ("begin_with", lambda: plan_week([JOB], [MILL], begin_with=[3])),
        ("a.steps", lambda: Job("a", [STEPS])),
        ("a.steps[m]", lambda: Job("a", {"m": 3})),
        ("a.after", lambda: Job("a", {"m": STEPS}, after=("wash",))),
        ("a.after[wash]", lambda: Job("a", {"m": STEPS}, after=(("wash", "long"),))),
        ("a.refused", lambda: Job("a", {"m": STEPS}, refused="x")),
        ("m.windows", lambda: Machine("m", windows=(3,))),
        ("m.edges", lambda: Machine("m", edges={"cbn": 0.3})),
        ("m.cleanout", lambda: Machine("m", cleanout=3)),
        ("m.fixed", lambda: Machine("m", fixed="a")),
        ("p.machines", lambda: Person("p", machines="m")),
        ("members", lambda: JobSet("ab")),
    ],
)
def test_nouns_are_checked_by_name(field, make):
    with pytest.raises(InputError) as caught:
        make()
    assert caught.value.field == field
