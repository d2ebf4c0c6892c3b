"""What the last spindle check means for the families queued on a machine."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest

from planner.cut.knowledge import Knowledge
from planner.shop import EndOfPass, TramReading
from planner.units import Units
from planner.week.queue import estimate_queue
from planner.week.spindle import spindle_check
from tests.tiny import tiny_shop


def checked(*tram: TramReading, **face_limits):
    shop = tiny_shop()
    deck = replace(shop.families[1].faces[0], **face_limits)
    families = dict(shop.families) | {1: replace(shop.families[1], faces=(deck,))}
    machine = replace(shop.machines[1], tram=tram)
    shop = replace(shop, machines={1: machine}, families=families)
    queue = estimate_queue(shop, Knowledge())
    return spindle_check(shop, machine, queue.estimates.values())


def test_without_a_reading_nothing_is_claimed():
    check = checked()
    assert check.may_stop_when_cut is None and check.warnings(Units()) == () and "never" in check.date_words()


def test_the_last_reading_counts_and_the_hollow_follows_from_it():
    """0.1 mm over 300 mm, cutter 300 mm, face 180 mm wide: hollow (t/S)(R - sqrt(R^2 - 90^2)) = 0.1 / 300 x 30 mm."""
    old, new = TramReading(date(2026, 1, 5), 300, 0.5, 0.0), TramReading(date(2026, 2, 2), 300, 0.1, 0.06)
    check = checked(new, old, flatness_mm=0.02, parallel_limit_mm=0.03)
    head = next(f for f in check.families if f.family == "small head")
    assert head.effect.hollow_mm == pytest.approx(0.1 / 300 * (150 - math.sqrt(150**2 - 90**2)))
    assert head.effect.out_of_parallel_mm == pytest.approx(0.06 * 180 / 300)
    assert check.date_words() == "checked 02 Feb 2026"
    # 0.036 out of parallel is more than the limit, 0.01 hollow is not
    assert head.spoils and len(check.warnings(Units())) == 1


def test_limits_that_hold_give_no_warning_and_unknown_ones_no_verdict():
    reading = TramReading(date(2026, 2, 2), 300, 0.01, 0.0)
    assert not checked(reading, flatness_mm=0.05).warnings(Units())
    heads = [f for f in checked(reading).families if f.family == "small head"]
    assert heads[0].spoils is None


@pytest.mark.parametrize(("along", "may_stop"), [(0.02, True), (0.0, False), (-0.02, False)])
def test_the_trailing_edge_decides_if_a_pass_may_stop_when_cut(along, may_stop):
    check = checked(TramReading(date(2026, 2, 2), 300, along, 0.0))
    assert check.may_stop_when_cut is may_stop
    said = check.pass_words()
    assert "when cut" in said and "run clear" in said
    warns = replace(check, end_of_pass=EndOfPass.WHEN_CUT).warnings(Units())
    assert bool(warns) is not may_stop and not check.warnings(Units())
