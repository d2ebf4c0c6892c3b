"""What would help when a set cannot be matched, with figures."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np

from planner.errors import InputError, not_negative, positive, whole
from planner.match.members import MemberSet, MemberState, plan_members
from planner.match.pool import PoolPart
from planner.match.sets import SAME_MM, Show, by_words, match_set, millimetres, round_cut, set_guard


class GasketLike(Protocol):
    """A gasket on the shelf: its name, crushed thickness mm, bore mm (None = the engine's), and whether it may be
    laid on another."""

    name: str
    crushed_mm: float
    bore_mm: float | None
    may_be_stacked: bool


class Help(StrEnum):
    """What can be done about a set that does not match."""

    RECUT = "cut the finished one again"
    ACCEPT = "accept the mismatch"
    GASKET = "thicker or stacked gasket on one bank"
    PARTNER = "another partner from the pool"
    WELD = "weld the spot"


@dataclass(frozen=True)
class Option:
    """One way out, with figures.

    possible: it brings the set within its aim (for `ACCEPT`: within the greatest mismatch that may pass).
    removal_mm: material taken beyond clean-up, all members together; mismatch_mm: greatest difference left (for
    `GASKET`: of the stacks). cost: in the shop's currency. members: whom it concerns. who_agrees: somebody must agree
    to it and be named on the record. recuts_mm: by member, what is cut again; gaskets: by member, the pieces to fit.
    """

    kind: Help
    possible: bool
    removal_mm: float
    mismatch_mm: float
    cost: float
    members: tuple[str, ...]
    who_agrees: bool
    text: str
    recuts_mm: tuple[tuple[str, float], ...] = ()
    gaskets: tuple[tuple[str, tuple[GasketLike, ...]], ...] = ()


def gasket_stacks(shelf: Sequence[GasketLike], most: int = 1) -> tuple[tuple[GasketLike, ...], ...]:
    """Single gaskets, and stacks of up to ``most`` of those that may be stacked, thinnest first.

    Raises `InputError` for an empty shelf, or a crushed thickness that is not above 0.
    """
    if not shelf:
        raise InputError("shelf", shelf, "at least one gasket")
    most = whole("most", most, 1)
    for i, gasket in enumerate(shelf):
        positive(f"shelf[{i}].crushed_mm", gasket.crushed_mm)
    stackable = [g for g in shelf if g.may_be_stacked]
    stacks = [(g,) for g in shelf]
    for count in range(2, most + 1):
        stacks += list(itertools.combinations_with_replacement(stackable, count))
    return tuple(sorted(stacks, key=lambda s: (sum(g.crushed_mm for g in s), len(s))))


def what_would_help(
    one: MemberSet,
    *,
    value_per_mm: float,
    setup_cost: float,
    doubts_mm: Mapping[str, float] | None = None,
    step_mm: float = 0.0,
    least_mm: float = 0.0,
    shelf: Sequence[GasketLike] = (),
    most_stacked: int = 1,
    pool: Sequence[PoolPart] = (),
    removal_without_spot_mm: Mapping[str, float] | None = None,
    weld_cost: float | None = None,
    show: Show = millimetres,
    show_height: Show | None = None,
) -> tuple[Option, ...]:
    """Ways out for a set as it stands, those that work first, then by cost.

    Every member is reckoned with its likely removal. removal_without_spot_mm: by member name, the removal if its
    worst spot were welded up; weld_cost: of one weld. shelf: the gasket usually
    fitted comes first; the highest member keeps it. pool: parts that could take the place of an open or finished
    member (compared heights; only the two-member case). Options for which nothing is given are left out.
    """
    value = not_negative("value_per_mm", value_per_mm)
    setup = not_negative("setup_cost", setup_cost)
    window = one.aim_mm
    if doubts_mm is not None:
        window = max(0.0, window - set_guard([doubts_mm.get(m.name, 0.0) for m in one.members]))
    state = _State.of(one, window)
    options = [_accept(one, state, value, show)]
    options += _recut(state, value, setup, step_mm, least_mm, show)
    if shelf:
        options += _gaskets(state, value, shelf, most_stacked, show)
    if pool:
        options += _partners(one, state, value, pool, show)
    if removal_without_spot_mm:
        shown = (show, show_height)
        options += _welds(one, state, value, removal_without_spot_mm, weld_cost, doubts_mm, step_mm, least_mm, shown)
    return tuple(sorted(options, key=lambda o: (not o.possible, o.cost)))


@dataclass(frozen=True)
class _State:
    names: tuple[str, ...]
    heights: np.ndarray  # compared
    removals: np.ndarray
    least: np.ndarray
    done: np.ndarray
    window: float
    # Without touching a finished member: open ones follow the lowest as far as their limits let them.
    finals: np.ndarray

    @classmethod
    def of(cls, one: MemberSet, window: float) -> _State:
        for i, m in enumerate(one.members):
            if m.height_mm is None:
                raise InputError(f"members[{i}].heights_mm", (), f"a measured or an assumed height for {m.name}")
        offsets = np.array([one.offset_mm(m) for m in one.members])
        heights = np.array([m.height_mm for m in one.members]) - offsets
        removals = np.array([m.likely_removal_mm for m in one.members])
        least = np.array([m.least_mean_mm for m in one.members]) - offsets
        done = np.array([m.state is MemberState.FINISHED for m in one.members])
        natural = heights - removals
        wanted = np.minimum(natural, natural.min() + window)
        finals = np.where(done, heights, np.minimum(natural, np.maximum(wanted, least)))
        return cls(tuple(m.name for m in one.members), heights, removals, least, done, window, finals)

    @property
    def mismatch(self) -> float:
        return float(np.ptp(self.finals))

    @property
    def extra(self) -> float:
        return float(np.sum(self.heights - self.removals - self.finals))

    @property
    def spent(self) -> bool:
        """Whether some member cannot come clean above its limit: only a repair or another part helps that."""
        return bool((self.heights - self.removals < self.least - SAME_MM)[~self.done].any())


def _accept(one: MemberSet, state: _State, value: float, show: Show) -> Option:
    high, low = int(np.argmax(state.finals)), int(np.argmin(state.finals))
    text = f"Leave {state.names[high]} {show(state.mismatch)} above {state.names[low]}"
    if state.mismatch <= state.window + SAME_MM:
        text += ", which is within the aim"
    elif state.mismatch <= one.stop_mm + SAME_MM:
        kept = one.aim_mm - state.window
        of = f" (an aim of {show(one.aim_mm)} less {show(kept)} for the doubt of the heights)" if kept > SAME_MM else ""
        over = by_words(show, state.mismatch - state.window)
        text += (
            f": {over} more than the window of {show(state.window)}{of}, within the {show(one.stop_mm)} that may pass"
        )
    else:
        text += f": {by_words(show, state.mismatch - one.stop_mm)} more than the {show(one.stop_mm)} that may pass"
    return Option(
        Help.ACCEPT,
        possible=state.mismatch <= one.stop_mm + SAME_MM and not state.spent,
        removal_mm=state.extra,
        mismatch_mm=state.mismatch,
        cost=value * state.extra,
        members=(state.names[high], state.names[low]),
        who_agrees=state.mismatch > state.window + SAME_MM,
        text=f"{text}.",
    )


def _recut(state: _State, value: float, setup: float, step: float, least: float, show: Show) -> list[Option]:
    target = state.finals.min() + state.window
    again = [i for i in np.flatnonzero(state.done) if state.finals[i] > target + SAME_MM]
    if not again:
        return []
    finals, words, recuts = state.finals.copy(), [], []
    possible = not state.spent
    for i in again:
        cut = round_cut(float(state.finals[i] - target), step, least)
        finals[i] -= cut
        recuts.append((state.names[i], cut))
        short = float(state.least[i] - finals[i])
        words.append(f"{state.names[i]} by {show(cut)}")
        if short > SAME_MM:
            possible = False
            words[-1] += f", which takes it {by_words(show, short)} below its least height"
    mismatch = float(np.ptp(finals))
    if mismatch > state.window + SAME_MM:
        possible = False
        words.append(f"still {show(mismatch)} apart")
    extra = float(np.sum(state.heights - state.removals - finals))
    return [
        Option(
            Help.RECUT,
            possible=possible,
            removal_mm=extra,
            mismatch_mm=mismatch,
            cost=setup * len(again) + value * extra,
            members=tuple(state.names[i] for i in again),
            who_agrees=False,
            text="Set up again and cut " + "; ".join(words) + ".",
            recuts_mm=tuple(recuts),
        )
    ]


def _gaskets(state: _State, value: float, shelf: Sequence[GasketLike], most: int, show: Show) -> list[Option]:
    """Stacks of height and gasket within the window: the usual one on the highest, thicker ones on the others."""
    stacks = gasket_stacks(shelf, most)
    thick = np.array([sum(g.crushed_mm for g in s) for s in stacks])
    usual = stacks.index((shelf[0],))
    high = int(np.argmax(state.finals))
    picks = []
    for final in state.finals:
        missing = np.abs(state.finals[high] + thick[usual] - final - thick)
        # Among stacks that come as near: the fewest pieces.
        picks.append(min(range(len(stacks)), key=lambda p: (round(missing[p], 6), len(stacks[p]), p)))
    picks[high] = usual
    left = float(np.ptp(state.finals + thick[picks]))
    if len(set(picks)) == 1:
        return []
    words = [
        f"{' + '.join(g.name for g in stacks[p])} ({show(float(thick[p]))}) on {name}"
        for name, p in zip(state.names, picks, strict=True)
    ]
    return [
        Option(
            Help.GASKET,
            possible=left <= state.window + SAME_MM and not state.spent,
            removal_mm=state.extra,
            mismatch_mm=left,
            cost=value * state.extra,
            members=tuple(n for n, p in zip(state.names, picks, strict=True) if p != picks[high]),
            who_agrees=True,
            text=f"{'; '.join(words)}: stacks {show(left)} apart. Compression and clearances differ between banks.",
            gaskets=tuple((n, tuple(stacks[p])) for n, p in zip(state.names, picks, strict=True)),
        )
    ]


def _partners(one: MemberSet, state: _State, value: float, pool: Sequence[PoolPart], show: Show) -> list[Option]:
    if len(one.members) != 2:
        return []
    options = []
    for leaving, staying in ((0, 1), (1, 0)):
        best = None
        for part in pool:
            if part.leave_out or part.together is not None:
                continue
            plan = match_set(
                [state.heights[staying], part.final_mm],
                [state.removals[staying], 0.0],
                [state.least[staying], -math.inf if part.least_mm is None else part.least_mm],
                state.window,
            )
            recut = bool(state.done[staying] and plan.cuts_mm[0] > SAME_MM)
            if plan.feasible and not recut and (best is None or plan.extra_mm.sum() < best[1].extra_mm.sum()):
                best = (part, plan)
        if best is not None:
            part, plan = best
            extra = float(plan.extra_mm.sum())
            options.append(
                Option(
                    Help.PARTNER,
                    possible=True,
                    removal_mm=extra,
                    mismatch_mm=plan.mismatch_mm,
                    cost=value * extra,
                    members=(state.names[staying], part.name),
                    who_agrees=True,
                    text=f"{part.name} with {state.names[staying]} in place of {state.names[leaving]}: "
                    f"{show(plan.mismatch_mm)} apart, {show(extra)} taken beyond clean-up.",
                )
            )
    return options


def _welds(
    one: MemberSet,
    state: _State,
    value: float,
    without: Mapping[str, float],
    weld_cost: float | None,
    doubts_mm: Mapping[str, float] | None,
    step: float,
    least: float,
    shown: tuple[Show, Show | None],
) -> list[Option]:
    if weld_cost is None:
        raise InputError("weld_cost", None, "a cost of welding, as removal_without_spot_mm is given")
    price = not_negative("weld_cost", weld_cost)
    options = []
    for name, removal in without.items():
        if name not in state.names:
            raise InputError("removal_without_spot_mm", name, "names of members: " + ", ".join(state.names))
        i = state.names.index(name)
        removal = not_negative(f"removal_without_spot_mm[{name}]", removal)
        if removal >= state.removals[i] or state.done[i]:
            continue
        plan = plan_members(
            one,
            doubts_mm=doubts_mm,
            step_mm=step,
            least_mm=least,
            removals_mm={name: removal},
            show=shown[0],
            show_height=shown[1],
        )
        touched = [n for n, c, d in zip(state.names, plan.cuts.cuts_mm, state.done, strict=True) if d and c > SAME_MM]
        possible = plan.meets_aim and not touched
        extra = float(plan.cuts.extra_mm.sum())
        words = f"Weld the spot on {name}: it then cleans up {shown[0](float(state.removals[i]) - removal)} sooner"
        if touched:
            words += f", yet {touched[0]} would have to be cut again"
        elif not plan.meets_aim:
            words += "; still: " + "; ".join(plan.cuts.problems)
        options.append(
            Option(
                Help.WELD,
                possible=possible,
                removal_mm=extra,
                mismatch_mm=plan.cuts.mismatch_mm,
                cost=price + value * extra,
                members=(name,),
                who_agrees=True,
                text=f"{words}.",
            )
        )
    return options
