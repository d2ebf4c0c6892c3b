"""The intake check: straightedge, feelers and pit gauge bound the clean-up depth days before the machine."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from planner.errors import InputError, finite_array, not_negative


@dataclass(frozen=True)
class Gap:
    """Largest feeler that enters under the straightedge on one line of the face, 0 when none does.

    The straightedge is laid down along the whole line, not pressed. rocks: False when it lies steady and the gap is
    between the places it bears on (hollow), True when it rocks and the gap is at an end (crowned); None when nobody
    looked.
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

    Below: no line of a face is out by more than the face. Between two bearing places the gap is at most the line's
    straightness; at an end it can be twice that, so half the gap counts unless ``rocks`` is False. A pit counts with
    its depth.
    Above: for a face bent and twisted in any proportion, z = A u^2 + B v^2 + C u v with u, v from -1 to 1, the gaps are
    |A| along, |B| across and |A + B + C|, |A + B - C| on the diagonals, and the face is out by at most
    |A| + |B| + 2 |C|. Each gap lies below the next feeler leaf; which ways of hollow and crown agree with the readings
    decides how much twist there can be, so ``rocks`` narrows the bound. Then the pit, and ``step_mm`` for what a step,
    dent or proud spot off the lines may hide. A line not checked is None; along and across are needed for an upper
    bound, and without both diagonals it assumes no twist.
    """
    leaves = finite_array("leaves_mm", leaves_mm, (None,))
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
    sound = all(gap is not None for gap in lines.values())
    above = [math.inf if g is None else next_leaf(g.enters_mm, leaves.tolist()) for g in lines.values()]
    sides = above[0] + above[1]
    twist = _twist(list(lines.values()), above) if sound else 0.0
    greatest = sides + twist
    parts = ["along", "across"] + ["diagonals"] * (twist > 0) + ["pit"] * (pit > 0) + ["step"] * (step > 0)
    return IntakeBound(
        least_mm=below[least_from],
        greatest_mm=greatest + pit + step,
        least_from=least_from if below[least_from] > 0 else "nothing enters",
        greatest_from=" + ".join(parts),
        sound=sound,
    )


def _twist(gaps: list[Gap], above: list[float]) -> float:
    """Greatest 2 |C| that some way of hollow (+) and crown (-) allows; all ways where none agrees (no quadratic)."""
    below = [gap.enters_mm for gap in gaps]
    ways = [[s for s in (1, -1) if gap.rocks is None or (s < 0) == gap.rocks] for gap in gaps]
    agreeing, every = [], []
    for signs in itertools.product(*ways):
        ranges = [sorted((s * low, s * high)) for s, low, high in zip(signs, below, above, strict=True)]
        bend = (ranges[0][0] + ranges[1][0], ranges[0][1] + ranges[1][1])
        mean = ((ranges[2][0] + ranges[3][0]) / 2, (ranges[2][1] + ranges[3][1]) / 2)
        twist = max(ranges[2][1] - ranges[3][0], ranges[3][1] - ranges[2][0])
        every.append(twist)
        if bend[0] <= mean[1] and mean[0] <= bend[1]:
            agreeing.append(twist)
    return max(agreeing or every)


def _gap(name: str, value: Gap | float | None) -> Gap | None:
    if value is None or isinstance(value, Gap):
        return value
    try:
        return Gap(value)
    except InputError as error:
        raise InputError(name, value, error.accepted) from None
