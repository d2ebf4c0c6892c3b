"""Fields of a form: what a person typed, read into inside units, and inside values shown in the person's units."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Any

from planner import InputError
from planner.units import Units, read_number

UNKNOWN = "unknown"


@dataclass(frozen=True)
class Field:
    """One field: its name in the noun, the label, what kind of quantity it is.

    ``kind``: text, long, number, whole, length, height, depth, ra, area, way, speed, feed, table_feed, mass, minutes, share
    (per cent on screen), choice (an Enum or pairs of value and label), several (choices, a tuple), flag, date, moment,
    numbers (a list, "150, 200, 300"), depths (a list), depth_counts (pairs, "1 × 10, 1.5 × 10").
    """

    name: str
    label: str
    kind: str = "text"
    help: str = ""
    options: Any = None
    required: bool = False
    placeholder: str = ""


QUANTITIES = {
    "length": ("read_length_mm", "length_unit", "length_factor", 4, 3),
    "height": ("read_length_mm", "length_unit", "length_factor", 4, 3),
    "depth": ("read_depth_mm", "depth_unit", "depth_factor", 2, 4),
    "ra": ("read_ra_um", "ra_unit", "ra_factor", 1, 3),
    "area": ("read_area_mm2", "area_unit", "area_factor", 2, 2),
    "way": ("read_way_mm", "way_unit", "way_factor", 0, 1),
    "speed": ("read_speed_m_min", "speed_unit", "speed_factor", 0, 1),
    "feed": ("read_length_mm", "feed_unit", "length_factor", 4, 4),
    "table_feed": ("read_length_mm", "table_feed_unit", "length_factor", 2, 1),
    "mass": ("read_mass_kg", "mass_unit", "mass_factor", 1, 2),
}

LISTS = ("numbers", "depths", "depth_counts")
# the unit a limit is named in, where the noun itself refuses a value
INSIDE = {
    "length": "mm",
    "height": "mm",
    "depth": "mm",
    "feed": "mm",
    "ra": "µm",
    "area": "mm²",
    "way": "mm",
    "speed": "m/min",
    "table_feed": "mm/min",
    "mass": "kg",
}


def shown(kind: str, value: Any, units: Units) -> str:
    """The text that stands in a field for an inside value; empty for unknown."""
    if value is None:
        return ""
    if kind in QUANTITIES:
        _, _, factor, inch_places, metric_places = QUANTITIES[kind]
        places = inch_places if units.inch else metric_places
        body = f"{value / getattr(units, factor):.{places}f}"
        return body.rstrip("0").rstrip(".") if "." in body else body
    if kind == "share":
        return f"{value * 100:g}"
    if kind == "numbers":
        return ", ".join(f"{v:g}" for v in value)
    if kind == "depths":
        return ", ".join(shown("depth", v, units) for v in value)
    if kind == "depth_counts":
        return ", ".join(f"{shown('depth', v, units)} × {n}" for v, n in value)
    if kind in ("number", "whole", "minutes"):
        return f"{value:g}"
    return str(value)


def _pieces(raw: str) -> list[str]:
    """The members of a typed list: parted by ";" where there is one, else by commas, else by blanks."""
    mark = ";" if ";" in raw else "," if "," in raw else None
    return [p.strip() for p in raw.split(mark) if p.strip()]


def _read_list(item: Field, raw: str, units: Units) -> tuple:
    if item.kind == "numbers":
        return tuple(read_number(item.name, p) for p in _pieces(raw))
    if item.kind == "depths":
        return tuple(units.read_depth_mm(item.name, p) for p in _pieces(raw))
    found = []
    for piece in _pieces(re.sub(r"\s*[×x*]\s*", "×", raw)):
        thickness, mark, count = piece.partition("×")
        if not mark or not count.isdigit():
            raise InputError(item.name, piece, "thickness × how many, such as 1.5 × 10")
        found.append((units.read_depth_mm(item.name, thickness), int(count)))
    return tuple(found)


def read(item: Field, raw: Any, units: Units) -> Any:
    """The inside value of what stands in a field; None for an empty one. Raises `InputError` naming the field."""
    if isinstance(raw, str):
        raw = raw.strip()
    if item.kind == "several":
        return tuple(raw or ())
    if item.kind in LISTS:
        return _read_list(item, raw or "", units)
    if raw in ("", None) or (raw == UNKNOWN and item.kind != "choice"):
        if item.kind in ("text", "long"):
            if item.required:
                raise InputError(item.name, "", f"“{item.label}” cannot stay empty")
            return ""
        if item.required:
            raise InputError(item.name, "", f"“{item.label}” cannot stay empty")
        return None
    if item.kind in QUANTITIES:
        return getattr(units, QUANTITIES[item.kind][0])(item.name, raw)
    if item.kind == "share":
        return read_number(item.name, raw.removesuffix("%").strip() if isinstance(raw, str) else raw) / 100
    if item.kind in ("number", "minutes"):
        return read_number(item.name, raw)
    if item.kind == "whole":
        value = read_number(item.name, raw)
        if value != int(value):
            raise InputError(item.name, raw, "a whole number")
        return int(value)
    return raw


def options_of(options: Any) -> list[tuple[Any, str]]:
    """(value, label) pairs of an Enum class, a mapping, or a sequence."""
    if isinstance(options, type) and issubclass(options, Enum):
        return [(member, str(member.value)) for member in options]
    if isinstance(options, Mapping):
        return list(options.items())
    return [o if isinstance(o, tuple) else (o, str(o)) for o in options or ()]
