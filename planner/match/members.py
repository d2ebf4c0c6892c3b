"""The members of a set as they stand: from not yet measured to finished, and the plan that follows from them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from planner.errors import InputError, finite, not_negative
from planner.match.sets import SetCuts, Show, match_set, millimetres, set_guard


class MemberState(StrEnum):
    """How far a member has come."""

    NOT_MEASURED = "not measured"
    CHECKED = "checked"
    SURVEYED = "surveyed"
    BEING_CUT = "being cut"
    FINISHED = "finished"


@dataclass(frozen=True)
class Member:
    """One part of a set.

    heights_mm: present heights at the set's measuring points (the same points on every member), before this setup's
    first pass; empty while not measured. assumed_height_mm: what to reckon with until it is measured. height_sd_mm:
    doubt of the mean height. removal_mm: height lost at these points when it stops, a number or a frozen
    `scipy.stats` distribution; None when finished. removed_mm: taken since ``heights_mm`` and still not clean.
    min_height_mm: least height, None where unknown. lowest_below_mean_mm: how far its lowest point lies below the
    mean of the points; None takes it from ``heights_mm``. part: the physical part, for the check that no part is in
    two sets. Raises `InputError`, also for a finished member without a height.
    """

    name: str
    state: MemberState
    heights_mm: tuple[float, ...] = ()
    removal_mm: Any = None
    min_height_mm: float | None = None
    nominal_mm: float | None = None
    assumed_height_mm: float | None = None
    height_sd_mm: float = 0.0
    removed_mm: float = 0.0
    lowest_below_mean_mm: float | None = None
    engine: str | None = None
    part: str | None = None

    def __post_init__(self) -> None:
        if not self.name:
            raise InputError("name", self.name, "a name")
        try:
            object.__setattr__(self, "state", MemberState(self.state))
        except ValueError:
            raise InputError("state", self.state, ", ".join(MemberState)) from None
        heights = tuple(finite(f"heights_mm[{i}]", h) for i, h in enumerate(self.heights_mm))
        object.__setattr__(self, "heights_mm", heights)
        for field in ("min_height_mm", "nominal_mm", "assumed_height_mm"):
            if getattr(self, field) is not None:
                finite(field, getattr(self, field))
        for field in ("height_sd_mm", "removed_mm"):
            not_negative(field, getattr(self, field))
        if self.lowest_below_mean_mm is not None:
            not_negative("lowest_below_mean_mm", self.lowest_below_mean_mm)
        if self.state is MemberState.FINISHED:
            if not heights:
                raise InputError("heights_mm", self.heights_mm, f"measured heights: {self.name} is finished")
            if self.removal_mm is not None or self.removed_mm:
                raise InputError(
                    "removal_mm", self.removal_mm, f"None: {self.name} is finished, nothing is left to cut"
                )
        elif self.state is not MemberState.NOT_MEASURED and not heights:
            raise InputError("heights_mm", self.heights_mm, f"measured heights: {self.name} is {self.state}")
        if self.removal_mm is not None and not _is_distribution(self.removal_mm):
            not_negative("removal_mm", self.removal_mm)
            if self.removal_mm < self.removed_mm:
                raise InputError("removal_mm", self.removal_mm, f"at least the {self.removed_mm:g} mm already taken")

    @property
    def height_mm(self) -> float | None:
        """Mean of the measured heights, else the assumed height, else None."""
        return float(np.mean(self.heights_mm)) if self.heights_mm else self.assumed_height_mm

    @property
    def spread_mm(self) -> float | None:
        """Greatest less least measured height; None while not measured."""
        return float(np.ptp(self.heights_mm)) if self.heights_mm else None

    @property
    def least_mean_mm(self) -> float:
        """Least mean height that keeps the lowest point at its limit; -inf where no limit is known."""
        if self.min_height_mm is None:
            return -math.inf
        below = self.lowest_below_mean_mm
        if below is None:
            below = float(np.mean(self.heights_mm) - np.min(self.heights_mm)) if self.heights_mm else 0.0
        return self.min_height_mm + below

    @property
    def likely_removal_mm(self) -> float:
        """Removal to reckon with: 0 when finished, the number given, or the median given what is already taken."""
        if self.state is MemberState.FINISHED:
            return 0.0
        if self.removal_mm is None:
            raise InputError("removal_mm", None, f"a removal for {self.name}, which is {self.state}")
        if not _is_distribution(self.removal_mm):
            return float(self.removal_mm)
        left = float(self.removal_mm.sf(self.removed_mm))
        if left <= 0:
            raise InputError("removed_mm", self.removed_mm, "a depth at which the face can still be unclean")
        return float(self.removal_mm.isf(0.5 * left))


@dataclass(frozen=True)
class MemberSet:
    """Members of one engine that must end at a similar height.

    aim_mm: difference of final heights to plan for; stop_mm: greatest that may be let pass. relative: compare height
    less each member's nominal, where left and right differ. Raises `InputError` for fewer than two members, members
    of different engines, a part or name twice, a missing nominal, a negative tolerance.
    """

    name: str
    members: tuple[Member, ...]
    aim_mm: float
    stop_mm: float
    relative: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "members", tuple(self.members))
        if len(self.members) < 2:
            raise InputError("members", self.members, "two or more members")
        aim = not_negative("aim_mm", self.aim_mm)
        if not_negative("stop_mm", self.stop_mm) < aim:
            raise InputError("stop_mm", self.stop_mm, f"at least the aim of {aim:g} mm")
        names = [m.name for m in self.members]
        if len(set(names)) < len(names):
            raise InputError("members", names, "a different name for each member")
        engines = sorted({m.engine for m in self.members if m.engine is not None})
        if len(engines) > 1:
            raise InputError("members", engines, f"members of one engine in set {self.name}")
        if self.relative:
            for i, m in enumerate(self.members):
                if m.nominal_mm is None:
                    raise InputError(
                        f"members[{i}].nominal_mm", None, f"the family nominal of {m.name}: the set compares to nominal"
                    )
        check_parts_once([self])

    def offset_mm(self, member: Member) -> float:
        """What is taken off a member's height before it is compared: its nominal, or 0."""
        return float(member.nominal_mm) if self.relative else 0.0

    @property
    def open_members(self) -> tuple[Member, ...]:
        """Members still to be finished."""
        return tuple(m for m in self.members if m.state is not MemberState.FINISHED)


@dataclass(frozen=True)
class SetPlan:
    """Likely cuts of a set: ``cuts`` on compared heights, ``finals_mm`` as measured, in the order of the members.

    ``aim``: cuts for the aim less guard; ``stop``: for the greatest mismatch that may pass; ``cuts``: the one to work
    to, for the aim where that can be met or nothing can, else for the stop. ``spreads_mm``: spread of
    each member's measured points, NaN while not measured.
    """

    cuts: SetCuts
    finals_mm: np.ndarray
    spreads_mm: np.ndarray
    aim: SetCuts
    stop: SetCuts

    @property
    def meets_aim(self) -> bool:
        return self.aim.feasible


def check_parts_once(sets: Iterable[MemberSet]) -> None:
    """Raise `InputError` when a part is in a set twice or in two sets."""
    seen: dict[str, str] = {}
    for one in sets:
        for member in one.members:
            if member.part is None:
                continue
            if member.part in seen:
                raise InputError("members", member.part, f"each part once; it is already in set {seen[member.part]}")
            seen[member.part] = one.name


def plan_members(
    one: MemberSet,
    *,
    doubts_mm: Mapping[str, float] | None = None,
    step_mm: float = 0.0,
    least_mm: float = 0.0,
    removals_mm: Mapping[str, float] | None = None,
    show: Show = millimetres,
    show_height: Show | None = None,
) -> SetPlan:
    """Likely cuts of a set as its members stand.

    doubts_mm: standard uncertainty of each member's height after cutting, by name; gives the guard. removals_mm:
    removals to reckon with instead of the members' likely ones, by name. show, show_height: as in `match_set`. Raises
    `InputError` for a member without any height or removal.
    """
    for i, m in enumerate(one.members):
        if m.height_mm is None:
            raise InputError(f"members[{i}].heights_mm", (), f"a measured or an assumed height for {m.name}")
    for field, given in (("doubts_mm", doubts_mm), ("removals_mm", removals_mm)):
        for name in given or {}:
            if name not in {m.name for m in one.members}:
                raise InputError(field, name, f"names of members of set {one.name}")
    guard = 0.0 if doubts_mm is None else set_guard([doubts_mm.get(m.name, 0.0) for m in one.members])
    offsets = np.array([one.offset_mm(m) for m in one.members])
    heights = np.array([m.height_mm for m in one.members])
    removal = [
        (removals_mm or {}).get(m.name, None if m.removal_mm is None else m.likely_removal_mm) for m in one.members
    ]
    for i, m in enumerate(one.members):
        if removal[i] is None:
            if m.state is not MemberState.FINISHED:
                raise InputError(f"members[{i}].removal_mm", None, f"a removal for {m.name}, which is {m.state}")
            removal[i] = 0.0
    lows = np.array([m.least_mean_mm for m in one.members])
    aim, stop = (
        match_set(
            heights - offsets,
            removal,
            lows - offsets,
            tolerance,
            guard,
            step_mm,
            least_mm,
            names=[m.name for m in one.members],
            show=show,
            # a height less its nominal is read as a depth
            show_height=None if one.relative else show_height,
        )
        for tolerance in (one.aim_mm, one.stop_mm)
    )
    if one.relative:
        aim, stop = (replace(c, problems=tuple(f"{p} (heights less nominal)" for p in c.problems)) for c in (aim, stop))
    cuts = aim if aim.feasible or not stop.feasible else stop
    return SetPlan(
        cuts=cuts,
        finals_mm=heights - cuts.cuts_mm,
        spreads_mm=np.array([math.nan if m.spread_mm is None else m.spread_mm for m in one.members]),
        aim=aim,
        stop=stop,
    )


def _is_distribution(removal: Any) -> bool:
    return hasattr(removal, "sf") and hasattr(removal, "isf")
