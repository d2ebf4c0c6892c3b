"""What is kept between reruns: charts as specifications, tables and charts of a plan while nothing changes."""

from __future__ import annotations

import altair as alt
import pandas as pd

from planner.screens import charts
from planner.screens.picture import specification
from tests.tiny import MONDAY


def frame() -> pd.DataFrame:
    rows = [("surfacer", "machine", 10.0, 40.0), ("Ann", "person", 8.0, 38.0)]
    return pd.DataFrame(rows, columns=["who", "kind", "booked", "available"])


def test_a_specification_names_the_data_it_carries():
    spec = specification(charts.hours(frame()))
    assert spec["data"]["name"] in spec["datasets"]
    carried = spec["datasets"][spec["data"]["name"]]
    assert carried["booked"].tolist() == [10.0, 8.0]
    assert carried["who"].tolist() == ["surfacer", "Ann"]


def test_every_layer_keeps_its_own_data():
    heights = pd.DataFrame([("A", "before", 3.0), ("B", "before", 3.1)], columns=["part", "kind", "value"])
    windows = pd.DataFrame([("A", 2.9, 3.0)], columns=["part", "low", "high"])
    spec = specification(charts.set_heights(heights, windows, "in"))
    sizes = sorted(len(rows) for rows in spec["datasets"].values())
    assert sizes == [1, 2]


def test_a_chart_carries_its_data_while_another_session_turns_the_hand_over_aside():
    heights = pd.DataFrame([("A", "before", 3.0), ("B", "before", 3.1)], columns=["part", "kind", "value"])
    windows = pd.DataFrame([("A", 2.9, 3.0)], columns=["part", "low", "high"])
    alt.data_transformers.register("elsewhere", lambda data: {"name": "elsewhere"})
    with alt.data_transformers.enable("elsewhere"):
        plain = specification(charts.hours(frame()))
        layered = specification(charts.set_heights(heights, windows, "in"))
        joined = specification(alt.hconcat(charts.hours(frame()), charts.hours(frame().tail(1))))
    assert plain["datasets"][plain["data"]["name"]]["booked"].tolist() == [10.0, 8.0]
    assert sorted(len(rows) for rows in layered["datasets"].values()) == [1, 2]
    assert [len(joined["datasets"][one["data"]["name"]]) for one in joined["hconcat"]] == [2, 1]


def test_the_library_s_own_size_is_left_out_and_ours_is_kept():
    spec = specification(charts.hours(frame()).properties(height=136))
    assert "view" not in spec.get("config", {})
    assert spec["height"] == 136


def test_an_insert_opened_elsewhere_is_told_at_the_next_rerun(app, store, go):
    app.session_state["inserts/part"], app.session_state["inserts/history"] = "History", "Entries"
    go(app, "inserts")
    assert all("K-77" not in table.value.to_string() for table in app.dataframe)
    store.open_insert(next(iter(store.load_shop().grades)), "K-77", MONDAY, "ab")
    app.run()
    assert "K-77" in app.dataframe[-1].value["Insert"].tolist()


def test_the_week_draws_the_same_charts_at_a_rerun(app):
    app.run()
    first = [chart.proto.spec for chart in app.get("vega_lite_chart")]
    app.run()
    assert len(first) == 2
    assert [chart.proto.spec for chart in app.get("vega_lite_chart")] == first
