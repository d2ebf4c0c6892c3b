"""Results that took long to compute, kept on disk from one start to the next, beside the databases.

A result is known by what it was computed from, word for word, and by the program that computed it: nothing has to be
declared stale, and whatever is kept may be deleted at any time. Reading fails softly: then it is computed again.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import pickle
import sys
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np
import scipy

Result = TypeVar("Result")

KEPT = 6
"""Results kept of each function: both unit systems, and the shop before the last change."""


class Computed:
    """The folder of kept results. The files are this user's own (mode 0700) and read by nobody else: they are pickles,
    which must never be taken from elsewhere; no backup or import holds one."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def call(self, function: Callable[..., Result], *inputs: Any) -> Result:
        """``function(*inputs)``, from the disk when it was computed before. A pure function: what it gives rests on its
        arguments alone (anything that can be pickled)."""
        name = function.__name__.strip("_")
        path = self.folder / f"{name}-{_digest(inputs)}.pickle"
        with contextlib.suppress(Exception):  # damaged, cut short or foreign: computed again
            found = pickle.loads(path.read_bytes())
            path.touch()
            return found
        result = function(*inputs)
        with contextlib.suppress(OSError):  # a full or read-only disk costs time, not the result
            self._put(name, path, _written(result))
        return result

    def _put(self, name: str, path: Path, content: bytes) -> None:
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, unfinished = tempfile.mkstemp(dir=self.folder)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.replace(unfinished, path)
        for old in sorted(self.folder.glob(f"{name}-*.pickle"), key=_age, reverse=True)[KEPT:]:
            old.unlink(missing_ok=True)


def _age(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except FileNotFoundError:  # another session was quicker
        return 0.0


def _digest(inputs: Any) -> str:
    return hashlib.sha256(program() + _spelled_out(inputs)).hexdigest()[:40]


class _Pickler(pickle.Pickler):
    def reducer_override(self, value: Any) -> Any:
        # a read-only view of a mapping, as the nouns hold it, cannot be pickled by itself
        return (_read_only, (dict(value),)) if type(value) is MappingProxyType else NotImplemented


def _read_only(mapping: dict) -> MappingProxyType:
    return MappingProxyType(mapping)


class _Speller(_Pickler):
    def persistent_id(self, value: Any) -> Any:
        # the order of a set differs from one start to the next
        return sorted(map(_spelled_out, value)) if type(value) in (set, frozenset) else None


def _spelled_out(value: Any) -> bytes:
    """The same bytes for equal values in every start: nothing is told from its equal by being the same object."""
    into = io.BytesIO()
    speller = _Speller(into, protocol=5)
    speller.fast = True
    speller.dump(value)
    return into.getvalue()


def _written(value: Any) -> bytes:
    into = io.BytesIO()
    _Pickler(into, protocol=5).dump(value)
    return into.getvalue()


@cache
def program() -> bytes:
    """What tells this program from another version of it: its own files, Python, numpy and scipy."""
    package = Path(__file__).resolve().parents[1]
    files = [
        (path.relative_to(package).as_posix(), found.st_size, found.st_mtime_ns)
        for path in sorted(package.rglob("*.py"))
        if (found := path.stat())
    ]
    return repr((sys.version, np.__version__, scipy.__version__, files)).encode()
