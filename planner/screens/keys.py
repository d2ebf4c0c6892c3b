"""Keys that are pressed at the machine: as high as a dirty finger asks for."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st


def tall(label: str, below: str = "") -> str:
    """A key's label on two lines: one line makes a key lower than a finger asks for. ``below``: what stands under the
    label; else it is broken at the space nearest its middle."""
    if not below:
        spaces = [k for k, letter in enumerate(label) if letter == " "] or [len(label)]
        at = min(spaces, key=lambda k: abs(k - len(label) / 2))
        label, below = label[:at], label[at + 1 :]
    return f"{label}  \n{below}"


def choose(where, asked: str, options: Sequence[str], key: str, start: str) -> str:
    """One of several by keys, in place of a list whose lines are too low for a finger; what is chosen is kept in the
    session under ``key``, ``start`` at first."""
    chosen = st.session_state.setdefault(key, start)
    # a new popover after every choice: it closes
    with where.popover(tall(asked, chosen), width="stretch", key=f"{key}/chosen/{chosen}"):
        for option in options:
            st.button(
                tall(option, "" if " " in option else "of the face"),
                key=f"{key}/{option}",
                width="stretch",
                type="primary" if option == chosen else "secondary",
                on_click=_keep,
                args=(key, option),
            )
    return chosen


def _keep(key: str, option: str) -> None:
    st.session_state[key] = option
