"""What stands in a field is read back as the quantity it shows, in either unit system."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.screens.fields import Field, read, shown
from planner.units import System, Units

SYSTEMS = st.sampled_from([Units(System.INCH), Units(System.METRIC)])


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(
        ["length", "height", "depth", "ra", "area", "speed", "feed", "table_feed", "mass", "share", "minutes"]
    ),
    st.floats(0.001, 5000),
    SYSTEMS,
)
def test_what_is_shown_reads_back_to_the_same_shown_figure(kind, value, units):
    item = Field("x", "X", kind)
    text = shown(kind, value, units)
    assert shown(kind, read(item, text, units), units) == text


def test_a_part_weighs_pounds_in_an_inch_shop():
    """31 lb are 14.06 kg: the international pound is 0.45359237 kg exactly (NIST SP 811, appendix B)."""
    item, inch, metric = Field("x", "Weight", "mass"), Units(System.INCH), Units(System.METRIC)
    assert read(item, "31", inch) == pytest.approx(14.0614, abs=5e-5)
    assert (shown("mass", 14.0614, inch), shown("mass", 14.0614, metric)) == ("31", "14.06")
    assert read(item, "14 kg", inch) == read(item, "14", metric) == 14


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0.01, 5), st.integers(0, 40)), max_size=8), SYSTEMS)
def test_lists_read_back(pairs, units):
    item = Field("x", "X", "depth_counts")
    text = shown("depth_counts", pairs, units)
    again = read(item, text, units)
    assert [n for _, n in again] == [n for _, n in pairs]
    assert [t for t, _ in again] == pytest.approx([t for t, _ in pairs], abs=0.0051 * units.depth_factor)
    depths = [t for t, _ in pairs]
    assert read(Field("x", "X", "depths"), shown("depths", depths, units), units) == pytest.approx(
        depths, abs=0.0051 * units.depth_factor
    )


def test_a_list_may_carry_units_and_semicolons():
    inch = Units(System.INCH)
    assert read(Field("x", "X", "depths"), "2; 0,05 mm; 3 thou", inch) == pytest.approx((0.0508, 0.05, 0.0762))
    assert read(Field("x", "X", "numbers"), "150 200 300", inch) == (150, 200, 300)
    assert read(Field("x", "X", "numbers"), "", inch) == ()


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("length", "long"),  # no number
        ("length", "5 parsecs"),  # no such unit
        ("whole", "1.5"),
        ("share", "half"),
        ("numbers", "150, fast"),
        ("depths", "1, thin"),
        ("depth_counts", "1"),  # how many?
        ("depth_counts", "1 × many"),
    ],
)
def test_what_cannot_be_read_names_the_field(kind, said):
    with pytest.raises(InputError) as refused:
        read(Field("x", "X", kind), said, Units(System.INCH))
    assert refused.value.field == "x"


@pytest.mark.parametrize("kind", ["length", "number", "text", "choice", "date"])
def test_an_empty_field_is_unknown_unless_it_is_needed(kind):
    empty = "" if kind == "text" else None
    assert read(Field("x", "X", kind), "", Units()) == empty
    with pytest.raises(InputError):
        read(Field("x", "X", kind, required=True), "", Units())
