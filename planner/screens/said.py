"""What the last button led to: a callback leaves it here, the page says it once on the next run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from planner import InputError
from planner.screens import access
from planner.screens.refusals import refused
from planner.store import StoreError

_SAID = "said"
_BESIDE = "said beside"
_LABEL = "label of "


def tell(words: str, wrong: bool = False) -> None:
    """Leave something to be said."""
    st.session_state[_SAID] = (wrong, words)


def act(deed: Callable[..., str], *args: Any, beside: str = "") -> None:
    """A button's callback: do it; what it returns is said, or why nothing was stored. ``beside``: the fields it read, where
    `say_beside` says a refusal, in sight of who pressed."""
    st.session_state.pop(_BESIDE, None)
    try:
        tell(deed(*args))
    except InputError as wrong:
        said = f"Nothing was stored. {refused(wrong, access.units())}"
        if beside:
            st.session_state[_BESIDE] = (beside, said)
        else:
            tell(said, wrong=True)
    except StoreError as trouble:
        tell(f"Nothing was stored. {trouble}", wrong=True)


def say(far: bool = False) -> None:
    """Say it, once. ``far``: the button may stand further down than this place can be seen from, so it floats, too."""
    wrong, words = st.session_state.pop(_SAID, (False, ""))
    if words:
        (st.error if wrong else st.success)(words)
        if far:
            st.toast(words, icon=":material/error:" if wrong else ":material/check:")


def say_beside(fields: str) -> None:
    """Say, once, why what stands in these fields was refused."""
    where, words = st.session_state.get(_BESIDE, ("", ""))
    if where == fields:
        del st.session_state[_BESIDE]
        st.error(words)


def keep_label(key: str, label: str) -> None:
    """Before a chooser is drawn: its field shows what the chosen entry was called when it was chosen; where it is called
    something else since, the entry is chosen anew."""
    if st.session_state.get(_LABEL + key) != label:
        st.session_state[_LABEL + key] = label
        st.session_state[key] = st.session_state[key]
