"""The open member's window once others are cut, and the targets that follow from it at the machine."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from planner.cut import target_passes
from planner.errors import InputError, finite, not_negative, positive
from planner.match.members import Member, MemberSet, MemberState
from planner.match.natural import EDGE_MM, natural_final
from planner.match.sets import SAME_MM, Show, by_words, millimetres, round_cut, set_guard


@dataclass(frozen=True)
class PassRule:
    """How deep passes may be set, mm; finish_mm 0: no finishing pass."""

    least_mm: float
    greatest_mm: float
    step_mm: float
    finish_mm: float = 0.0

    def __post_init__(self) -> None:
        least = not_negative("least_mm", self.least_mm)
        if positive("greatest_mm", self.greatest_mm) < least:
            raise InputError("greatest_mm", self.greatest_mm, f"at least the least pass of {least:g} mm")
        positive("step_mm", self.step_mm)
        not_negative("finish_mm", self.finish_mm)


@dataclass(frozen=True)
class PartnerTarget:
    """Where an open member of a set must end, mean of its measuring points, mm as measured on the part.

    low_mm, high_mm: window of final height left by the finished members and by its own limit (high below low: there
    is none). final_mm: where it will likely end inside it; removal_mm: what is to come off for that, from the heights
    on record, settable. passes_mm: fewest equal passes for what is still to come off. point_finals_mm: the same target
    at each measuring point when the cut is level with the present face. chance: of coming clean inside the window.
    problems: in words.
    """

    name: str
    low_mm: float
    high_mm: float
    final_mm: float
    removal_mm: float
    passes_mm: tuple[float, ...]
    point_finals_mm: tuple[float, ...]
    chance: float
    problems: tuple[str, ...]

    @property
    def open(self) -> bool:
        """Whether any final height would do."""
        return self.high_mm >= self.low_mm - SAME_MM


def partner_target(
    one: MemberSet,
    name: str,
    *,
    rule: PassRule | None = None,
    doubts_mm: Mapping[str, float] | None = None,
    show: Show = millimetres,
    show_height: Show | None = None,
) -> PartnerTarget:
    """Window, target, passes of the open member ``name``, from the measured heights of those finished.

    With H the finished members' compared heights and w = aim − guard: it must end between max H − w and min H + w, and
    above its own limit. It is cut till clean, and on to min H + w where it would stay higher. The target is rounded
    to the rule's step, deeper, never past its limit. Without a finished member the window is bounded by the limit
    alone. Raises `InputError` for a name not in the set, a finished member, one without height or removal.
    """
    member = _member(one, name)
    if member.state is MemberState.FINISHED:
        raise InputError("name", name, "a member not yet finished")
    if member.height_mm is None:
        raise InputError("heights_mm", (), f"a measured or an assumed height for {name}")
    offset = one.offset_mm(member)
    window = one.aim_mm
    if doubts_mm is not None:
        window = max(0.0, window - set_guard([doubts_mm.get(m.name, 0.0) for m in one.members]))
    done = [m for m in one.members if m.state is MemberState.FINISHED]
    finals = [m.height_mm - one.offset_mm(m) + offset for m in done]
    high = min(finals) + window if finals else math.inf
    match_low = max(finals) - window if finals else -math.inf
    low = max(match_low, member.least_mean_mm)

    natural = member.height_mm - member.likely_removal_mm
    wanted = min(natural, high)
    removal = member.height_mm - wanted
    if rule is not None:
        removal = _settable(removal, member, rule)
    final = member.height_mm - removal

    problems = []
    stands = show_height or show
    if high < low - SAME_MM:
        why = "its least height" if member.least_mean_mm >= match_low else f"{done[int(np.argmax(finals))].name}"
        problems.append(
            f"no final height of {name} would do: {why} asks for {by_words(show, low - high)} more than the lowest"
        )
    elif natural < match_low - SAME_MM:
        highest = done[int(np.argmax(finals))]
        problems.append(
            f"{name} will likely clean up at {stands(natural)}, {by_words(show, match_low - natural)} below its window: "
            f"{highest.name} would have to be cut again"
        )
    if natural < member.least_mean_mm - SAME_MM:
        problems.append(
            f"{name} will likely clean up {by_words(show, member.least_mean_mm - natural)} below its least height of "
            f"{stands(member.least_mean_mm)}"
        )
    elif rule is not None and removal < member.likely_removal_mm - SAME_MM:
        problems.append(
            f"{name} comes {by_words(show, member.likely_removal_mm - removal)} short of clean at the step above it"
        )
    passes: tuple[float, ...] = ()
    left = removal - member.removed_mm
    if rule is not None and left > SAME_MM:
        try:
            passes = target_passes(left, rule.least_mm, rule.greatest_mm, rule.step_mm, rule.finish_mm).depths_mm
        except InputError as error:
            problems.append(f"no passes for {show(left)}: {error}")
    above = natural_final(member).above(np.array([low - EDGE_MM]))
    return PartnerTarget(
        name=name,
        low_mm=low,
        high_mm=high,
        final_mm=final,
        removal_mm=removal,
        passes_mm=passes,
        point_finals_mm=tuple(h - removal for h in member.heights_mm),
        chance=float(above[0]) if high >= low - SAME_MM else 0.0,
        problems=tuple(problems),
    )


@dataclass(frozen=True)
class SameBlocksTarget:
    """Absolute reading for the second member; ``low_mm`` to ``high_mm`` keep it in the window. ``void``: why not."""

    reading_mm: float
    low_mm: float
    high_mm: float
    void: tuple[str, ...]


def same_blocks_target(
    first_reading_mm: float,
    window_mm: float,
    *,
    higher_by_mm: float = 0.0,
    counts_up: bool = True,
    rezeroed: bool = False,
    edge_changed: bool = False,
    blocks_moved: bool = False,
) -> SameBlocksTarget:
    """Second member on the same blocks with the same instrument: its target is the first's last absolute reading.

    The reading stands for a height above the table, so no height measured from the datum enters. ``higher_by_mm``:
    how much higher above its blocks the second has to end (nominal of the second less that of the first).
    ``counts_up``: the reading grows as the cutter goes down. A re-zeroed instrument, an indexed or changed edge, or
    other blocks void it.
    """
    first = finite("first_reading_mm", first_reading_mm)
    window = not_negative("window_mm", window_mm)
    higher = finite("higher_by_mm", higher_by_mm)
    reading = first - higher if counts_up else first + higher
    causes = (
        (rezeroed, "the instrument was zeroed in between"),
        (edge_changed, "the edge was indexed or changed in between"),
        (blocks_moved, "the blocks are not the same"),
    )
    return SameBlocksTarget(reading, reading - window, reading + window, tuple(why for cause, why in causes if cause))


class CheckVerdict(StrEnum):
    """What a height measured while clamped says about the window."""

    INSIDE = "inside"
    ABOVE = "above"
    BELOW = "below"
    TOO_CLOSE = "too close to tell"


@dataclass(frozen=True)
class ClampedCheck:
    """Verdict of a height check while clamped, and what may still come off.

    surely_in_mm: further removal after which it is surely not above the window; at_most_mm: further removal after
    which it is surely still not below it (negative: it may be below already).
    """

    verdict: CheckVerdict
    height_mm: float
    doubt_mm: float
    surely_in_mm: float
    at_most_mm: float


def clamped_check(height_mm: float, doubt_mm: float, low_mm: float, high_mm: float) -> ClampedCheck:
    """Compare a height measured while clamped with its window, allowing twice its doubt (standard uncertainty)."""
    height, low, high = finite("height_mm", height_mm), finite("low_mm", low_mm), finite("high_mm", high_mm)
    if high < low:
        raise InputError("high_mm", high, f"at least low_mm = {low:g}")
    reach = 2.0 * not_negative("doubt_mm", doubt_mm)
    if height - reach > high:
        verdict = CheckVerdict.ABOVE
    elif height + reach < low:
        verdict = CheckVerdict.BELOW
    elif height - reach >= low and height + reach <= high:
        verdict = CheckVerdict.INSIDE
    else:
        verdict = CheckVerdict.TOO_CLOSE
    return ClampedCheck(verdict, height, reach / 2.0, max(0.0, height + reach - high), height - reach - low)


def _settable(removal: float, member: Member, rule: PassRule) -> float:
    deeper = round_cut(removal, rule.step_mm, rule.least_mm)
    if member.height_mm - deeper >= member.least_mean_mm - SAME_MM:
        return deeper
    return round_cut(removal, rule.step_mm, rule.least_mm, deeper=False)


def _member(one: MemberSet, name: str) -> Member:
    for member in one.members:
        if member.name == name:
            return member
    raise InputError("name", name, f"a member of set {one.name}: " + ", ".join(m.name for m in one.members))
