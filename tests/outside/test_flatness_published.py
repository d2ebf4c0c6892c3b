"""Minimum zone and least squares against published sets.

Planes and lines: PTB Chebyshev software test; Hutzschenreuter, Haertig, Wendt, Lunze, Loewe, J. Mech. Eng. Autom. 5(3)
2015, doi:10.5923/j.jmea.20150503.02. The points' licence is not stated, so they are read from beside the checkout. The
published widths are given to 1e-5 mm and hold exactly on these constructed sets; agreement to 1e-9 mm is asked for.
Straightness: an autocollimator example from published lecture slides, readings in seconds of arc every 100 mm.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from planner.face import least_squares, minimum_zone

PUBLISHED_MM = {
    "ptb_C01.csv": 0.022,
    "ptb_C02.csv": 0.020,
    "ptb_C05.csv": 0.002,
    "ptb_C07.csv": 0.050,
    "ptb_C17.csv": 0.075,
    "ptb_C18.csv": 0.001,
    "ptb_C19.csv": 0.010,
    "ptb_C21.csv": 0.003,
    "ptb_C22.csv": 0.005,
    "ptb_C26.csv": 0.025,
}


def read(path):
    with open(path, encoding="utf-8") as lines:
        rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    return rows[0], np.array(rows[1:], dtype=float)


@pytest.mark.parametrize("name", PUBLISHED_MM)
def test_published_minimum_zone(name, reference_dir):
    _, points = read(reference_dir(f"flatness/{name}"))
    zone = minimum_zone(points)
    assert zone.flatness_mm == pytest.approx(PUBLISHED_MM[name], abs=1e-9)
    assert least_squares(points).flatness_mm > zone.flatness_mm


@pytest.mark.parametrize("name", ["C21", "C22", "C26"])
def test_tilted_set_and_its_height_map_agree(name, reference_dir):
    raw = minimum_zone(read(reference_dir(f"flatness/ptb_{name}.csv"))[1])
    aligned = minimum_zone(read(reference_dir(f"flatness/ptb_{name}_aligned.csv"))[1])
    assert aligned.flatness_mm == pytest.approx(raw.flatness_mm, abs=1e-9)
    assert np.isfinite(aligned.slope_x)


@pytest.mark.parametrize(("name", "patterns"), [("C18", "3+1"), ("C21", "3+1"), ("C26", "3+1"), ("C17", "2+2")])
def test_contact_pattern_told_by_the_collection(name, patterns, reference_dir):
    zone = minimum_zone(read(reference_dir(f"flatness/ptb_{name}.csv"))[1])
    assert zone.pattern in {patterns, patterns[::-1]}


def test_near_vertical_planes_have_no_slopes(reference_dir):
    for name in ("C17", "C18", "C22"):
        zone = minimum_zone(read(reference_dir(f"flatness/ptb_{name}.csv"))[1])
        assert np.isnan(zone.slope_x)


def test_autocollimator_straightness(reference_dir):
    """Published: 3 um by end-point fit. Minimum zone is never above that: here it is the same, 3.000 um (computed)."""
    header, rows = read(reference_dir("flatness/autocollimator.csv"))
    column = {name: rows[:, k] for k, name in enumerate(header)}
    seconds = (column["fwd_s"] + column["back_s"]) / 2
    rise_um = np.tan(np.radians((seconds - seconds[0]) / 3600)) * 100e3  # 100 mm between the reflector's feet
    height = np.cumsum(np.r_[0.0, rise_um[1:]])
    assert column["cum_um"] == pytest.approx(height, abs=0.25)  # the slides round 0.485 um per second to 0.5
    line = np.column_stack([column["x_mm"], column["cum_um"] / 1000])
    ends = line[:, 1] - np.interp(line[:, 0], line[[0, -1], 0], line[[0, -1], 1])
    assert np.ptp(ends) == pytest.approx(3e-3, abs=1e-9)
    assert minimum_zone(line).flatness_mm == pytest.approx(3e-3, abs=1e-9)
    assert least_squares(line).flatness_mm == pytest.approx(3.036e-3, abs=1e-6)
