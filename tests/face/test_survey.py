"""Templates, faults the readings betray, places in words, and the doubt of a survey."""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner import InputError
from planner.face import (
    Indicator,
    clamp_spring,
    cleanup,
    depth_range,
    find_place,
    sweep_closes,
    template,
    true_reading,
    usual_place,
)


@pytest.mark.parametrize("count", [4, 9, 13])
def test_templates_sweep_row_by_row_from_the_left_front_corner(count):
    points = template(count, 300, 180, inset_mm=10)
    assert len(points) == len(set(points.values())) == count
    assert next(iter(points)) == "left front"
    x, y = np.array(list(points.values())).T
    assert (x.min(), x.max(), y.min(), y.max()) == (10, 290, 10, 170)
    legs = np.hypot(np.diff(x), np.diff(y))
    assert legs.max() <= np.hypot(280, 160) + 1e-9
    assert (np.diff(y) > -1e-9).all()  # never back to a finished row


def test_template_takes_the_familys_worst_places():
    worst = {"between 1 and 2": (100, 90), "between 2 and 3": (200, 90), "water neck": (290, 60), "rear": (5, 60)}
    points = template(9, 300, 180, worst=worst)
    assert set(worst) | {"left front", "right front", "left back", "right back", "middle"} == set(points)
    assert points["water neck"] == (290, 60)
    with pytest.raises(InputError, match="worst"):
        template(9, 300, 180, worst={"one": (1, 2)})


def test_inclined_indicator():
    assert true_reading(0.1, 60) == pytest.approx(0.05)
    assert true_reading([0.1, -0.2], -60, Indicator.PLUNGER) == pytest.approx([0.05, -0.1])
    with pytest.raises(InputError, match="angle_deg"):
        true_reading(0.1, 75)
    with pytest.raises(InputError, match="kind"):
        true_reading(0.1, 10, "lever")


def test_sweep_closure_and_clamp_spring():
    thou = 0.0254
    assert sweep_closes(0.0, 0.5 * thou).closes
    open_sweep = sweep_closes(0.1, 0.1 - 0.6 * thou)
    assert not open_sweep.closes
    assert open_sweep.drift_mm == pytest.approx(-0.6 * thou)
    spring = clamp_spring([0, 0, 0], [0.2 * thou, -1.2 * thou, 0.3 * thou])
    assert (spring.index, spring.holds) == (1, False)
    assert spring.spring_mm == pytest.approx(-1.2 * thou)
    assert clamp_spring(0.0, 0.4 * thou).holds


def test_places_in_words():
    named = template(4, 300, 180)
    inch = lambda mm: f"{mm / 25.4:.1f} in"  # noqa: E731
    assert find_place((2, 1), named).words(inch) == "left front"
    assert find_place((76.2, 0), named).words(inch) == "3.0 in from left front toward right front"
    assert find_place((300, 100), named).words(inch) == "3.1 in from right back toward right front"
    assert find_place((150, 90), {"middle": (0, 0)}).words(inch) == "middle"


def test_usual_place():
    assert usual_place([]) is None
    seen = usual_place(["rear", "middle", "rear", "neck", "middle", "middle"])
    assert (seen.name, seen.times, seen.records) == ("middle", 3, 6)
    assert usual_place(["rear", "middle"]).name == "middle"  # the later one


def test_reading_uncertainty_covers_what_simulated_readings_do():
    """True depth of a face read with rounding to 0.01 mm and repeatability 0.004 mm, two standard deviations."""
    rng = np.random.default_rng(1)
    x, y = (grid.ravel() for grid in np.meshgrid(np.linspace(0, 300, 4), np.linspace(0, 180, 3)))
    inside = 0
    for _ in range(400):
        surface = 0.1 * x / 300 + rng.normal(0, 0.03, len(x))
        true = cleanup(np.column_stack([x, y, surface]))
        read = np.round((surface + rng.normal(0, 0.004, len(x))) / 0.01) * 0.01
        found = depth_range(cleanup(np.column_stack([x, y, read])), 0.01, 0.004)
        assert found.least_mm <= found.likely_mm <= found.greatest_mm
        inside += abs(found.likely_mm - true.depth_mm) <= found.reading_mm
    assert inside >= 360


def test_coverage_knows_a_bend_from_a_tilt_and_shrinks_with_the_grid():
    def coverage(count, bend):
        x, y = (g.ravel() for g in np.meshgrid(np.linspace(0, 300, count), np.linspace(0, 180, count)))
        z = 1e-3 * x + 2e-3 * y - bend * ((x - 150) / 150) ** 2
        return depth_range(cleanup(np.column_stack([x, y, z]), slopes=(0, 0)), 0.0).coverage_mm

    assert coverage(5, 0.0) == pytest.approx(0, abs=1e-12)
    assert coverage(5, 0.1) > coverage(9, 0.1) > coverage(17, 0.1) > 0
    assert depth_range(cleanup([[0, 0, 0], [9, 0, 0], [0, 9, 1]]), 0.01).coverage_mm == 0  # no inner point


def test_rounding_alone_gives_the_rectangular_deviation():
    found = depth_range(cleanup([[0, 0, 0], [9, 0, 0], [0, 9, 1.0]], slopes=(0, 0)), 0.01)
    assert found.reading_mm == pytest.approx(2 * math.sqrt(2) * 0.01 / math.sqrt(12))


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: template(5, 300, 180), "count"),
        (lambda: template(4, 300, 180, inset_mm=90), "inset_mm"),
        (lambda: sweep_closes(0, float("nan")), "last_mm"),
        (lambda: clamp_spring([], []), "loose_mm"),
        (lambda: clamp_spring([0, 0], [0]), "clamped_mm"),
        (lambda: find_place((0, 0), {}), "named"),
    ],
)
def test_wrong_input(call, field):
    with pytest.raises(InputError) as error:
        call()
    assert error.value.field == field
