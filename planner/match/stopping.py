"""Whether to stop or go on when a member is clean and another is already cut, and what each choice costs."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, not_negative, positive
from planner.match.members import MemberSet, MemberState
from planner.match.sets import SAME_MM, Show, by_words, millimetres, round_cut


@dataclass(frozen=True)
class Choice:
    """Where the member on the machine could stop: final compared height, what more comes off after clean-up, and what
    it leaves. recut_mm: what the finished members then lack (0: they can stay)."""

    name: str
    final_mm: float
    further_mm: float
    mismatch_mm: float
    recut_mm: float
    within_aim: bool
    within_stop: bool
    above_limit: bool
    passes: int
    cost: float


@dataclass(frozen=True)
class StopOrGoOn:
    """The choices once a member is clean, ``advice`` in words, and the one it names."""

    choices: tuple[Choice, ...]
    advised: Choice
    advice: str


def stop_or_go_on(
    one: MemberSet,
    name: str,
    *,
    clean_at_mm: float,
    value_per_mm: float,
    pass_cost: float,
    greatest_mm: float,
    setup_cost: float = 0.0,
    guard_mm: float = 0.0,
    step_mm: float = 0.0,
    least_mm: float = 0.0,
    show: Show = millimetres,
    show_price: Callable[[float], str] = "{:.0f}".format,
) -> StopOrGoOn:
    """Compare stopping where the member is clean with going on to match those already finished.

    clean_at_mm: removal, from its height on record, at which ``name`` is clean. pass_cost: of a pass with its look;
    greatest_mm: deepest pass. Choices: stop now; go on to the edge of the aim; go on to level with the lowest finished
    member. Advised is the cheapest within the aim and above the limit; a member clean below the window needs a re-cut
    of the finished ones, priced with setup_cost. Without one within the aim: the cheapest within the greatest mismatch
    that may pass, to be agreed. Raises `InputError` when no member is finished.
    """
    member = next((m for m in one.members if m.name == name), None)
    if member is None or member.state is MemberState.FINISHED or member.height_mm is None:
        raise InputError("name", name, "a measured member not yet finished")
    done = [m for m in one.members if m.state is MemberState.FINISHED]
    if not done:
        raise InputError("members", [m.name for m in one.members], "at least one finished member to compare with")
    clean = not_negative("clean_at_mm", clean_at_mm)
    value, per_pass = not_negative("value_per_mm", value_per_mm), not_negative("pass_cost", pass_cost)
    greatest = positive("greatest_mm", greatest_mm)
    setup = not_negative("setup_cost", setup_cost)
    window = max(0.0, one.aim_mm - not_negative("guard_mm", guard_mm))
    finals = np.array([m.height_mm - one.offset_mm(m) for m in done])
    offset = one.offset_mm(member)
    natural = member.height_mm - offset - clean
    least = member.least_mean_mm - offset

    def choice(label: str, further: float) -> Choice:
        further = round_cut(further, step_mm, least_mm)
        final = natural - further
        everyone = np.append(finals, final)
        mismatch = float(np.ptp(everyone))
        lacking = np.maximum(0.0, finals - final - window)
        passes = math.ceil(further / greatest - 1e-9) if further > 0 else 0
        return Choice(
            name=label,
            final_mm=final,
            further_mm=further,
            mismatch_mm=mismatch,
            recut_mm=round_cut(float(lacking.max()), step_mm, least_mm),
            within_aim=mismatch <= window + SAME_MM,
            within_stop=mismatch <= one.stop_mm + SAME_MM,
            above_limit=final >= least - SAME_MM,
            passes=passes,
            cost=per_pass * passes + value * further,
        )

    choices = [choice("stop", 0.0)]
    lowest = float(finals.min())
    if natural > lowest + window + SAME_MM:
        choices.append(choice("go on to the aim", natural - lowest - window))
    if natural > lowest + SAME_MM:
        choices.append(choice("go on to level", natural - lowest))
    allowed = [c for c in choices if c.above_limit]
    matching = [c for c in allowed if c.within_aim]
    passing = [c for c in allowed if c.within_stop]
    other = done[int(np.argmin(finals))].name
    if matching:
        best = min(matching, key=lambda c: c.cost)
        if best.further_mm == 0:
            advice = f"Stop: {name} is clean and {show(best.mismatch_mm)} from {other}, within the aim."
        else:
            advice = (
                f"Go on by {show(best.further_mm)}: {name} is clean but stands {show(choices[0].mismatch_mm)} above "
                f"{other}. {_stopping(choices[0], one, show)}"
            )
    elif passing:
        best = min(passing, key=lambda c: c.cost)
        verb = "Stop" if best.further_mm == 0 else f"Go on by {show(best.further_mm)}"
        over = by_words(show, best.mismatch_mm - window)
        advice = f"{verb}: {show(best.mismatch_mm)} apart, {over} more than the window of {show(window)}; "
        advice += "somebody has to agree."
    else:
        best = min(allowed or choices, key=lambda c: (c.mismatch_mm, c.cost))
        advice = f"No depth matches: {show(best.mismatch_mm)} apart at best."
    if best.recut_mm > 0 and not best.within_aim:
        price = show_price(setup + value * best.recut_mm)
        advice += f" Cutting the finished one again by {show(best.recut_mm)} would match, at a cost of {price}."
    return StopOrGoOn(tuple(choices), best, advice)


def _stopping(stop: Choice, one: MemberSet, show: Show) -> str:
    if stop.within_stop:
        return "Stopping now would leave a mismatch that somebody has to agree to."
    return f"Stopping now would leave {by_words(show, stop.mismatch_mm - one.stop_mm)} more than may pass."
