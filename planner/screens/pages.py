"""The list of screens, in the order of the navigation. Each is a module of its own with a ``draw()``."""

from __future__ import annotations

import importlib

import numpy as np
import streamlit as st

_SCREENS = (
    # name in the address, title, icon
    ("week", "Week", ":material/calendar_view_week:"),
    ("parts", "Parts", ":material/inventory_2:"),
    ("sets", "Matched sets", ":material/balance:"),
    ("run", "Run sheet", ":material/play_circle:"),
    ("inserts", "Inserts", ":material/change_history:"),
    ("shop", "Shop", ":material/storefront:"),
)


def icon() -> np.ndarray:
    """The browser tab's picture, drawn here: a named icon would be fetched from outside, and shops are offline."""
    picture = np.full((32, 32, 3), (31, 111, 120), np.uint8)
    picture[20:24, 4:28] = 255  # the face, and the chip the cutter lifts off it
    for i in range(8):
        picture[18 - i : 20 - i, 6 + 2 * i : 9 + 2 * i] = 255
    return picture


def listed() -> dict[str, st.Page]:
    """Pages by name."""
    found = {}
    for name, title, icon in _SCREENS:

        def draw(name: str = name) -> None:
            # imported when first shown: the first screen does not wait for the others
            importlib.import_module(f"planner.screens.{name}").draw()

        found[name] = st.Page(draw, title=title, icon=icon, url_path=name, default=name == "week")
    return found
