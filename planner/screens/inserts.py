"""Inserts: before which job to index, what the edges have spent and may still cut, the drawer, what happened."""

from __future__ import annotations

import streamlit as st

from planner.screens import access, inserts_advice, inserts_changes, inserts_drawer, inserts_history
from planner.screens.said import say

_PARTS = {
    "Change an edge": inserts_changes.draw,
    "Drawer and orders": inserts_drawer.draw,
    "What edges may cut": inserts_advice.permits,
    "History": inserts_history.draw,
}


def draw() -> None:
    st.title("Inserts")
    say(far=True)
    if not access.shop().grades:
        st.info("No insert grade is entered yet: see the page Shop.")
        return
    inserts_advice.draw()
    chosen = st.segmented_control(
        "Show",
        list(_PARTS),
        default="Change an edge",
        required=True,
        key="inserts/part",
        persist_state="session",
        label_visibility="collapsed",
    )
    _PARTS[chosen or "Change an edge"]()
