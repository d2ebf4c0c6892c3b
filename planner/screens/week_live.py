"""Keeping up with the others: the page looks every few seconds whether somebody stored something, or whether work
asked for is there, and only then is drawn anew."""

from __future__ import annotations

import streamlit as st

from planner.screens import access
from planner.screens.background import Work

LOOK_EVERY, WAIT_EVERY = 4.0, 1.0


def watch(waiting: list[Work]) -> None:
    """Draw the page anew once anything changed since it was drawn, or once something it waits for is there."""
    going_on = [work for work in waiting if not work.over]
    seen = (access.kind(), access.repository().data_version())
    look = _look if not going_on else _wait
    look(seen, tuple(going_on))


@st.fragment(run_every=LOOK_EVERY)
def _look(seen: tuple, waiting: tuple[Work, ...]) -> None:
    _again_when_changed(seen, waiting)


@st.fragment(run_every=WAIT_EVERY)
def _wait(seen: tuple, waiting: tuple[Work, ...]) -> None:
    _again_when_changed(seen, waiting)


def _again_when_changed(seen: tuple, waiting: tuple[Work, ...]) -> None:
    if any(work.over for work in waiting) or seen != (access.kind(), access.repository().data_version()):
        st.rerun()
