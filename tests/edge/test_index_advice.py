"""Before which job to index, and why."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate

from planner import InputError
from planner.edge import (
    ChipFit,
    ChipPrior,
    EdgeJob,
    EdgeLife,
    End,
    LifePrior,
    age_rule,
    edge_price,
    fit_chips,
    fit_edge_life,
    fit_life,
    index_age,
    index_cost,
    index_pays,
    known_life,
    order_for_edge,
    plan_edge,
    planning_limit,
    spoiled_face_cost,
)

LIFE = EdgeLife(known_life(3.71, [100.0]))


def job(name="J", work=5.0, price=400.0, **more):
    return EdgeJob(name, (work,), price, **more)


def test_one_job_ahead_follows_the_stated_criterion():
    shape, planned, price = 3.71, 40.0, 400.0
    rate = (price - planned) * shape * index_age(shape, 1, planned, price) ** (shape - 1)
    for age in np.linspace(0.02, 0.9, 45):
        alive = [math.exp(-(a**shape)) for a in (age, age + 0.05)]
        area = integrate.quad(lambda t: math.exp(-(t**shape)), age, age + 0.05)[0]
        expected = (price - planned) * (alive[0] - alive[1]) > rate * area
        plan = plan_edge(LIFE, [100 * age], [job(risk_limit=1)], planned, price)
        assert plan.steps[0].index_before == expected
        assert bool(index_pays(np.array(alive), np.array([area]), planned, [price], rate)) == expected


def test_an_edge_that_earns_its_keep_later_is_not_indexed_for_one_dear_job():
    dear, cheap = job("dear", 4.0, 700.0, risk_limit=1), [job(f"c{i}", 4.0, 45.0, risk_limit=1) for i in range(8)]
    age = [28.0]
    assert plan_edge(LIFE, age, [dear], 40.0, 120.0).index_before == "dear"
    assert plan_edge(LIFE, age, [dear, *cheap], 40.0, 120.0).index_before != "dear"


def test_risk_limit_and_the_words():
    plan = plan_edge(LIFE, [50.0], [job("head 12", 5.0, 41.0, risk_limit=0.02)], 40.0)
    chance = 1 - math.exp(0.5**3.71 - 0.55**3.71)
    assert plan.steps[0].chance_if_kept == pytest.approx(chance)
    assert plan.words == f"index before head 12: {100 * chance:.0f} % chance to lose the edge in it, limit 2 %"
    assert plan.index_before == "head 12"
    assert plan.chance_next == pytest.approx(1 - math.exp(-(0.05**3.71)))
    kept = plan_edge(LIFE, [50.0], [job("head 12", 5.0, 41.0, risk_limit=0.2)], 40.0)
    assert kept.index_before is None
    assert kept.words == "no index needed for these jobs"


def test_week_chances():
    jobs = [job(f"J{i}", 6.0) for i in range(20)]
    plan = plan_edge(LIFE, [20.0], jobs, 40.0)
    assert plan.chance_week_kept == pytest.approx(1 - math.exp(0.2**3.71 - 1.4**3.71))
    assert plan.chance_week == pytest.approx(1 - np.prod([1 - s.chance_lost for s in plan.steps]))
    assert plan.chance_week < plan.chance_week_kept
    assert plan.indexes == sum(s.index_before for s in plan.steps) >= 2


def test_an_unused_edge_is_never_indexed():
    plan = plan_edge(LIFE, [0.0], [job("weld", 44.0, 4e6, risk_limit=0.05)], 40.0)
    assert not plan.steps[0].index_before
    assert plan.steps[0].stops == ()


def test_a_job_too_long_for_any_edge_gets_stops_between_passes():
    long = job("long", 100.0, pass_shares=(0.25,) * 4, risk_limit=0.05)
    plan = plan_edge(LIFE, [0.0], [long], 40.0)
    assert plan.steps[0].stops == (2, 3, 4)  # two passes of 0.25 have a chance of 7 %
    assert plan.steps[0].chance_lost == pytest.approx(1 - math.exp(-4 * 0.25**3.71))
    assert "before pass 2" in plan.words
    # each edge stays within the limit, and a little more edge (planning limit) makes fewer stops
    easy = plan_edge(EdgeLife(known_life(3.71, [120.0])), [0.0], [long], 40.0)
    assert planning_limit(3.71, 0.05) > 0.5 * 100 / 120
    assert easy.steps[0].stops == (3,)


def test_a_pass_longer_than_an_edge_is_a_problem_not_a_plan():
    plan = plan_edge(LIFE, [10.0], [job("huge", 100.0)], 40.0)
    assert plan.steps[0].index_before
    assert "pass 1 alone has a 63 % chance to lose a fresh edge, limit 5 %" in plan.words


def test_a_set_stays_on_one_edge_unless_the_lead_agrees():
    pair = [job("left", 10.0, set_name="7"), job("right", 10.0, set_name="7")]
    kept = plan_edge(LIFE, [30.0], pair, 40.0)
    assert [s.index_before for s in kept.steps] == [True, False]
    assert kept.words == "index before left: set 7 stays on one edge"
    split = plan_edge(LIFE, [30.0], pair, 40.0, may_split_sets=True)
    assert [s.index_before for s in split.steps] == [False, True]
    too_long = [job("left", 40.0, set_name="7"), job("right", 40.0, set_name="7")]
    forced = plan_edge(LIFE, [0.0], too_long, 40.0)
    assert [s.splits_set for s in forced.steps] == [False, True]
    assert "the lead has to agree" in forced.steps[1].reason


def test_chips_count_in_the_chance_and_stay_out_of_the_rule():
    jobs = [job(f"J{i}", 6.0, chip_path=6.0) for i in range(12)]
    with_chips = EdgeLife(known_life(3.71, [100.0]), chips=ChipFit(2.0, 300.0))
    plain, chipping = plan_edge(LIFE, [20.0], jobs, 40.0), plan_edge(with_chips, [20.0], jobs, 40.0)
    assert [s.index_before for s in plain.steps] == [s.index_before for s in chipping.steps]
    assert chipping.chance_next > plain.chance_next + 0.02
    assert chipping.rule == plain.rule


def test_several_inserts_are_lost_sooner():
    four = EdgeLife(known_life(3.71, [100.0]), edges=4)
    assert four.wear_chance([0.0], [30.0]) == pytest.approx(1 - math.exp(-4 * 0.3**3.71))
    rule, one = age_rule(four, 40.0, 400.0), age_rule(LIFE, 40.0, 400.0)
    assert rule.use == pytest.approx(one.use * 4 ** (-1 / 3.71))
    numeric = age_rule(EdgeLife(known_life(3.71, [100.0]), known_life(3.71, [100.0 * 3 ** (-1 / 3.71)])), 40.0, 400.0)
    assert numeric.use == pytest.approx(rule.use, rel=0.02)  # two ends that add up to the same hazard
    assert numeric.cost_rate == pytest.approx(rule.cost_rate, rel=1e-3)


def test_a_learned_life_is_told_with_its_doubt():
    """With few edges the predictive chance of early loss is larger than at the likeliest values."""
    fit = fit_life([70.0, 90.0, 120.0], [True] * 3, LifePrior((100.0,)))
    sure = known_life(fit.shape, fit.capacities)
    assert EdgeLife(fit).wear_chance([0.0], [30.0]) > 2 * EdgeLife(sure).wear_chance([0.0], [30.0])
    assert age_rule(fit, 40.0, 400.0).cost_rate > age_rule(sure, 40.0, 400.0).cost_rate


def test_competing_ends_are_kept_apart():
    rng = np.random.default_rng(2)
    n = 4000
    worn, finish = 100 * rng.weibull(3.71, n), 80 * rng.weibull(2.5, n)
    chip, rule = rng.exponential(200, n), rng.uniform(20, 150, n)
    use = np.min([worn, finish, chip, rule], axis=0)
    which = np.argmin([worn, finish, chip, rule], axis=0)
    ends = np.array([End.WORN, End.FINISH_LOST, End.CHIPPED, End.BY_RULE], dtype=object)[which]
    life = fit_edge_life(use, ends, LifePrior((150.0,)), LifePrior((150.0,)), ChipPrior(400.0), chip_paths=use)
    assert life.worn.capacities[0] == pytest.approx(100, rel=0.05)
    assert life.finish.capacities[0] == pytest.approx(80, rel=0.05)
    assert 1 / life.chips.rate == pytest.approx(200, rel=0.12)  # some 900 chips: standard error 3.3 %
    told = 1 - life.chance_lost([0.0], [40.0], 0.0, 40.0)
    assert told == pytest.approx(((worn > 40) & (finish > 40) & (chip > 40)).mean(), abs=0.03)
    assert "wear:" in life.verdict()
    assert "finish:" in life.verdict()


def test_chip_rate_in_closed_form():
    # gamma posterior: (prior worth 2 at 400 mm) + 3 chips in 1000 mm
    fit = fit_chips([400, 300, 200, 100], [True, True, True, False], ChipPrior(400.0, 2.0))
    assert (fit.chips, fit.path) == (5.0, 1800.0)
    assert fit.survival(0) == 1
    assert fit.survival(180.0) == pytest.approx(1.1**-5)
    # an edge that came through some path is no likelier to chip than a new one, only the rate is a little better known
    assert fit.chance(100.0, 10.0) == pytest.approx(fit.chance(0.0, 10.0), rel=0.06)


def test_finest_finish_first_welds_last():
    order = order_for_edge([1.5, 0.8, np.inf, 0.8, 3.0], [False, False, True, True, False])
    assert order.tolist() == [1, 0, 4, 3, 2]


def test_prices():
    assert edge_price(120, 4) == 30
    assert edge_price(100, 1, regrinds=4, regrind_price=50) == 60
    assert index_cost(30, 10, 1.5) == 45
    assert spoiled_face_cost(0.05, 2000, 40, 1.5, 45) == 205


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: plan_edge(LIFE, [-1.0], [job()], 40.0), "age"),
        (lambda: plan_edge(LIFE, [1.0, 2.0], [job()], 40.0), "age"),
        (lambda: plan_edge(LIFE, [1.0], [job(price=40.0)], 40.0), "job.failure_cost"),
        (lambda: plan_edge(LIFE, [1.0], [EdgeJob("two", (1.0, 2.0), 400)], 40.0), "job.work"),
        (lambda: job(risk_limit=0), "job.risk_limit"),
        (lambda: job(work=-1), "job.work"),
        (lambda: job(pass_shares=(0.5, 0.4)), "job.pass_shares"),
        (lambda: EdgeLife(None), "worn"),
        (lambda: EdgeLife(known_life(3, [1.0]), known_life(3, [1.0, 2.0])), "finish"),
        (lambda: EdgeLife(known_life(3, [1.0]), edges=0), "edges"),
        (lambda: fit_chips([1.0, 2.0], [False, False]), "chipped"),
        (lambda: fit_chips([-1.0], [True]), "paths"),
        (lambda: fit_edge_life([1.0, 2.0], [End.WORN], LifePrior((1.0,))), "ends"),
        (lambda: index_age(3, 1, 0, 5), "planned_cost"),
        (lambda: age_rule(known_life(3, [1.0]), 1, 5, mix=[0.0]), "mix"),
        (lambda: order_for_edge([1.0, -1.0], [False, False]), "ra_limits_um"),
        (lambda: edge_price(10, 0), "positions"),
    ],
)
def test_bad_input_is_refused(call, field):
    with pytest.raises(InputError) as refused:
        call()
    assert refused.value.field == field
