"""The advice along a plan, and the plan that keeps to it, on the tiny shop."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from planner.cut.knowledge import Knowledge, Minutes
from planner.edge import Allowed
from planner.shop import EdgeInUse, Limit
from planner.shop.origin import learned
from planner.shop.starting import STEPS
from planner.week.board import plan_shop
from planner.week.edge_advice import edge_advice, edge_limits, failure_cost, permit, planned_cost, risk_limit
from planner.week.edge_lives import grade_life
from planner.week.edge_outlook import drawer_outlook, planned_use
from planner.week.edge_rules import EdgeRules
from planner.week.queue import estimate_queue
from tests.tiny import MONDAY, tiny_shop

LIMIT = 0.449  # planning limit for 5 % at shape 3.71


def used(share, cutter=1, grade=1, material="aluminium", capacity=600e6):
    return EdgeInUse(cutter, 1, 1, 1, grade, MONDAY, {material: share * capacity})


def planned(shop):
    queue = estimate_queue(shop)
    return queue, plan_shop(shop, queue, MONDAY, steps=100)


def advice_on(shop, cutter_id=1):
    queue, plan = planned(shop)
    return plan, next(a for a in edge_advice(plan, shop, queue) if a.cutter_id == cutter_id)


def test_the_advice_names_the_job_and_the_plan_indexes_before_the_same():
    plan, advice = advice_on(replace(tiny_shop(), edges=(used(LIMIT - 1e-6),)))
    first = advice.first
    assert first.index_before and first.job in ("T-1", "T-2")
    assert advice.words.startswith(f"index before {first.job}: ") and "5 % of edges are gone" in first.reason
    rows = plan.timeline[plan.timeline["kind"] == "index"]
    job = advice.job_ids[[s.job for s in advice.steps].index(first.job)]
    assert list(rows["job"]) == [str(job)]


def test_a_week_without_a_job_on_two_machines_is_planned_as_empty():
    shop = tiny_shop()
    machines = {**shop.machines, 7: replace(shop.machines[1], name="the other mill", id=7)}
    shop = replace(shop, machines=machines, jobs={}, sets={}, edges=(used(0.1),))
    queue, plan = planned(shop)
    assert len(plan.jobs) == 0
    assert edge_advice(plan, shop, queue)[0].words == "nothing planned for it"


def test_a_fresh_edge_is_left_alone_and_chances_grow_with_its_age():
    _, fresh = advice_on(replace(tiny_shop(), edges=(used(0.0),)))
    _, older = advice_on(replace(tiny_shop(), edges=(used(0.3),)))
    assert fresh.first is None and fresh.words == "no index needed in this plan"
    assert 0 < fresh.chance_next < older.chance_next < older.chance_week_kept


def test_a_set_starts_on_the_fresh_edge_when_the_old_one_lasts_only_half_of_it():
    shop = tiny_shop()
    queue = estimate_queue(shop)
    one = queue.estimates[1].edge_share_likely
    _, advice = advice_on(replace(shop, edges=(used(LIMIT - 1.5 * one),)))
    assert advice.steps[0].index_before and not any(s.splits_set for s in advice.steps)
    rules = EdgeRules(shop, queue, Knowledge())
    first, then = queue.sets[1].order
    assert rules.job_limit(first) < rules.job_limit(then)


def test_a_set_whose_split_is_agreed_is_indexed_where_the_edge_gives_out():
    shop = tiny_shop()
    one = estimate_queue(shop).estimates[1].edge_share_likely
    shop = replace(shop, edges=(used(LIMIT - 1.5 * one),))
    agreed = replace(shop, sets={1: replace(shop.sets[1], split_agreed_by="the lead")})
    _, kept = advice_on(shop)
    _, split = advice_on(agreed)
    assert [s.index_before for s in kept.steps[:2]] == [True, False]
    assert [s.index_before for s in split.steps[:2]] == [False, True]
    assert not any(s.splits_set for s in split.steps)


def test_an_index_inside_a_set_that_no_edge_outlasts_asks_the_lead():
    shop = tiny_shop()
    lasts = estimate_queue(shop).estimates[1].path_likely_mm / 0.15
    short = replace(shop, recipes={**shop.recipes, 1: replace(shop.recipes[1], capacity_path_mm=lasts)})
    _, advice = advice_on(replace(short, edges=(used(0.0),)))
    inside = [s for s in advice.steps if s.splits_set]
    assert len(inside) == 1 and inside[0].index_before
    assert inside[0].reason.endswith("splits set engine E-1, the lead has to agree")


def test_slower_than_the_recipe_spends_less_of_an_edge():
    shop = replace(tiny_shop(), edges=(used(0.2),))
    slower = replace(shop, recipes={**shop.recipes, 1: replace(shop.recipes[1], taylor_n=0.5)})
    queue = estimate_queue(slower)
    before, after = edge_limits(shop, estimate_queue(shop), Knowledge()), edge_limits(slower, queue, Knowledge())
    # the planning limit is a share of life: the same, however fast a path spends it
    assert after[1, 1] == pytest.approx(before[1, 1], rel=0.02)


def test_a_part_on_its_last_rebuild_gets_the_tighter_limit():
    shop = tiny_shop()
    face = replace(shop.families[1].faces[0], limit=Limit(least_height_mm=99.66))
    last = replace(shop, families={**shop.families, 1: replace(shop.families[1], faces=(face,))})
    queue = estimate_queue(last)
    assert queue.estimates[2].rebuilds_left == 0
    assert risk_limit(last, queue.estimates[2]) == 0.02
    limits = edge_limits(last, queue, Knowledge())
    assert limits[2, 1] == pytest.approx(0.349, abs=2e-3)


def test_a_spoiled_face_costs_its_own_metal_and_minutes():
    shop = tiny_shop()
    queue, knowledge = estimate_queue(shop), Knowledge()
    estimate = queue.estimates[1]
    planned_price = planned_cost(shop, knowledge, 1, 1)
    assert planned_price == pytest.approx(90 / 2 + 10 * 110 / 60)
    steps = knowledge.steps(shop.families[1]).steps
    minutes = estimate.setup.finish.minutes + steps.look + steps.dye + steps.dry
    wanted = planned_price + 0.0254 * estimate.worth.per_mm + minutes * 110 / 60
    assert failure_cost(shop, estimate, knowledge) == pytest.approx(wanted)


def test_an_edge_that_cut_iron_never_finishes_aluminium_in_the_plan():
    shop = tiny_shop()
    both = replace(shop.recipes[2], material="aluminium", id=3)
    cutters = {1: replace(shop.cutters[2], id=1, diameter_mm=350)}
    mixed = replace(shop, recipes={2: shop.recipes[2], 3: both}, cutters=cutters)
    mixed = replace(mixed, edges=(used(0.1, 1, 2, "grey_iron", 120e6),), ready_edges={2: 3})
    told = permit(mixed, "aluminium", 2, ("grey_iron",))
    assert told.allowed is Allowed.ROUGH and "never finishes aluminium" in told.reason
    plan, advice = advice_on(mixed)
    for i, (job_id, step) in enumerate(zip(advice.job_ids, advice.steps, strict=True)):
        material = mixed.families[mixed.parts[mixed.jobs[job_id].part_id].family_id].material
        before = [mixed.families[mixed.parts[mixed.jobs[j].part_id].family_id].material for j in advice.job_ids[:i]]
        if material == "aluminium" and (i == 0 or before[-1] == "grey_iron"):
            assert step.index_before
    # to the week they are two edges: changing between them is a change of insert, and each keeps its own count
    assert {job.grade_on("1") for job in plan.week.jobs if job.steps} == {
        "boron nitride",
        "boron nitride, kept from iron",
    }


def test_learning_nothing_leaves_the_starting_value_with_a_factor_of_two():
    known = grade_life(tiny_shop(), Knowledge(), 1)
    likely, low, high = known.spent({"aluminium": 300e6})
    assert likely == pytest.approx(0.5) and low < 0.25 and high > 1.0 and known.ended == 0


def test_the_drawer_counts_what_the_plan_itself_takes():
    shop = tiny_shop()
    queue, plan = planned(shop)
    use = planned_use(plan, queue)
    load = {(1, "aluminium"): 600e6 / 70}
    assert all(np.all(days >= 0) for days in use.values())
    calm = drawer_outlook(shop, Knowledge(), 1, use, load)
    busy = drawer_outlook(shop, Knowledge(), 1, use, load, indexes=3)
    assert calm.at_hand == 4 and busy.this_week == 3
    assert busy.empty.at_this_week == pytest.approx(4 / 3 * 7)
    assert busy.order.order_day <= calm.order.order_day


def test_an_index_forced_inside_a_set_by_its_limit_asks_the_lead_until_somebody_agreed():
    """No one edge lasts the set within a risk of one in ten: it starts on a fresh one, which gives out inside."""
    shop = tiny_shop()
    one = estimate_queue(shop).estimates[1].path_likely_mm
    short = replace(
        shop,
        settings=replace(shop.settings, risk_limit=0.1, risk_limit_last=0.1),
        recipes={**shop.recipes, 1: replace(shop.recipes[1], capacity_path_mm=one / 0.26)},
        edges=(used(0.3, capacity=one / 0.26),),
    )
    _, advice = advice_on(short)
    first, second = advice.steps
    assert first.index_before and not first.splits_set
    assert second.index_before and second.splits_set and "limit 10 %" in second.reason
    assert second.reason.endswith("splits set engine E-1, the lead has to agree")
    _, split = advice_on(replace(short, sets={1: replace(short.sets[1], split_agreed_by="the lead")}))
    assert split.steps[1].index_before and not split.steps[1].splits_set


def test_an_index_forced_inside_a_set_by_what_the_edge_may_cut_asks_the_lead():
    """A set of iron and aluminium on one grade: the edge that cut the iron member never finishes the other, however fresh
    it was when the set began (common practice, no source)."""
    shop = tiny_shop()
    shop = replace(
        shop,
        cutters={1: replace(shop.cutters[1], machine_id=1)},
        machines={1: shop.machines[1]},
        recipes={1: shop.recipes[1], 3: replace(shop.recipes[2], grade_id=1, id=3)},
        sets={1: replace(shop.sets[1], job_ids=(1, 3))},
        edges=(used(0.01),),
    )
    queue = estimate_queue(shop)
    plan = SimpleNamespace(jobs=pd.DataFrame({"machine": ["1", "1"], "place": [0, 1]}, index=["3", "1"]))
    (advice,) = edge_advice(plan, shop, queue)
    assert [shop.family_of(shop.part_of(shop.jobs[j])).material for j in advice.job_ids] == ["grey_iron", "aluminium"]
    inside = advice.steps[1]
    assert inside.index_before and inside.splits_set
    assert "never finishes aluminium; splits set engine E-1, the lead has to agree" in inside.reason


def test_an_index_forced_by_what_the_edge_may_cut_comes_before_the_set():
    """An edge that met iron never finishes aluminium, whatever it has left: common practice, no source."""
    shop = tiny_shop()
    met = replace(used(0.01), path_mm={"grey_iron": 1e6}, wear_mm={"grey_iron": 1e6})
    both = replace(shop.recipes[2], grade_id=1, id=3, active=False)
    shop = replace(shop, edges=(met,), recipes={**shop.recipes, 3: both})
    _, advice = advice_on(shop)
    assert advice.steps[0].index_before and "never finishes aluminium" in advice.steps[0].reason
    assert not any(s.splits_set for s in advice.steps[:2])


def test_an_index_is_priced_with_the_minutes_on_record():
    shop, steps = tiny_shop(), STEPS["aluminium head"]
    known = Knowledge(minutes={i: Minutes(replace(steps, index=20.0), learned(7)) for i in shop.families})
    told, start = planned_cost(shop, known, 1, 1), planned_cost(shop, Knowledge(), 1, 1)
    assert told - start == pytest.approx(10 * shop.settings.hourly_rate / 60)
    # the week counts the minutes itself: there an index costs its edge alone
    assert planned_cost(shop, known, 1, 1, 0.0) == pytest.approx(start - shop.settings.hourly_rate / 6)
