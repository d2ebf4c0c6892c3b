"""Keeping up with the others: the page looks every few seconds whether somebody stored something, or whether work
asked for is there, and only then is drawn anew."""

from __future__ import annotations

import streamlit as st

from planner.screens import access, background
from planner.screens.background import Work
from planner.screens.said import say_again

LOOK_EVERY, WAIT_EVERY = 4.0, 1.0
_DRAWN = "drawn from"


def drawn_from() -> None:
    """What the page about to be drawn is drawn from: what is stored while it is drawn is news, too."""
    st.session_state[_DRAWN] = (access.kind(), access.data_version())


def watch(waiting: list[Work]) -> None:
    """Draw the page anew once anything changed since it was drawn, or once something it waits for is there."""
    going_on = tuple(work for work in waiting if not work.over)
    seen = st.session_state[_DRAWN]
    if going_on:
        _wait(seen, going_on)
    else:
        _look(seen)
    background.begin()


@st.fragment(run_every=LOOK_EVERY)
def _look(seen: tuple) -> None:
    if seen != (access.kind(), access.repository().data_version()):
        _anew()


@st.fragment(run_every=WAIT_EVERY)
def _wait(seen: tuple, waiting: tuple[Work, ...]) -> None:
    if any(work.over for work in waiting) or seen != (access.kind(), access.repository().data_version()):
        _anew()
    shown = next((work for work in waiting if work.begun), waiting[0])
    st.progress(min(1.0, shown.share), text=f"{shown.text} …")


def _anew() -> None:
    say_again()
    st.rerun()
