"""The errors a caller may meet.

ValueError
└── InputError          wrong input: names the field, the value and what is accepted
UserWarning
└── LimitOfValidity     a result outside the range its formula was made for
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np


class InputError(ValueError):
    """Wrong input: which field, which value, and what would be accepted.

    Attributes: ``field`` (dotted for nested nouns, e.g. ``faces[0].length_mm``), ``value``, ``accepted``.
    """

    def __init__(self, field: str, value: Any, accepted: str) -> None:
        self.field = field
        self.value = value
        self.accepted = accepted
        shown = " ".join(repr(value).split())
        if len(shown) > 80:
            shown = f"an array of shape {value.shape}" if isinstance(value, np.ndarray) else shown[:77] + "..."
        super().__init__(f"{field} is {shown}; accepted: {accepted}")

    def __reduce__(self):
        return type(self), (self.field, self.value, self.accepted)


class LimitOfValidity(UserWarning):
    """A figure computed outside the range its formula was made for; the message says what to do."""


GREATEST = 1e100
"""No figure here is greater, and none that must be above 0 is below its inverse: squares and quotients stay finite."""


def finite(field: str, value: Any) -> float:
    """Return ``value`` as a finite float, within 1e100 either way; raise `InputError` otherwise."""
    # numpy makes a float of its true, of its time spans and of a complex number
    odd = isinstance(value, (np.generic, np.ndarray)) and (np.ndim(value) or value.dtype.kind not in "iuf")
    if odd or isinstance(value, (bool, str, bytes, type(None))):
        raise InputError(field, value, "a finite number")
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        raise InputError(field, value, "a finite number") from None
    if not math.isfinite(number):
        raise InputError(field, value, "a finite number")
    if abs(number) > GREATEST:
        raise InputError(field, value, f"a number within {GREATEST:g} either way")
    return number


def positive(field: str, value: Any) -> float:
    """Return ``value`` as a float above zero; raise `InputError` otherwise."""
    number = finite(field, value)
    if number <= 0:
        raise InputError(field, value, "a number above 0")
    if number < 1 / GREATEST:
        raise InputError(field, value, f"a number of at least {1 / GREATEST:g}")
    return number


def not_negative(field: str, value: Any) -> float:
    """Return ``value`` as a float of zero or more; raise `InputError` otherwise."""
    number = finite(field, value)
    if number < 0:
        raise InputError(field, value, "0 or a number above 0")
    return number


def between(field: str, value: Any, least: float, greatest: float) -> float:
    """Return ``value`` as a float with least <= value <= greatest; raise `InputError` otherwise."""
    number = finite(field, value)
    if not least <= number <= greatest:
        raise InputError(field, value, f"a number from {least:g} to {greatest:g}")
    return number


def whole(field: str, value: Any, least: int = 0, greatest: int | None = None) -> int:
    """Return ``value``, 2 or 2.0, as an int with least <= value <= greatest; raise `InputError` otherwise."""
    wanted = f"a whole number from {least}" + (f" to {greatest}" if greatest is not None else " up")
    try:
        number = finite(field, value)
    except InputError:
        raise InputError(field, value, wanted) from None
    if number % 1 or number < least or (greatest is not None and number > greatest):
        raise InputError(field, value, wanted)
    return int(number)


def each(**given: tuple[Callable[[str, Any], float], Any]) -> list[Any]:
    """Check figures that may each be one number or an array, and go together as numpy broadcasts them.

    ``given``: field -> (`finite`, `positive`, …, value). Numbers come back as floats, arrays of any shape as float
    arrays. The checks must be of a range, as only the least and the greatest entry are shown to them.
    """
    checked = {field: _each(field, *one) for field, one in given.items()}
    shapes = {field: value.shape for field, value in checked.items() if isinstance(value, np.ndarray)}
    if len(set(shapes.values())) > 1:
        first, shape = next(iter(shapes.items()))
        for field, other in shapes.items():
            try:
                shape = np.broadcast_shapes(shape, other)
            except ValueError:
                wanted = f"one number, or as many as {first}: shape {shapes[first]}"
                raise InputError(field, given[field][1], wanted) from None
    return list(checked.values())


def _each(field: str, check: Callable[[str, Any], float], value: Any) -> float | np.ndarray:
    if isinstance(value, (float, int)):
        return check(field, value)
    try:
        shape = np.shape(value)
    except ValueError:  # rows of different lengths
        raise InputError(field, value, "a number, or an array of numbers") from None
    if not shape:
        return check(field, value)
    array = finite_array(field, value, (None,) * len(shape))
    for at in {int(array.argmin()), int(array.argmax())} if array.size else ():
        check(f"{field}[{', '.join(str(i) for i in np.unravel_index(at, shape))}]", float(array.flat[at]))
    return array


def plain(value: Any) -> Any:
    """A float for one number, an array as it is."""
    return float(value) if np.ndim(value) == 0 else value


def numbers(field: str, value: Any, accepted: str, *, flags: bool = False) -> np.ndarray:
    """Return ``value`` as a float array of its own shape, nan and inf let through; `InputError` for what is no number:
    text, yes and no (unless ``flags``), complex, ragged lists, entries hidden by a mask."""
    if np.ma.is_masked(value):  # a hidden entry is no number
        raise InputError(field, value, f"{accepted}, none hidden")
    try:
        array = np.asarray(value)
        # what holds objects is looked at one by one: numbers of other libraries come so
        worded = (str, bytes, np.timedelta64, np.complexfloating)
        worded = worded if flags else (*worded, bool, np.bool_)
        mixed = array.dtype.kind == "O" and not any(isinstance(v, worded) for v in array.flat)
        if array.size and array.dtype.kind not in ("biuf" if flags else "iuf") and not mixed:
            raise TypeError
        return array.astype(float, copy=False)
    except (TypeError, ValueError, OverflowError):
        raise InputError(field, value, accepted) from None


def finite_array(field: str, value: Any, shape: tuple[int | None, ...]) -> np.ndarray:
    """Return ``value`` as a float array of ``shape`` (None = any length), every entry finite and within 1e100 either
    way; else `InputError`."""
    wanted = "an array of finite numbers, shape (" + ", ".join("n" if s is None else str(s) for s in shape) + ")"
    array = numbers(field, value, wanted)
    if array.ndim != len(shape) or any(s is not None and s != a for s, a in zip(shape, array.shape, strict=True)):
        raise InputError(field, value, wanted)
    if not np.isfinite(array).all():
        first = np.argwhere(~np.isfinite(array))[0]
        where = f"{field}[{', '.join(str(i) for i in first)}]"
        raise InputError(where, float(array[tuple(first)]), "a finite number")
    if (np.abs(array) > GREATEST).any():
        first = np.argwhere(np.abs(array) > GREATEST)[0]
        where = f"{field}[{', '.join(str(i) for i in first)}]"
        raise InputError(where, float(array[tuple(first)]), f"a number within {GREATEST:g} either way")
    return array
