"""What was measured of a part reaches its estimate, its set and the limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from planner.cut.knowledge import Depth, Knowledge
from planner.face import survey_figures
from planner.match.members import MemberState
from planner.shop import FaceSurvey, FollowedSurvey, Goal, IntakeCheck, Source, SurveyPoint
from planner.shop.origin import STARTING
from planner.week.learning import learn
from planner.week.measured import MISSED_MM, MISSED_START, depth_after_check, learn_missed, measured_jobs
from planner.week.queue import Measured, estimate_queue
from tests.tiny import MONDAY, tiny_shop

CORNERS = {"front left": (5, 5), "front right": (295, 5), "back right": (295, 175), "back left": (5, 175)}


def survey(part_id: int, z, goal: Goal = Goal.LEVEL, **more) -> FaceSurvey:
    """A sweep of the tiny head's five measuring points: front left, front right, back right, back left, middle."""
    places = CORNERS | {"middle": (150, 90)}
    points = tuple(SurveyPoint(n, x, y, h) for (n, (x, y)), h in zip(places.items(), z, strict=True))
    return FaceSurvey(part_id, 1, MONDAY, points, goal=goal, **more)


def queue_of(shop, **changes):
    shop = replace(shop, **changes)
    measured = measured_jobs(shop, Knowledge())
    return shop, measured, estimate_queue(shop, Knowledge(), measured)


def test_a_shop_without_measurements_is_estimated_as_before():
    shop, measured, queue = queue_of(tiny_shop())
    assert measured == {}
    assert queue.estimates[1].origins["depth"].source is Source.STARTING


def test_an_intake_check_narrows_the_depth_to_its_interval_and_says_by_what():
    check = IntakeCheck(1, 1, MONDAY, 0.06, 0.11, "along", "along + across")
    _, measured, queue = queue_of(tiny_shop(), checks={(1, 1): check})
    depth = measured[1].depth
    assert depth.distribution.cdf(0.06) == 0 and depth.distribution.cdf(0.11) == 1
    # the log-normal of a normal aluminium head, median 2.4 thou and sigma 0.35, between the two bounds
    prior = stats.lognorm(0.35, scale=2.4 * 0.0254)
    share = prior.cdf(0.06) + 0.5 * (prior.cdf(0.11) - prior.cdf(0.06))
    assert depth.likely_mm == pytest.approx(prior.ppf(share), rel=1e-6)
    assert queue.estimates[1].origins["depth"].words == (
        "measured, intake check (at least by along and at most by along + across)"
    )
    before = estimate_queue(tiny_shop(), Knowledge()).estimates[1]
    assert queue.estimates[1].cleanup_allow_mm != before.cleanup_allow_mm


@pytest.mark.parametrize(("low", "high"), [(2.0, 2.2), (3.0, None), (0.0, 0.0005)])
def test_a_check_far_from_the_belief_counts_alone(low, high):
    belief = Depth(stats.lognorm(0.05, scale=0.06), STARTING)
    depth = depth_after_check(belief, IntakeCheck(1, 1, MONDAY, low, high)).distribution
    assert low <= depth.ppf(0.01) <= depth.ppf(0.99) <= (high or np.inf)


def test_a_survey_gives_the_depth_the_touch_off_and_the_gaps():
    z = (0.00, -0.02, -0.05, -0.01, -0.03)
    _, measured, queue = queue_of(tiny_shop(), surveys={(1, 1): survey(1, z, Goal.AS_IT_LIES)})
    seen, estimate = measured[1], queue.estimates[1]
    # first contact at front left, last to clean at back right 0.05 below it
    assert seen.gaps_mm == pytest.approx(dict(zip([*CORNERS, "middle"], (0, 0.02, 0.05, 0.01, 0.03), strict=True)))
    assert estimate.touch_off.place == "front left" and estimate.touch_off.delta_mm == 0
    assert 0.05 < estimate.cleanup_likely_mm < 0.07
    assert estimate.origins["depth"].words == "measured, survey of 5 points"
    # height lost is depth less gap, point by point
    for after in estimate.heights:
        assert after.now_mm - after.likely_mm == pytest.approx(estimate.stop_likely_mm - seen.gaps_mm[after.point])


def test_delta_follows_the_chosen_touch_off_place_and_the_first_traverse_is_raised_by_it():
    z = (0.00, -0.02, -0.05, -0.01, -0.03)
    swept = survey(1, z, Goal.AS_IT_LIES, touch_place="middle")
    shop, _, queue = queue_of(tiny_shop(), surveys={(1, 1): swept})
    estimate = queue.estimates[1]
    assert estimate.touch_off.delta_mm == pytest.approx(0.03)
    first = estimate.passes[0]
    assert first.below_zero_mm == pytest.approx(first.total_mm - 0.03 + shop.settings.paper_mm)


def test_levelling_takes_the_tilt_out_of_the_depth():
    tilted = [0.0003 * x - 0.0002 * y for x, y in [*CORNERS.values(), (150, 90)]]
    _, level, _ = queue_of(tiny_shop(), surveys={(1, 1): survey(1, tilted)})
    _, lies, _ = queue_of(tiny_shop(), surveys={(1, 1): survey(1, tilted, Goal.AS_IT_LIES)})
    assert lies[1].depth.likely_mm == pytest.approx(np.ptp(tilted) + level[1].depth.likely_mm, abs=2e-3)
    assert level[1].gaps_mm["middle"] == pytest.approx(0, abs=1e-9)


def test_the_limit_is_tested_at_the_lowest_corner_of_the_outline():
    """Least height 99.0; heights 99.80 to 99.84 and a survey tilted by 0.001 per mm along the travel: the finished face
    is lowest at a corner of the outline, 5 mm outside the lowest measuring point."""
    shop = tiny_shop()
    names = [p.name for p in shop.families[1].faces[0].points]
    at = {p.name: (p.x_mm, p.y_mm) for p in shop.families[1].faces[0].points}
    z = [0.001 * at[n][0] for n in names]
    points = tuple(SurveyPoint(n, *at[n], h) for n, h in zip(names, z, strict=True))
    swept = FaceSurvey(1, 1, MONDAY, points, goal=Goal.AS_IT_LIES)
    _, measured, queue = queue_of(shop, surveys={(1, 1): swept})
    room = queue.estimates[1].room
    heights = np.array([99.80 + 0.01 * k for k in range(5)])
    cut = heights + np.array([measured[1].gaps_mm[n] for n in names])
    plane = np.column_stack([np.ones(5), [at[n] for n in names]])
    level = np.linalg.lstsq(plane, cut, rcond=None)[0]
    corners = [level @ (1, x, y) for x in (0, 300) for y in (0, 180)]
    assert room.before_mm == pytest.approx(min(corners) - 99.0, abs=1e-9)
    assert room.before_mm < cut.min() - 99.0


def test_a_set_follows_the_survey_of_its_member():
    """Member 1 has lost nothing at its measuring points until the cut comes down to them."""
    z = (0.00, -0.02, -0.05, -0.01, -0.03)
    shop, measured, queue = queue_of(tiny_shop(), surveys={(1, 1): survey(1, z, Goal.AS_IT_LIES)})
    members = queue.sets[1].members.members
    assert members[0].state is MemberState.SURVEYED and members[1].state is MemberState.CHECKED
    natural = estimate_queue(replace(shop, sets={}), Knowledge(), measured).estimates[1]
    view = queue.sets[1]
    assert members[0].likely_removal_mm == pytest.approx(natural.stop_likely_mm)
    assert view.cuts_mm[1] == pytest.approx(view.depths_mm[1] - 0.022)
    # final height of the set's plan is the mean height after the cut that the estimate foresees
    final = queue.sets[1].finals_mm[1]
    foreseen = np.mean([h.likely_mm for h in queue.estimates[1].heights])
    assert final == pytest.approx(foreseen, abs=shop.settings.depth_step_mm)


def test_a_survey_counts_before_an_intake_check():
    check = IntakeCheck(1, 1, MONDAY, 0.2, 0.3)
    z = (0.00, -0.02, -0.05, -0.01, -0.03)
    _, measured, _ = queue_of(tiny_shop(), checks={(1, 1): check}, surveys={(1, 1): survey(1, z, Goal.AS_IT_LIES)})
    assert measured[1].surveyed and measured[1].depth.likely_mm < 0.1


def test_accepted_pits_and_zones_that_need_not_seal_are_left_out():
    shop = tiny_shop()
    face = shop.families[1].faces[0]
    base = survey(1, (0, 0, 0, 0, 0), Goal.AS_IT_LIES)
    pitted = tuple(replace(p, pit_mm=0.08) if p.name == "middle" else p for p in base.points)
    assert survey_figures(face, replace(base, points=pitted)).cut.depth_mm == pytest.approx(0.08)
    kept = tuple(replace(p, accepted=True) if p.name == "middle" else p for p in pitted)
    assert survey_figures(face, replace(base, points=kept)).cut.depth_mm == pytest.approx(0)


def test_gaps_are_mean_over_the_points_named():
    seen = Measured(gaps_mm={"a": 0.1, "b": 0.3})
    assert seen.mean_gap_mm(["a", "b"]) == pytest.approx(0.2)
    assert Measured().mean_gap_mm(["a"]) == 0 and not Measured().surveyed


def followed(count: int, missed_mm: float, sigma: float) -> list[FollowedSurvey]:
    """Surveys of a face 0.05 deep, each followed by a cut in steps of 0.01 to where it is clean: 0.05 + X."""
    rng, found = np.random.default_rng(3), []
    for excess in missed_mm * np.exp(sigma * rng.standard_normal(count)):
        upper = np.ceil((0.05 + excess) / 0.01) * 0.01
        swept = survey(1, (0, -0.02, -0.05, -0.01, -0.03), Goal.AS_IT_LIES, division_mm=0.001)
        found.append(FollowedSurvey(swept, upper - 0.01, upper))
    return found


def test_what_surveys_miss_is_learned_from_those_that_were_followed_by_a_cut():
    shop = tiny_shop()
    assert learn_missed(shop, ()) == MISSED_START and MISSED_START.records == 0
    many = learn_missed(shop, followed(150, 0.03, 0.4))
    assert many.records == 150 and many.median_mm == pytest.approx(0.03, rel=0.15)
    assert many.sigma == pytest.approx(0.4, abs=0.12)
    # a single cut hardly moves the starting value, toward what was seen
    one = learn_missed(shop, followed(1, 0.03, 0.01))
    assert MISSED_MM < one.median_mm < 0.02


def test_the_estimate_follows_what_surveys_missed_and_says_from_how_many():
    shop, z = tiny_shop(), (0.00, -0.02, -0.05, -0.01, -0.03)
    shop = replace(shop, surveys={(1, 1): survey(1, z, Goal.AS_IT_LIES)})
    learned = learn(shop, followed=followed(40, 0.03, 0.3)).knowledge
    before, after = (measured_jobs(shop, k)[1].depth for k in (Knowledge(), learned))
    assert before.origin.words == "measured, survey of 5 points"
    assert after.origin.words == "measured, survey of 5 points, what it misses learned from 40 cuts"
    assert after.likely_mm == pytest.approx(0.08, abs=0.006) and before.likely_mm < 0.07


def test_a_cut_that_saw_nothing_teaches_nothing():
    nothing = [replace(one, lower_mm=0.0, upper_mm=np.inf) for one in followed(30, 0.03, 0.3)]
    found = learn_missed(tiny_shop(), nothing)
    assert found.median_mm == pytest.approx(MISSED_MM, rel=0.02)
