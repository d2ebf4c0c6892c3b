"""Why a job stands there, what a change would do, and the iCalendar text."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import icalendar
import numpy as np
import pytest

from planner import InputError
from planner.week import (
    Decision,
    Edge,
    Job,
    JobSet,
    Machine,
    Person,
    Step,
    Tables,
    Week,
    Where,
    Window,
    calendar_text,
    compare,
    evaluate_decision,
    explain_job,
    explain_week,
    search_week,
    what_if,
    with_hours,
    with_job,
    with_machine_down,
    with_person,
)
from planner.week.explain import moved
from tests.week.random_weeks import random_decision, random_week

START = datetime(2024, 1, 1, 7, 0)
STAMP = datetime(2024, 1, 1, 6, 30, tzinfo=UTC)
HOURS = tuple(
    Window(float(day * 1440 + a), float(day * 1440 + b), day) for day in range(5) for a, b in ((0, 240), (270, 480))
)


def job(name, cut=60.0, machines=("a", "b"), **more):
    steps = (Step("load", 10.0), Step("cut pass", cut, Where.TRAVERSE, more.pop("use", 0.0)), Step("unload", 5.0))
    return Job(name, dict.fromkeys(machines, steps), **more)


def two_machines(jobs, **more):
    machines = (Machine("a", fixture="v", fixture_minutes=20.0, rate_per_min=2.0), Machine("b", fixture="v"))
    people = (Person("ann", {"a"}, HOURS), Person("ben", {"b"}, HOURS))
    return Week(tuple(jobs), machines, people, **more)


def test_moving_a_due_job_later_costs_what_the_plan_with_the_move_costs():
    """Every number told is the difference of two exactly evaluated plans."""
    checked = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        week = random_week(rng, most_jobs=6)
        tables = Tables(week)
        if not tables.n:
            continue
        decision = random_decision(tables, rng)
        plan = evaluate_decision(tables, decision)
        for name, told in explain_week(tables, decision).items():
            assert told.job == name and told.reasons
            for move in (told.earlier, told.later, told.elsewhere):
                if move is None:
                    continue
                k = tables.machine_ids.index(move.machine)
                if not tables.may[tables.job_index[name], k, tables.person_ids.index(decision.person[name])]:
                    continue
                then = evaluate_decision(tables, moved(decision, name, move))
                assert sorted(sum(then.order.values(), ())) == sorted(sum(plan.order.values(), ()))
                if then.unplaceable.keys() != plan.unplaceable.keys():
                    continue
                assert move.cost == pytest.approx(then.cost - plan.cost, abs=1e-6)
                assert move.setup_minutes == pytest.approx(then.setup_minutes - plan.setup_minutes, abs=1e-6)
                checked += 1
    assert checked > 100


def test_reasons_name_what_holds_a_job():
    jobs = [
        job("first", machines=("a",)),
        job("partner", machines=("a",)),
        job("urgent", due_min=80.0, weight_per_min=3.0, machines=("b",)),
        job("other", machines=("b",), due_min=400.0),
    ]
    week = two_machines(jobs, sets=(JobSet(("first", "partner")),))
    tables = Tables(week)
    decision = Decision({"a": ("first", "partner"), "b": ("urgent", "other")}, {})
    urgent = explain_job(tables, decision, "urgent")
    # Behind "other" it is ready at 150 instead of 75: 70 minutes late at 3 a minute.
    assert urgent.later.late_minutes == 70 and urgent.later.cost == 210 and urgent.later.late_jobs == 1
    assert "later means 1 h 10 min more late (+210)" in urgent.reasons
    assert any("partner waits for it" in reason for reason in explain_job(tables, decision, "first").reasons)
    partner = explain_job(tables, decision, "partner")
    assert partner.reasons[0].startswith("it follows first")
    assert explain_job(tables, decision, "other").elsewhere is None
    with pytest.raises(InputError):
        explain_job(tables, decision, "nobody")


def test_a_set_that_is_never_parted_moves_as_one_and_a_place_that_parts_it_is_none():
    """Whatever is told is the difference of two exactly evaluated plans, the set moved as one."""
    jobs = [job("first"), job("partner", due_min=200.0, weight_per_min=2.0), job("other"), job("more")]
    week = two_machines(jobs, sets=(JobSet(("first", "partner"), 0.0, 1e5),))
    tables = Tables(week)
    decision = Decision({"a": ("first", "partner", "other"), "b": ("more",)}, {})
    plan = evaluate_decision(tables, decision)
    assert explain_job(tables, decision, "partner").elsewhere.cost >= 1e5
    for name in ("first", "partner"):
        kept = explain_job(tables, decision, name, never=1e5)
        assert "its set goes with it" in kept.reasons and kept.earlier is None
        for move, order in (
            (kept.later, {"a": ("other", "first", "partner"), "b": ("more",)}),
            (kept.elsewhere, {"a": ("other",), "b": ("first", "partner", "more")}),
        ):
            assert move.with_it == ("first", "partner")
            then = moved(decision, name, move)
            assert then.order == order
            assert move.cost == pytest.approx(evaluate_decision(tables, then).cost - plan.cost)
    # between the two there is no place for another
    apart = explain_job(tables, decision, "more", never=1e5)
    assert apart.elsewhere is not None and "other places would cut a set apart" in apart.reasons


def test_a_member_that_waits_for_a_held_one_is_nobodys_lateness_and_one_that_nothing_takes_is():
    jobs = [job("held", blocked="owner: go on?"), job("partner"), job("free"), job("none", machines=())]
    week = two_machines(jobs, sets=(JobSet(("held", "partner")),))
    plan = search_week(Tables(week), steps=2, start=START)
    assert set(plan.unplaceable) == {"held", "partner", "none"}
    assert compare(plan, plan).figures.now["late jobs"] == 1


def test_what_if_a_machine_is_down_and_two_plans_side_by_side():
    jobs = [job(f"j{i}", cut=100.0, due_min=480.0, weight_per_min=2.0) for i in range(6)]
    week = two_machines(jobs)
    now = search_week(Tables(week), steps=5, start=START)
    assert (now.late_minutes == 0).all()
    down = what_if(now, with_machine_down(week, "b", 0.0, 1440.0), steps=5)
    assert list(down.figures.index) == ["late jobs", "hours", "edges", "cost"]
    assert down.figures.change["cost"] > 0 and down.figures.then["late jobs"] == len(down.newly_late) > 0
    # The four figures are those of the two plans.
    busy = down.then.timeline[down.then.timeline.person != ""]
    assert down.figures.then["hours"] == pytest.approx((busy.end_min - busy.start_min).sum() / 60)
    assert down.figures.then["cost"] == down.then.cost
    assert (down.then.timeline.query("machine == 'b'").start_min >= 1440).all()
    same = compare(now, now)
    assert (same.figures.change == 0).all() and not same.moved


def test_what_if_a_rush_job_more_hours_and_a_second_person():
    jobs = [job(f"j{i}", cut=90.0, machines=("a",), due_min=480.0, weight_per_min=2.0) for i in range(5)]
    week = two_machines(jobs)
    now = search_week(Tables(week), steps=5, start=START)
    rush = what_if(
        now, with_job(week, job("rush", cut=30.0, due_min=60.0, weight_per_min=50.0, machines=("a",))), steps=5
    )
    assert rush.then.order["a"][0] == "rush" and rush.then.jobs.late_minutes["rush"] == 0
    evening = with_hours(week, "ann", 480.0, 700.0, name="evening", price_per_min=0.5)
    longer = what_if(now, evening, steps=8)
    assert longer.then.decision.opened == {"evening"} and longer.figures.change["cost"] < 0
    assert longer.then.costs["overtime"] > 0
    both = Week(
        tuple(job(f"j{i}", cut=5.0, due_min=90.0) for i in range(8)),
        (Machine("a"), Machine("b")),
        (Person("ann", {"a", "b"}, HOURS),),
    )
    alone = search_week(Tables(both), steps=6)
    helped = what_if(alone, with_person(both, Person("ben", {"a", "b"}, HOURS)), steps=10)
    assert helped.figures.change["cost"] < 0
    for wrong in (
        lambda: with_machine_down(week, "z", 0.0, 1.0),
        lambda: with_machine_down(week, "a", 2.0, 1.0),
        lambda: with_hours(week, "zoe", 0.0, 1.0, name="x", price_per_min=0.0),
    ):
        with pytest.raises(InputError):
            wrong()


def week_with_text():
    jobs = [
        job("H-1; left, \\ long", cut=200.0, after=(("wash", 20.0),)),
        job("Zylinderkopf ÄÖÜ " + "x" * 70, use=0.3, grade="cbn", machines=("a",)),
    ]
    machines = (Machine("a", grade="cbn", edges={"cbn": Edge(0.3, 0.45)}), Machine("b"))
    people = (Person("ann, lead", {"a"}, HOURS), Person("ben", {"b"}, HOURS))
    return search_week(Tables(Week(tuple(jobs), machines, people)), steps=3, start=START)


def test_the_calendar_file_parses_and_says_what_the_plan_says():
    """`icalendar` is a general library for RFC 5545."""
    plan = week_with_text()
    text = calendar_text(plan, STAMP, version=4, title=lambda one: f"Cut {one}")
    calendar = icalendar.Calendar.from_ical(text)
    assert calendar["VERSION"] == "2.0" and calendar["PRODID"]
    events = calendar.walk("VEVENT")
    rows = plan.timeline
    busy = {}
    for event in events:
        title = str(event["SUMMARY"])
        name = next(one for one in plan.jobs.index if title.startswith(f"Cut {one}"))
        begin, end = event["DTSTART"].dt, event["DTEND"].dt
        assert begin.tzinfo is None and begin < end and event["SEQUENCE"] == 4
        assert event["DTSTAMP"].dt == STAMP
        busy.setdefault(name, timedelta())
        busy[name] += end - begin
    for name, total in busy.items():
        mine = rows[rows.job == name]
        assert total == timedelta(minutes=float((mine.end_min - mine.start_min).sum()))
    assert len({str(event["UID"]) for event in events}) == len(events)
    first = rows[rows.machine != ""].start.min()
    assert min(event["DTSTART"].dt for event in events) == first
    assert {str(event["LOCATION"]) for event in events} <= {"a", "b", "bench"}


def test_lines_are_folded_at_75_octets_and_end_in_crlf():
    text = calendar_text(week_with_text(), STAMP)
    lines = text.split("\r\n")
    assert lines[-1] == "" and "\n" not in "".join(lines)
    assert max(len(line.encode()) for line in lines) <= 75
    assert any(line.startswith(" ") for line in lines)


def test_one_machine_or_one_person_only():
    plan = week_with_text()
    only = icalendar.Calendar.from_ical(calendar_text(plan, STAMP, machine="a")).walk("VEVENT")
    assert only and {str(event["LOCATION"]) for event in only} == {"a"}
    mine = icalendar.Calendar.from_ical(calendar_text(plan, STAMP, person="ben")).walk("VEVENT")
    assert all("ben" in str(event["DESCRIPTION"]) for event in mine)


def test_an_export_without_instants_is_refused():
    plan = search_week(Tables(two_machines([job("x")])), steps=2)
    with pytest.raises(InputError):
        calendar_text(plan, STAMP)
    with pytest.raises(InputError):
        calendar_text(week_with_text(), STAMP.replace(tzinfo=None))
