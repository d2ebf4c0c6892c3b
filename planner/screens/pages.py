"""The list of screens, in the order of the navigation. Each is a function in a module of its own."""

from __future__ import annotations

import importlib

import streamlit as st

_SCREENS = (
    # name in the address, title, icon
    ("week", "Week", ":material/calendar_view_week:"),
    ("parts", "Parts", ":material/inventory_2:"),
    ("sets", "Matched sets", ":material/balance:"),
    ("survey", "Face survey", ":material/grid_on:"),
    ("run", "Run sheet", ":material/play_circle:"),
    ("inserts", "Inserts", ":material/change_history:"),
    ("records", "Records", ":material/history:"),
    ("learned", "How it learned", ":material/school:"),
    ("shop", "Shop", ":material/storefront:"),
)


def _draw(name: str) -> None:
    # imported when first shown: the first screen does not wait for the others
    importlib.import_module(f"planner.screens.{name}").draw()


def listed() -> dict[str, st.Page]:
    """Pages by name; those whose module is there."""
    found = {}
    for name, title, icon in _SCREENS:
        if importlib.util.find_spec(f"planner.screens.{name}") is None:
            continue

        def draw(name: str = name) -> None:
            _draw(name)

        found[name] = st.Page(draw, title=title, icon=icon, url_path=name, default=name == "week")
    return found
