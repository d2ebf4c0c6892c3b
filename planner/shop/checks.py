"""Checks shared by the nouns: text, choices, optional numbers. Each raises `planner.InputError`."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from enum import Enum
from typing import Any

from planner.errors import InputError


def text(field: str, value: Any, required: bool = False, longest: int = 200) -> str:
    """A line of text without control characters; surrounding blanks removed."""
    if value is None:
        value = ""
    if not isinstance(value, str):
        raise InputError(field, value, "text")
    value = value.strip()
    if required and not value:
        raise InputError(field, value, "some text")
    if len(value) > longest:
        raise InputError(field, value, f"at most {longest} characters")
    if not value.isprintable() and any(ord(c) < 32 and c not in "\n\t" for c in value):
        raise InputError(field, value, "text without control characters")
    return value


def choice(field: str, value: Any, kinds: type[Enum]) -> Enum:
    """A member of ``kinds``, given as itself or as its value."""
    try:
        return kinds(value)
    except ValueError:
        raise InputError(field, value, "one of " + ", ".join(str(k.value) for k in kinds)) from None


def maybe(check: Callable[..., Any], field: str, value: Any, *args: Any) -> Any:
    """None stays None (unknown is a value of its own); anything else goes through ``check``."""
    return None if value is None else check(field, value, *args)


def moment(field: str, value: Any) -> datetime:
    """A date and time on the shop's own clock (no time zone attached)."""
    if not isinstance(value, datetime) or value.tzinfo is not None:
        raise InputError(field, value, "a date and time on the shop's clock, without a time zone")
    return value


def all_of(field: str, values: Iterable[Any], kind: type) -> tuple:
    """A tuple whose members are all of ``kind``."""
    values = tuple(values)
    for i, item in enumerate(values):
        if not isinstance(item, kind):
            raise InputError(f"{field}[{i}]", item, f"a {kind.__name__}")
    return values


def unique(field: str, values: Iterable[Any], what: str) -> None:
    """Raise when a value stands twice."""
    seen = set()
    for value in values:
        if value in seen:
            raise InputError(field, value, f"each {what} once")
        seen.add(value)


def setter(noun: Any) -> Callable[[str, Any], None]:
    """Assign a normalised value to a frozen dataclass while it is being constructed."""

    def put(name: str, value: Any) -> None:
        object.__setattr__(noun, name, value)

    return put
