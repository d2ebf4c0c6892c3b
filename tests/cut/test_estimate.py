"""The estimate of one job, on the tiny shop whose figures can be checked by hand (see tests/conftest.py)."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from planner import InputError
from planner.cut.estimate import TouchOff, estimate_job
from planner.cut.knowledge import Depth, Knowledge, learn_depths
from planner.cut.setups import band_of, setups_for
from planner.shop import (
    Aim,
    Condition,
    Cutter,
    DepthRecord,
    Face,
    JobState,
    Limit,
    Origin,
    PassReason,
    Recipe,
    Source,
)
from planner.units import Units
from tests.tiny import tiny_shop

THOU = 0.0254
MEASURED = Origin(Source.MEASURED)


def with_face(shop, family_id=1, **changes):
    family = shop.families[family_id]
    faces = (replace(family.faces[0], **changes), *family.faces[1:])
    return replace(shop, families={**shop.families, family_id: replace(family, faces=faces)})


def with_part(shop, part_id=1, **changes):
    return replace(shop, parts={**shop.parts, part_id: replace(shop.parts[part_id], **changes)})


def no_band(shop):
    return with_face(shop, ra_least_um=None, ra_greatest_um=None)


def codes(estimate):
    return [f.code for f in estimate.flags]


def test_spindle_minutes_follow_from_the_cutter(shop):
    # by hand: 1000 × 750 / (π 300) = 795.8 rpm, the list gives 700; 0.1 × 700 = 70 mm/min;
    # L 300 + 2 × 150 (y* = 0) + 3 + 3 = 606 mm, 8.657 min run clear; 300 + 150 − 120 + 6 = 336 mm, 4.8 min when cut
    shop = no_band(shop)
    setup = estimate_job(shop, shop.jobs[1]).setup
    assert setup.rpm == 700
    assert setup.speed_m_min == pytest.approx(math.pi * 300 * 700 / 1000)
    assert setup.finish.table_feed_mm_min == pytest.approx(70)
    assert setup.finish.run_clear_minutes - 0.5 == pytest.approx(606 / 70)
    assert setup.finish.when_cut_minutes - 0.5 == pytest.approx(336 / 70)
    assert setup.finish.minutes == setup.finish.run_clear_minutes  # the machine's own rule
    # path of the edge: 300 / 0.1 revolutions × 150 × 2 asin(90/150) × net share 0.6
    assert setup.finish.path_mm == pytest.approx(3000 * 150 * 2 * math.asin(0.6) * 0.6)


def test_targets_stand_on_the_instrument_counted_from_touch_off(shop):
    job = replace(shop.jobs[1], aim=Aim.TO_DEPTH, depth_mm=4 * THOU)
    touch = TouchOff("front left", paper_mm=4 * THOU, delta_mm=1.5 * THOU)
    estimate = estimate_job(shop, job, touch_off=touch)
    # d − δ + t: 4 − 1.5 + 4 = 6.5 thou below where the zero was set
    assert estimate.passes[-1].total_mm == pytest.approx(4 * THOU)
    assert estimate.passes[-1].standing_mm == pytest.approx(6.5 * THOU)
    # the kiss pass meets first contact: 0 − 1.5 + 4 = 2.5
    assert estimate.passes[0].reason is PassReason.KISS
    assert estimate.passes[0].standing_mm == pytest.approx(2.5 * THOU)
    assert sum(p.depth_mm for p in estimate.passes) == pytest.approx(4 * THOU)
    assert estimate.passes[-1].finishing


def test_rounding_to_the_step_carries_no_depth_past_the_limit(shop):
    """Half-thou steps: 4.1 thou becomes 4.5, but only 4.0 where 4.2 is all there is. Asked for more, it is flagged."""
    job = replace(shop.jobs[1], aim=Aim.TO_DEPTH, depth_mm=4.1 * THOU)
    assert estimate_job(shop, job).passes[-1].total_mm == pytest.approx(4.5 * THOU)
    agreed = with_part(shop, agreed_depth_mm=4.2 * THOU)
    kept = estimate_job(agreed, job)
    assert kept.stop_allow_mm == kept.passes[-1].total_mm == pytest.approx(4 * THOU)
    assert "agreed" not in codes(kept)
    low = {h.point: h.height_mm for h in shop.parts[1].heights}
    least = min(low.values()) - 0.005 - 4.2 * THOU  # 4.2 thou in hand above the limit
    assert estimate_job(with_face(shop, limit=Limit(least)), job).passes[-1].total_mm == pytest.approx(4 * THOU)
    more = estimate_job(agreed, replace(job, depth_mm=6 * THOU))
    assert more.passes[-1].total_mm == pytest.approx(6 * THOU) and "agreed" in codes(more)


def test_without_a_survey_the_first_traverse_begins_raised(shop):
    estimate = estimate_job(shop, shop.jobs[1])
    assert estimate.touch_off.delta_mm is None
    assert estimate.passes[0].below_zero_mm == pytest.approx(4 * THOU - 3 * THOU)
    assert estimate.passes[0].standing_mm == pytest.approx(1 * THOU)


def test_a_dial_that_counts_down_and_turns(shop):
    machine = shop.machines[1]
    dial = replace(machine.instrument, counts="down", per_turn_mm=1.0)
    shop = replace(shop, machines={1: replace(machine, instrument=dial)})
    job = replace(shop.jobs[1], aim=Aim.TO_DEPTH, depth_mm=4 * THOU)
    last = estimate_job(shop, job, touch_off=TouchOff("x", paper_mm=0.1, delta_mm=0.0)).passes[-1]
    assert last.standing_mm == pytest.approx(1.0 - (4 * THOU + 0.1))


def test_minutes_attended_unattended_and_away(shop):
    estimate = estimate_job(shop, shop.jobs[1])
    traverses = sum(p.minutes for p in estimate.passes_likely)
    assert estimate.minutes("unattended") == pytest.approx(traverses + 3)  # dye drying
    # load 8, sweep 5, two shim rounds 8, clamp 2, dye 1, touch off 5, two looks 3, partner check 5, unload 4
    assert estimate.minutes("machine") == pytest.approx(41)
    assert estimate.minutes("away") == pytest.approx(8 + 10 + 15)  # measured already: no intake check
    assert estimate_job(shop, shop.jobs[4]).minutes("away") == pytest.approx(15 + 8 + 10 + 15)
    assert [s.is_pass for s in estimate.steps].count(True) == len(estimate.passes_likely)


def test_likely_and_allow_are_bounds_of_the_stop_depth(shop):
    depth = Depth(stats.lognorm(0.4, scale=4 * THOU), MEASURED)
    estimate = estimate_job(shop, shop.jobs[1], depth=depth)
    totals = [p.total_mm for p in estimate.passes]
    assert estimate.stop_likely_mm in [pytest.approx(t) for t in totals]
    assert estimate.stop_allow_mm == pytest.approx(totals[-1])
    # the stop depth is reached with those chances: no pass less would do
    assert depth.distribution.cdf(estimate.stop_allow_mm) >= 0.8 - 1e-9
    assert estimate.stop_likely_mm >= depth.likely_mm - 1e-9


def test_heights_after_and_what_is_left(shop):
    estimate = estimate_job(shop, shop.jobs[1])
    # lowest point 99.80, least height 99: 0.80 mm before
    assert estimate.room.before_mm == pytest.approx(0.80)
    assert estimate.left_likely_mm == pytest.approx(0.80 - estimate.stop_likely_mm)
    first = estimate.heights[0]
    assert first.now_mm == pytest.approx(99.80)
    assert first.likely_mm == pytest.approx(99.80 - estimate.stop_likely_mm)
    assert first.lowest_mm <= first.likely_mm <= first.highest_mm <= first.now_mm
    # a rebuild takes the normal median 2.4 thou and half a thou
    assert estimate.rebuild_mm == pytest.approx(2.9 * THOU)
    assert estimate.rebuilds_left == math.floor((0.80 - estimate.stop_allow_mm) / (2.9 * THOU))


def test_gaps_of_a_survey_go_into_the_heights(shop):
    gaps = {"front left": 0.02, "middle": 0.5}
    estimate = estimate_job(shop, shop.jobs[1], gaps_mm=gaps)
    after = {h.point: h for h in estimate.heights}
    assert after["front left"].likely_mm == pytest.approx(99.80 - (estimate.stop_likely_mm - 0.02))
    assert after["middle"].likely_mm == after["middle"].now_mm  # lay lower than the cut
    assert after["back left"].likely_mm == pytest.approx(after["back left"].now_mm - estimate.stop_likely_mm)


def test_edge_share_is_path_over_what_an_edge_lasts(shop):
    estimate = estimate_job(shop, shop.jobs[1])
    cutting = [p for p in estimate.passes_likely if p.reason is not PassReason.KISS]
    path = sum((estimate.setup.finish if p.finishing else estimate.setup.rough).path_mm for p in cutting)
    assert estimate.path_likely_mm == pytest.approx(path)
    assert estimate.edge_share_likely == pytest.approx(path / 600e6)
    assert estimate.swept_likely_mm2 == pytest.approx(300 * 180 * len(cutting))
    corroded = estimate_job(with_part(shop, 1, condition=Condition.CORRODED), shop.jobs[1])
    assert corroded.edge_share_likely == pytest.approx(corroded.path_likely_mm * 1.3 / 600e6)


def test_a_set_target_deeper_than_clean_up(shop):
    estimate = estimate_job(shop, shop.jobs[1], target_mm=7.2 * THOU)
    assert estimate.stop_likely_mm == pytest.approx(7.5 * THOU)  # rounded to the step, deeper
    assert estimate.passes_likely[-1].reason is PassReason.MATCH
    assert estimate_job(shop, shop.jobs[1], target_mm=0.5 * THOU).passes_likely[-1].reason is PassReason.SEARCH


# -- flags ------------------------------------------------------------------------------------------------------------
def test_unknown_limit_is_said_and_never_filled_in(shop):
    estimate = estimate_job(shop, shop.jobs[3])
    assert "no limit" in codes(estimate)
    assert estimate.left_likely_mm is None and estimate.rebuilds_left is None
    assert [f.words(Units()) for f in estimate.flags if f.code == "no limit"] == ["No limit known, ask"]


def test_a_limit_without_a_height_is_unknown_too(shop):
    estimate = estimate_job(shop, shop.jobs[4])
    assert estimate.rebuilds_left is None
    assert "not measured" in codes(estimate)


def test_too_little_in_hand_is_not_begun(shop):
    shop = with_face(shop, limit=Limit(least_height_mm=99.79))
    estimate = estimate_job(shop, shop.jobs[1])
    assert not estimate.worth_cutting
    assert estimate.flags[0].code == "below limit" and estimate.flags[0].level == "stop"
    # and no minutes are booked that nobody will spend
    assert estimate.left_alone == estimate.flags[0]
    assert estimate.machine_minutes == estimate.cost_likely == 0.0
    begun = replace(shop.jobs[1], state=JobState.RUNNING)
    running = estimate_job(replace(shop, jobs={**shop.jobs, 1: begun}), begun)
    assert running.left_alone is None and running.machine_minutes > 0


def test_a_job_that_is_not_begun_says_why_without_a_height_too(shop):
    shop = with_part(shop, 1, heights=(), agreed_depth_mm=0.5 * THOU)
    estimate = estimate_job(shop, shop.jobs[1])
    assert estimate.left_alone is not None and "agreed 0.5 thou" in estimate.left_alone.words(Units())


@given(hand=st.floats(0.0, 0.4))
@settings(max_examples=40, deadline=None)
def test_the_plan_never_goes_below_the_limit(hand):
    shop = with_face(tiny_shop(), limit=Limit(least_height_mm=99.80 - hand))
    estimate = estimate_job(shop, shop.jobs[1])
    deepest = max((p.total_mm for p in estimate.passes), default=0.0)
    assert deepest <= hand + 1e-9


def test_the_agreed_depth_is_never_passed(shop):
    shop = with_part(shop, 1, agreed_depth_mm=2.6 * THOU)
    estimate = estimate_job(shop, shop.jobs[1])
    assert max(p.total_mm for p in estimate.passes) <= 2.6 * THOU + 1e-9
    deep = Depth(stats.lognorm(0.3, scale=5 * THOU), MEASURED)
    assert (
        "uncleaned" in codes(estimate_job(shop, shop.jobs[1], depth=deep))
        or not estimate_job(shop, shop.jobs[1], depth=deep).worth_cutting
    )


def test_total_removed_against_the_greatest_removal(shop):
    shop = with_face(shop, limit=Limit(greatest_removal_mm=0.5), new_height_mm=None)
    shop = replace(with_part(shop, 1, heights=(), removed_before_mm=0.1), removed_mm={(1, 1): 0.15})
    estimate = estimate_job(shop, shop.jobs[1])
    assert estimate.room.before_mm == pytest.approx(0.25)
    unknown = estimate_job(with_part(shop, 1, removed_before_mm=None), shop.jobs[1])
    assert "earlier" in codes(unknown)


def test_the_finish_stays_inside_the_band_or_says_so(shop):
    # 0.1 mm feed and 1.2 mm corner: theory 0.267 µm, × 1.25 and 0.2 floor = 0.389 µm, below the band's 0.5
    estimate = estimate_job(shop, shop.jobs[1])
    assert 0.5 <= estimate.ra_least_um <= estimate.ra_greatest_um <= 1.6
    assert "feed" in codes(estimate)
    rough = with_face(shop, ra_least_um=None, ra_greatest_um=0.1)
    assert "ra rough" in codes(estimate_job(rough, rough.jobs[1]))
    # the job's own gasket rules over the face
    assert band_of(shop, shop.families[1].faces[0], 1) == (0.3, 0.76)
    unknown = with_face(shop, ra_least_um=0.5)
    grade = replace(shop.grades[1], radius_mm=None)
    assert "ra" in codes(estimate_job(replace(unknown, grades={**shop.grades, 1: grade}), shop.jobs[1]))


def test_no_recipe_no_plan_but_the_depth_is_still_told(shop):
    shop = replace(shop, recipes={})
    estimate = estimate_job(shop, shop.jobs[1])
    assert not estimate.plannable and codes(estimate)[0] == "no recipe"
    assert estimate.stop_likely_mm == pytest.approx(2.4 * THOU)
    assert estimate.passes == () and estimate.machine_minutes > 0


def test_magnesium_needs_a_signed_recipe(shop):
    family = replace(shop.families[1], material="magnesium")
    proposal = Recipe("magnesium", 1, 150, 0.2, 0.127, 0.0254, 0.0762, 0.1524, kiss_pass=False, active=False, id=9)
    shop = replace(shop, families={**shop.families, 1: family}, recipes={9: proposal})
    estimate = estimate_job(shop, shop.jobs[1])
    assert not estimate.plannable
    assert {"no recipe", "magnesium"} <= set(codes(estimate))
    signed = replace(proposal, active=True, signed_by="A. Bell")
    done = estimate_job(replace(shop, recipes={9: signed}), shop.jobs[1])
    assert done.plannable and done.passes[0].reason is not PassReason.KISS


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda s: replace(s, cutters={1: replace(s.cutters[1], max_rpm=None)}), "unknown is refused"),
        (lambda s: replace(s, machines={1: replace(s.machines[1], travel_mm=200)}), "travel"),
        (lambda s: replace(s, machines={1: replace(s.machines[1], table_width_mm=100)}), "table"),
        (
            lambda s: replace(s, machines={1: replace(s.machines[1], materials=("grey_iron",))}),
            "does not cut aluminium",
        ),
        (lambda s: replace(s, cutters={}), "no cutter"),
    ],
)
def test_a_machine_that_cannot_take_a_face_says_why(shop, change, why):
    shop = change(shop)
    face = shop.families[1].faces[0]
    found, against = setups_for(shop, shop.families[1], face, (None, None))
    assert found == [] and why in " ".join(against)


def test_iron_in_an_aluminium_face_takes_a_grade_that_may_meet_it(shop):
    """Common practice, no source: iron wears a diamond edge away, so faces with iron in them go to boron nitride."""
    heads = shop.families[1]
    face = replace(heads.faces[0], ferrous_inserts=True)
    shop = replace(shop, families={**shop.families, 1: replace(heads, faces=(face,))})
    refused = estimate_job(shop, shop.jobs[1])
    assert refused.setup is None and any("may not meet iron" in why for why in refused.against)
    vouched = replace(shop, grades={**shop.grades, 1: replace(shop.grades[1], may_meet_iron=True)})
    assert estimate_job(vouched, shop.jobs[1]).setup.grade.id == 1
    # a recipe in use for iron says as much; one that is only proposed does not
    both = replace(shop.recipes[2], grade_id=1, id=3)
    assert estimate_job(replace(shop, recipes={**shop.recipes, 3: both}), shop.jobs[1]).setup.grade.id == 1
    proposed = replace(shop, recipes={**shop.recipes, 3: replace(both, active=False)})
    assert estimate_job(proposed, shop.jobs[1]).setup is None
    # iron faces are iron anyway
    iron = shop.families[2]
    marked = replace(iron, faces=(replace(iron.faces[0], ferrous_inserts=True),))
    assert estimate_job(replace(shop, families={**shop.families, 2: marked}), shop.jobs[3]).setup.grade.id == 2


def test_a_machine_that_runs_slower_than_the_recipe_wears_the_edge_less(shop):
    """The list of speeds gives 700 rpm for the 796 the recipe asks for: Taylor's (V / V_ref)^(1/n - 1)."""
    neutral = estimate_job(shop, shop.jobs[1])
    assert neutral.setup.speed_wear == 1.0 and "recipe" not in neutral.origins["edge"].words
    known = replace(shop, recipes={**shop.recipes, 1: replace(shop.recipes[1], taylor_n=0.25)})
    slower = estimate_job(known, shop.jobs[1])
    factor = (math.pi * 300 * 700 / 1000 / 750) ** 3
    assert slower.edge_share_likely == pytest.approx(neutral.edge_share_likely * factor)
    assert slower.path_likely_mm == neutral.path_likely_mm
    assert slower.origins["edge"].words == "starting value, run 12% slower than the recipe, wear taken 0.68 times"
    # a learned life is told at the recipe's speed, too
    learned = Knowledge(life={("aluminium", 1): (600e6, Origin(Source.LEARNED, 9))})
    told = estimate_job(known, shop.jobs[1], learned)
    assert told.edge_share_likely == pytest.approx(neutral.edge_share_likely * factor)
    assert told.origins["edge"].words == "learned from 9 records, run 12% slower than the recipe, wear taken 0.68 times"


def test_a_face_wider_than_the_cutter_is_cut_in_lanes(shop):
    shop = replace(no_band(shop), cutters={1: Cutter("small", 120, 1, 3000, id=1, machine_id=1, grade_id=1)})
    setup = estimate_job(shop, shop.jobs[1]).setup
    assert setup.finish.lanes == 2


def test_deeper_than_the_familys_normal(shop):
    assert "deep" not in codes(estimate_job(shop, shop.jobs[1]))
    assert "deep" in codes(estimate_job(with_part(shop, 1, condition=Condition.HEAVILY_CORRODED), shop.jobs[1]))


def test_an_unknown_part_or_face_is_refused(shop):
    with pytest.raises(InputError):
        estimate_job(shop, replace(shop.jobs[1], part_id=99))
    with pytest.raises(InputError):
        estimate_job(shop, replace(shop.jobs[1], face_id=99))


# -- what was learned -------------------------------------------------------------------------------------------------
def test_the_record_replaces_the_starting_value_and_says_so(shop):
    lower = [3 * THOU] * 30 + [4 * THOU] * 30
    upper = [4 * THOU] * 30 + [5 * THOU] * 30
    record = DepthRecord(1, 1, Condition.NORMAL, np.array(lower), np.array(upper))
    taught = replace(shop, depth_records=(record,))
    knowledge = Knowledge(depths=learn_depths(taught))
    estimate = estimate_job(taught, taught.jobs[1], knowledge)
    assert 3.7 * THOU < estimate.cleanup_likely_mm < 4.3 * THOU
    assert estimate.origins["depth"].words == "learned from 60 records"
    assert estimate_job(taught, taught.jobs[1]).origins["depth"].words == "starting value"
    # the iron family has no record of its own: it borrows, and says so
    other = estimate_job(taught, taught.jobs[3], knowledge)
    assert other.origins["depth"].source is Source.STARTING  # no corroded record anywhere


def test_a_depth_that_was_asked_for_does_not_make_the_clean_up_depth_one(shop):
    estimate = estimate_job(shop, replace(shop.jobs[1], aim=Aim.TO_DEPTH, depth_mm=4 * THOU))
    assert estimate.origins["depth"].words == "entered by the shop"
    assert estimate.origins["cleanup"].words == "starting value"


def test_every_figure_has_an_origin(shop):
    for job in shop.jobs.values():
        estimate = estimate_job(shop, job)
        assert {"depth", "minutes", "edge", "rebuild", "ra", "heights", "travel"} <= set(estimate.origins)


def test_face_without_net_share_counts_whole(shop):
    shop = with_face(no_band(shop), net_share=None)
    assert isinstance(shop.families[1].faces[0], Face)
    setup = estimate_job(shop, shop.jobs[1]).setup
    assert setup.finish.path_mm == pytest.approx(3000 * 150 * 2 * math.asin(0.6))
