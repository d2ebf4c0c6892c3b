"""Altair charts: data in, chart out. They compute nothing."""

from __future__ import annotations

import altair as alt
import pandas as pd

from planner.screens.palette import CUT, DARK, EDGE, INK, LATE, SETUP, WAIT, WORK

BELOW = 5
"""How far a bar hangs below the middle of its lane: its job's name stands above it."""
_ROOM = "(scale('x', datum.next) - scale('x', datum.begin))"
_NAME = (
    f"{_ROOM} > 3 + min(84, 6.5 * length(datum.what)) ? datum.what : {_ROOM} > 29 ? '…' + slice(datum.what, -3) : "
    f"{_ROOM} > 17 ? '…' : ''"
)
"""A job's name in the room up to the next one on its lane: whole, its last three signs, or none. A bar says it, too."""

_INWARD = {"left": 8, "center": 0, "right": -8}


def timeline(rows: pd.DataFrame | alt.Data) -> alt.Chart:
    """The board: a lane per day, machine and person, the time of day across.

    ``rows``: lane, job, begin, end (hours of the day), work (or "break", "overtime", "due", "missed", "now", "name"),
    what, who, time, next (of a name: where the next one on its lane begins). A click on a bar selects its job under the
    name "pick". The order of the lanes and the hours shown are the page's to put in.
    """
    across = alt.Scale(nice=False)
    clock = "floor(datum.value) + ':' + format(60 * (datum.value - floor(datum.value)), '02.0f')"
    x = alt.X("begin:Q", title=None, scale=across, axis=alt.Axis(labelExpr=clock, tickCount=10, orient="top"))
    y = alt.Y("lane:N", title=None, axis=alt.Axis(labelLimit=230))
    tips = ["what:N", "work:N", "who:N", "time:N"]
    base = alt.Chart(rows)
    ground = (
        base.transform_filter(alt.FieldOneOfPredicate("work", ["break", "overtime"]))
        .mark_bar(height=19, opacity=0.35, yOffset=BELOW, y2Offset=BELOW)
        .encode(
            x=x,
            x2="end:Q",
            y=y,
            color=alt.condition("datum.work == 'overtime'", alt.value(SETUP), alt.value(INK)),
            tooltip=["work:N", "who:N", "time:N"],
        )
    )
    pick = alt.selection_point(name="pick", fields=["job"], on="click")
    drawn = (
        base.transform_filter(alt.FieldOneOfPredicate("work", list(WORK)))
        .mark_bar(height=15, yOffset=BELOW, y2Offset=BELOW)
        .encode(
            x=x,
            x2="end:Q",
            y=y,
            color=alt.Color(
                "work:N",
                scale=alt.Scale(domain=list(WORK), range=list(WORK.values())),
                legend=alt.Legend(orient="bottom", title=None, columns=6),
            ),
            opacity=alt.condition(pick, alt.value(1.0), alt.value(0.45)),
            tooltip=tips,
        )
        .add_params(pick)
    )
    names = (
        base.transform_filter("datum.work == 'name'")
        .mark_text(
            text=alt.ExprRef(_NAME), align="left", baseline="bottom", dx=1, dy=-3, fontSize=10, color=INK, limit=84
        )
        .encode(x=x, y=y, tooltip=["what:N", "time:N"])
    )
    marks = (
        base.transform_filter(alt.FieldOneOfPredicate("work", ["due", "missed"]))
        .mark_point(shape="triangle-down", size=60, filled=True, yOffset=-9, opacity=1)
        .encode(x=x, y=y, color=alt.condition("datum.work == 'missed'", alt.value(LATE), alt.value(INK)), tooltip=tips)
    )
    now = (
        base.transform_filter("datum.work == 'now'")
        .mark_tick(color=LATE, thickness=2, size=26)
        .encode(x=x, y=y, tooltip=["what:N", "time:N"])
    )
    return alt.layer(ground, drawn, names, marks, now)


def hours(frame: pd.DataFrame | alt.Data) -> alt.Chart:
    """Hours booked in front of hours available. ``frame``: who, booked, available."""
    base = alt.Chart(frame).encode(y=alt.Y("who:N", title=None, sort=None, axis=alt.Axis(labelLimit=140)))
    room = base.mark_bar(color=WAIT, height=20).encode(
        x=alt.X("available:Q", title="hours", axis=alt.Axis(tickCount=8, format="~g")),
        tooltip=["who:N", alt.Tooltip("available:Q", format=".1f")],
    )
    used = base.mark_bar(color=CUT, height=10).encode(
        x="booked:Q", tooltip=["who:N", alt.Tooltip("booked:Q", format=".1f")]
    )
    return room + used


def set_heights(frame: pd.DataFrame, windows: pd.DataFrame, unit: str, places: int = 4) -> alt.Chart:
    """Heights of a set's members before and after their cuts, their windows and limits. ``frame``: part, kind ("before",
    "target", "after", "limit"), value; ``windows``: part, low, high. ``places`` after the point."""
    looks = {
        "before": ("circle", INK),
        "window": ("square", WAIT),
        "target": ("diamond", CUT),
        "after": ("cross", CUT),
        "limit": ("triangle-up", LATE),
    }
    drawn = set(frame["kind"]) | ({"window"} if len(windows) else set())
    kinds = [kind for kind in looks if kind in drawn]
    shapes = alt.Scale(domain=kinds, range=[looks[kind][0] for kind in kinds])
    colours = alt.Scale(domain=kinds, range=[looks[kind][1] for kind in kinds])
    parts = list(dict.fromkeys(frame["part"]))
    x = alt.X("part:N", title=None, sort=parts, scale=alt.Scale(domain=parts), axis=alt.Axis(labelAngle=0))
    scale = alt.Scale(zero=False, padding=14)
    y = alt.Y("value:Q", title=f"height ({unit})", scale=scale, axis=alt.Axis(format=f".{places}f"))
    base = alt.Chart(frame).encode(x=x, y=y)
    legend = alt.Legend(orient="bottom", title=None)
    points = base.mark_point(size=170, filled=True, opacity=1).encode(
        shape=alt.Shape("kind:N", scale=shapes, legend=legend),
        color=alt.Color("kind:N", scale=colours, legend=legend),
        tooltip=["part:N", "kind:N", alt.Tooltip("value:Q", format=f".{places}f")],
    )
    # clear of the window's bar: on it the figures could not be read
    figures = base.mark_text(dx=24, align="left", fontSize=11, color=INK).encode(
        text=alt.Text("value:Q", format=f".{places}f")
    )
    band = (
        alt.Chart(windows.assign(kind="window"))
        .mark_bar(width=46)
        .encode(
            x=x,
            color=alt.Color("kind:N", scale=colours, legend=legend),
            y=alt.Y("low:Q", scale=scale),
            y2="high:Q",
            tooltip=[
                "part:N",
                alt.Tooltip("low:Q", format=f".{places}f", title="window from"),
                alt.Tooltip("high:Q", format=f".{places}f", title="to"),
            ],
        )
    )
    layers = [band, points, figures] if len(windows) else [points, figures]
    return alt.layer(*layers).properties(height=360)


def face(outline: tuple[float, float], openings: pd.DataFrame, points: pd.DataFrame, width_px: int = 500) -> alt.Chart:
    """A face to scale, as it lies on the table. ``openings``: x, y, radius; ``points``: name, x, y (shown units)."""
    length, width = outline
    scale = width_px / length
    height_px = max(60, int(width * scale))
    x = alt.X("x:Q", scale=alt.Scale(domain=[0, length], nice=False), title=None)
    y = alt.Y("y:Q", scale=alt.Scale(domain=[0, width], nice=False), title=None)
    ground = (
        alt.Chart(pd.DataFrame({"x": [0], "y": [0], "x2": [length], "y2": [width]}))
        .mark_rect(color=WAIT, stroke=INK)
        .encode(x=x, y=y, x2="x2:Q", y2="y2:Q")
    )
    layers = [ground]
    if len(openings):
        layers.append(
            alt.Chart(openings.assign(size=(openings["radius"] * 2 * scale) ** 2 * 0.785))
            .mark_point(filled=True, color="white", opacity=1, stroke=INK, strokeWidth=1)
            .encode(x=x, y=y, size=alt.Size("size:Q", scale=None))
        )
    if len(points):
        spots = alt.Chart(points).encode(x=x, y=y)
        layers.append(spots.mark_point(shape="cross", size=60, color=EDGE).encode(tooltip=["name:N"]))
        # a name stands inward of its point, so that it runs neither into the figures of the axis nor off the picture
        side = pd.cut(
            points["x"] / length, [-float("inf"), 1 / 3, 2 / 3, float("inf")], labels=["left", "center", "right"]
        )
        upper = points["y"] > width / 2
        for (align, above), named in points.groupby([side.astype(str), upper]):
            # on a band of the ground's own colour: a name may lie across an opening's edge
            for look in ({"color": WAIT, "stroke": WAIT, "strokeWidth": 4}, {"color": DARK}):
                names = alt.Chart(named).mark_text(
                    align=align, dx=_INWARD[align], dy=12 if above else -9, fontSize=11, **look
                )
                layers.append(names.encode(x=x, y=y, text="name:N"))
    return alt.layer(*layers).properties(width=width_px, height=height_px)


def part_history(frame: pd.DataFrame, unit: str) -> alt.Chart:
    """Height of a part over its cuts. ``frame``: at, height, what."""
    return (
        alt.Chart(frame)
        .mark_line(point=True, color=CUT, interpolate="step-after")
        .encode(
            x=alt.X("at:T", title=None),
            y=alt.Y("height:Q", title=f"height ({unit})", scale=alt.Scale(zero=False)),
            tooltip=["what:N", alt.Tooltip("at:T", format="%d %b %Y"), alt.Tooltip("height:Q", format=".4f")],
        )
        .properties(height=220)
    )
