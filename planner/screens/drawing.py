"""One drawing of a page: what is asked for again and again while it lasts, and cannot change under it, is read once."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

Read = TypeVar("Read")


class _Drawing(threading.local):
    """Of this thread; none between two drawings: callbacks, fragments and work in the background read anew."""

    read: dict[Hashable, Any] | None = None


_present = _Drawing()


@contextmanager
def drawing() -> Iterator[None]:
    """A page is drawn inside this, from its first element to its last."""
    _present.read = {}
    try:
        yield
    finally:
        _present.read = None


def once(key: Hashable, read: Callable[[], Read]) -> Read:
    """What ``read`` gives, read when first asked for in this drawing; each time outside one."""
    found = _present.read
    if found is None:
        return read()
    if key not in found:
        found[key] = read()
    return found[key]
