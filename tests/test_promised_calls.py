"""The calls scripts rely on take what a script may hand over, and refuse the rest by name: no other error, no hang, no
silent nonsense."""

from __future__ import annotations

import datetime
import decimal
import inspect
import math

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from planner import InputError, LimitOfValidity, cut, edge, face, match, week

FACE = [[0, 0, 0], [100, 0, 0.05], [0, 50, 0.02], [100, 50, 0.01], [50, 25, 0.1], [20, 30, 0.01]]
CORNERS = [[0, 0], [100, 0], [100, 50], [0, 50]]
STEPS = (week.Step("load", 5), week.Step("cut", 10, week.Where.TRAVERSE), week.Step("unload", 5))
FIGURES = {  # formulas: every argument may be an array
    cut.spindle_speed: {"speed_m_min": 100.0, "diameter_mm": 200.0},
    cut.table_feed: {"feed_mm": 0.1, "inserts": 2, "rpm": 100.0},
    cut.pass_minutes: {"travel_mm": 100.0, "table_feed_mm_min": 50.0},
    cut.cutting_travel: {"length_mm": 400.0, "width_mm": 100.0, "diameter_mm": 500.0, "offset_mm": 60.0},
    cut.clearing_travel: {"length_mm": 400.0, "width_mm": 100.0, "diameter_mm": 500.0, "offset_mm": 60.0},
    cut.path_in_material: {
        "length_mm": 400.0, "width_mm": 100.0, "diameter_mm": 400.0, "feed_mm": 0.1, "offset_mm": 0.0, "net_share": 0.5
    },
    cut.theoretical_ra: {"feed_mm": 0.1, "radius_mm": 0.8},
    cut.theoretical_rz: {"feed_mm": 0.1, "radius_mm": 0.8},
    cut.feed_for_ra: {"ra_um": 1.0, "radius_mm": 0.8, "ratio": 1.0},
    edge.index_age: {"shape": 3.71, "scale": 1.0, "planned_cost": 1.0, "failure_cost": 10.0},
    edge.economic_speed: {
        "n": 0.25, "c": 300.0, "change_minutes": 2.0, "rate_per_minute": 1.0, "edge_cost": 3.0
    },
    edge.fastest_speed: {"n": 0.25, "c": 300.0, "change_minutes": 2.0},
    match.swept_volume: {"bore_mm": 80.0, "stroke_mm": 80.0},
    match.compression_ratio: {"swept_cm3": 400.0, "clearance_cm3": 40.0},
    match.milled_clearance: {"clearance_cm3": 40.0, "face_area_mm2": 5000.0, "cut_mm": 0.1},
    match.piston_drop: {"crank_deg": 10.0, "crank_radius_mm": 40.0, "rod_mm": 143.0},
    match.cam_shift: {"drop_mm": 0.2, "pitch_radius_mm": 50.0, "run_angle_deg": 10.0},
}  # fmt: skip
WORKED = {
    face.minimum_zone: {"points": FACE},
    face.least_squares: {"points": FACE},
    face.cleanup: {
        "points": FACE, "pits": [0, 0, 0, 0, 0, 0.1], "slopes": (0, 0), "parallel_limit_mm": 0.1, "datum_slopes": (0, 0)
    },
    face.choose_shims: {
        "supports": CORNERS, "check_points": CORNERS, "readings": [0.1, 0, 0, 0.1], "leaves": {0.05: 4}, "rock_mm": 0.0,
        "zero": 0, "pits": [0, 0, 0, 0], "present": [{}, {}, {}, {}], "max_leaves": 3, "goal_slopes": (0, 0),
    },
    cut.plan_passes: {
        "depth": scipy.stats.lognorm(0.5, scale=0.1), "pass_cost": 3.0, "value_per_mm": 100.0, "least_mm": 0.05,
        "greatest_mm": 0.2, "step_mm": 0.05, "removed_mm": 0.0, "finish_mm": 0.05, "finish_cost": 3.0, "limit_mm": 1.0,
        "uncleaned_cost": 100.0,
    },
    cut.fit_depths: {"lower_mm": [0, 0.1, 0.2, 0.05], "upper_mm": [0.1, 0.2, math.inf, 0.1], "prior": None},
    edge.fit_life: {"use": [10, 20, 30, 40], "failed": [True, True, False, True], "prior": None, "failing": None},
    edge.taylor_fit: {"speeds": [100, 160], "lives": [41, 5]},
    match.match_set: {
        "heights_mm": [100, 100.1], "cleanup_mm": [0.1, 0.1], "min_heights_mm": [99, 99], "tolerance_mm": 0.05,
        "guard_mm": 0.0, "step_mm": 0.0, "least_mm": 0.0,
    },
    match.pair_pool: {"left_mm": [100, 101], "right_mm": [100.1, 101], "tolerance_mm": 0.05},
    week.plan_week: {
        "jobs": [week.Job("a", {"m": STEPS}, due_min=3), week.Job("b", {"m": STEPS})], "machines": [week.Machine("m")],
        "start": datetime.datetime(2026, 1, 5, 7), "seconds": 0.01, "seed": 0,
    },
    week.order_jobs: {
        "minutes": [3, 2, 1], "weights": [1, 1, 1], "due": [3, 2, 1], "setups": np.ones((4, 3)), "seconds": 0.01, "seed": 0
    },
}  # fmt: skip
CALLS = {**FIGURES, **WORKED}
NO_NUMBER = [
    math.nan, -math.inf, "x", "1.5", b"1", True, np.bool_(False), 1 + 2j, object(), 10**400, 1e308, -1e308, {1, 2},
    [math.nan, 1], ["a", "b"], [None, 1], [True, False], [[1], [2, 3]], [1 + 2j, 2], np.full((4, 3), math.nan),
    np.full((4, 3), math.inf), np.array(["a"]), np.ma.array([1.0, 2.0], mask=[False, True]), pd.NA, pd.NaT,
    pd.Series([1, None], dtype="Int64"), pd.Series(["a", "b"]), np.datetime64("2026-01-01"), scipy.stats.lognorm, float,
    np.timedelta64(2), np.timedelta64(2, "s"), np.array([np.timedelta64(2), 1], dtype=object), np.array(True), np.complex64(1),
]  # fmt: skip
ARGUMENTS = [pytest.param(call, name, id=f"{call.__name__}-{name}") for call, given in CALLS.items() for name in given]


@pytest.mark.parametrize("call", CALLS, ids=lambda call: call.__name__)
def test_the_arguments_are_spelled_and_placed_as_promised(call):
    given = CALLS[call]
    assert list(inspect.signature(call).parameters)[: len(given)] == list(given)
    call(*given.values())
    call(**given)


@pytest.mark.parametrize(("call", "name"), ARGUMENTS)
def test_what_is_no_number_is_refused_by_name(call, name):
    for wrong in NO_NUMBER:
        if (wrong is float and "cost" in name) or (type(wrong) is int and name == "seed"):
            continue  # a function that gives a cost for a depth; a whole number, however long
        with pytest.raises(InputError) as error:
            call(**{**CALLS[call], name: wrong})
        assert name in error.value.field, (wrong, str(error.value))


@pytest.mark.parametrize(("call", "name"), [p for p in ARGUMENTS if p.values[0] in FIGURES])
def test_a_figure_of_arrays_is_that_of_each_entry(call, name):
    given = FIGURES[call]
    two = np.array([given[name], given[name] * 0.5 if name != "inserts" else 3.0])
    wanted = [call(**{**given, name: float(entry)}) for entry in two]
    assert all(type(one) is float for one in wanted)
    for form in (two, two.tolist(), tuple(two.tolist()), pd.Series(two, index=[7, 8])):
        found = call(**{**given, name: form})
        assert isinstance(found, np.ndarray)
        np.testing.assert_allclose(found, wanted, rtol=1e-12)
    np.testing.assert_allclose(call(**{**given, name: two[:, None]}), np.array(wanted)[:, None], rtol=1e-12)
    assert call(**{**given, name: []}).shape == (0,)


@pytest.mark.parametrize("call", FIGURES, ids=lambda call: call.__name__)
def test_figures_broadcast_or_are_refused(call):
    given = FIGURES[call]
    names = list(given)
    crossed = {**given, names[0]: np.full((2, 1), given[names[0]]), names[1]: np.full(3, given[names[1]])}
    np.testing.assert_allclose(call(**crossed), np.full((2, 3), call(**given)), rtol=1e-12)
    with pytest.raises(InputError, match=names[1]):
        call(**{**given, names[0]: [given[names[0]]] * 2, names[1]: [given[names[1]]] * 3})


@pytest.mark.parametrize("call", FIGURES, ids=lambda call: call.__name__)
def test_any_kind_of_number_will_do(call):
    given = FIGURES[call]
    wanted = call(**given)
    for kind in (np.float64, np.array, lambda v: decimal.Decimal(repr(v))):
        assert call(**{name: kind(value) for name, value in given.items()}) == pytest.approx(wanted, rel=1e-12)


def test_passes_take_any_kind_of_number_and_a_cost_made_for_one_depth():
    given = WORKED[cut.plan_passes]
    exact = {name: decimal.Decimal(repr(value)) for name, value in given.items() if name != "depth"}
    plain = cut.plan_passes(**given)
    assert cut.plan_passes(given["depth"], **exact).depths_mm.tolist() == plain.depths_mm.tolist()
    by_depth = cut.plan_passes(**{**given, "pass_cost": lambda depth: 3.0 if depth < 0.07 else 4.0})
    together = cut.plan_passes(**{**given, "pass_cost": lambda depths: np.where(depths < 0.07, 3.0, 4.0)})
    assert by_depth.depths_mm.tolist() == together.depths_mm.tolist()
    assert by_depth.expected_cost == together.expected_cost


def test_a_feed_for_a_roughness_keeps_to_what_the_corner_can_leave():
    with pytest.warns(LimitOfValidity, match="parabola"):
        feed = cut.feed_for_ra(40.0, 0.8)
    assert 0.8 < feed < 1.6
    with pytest.raises(InputError, match="ra_um"):
        cut.feed_for_ra(200.0, 0.8)


def test_more_jobs_than_fit_into_memory_are_refused_at_once():
    with pytest.raises(InputError, match="at most 5000 jobs"):
        week.order_jobs(np.ones(100_000), np.ones(100_000), np.ones(100_000))


COUNTS = [
    math.nan, math.inf, -1, 1.5, "2", True, [2], None, np.timedelta64(2), np.timedelta64(2, "s"), np.bool_(True), 10**400,
]  # fmt: skip


@pytest.mark.parametrize("name", ["leaves", "present"])
def test_a_number_of_leaves_is_whole(name):
    given = WORKED[face.choose_shims]
    for wrong in COUNTS:
        stack = {0.05: wrong}
        with pytest.raises(InputError, match=name):
            face.choose_shims(**{**given, name: stack if name == "leaves" else [{}, {}, {}, stack]})
    plain = face.choose_shims(**given)
    for count in (4.0, np.int64(4), decimal.Decimal(4)):
        assert face.choose_shims(**{**given, "leaves": {0.05: count}}).stacks == plain.stacks


@pytest.mark.parametrize("call", [cut.plan_passes, cut.fit_depths], ids=lambda call: call.__name__)
def test_a_depth_is_one_that_is_possible(call):
    name = "depth" if call is cut.plan_passes else "prior"
    for wrong in (
        scipy.stats.lognorm([0.5, 0.6], scale=0.1), scipy.stats.lognorm(-1.0, scale=0.1),
        scipy.stats.lognorm(math.nan, scale=0.1), scipy.stats.multivariate_normal(),
    ):  # fmt: skip
        with pytest.raises(InputError) as error:
            call(**{**WORKED[call], name: wrong})
        assert name in error.value.field, str(error.value)


BESIDES = {  # calls of the rooms beside the promised ones, an argument that once let something else through
    "other": lambda wrong: face.height_elsewhere(100.0, (0, 0), wrong),
    "leaves_mm": lambda wrong: face.intake_bound(wrong, 0.05, 0.05),
    "speeds_rpm": lambda wrong: cut.choose_speed(100.0, 500.0, wrong),
    "radius_mm": lambda wrong: cut.learn_finish([0.1, 0.2, 0.3], wrong, [0.5, 1.0, 2.0]),
    "limit_mm": lambda wrong: cut.target_passes(0.2, 0.02, 0.1, 0.01, limit_mm=wrong),
    "depth": lambda wrong: cut.schedule_cost(wrong, [0.1], 1.0, 10.0),
    "excess": lambda wrong: cut.surveyed_depth(0.1, 0.01, wrong),
    "high_mm": lambda wrong: cut.narrow(scipy.stats.lognorm(0.5, scale=0.1), 0.05, wrong),
    "offset_mm": lambda wrong: edge.arc_ratio(100.0, 200.0, wrong),
    "positions": lambda wrong: edge.edge_price(30.0, wrong),
    "capacities": lambda wrong: edge.known_life(3.0, wrong),
    "difference_mm": lambda wrong: match.expected_extra(wrong, 0.01, 0.05),
    "doubt_mm": lambda wrong: match.expected_extra([0.01, 0.02], wrong, 0.05),
    "most": lambda wrong: match.gasket_stacks(["any"], wrong),
}


@pytest.mark.parametrize("name", BESIDES)
def test_other_calls_of_the_rooms_refuse_it_too(name):
    for wrong in NO_NUMBER:
        with pytest.raises(InputError, match=name):
            BESIDES[name](wrong)
