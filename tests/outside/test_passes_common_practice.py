"""The passes machinists take, as common practice (no source), from the shipped look cost and value of thickness.

Normal aluminium heads clean up at two to three thou in two or three passes; the worst corroded ones near twelve thou,
in steps of about a thou and a half near the end. The kiss pass is not counted.
"""

from __future__ import annotations

import numpy as np
import pytest

from planner.cut import keep_simple, plan_passes, starting_depth, value_of_thickness, worth_a_change
from planner.shop import Condition, PartKind
from planner.shop.settings import Settings
from planner.shop.starting import REBUILD_EXTRA_MM, STEPS, clean_up_depth

THOU = 0.0254
TRAVERSE_MINUTES = 4.3  # 12 × 7 in head under a 12 in fly cutter at 3.2 in/min, stop when cut


def head(condition):
    start = clean_up_depth("aluminium", PartKind.HEAD, condition)
    usual = clean_up_depth("aluminium", PartKind.HEAD, Condition.NORMAL).median_mm
    value = value_of_thickness(Settings().rebuild_value, usual + REBUILD_EXTRA_MM)
    minute = Settings().hourly_rate / 60
    look = STEPS["aluminium head"].look
    plan = plan_passes(
        starting_depth(start.median_mm, start.sigma),
        (TRAVERSE_MINUTES / 2 + look) * minute,  # roughing at twice the finishing feed
        value,
        0.5 * THOU,
        4 * THOU,
        0.5 * THOU,
        finish_mm=THOU,
        finish_cost=(TRAVERSE_MINUTES + look) * minute,
    )
    return keep_simple(plan, worth_a_change(minute, value))


def test_normal_heads_take_two_to_three_thou_in_two_or_three_passes():
    plan = head(Condition.NORMAL)
    assert 2 * THOU <= plan.stop_depth_mm(0.5) <= 3 * THOU
    assert 1.5 <= plan.expected_passes <= 3.0
    # a part somewhat deeper than usual: two or three
    passes = np.searchsorted(plan.totals_mm, plan.stop_depth_mm(0.8) - 1e-9) + 1
    assert passes in (2, 3)


def test_the_worst_corroded_heads_end_near_twelve_thou_in_steps_of_a_thou_and_a_half():
    plan = head(Condition.HEAVILY_CORRODED)
    assert plan.stop_depth_mm(0.5) == pytest.approx(12 * THOU, abs=1.0 * THOU)
    near_the_end = plan.depths_mm[(plan.totals_mm > 10.5 * THOU) & (plan.totals_mm < 16 * THOU)]
    assert near_the_end.mean() == pytest.approx(1.5 * THOU, abs=0.35 * THOU)
