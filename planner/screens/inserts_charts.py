"""Charts of the page Inserts: data in, chart out. They compute nothing."""

from __future__ import annotations

import altair as alt
import pandas as pd

from planner.screens.palette import ATTEND, CUT, EDGE, INK, LATE, SETUP, WAIT

_HUES = [CUT, SETUP, EDGE, INK, ATTEND, WAIT, LATE]


def spent(frame: pd.DataFrame) -> alt.LayerChart:
    """Share of life spent against the planning limit. ``frame``: edge, part ("so far", "this week"), use, low, high
    (range of so far), limit, step (order of the parts)."""
    y = alt.Y("edge:N", title=None, sort=None, axis=alt.Axis(labelLimit=260, labelOverlap=False))
    bars = (
        alt.Chart(frame)
        .mark_bar(height=18)
        .encode(
            x=alt.X("use:Q", title="share of an edge's life spent", axis=alt.Axis(format="%")),
            y=y,
            color=alt.Color(
                "part:N",
                scale=alt.Scale(domain=["so far", "this week"], range=[INK, ATTEND]),
                legend=alt.Legend(orient="bottom", title=None),
            ),
            order=alt.Order("step:Q"),
            tooltip=["edge:N", "part:N", alt.Tooltip("use:Q", format=".1%")],
        )
    )
    told = alt.Chart(frame).transform_filter("datum.step == 0")
    ranges = told.mark_rule(color=SETUP, strokeWidth=2).encode(x="low:Q", x2="high:Q", y=y)
    limit = told.mark_tick(color=LATE, thickness=3, size=26).encode(x="limit:Q", y=y)
    return (bars + ranges + limit).properties(height=40 * frame["edge"].nunique() + 90)


def areas(frame: pd.DataFrame, unit: str) -> alt.Chart:
    """Area machined by edge and material. ``frame``: edge, material, area, since."""
    return (
        alt.Chart(frame)
        .mark_bar()
        .encode(
            x=alt.X("area:Q", title=f"area machined ({unit})"),
            y=alt.Y("edge:N", title=None, sort=None, axis=alt.Axis(labelLimit=260, labelOverlap=False)),
            color=alt.Color("material:N", scale=alt.Scale(range=_HUES), legend=alt.Legend(orient="bottom", title=None)),
            tooltip=["edge:N", "material:N", alt.Tooltip("area:Q", format=",.4~r"), "ended:N"],
        )
        .properties(height=22 * frame["edge"].nunique() + 80)
    )


def ends(frame: pd.DataFrame) -> alt.Chart:
    """How edges ended. ``frame``: grade, end, count."""
    return (
        alt.Chart(frame)
        .mark_bar()
        .encode(
            x=alt.X("count:Q", title="edges", axis=alt.Axis(tickMinStep=1, format="d")),
            y=alt.Y("grade:N", title=None, axis=alt.Axis(labelLimit=260, labelOverlap=False)),
            color=alt.Color(
                "end:N", scale=alt.Scale(range=_HUES), legend=alt.Legend(orient="bottom", title=None, columns=3)
            ),
            tooltip=["grade:N", "end:N", "count:Q"],
        )
        .properties(height=44 * frame["grade"].nunique() + 110)
    )


def finish(points: pd.DataFrame, line: pd.DataFrame, unit: str) -> alt.LayerChart:
    """Roughness of cuts against the use of the edge. ``points``: use, ra, part, at; ``line``: use, ra (may be empty)."""
    x = alt.X("use:Q", title="share of the edge's life spent at the cut", axis=alt.Axis(format="%"))
    y = alt.Y("ra:Q", title=f"Ra ({unit})", scale=alt.Scale(zero=False))
    dots = (
        alt.Chart(points)
        .mark_point(color=CUT, filled=True, opacity=0.55, size=32)
        .encode(x=x, y=y, tooltip=["part:N", alt.Tooltip("at:T", format="%d %b %Y"), alt.Tooltip("ra:Q", format=".1f")])
    )
    middle = alt.Chart(line).mark_line(color=LATE, strokeWidth=2).encode(x=x, y=y)
    return (dots + middle).properties(height=320)
