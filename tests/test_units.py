"""Units at the edges: exact factors, typed units, round trips."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError
from planner.units import System, Units, as_read, counted, minutes_words, read_number

INCH, METRIC = Units("inch"), Units("metric")


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("132.6 mm", 132.6),
        ("132.6mm", 132.6),
        ("5.22", 132.588),
        ("5.22 in", 132.588),
        ('5.22"', 132.588),
        ("1/32", 0.79375),
        ("1 1/2 in", 38.1),
        ("-1/4", -6.35),
        ("3 thou", 0.0762),
        (".5", 12.7),
        ("2 ft", 609.6),
        ("25.4 µm", 0.0254),
        (2, 50.8),
    ],
)
def test_a_typed_unit_overrules_the_shops_unit(text, mm):
    # 1 in = 25.4 mm exactly: NIST SP 811, appendix B
    assert INCH.read_length_mm("height_mm", text) == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize(("text", "mm"), [("3", 0.0762), ("0.1 mm", 0.1), ("0.003 in", 0.0762), ("1.5", 0.0381)])
def test_a_bare_depth_is_thou_in_an_inch_shop(text, mm):
    assert INCH.read_depth_mm("depth_mm", text) == pytest.approx(mm, rel=1e-12)


def test_a_bare_depth_is_millimetres_in_a_metric_shop():
    assert METRIC.read_depth_mm("depth_mm", "0,08") == pytest.approx(0.08)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "abc",
        "5.2.2",
        "1/0",
        "12 furlongs",
        "nan",
        "inf",
        "1e999",
        "1,250",  # thousand or decimal? refused
        None,
        True,
        "5 mm 3",
    ],
)
def test_what_is_no_length_is_refused_by_name(text):
    with pytest.raises(InputError) as caught:
        INCH.read_length_mm("height_mm", text)
    assert caught.value.field == "height_mm"
    assert caught.value.accepted


def test_only_the_two_systems_exist():
    with pytest.raises(InputError):
        Units("imperial")
    assert Units(System.METRIC).length_unit == "mm"


@given(st.floats(-1e4, 1e4))
def test_lengths_round_trip_through_text(mm):
    for units, step in ((INCH, 0.0001 * 25.4), (METRIC, 0.001)):
        shown = units.height(mm, unit=False)
        assert units.read_length_mm("h", shown) == pytest.approx(mm, abs=step / 2 * 1.0001)


@given(st.floats(0, 10))
def test_head_room_is_never_rounded_up(mm):
    for units in (INCH, METRIC):
        shown = units.read_depth_mm("d", units.depth(mm, unit=False, down=True))
        assert shown <= mm + 1e-6 * units.depth_factor


@given(st.floats(0.001, 1e5), st.sampled_from([INCH, METRIC]))
def test_factors_invert(value, units):
    for read, factor in (
        (units.read_ra_um, units.ra_factor),
        (units.read_area_mm2, units.area_factor),
        (units.read_speed_m_min, units.speed_factor),
        (units.read_depth_mm, units.depth_factor),
    ):
        assert read("x", value) / factor == pytest.approx(value, rel=1e-12)


def test_the_trade_reads_it_this_way():
    assert INCH.depth(0.0762) == "3.0 thou"
    assert METRIC.depth(0.0762) == "0.076 mm"
    assert INCH.height(132.588) == "5.2200 in"
    assert INCH.ra(1.27) == "50 µin"
    assert METRIC.ra(1.27) == "1.27 µm"
    assert INCH.ra_band(0.3048, 0.762) == "12 µin to 30 µin"
    assert METRIC.ra_band(None, 0.8) == "up to 0.80 µm" and METRIC.ra_band(0.8, None) == "at least 0.80 µm"
    assert INCH.ra_band(None, None) == "no band known"
    assert INCH.speed(762) == "2500 ft/min"
    assert INCH.feed(0.1016) == "0.0040 in/rev"
    assert INCH.depth(None) == INCH.ra(None) == "unknown"
    assert INCH.depth(-0.0001) == "0.0 thou"
    assert minutes_words(65) == "1 h 05 min"
    assert minutes_words(59.6) == "1 h 00 min"
    assert minutes_words(None) == "unknown"


def test_fractions_and_exponents():
    assert read_number("n", "3/8") == 0.375
    assert read_number("n", "1e-3") == 0.001
    assert math.isclose(read_number("n", "0,125"), 0.125)


def test_the_way_of_an_edge_in_its_life():
    """312 km are 1 023 622 ft (1 ft = 0.3048 m exactly)."""
    assert Units(System.INCH).way(312e6) == "1,024,000 ft" and Units(System.METRIC).way(312e6) == "312 km"
    assert Units(System.INCH).way(None) == "unknown"
    assert Units(System.INCH).read_way_mm("path", "1024") == pytest.approx(1024e3 * 304.8)
    assert Units(System.INCH).read_way_mm("path", "312 km") == Units(System.METRIC).read_way_mm("path", "312") == 312e6


def test_a_count_is_said_with_its_word():
    assert (counted(1, "cut"), counted(0, "cut"), counted(2, "pass", "passes")) == ("1 cut", "0 cuts", "2 passes")


def test_a_record_of_another_unit_system_is_read_in_ones_own():
    assert as_read("2 turns + 12.5 thou", METRIC) == "2 turns + 0.318 mm"
    assert as_read("not clean at 0.254 mm: call", INCH) == "not clean at 10.0 thou: call"
    assert as_read("0.402 mm, 3 spots", METRIC) == "0.402 mm, 3 spots"
