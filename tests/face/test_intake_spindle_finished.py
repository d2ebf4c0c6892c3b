"""The intake check's interval, the tram of the spindle, and the finished face against its limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.face import (
    FinishedLimits,
    Gap,
    check_finished,
    cleanup,
    intake_bound,
    minimum_zone,
    next_leaf,
    tram_effect,
)

FEELERS = [0.0254 * k for k in (1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30)]


def straightedge(profile):
    """Largest gap under a straightedge laid on a line of equally spaced heights, and whether it rocks.

    It rests on the edge of the profile's upper hull under its own middle.
    """
    n = len(profile)
    x = np.linspace(-1, 1, n)
    edges = []
    for i in range(n):
        for j in range(i + 1, n):
            line = profile[i] + (profile[j] - profile[i]) * (x - x[i]) / (x[j] - x[i])
            if (line >= profile - 1e-12).all() and x[i] <= 1e-12 and x[j] >= -1e-12:
                edges.append((x[j] - x[i], line - profile, i, j))
    _, gap, i, j = max(edges, key=lambda edge: edge[0])
    return gap.max(), not i <= int(np.argmax(gap)) <= j


@settings(max_examples=100, deadline=None)
@given(
    bend=st.tuples(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)),
    looked=st.booleans(),
)
def test_bound_holds_for_bent_and_twisted_faces(bend, looked):
    u, v = np.meshgrid(np.linspace(-1, 1, 21), np.linspace(-1, 1, 21))
    z = bend[0] * u**2 + bend[1] * v**2 + bend[2] * u * v
    depth = cleanup(np.column_stack([150 * u.ravel(), 90 * v.ravel(), z.ravel()])).depth_mm
    gaps = []
    for profile in (z[10], z[:, 10], np.diag(z), np.diag(z[:, ::-1])):
        gap, rocks = straightedge(profile)
        enters = max([leaf for leaf in FEELERS if leaf <= gap], default=0.0)
        gaps.append(Gap(enters, rocks if looked else None))
    bound = intake_bound(FEELERS, gaps[0], gaps[1], (gaps[2], gaps[3]))
    assert bound.least_mm <= depth + 1e-9
    assert depth <= bound.greatest_mm + 1e-9
    assert bound.sound


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 10**6), kind=st.sampled_from(["rough", "wedge", "step"]))
def test_a_gap_never_claims_more_than_the_line_is_out(seed, kind):
    rng = np.random.default_rng(seed)
    x = np.linspace(-1, 1, 15)
    profile = {
        "rough": rng.normal(0, 0.05, 15),
        "wedge": -0.1 * np.abs(x - rng.uniform(-0.8, 0.8)),
        "step": np.where(x > rng.uniform(-1, 1), 0.1, 0.0) + rng.normal(0, 0.005, 15),
    }[kind]
    gap, rocks = straightedge(profile)
    zone = minimum_zone(np.column_stack([150 * x, profile])).flatness_mm
    assert gap * (0.5 if rocks else 1.0) <= zone * (1 + 1e-4)


def test_a_bound_says_where_it_comes_from():
    hollow = intake_bound(FEELERS, Gap(FEELERS[3], False), 0.0, (Gap(FEELERS[3], False), Gap(FEELERS[3], False)))
    assert hollow.least_mm == pytest.approx(FEELERS[3])
    assert hollow.least_from == "along"
    assert hollow.greatest_mm < 0.2
    pitted = intake_bound(FEELERS, 0.0, 0.0, pit_mm=0.3)
    assert (pitted.least_mm, pitted.least_from, pitted.sound) == (0.3, "pit", False)
    assert pitted.greatest_mm == pytest.approx(2 * FEELERS[0] + 0.3)
    assert pitted.greatest_from == "along + across + pit"
    assert intake_bound(FEELERS).greatest_mm == math.inf  # nothing was checked
    assert intake_bound(FEELERS, FEELERS[-1], 0.0).greatest_mm == math.inf  # the thickest leaf enters
    assert next_leaf(0.0254 * 4, FEELERS) == pytest.approx(0.0254 * 5)
    for wrong, field in (({"along": -1}, "along"), ({"leaves_mm": []}, "leaves_mm"), ({"pit_mm": -1}, "pit_mm")):
        with pytest.raises(InputError) as error:
            intake_bound(**({"leaves_mm": FEELERS} | wrong))
        assert error.value.field == field


@pytest.mark.parametrize("along", [0.02, -0.02])
@pytest.mark.parametrize(("width", "offset"), [(180, 0), (180, 40), (100, 90), (300, 0)])
def test_hollow_against_a_simulated_tilted_cutter(along, width, offset):
    """The lower of the leading and the trailing half of a tilted circle shapes the face at every y."""
    diameter, sweep = 305.0, 300.0
    y = np.linspace(offset - width / 2, offset + width / 2, 20001)
    x = np.sqrt((diameter / 2) ** 2 - y**2)
    leading, trailing = -along / sweep * x, along / sweep * x  # the trailing side stands `along` higher
    left = np.minimum(leading, trailing)
    effect = tram_effect(along, 0.0, sweep, diameter, width, offset)
    assert effect.hollow_mm == pytest.approx(np.ptp(left), abs=1e-7)
    assert effect.trailing_clears == (along > 0) == bool((trailing >= leading).all())
    assert effect.clearance_mm == pytest.approx(2 * along / sweep * x.max(), abs=1e-7)


def test_lean_across_and_limits():
    effect = tram_effect(0.0, 0.01, 300, 305, 180)
    assert effect.out_of_parallel_mm == pytest.approx(0.006)  # far side high leaves the far edge high
    assert not effect.trailing_clears
    assert effect.spoils(0.05, 0.005)
    assert not effect.spoils(0.05, 0.007)
    assert tram_effect(0.3, 0.0, 300, 305, 180).spoils(0.01)
    with pytest.raises(InputError, match="width_mm"):
        tram_effect(0.01, 0, 300, 305, 306)
    with pytest.raises(InputError, match="sweep_mm"):
        tram_effect(0.01, 0, 0, 305, 100)


def test_finished_face_against_its_limits():
    x, y = (grid.ravel() for grid in np.meshgrid(np.linspace(0, 300, 9), np.linspace(0, 180, 7)))
    points = np.column_stack([x, y, 0.03 * ((x - 150) / 150) ** 2])
    limits = FinishedLimits(0.05, 0.005, 76.2, 0.05, 99.9, 0.3, 0.8)
    found = {v.name: v for v in check_finished(limits, points, [100.0, 100.04, 100.02], [0.25, 0.7, 0.9])}
    assert found["flatness"].holds
    assert found["flatness"].value == pytest.approx(0.03, abs=1e-6)
    assert found["local flatness"].holds is (found["local flatness"].value <= 0.005)
    assert found["parallelism"].holds
    assert found["least height"].holds
    assert not found["roughest Ra"].holds
    assert not found["smoothest Ra"].holds
    unknown = {v.name: v.holds for v in check_finished(FinishedLimits(), points[:5], [100.0])}
    assert set(unknown.values()) == {None}
    coarse = {v.name: v for v in check_finished(limits, points[[0, 8, 54, 62, 31]])}
    assert coarse["local flatness"].value is None
    with pytest.raises(InputError, match="local_span_mm"):
        FinishedLimits(local_flatness_mm=0.02)
    with pytest.raises(InputError, match="ra_least_um"):
        FinishedLimits(ra_least_um=2, ra_greatest_um=1)
