"""Around a set of the tiny shop: the partner's target, stop or go on, what would help."""

from dataclasses import replace

import pytest

from planner import InputError
from planner.cut.knowledge import Knowledge
from planner.match import Help
from planner.shop import Aim, Condition, Gasket
from planner.units import Units
from planner.week.loose import pool_of
from planner.week.queue import estimate_queue
from planner.week.set_help import gasket_shelf, options_of, stop_or_go, target_of
from tests.tiny import tiny_shop
from tests.week.test_set_view import cut, with_job, with_part

THOU = 0.0254
UNITS = Units("inch")


def level(shop):
    """Both heads at 99.80 at every point."""
    for key in (1, 2):
        heights = tuple(replace(h, height_mm=99.80) for h in shop.parts[key].heights)
        shop = with_part(shop, key, heights=heights)
    return shop


def test_the_target_follows_from_the_finished_member_and_is_settable():
    shop = cut(level(tiny_shop()), 2, 15 * THOU)
    queue = estimate_queue(shop)
    target = target_of(shop, queue.sets[1], 1, queue.estimates[1], UNITS)
    finished, window = 99.80 - 15 * THOU, queue.sets[1].plan.cuts.window_mm
    assert target.partner.high_mm == pytest.approx(finished + window)
    assert target.partner.low_mm == pytest.approx(finished - window)
    assert target.gap_mm == 0
    # the run sheet's passes lead to the same depth
    assert queue.estimates[1].passes_likely[-1].total_mm == pytest.approx(target.partner.removal_mm)


def test_common_practice_a_partner_already_cut_15_thou_and_clean_at_12():
    """Common practice, no source: the first lost 0.015 in, the second cleans up at 0.012 in. Stopping costs nothing and
    leaves 3 thou between them, more than the aim; going on costs a pass and the material."""
    shop = cut(level(tiny_shop()), 2, 15 * THOU)
    queue = estimate_queue(shop)
    view, estimate = queue.sets[1], queue.estimates[1]
    told = stop_or_go(shop, view, 1, estimate, 12 * THOU, UNITS)
    stop, aim, even = told.choices
    assert stop.mismatch_mm == pytest.approx(3 * THOU) and stop.cost == 0 and not stop.within_aim
    assert aim.further_mm / THOU == pytest.approx(1.0) and told.advised is aim
    assert even.further_mm / THOU == pytest.approx(3.0)
    look = next(s.minutes for s in estimate.steps if s.name == "look")
    one_pass = 110 / 60 * (estimate.setup.finish.minutes + look)
    assert aim.cost == pytest.approx(one_pass + view.prices.value_per_mm * THOU)
    assert told.advice.startswith("Go on by 1.0 thou")
    # a shop that lets three thou stay stops
    easy = replace(shop, sets={1: replace(shop.sets[1], tolerance_mm=5 * THOU, aim_mm=3.5 * THOU)})
    queue = estimate_queue(easy)
    assert stop_or_go(easy, queue.sets[1], 1, queue.estimates[1], 12 * THOU, UNITS).advised.name == "stop"


def test_stopping_is_no_question_before_a_partner_is_finished():
    shop = tiny_shop()
    queue = estimate_queue(shop)
    with pytest.raises(InputError, match="finished member"):
        stop_or_go(shop, queue.sets[1], 1, queue.estimates[1], 0.05, UNITS)


def options(shop):
    queue = estimate_queue(shop)
    pool = pool_of(shop, Knowledge()).parts
    return {o.kind: o for o in options_of(shop, queue.sets[1], queue.estimates, Knowledge(), pool, UNITS)}


def test_ways_out_when_the_partner_must_go_below():
    """T-2 is finished at 99.72 in the mean, T-1 must lose 8 thou (0.2032) from 99.82."""
    shop = cut(with_job(tiny_shop(), 1, aim=Aim.TO_DEPTH, depth_mm=8 * THOU), 2, 0.05)
    found = options(shop)
    again = found[Help.RECUT]
    window = estimate_queue(shop).sets[1].members.aim_mm - 2 * 2**0.5 * 0.005
    ((name, depth),) = again.recuts_mm
    apart = 99.72 - (99.82 - 8 * THOU)
    # deeper to the next half thou
    assert name == "T-2" and apart - window <= depth < apart - window + 0.5 * THOU
    assert found[Help.ACCEPT].who_agrees and found[Help.ACCEPT].mismatch_mm == pytest.approx(apart)


def test_gaskets_of_the_same_bore_only():
    shop = tiny_shop()
    thin, thick = Gasket("thin", 1.0, 90.0, id=1), Gasket("thick", 1.1, 90.0, id=2)
    other = Gasket("of another engine", 1.1, 102.0, id=3)
    shop = replace(shop, gaskets={1: thin, 2: thick, 3: other})
    assert gasket_shelf(shop, tuple(shop.jobs.values())) == ()
    planned = with_job(shop, 1, gasket_id=1)
    assert gasket_shelf(planned, tuple(planned.jobs.values())) == (thin, thick)
    apart = cut(with_job(planned, 1, aim=Aim.TO_DEPTH, depth_mm=8 * THOU), 2, 0.05)
    option = options(apart)[Help.GASKET]
    # 0.1032 apart, 0.1 made up for
    assert option.possible and option.mismatch_mm == pytest.approx(8 * THOU - 0.1 - 0.1)
    assert {n: [g.name for g in pieces] for n, pieces in option.gaskets} == {"T-2": ["thin"], "T-1": ["thick"]}


def test_welding_is_offered_where_it_saves_depth():
    shop = cut(with_part(tiny_shop(), 1, condition=Condition.HEAVILY_CORRODED), 2, 0.05)
    found = options(shop)
    assert found[Help.WELD].members == ("T-1",)
    assert Help.WELD not in options(cut(tiny_shop(), 2, 0.05))
