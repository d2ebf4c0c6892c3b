"""What a record of passes says about the clean-up depth."""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError
from planner.cut import learning_interval

LEAST = 0.0127


class Look(NamedTuple):
    """A pass and its look."""

    total_mm: float
    clean: bool | None = None
    reason: str = "search"


def interval(*looks, **options):
    return learning_interval([Look(*one) for one in looks], least_settable_mm=LEAST, **options)


def ends(*looks, **options):
    found = interval(*looks, **options)
    return pytest.approx(found.lower_mm), pytest.approx(found.upper_mm), found.usable


CASES = {
    "search": ([(0.05, False), (0.075, False), (0.1, True)], {}, (0.075, 0.1, True)),
    "first pass clean": ([(0.05, True)], {}, (0, 0.05, True)),
    "a pass nobody looked at": ([(0.05, False), (0.075, None), (0.1, True)], {}, (0.05, 0.1, True)),
    "finishing pass after clean": ([(0.05, False), (0.075, True), (0.1, True, "finish")], {}, (0.05, 0.075, True)),
    "matched to its partner": ([(0.05, False), (0.075, True), (0.2, True, "match")], {}, (0.05, 0.075, True)),
    "tool mark after clean": (
        [(0.05, False), (0.075, True), (0.08, False, "tool mark"), (0.1, True, "tool mark")],
        {},
        (0.05, 0.075, True),
    ),
    "clean at the kiss pass": ([(0.0, True, "kiss"), (0.025, True, "finish")], {}, (0, LEAST, True)),
    "kiss pass not clean": ([(0.0, False, "kiss"), (0.05, True)], {}, (0, 0.05, True)),
    "straight to a target": ([(0.05, None), (0.1, None), (0.15, True, "match")], {}, (0, 0.15, True)),
    "abandoned": ([(0.05, False), (0.1, False)], {"finished": False}, (0.1, math.inf, True)),
    "no clean tap": ([(0.05, False), (0.1, None), (0.125, None, "finish")], {}, (0.05, 0.125, True)),
    "no look at all": ([(0.05, None), (0.1, None)], {}, (0, 0.1, True)),
    "accepted with spots": ([(0.05, False), (0.1, False)], {}, (0.1, math.inf, True)),
    "abandoned, nobody looked": ([(0.05, None)], {"finished": False}, (0, math.inf, False)),
    "first contact unknown": ([(0.05, False), (0.1, True)], {"first_contact_known": False}, (0.05, 0.1, False)),
    "height agrees": ([(0.05, False), (0.1, True)], {"height_lost_mm": 0.095}, (0.05, 0.1, True)),
    "height lost more": ([(0.05, False), (0.1, True)], {"height_lost_mm": 0.13}, (0.08, 0.13, True)),
    "height lost less": ([(0.05, False), (0.1, True)], {"height_lost_mm": 0.03}, (0, 0.03, True)),
    "measured where the face lay low": (
        [(0.05, False), (0.1, True)],
        {"height_lost_mm": 0.06, "height_gap_mm": 0.04},
        (0.05, 0.1, True),
    ),
    "measured where nothing was cut": ([(0.05, False), (0.1, True)], {"height_lost_mm": 0.0}, (0.05, 0.1, True)),
    "nothing recorded": ([], {}, (0, math.inf, False)),
}


@pytest.mark.parametrize("name", CASES)
def test_interval_of(name):
    looks, options, (lower, upper, usable) = CASES[name]
    assert ends(*looks, **options) == (lower, upper, usable)


def test_the_height_that_counts_is_said():
    found = interval((0.05, False), (0.1, True), height_lost_mm=0.13)
    assert found.shift_mm == pytest.approx(0.03) and "height counts" in found.note


@given(
    st.floats(0.01, 0.3),
    st.lists(st.floats(0.002, 0.05), min_size=1, max_size=12),
    st.lists(st.booleans(), min_size=12, max_size=12),
)
def test_the_true_depth_always_lies_in_its_interval(truth, steps, looked):
    total, passes = 0.0, []
    for step, look in zip(steps, looked, strict=False):
        total += step
        passes.append(Look(total, (truth <= total) if look else None))
    found = learning_interval(passes, least_settable_mm=0.001, finished=total >= truth)
    assert found.lower_mm < truth <= found.upper_mm


def test_depths_that_go_back_up_are_refused():
    with pytest.raises(InputError) as error:
        interval((0.1, False), (0.05, True))
    assert error.value.field == "passes[1].total_mm"
