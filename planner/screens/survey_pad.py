"""The pad: large keys that walk the sweeping order; nothing to type, nothing to drag."""

from __future__ import annotations

import streamlit as st

from planner.face import sweep_closes
from planner.screens import access
from planner.screens.keys import tall
from planner.screens.survey_draft import CLOSING, Draft, go_to, next_point, press, signed, step_reading, steps
from planner.units import Units

MOST_KEYS = 20


def draw_pad(draft: Draft, units: Units, which: str = "read") -> None:
    """Keys for the point the indicator stands on, then on to the next."""
    at, names = draft.at, draft.names
    close = "close" if which == "read" else f"{which}_close"
    value = draft.data.get(close) if at == CLOSING else draft.readings(which).get(at)
    owner = (draft.part_id, draft.face, draft.stage)
    label = f"back at {names[0]}" if at == CLOSING else f"{at}, point {names.index(at) + 1} of {len(names)}"
    said = f" ({units.depth_unit})" if value is None else ""
    st.metric(f"**{label}**{said}", signed(value, units), border=True)

    def key(cell, label: str, deed, *args, **more) -> None:
        cell.button(
            label,
            key=f"{draft.key}/{which}/{label}",
            on_click=press,
            args=(owner, deed, *args),
            width="stretch",
            **more,
        )

    over, under = st.columns(4), st.columns(4)
    for row, word, sign in ((over, "over", 1), (under, "under", -1)):
        for cell, step in zip(row, steps(units), strict=True):
            figure = f"{step / units.depth_factor:g}".replace("0.5", "½") if units.inch else f"{step:g}"
            key(cell, f"**{'+' if sign > 0 else '−'}{figure}**  \n{word}", step_reading, sign * step, which)
    back, zero, on = st.columns([1, 1, 2])
    key(back, "**◀**  \nback", next_point, which, True)
    key(zero, "**0**  \nzero", step_reading, None, which)
    last = at == CLOSING
    label = "**✓**  \nsweep done" if last else "**▶**  \nnext point"
    key(on, label, next_point, which, type="primary", disabled=last and draft.data.get(close) is not None)


def draw_closure(draft: Draft, units: Units, which: str = "read") -> None:
    """Whether the sweep came back to its zero."""
    closing = draft.data.get("close" if which == "read" else f"{which}_close")
    first = draft.readings(which).get(draft.names[0])
    if closing is None or first is None:
        return
    closure = sweep_closes(first, closing)
    if closure.closes:
        st.success(f"The sweep closes on its zero, within {units.depth(abs(closure.drift_mm))}.")
    else:
        st.error(
            f"Something moved, sweep again: back at {draft.names[0]} it reads {signed(closing, units)} where it read "
            f"{signed(first, units)}."
        )


def draw_walk(draft: Draft, units: Units, which: str = "read") -> None:
    """The points in sweeping order, to go back to one by a tap; a probe's hundreds are no row of keys."""
    if len(draft.names) > MOST_KEYS:
        return
    readings = draft.readings(which)
    owner = (draft.part_id, draft.face, draft.stage)
    cells = st.columns(3)
    for k, name in enumerate(draft.names):
        cells[k % 3].button(
            tall(f"{name}:", signed(readings.get(name), units)),
            key=f"{draft.key}/{which}/go/{name}",
            on_click=press,
            args=(owner, go_to, name),
            width="stretch",
            type="primary" if name == draft.at else "secondary",
        )


def who_reminder() -> None:
    if not access.who():
        st.caption("Nobody is named above: the survey is stored without a name.")
