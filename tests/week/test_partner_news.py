"""What the week says once a member of a set is cut."""

import json
from dataclasses import replace

from planner.shop import JobState
from planner.units import Units
from planner.week.board import payload_of, plan_shop
from planner.week.partners import partner_news
from planner.week.queue import estimate_queue
from tests.tiny import MONDAY, tiny_shop
from tests.week.test_set_view import cut

UNITS = Units("inch")


def accepted(shop):
    queue = estimate_queue(shop)
    return json.loads(json.dumps(payload_of(plan_shop(shop, queue, MONDAY, steps=5), shop, queue, MONDAY)))


def test_nothing_is_said_while_no_member_is_cut():
    shop = tiny_shop()
    assert partner_news(accepted(shop), shop, estimate_queue(shop), UNITS) == ()


def test_the_partner_is_estimated_anew_and_the_change_told():
    shop = tiny_shop()
    payload = accepted(shop)
    after = cut(shop, 2, 0.15)
    queue = estimate_queue(after)
    (line,) = partner_news(payload, after, queue, UNITS)
    then, now = payload["jobs"]["1"], queue.estimates[1]
    assert now.stop_likely_mm > then["cut_mm"]
    # 99.77 - 0.15 = 99.62 mm
    assert line.startswith("T-2 is cut and measured at 3.9220 in: T-1 to ")
    assert f"{UNITS.depth(now.stop_likely_mm)} in {len(now.passes_likely)} passes" in line
    assert f"planned were {UNITS.depth(then['cut_mm'])} in {then['passes']}" in line
    more = sum(s.minutes for s in now.steps) - then["minutes"]
    assert ("min" in line.split("planned were")[1]) == (abs(more) >= 1)


def test_as_planned_is_said_too():
    shop = tiny_shop()
    payload = accepted(shop)
    after = cut(shop, 2, payload["jobs"]["2"]["cut_mm"])
    (line,) = partner_news(payload, after, estimate_queue(after), UNITS)
    assert line.endswith(", as planned.")


def test_a_member_that_was_cut_before_the_plan_is_no_news():
    shop = cut(tiny_shop(), 2, 0.1)
    assert partner_news(accepted(shop), shop, estimate_queue(shop), UNITS) == ()
    assert len(partner_news(None, shop, estimate_queue(shop), UNITS)) == 1


def test_a_partner_whose_target_is_not_known_is_told():
    shop = tiny_shop()
    payload = accepted(shop)
    after = replace(shop, jobs={**shop.jobs, 2: replace(shop.jobs[2], state=JobState.CUT)})
    (line,) = partner_news(payload, after, estimate_queue(after), UNITS)
    assert "what T-1 must lose is not known yet: T-2 is cut, but its heights were not measured" in line
