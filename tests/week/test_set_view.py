"""Sets as they stand, from the tiny shop: which heights count, what the cuts are, which member comes first."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from planner.cut.knowledge import Knowledge, learn_depths
from planner.match import MemberState
from planner.shop import Aim, HeightReading, HeightStage, JobState
from planner.week import set_view
from planner.week.queue import Measured, estimate_queue
from planner.week.set_view import StopDepth, price_lower
from tests.tiny import MONDAY, tiny_shop

THOU = 0.0254


@pytest.fixture
def shop():
    return tiny_shop()


def with_part(shop, key, **more):
    return replace(shop, parts={**shop.parts, key: replace(shop.parts[key], **more)})


def with_job(shop, key, **more):
    return replace(shop, jobs={**shop.jobs, key: replace(shop.jobs[key], **more)})


def with_set(shop, **more):
    return replace(shop, sets={1: replace(shop.sets[1], **more)})


def cut(shop, key, taken_mm, points=None):
    """The shop after the part of this job was cut and measured."""
    part = shop.parts[key]
    at = MONDAY + timedelta(hours=2)
    new = tuple(
        HeightReading(1, h.point, h.height_mm - taken_mm, at, HeightStage.FINISHED, repeatability_mm=0.005)
        for h in part.heights
        if points is None or h.point in points
    )
    return with_job(with_part(shop, key, heights=(*part.heights, *new)), key, state=JobState.CUT)


def view_of(shop, measured=None):
    return estimate_queue(shop, measured=measured).sets[1]


def test_the_member_likely_to_end_lowest_comes_first_and_the_reason_is_told(shop):
    view = view_of(shop)
    assert view.order == (2, 1)
    assert view.advice.reason.startswith("Cut T-2 first: it will probably (")
    assert sum(view.advice.lowest_chance.values()) == pytest.approx(1)
    # T-2 stands 2 thou lower on average and both faces are alike: more often than not it ends lowest
    assert view.advice.lowest_chance["T-2"] > 0.7


def test_the_doubt_of_the_depth_goes_into_the_order(shop):
    view = view_of(shop)
    removal = view.members.members[0].removal_mm
    assert isinstance(removal, StopDepth)
    # half of such parts stop by the likely depth
    likely = estimate_queue(shop).estimates[1].stop_likely_mm
    assert removal.sf(likely) == pytest.approx(0.5)
    assert removal.isf(0.5) == pytest.approx(likely)


def test_a_depth_that_is_fixed_is_not_in_doubt(shop):
    view = view_of(with_job(shop, 1, aim=Aim.TO_DEPTH, depth_mm=0.1016))
    assert view.members.members[0].removal_mm == pytest.approx(0.1016)


def test_a_member_on_the_machine_keeps_its_place(shop):
    view = view_of(with_job(shop, 1, state=JobState.RUNNING))
    assert view.order == (1, 2)
    assert view.member(1).state is MemberState.BEING_CUT
    assert view.advice.reason == "T-1 is on the machine: finish it first."


def test_a_finished_member_keeps_its_measured_height_and_leaves_the_partner_a_window(shop):
    shop = cut(shop, 2, 0.10)
    view = view_of(shop)
    assert view.order == (2, 1)
    assert view.cuts_mm[2] == 0
    # 99.75 … 99.79 measured, 0.10 taken: mean 99.67
    assert view.finals_mm[2] == view.heights_mm[2] == pytest.approx(99.67)
    assert view.finals_mm[1] - 99.67 <= view.plan.cuts.window_mm + 1e-9
    # the partner's job is estimated with what the set asks for: 99.82 - 99.67 less the window, on the step
    assert view.cuts_mm[1] >= 99.82 - 99.67 - view.plan.cuts.window_mm - 1e-9
    assert estimate_queue(shop).estimates[1].target_mm == pytest.approx(view.depths_mm[1])


def test_a_member_cut_but_not_measured_after_it_is_said(shop):
    view = view_of(with_job(shop, 2, state=JobState.CUT))
    assert view.plan is None
    assert view.problems == ("T-2 is cut, but its heights were not measured after the cut: enter them",)


def test_a_check_while_clamped_is_no_height_to_plan_on(shop):
    part = shop.parts[1]
    check = HeightReading(1, part.heights[0].point, 99.0, MONDAY + timedelta(hours=1), HeightStage.CHECK)
    view = view_of(with_part(shop, 1, heights=(*part.heights, check)))
    assert view.heights_mm[1] == pytest.approx(99.82)


def test_a_check_at_one_point_is_judged_by_the_mean_it_stands_for(shop):
    """T-1 was measured at 99.80 to 99.84, mean 99.82: its highest point stands above the mean, and so does a check there."""
    view, part = view_of(shop), shop.parts[1]
    by_point = {h.point: h.height_mm for h in part.heights}
    high = max(by_point, key=by_point.get)
    above = by_point[high] - 99.82
    assert above > 0.01
    assert view.mean_of_check_mm(1, high, 99.70) == pytest.approx(99.70 - above)
    assert view.mean_of_check_mm(1, "a place no member was measured at", 99.70) == 99.70


def test_members_are_compared_at_the_points_all_were_measured_at(shop):
    part = shop.parts[1]
    shop = with_part(shop, 1, heights=part.heights[:3])
    view = view_of(shop)
    assert view.points == tuple(h.point for h in part.heights[:3])
    assert view.heights_mm[2] == pytest.approx(np.mean([h.height_mm for h in shop.parts[2].heights[:3]]))
    # points that no two members share
    view = view_of(with_part(shop, 2, heights=shop.parts[2].heights[3:]))
    assert view.plan is None and "same points" in view.problems[0]


def test_a_lower_point_that_is_not_compared_still_counts_against_the_limit(shop):
    first, *rest = shop.parts[1].heights
    low = replace(first, height_mm=99.05)  # the limit is 99.0
    shop = with_part(shop, 1, heights=(low, *rest))
    shop = with_part(shop, 2, heights=shop.parts[2].heights[1:])
    view = view_of(shop)
    assert first.point not in view.points
    mean = np.mean([h.height_mm for h in rest])
    assert view.member(1).least_mean_mm == pytest.approx(99.0 + mean - 99.05)


def test_a_surveyed_member_counts_from_first_contact(shop):
    gaps = {h.point: 0.02 * k for k, h in enumerate(shop.parts[1].heights)}  # mean 0.04
    view = view_of(shop, {1: Measured(gaps_mm=gaps)})
    assert view.member(1).state is MemberState.SURVEYED
    assert view.heights_mm[1] == pytest.approx(99.82)
    # a cut to depth d below first contact leaves h + gap - d at each point
    assert view.finals_mm[1] == pytest.approx(99.82 + 0.04 - view.depths_mm[1])
    assert view.cuts_mm[1] == pytest.approx(view.depths_mm[1] - 0.04)


def test_what_is_cut_already_and_not_clean_changes_order_and_depth(shop):
    fresh = view_of(with_job(shop, 1, state=JobState.RUNNING))
    view = view_of(with_job(shop, 1, state=JobState.RUNNING), {1: Measured(taken_mm=0.12)})
    assert view.member(1).removed_mm == 0.12
    assert view.depths_mm[1] > 0.12 > fresh.depths_mm[1]
    assert view.advice.lowest_chance["T-1"] > fresh.advice.lowest_chance["T-1"]


def test_planned_within_the_aim_or_the_tolerance_less_its_guard(shop):
    # readings repeat within 0.005 mm: the guard is 2 √2 × 0.005
    guard = 2 * np.sqrt(2) * 0.005
    view = view_of(shop)
    assert view.guard_mm == pytest.approx(guard)
    assert view.plan.cuts.window_mm == pytest.approx(min(2 * THOU, 3 * THOU - guard))
    tight = view_of(with_set(shop, tolerance_mm=2 * THOU))
    assert tight.plan.cuts.window_mm == pytest.approx(2 * THOU - guard)
    assert view.stop_mm == pytest.approx(5 * THOU)
    assert view_of(with_set(shop, stop_mm=0.2)).stop_mm == 0.2


def test_an_agreed_mismatch_lets_the_set_stand(shop):
    # T-2 is finished 0.2 above where T-1 must end to come clean at its depth
    shop = cut(with_job(shop, 1, aim=Aim.TO_DEPTH, depth_mm=0.3), 2, 0.05)
    view = view_of(shop)
    assert not view.feasible and view.recut == (2,)
    assert any("T-2 is finished, and would have to be cut again" in p for p in view.problems)
    # T-2: 99.77 - 0.05; T-1: 99.82 - 0.3, both on the step
    apart = 99.72 - view.finals_mm[1]
    assert apart == pytest.approx(0.2, abs=THOU)
    agreed = view_of(with_set(shop, accepted_mismatch_mm=apart + 1e-6, accepted_by="the assembler"))
    assert agreed.feasible and agreed.cuts_mm[2] == 0
    short = view_of(with_set(shop, accepted_mismatch_mm=apart - 0.01, accepted_by="the assembler"))
    assert not short.feasible


def test_relative_to_nominal_needs_a_new_height(shop):
    family = shop.families[1]
    bare = replace(family, faces=(replace(family.faces[0], new_height_mm=None),))
    view = view_of(with_set(replace(shop, families={**shop.families, 1: bare}), relative_to_nominal=True))
    assert view.plan is None and "new height" in view.problems[0] and "T-1" in view.problems[0]


def test_members_of_different_engines_are_refused(shop):
    view = view_of(with_part(shop, 2, engine_serial="E-2"))
    assert view.plan is None and "members of one engine" in view.problems[0]
    # the same mark written otherwise is the same engine
    assert view_of(with_part(shop, 2, engine_serial="e 1")).plan is not None


def test_a_set_of_which_nothing_changed_is_not_weighed_again(shop, monkeypatch):
    knowledge = Knowledge(depths=learn_depths(shop))
    first = estimate_queue(shop, knowledge).sets[1]
    calls = []
    monkeypatch.setattr(set_view, "advise_order", lambda *a, **k: calls.append(a))
    again = estimate_queue(replace(shop, data_version=2), knowledge).sets[1]
    assert again.advice is first.advice and not calls


def test_cutting_the_first_lower_on_purpose_is_priced_when_asked(shop):
    view = view_of(shop)
    assert view.advice.lower is None
    priced = price_lower(view)
    assert priced.best.order == view.advice.best.order
    assert priced.lower is None or priced.lower.cost < priced.best.cost
