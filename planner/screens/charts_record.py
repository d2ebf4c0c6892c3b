"""Altair charts of what was done and what was learned from it: data in, chart out. They compute nothing."""

from __future__ import annotations

import altair as alt
import pandas as pd

from planner.screens.palette import CUT, INK, LATE, WAIT


def differences(frame: pd.DataFrame, title: str, width: float) -> alt.Chart:
    """How far cuts ended from their plan. ``frame``: at (actual less planned), cuts; bins are ``width`` wide."""
    shown = frame.assign(low=frame["at"] - width / 2, high=frame["at"] + width / 2)
    bars = (
        alt.Chart(shown)
        .mark_bar(stroke="white", strokeWidth=0.5)
        .encode(
            x=alt.X("low:Q", title=title, scale=alt.Scale(nice=False)),
            x2="high:Q",
            y=alt.Y("cuts:Q", title="cuts"),
            y2=alt.datum(0),
            color=alt.condition(f"datum.at > {width / 2}", alt.value(LATE), alt.value(CUT)),
            tooltip=[alt.Tooltip("at:Q", title="more than planned", format=".3~g"), "cuts:Q"],
        )
    )
    zero = alt.Chart(pd.DataFrame({"at": [0.0]})).mark_rule(color=INK, strokeDash=[4, 3]).encode(x="at:Q")
    return (bars + zero).properties(height=230)


def held_by_quarter(frame: pd.DataFrame) -> alt.Chart:
    """Share of cuts that stayed inside what was allowed for. ``frame``: quarter, inside, cuts."""
    dots = (
        alt.Chart(frame)
        .mark_line(point=alt.OverlayMarkDef(size=70, color=CUT), color=CUT)
        .encode(
            x=alt.X("quarter:T", title=None, axis=alt.Axis(format="%b %Y", tickCount=8)),
            y=alt.Y("inside:Q", title="stayed inside", axis=alt.Axis(format="%"), scale=alt.Scale(domain=[0, 1])),
            tooltip=[
                alt.Tooltip("quarter:T", title="from", format="%d %b %Y"),
                alt.Tooltip("inside:Q", format=".0%"),
                "cuts:Q",
            ],
        )
    )
    aim = alt.Chart(pd.DataFrame({"inside": [0.8]})).mark_rule(color=INK, strokeDash=[4, 3]).encode(y="inside:Q")
    return (dots + aim).properties(height=230)


def part_course(frame: pd.DataFrame, lines: pd.DataFrame, unit: str) -> alt.Chart:
    """A part's height over its cuts down to its limit. ``frame``: at, height, what, said (rebuilds left in words);
    ``lines``: height, kind ("limit" or "a rebuild above it")."""
    lowest = min([frame["height"].min(), *lines["height"]])
    span = alt.Scale(zero=False, domain=[lowest, float(max([frame["height"].max(), *lines["height"]]))], nice=True)
    base = alt.Chart(frame).encode(
        x=alt.X("at:T", title=None, axis=alt.Axis(format="%d %b %Y", tickCount=6, labelOverlap=True)),
        y=alt.Y("height:Q", title=f"height ({unit})", scale=span),
        tooltip=[
            "what:N",
            alt.Tooltip("at:T", format="%d %b %Y"),
            alt.Tooltip("height:Q", format=".4f"),
            alt.Tooltip("said:N", title="left"),
        ],
    )
    course = base.mark_line(color=CUT, interpolate="step-after") + base.mark_point(color=CUT, filled=True, size=70)
    words = base.mark_text(align="left", dx=8, dy=-10, color=INK).encode(text="said:N")
    layers = [course, words]
    if len(lines):
        rules = (
            alt.Chart(lines)
            .mark_rule()
            .encode(
                y="height:Q",
                color=alt.Color(
                    "kind:N",
                    scale=alt.Scale(domain=["limit", "a rebuild above it"], range=[LATE, WAIT]),
                    legend=alt.Legend(orient="bottom", title=None),
                ),
                tooltip=["kind:N", alt.Tooltip("height:Q", format=".4f")],
            )
        )
        layers.insert(0, rules)
    return alt.layer(*layers).properties(height=340)


def depth_fit(frame: pd.DataFrame, unit: str, what: str = "depth below first contact") -> alt.Chart:
    """Fit against record. ``frame``: depth, fitted, surely, possibly (shares of parts clean at that depth)."""
    base = alt.Chart(frame).encode(x=alt.X("depth:Q", title=f"{what} ({unit})"))
    tips = [
        alt.Tooltip("depth:Q", format=".3~g"),
        alt.Tooltip("fitted:Q", title="fitted", format=".0%"),
        alt.Tooltip("surely:Q", title="seen clean by then", format=".0%"),
        alt.Tooltip("possibly:Q", title="may have been clean", format=".0%"),
    ]
    share = alt.Axis(format="%")
    band = base.mark_area(color=WAIT, opacity=0.7, interpolate="step-after").encode(
        y=alt.Y("surely:Q", title="share of parts clean", axis=share, scale=alt.Scale(domain=[0, 1])),
        y2="possibly:Q",
        tooltip=tips,
    )
    line = base.mark_line(color=CUT, strokeWidth=3).encode(y="fitted:Q", tooltip=tips)
    return (band + line).properties(height=300)


def ranges(frame: pd.DataFrame, title: str, log: bool = False) -> alt.Chart:
    """Figures with their range beside starting values. ``frame``: name, value, low, high, start."""
    scale = alt.Scale(type="log", nice=False, padding=12) if log else alt.Scale(zero=False, padding=12)
    y = alt.Y("name:N", title=None, sort=None, axis=alt.Axis(labelLimit=260))
    base = alt.Chart(frame).encode(y=y)
    tips = [
        "name:N",
        alt.Tooltip("value:Q", title="learned", format=".3~g"),
        alt.Tooltip("low:Q", title="from", format=".3~g"),
        alt.Tooltip("high:Q", title="to", format=".3~g"),
        alt.Tooltip("start:Q", title="starting value", format=".3~g"),
    ]
    reach = base.mark_rule(color=WAIT, strokeWidth=8).encode(
        x=alt.X("low:Q", title=title, scale=scale), x2="high:Q", tooltip=tips
    )
    dot = base.mark_point(filled=True, size=110, color=CUT, opacity=1).encode(x="value:Q", tooltip=tips)
    start = base.mark_tick(color=INK, thickness=2, size=22).encode(x="start:Q", tooltip=tips)
    return (reach + start + dot).properties(height=34 * max(1, len(frame)) + 60)


def readings(points: pd.DataFrame, line: pd.DataFrame, feed_unit: str, ra_unit: str) -> alt.Chart:
    """Ra read against the feed that made it. ``points``: feed, ra, cuts; ``line``: feed, ra, kind ("learned",
    "starting value", "theory alone")."""
    x = alt.X("feed:Q", title=f"feed ({feed_unit})", scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=8))
    dots = (
        alt.Chart(points)
        .mark_circle(color=INK, opacity=0.45)
        .encode(
            x=x,
            y=alt.Y("ra:Q", title=f"Ra ({ra_unit})"),
            size=alt.Size("cuts:Q", legend=None, scale=alt.Scale(range=[40, 400])),
            tooltip=[alt.Tooltip("feed:Q", format=".4~g"), alt.Tooltip("ra:Q", format=".3~g"), "cuts:Q"],
        )
    )
    kinds = ["learned", "starting value", "theory alone"]
    lines = (
        alt.Chart(line)
        .mark_line(strokeWidth=3)
        .encode(
            x=x,
            y="ra:Q",
            color=alt.Color(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=[CUT, "#b08a4a", WAIT]),
                legend=alt.Legend(orient="bottom", title=None),
            ),
        )
    )
    return (dots + lines).properties(height=300)


def speeds(frame: pd.DataFrame, marks: pd.DataFrame, title: str, speed_unit: str) -> alt.Chart:
    """A figure against surface speed. ``frame``: speed, value; ``marks``: speed, value, kind ("now", "cheapest",
    "fastest")."""
    x = alt.X(
        "speed:Q",
        title=f"surface speed ({speed_unit})",
        scale=alt.Scale(zero=False, nice=False, padding=12),
        axis=alt.Axis(tickCount=8),
    )
    line = (
        alt.Chart(frame)
        .mark_line(color=CUT, strokeWidth=3)
        .encode(
            x=x,
            y=alt.Y("value:Q", title=title, scale=alt.Scale(zero=False)),
            tooltip=[alt.Tooltip("speed:Q", format=".0f"), alt.Tooltip("value:Q", format=".3~g")],
        )
    )
    kinds = ["now", "cheapest", "fastest"]
    dots = (
        # the two that stand out may meet where no faster speed can be set: the larger is drawn first
        alt.Chart(marks.iloc[::-1])
        .mark_point(filled=True, opacity=1)
        .encode(
            x=x,
            y="value:Q",
            size=alt.Size("kind:N", scale=alt.Scale(domain=kinds, range=[110, 380]), legend=None),
            color=alt.Color(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=[INK, "#b08a4a", LATE]),
                legend=alt.Legend(orient="bottom", title=None),
            ),
            shape=alt.Shape(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=["circle", "diamond", "triangle-up"]),
                legend=alt.Legend(orient="bottom", title=None),
            ),
            tooltip=["kind:N", alt.Tooltip("speed:Q", format=".0f"), alt.Tooltip("value:Q", format=".3~g")],
        )
    )
    return (line + dots).properties(height=240)
