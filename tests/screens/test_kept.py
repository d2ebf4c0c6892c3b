"""What screens keep from one rerun to the next: found by its arguments, made once, let go with Streamlit's own cache."""

from __future__ import annotations

import pytest
import streamlit as st

from planner.screens.kept import kept
from planner.screens.tables import rows_table, sent


@pytest.fixture
def made():
    """A kept function and the arguments it was really called with."""
    calls = []

    @kept(2)
    def function(version, units, _shop=None):
        calls.append((version, units))
        return object()

    function.clear()
    function.calls = calls
    return function


def test_equal_arguments_give_the_same_object(made):
    assert made((1, 2), "inch") is made((1, 2), "inch")
    assert made((1, 2), "mm") is not made((1, 2), "inch")
    assert made.calls == [((1, 2), "inch"), ((1, 2), "mm")]


def test_an_argument_with_an_underscore_does_not_count(made):
    assert made(1, "inch", "one shop") is made(1, "inch", "another")


def test_clearing_streamlits_cache_lets_go_of_everything(made):
    first = made(1, "inch")
    st.cache_resource.clear()
    assert made(1, "inch") is not first


def test_a_function_is_cleared_by_itself(made):
    first = made(1, "inch")
    made.clear()
    assert made(1, "inch") is not first


def test_the_oldest_makes_room(made):
    first = made(1, "inch")
    for version in (2, 3, 4):
        made(version, "inch")
    assert made(1, "inch") is not first


def test_a_failure_is_not_kept(made):
    tries = []

    @kept(2)
    def wrong(version):
        tries.append(version)
        raise ValueError("no")

    for _ in range(2):
        with pytest.raises(ValueError, match="no"):
            wrong(1)
    assert tries == [1, 1]


def test_a_table_of_rows_keeps_order_and_empty_cells():
    table = rows_table([{"Pass": "roughing", "Dye": None}, {"Pass": "finishing", "Dye": "front left"}])
    assert table.column_names == ["Pass", "Dye"]
    assert table.to_pylist()[0] == {"Pass": "roughing", "Dye": None}


def test_a_frame_is_sent_without_its_index():
    frame = rows_table([{"id": 7, "Tag": "A"}]).to_pandas().set_index("id")
    assert sent(frame).column_names == ["Tag"]
