"""The list of screens, in the order of the navigation. Each is a module of its own with a ``draw()``."""

from __future__ import annotations

import gc
import importlib
from base64 import b64encode
from pathlib import Path

import streamlit as st

SCREENS = (
    # name in the address, title: without icons, so that every page is in sight on a tablet, too
    ("week", "Week"),
    ("parts", "Parts"),
    ("survey", "Face survey"),
    ("sets", "Matched sets"),
    ("run", "Run sheet"),
    ("records", "Records"),
    ("inserts", "Inserts"),
    ("learned", "How it learned"),
    ("shop", "Shop"),
)


_TAB = b64encode(Path(__file__).with_name("tab.png").read_bytes()).decode()
ICON = f"data:image/png;base64,{_TAB}"
"""The browser tab's picture, our own: a named icon would be fetched from outside, and shops are offline. Written out,
for a file would be read and decoded in every rerun."""


_SHOWN: set[str] = set()
"""Screens shown since the start. What the first showing of one loads and keeps is here to stay: Streamlit walks through
all that may be garbage after every rerun, and need not walk through that."""


def listed() -> dict[str, st.Page]:
    """Pages by name."""
    found = {}
    for name, title in SCREENS:

        def draw(name: str = name) -> None:
            # imported when first shown: the first screen does not wait for the others
            importlib.import_module(f"planner.screens.{name}").draw()
            if name not in _SHOWN:
                _SHOWN.add(name)
                gc.freeze()

        found[name] = st.Page(draw, title=title, url_path=name, default=name == "week")
    return found
