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
_SHOWN = "said just now"
_BESIDE = "said beside"
_LABEL = "label of "


def tell(words: str, wrong: bool = False, at: str = "") -> None:
    """Leave something to be said; ``at`` which place of the page, its top when empty."""
    st.session_state[_SAID] = (wrong, words, at, False)


def act(deed: Callable[..., str], *args: Any, beside: str = "", at: str = "") -> None:
    """A button's callback: do it; what it returns is said, or why nothing was stored. ``beside``: the fields it read, where
    `say_beside` says a refusal, in sight of who pressed; ``at``: the place of the page that says both."""
    st.session_state.pop(_BESIDE, None)
    try:
        tell(deed(*args), at=at)
    except InputError as wrong:
        said = f"Nothing was stored. {refused(wrong, access.units())}"
        if beside:
            st.session_state[_BESIDE] = (beside, said)
        else:
            tell(said, wrong=True, at=at)
    except StoreError as trouble:
        tell(f"Nothing was stored. {trouble}", wrong=True, at=at)


def say(at: str = "", far: bool = False) -> None:
    """Say what was left for this place of the page, once. ``far``: the button may stand further down than this place can
    be seen from, so it floats, too."""
    if at == "":
        st.session_state.pop(_SHOWN, None)
    # the place is kept while nothing is said: what stands below stays what it is, and an opened part stays open
    place = st.empty()
    said = st.session_state.get(_SAID)
    if said is None or said[2] != at:
        return
    wrong, words, _, again = st.session_state[_SHOWN] = st.session_state.pop(_SAID)
    if words:
        (place.error if wrong else place.success)(words)
        if far and not again:
            st.toast(words, icon=":material/error:" if wrong else ":material/check:")


def say_again() -> None:
    """The page is about to be drawn anew by itself: what it says just now it goes on saying."""
    if _SHOWN in st.session_state:
        st.session_state.setdefault(_SAID, (*st.session_state[_SHOWN][:3], True))


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
