"""Flank wear forecast on real data: milling data set of Goebel & Agogino (NASA Ames / UC Berkeley).

16 cases of face milling in cast iron and steel; the documented time is taken as minutes. Readings fall in places and
some are missing: such rows are left out, not repaired.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from planner.edge import fit_flank_wear, projected_life


@pytest.fixture
def cases(reference_dir):
    out: dict[int, list[tuple[float, float]]] = {}
    with reference_dir("wear/milling_flank_wear.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            if row["VB_mm"] and float(row["time"]) > 0:
                out.setdefault(int(row["case"]), []).append((float(row["time"]), float(row["VB_mm"])))
    return {case: np.array(rows) for case, rows in out.items()}


def split(rows: np.ndarray, share: float = 0.6) -> tuple[np.ndarray, np.ndarray]:
    first = int(np.ceil(len(rows) * share))
    return rows[:first], rows[first:]


def test_forecast_of_the_last_readings_from_the_first(cases, record_property):
    ours, constant = [], []
    for rows in cases.values():
        known, later = split(rows)
        if len(known) < 3 or len(later) == 0:
            continue
        curve = fit_flank_wear(known[:, 0], known[:, 1])
        ours.append(np.abs(curve.wear_mm(later[:, 0]) - later[:, 1]).mean())
        constant.append(np.abs(known[-1, 1] - later[:, 1]).mean())
    record_property("mean_absolute_error_mm", float(np.mean(ours)))
    print(
        f"\nforecast of the last 40 % of readings, {len(ours)} cases: mean error {np.mean(ours):.3f} mm, "
        f"median {np.median(ours):.3f}; last reading carried on {np.mean(constant):.3f} mm"
    )
    assert len(ours) >= 12
    assert np.mean(ours) < 0.10
    assert np.mean(ours) < 0.5 * np.mean(constant)


def test_projected_life_holds_the_real_one_in_its_range(cases):
    """Life to the largest wear that was reached later, projected from readings up to about 60 % of the record."""
    inside, ratios = [], []
    for rows in cases.values():
        known, later = split(rows)
        if len(known) < 3 or len(later) == 0 or later[-1, 1] <= known[:, 1].max():
            continue
        criterion = later[-1, 1]
        reached = later[np.argmax(later[:, 1] >= criterion), 0]
        curve = fit_flank_wear(known[:, 0], known[:, 1])
        factor, log_sd = projected_life(known[-1, 0], curve, criterion)
        off = np.log(reached / (factor * known[-1, 0]))
        inside.append(abs(off) <= 1.645 * log_sd)
        ratios.append(off)
    print(
        f"\nprojected life: {np.mean(inside):.0%} of {len(inside)} within the 90 % range, "
        f"mean log error {np.mean(ratios):+.2f}"
    )
    assert len(inside) >= 12
    assert np.mean(inside) >= 0.75
