"""Pictures of a face being measured: to scale, heights as colour and numbers; data in, chart out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from planner.screens.picture import drawn
from planner.shop import Face
from planner.units import Units

PLATE, LINE, DARK, AMBER = "#eceff0", "#6a7d81", "#16262a", "#c98a00"
# blue for low, orange for high: told apart with any colour vision, and the number stands beside it
LOW, MIDDLE, HIGH = "#2166ac", "#f7f7f7", "#b35806"
TOUCHED, DIRTY = "#d9a520", "#2b4d7e"


@dataclass(frozen=True)
class Marks:
    """What is drawn on the face: ``heights`` mm by point (missing = not read), ``labels`` instead of their figures."""

    places: Mapping[str, tuple[float, float]]
    heights: Mapping[str, float] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)
    here: str = ""
    first_contact: str = ""
    last_to_clean: str = ""
    supports: Sequence[tuple[float, float, str]] = ()


def scale_of(face: Face, width_px: int, units: Units) -> tuple[alt.X, alt.Y, int, float]:
    """Both axes in the person's unit with one scale, the height in px, and px per mm."""
    margin = 0.04 * face.length_mm
    factor = units.length_factor
    across = [-margin / factor, (face.length_mm + margin) / factor]
    # room above for the figures of the back edge
    above = 2.2 * margin
    up = [-margin / factor, (face.width_mm + above) / factor]
    px_per_mm = width_px / (face.length_mm + 2 * margin)
    axis = alt.Axis(grid=False, domain=False, tickCount=5, title=None, labelColor=LINE)
    x = alt.X("x:Q", scale=alt.Scale(domain=across, nice=False), axis=axis)
    y = alt.Y("y:Q", scale=alt.Scale(domain=up, nice=False), axis=axis)
    return x, y, max(120, int((face.width_mm + margin + above) * px_per_mm)), px_per_mm


def ground(face: Face, x: alt.X, y: alt.Y, px_per_mm: float, units: Units) -> list[alt.Chart]:
    """Outline and openings."""
    factor = units.length_factor
    plate = pd.DataFrame({"x": [0.0], "y": [0.0], "x2": [face.length_mm / factor], "y2": [face.width_mm / factor]})
    # a light ground for all of it: figures beside the edge are read in the dark theme, too
    sheet = (
        alt.Chart(pd.DataFrame({"all": [0]}))
        .mark_rect(color="#fbfcfc")
        .encode(x=alt.value(0), y=alt.value(0), x2=alt.value("width"), y2=alt.value("height"))
    )
    layers = [sheet, alt.Chart(plate).mark_rect(color=PLATE, stroke=LINE).encode(x=x, y=y, x2="x2:Q", y2="y2:Q")]
    if face.openings:
        holes = pd.DataFrame(
            [
                {"x": c.x_mm / factor, "y": c.y_mm / factor, "size": np.pi * (c.radius_mm * px_per_mm) ** 2}
                for c in face.openings
            ]
        )
        layers.append(
            alt.Chart(holes)
            .mark_point(shape="circle", filled=True, color="#c4cccd", stroke=LINE, strokeWidth=1, opacity=1)
            .encode(x=x, y=y, size=alt.Size("size:Q", scale=None))
        )
    return layers


def face_picture(face: Face, marks: Marks, units: Units) -> dict[str, Any]:
    """The face to scale with its readings, first contact, last to clean and the stacks under the supports, as a
    specification. Only its rows change from tap to tap: a picture made anew would hold a run up for so long that two
    quick taps on one key are counted as one."""
    spec = drawn(face_chart, face, units, len(marks.places) <= 40, bool(marks.supports))
    return spec | {"datasets": spec["datasets"] | _rows(marks, units)}


def _rows(marks: Marks, units: Units) -> dict[str, pd.DataFrame]:
    """What `face_chart` draws."""
    factor, heights = units.length_factor, marks.heights
    reach = max((abs(height) for height in heights.values()), default=0.0) or 1.0
    points = [
        {
            "x": x / factor,
            "y": y / factor,
            "name": name,
            "read": name in heights,
            "tint": heights.get(name, 0.0) / reach,
            "said": marks.labels.get(name) or (_figure(heights[name], units) if name in heights else ""),
            "here": name == marks.here,
            "first": name == marks.first_contact,
            "last": name == marks.last_to_clean,
        }
        for name, (x, y) in marks.places.items()
    ]
    found = {"points": pd.DataFrame(points)}
    if marks.supports:
        stacks = [{"x": x / factor, "y": y / factor, "stack": said} for x, y, said in marks.supports]
        found["supports"] = pd.DataFrame(stacks)
    return found


def face_chart(face: Face, units: Units, few: bool, supports: bool, width_px: int = 505) -> alt.LayerChart:
    """The chart of a face, without its data sets "points" and "supports"; ``few`` points have room for their figures."""
    x, y, height_px, px_per_mm = scale_of(face, width_px, units)
    layers = ground(face, x, y, px_per_mm, units)
    factor = units.length_factor
    points = alt.Chart(alt.NamedData(name="points"))
    layers.append(
        points.transform_filter("!datum.read")
        .mark_point(shape="circle", size=150, stroke=LINE, strokeWidth=2, fill="white", opacity=1)
        .encode(x=x, y=y, tooltip=["name:N"])
    )
    colour = alt.Color("tint:Q", scale=alt.Scale(domain=[-1, 0, 1], range=[LOW, MIDDLE, HIGH]), legend=None)
    layers.append(
        points.transform_filter("datum.read")
        .mark_point(shape="circle", size=320 if few else 40, filled=True, stroke=DARK, strokeWidth=1, opacity=1)
        .encode(x=x, y=y, color=colour, tooltip=["name:N", "said:N"])
    )
    if few:
        layers.append(
            points.mark_text(dy=-20, fontSize=14, fontWeight="bold", color=DARK).encode(x=x, y=y, text="said:N")
        )
    for flag, shape, stroke, size, width in (
        ("here", "circle", AMBER, 620, 4),
        ("first", "triangle-up", DARK, 420, 2.5),
        ("last", "square", DARK, 420, 2.5),
    ):
        layers.append(
            points.transform_filter(f"datum.{flag}")
            .mark_point(shape=shape, size=size, filled=False, stroke=stroke, strokeWidth=width, opacity=1)
            .encode(x=x, y=y, tooltip=["name:N", "said:N"])
        )
    if supports:
        shown = alt.Chart(alt.NamedData(name="supports")).encode(x=x, y=y)
        layers.append(shown.mark_point(shape="square", size=500, filled=True, color=DARK, opacity=0.85))
        # toward the middle of the face: the points stand along its edges
        for front in (True, False):
            for left in (True, False):
                beside = shown.transform_filter(
                    f"(datum.y < {face.width_mm / 2 / factor}) == {str(front).lower()} && "
                    f"(datum.x < {face.length_mm / 2 / factor}) == {str(left).lower()}"
                )
                side = {"align": "left", "dx": -11} if left else {"align": "right", "dx": 11}
                text = beside.mark_text(dy=-22 if front else 24, fontSize=14, fontWeight="bold", color=DARK, **side)
                layers.append(text.encode(text="stack:N"))
    return alt.layer(*layers).properties(width=width_px, height=height_px)


def _figure(mm: float, units: Units) -> str:
    body = units.depth(abs(mm), unit=False)
    return "0" if float(body) == 0 else f"{'+' if mm > 0 else '−'}{body}"


def come_in(face: Face, cells: tuple[np.ndarray, np.ndarray, np.ndarray], depth_mm: float, units: Units) -> alt.Chart:
    """What has come in at a depth: the map of a clean-up, cut places bright, dye dark. ``cells``: x, y, depth."""
    width_px = 505
    x, y, height_px, px_per_mm = scale_of(face, width_px, units)
    along, across, depths = cells
    factor = units.length_factor
    dx, dy = (float(v[1] - v[0]) / 2 if len(v) > 1 else 1.0 for v in (along, across))
    grid_x, grid_y = np.meshgrid(along, across)
    known = ~np.isnan(depths)
    frame = pd.DataFrame(
        {
            "x": (grid_x[known] - dx) / factor,
            "x2": (grid_x[known] + dx) / factor,
            "y": (grid_y[known] - dy) / factor,
            "y2": (grid_y[known] + dy) / factor,
            "state": np.where(depths[known] <= depth_mm + 1e-9, "come in", "dye left"),
        }
    )
    squares = (
        alt.Chart(frame)
        .mark_rect()
        .encode(
            x=x,
            y=y,
            x2="x2:Q",
            y2="y2:Q",
            color=alt.Color(
                "state:N",
                scale=alt.Scale(domain=["come in", "dye left"], range=[TOUCHED, DIRTY]),
                legend=alt.Legend(orient="bottom", title=None),
            ),
        )
    )
    sheet, plate, *holes = ground(face, x, y, px_per_mm, units)
    return alt.layer(sheet, plate, squares, *holes).properties(width=width_px, height=height_px)


def curve(depths_mm: np.ndarray, shares: np.ndarray, at_mm: float, units: Units) -> alt.LayerChart:
    """The clean-up curve: share of the face clean by depth, and where the slider stands."""
    frame = pd.DataFrame({"depth": depths_mm / units.depth_factor, "share": shares})
    line = (
        alt.Chart(frame)
        .mark_line(color="#1f6f78", strokeWidth=3)
        .encode(
            x=alt.X("depth:Q", title=f"depth below first contact ({units.depth_unit})"),
            y=alt.Y("share:Q", title="share of the face clean", axis=alt.Axis(format="%")),
        )
    )
    rule = alt.Chart(pd.DataFrame({"depth": [at_mm / units.depth_factor]})).mark_rule(color=AMBER, strokeWidth=3)
    return alt.layer(line, rule.encode(x="depth:Q")).properties(height=220)


def indicator_chart(lever: bool, angle_deg: float) -> alt.LayerChart:
    """How the inclination is measured: on a lever between stylus and surface, on a plunger between plunger and spindle."""
    # upright shows no angle to name, and a slight one leaves no room for its word
    turn = np.radians(max(angle_deg, 15.0) if angle_deg else 20.0)
    sweep = np.linspace(0.0, turn, 13)
    surface = pd.DataFrame({"x": [-1.0, 3.2], "y": [0.0, 0.0], "part": ["surface"] * 2, "k": [0, 1]})
    if lever:
        reach = 2.0
        tip, joint = (0.0, 0.0), (reach * np.cos(turn), reach * np.sin(turn))
        body = [(*tip, "stylus", 0), (*joint, "stylus", 1)]
        body += [(*joint, "body", 0), (joint[0] + 1.0, joint[1] + 0.5, "body", 1)]
        arc = (1.4 * np.cos(sweep), 1.4 * np.sin(sweep))
        words = [(2.45, 0.27, "this angle"), (-0.9, -0.25, "surface")]
    else:
        top = (2.2 * np.sin(turn), 2.2 * np.cos(turn))
        body = [(0, 0, "plunger", 0), (*top, "plunger", 1), (0, 0, "spindle", 0), (0, 2.2, "spindle", 1)]
        arc = (1.4 * np.sin(sweep), 1.4 * np.cos(sweep))
        words = [(top[0] + 0.65, top[1] - 0.15, "this angle"), (-0.9, 1.9, "spindle"), (-0.9, -0.25, "surface")]
    frame = pd.concat([surface, pd.DataFrame(body, columns=["x", "y", "part", "k"])])
    x = alt.X("x:Q", axis=None, scale=alt.Scale(domain=[-1.2, 3.4]))
    y = alt.Y("y:Q", axis=None, scale=alt.Scale(domain=[-0.5, 2.4]))
    names = ["surface", "stylus", "body", "plunger", "spindle"]
    lines = (
        alt.Chart(frame)
        .mark_line(strokeWidth=5)
        .encode(
            x=x,
            y=y,
            detail="part:N",
            order="k:Q",
            color=alt.Color(
                "part:N", legend=None, scale=alt.Scale(domain=names, range=[LINE, AMBER, LINE, AMBER, "#9aa8aa"])
            ),
        )
    )
    opening = pd.DataFrame({"x": arc[0], "y": arc[1], "k": range(len(sweep))})
    bow = alt.Chart(opening).mark_line(strokeWidth=2, color=LINE).encode(x=x, y=y, order="k:Q")
    told = alt.Chart(pd.DataFrame(words, columns=["x", "y", "said"])).mark_text(fontSize=13, color=LINE)
    return alt.layer(lines, bow, told.encode(x=x, y=y, text="said:N")).properties(width=260, height=165)
