"""The intake check: straightedge, feelers and pit gauge bound the clean-up depth days before the machine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite_array, not_negative


@dataclass(frozen=True)
class Gap:
    """Largest feeler that enters under the straightedge on one line of the face, 0 when none does.

    rocks: the straightedge rocks on a crown (so the gap is at its ends and the line may be out by only half of it);
    None when nobody looked.
    """

    enters_mm: float
    rocks: bool | None = None

    def __post_init__(self) -> None:
        not_negative("enters_mm", self.enters_mm)


@dataclass(frozen=True)
class IntakeBound:
    """The clean-up depth, best levelled, lies between least_mm and greatest_mm (inf: nothing bounds it above).

    least_from, greatest_from: which readings say so. sound: all four lines were checked; otherwise the upper bound
    assumes no twist (diagonals not checked).
    """

    least_mm: float
    greatest_mm: float
    least_from: str
    greatest_from: str
    sound: bool


def next_leaf(enters_mm: float, leaves_mm: Sequence[float]) -> float:
    """The thinnest feeler of the shop's list above ``enters_mm``: the gap is below it; inf beyond the list."""
    return min((leaf for leaf in leaves_mm if leaf > enters_mm * (1 + 1e-9) + 1e-12), default=math.inf)


def intake_bound(
    leaves_mm: Sequence[float],
    along: Gap | float | None = None,
    across: Gap | float | None = None,
    diagonals: tuple[Gap | float | None, Gap | float | None] = (None, None),
    pit_mm: float = 0.0,
    step_mm: float = 0.0,
) -> IntakeBound:
    """Interval for the clean-up depth, best levelled, from the gaps on four lines and the deepest pit.

    Below: no line of a face is out by more than the face. A straightedge that lies steady spans a hollow whose depth
    is the line's straightness; on a crown it rocks, and the gap at one end can be twice that, so half the gap counts
    unless ``rocks`` is False. A pit counts with its depth.
    Above: a face bent and twisted in any proportion (a quadratic) is out by at most the larger of along + across and
    the sum of the diagonals, each less than the next feeler leaf; then the pit. ``step_mm`` adds what a step, dent or
    proud spot off the lines may hide. A line not checked is None; along and across are needed for an upper bound.
    """
    leaves = finite_array("leaves_mm", list(leaves_mm), (None,))
    if not len(leaves) or (leaves <= 0).any():
        raise InputError("leaves_mm", leaves_mm, "at least one thickness above 0")
    if not isinstance(diagonals, (tuple, list)) or len(diagonals) != 2:
        raise InputError("diagonals", diagonals, "two gaps, None where not checked")
    names = ("along", "across", "first diagonal", "second diagonal")
    lines = {name: _gap(name, value) for name, value in zip(names, (along, across, *diagonals), strict=True)}
    pit, step = not_negative("pit_mm", pit_mm), not_negative("step_mm", step_mm)
    below = {n: g.enters_mm * (1.0 if g.rocks is False else 0.5) for n, g in lines.items() if g is not None}
    below["pit"] = pit
    least_from = max(below, key=below.get)
    above = {n: math.inf if g is None else next_leaf(g.enters_mm, leaves) for n, g in lines.items()}
    sides = above["along"] + above["across"]
    crossed = above["first diagonal"] + above["second diagonal"]
    sound = all(gap is not None for gap in lines.values())
    twisted = np.isfinite(crossed) and crossed > sides
    greatest = max(sides, crossed) if sound else sides
    parts = ["first diagonal", "second diagonal"] if sound and twisted else ["along", "across"]
    if sound and not np.isfinite(crossed):
        parts = ["first diagonal", "second diagonal"]
    parts += ["pit"] * (pit > 0) + ["step"] * (step > 0)
    return IntakeBound(
        least_mm=below[least_from],
        greatest_mm=greatest + pit + step,
        least_from=least_from if below[least_from] > 0 else "nothing enters",
        greatest_from=" + ".join(parts),
        sound=sound,
    )


def _gap(name: str, value: Gap | float | None) -> Gap | None:
    if value is None or isinstance(value, Gap):
        return value
    try:
        return Gap(value)
    except InputError as error:
        raise InputError(name, value, error.accepted) from None
