"""The colours of the charts, and of the kinds of work."""

from __future__ import annotations

# chart colours are the same in the light and the dark theme: ink stands out at 4 to 1 from the ground of either
INK, CUT, ATTEND, WAIT, SETUP, AWAY, EDGE, LATE = (
    "#6a7d81",
    "#1f6f78",
    "#6fa8a0",
    "#c8d8d4",
    "#b08a4a",
    "#a9a4bd",
    "#a3466b",
    "#b5402f",
)
DARK = "#16262a"
"""Words on a light surface that a chart draws itself."""

WORK = {
    "cut": CUT,
    "at the machine": ATTEND,
    "drying": WAIT,
    "change of setup": SETUP,
    "index the edge": EDGE,
    "at the bench": AWAY,
}
