"""Minutes of a step, learned from run sheets."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError
from planner.cut import MinuteRecords, learn_minutes


def test_without_records_the_starting_value_stands():
    found = learn_minutes(8)
    assert found.likely == 8 and found.origin == "starting value"
    assert found.least < 8 < found.allow


def test_many_records_teach_median_and_range():
    rng = np.random.default_rng(2)
    took = 11 * np.exp(rng.normal(0, 0.2, 2000))
    found = learn_minutes(8, MinuteRecords(took, 8))
    assert found.likely == pytest.approx(11, rel=0.02)
    assert (took <= found.allow).mean() == pytest.approx(0.8, abs=0.03)
    assert (took >= found.least).mean() == pytest.approx(0.8, abs=0.03)
    assert found.origin == "learned from 2000 records of this family"


def test_a_clock_left_running_over_lunch_moves_little():
    took = np.array([9.0, 10, 10, 11, 9.5, 10.5, 10, 9.8])
    wild = took.copy()
    wild[3] = 90
    assert learn_minutes(8, MinuteRecords(wild, 8)).likely == pytest.approx(
        learn_minutes(8, MinuteRecords(took, 8)).likely, rel=0.03
    )


def test_a_thin_record_borrows_and_says_so():
    kind = MinuteRecords(np.full(50, 16.0), 8)
    shop = MinuteRecords(np.full(200, 15.0), 12)
    alone, helped = learn_minutes(8, MinuteRecords([9.0], 8)), learn_minutes(8, MinuteRecords([9.0], 8), kind, shop)
    assert alone.likely < 9 < helped.likely < 16
    assert helped.origin == (
        "learned from 1 record of this family, borrowing from 50 records of its kind and 200 records of the shop"
    )
    assert learn_minutes(8, None, kind).origin == "no record of this family yet, borrowing from 50 records of its kind"


@given(st.lists(st.floats(0.5, 200), max_size=20), st.floats(0.5, 60))
def test_range_holds_its_middle(took, start):
    found = learn_minutes(start, MinuteRecords(took, start))
    assert 0 < found.least < found.likely < found.allow


@pytest.mark.parametrize(("minutes", "start"), [([0.0], 8), ([5.0], 0), ([np.nan], 8)])
def test_wrong_records_are_refused(minutes, start):
    with pytest.raises(InputError):
        MinuteRecords(minutes, start)
