"""Dimensions that change with the cut."""

import math
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError
from planner.match import Standing, cover_hold, depth_kinds, depth_table, vee_drawing, vee_factors

THOU = 0.0254


@dataclass(frozen=True)
class Line:
    name: str
    present_mm: float | None = None
    per_cut: float = -1.0
    least_mm: float | None = None
    greatest_mm: float | None = None
    restored_by: str = ""


LINES = [
    Line("valve recession", 0.30, -1.0, 0.0, 0.36, "recut the seats"),
    Line("injector protrusion", 2.0, 1.0, 1.8, 2.25, "thicker washer"),
    Line("O-ring groove", 1.0, -1.0, 0.9, None, "recut the groove"),
    Line("seat metal left", None, -1.0, 1.0),
    Line("dowel height", 8.0, 0.0, 7.0, 9.0),
    Line("spigot chamfer", 1.0),
]


def test_table_at_a_planned_depth():
    table = depth_table(LINES, 0.2)
    rows = {r.name: r for r in table.rows}
    assert rows["valve recession"].after_mm == pytest.approx(0.10)
    assert rows["valve recession"].headroom_mm == pytest.approx(math.floor(0.1 / THOU) * THOU)
    assert rows["injector protrusion"].headroom_mm == pytest.approx(THOU)
    groove = rows["O-ring groove"]
    assert groove.standing is Standing.PAST and groove.past_by_mm == pytest.approx(0.1)
    assert groove.headroom_mm == 0 and groove.restored_by == "recut the groove"
    assert rows["seat metal left"].standing is Standing.UNKNOWN and rows["seat metal left"].after_mm is None
    assert rows["dowel height"].headroom_mm == math.inf
    assert rows["spigot chamfer"].standing is Standing.NO_LIMIT
    assert [r.name for r in table.past] == ["O-ring groove"]
    assert table.unknown == ("seat metal left",)
    assert table.first == ("O-ring groove", pytest.approx(0.1))


@given(st.floats(0, 1))
def test_the_first_limit_is_where_the_first_line_goes_past(cut):
    name, at = depth_table(LINES, 0).first
    past = [r.name for r in depth_table(LINES, cut).past]
    if cut < at - 1e-6:
        assert past == []
    elif cut > at + 1e-6:
        assert name in past


def test_already_past_uncut_and_brought_in_by_the_cut():
    assert depth_table([Line("protrusion", 2.0, 1.0, None, 1.5)], 0).first == ("protrusion", 0)
    deep = Line("recession", 0.5, -1.0, 0.0, 0.36)
    assert depth_table([deep], 0).rows[0].standing is Standing.PAST
    assert depth_table([deep], 0.2).rows[0].standing is Standing.WITHIN
    assert depth_table([deep], 0).first == ("recession", 0.5)  # the cut leaves it at the other limit only there


def test_usual_lines_have_a_sign_and_a_remedy():
    kinds = depth_kinds()
    assert len({k.name for k in kinds}) == len(kinds) >= 10
    assert all(k.per_cut in (-1.0, 1.0) and k.restored_by for k in kinds)
    assert {k.per_cut for k in kinds if "protrusion" in k.name} == {1.0}


def test_cover_bolted_on():
    assert cover_hold(False, None) is None and cover_hold(True, True) is None
    for there in (False, None):
        assert "timing cover must be bolted on" in cover_hold(True, there, "timing cover")


@pytest.mark.parametrize(
    ("line", "field"),
    [
        (Line("a", math.nan), "lines[0].present_mm"),
        (Line("a", 1.0, math.inf), "lines[0].per_cut"),
        (Line("a", 1.0, -1.0, 2.0, 1.0), "lines[0].greatest_mm"),
    ],
)
def test_refusals(line, field):
    with pytest.raises(InputError) as caught:
        depth_table([line], 0.1)
    assert caught.value.field == field
    with pytest.raises(InputError):
        depth_table(LINES, -0.1)


def test_vee_drawing_shows_the_angles():
    lines = {line.name: line for line in vee_drawing(45.0, 55.0)}
    assert {n for n, line in lines.items() if line.cut} == {
        "left deck and head face",
        "right deck and head face",
        "left manifold face",
        "right manifold face",
        "end rail",
    }

    def angle_from_vertical(line):
        return math.degrees(math.atan2(line.end[0] - line.start[0], line.end[1] - line.start[1]))

    assert angle_from_vertical(lines["right manifold face"]) == pytest.approx(55.0)
    assert angle_from_vertical(lines["left manifold face"]) == pytest.approx(-55.0)
    axis, deck = lines["right bank axis"], lines["right deck and head face"]
    across = [deck.end[i] - deck.start[i] for i in (0, 1)]
    assert across[0] * axis.end[0] + across[1] * axis.end[1] == pytest.approx(0, abs=1e-9)
    assert lines["end rail"].start[1] == lines["end rail"].end[1]


@pytest.mark.parametrize("angles", [(0.0, 45.0), (90.0, 45.0), (45.0, 90.0), (45.0, math.nan)])
def test_vee_refusals(angles):
    with pytest.raises(InputError):
        vee_factors(*angles)
