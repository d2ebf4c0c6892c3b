"""A refusal speaks the reader's unit, whatever unit the nouns count in."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError
from planner.screens.refusals import accepted_words, field_words, refused
from planner.shop import Face, Gasket, Settings
from planner.units import System, Units

INCH, METRIC = Units(System.INCH), Units(System.METRIC)


@pytest.mark.parametrize(
    ("accepted", "kind", "inside", "in_inch", "in_metric"),
    [
        (
            "a number from 0.01 to 20",
            "length",
            True,
            "a number from 0.0004 to 0.7874 in",
            "a number from 0.01 to 20 mm",
        ),
        ("at most the tolerance, 0.0762 mm", "depth", True, "at most the tolerance, 3 thou", None),
        ("at least the least feed, 12.7 mm/min", "table_feed", True, "at least the least feed, 0.5 in/min", None),
        ("more than the least value, 0.3 µm", "ra", True, "more than the least value, 11.8 µin", None),
        # nothing is nothing in any unit
        ("a number above 0", "depth", True, "a number above 0", None),
        # a share stands as per cent on the screen
        ("a number from 0 to 1", "share", True, "a number from 0 to 100 %", "a number from 0 to 100 %"),
        # what the screen said itself stays as it is
        ("a height from 5.1 in to 5.3 in", "height", False, "a height from 5.1 in to 5.3 in", None),
        ("a number, with or without a unit (in, mm)", "length", False, None, None),
        ("a number such as 5.22 or 1/32", "length", False, None, None),
        # no quantity
        ("a whole number from 1 to 7", "whole", True, None, None),
    ],
)
def test_accepted_in_both_systems(accepted, kind, inside, in_inch, in_metric):
    assert accepted_words(accepted, INCH, kind, inside) == (in_inch or accepted)
    assert accepted_words(accepted, METRIC, kind, inside) == (in_metric or accepted)


@given(st.floats(0.01, 5000, allow_nan=False))
def test_no_millimetres_are_left_in_an_inch_shop(limit):
    words = accepted_words(f"at most the new height, {limit:g} mm", INCH)
    assert "mm" not in words
    figure, unit = re.search(r"([\d.]+) (in|thou)$", words).groups()
    back = float(figure) * (25.4 if unit == "in" else 0.0254)
    assert back == pytest.approx(limit, rel=0.01, abs=0.002)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Face("deck", 12000.0, 100.0), "face length: “472.4409 in” will not do"),
        (lambda: Gasket("thick", crushed_mm=25.0), "gasket crushed: “0.9843 in” will not do"),
        (lambda: Settings(set_tolerance_mm=0.1, set_stop_mm=0.0508), "settings set stop: “2 thou” will not do"),
    ],
)
def test_what_a_noun_refuses_is_said_without_raw_names_or_millimetres(make, words):
    with pytest.raises(InputError) as wrong:
        make()
    said = refused(wrong.value, INCH)
    assert said.startswith(words)
    assert "mm" not in said and "_" not in said


def test_a_missing_thing_is_said_to_be_missing():
    assert refused(InputError("set.job_ids", (), "one other job at least"), INCH) == (
        "set job ids: something is missing; accepted: one other job at least."
    )
    assert field_words("faces[0].limit.least_height_mm") == "faces limit least height"
