"""The list of screens, in the order of the navigation. Each is a module of its own with a ``draw()``."""

from __future__ import annotations

import importlib
from pathlib import Path

import streamlit as st

SCREENS = (
    # name in the address, title, icon
    ("week", "Week", ":material/calendar_view_week:"),
    ("parts", "Parts", ":material/inventory_2:"),
    ("survey", "Face survey", ":material/grid_on:"),
    ("sets", "Matched sets", ":material/balance:"),
    ("run", "Run sheet", ":material/play_circle:"),
    ("records", "Records", ":material/history:"),
    ("inserts", "Inserts", ":material/change_history:"),
    ("learned", "How it learned", ":material/school:"),
    ("shop", "Shop", ":material/storefront:"),
)


ICON = Path(__file__).with_name("tab.png")
"""The browser tab's picture, our own: a named icon would be fetched from outside, and shops are offline."""


def listed() -> dict[str, st.Page]:
    """Pages by name."""
    found = {}
    for name, title, icon in SCREENS:

        def draw(name: str = name) -> None:
            # imported when first shown: the first screen does not wait for the others
            importlib.import_module(f"planner.screens.{name}").draw()

        found[name] = st.Page(draw, title=title, icon=icon, url_path=name, default=name == "week")
    return found
