"""What one finished cut says about its clean-up depth: an interval, from the looks between the passes."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from planner.errors import InputError, finite, not_negative, positive


class SeenPass(Protocol):
    """A pass as it was done: depth below first contact after it, why it was made ("kiss", "search", "match", "finish",
    "tool mark"), what a look showed (None: none)."""

    @property
    def total_mm(self) -> float: ...
    @property
    def reason(self) -> str: ...
    @property
    def clean(self) -> bool | None: ...


@dataclass(frozen=True)
class CleanUpInterval:
    """The clean-up depth lies above ``lower_mm`` and at or below ``upper_mm`` (inf: never seen clean).

    ``usable`` is False where the record says nothing; ``shift_mm`` is what was added to the instrument's depths because
    the height lost counts; ``note`` says why, in plain words.
    """

    lower_mm: float
    upper_mm: float
    usable: bool = True
    shift_mm: float = 0.0
    note: str = ""


_AFTER_CLEAN = ("finish", "tool mark")


def learning_interval(
    passes: Iterable[SeenPass],
    *,
    least_settable_mm: float,
    finished: bool = True,
    first_contact_known: bool = True,
    height_lost_mm: float | None = None,
    height_gap_mm: float = 0.0,
    height_agrees_mm: float = 0.0127,
) -> CleanUpInterval:
    """The interval a record of passes teaches.

    Lower end: greatest depth looked at and not clean; upper end: least depth looked at and clean. Passes after that
    never enter (finish, match, tool mark), nor do passes nobody looked at. Clean at the kiss pass: up to
    ``least_settable_mm``. A finished cut without a clean tap is only an upper bound, an unfinished one only a lower.
    Where the height lost at a point lying ``height_gap_mm`` below first contact disagrees with the instrument by more
    than ``height_agrees_mm``, the height counts: all depths move by the difference. Without a known first contact
    (touch-off elsewhere, no survey) the depths are not from first contact and the record is not usable.
    Raises `InputError` for depths that go back up.
    """
    settable = positive("least_settable_mm", least_settable_mm)
    agrees = not_negative("height_agrees_mm", height_agrees_mm)
    gap = not_negative("height_gap_mm", height_gap_mm)
    lower = reached = 0.0
    upper = math.inf
    any_pass = False
    for index, one in enumerate(passes):
        total = finite(f"passes[{index}].total_mm", one.total_mm)
        if any_pass and total < reached - 1e-9:
            raise InputError(f"passes[{index}].total_mm", total, f"at least the depth before it, {reached:g}")
        any_pass, reached = True, max(reached, total)
        if not math.isinf(upper) or one.clean is None:
            continue
        if one.clean:
            upper = max(total, 0.0)
        elif one.reason not in _AFTER_CLEAN:
            lower = max(lower, total)
    if not any_pass:
        return CleanUpInterval(0.0, math.inf, usable=False, note="no passes recorded")
    note = ""
    if math.isinf(upper) and finished and reached > lower:
        upper = reached
        note = "nobody tapped clean: an upper bound only"
    if not first_contact_known:
        return CleanUpInterval(lower, upper, usable=False, note="first contact not known")
    shift = 0.0
    if height_lost_mm is not None:
        lost = not_negative("height_lost_mm", height_lost_mm)
        off = lost + gap - reached
        # a point still lower than the cut has lost nothing and says nothing
        if lost > 0 and abs(off) > agrees:
            shift = off
            note = "height lost and instrument disagree: the height counts"
    if shift:
        lower = max(0.0, lower + shift) if lower > 0 else 0.0
        upper = upper + shift
    upper = max(upper, settable)
    if lower >= upper:
        return CleanUpInterval(
            lower, upper, usable=False, shift_mm=shift, note="looks and heights contradict each other"
        )
    usable = lower > 0 or math.isfinite(upper)
    return CleanUpInterval(lower, upper, usable, shift, note if usable else "nobody looked")
