"""Closed-form least removal for parts that must end at a similar height."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite, finite_array, not_negative, numbers

# Heights carry about 1e-13 mm of rounding; a nanometre decides nothing in a shop.
SAME_MM = 1e-9

# How a length is put into words; a screen passes its own, in the unit its user chose.
Show = Callable[[float], str]


def millimetres(length_mm: float) -> str:
    """A length in words, mm to four places."""
    return f"{length_mm:.4f} mm"


def by_words(show: Show, length_mm: float) -> str:
    """By how much, in words: what is too little to be shown is "a hair", never 0."""
    shown = show(length_mm)
    return "a hair" if length_mm > 0 and shown == show(0.0) else shown


@dataclass(frozen=True)
class SetCuts:
    """What each member of a set must lose.

    ``cuts_mm``, ``finals_mm``, ``extra_mm`` (n,): removal, height after it, and removal beyond the member's own
    clean-up. ``feasible``: every member clean, above its least height and within the window. ``problems``: one
    sentence each, naming the member, by how much, and what would let it pass. ``short_mm`` (n,): how far a member's
    final height would lie below its least height (0 where it does not). ``window_mm``: tolerance less guard, never
    below 0.
    """

    cuts_mm: np.ndarray
    finals_mm: np.ndarray
    extra_mm: np.ndarray
    feasible: bool
    problems: tuple[str, ...]
    short_mm: np.ndarray
    window_mm: float

    @property
    def mismatch_mm(self) -> float:
        """Greatest difference of final heights."""
        return float(np.ptp(self.finals_mm))


def set_guard(doubts_mm: Sequence[float]) -> float:
    """Guard of a set, mm: 2 √(u_i² + u_j²) for its two most doubtful heights after cutting.

    ``doubts_mm``: standard uncertainties of the members' heights after cutting, one or more of 0 or above.
    """
    doubts = finite_array("doubts_mm", doubts_mm, (None,))
    if doubts.size < 2:
        raise InputError("doubts_mm", doubts_mm, "two or more doubts, one for each member")
    if (doubts < 0).any():
        raise InputError("doubts_mm", doubts_mm, "0 or numbers above 0")
    worst = np.sort(doubts)[-2:]
    return 2.0 * float(np.hypot(*worst))


def round_cut(cut_mm: float, step_mm: float = 0.0, least_mm: float = 0.0, *, deeper: bool = True) -> float:
    """Nearest settable removal at or beyond ``cut_mm`` (or at or short of it), mm; 0 stays 0.

    A removal is 0, or a multiple of the step that is not below the least pass.
    """
    if cut_mm <= SAME_MM:
        return 0.0
    if deeper:
        wanted = max(cut_mm, least_mm)
        return wanted if step_mm == 0 else step_mm * math.ceil(wanted / step_mm - SAME_MM)
    settable = cut_mm if step_mm == 0 else step_mm * math.floor(cut_mm / step_mm + SAME_MM)
    return settable if settable >= least_mm - SAME_MM else 0.0


def match_set(
    heights_mm: Sequence[float],
    cleanup_mm: Sequence[float],
    min_heights_mm: Sequence[float],
    tolerance_mm: float,
    guard_mm: float = 0.0,
    step_mm: float = 0.0,
    least_mm: float = 0.0,
    *,
    names: Sequence[str] | None = None,
    show: Show = millimetres,
    show_height: Show | None = None,
) -> SetCuts:
    """Least removal that brings two or more members within a tolerance of each other.

    heights_mm, cleanup_mm, min_heights_mm: (n,) present height, removal to clean up, and least height of each member
    at the set's measuring points (mean of the points; for heights relative to nominal subtract the nominal from the
    first and the last). A member already finished has clean-up 0. A least height of -inf says that none is known.
    tolerance_mm: greatest difference of final heights; guard_mm is taken off it for the doubt of the heights.
    step_mm, least_mm: settable step of depth and least pass; 0 switches either off. names, show, show_height: how the
    problems name the members and write a length, or a height where that is written otherwise.

    With h height, q clean-up, w = tolerance − guard: low = min(h − q), final = min(h − q, low + w). Every schedule
    that cleans all members within w ends at or below these finals, so they cost least on every member at once
    (derived; checked against a linear programme). With a step or a least pass the same holds on the settable depths:
    they are raised from the bottom until nothing more is asked. A depth is rounded deeper unless that breaks the
    least height; then it is rounded shallower and the problem is told.

    Raises `InputError` for fewer than two members, unequal lengths, anything missing or not finite, a negative
    clean-up, tolerance, guard, step or least pass.

    >>> cuts = match_set([100.0, 100.1], [0.1, 0.1], [99.0, 99.0], 0.05)
    >>> cuts.cuts_mm.round(3).tolist(), cuts.finals_mm.round(3).tolist(), cuts.feasible
    ([0.1, 0.15], [99.9, 99.95], True)
    """
    heights = finite_array("heights_mm", heights_mm, (None,))
    count = heights.size
    if count < 2:
        raise InputError("heights_mm", heights_mm, "heights of two or more members")
    cleanup = finite_array("cleanup_mm", cleanup_mm, (None,))
    lows = _least_heights(min_heights_mm)
    for field, value, array in (("cleanup_mm", cleanup_mm, cleanup), ("min_heights_mm", min_heights_mm, lows)):
        if array.size != count:
            raise InputError(field, value, f"{count} numbers, as many as heights_mm")
    if (cleanup < 0).any():
        at = int(np.argmax(cleanup < 0))
        raise InputError(f"cleanup_mm[{at}]", float(cleanup[at]), "0 or a number above 0")
    tolerance = not_negative("tolerance_mm", tolerance_mm)
    guard = not_negative("guard_mm", guard_mm)
    step = not_negative("step_mm", step_mm)
    if 0 < step < SAME_MM:
        raise InputError("step_mm", step_mm, f"0 for no step, or at least {SAME_MM:g}")
    least = not_negative("least_mm", least_mm)
    try:
        labels = [f"member {i}" for i in range(count)] if names is None else [str(name) for name in names]
    except TypeError:
        raise InputError("names", names, f"{count} names, as many as heights_mm") from None
    if len(labels) != count or isinstance(names, str):
        raise InputError("names", names, f"{count} names, as many as heights_mm")

    window = max(0.0, tolerance - guard)
    cuts = _least_cuts(heights, cleanup, lows, window, step, least)
    finals = heights - cuts
    problems, short = _problems(labels, heights, cleanup, lows, window, guard, cuts, step, show, show_height or show)
    if guard > tolerance + SAME_MM:
        problems.append(
            f"the heights are too doubtful: the guard of {show(guard)} is {by_words(show, guard - tolerance)} more than the "
            f"tolerance of {show(tolerance)}: measure them closer, or allow {show(guard)}"
        )
    return SetCuts(
        cuts_mm=cuts,
        finals_mm=finals,
        extra_mm=np.maximum(0.0, cuts - cleanup),
        feasible=not problems,
        problems=tuple(problems),
        short_mm=short,
        window_mm=window,
    )


def _least_heights(value: Sequence[float]) -> np.ndarray:
    """Least heights as floats; -inf is the caller's word for "none known", NaN and +inf are mistakes."""
    wanted = "an array of numbers, shape (n); -inf where none is known"
    given = numbers("min_heights_mm", value, wanted)
    if given.ndim != 1:
        raise InputError("min_heights_mm", value, wanted)
    return np.array([n if n == -math.inf else finite(f"min_heights_mm[{i}]", n) for i, n in enumerate(given.tolist())])


def _least_cuts(
    heights: np.ndarray, cleanup: np.ndarray, lows: np.ndarray, window: float, step: float, least: float
) -> np.ndarray:
    need = np.maximum(cleanup, heights - np.min(heights - cleanup) - window)
    exact = np.where(need > SAME_MM, need, 0.0)
    if step == 0 and least == 0:
        return exact

    def settable(needs: np.ndarray) -> np.ndarray:
        cuts = np.empty_like(needs)
        for i, wanted in enumerate(needs):
            deeper = round_cut(wanted, step, least)
            if heights[i] - deeper >= lows[i] - SAME_MM:
                cuts[i] = deeper
            elif heights[i] - wanted < lows[i] - SAME_MM:
                cuts[i] = wanted  # already past the limit: rounding would only overstate by how much
            else:
                cuts[i] = round_cut(wanted, step, least, deeper=False)
        return cuts

    first = settable(exact)
    cuts = first
    # Rounding one member deeper may lower the lowest and so ask more of the others. With a step above the window
    # this may never settle; then the plain rounding stands and its mismatch is reported.
    for _ in range(200):
        raised = settable(np.maximum(cuts, np.maximum(cleanup, heights - np.min(heights - cuts) - window)))
        if np.allclose(raised, cuts, rtol=0, atol=SAME_MM):
            # a limit can stop it, too: then nothing is gained by what was taken to get there
            return raised if np.ptp(heights - raised) <= window + SAME_MM else first
        cuts = raised
    return first


def _problems(
    labels: list[str],
    heights: np.ndarray,
    cleanup: np.ndarray,
    lows: np.ndarray,
    window: float,
    guard: float,
    cuts: np.ndarray,
    step: float,
    show: Show,
    high: Show,
) -> tuple[list[str], np.ndarray]:
    """Which member, by how much, and what would let it pass; and how far each lies below its least height."""
    finals = heights - cuts
    naturals = heights - cleanup
    short = np.where(finals < lows - SAME_MM, lows - finals, 0.0)
    problems = []
    for i, label in enumerate(labels):
        if short[i] > 0:
            below = f"{by_words(show, short[i])} below its least height of {high(lows[i])}"
            if finals[i] >= naturals[i] - SAME_MM:
                problems.append(
                    f"{label} must end at {high(finals[i])} to clean up: {below}; no tolerance helps, only a repair or "
                    "another part"
                )
                continue
            others = np.delete(np.arange(len(labels)), i)
            lead = int(others[np.argmin(finals[others])])
            said = f"{label} must end at {high(finals[i])} to match {labels[lead]}, which ends at {high(finals[lead])}"
            if naturals[i] < lows[i] - SAME_MM:
                helps = f"cleaning it up alone already takes it {by_words(show, lows[i] - naturals[i])} below"
            else:
                helps = f"a tolerance of {show(guard + window + short[i])} or more would let it stay above"
            problems.append(f"{said}: {below}; {helps}")
        if cuts[i] < cleanup[i] - SAME_MM:
            problems.append(
                f"{label} needs {show(cleanup[i])} to clean up; the deepest it can be set above its least height is "
                f"{show(cuts[i])}, {by_words(show, cleanup[i] - cuts[i])} short: a finer step or a smaller least pass "
                "would reach it"
            )
    highest, lowest = int(np.argmax(finals)), int(np.argmin(finals))
    over = float(finals[highest] - finals[lowest]) - window
    if over > SAME_MM:
        cause = f"; the step of depth is {show(step)}" if step > window else ""
        problems.append(
            f"{labels[highest]} ends {show(over + window)} above {labels[lowest]}, {by_words(show, over)} more than the "
            f"window of {show(window)}{cause}; these cuts take a tolerance of {show(over + window + guard)}"
        )
    return problems, short
