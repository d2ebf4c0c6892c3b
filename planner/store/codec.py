"""Nouns to plain JSON values and back. A noun that comes back is built anew, so its checks run on what was stored."""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Mapping
from datetime import date, datetime
from enum import Enum
from functools import cache
from typing import Any

import numpy as np

from planner.errors import InputError

_AS_THEY_ARE = (str, int, bool, type(None))


def plain(value: Any, field: str = "value") -> Any:
    """``value`` as JSON holds it: dataclasses as objects, enums as values, dates as ISO text, arrays as lists.

    Raises `InputError` for what JSON cannot hold (NaN, infinity, unknown types).
    """
    if value is None or type(value) in _AS_THEY_ARE:
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, (str, int)):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise InputError(field, value, "a finite number, or nothing when unknown")
        return float(value)
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        found = {}
        for name in field_types(type(value)):
            held = getattr(value, name)
            found[name] = held if type(held) in _AS_THEY_ARE else plain(held, f"{field}.{name}")
        return found
    if isinstance(value, Mapping):
        return {str(plain(k, field)): plain(v, f"{field}.{k}") for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist(), field)
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(v, f"{field}[{i}]") for i, v in enumerate(value)]
    if isinstance(value, np.generic):
        return plain(value.item(), field)
    raise InputError(field, value, "text, numbers, dates, lists and nouns")


@cache
def field_types(noun: type) -> Mapping[str, Any]:
    """Field name -> resolved type of a dataclass."""
    hints = typing.get_type_hints(noun)
    return types.MappingProxyType({f.name: hints[f.name] for f in dataclasses.fields(noun)})


def revive(kind: Any, value: Any, field: str = "value") -> Any:
    """The inverse of `plain`: build a value of type ``kind``. Raises `InputError` where what is stored does not fit."""
    origin = typing.get_origin(kind)
    if origin in (typing.Union, types.UnionType):
        if value is None:
            return None
        kind = next(a for a in typing.get_args(kind) if a is not type(None))
        return revive(kind, value, field)
    if origin is tuple:
        inner = typing.get_args(kind)
        if not isinstance(value, (list, tuple)):
            raise InputError(field, value, "a list")
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple(revive(inner[0], v, f"{field}[{i}]") for i, v in enumerate(value))
        if len(inner) != len(value):
            raise InputError(field, value, f"a list of {len(inner)}")
        return tuple(revive(k, v, f"{field}[{i}]") for i, (k, v) in enumerate(zip(inner, value, strict=True)))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        key, held = typing.get_args(kind)
        return {revive(key, k, field): revive(held, v, f"{field}.{k}") for k, v in value.items()}
    if dataclasses.is_dataclass(kind):
        if not isinstance(value, Mapping):
            raise InputError(field, value, f"the fields of a {kind.__name__}")
        known = field_types(kind)
        for name in value:
            if name not in known:
                raise InputError(f"{field}.{name}", value[name], f"a field of {kind.__name__}")
        return kind(**{name: revive(known[name], v, f"{field}.{name}") for name, v in value.items()})
    if kind is datetime and isinstance(value, str):
        return datetime.fromisoformat(value)
    if kind is date and isinstance(value, str):
        return date.fromisoformat(value)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(value)
    if kind is int and isinstance(value, str):
        return int(value)
    return value
