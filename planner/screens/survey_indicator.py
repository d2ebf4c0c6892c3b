"""The indicator: its kind and inclination, its division, how well it repeats. Set once, remembered for the next sweep."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import streamlit as st

from planner.face import true_reading
from planner.screens import access
from planner.screens.keys import tall
from planner.screens.picture import drawn
from planner.screens.survey_draft import INDICATOR, INDICATOR_KEY, Draft, press, put, steps
from planner.screens.survey_picture import indicator_chart
from planner.units import MM_PER_THOU, Units

STEEPEST_DEG = 60.0


def draw_indicator(draft: Draft, units: Units) -> None:
    """Kind and inclination of the indicator; what it shows is too much by 1 / cos of the angle."""
    kind, angle = draft.indicator.value, draft.angle_deg
    st.markdown("**Indicator**")
    _keys(draft, "kind", kind, [("Lever", "lever"), ("Plunger", "plunger")], "indicator")
    st.vega_lite_chart(
        spec=drawn(indicator_chart, kind == "lever", angle),
        width="content",
        alt="The angle between stylus and surface" if kind == "lever" else "The angle between plunger and spindle",
    )
    _keys(draft, "angle", angle, [(f"{turn}°", float(turn)) for turn in (0, 15, 30, 45)], "inclined")
    # the figure stands in the key: a tap on an angle above shows in the field, too
    typed = f"{draft.key}/angle typed/{angle:g}"
    st.number_input(
        "or another angle (°)",
        0.0,
        STEEPEST_DEG,
        angle,
        1.0,
        "%g",
        key=typed,
        on_change=lambda: _set(draft, {"angle": float(st.session_state[typed])}),
        help="up to 60°: steeper, the contact slips",
    )
    if angle:
        shown = steps(units)[1] * 10
        told = units.depth(shown * float(true_reading(1.0, angle)))
        st.caption(f"Inclined {angle:g}°: {units.depth(shown)} shown is {told} of height.")
    factor = MM_PER_THOU if units.inch else 1.0
    st.markdown("**One division of its dial**")
    sizes = (0.1, 0.5, 1.0) if units.inch else (0.001, 0.002, 0.01)
    _keys(draft, "division_mm", draft.division_mm, _sizes(sizes, draft.division_mm, factor, units))
    st.markdown("**Readings of one place agree within**")
    sizes = (0.1, 0.4, 1.0) if units.inch else (0.002, 0.01, 0.02)
    # two standard deviations: what a person sees who reads one place a few times
    options = [(f"±{label}", size / 2) for label, size in _sizes(sizes, 2 * draft.noise_mm, factor, units)]
    _keys(draft, "noise_mm", draft.noise_mm, options)
    st.caption(
        f"Now: a division of {units.depth(draft.division_mm)}, agreeing within ±{units.depth(2 * draft.noise_mm)}. Both "
        "widen what the readings allow. Remembered for the next sweep."
    )


def _sizes(usual: tuple[float, ...], now_mm: float, factor: float, units: Units) -> list[tuple[str, float]]:
    """The usual sizes, and the one that holds where it was set in the other unit."""
    sizes = [size * factor for size in usual]
    if not any(_same(size, now_mm) for size in sizes):
        sizes = sorted([*sizes, now_mm])
    return [(units.depth(size), size) for size in sizes]


def _keys(draft: Draft, entry: str, now: Any, options: list[tuple[str, Any]], below: str = "") -> None:
    """A row of keys, the one that holds lit."""
    for cell, (label, value) in zip(st.columns(len(options)), options, strict=True):
        same = value == now if isinstance(value, str) else _same(value, now)
        cell.button(
            tall(label, below),
            key=f"{draft.key}/{entry}/{label}",
            on_click=_set,
            args=(draft, {entry: value}),
            width="stretch",
            type="primary" if same else "secondary",
        )


def _same(one: float, other: float) -> bool:
    return abs(one - other) < 0.03 * max(one, 1e-6)


def _set(draft: Draft, values: dict[str, Any]) -> None:
    """Set it for this sweep, and for those to come."""
    owner = (draft.part_id, draft.face, draft.stage)
    press(owner, put, values)
    now = Draft(*owner)
    kept = {name: now.data[name] for name in INDICATOR if name in now.data}
    access.repository().put_draft(INDICATOR_KEY, kept, datetime.now())
