"""Shims and jack screws: the best there is, by brute force; the sign, by a simulated rigid part."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from planner import InputError
from planner.face import beside_datum, choose_shims, cleanup, datum_readings, set_jacks

THOU = 0.0254
BOX = {1 * THOU: 10, 1.5 * THOU: 10, 2 * THOU: 10, 3 * THOU: 10, 5 * THOU: 10, 10 * THOU: 10}
LAYOUTS = {
    3: [[30, 20], [270, 20], [150, 160]],
    4: [[30, 20], [270, 20], [30, 160], [270, 160]],
    5: [[30, 20], [270, 20], [30, 160], [270, 160], [150, 90]],
    6: [[30, 20], [150, 20], [270, 20], [30, 160], [150, 160], [270, 160]],
    8: [[30, 20], [110, 20], [190, 20], [270, 20], [30, 160], [110, 160], [190, 160], [270, 160]],
}
CHECKS = np.array([[x, y] for x in (5, 150, 295) for y in (5, 90, 175)], dtype=float)


def rests_on(supports, stacks, centre):
    """Planes (a, b, c) on which a rigid part can come to rest: through three stacks that hold its weight."""
    found = []
    for triple in itertools.combinations(range(len(supports)), 3):
        corners = np.column_stack([supports[list(triple)], np.ones(3)])
        if abs(np.linalg.det(corners)) < 1e-6:
            continue
        share = np.linalg.solve(corners.T, np.append(centre, 1))
        plane = np.linalg.solve(corners, stacks[list(triple)])
        gap = np.column_stack([supports, np.ones(len(supports))]) @ plane - stacks
        if share.min() >= -1e-9 and gap.min() >= -1e-9:
            found.append((plane, gap.max()))
    return found


def best_by_trying_everything(supports, checks, readings, leaves, rock, pits, present, most, goal):
    sizes = sorted(leaves)
    ways = [way for way in itertools.product(*[range(min(leaves[s], most) + 1) for s in sizes]) if sum(way) <= most]
    centre, at = supports.mean(axis=0), np.column_stack([checks, np.ones(len(checks))])
    now = np.array([sum(t * c for t, c in stack.items()) for stack in present])
    before = [plane for plane, _ in rests_on(supports, now, centre)]
    best = None
    for chosen in itertools.product(ways, repeat=len(supports)):
        if not any(sum(way) == 0 for way in chosen):
            continue
        if any(sum(way[k] for way in chosen) > leaves[size] for k, size in enumerate(sizes)):
            continue
        stacks = np.array([np.dot(way, sizes) for way in chosen])
        seats = rests_on(supports, stacks, centre)
        if max(gap for _, gap in seats) > rock + 1e-9:
            continue
        worst = 0.0
        for (plane, _), old in itertools.product(seats, before):
            height = readings - checks @ goal + at @ (plane - old)
            worst = max(worst, height.max() - (height - pits).min())
        key = (round(worst, 8), sum(map(sum, chosen)), round(stacks.sum(), 7))
        best = key if best is None else min(best, key)
    return best


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    supports=st.sampled_from([3, 4, 4, 5]),
    rock=st.sampled_from([0.0, 0.011, 0.02, 0.03, 0.06]),
    moved=st.booleans(),
    goal=st.booleans(),
    shimmed=st.booleans(),
    pitted=st.booleans(),
)
def test_against_every_leaf_and_every_seat(seed, supports, rock, moved, goal, shimmed, pitted):
    rng = np.random.default_rng(seed)
    places = np.array(LAYOUTS[supports], dtype=float)
    if moved and supports > 3:
        places += rng.integers(-2, 3, places.shape) * 10
    checks = rng.uniform([0, 0], [300, 180], (6, 2)).round()
    readings = checks @ rng.normal(0, 3e-4, 2) + rng.normal(0, 0.02, 6)
    kinds, most = {3: (3, 3), 4: (2, 2), 5: (1, 2)}[supports]
    sizes = rng.choice([0.02, 0.03, 0.05, 0.1, 0.127], kinds, replace=False)
    leaves = {float(size): int(rng.integers(1, 4)) for size in sizes}
    present = [{float(sizes[0]): 1} if shimmed and rng.random() < 0.5 else {} for _ in places]
    pits = np.where(rng.random(6) < 0.3, 0.05, 0) * pitted
    slopes = rng.normal(0, 1e-4, 2) * goal
    expected = best_by_trying_everything(places, checks, readings, leaves, rock, pits, present, most, slopes)
    plan = choose_shims(places, checks, readings, leaves, rock, 0, pits, present, most, slopes)
    assert plan.residual_mm == pytest.approx(expected[0], abs=2e-8)
    assert plan.leaves_used == expected[1]
    assert plan.heights_mm.sum() == pytest.approx(expected[2], abs=1e-6)
    assert plan.rock_mm <= rock + 1e-8


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10**6), rock=st.sampled_from([0.0, 0.004, 0.02, 0.05]), count=st.sampled_from([3, 12]))
def test_six_supports_against_every_leaf_and_every_seat(seed, rock, count):
    """Three blocks in each of two rows: the weight lies on many edges and rocks between many seats."""
    rng = np.random.default_rng(seed)
    places = np.array(LAYOUTS[6], dtype=float)
    readings = CHECKS @ rng.normal(0, 3e-4, 2) + rng.normal(0, 0.01, 9)
    leaves, none = {0.04: count}, np.zeros(9)
    expected = best_by_trying_everything(places, CHECKS, readings, leaves, rock, none, [{}] * 6, 2, np.zeros(2))
    plan = choose_shims(places, CHECKS, readings, leaves, rock, max_leaves=2)
    assert plan.residual_mm == pytest.approx(expected[0], abs=2e-8)
    assert (plan.leaves_used, plan.heights_mm.sum()) == (expected[1], pytest.approx(expected[2], abs=1e-6))


def comes_to_rest(supports, stacks, centre):
    """Where a rigid part comes to rest: its centre of gravity as low as the stacks allow."""
    rows = np.column_stack([supports, np.ones(len(supports))])
    weight = np.append(centre, 1.0)
    return linprog(weight, A_ub=-rows, b_ub=-stacks * 1e3, bounds=(None, None)).x / 1e3


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 10**6), supports=st.sampled_from([3, 4, 6, 8]), zero=st.sampled_from([None, 0, 5]))
def test_a_simulated_part_is_shimmed_and_reads_as_predicted(seed, supports, zero):
    rng = np.random.default_rng(seed)
    places = np.array(LAYOUTS[supports], dtype=float) + rng.uniform(-9, 9, (supports, 2))
    centre = places.mean(axis=0) + rng.uniform(-4, 4, 2)
    surface = CHECKS @ rng.normal(0, 3e-4, 2) + rng.normal(0, 0.01, 9)
    plan = choose_shims(places, CHECKS, surface, BOX, rock_mm=0.02, zero=zero, centre_of_gravity=centre)
    stacks = np.array([sum(t * c for t, c in stack.items()) for stack in plan.stacks])
    assert min(stacks) == 0
    assert max(sum(stack.values()) for stack in plan.stacks) <= 3
    assume(len(plan.seats) == 1)
    now = surface + np.column_stack([CHECKS, np.ones(9)]) @ comes_to_rest(places, stacks, centre)
    reread = now if zero is None else now - now[zero]
    assert plan.predicted == pytest.approx(reread, abs=1e-6)
    assert np.ptp(now) == pytest.approx(plan.residual_mm, abs=1e-6)
    assert plan.residual_mm <= plan.before_mm + 1e-12


def test_leaves_go_under_the_low_end():
    readings = -0.1 * CHECKS[:, 0] / 300  # low at the right
    plan = choose_shims(LAYOUTS[4], CHECKS, readings, BOX, rock_mm=0.013)
    assert min(plan.heights_mm[[1, 3]]) > max(plan.heights_mm[[0, 2]])
    assert plan.residual_mm < 0.3 * plan.before_mm
    from_here = choose_shims(LAYOUTS[4], CHECKS, plan.predicted, BOX, rock_mm=0.013, present=plan.stacks)
    assert from_here.stacks == plan.stacks  # nothing left to improve: the present stacks stay


def test_a_face_that_has_the_slopes_asked_for_stays_as_it_is():
    readings = CHECKS @ [2e-4, 1e-4]
    plan = choose_shims(LAYOUTS[3], CHECKS, readings, BOX, goal_slopes=(2e-4, 1e-4))
    assert plan.leaves_used == 0
    assert plan.residual_mm == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("leans", [(0.0, 0.0), (3e-4, -2e-4)])
@pytest.mark.parametrize("pitted", [False, True])
def test_parallel_to_the_datum_by_a_simulated_part_that_is_cut(leans, pitted):
    """The finished face is as high above the datum everywhere: thickness = cut plane less datum, moved with the part."""
    rng = np.random.default_rng(8)
    crooked = CHECKS @ [4e-4, 3e-4] + rng.normal(0, 0.01, 9)  # face above its datum
    readings = crooked + CHECKS @ leans
    pits = np.where(rng.random(9) < 0.4, 0.05, 0.0) if pitted else None
    stand_in = datum_readings(CHECKS, leans)
    jacked = beside_datum(set_jacks(LAYOUTS[3], CHECKS, stand_in), CHECKS, readings, leans, pits=pits)
    shimmed = beside_datum(choose_shims(LAYOUTS[3], CHECKS, stand_in, BOX), CHECKS, readings, leans, pits=pits)
    if leans == (0.0, 0.0):
        assert shimmed.leaves_used == 0 and not jacked.moves_mm.any()
    for plan, within in ((jacked, 1e-12), (shimmed, THOU)):
        lift = plan.predicted - (readings - readings[0])
        datum_now = CHECKS @ leans + lift  # up to what all of it rises
        assert np.ptp(datum_now) <= within  # and so does the thickness a cut at one height leaves
        depth = plan.predicted.max() - (plan.predicted - (0 if pits is None else pits)).min()
        assert plan.residual_mm == pytest.approx(depth)
    exact = cleanup(np.column_stack([CHECKS, readings]), pits, slopes=leans).depth_mm
    assert jacked.residual_mm == pytest.approx(exact)


def test_rocking_between_two_seats_is_predicted_for_both():
    plan = choose_shims(LAYOUTS[4], CHECKS, 1e-6 * CHECKS[:, 0] * CHECKS[:, 1], BOX, rock_mm=2 * THOU)
    assert len(plan.predictions) == len(plan.seats)
    spans = np.ptp(plan.predictions, axis=1)
    assert spans.max() == pytest.approx(plan.residual_mm, abs=1e-9)
    assert spans[0] == spans.max()


def test_no_leaves_leaves_everything_as_it_is():
    readings = 1e-4 * CHECKS[:, 0]
    for leaves in ({}, {0.1: 0}):
        plan = choose_shims(LAYOUTS[3], CHECKS, readings, leaves)
        assert plan.residual_mm == plan.before_mm == pytest.approx(0.029)
        assert plan.stacks == ({}, {}, {})


@pytest.mark.parametrize("supports", [4, 6, 8])
@pytest.mark.parametrize("rock", [0.0, 0.5 * THOU])
def test_a_full_box_is_answered_while_the_part_is_on_the_table(supports, rock):
    rng = np.random.default_rng(supports)
    readings = CHECKS @ rng.normal(0, 3e-4, 2) + rng.normal(0, 0.01, 9)
    plan = choose_shims(LAYOUTS[supports], CHECKS, readings, BOX, rock)
    assert plan.residual_mm <= plan.before_mm


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), supports=st.sampled_from([3, 4, 6]), step=st.sampled_from([0.0, 0.5 * THOU]))
def test_jacks_reach_the_best_levelling(seed, supports, step):
    rng = np.random.default_rng(seed)
    readings = CHECKS @ rng.normal(0, 3e-4, 2) + rng.normal(0, 0.01, 9)
    plan = set_jacks(LAYOUTS[supports], CHECKS, readings, zero=None, step_mm=step)
    assert np.abs(plan.moves_mm).min() == 0
    fine = set_jacks(LAYOUTS[supports], CHECKS, readings, zero=None)
    rows = np.column_stack([CHECKS / 100, np.ones(9)])
    one = np.ones((9, 1))
    best = linprog(
        [0, 0, 0, 1],
        A_ub=np.vstack([np.hstack([-rows, -one]), np.hstack([rows, 0 * one])]),
        b_ub=np.concatenate([-readings, readings]) * 1e3,
        bounds=(None, None),
    ).fun
    assert fine.residual_mm == pytest.approx(best / 1e3, abs=1e-6)
    assert fine.residual_mm == pytest.approx(np.ptp(fine.predicted), abs=1e-9)
    if step:
        assert plan.moves_mm / step == pytest.approx(np.round(plan.moves_mm / step), abs=1e-9)
        assert plan.residual_mm <= fine.residual_mm + 3 * step


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"supports": LAYOUTS[3][:2]}, "supports"),  # two do not carry
        ({"supports": [[0, 0], [100, 0], [200, 0]]}, "supports"),  # on one line
        ({"supports": LAYOUTS[8] + [[150, 90]]}, "supports"),  # nine
        ({"readings": [0.0] * 8}, "readings"),
        ({"readings": [float("nan")] * 9}, "readings[0]"),
        ({"leaves": {-0.1: 2}}, "leaves"),
        ({"leaves": {0.1: 1.5}}, "leaves[0.1]"),
        ({"leaves": [0.1, 0.2]}, "leaves"),
        ({"rock_mm": -0.01}, "rock_mm"),
        ({"zero": 9}, "zero"),
        ({"pits": [-0.1] + [0] * 8}, "pits"),
        ({"present": [{}, {}]}, "present"),
        ({"present": [{0.0254: 1.5}, {}, {}]}, "present[0]"),
        ({"max_leaves": -1}, "max_leaves"),
        ({"goal_slopes": (0, 0, 0)}, "goal_slopes"),
        ({"centre_of_gravity": (900, 20)}, "centre_of_gravity"),  # it would tip
    ],
)
def test_wrong_input(change, field):
    arguments = {"supports": LAYOUTS[3], "check_points": CHECKS, "readings": np.zeros(9), "leaves": BOX} | change
    with pytest.raises(InputError) as error:
        choose_shims(**arguments)
    assert error.value.field == field
