"""Printed sheets: complete, self-contained, escaped."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from planner.sheets import cautions, run_sheet, week_sheet
from planner.shop import Hold
from planner.units import Units, minutes_words
from planner.week.board import plan_shop
from planner.week.queue import estimate_queue
from tests.tiny import MONDAY

EVIL = "<script>alert('x')</script>&\""


def page(shop, job=1, system="inch"):
    queue = estimate_queue(shop)
    return run_sheet(shop, shop.jobs[job], queue.estimates[job], Units(system), MONDAY)


def test_a_run_sheet_has_the_figures_and_room_to_write(shop):
    html = page(shop)
    estimate = estimate_queue(shop).estimates[1]
    for planned in estimate.passes:
        assert Units().depth(planned.standing_mm, unit=False) in html
    for point in shop.families[1].faces[0].points:
        assert point.name in html
    assert html.count('class="write"') > 20
    assert "Never deeper than" in html


def test_a_run_sheet_says_how_its_dial_is_read(shop):
    """On the screen it stands under the passes; the person at the machine may have the paper alone."""
    assert "The dial counts up as the cutter goes down" in page(shop) and "cannot be zeroed" not in page(shop)
    machine = shop.machines[1]
    dial = replace(machine.instrument, counts="down", zeroable=False, per_turn_mm=0.05)
    html = page(replace(shop, machines={1: replace(machine, instrument=dial)}))
    assert "counts down as the cutter goes down; it cannot be zeroed: add what it reads at touch-off" in html
    assert re.search(r"[2-9] turns \+ ", html) and not re.search(r"[2-9] turn \+ ", html)
    assert "gasket: " in html and "open to" not in html


def test_all_text_is_escaped(shop):
    part = replace(shop.parts[1], tag=EVIL, owner=EVIL, work_order=EVIL, agreed_depth_mm=0.1, agreed_by=EVIL)
    shop = replace(shop, parts={**shop.parts, 1: part})
    queue = estimate_queue(shop)
    plan = plan_shop(shop, queue, MONDAY, steps=0)
    for html in (page(shop), week_sheet(shop, queue, plan, "1", Units(), MONDAY)):
        assert "<script" not in html
        assert "&lt;script&gt;" in html


def test_sheets_are_self_contained(shop):
    queue = estimate_queue(shop)
    plan = plan_shop(shop, queue, MONDAY, steps=0)
    for html in (page(shop), week_sheet(shop, queue, plan, "1", Units(), MONDAY)):
        assert not re.search(r"(src|href)\s*=|@import|url\(", html)
        HTMLParser().feed(html)


@pytest.mark.parametrize("material", ["aluminium", "grey_iron", "magnesium"])
def test_three_cautions_in_front_the_rest_behind(material):
    front, back = cautions(material, hoist=True)
    assert len(front) == 3 and len(back) >= 5
    assert not set(front) & set(back)
    if material == "magnesium":
        assert "class D" in " ".join(front) and "No water" in " ".join(front)


def test_a_week_sheet_lists_jobs_by_day_and_what_waits(shop):
    queue = estimate_queue(shop)
    plan = plan_shop(shop, queue, MONDAY, steps=0)
    html = week_sheet(shop, queue, plan, "1", Units("metric"), MONDAY)
    assert "Mon 02 Mar" in html
    assert "pressure test not done" in html
    assert "mm" in html and not re.search(r"\bthou\b", html)


@pytest.mark.parametrize(("system", "shown"), [("metric", "0.254 mm"), ("inch", "10.0 thou")])
def test_a_week_sheet_tells_a_reason_in_its_reader_s_unit(shop, system, shown):
    hold = Hold("lead", f"not clean at {'10.0 thou' if system == 'metric' else '0.254 mm'}: weld it?", MONDAY)
    shop = replace(shop, parts={**shop.parts, 3: replace(shop.parts[3], holds=(hold,))})
    queue = estimate_queue(shop)
    html = week_sheet(shop, queue, plan_shop(shop, queue, MONDAY, steps=0), "1", Units(system), MONDAY)
    assert f"not clean at {shown}: weld it?" in html


def test_a_week_sheet_says_who_lies_on_the_table_with_whom(shop):
    shop = replace(shop, sets={1: replace(shop.sets[1], gang=True)})
    queue = estimate_queue(shop)
    html = week_sheet(shop, queue, plan_shop(shop, queue, MONDAY, steps=0), "1", Units(), MONDAY)
    first, second = (shop.part_of(shop.jobs[j]).tag for j in queue.sets[1].order)
    assert f"on the table with {first}<" in html
    minutes = minutes_words(queue.gangs[queue.sets[1].order[0], 1].machine_minutes)
    assert f"{minutes}, with {second} on the table<" in html


def test_a_run_sheet_of_a_gang_says_who_lies_on_the_table_with_it(shop):
    assert "Gang, on the table with" not in page(shop, job=shop.sets[1].job_ids[0])
    shop = replace(shop, sets={1: replace(shop.sets[1], gang=True)})
    first, *others = shop.sets[1].job_ids
    tags = ", ".join(shop.part_of(shop.jobs[j]).tag for j in others)
    assert f"<b>Gang, on the table with:</b> {tags}: one zero" in page(shop, job=first)


def test_a_week_sheet_says_before_which_job_the_edge_is_indexed(shop):
    queue = estimate_queue(shop)
    plan = plan_shop(shop, queue, MONDAY, steps=0)
    assert "index the edge" not in week_sheet(shop, queue, plan, "1", Units(), MONDAY)
    steps = plan.timeline.copy()
    job_id = plan.jobs[plan.jobs["machine"] == "1"].index[-1]
    at = steps.index[(steps["job"] == job_id) & (steps["machine"] == "1")][0]
    for kind, said in (("index", "index the edge first"), ("index stop", "index the edge between passes")):
        steps.loc[at, "kind"] = kind
        html = week_sheet(shop, queue, replace(plan, timeline=steps), "1", Units(), MONDAY)
        assert html.count(said) == 1
        row = next(r for r in html.split("<tr>") if said in r)
        assert f"<b>{shop.part_of(shop.jobs[int(job_id)]).tag}</b>" in row


def test_a_week_sheet_names_the_member_that_is_waited_for(shop):
    first, second = estimate_queue(shop).sets[1].order
    part = shop.part_of(shop.jobs[first])
    held = replace(part, holds=(Hold("owner", "go on?", MONDAY.date()),))
    shop = replace(shop, parts={**shop.parts, part.id: held})
    queue = estimate_queue(shop)
    html = week_sheet(shop, queue, plan_shop(shop, queue, MONDAY, steps=0), "1", Units(), MONDAY)
    assert f"waits for {part.tag}, the member to be cut before it" in html


def test_an_unknown_limit_and_metric_units(shop):
    html = page(shop, job=3, system="metric")
    assert "No limit known, ask" in html
    assert not re.search(r"\bthou\b", html)
