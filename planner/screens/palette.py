"""The colours of the charts, and of the kinds of work."""

from __future__ import annotations

INK, CUT, ATTEND, WAIT, SETUP, AWAY, EDGE, LATE = (
    "#5b6b6e",
    "#1f6f78",
    "#6fa8a0",
    "#c8d8d4",
    "#b08a4a",
    "#a9a4bd",
    "#a3466b",
    "#b5402f",
)
WORK = {
    "cut": CUT,
    "at the machine": ATTEND,
    "drying": WAIT,
    "change of setup": SETUP,
    "index the edge": EDGE,
    "at the bench": AWAY,
}
