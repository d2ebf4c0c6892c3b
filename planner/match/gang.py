"""Members of a set on the table together, cut by the same traverse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, between, finite, finite_array, not_negative, whole
from planner.match.sets import Show, match_set, millimetres


@dataclass(frozen=True)
class SetupMinutes:
    """Minutes of one member cut on its own: load, level, touch off, one traverse, one look; passes it takes."""

    load_minutes: float
    level_minutes: float
    touch_off_minutes: float
    traverse_minutes: float
    look_minutes: float
    passes: int

    def __post_init__(self) -> None:
        for field in ("load_minutes", "level_minutes", "touch_off_minutes", "traverse_minutes", "look_minutes"):
            not_negative(field, getattr(self, field))
        if isinstance(self.passes, bool) or int(self.passes) != self.passes or self.passes < 0:
            raise InputError("passes", self.passes, "a whole number of 0 or more")

    @property
    def total(self) -> float:
        return (
            self.load_minutes
            + self.level_minutes
            + self.touch_off_minutes
            + self.passes * (self.traverse_minutes + self.look_minutes)
        )


@dataclass(frozen=True)
class GangSetup:
    """A gang setup beside the members cut one by one.

    final_mm: the common compared height, the plane; cuts_mm (n,): removal of each; extra_mm (n,): removal beyond clean-up;
    more_mm: total removal more than one by one; depth_mm: from first contact with the highest member to the plane.
    minutes, minutes_apart, minutes_saved; shares_minutes (n,): what each member is charged; saving: money saved by the
    minutes less the worth of the material (negative: it costs). feasible, problems: as for `match_set`.
    """

    final_mm: float
    cuts_mm: np.ndarray
    extra_mm: np.ndarray
    more_mm: float
    depth_mm: float
    minutes: float
    minutes_apart: float
    shares_minutes: np.ndarray
    saving: float
    feasible: bool
    problems: tuple[str, ...]

    @property
    def minutes_saved(self) -> float:
        return self.minutes_apart - self.minutes


def gang_setup(
    heights_mm: Sequence[float],
    cleanup_mm: Sequence[float],
    min_heights_mm: Sequence[float],
    tolerance_mm: float,
    minutes: Sequence[SetupMinutes],
    *,
    gang_traverse_minutes: float,
    gang_passes: int,
    rate_per_minute: float,
    value_per_mm: float,
    shared_part: float = 0.5,
    guard_mm: float = 0.0,
    step_mm: float = 0.0,
    least_mm: float = 0.0,
    plane_mm: float | None = None,
    names: Sequence[str] | None = None,
    show: Show = millimetres,
) -> GangSetup:
    """Compare cutting a set together with cutting its members one by one.

    Each member is levelled by itself; then one plane cuts all, so that all end at the lowest natural final height
    (tolerance 0), whatever the tolerance would have saved. Members whose nominal heights differ stand on blocks
    that make up the difference, and their compared heights are given. ``shared_part``: part of the load and
    touch-off minutes that a further member still takes. ``plane_mm``: the compared height at which the gang is
    planned to end, where its passes do not stop just at the lowest natural one. Heights, clean-ups, step and least pass
    as for `match_set`; the last two bind the members cut one by one.
    """
    heights = finite_array("heights_mm", heights_mm, (None,))
    alone_mm = finite_array("cleanup_mm", cleanup_mm, (None,))
    planned = alone_mm if plane_mm is None else np.maximum(heights - finite("plane_mm", plane_mm), 0.0)
    together = match_set(heights, planned, min_heights_mm, 0.0, names=names, show=show)
    apart = match_set(
        heights, cleanup_mm, min_heights_mm, tolerance_mm, guard_mm, step_mm, least_mm, names=names, show=show
    )
    if len(minutes) != heights.size:
        raise InputError("minutes", minutes, f"{heights.size} members' minutes, as many as heights_mm")
    traverse = not_negative("gang_traverse_minutes", gang_traverse_minutes)
    passes = whole("gang_passes", gang_passes)
    rate = not_negative("rate_per_minute", rate_per_minute)
    value = not_negative("value_per_mm", value_per_mm)
    part = between("shared_part", shared_part, 0.0, 1.0)

    handling = np.array([m.load_minutes + m.touch_off_minutes for m in minutes])
    first = int(np.argmax(handling))
    shared = handling[first] + part * (handling.sum() - handling[first])
    shared += passes * (traverse + max(m.look_minutes for m in minutes))
    own = np.array([m.level_minutes for m in minutes])
    total = float(own.sum() + shared)
    alone = float(sum(m.total for m in minutes))
    more = float(together.cuts_mm.sum() - apart.cuts_mm.sum())
    return GangSetup(
        final_mm=float(together.finals_mm.min()),
        cuts_mm=together.cuts_mm,
        extra_mm=np.maximum(0.0, together.cuts_mm - alone_mm),
        more_mm=more,
        depth_mm=float(heights.max() - together.finals_mm.min()),
        minutes=total,
        minutes_apart=alone,
        shares_minutes=own + shared / heights.size,
        saving=rate * (alone - total) - value * more,
        feasible=together.feasible,
        problems=together.problems,
    )
