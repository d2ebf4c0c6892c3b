"""The end of a cut: heights as they came out beside the plan, and whether they agree with the instrument."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from planner.errors import not_negative


@dataclass(frozen=True)
class PointAfter:
    """A measuring point after the cut, mm. ``lost_mm`` should lie between ``least_mm`` and ``most_mm``; ``off_mm`` is by
    how much it does not (0: it agrees), with its sign: positive where more was lost than the instrument says."""

    point: str
    before_mm: float
    after_mm: float
    planned_mm: float | None
    lost_mm: float
    least_mm: float
    most_mm: float
    off_mm: float


def compare_heights(
    before_mm: Mapping[str, float],
    after_mm: Mapping[str, float],
    stop_mm: float,
    *,
    planned_mm: Mapping[str, float] | None = None,
    gaps_mm: Mapping[str, float] | None = None,
    out_of_flat_mm: float = 0.0,
    doubt_mm: float = 0.0,
) -> tuple[PointAfter, ...]:
    """Every point measured before and after, against a cut to ``stop_mm`` below first contact.

    A point ``gaps_mm`` below first contact loses stop − gap; without a survey it may lie up to ``out_of_flat_mm`` low,
    which is what levelling explains. ``doubt_mm``: standard doubt of one height; the difference of two is allowed twice
    its own, 2 √2 of it.
    """
    stop = not_negative("stop_mm", stop_mm)
    reach = 2.0 * 2.0**0.5 * not_negative("doubt_mm", doubt_mm)
    found = []
    for point, after in after_mm.items():
        if point not in before_mm:
            continue
        lost = before_mm[point] - after
        if gaps_mm is not None and point in gaps_mm:
            least = most = max(0.0, stop - gaps_mm[point])
        else:
            least, most = max(0.0, stop - not_negative("out_of_flat_mm", out_of_flat_mm)), stop
        off = 0.0
        if lost > most + reach:
            off = lost - most
        elif lost < least - reach:
            off = lost - least
        planned = (planned_mm or {}).get(point)
        found.append(PointAfter(point, before_mm[point], after, planned, lost, least, most, off))
    return tuple(found)


def weld_or_go_on(
    still_mm: float, rebuild_mm: float, rebuild_value: float, price: float, days: float
) -> tuple[float, float, float]:
    """A single pit sets the depth: (rebuilds lost by going on, their worth, worth less the weld's price). ``still_mm``
    is what is still to come off; ``days`` only stands beside it, nobody prices them here."""
    lost = not_negative("still_mm", still_mm) / rebuild_mm
    not_negative("days", days)
    return lost, lost * rebuild_value, lost * rebuild_value - not_negative("price", price)
