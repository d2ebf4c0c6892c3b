"""Work of some seconds that pages need and don't wait for: one piece at a time, in a thread of its own, shared by all
sessions. A page asks, draws without it, lets it begin once it is drawn, and asks again when it is there."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from queue import SimpleQueue
from typing import Any

import streamlit as st

KEPT = 24
Make = Callable[[Callable[[float], None]], Any]


class Work:
    """``share`` done so far; ``over`` with a ``result``, or with the ``trouble`` that ended it; ``dropped``: nobody wants
    it any more; ``before``: the last result of that name, to be shown meanwhile."""

    def __init__(self, make: Make, text: str, before: Any = None) -> None:
        self._make: Make | None = make
        self.text, self.before = text, before
        self.share, self.begun, self.over, self.dropped = 0.0, False, False, False
        self.result: Any = None
        self.trouble: Exception | None = None

    def tell(self, share: float) -> None:
        """Called by the work as it goes on; ends it when nobody wants it any more."""
        if self.dropped:
            raise _Dropped
        self.share = share

    def run(self) -> None:
        """Do it; what goes wrong is kept and raised where the result is wanted."""
        self.begun = True
        try:
            if not self.dropped:
                self.result = self._make(self.tell)
        except _Dropped:
            pass
        except Exception as trouble:  # handed to whoever asks, not lost in a thread
            self.trouble = trouble
        self._make, self.over = None, True


class _Dropped(Exception):
    pass


class _Desk:
    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._works: dict[tuple[Hashable, Hashable], Work] = {}
        self._asked: list[Work] = []
        self._waiting: SimpleQueue[Work] = SimpleQueue()
        self._thread: threading.Thread | None = None

    def ask(self, name: Hashable, key: Hashable, text: str, make: Make) -> Work:
        with self._lock:
            known = self._works.get((name, key))
            if known is not None and not known.dropped:
                return known
            before = None
            for (other, _), work in self._works.items():
                before = work.result if other == name and work.result is not None else before
                # what was asked for before the plan changed and is not begun is wanted no more
                work.dropped |= other == name and not work.begun
            work = self._works[name, key] = Work(make, text, before)
            while len(self._works) > KEPT:
                self._works.pop(next(iter(self._works))).dropped = True
            self._asked.append(work)
            return work

    def begin(self) -> None:
        with self._lock:
            for work in self._asked:
                self._waiting.put(work)
            if self._asked and self._thread is None:
                self._thread = threading.Thread(target=self._serve, name="background", daemon=True)
                self._thread.start()
            self._asked.clear()

    def _serve(self) -> None:
        while True:
            self._waiting.get().run()


@st.cache_resource(show_spinner=False)
def _desk() -> _Desk:
    return _Desk()


def ask(name: Hashable, key: Hashable, text: str, make: Make) -> Work:
    """The work ``name`` for what ``key`` stands for; ``text`` says it while it goes on. ``make`` gets a function to tell
    its share done by, must call nothing of Streamlit, and is not begun twice for one key. Raises what the work
    raised."""
    work = _desk().ask(name, key, text, make)
    if work.trouble is not None:
        raise work.trouble
    return work


def begin() -> None:
    """Let what was asked for begin. To be called when the page is drawn: before, it would only hold the page up."""
    _desk().begin()
