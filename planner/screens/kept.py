"""Keeping what a screen shows from one rerun to the next.

Streamlit's own cache spells every argument out on each call; where a page asks for the same thing many times in a
rerun, that takes longer than all the rest. Here the arguments are looked up as they are, and only what is not found
goes to Streamlit's cache, which computes it once for all sessions and says meanwhile what it is busy with.
"""

from __future__ import annotations

import functools
import inspect
import threading
from collections.abc import Callable
from typing import Any, TypeVar

import streamlit as st

from planner.screens.drawing import once

Function = TypeVar("Function", bound=Callable[..., Any])

_FILLING = threading.Lock()


@st.cache_resource(show_spinner=False)
def _shelves() -> dict[str, dict[tuple, Any]]:
    """What is at hand, by function and arguments: inside Streamlit's cache, so that clearing that clears this."""
    return {}


def kept(max_entries: int, show_spinner: bool | str = False, show_time: bool = False) -> Callable[[Function], Function]:
    """`st.cache_resource` for a function whose arguments are given by place and can be hashed. Those whose name begins
    with an underscore do not count for telling one result from another. What it gives is shared by every session."""

    def wrap(function: Function) -> Function:
        slow = st.cache_resource(max_entries=max_entries, show_spinner=show_spinner, show_time=show_time)(function)
        name = f"{function.__module__}.{function.__qualname__}"
        counting = [i for i, n in enumerate(inspect.signature(function).parameters) if not n.startswith("_")]
        every = len(inspect.signature(function).parameters)

        @functools.wraps(function)
        def quick(*inputs: Any) -> Any:
            shelf = once("shelves", _shelves).setdefault(name, {})
            key = inputs if len(counting) == every else tuple(inputs[i] for i in counting)
            try:
                return shelf[key]
            except KeyError:
                found = slow(*inputs)
            with _FILLING:
                while len(shelf) >= max_entries:
                    del shelf[next(iter(shelf))]
                shelf[key] = found
            return found

        def clear() -> None:
            slow.clear()
            _shelves().pop(name, None)

        quick.clear = clear
        return quick

    return wrap
