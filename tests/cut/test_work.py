"""Minutes and finish learned from finished cuts, by hand and from simulated shops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner import InputError
from planner.cut import Corner, FinishModel, learn_finish
from planner.cut.estimate import estimate_job
from planner.cut.knowledge import Knowledge, know
from planner.cut.work import (
    MinuteBook,
    attended_minutes,
    finish_readings,
    learn_finishes,
    learn_work_minutes,
    start_of,
    unattended_check,
)
from planner.shop import WorkRecords
from planner.shop.starting import STEPS
from tests.tiny import tiny_shop

HEAD, IRON = 1, 2


def records(family, attended, passes=4, **more):
    """Cuts of one family on the tiny shop's machine; minutes one by one, the rest alike."""
    attended = np.atleast_1d(np.asarray(attended, dtype=float))
    n = len(attended)
    row = {
        "family_id": family,
        "face_id": family,
        "machine_id": 1,
        "cutter_id": family,
        "grade_id": family,
        "passes": passes,
        "finishing_passes": 1,
        "last_finishing": True,
        "in_set": False,
        "unattended_minutes": np.nan,
        "ra_um": np.nan,
        "feed_mm": np.nan,
    } | {k: v for k, v in more.items() if k != "step_minutes"}
    columns = {k: np.broadcast_to(np.asarray(v), (n,)) for k, v in row.items()}
    return WorkRecords(attended_minutes=attended, step_minutes=more.get("step_minutes", {}), **columns)


def test_attended_minutes_of_the_starting_table_by_hand():
    # load 8, sweep 5, two rounds of 4, clamp 2, dye 1, touch-off 5, unload 4; four looks of 1.5; partner check 5
    assert attended_minutes(STEPS["aluminium head"], 4, False) == pytest.approx(33 + 6)
    assert attended_minutes(STEPS["aluminium head"], 4, True) == pytest.approx(33 + 6 + 5)


def test_no_record_leaves_the_starting_minutes_and_a_range():
    shop = tiny_shop()
    assert learn_work_minutes(shop, WorkRecords.none()) == {}
    told = Knowledge().steps(shop.families[HEAD])
    assert told.origin.words == "starting value"
    assert told.steps == STEPS["aluminium head"]
    # dye dries as fast on a slow day; everything a person does may take longer
    assert told.allowed.dry == told.steps.dry and told.allowed.load > told.steps.load
    assert told.allowed.shim_rounds == told.steps.shim_rounds


def test_a_shop_a_quarter_slower_is_learned_with_its_scatter():
    shop, rng = tiny_shop(), np.random.default_rng(1)
    expected = attended_minutes(start_of(shop.families[HEAD]), 4, False)
    took = 1.25 * expected * np.exp(rng.normal(0, 0.2, 400))
    known = know(shop, records(HEAD, took))
    told = known.steps(shop.families[HEAD])
    assert told.origin.words == "learned from 400 records"
    assert attended_minutes(told.steps, 4, False) == pytest.approx(1.25 * expected, rel=0.03)
    # four of five jobs within what is allowed for
    assert (took <= attended_minutes(told.allowed, 4, False)).mean() == pytest.approx(0.8, abs=0.03)
    # steps away from the machine were not in those minutes
    assert told.steps.wash == STEPS["aluminium head"].wash
    # the other family has no record: it borrows, and says so
    other = known.steps(shop.families[IRON])
    assert other.origin.words == "learned from 400 records, of the shop's other families"
    assert other.steps.load > STEPS["iron head"].load


def test_steps_that_were_clocked_are_learned_one_by_one():
    shop = tiny_shop()
    took = attended_minutes(start_of(shop.families[HEAD]), 4, False)
    clocked = {i: {"look": 3.0, "wash": 25.0, "dry": 2.0} for i in range(200)}
    found = learn_work_minutes(shop, records(HEAD, np.full(200, took), step_minutes=clocked))[HEAD]
    assert found.steps.look == pytest.approx(3.0, rel=0.03)
    assert found.steps.wash == pytest.approx(25.0, rel=0.03)
    assert found.steps.dry == pytest.approx(2.0, rel=0.03)
    assert found.steps.load == pytest.approx(8.0, rel=0.01)
    told = know(shop, records(HEAD, np.full(200, took), step_minutes=clocked)).steps(shop.families[HEAD])
    assert told.origin.words == "learned from 200 records, 200 timed step by step"


def test_a_clock_that_was_not_on_the_work_teaches_nothing():
    """Three seconds of washing, tapped afterwards; a job whose every tap was made within a minute; a night at the bench."""
    shop = tiny_shop()
    took = attended_minutes(start_of(shop.families[HEAD]), 4, False)
    honest = learn_work_minutes(shop, records(HEAD, [took]))
    clocked = {0: {"wash": 0.05, "look": 0.1}, 1: {"measure": 900.0}}
    rows = records(HEAD, [took, 0.7], step_minutes=clocked)
    book = MinuteBook(shop, rows)
    assert book.left_out == {"": 1, "wash": 1, "look": 1, "measure": 1}
    for family_id in shop.families:
        assert book.learn(family_id).steps == honest[family_id].steps
        assert not book.learn(family_id).clocked
    # what is credible is taken, however slow
    slow = MinuteBook(shop, records(HEAD, [took], step_minutes={0: {"wash": 100.0}}))
    assert not slow.left_out and slow.learn(HEAD).steps.wash > 15


def test_learned_minutes_reach_the_estimate_and_its_range():
    shop = tiny_shop()
    took = 2 * attended_minutes(start_of(shop.families[HEAD]), 4, False)
    known = know(shop, records(HEAD, np.full(300, took)))
    before, after = estimate_job(shop, shop.jobs[1]), estimate_job(shop, shop.jobs[1], known)
    was, now = (next(s.minutes for s in e.steps if s.name == "load") for e in (before, after))
    assert now == pytest.approx(2 * was, rel=0.02)
    assert after.minutes("machine", allow=True) > after.minutes("machine")
    assert after.origins["minutes"].words.startswith("learned from 300 records")


def test_roughness_is_learned_at_the_feed_the_machine_runs():
    shop, rng = tiny_shop(), np.random.default_rng(4)
    truth = FinishModel(1.6, 0.15)
    ra = truth.ra_um(0.1, Corner(1.2)) * np.exp(rng.normal(0, 0.05, 200))
    found = learn_finishes(shop, records(HEAD, np.full(200, np.nan), ra_um=ra))["aluminium", 1]
    # one feed alone cannot tell ratio from floor, yet at that feed the figure is right
    assert found.records == 200
    assert found.ra_um(0.1, Corner(1.2)) == pytest.approx(truth.ra_um(0.1, Corner(1.2)), rel=0.02)
    # readings at two feeds tell them apart; the feed recorded with the cut counts, not the recipe's
    feeds = np.tile([0.05, 0.2], 200)
    ra = np.array([truth.ra_um(f, Corner(1.2)) for f in feeds]) * np.exp(rng.normal(0, 0.05, 400))
    found = learn_finishes(shop, records(HEAD, np.full(400, np.nan), ra_um=ra, feed_mm=feeds))["aluminium", 1]
    assert (found.ratio, found.floor_um) == pytest.approx((1.6, 0.15), rel=0.05)
    told = estimate_job(shop, shop.jobs[1], Knowledge(finish={("aluminium", 1): found})).origins["ra"]
    assert told.words == "learned from 400 records, readings of Ra"


def test_several_inserts_teach_no_finish():
    shop = tiny_shop()
    cutters = {1: replace(shop.cutters[1], inserts=3)}
    assert finish_readings(replace(shop, cutters=cutters), records(HEAD, [np.nan] * 5, ra_um=1.0)) == {}


def test_under_a_wiper_only_the_floor_is_learned():
    found = learn_finish(np.full(300, 0.2), 1.0, np.full(300, 0.5), wiper_mm=0.5)
    assert found.ratio == pytest.approx(FinishModel().ratio, rel=0.01)
    assert found.floor_um == pytest.approx(0.5, rel=0.02)


def test_traverses_are_checked_against_the_clock():
    shop = tiny_shop()
    setup = estimate_job(shop, shop.jobs[1]).setup
    # three roughing traverses, one at finishing feed, and three minutes of drying; the band moves no feed here
    from planner.cut.setups import setups_for

    bare = setups_for(shop, shop.families[1], shop.families[1].faces[0], (None, None))[0][0]
    assert bare.machine == setup.machine
    computed = 3 + 3 * bare.rough.minutes + bare.finish.minutes
    found = unattended_check(shop, records(HEAD, np.full(9, np.nan), unattended_minutes=1.1 * computed), {})
    assert [(c.machine_id, c.records) for c in found] == [(1, 9)]
    assert found[0].ratio == pytest.approx(1.1)


def test_columns_of_unlike_length_are_refused():
    good = records(HEAD, [40.0, 41.0])
    with pytest.raises(InputError):
        replace(good, ra_um=np.array([1.0]))
