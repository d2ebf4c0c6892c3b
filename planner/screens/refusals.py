"""Why something was not stored, in the reader's units: the nouns name their limits in inside units."""

from __future__ import annotations

import re
from enum import Enum
from typing import Any

from planner import InputError
from planner.screens.fields import INSIDE, QUANTITIES, shown
from planner.units import Units

_FIGURE = r"(?<![\w.])-?\d+(?:\.\d+)?(?:e[+-]?\d+)?(?![\w.]*\w)"
# longest first: "mm" stands in most of the others
_MARKED = re.compile(rf"({_FIGURE})\s?(mm/min|m/min|mm²|µm|mm)(?![\w/²])")
_BARE = re.compile(_FIGURE)
_KINDS = {"mm/min": "table_feed", "m/min": "speed", "mm²": "area", "µm": "ra"}
_SUFFIXES = (("_m_min", "speed"), ("_mm_min", "table_feed"), ("_mm2", "area"), ("_um", "ra"), ("_mm", ""))
# from here down a length is read as a depth is: in thou
_SMALL_MM = 2.0


def accepted_words(accepted: str, units: Units, kind: str | None = None, inside: bool = False) -> str:
    """What is accepted, every figure in the reader's unit. ``kind`` of quantity of the field, if it has one;
    ``inside``: figures without a unit are meant in the inside unit of that kind (a share: as a part of 1)."""
    found = _MARKED.sub(
        lambda m: _said(float(m[1]), _KINDS.get(m[2]) or _of_length(kind, float(m[1])), units), accepted
    )
    if _MARKED.search(accepted) or not inside:
        return found
    figures = list(_BARE.finditer(accepted))
    if kind == "share":
        unit = " %"
    elif kind in INSIDE:
        unit = f" {getattr(units, QUANTITIES[kind][1])}"
    else:
        return accepted
    for place, figure in reversed(list(enumerate(figures))):
        words = shown(kind, float(figure[0]), units)
        if place == len(figures) - 1 and float(figure[0]):
            words += unit
        accepted = accepted[: figure.start()] + words + accepted[figure.end() :]
    return accepted


def _of_length(kind: str | None, value_mm: float) -> str:
    if kind in ("length", "height", "depth", "feed"):
        return kind
    return "depth" if abs(value_mm) <= _SMALL_MM else "length"


def _said(value: float, kind: str, units: Units) -> str:
    return f"{shown(kind, value, units)} {getattr(units, QUANTITIES[kind][1])}"


def field_words(dotted: str) -> str:
    """A noun's field as people say it: "face.length_mm" is the face length."""
    words = re.sub(r"\[.*?\]", "", dotted)
    for suffix, _ in _SUFFIXES:
        words = words.removesuffix(suffix)
    return words.replace(".", " ").replace("_", " ").strip()


def value_words(dotted: str, value: Any, units: Units) -> str:
    """A value that a noun refused, in the reader's unit where the field's name tells what it is."""
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        for suffix, kind in _SUFFIXES:
            if dotted.endswith(suffix):
                return _said(float(value), kind or _of_length(None, float(value)), units)
    return str(value)


def refused(wrong: InputError, units: Units) -> str:
    """One sentence about a refusal that belongs to no field on the screen."""
    kind = next((k or "length" for suffix, k in _SUFFIXES if wrong.field.endswith(suffix)), None)
    accepted = accepted_words(wrong.accepted, units, kind, inside=not isinstance(wrong.value, str))
    if wrong.value in ("", None, ()):
        return f"{field_words(wrong.field)}: something is missing; accepted: {accepted}."
    return f"{field_words(wrong.field)}: “{value_words(wrong.field, wrong.value, units)}” will not do; accepted: {accepted}."
