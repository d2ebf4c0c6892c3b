"""The drawing of a vee seen from the front: which faces the corrections mean."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from planner.match import vee_drawing
from planner.screens.kept import kept
from planner.screens.palette import CUT, INK, LATE
from planner.screens.picture import specification

_NAMES = {
    "deck and head face": "deck and head",
    "manifold face": "manifold side",
    "end rail": "end rails",
    "bank axis": "bank's axis",
}


@kept(16)
def vee(half_angle_deg: float, face_lean_deg: float) -> dict[str, Any]:
    """Specification of the drawing: bank axes, decks, the heads' manifold faces, end rail."""
    rows = []
    for line in vee_drawing(half_angle_deg, face_lean_deg):
        what = next(words for part, words in _NAMES.items() if part in line.name)
        rows += [
            {"line": line.name, "what": what, "x": x, "y": y, "order": n}
            for n, (x, y) in enumerate((line.start, line.end))
        ]
    frame = pd.DataFrame(rows)
    reach = float(frame[["x", "y"]].abs().max().max()) * 1.05
    low = float(frame["y"].min()) - 0.05 * reach
    top = float(frame["y"].max()) + 0.15 * reach
    colours = alt.Scale(domain=list(_NAMES.values()), range=[CUT, LATE, "#b08a4a", "#c8d8d4"])
    drawn = (
        alt.Chart(frame)
        .mark_line(strokeWidth=5, strokeCap="round")
        .encode(
            x=alt.X("x:Q", axis=None, scale=alt.Scale(domain=[-reach, reach], nice=False)),
            y=alt.Y("y:Q", axis=None, scale=alt.Scale(domain=[low, top], nice=False)),
            # named beside the lines: a legend would take its height from the drawing, and the angles with it
            color=alt.Color("what:N", scale=colours, legend=None),
            detail="line:N",
            order="order:Q",
            tooltip=["what:N"],
        )
    )
    crank = alt.Chart(pd.DataFrame({"x": [0.0], "y": [0.0], "name": ["crank"]})).encode(x="x:Q", y="y:Q")
    dot = crank.mark_point(size=260, filled=False, strokeWidth=3, color=INK)
    name = crank.mark_text(dx=34, color=INK).encode(text="name:N")
    at = {(row.line, row.order): (row.x, row.y) for row in frame.itertuples()}
    rail = at["end rail", 0][1]
    beside = [
        ("deck and head", at["right deck and head face", 0], -0.08),
        ("manifold side", at["right manifold face", 1], 0.08),
        ("end rails", (0.0, rail), 0.08),
        ("bank's axis", at["left bank axis", 1], 0.08),
    ]
    named = pd.DataFrame([{"what": what, "x": x, "y": y + off * reach} for what, (x, y), off in beside])
    names = alt.Chart(named).mark_text(color=INK, fontSize=11).encode(x="x:Q", y="y:Q", text="what:N")
    return specification((drawn + dot + name + names).properties(width=300, height=300 * (top - low) / (2 * reach)))
