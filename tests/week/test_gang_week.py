"""A gang in the week: members on the table together, on the tiny shop."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import stats

from planner.shop import Condition, Gate, GateKind, JobState, PassReason, Tap, TapKind
from planner.units import MM_PER_THOU
from planner.week.adapt import week_of
from planner.week.board import plan_shop
from planner.week.doubts import doubts_of, likely_passes
from planner.week.edge_course import edge_course
from planner.week.gang import IN_LINE, pass_counts
from planner.week.model import Where
from planner.week.queue import estimate_queue
from planner.week.set_view import GangDepth
from tests.tiny import MONDAY, tiny_shop


@pytest.fixture
def shop():
    shop = tiny_shop()
    return replace(shop, sets={1: replace(shop.sets[1], gang=True)})


def both(shop):
    queue = estimate_queue(shop)
    return queue, {job.id: job for job in week_of(shop, queue, MONDAY).jobs}


def test_one_plane_cuts_all_members(shop):
    view = estimate_queue(shop).sets[1]
    assert view.feasible
    assert view.finals_mm[1] == pytest.approx(view.finals_mm[2])
    # from first contact with the higher one, T-1, on the step of depth; T-2 stands 0.05 lower
    assert view.depths_mm[1] / 0.0127 == pytest.approx(round(view.depths_mm[1] / 0.0127))
    assert view.depths_mm[1] - view.depths_mm[2] == pytest.approx(0.05)


def test_the_gang_s_depth_is_the_greatest_of_its_members():
    members = (stats.lognorm(0.35, scale=0.06), stats.lognorm(0.45, scale=0.10))
    depth = GangDepth(members, (0.0, 0.03))
    rng = np.random.default_rng(7)
    drawn = np.maximum(members[0].rvs(200_000, random_state=rng), 0.03 + members[1].rvs(200_000, random_state=rng))
    for at in (0.08, 0.12, 0.2):
        share = (drawn > at).mean()
        assert depth.sf(at) == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / drawn.size))
        assert depth.cdf(at) + depth.sf(at) == pytest.approx(1)
    assert depth.sf(depth.isf(0.2)) == pytest.approx(0.2)
    assert depth.ppf(0.5) == pytest.approx(np.median(drawn), rel=0.01)


def test_the_passes_of_a_gang_are_sampled_down_to_the_last_member_s_clean_up(shop):
    queue = estimate_queue(shop)
    first, second = queue.sets[1].order
    course, doubts = queue.gangs[first, 1], doubts_of(shop, queue)
    sampled = doubts[str(first)].passes
    planned = len([s for s in course.steps if s.where is Where.TRAVERSE])
    assert abs(np.median(sampled) - planned) <= 1
    # the deepest face of two has the longer tail
    apart = estimate_queue(replace(shop, sets={1: replace(shop.sets[1], gang=False)}))
    alone = likely_passes(apart.estimates[first])
    assert np.quantile(sampled, 0.95) > np.quantile(alone, 0.95)
    assert doubts[str(second)].passes is None


def test_passes_of_a_gang_counted_by_hand():
    depth = stats.uniform(0, 4)
    # stops at 1, 2 and 3, then steps of 1; after a roughing pass that shows clean comes a finishing one, first the kiss
    counts = np.array(pass_counts(depth, [1.0, 2.0, 3.0], [True, False, False], kiss=True))
    assert [(counts == n).mean() for n in (3, 4, 5)] == [0.5, 0.25, 0.25]


def test_the_first_member_carries_the_work_and_the_others_come_off(shop):
    queue, jobs = both(shop)
    first, second = (str(j) for j in queue.sets[1].order)
    kinds = [s.kind for s in jobs[first].steps["1"]]
    assert kinds[0] == "load" and kinds.count("level T-1") == kinds.count("level T-2") == 1
    assert kinds.count("touch-off") == 1
    assert [s.kind for s in jobs[second].steps["1"]] == ["unload"]
    # load 8 and half of 8; touch-off 5 and half of 5
    minutes = {s.kind: s.minutes for s in jobs[first].steps["1"]}
    assert minutes["load"] == 12 and minutes["touch-off"] == 7.5


def test_the_traverse_goes_over_all_members_at_once(shop):
    queue, jobs = both(shop)
    course = queue.gangs[queue.sets[1].order[0], 1]
    assert course.layout == IN_LINE
    # two faces of 300 and 20 between, run clear of a 300 mm cutter: 620 + 300 + 3 + 3, and 0.5 min back
    feed = queue.estimates[1].setup.finish.table_feed_mm_min
    spindle = [s.minutes for s in course.steps if s.where is Where.TRAVERSE]
    assert spindle[-1] == pytest.approx(926 / feed + 0.5)
    # against two traverses of 606 mm each
    assert spindle[-1] < 2 * (606 / feed + 0.5)


def test_a_gang_that_has_no_room_is_cut_one_by_one(shop):
    short = replace(shop.machines[1], travel_mm=700.0)
    queue, jobs = both(replace(shop, machines={1: short}))
    assert queue.gangs == {}
    assert all("sweep" in [s.kind for s in jobs[j].steps["1"]] for j in ("1", "2"))


def test_the_edge_is_charged_for_every_face(shop):
    queue, _ = both(shop)
    plan = plan_shop(shop, queue, MONDAY, steps=5)
    course = edge_course(plan, shop, queue)
    gang = queue.gangs[queue.sets[1].order[0], 1]
    aluminium = course[course["material"] == "aluminium"]
    assert aluminium["swept_mm2"].sum() == pytest.approx(2 * 300 * 180 * len(gang.passes))
    assert aluminium["use"].sum() == pytest.approx(gang.pass_share * len(gang.passes))


def test_the_week_takes_the_members_off_right_after_the_cut_on_one_machine(shop):
    queue, _ = both(shop)
    plan = plan_shop(shop, queue, MONDAY, steps=30)
    order = plan.order["1"]
    first, second = (str(j) for j in queue.sets[1].order)
    assert order.index(second) == order.index(first) + 1
    assert plan.jobs.loc[second, "start_min"] == pytest.approx(plan.jobs.loc[first, "end_min"])
    apart = estimate_queue(replace(shop, sets={1: replace(shop.sets[1], gang=False)}))
    alone = sum(apart.estimates[j].machine_minutes for j in (1, 2))
    assert queue.gangs[int(first), 1].machine_minutes < alone


def test_a_member_that_waits_keeps_the_whole_gang_waiting(shop):
    part = replace(shop.parts[1], route=(Gate(GateKind.PRESSURE_TEST),))
    _, jobs = both(replace(shop, parts={**shop.parts, 1: part}))
    assert jobs["2"].blocked == "pressure test not done"


def test_a_running_gang_goes_on_from_its_first_pass(shop):
    first, second = estimate_queue(shop).sets[1].order
    running = replace(shop, jobs={**shop.jobs, first: replace(shop.jobs[first], state=JobState.RUNNING)})
    _, jobs = both(running)
    assert jobs[str(first)].steps["1"][0].where is Where.TRAVERSE


def test_a_member_left_alone_is_planned_as_its_queue_row_says(shop):
    first, second = estimate_queue(shop).sets[1].order
    done = replace(shop, jobs={**shop.jobs, first: replace(shop.jobs[first], state=JobState.CUT)})
    queue, jobs = both(done)
    passes = [s for s in jobs[str(second)].steps["1"] if s.where is Where.TRAVERSE]
    assert len(passes) == len(queue.estimates[second].passes_likely) > 0


def test_what_the_gang_saves_and_what_it_costs_in_material_is_told(shop):
    worse = replace(shop.parts[1], condition=Condition.CORRODED)
    queue, _ = both(replace(shop, parts={**shop.parts, 1: worse}))
    ((_, course),) = queue.gangs.items()
    assert course.against.minutes_saved > 0
    # level planes ask for more than the window would: the lower member is cut down with the other
    assert course.against.more_mm > 0
    rate, value = 110 / 60, queue.sets[1].prices.value_per_mm
    assert course.against.saving == pytest.approx(rate * course.against.minutes_saved - value * course.against.more_mm)


def taps(*entries):
    return tuple(Tap(0, i + 1, MONDAY + timedelta(minutes=5 * i), kind, told) for i, (kind, told) in enumerate(entries))


def under_way(shop, high_look, low_look, total_mm=0.0889):
    """T-1 and T-2, 0.05 lower, kissed and cut once to so deep below first contact with T-1."""
    found = {}
    for job_id, below, look in ((1, 0.0, high_look), (2, 0.05, low_look)):
        start = (TapKind.START, {"machine_id": 1, "gang": 1, "shared": 2})
        touch = (TapKind.TOUCH, {"place": "middle", "paper_mm": 0.1 + below, "below_first_mm": 0.0})
        mark = (TapKind.MARK, {"below_mm": 0.1 + below})
        kiss = (TapKind.PASS, {"below_mm": 0.1, "reason": "kiss"})
        cut = (TapKind.PASS, {"below_mm": 0.1 + total_mm, "reason": "search", "finishing": True})
        seen = (TapKind.LOOK, {"clean": False, "dye": "all"})
        found[job_id] = taps(start, touch, mark, kiss, seen, cut, (TapKind.LOOK, {"clean": look, "dye": "half"}))
    jobs = {j: replace(job, state=JobState.RUNNING) if j in found else job for j, job in shop.jobs.items()}
    return replace(shop, taps=found, jobs=jobs)


def the_course(shop):
    return next(iter(estimate_queue(shop).gangs.values()))


def test_a_gang_under_way_goes_on_from_where_it_was_cut(shop):
    before = the_course(shop)
    assert before.highest == 1 and before.below_mm == pytest.approx({1: 0.0, 2: 0.05})
    assert before.reached_mm == 0 and before.next_pass == (PassReason.KISS, False, 0.0)
    course = the_course(under_way(shop, high_look=True, low_look=False))
    reason, _, total = course.next_pass
    assert course.reached_mm == pytest.approx(0.0889) and reason is PassReason.SEARCH
    assert total >= course.reached_mm + 0.0127 - 1e-9
    # a traverse that only marks the highest has reached nothing, however low the others lie
    assert the_course(under_way(shop, high_look=False, low_look=False, total_mm=0.0)).reached_mm == pytest.approx(
        0, abs=1e-9
    )
    assert course.machine_minutes < before.machine_minutes
    # no member past its limit, nor past what was agreed: T-2, agreed to 0.06, stands at 0.0389
    agreed = replace(shop.parts[2], agreed_depth_mm=0.06)
    tight = the_course(under_way(replace(shop, parts={**shop.parts, 2: agreed}), high_look=True, low_look=False))
    assert tight.next_pass[2] <= 0.06 + 0.05 + 1e-9


def test_a_gang_all_clean_only_comes_off(shop):
    clean = under_way(shop, high_look=True, low_look=True)
    course = the_course(clean)
    assert course.next_pass is None and not any(s.where is Where.TRAVERSE for s in course.steps)
    queue, jobs = both(clean)
    assert [[s.kind for s in jobs[j].steps["1"]] for j in ("1", "2")] == [["unload"]] * 2


def test_nothing_is_kissed_in_magnesium(shop):
    family = replace(shop.families[1], material="magnesium")
    recipe = replace(shop.recipes[1], material="magnesium", signed_by="ab")
    course = the_course(replace(shop, families={**shop.families, 1: family}, recipes={**shop.recipes, 1: recipe}))
    assert course.next_pass[0] is PassReason.SEARCH and course.next_pass[2] >= MM_PER_THOU - 1e-9
    assert not any(s.kind == "kiss pass" for s in course.steps)
