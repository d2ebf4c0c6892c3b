"""The public names of a room, each imported when it is first asked for (PEP 562).

A start that shows the week does not wait for the fits, the searches and the linear programmes of every room. A name that
is also the name of its module is imported at once in the room's ``__init__``: the module would take its place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def late(
    room: str, names: Mapping[str, tuple[str, ...]]
) -> tuple[list[str], Callable[[str], Any], Callable[[], list[str]]]:
    """``__all__``, ``__getattr__`` and ``__dir__`` of a room. ``names``: module of the room -> its public names."""
    home = {name: module for module, found in names.items() for name in found}

    def get(name: str) -> Any:
        if name not in home:
            raise AttributeError(f"module {room!r} has no attribute {name!r}")
        return getattr(import_module(f"{room}.{home[name]}"), name)

    return sorted(home), get, lambda: sorted(home)
