"""Figures of an engine as people say them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from planner.match import BankEffects, Effect, GasketChoice, Standing
from planner.units import Units

LABELS = {
    "compression ratio": "Compression ratio",
    "chamber volume": "Chamber, the smallest",
    "chamber spread": "Chambers, spread",
    "squish": "Squish",
    "intake valve clearance": "Intake valve to piston",
    "exhaust valve clearance": "Exhaust valve to piston",
    "preload": "Preload",
    "cam timing change": "Cam timing, change",
}


def figure(value: float | None, unit: str, units: Units, unknown: str = "unknown") -> str:
    """A figure in the person's units."""
    if value is None:
        return unknown
    if unit == "mm":
        return units.depth(value)
    if unit == "cm3":
        return f"{value:.1f} cm³"
    if unit == "crank deg":
        if abs(value) < 0.05:
            return "0.0°"
        return f"{abs(value):.1f}° {'retard' if value > 0 else 'advance'}"
    return f"{value:.2f}"


def limit(effect: Effect, units: Units) -> str:
    """The limit of a figure: "at least …", "at most …"."""
    said = []
    if effect.unit == "crank deg":
        return "none set" if effect.greatest is None else f"at most {effect.greatest:.1f}° either way"
    if effect.least is not None and effect.greatest is not None and effect.unit == "mm":
        return f"{units.depth(effect.least, unit=False)} to {units.depth(effect.greatest)}"
    if effect.least is not None:
        said.append(f"at least {figure(effect.least, effect.unit, units)}")
    if effect.greatest is not None:
        said.append(f"at most {figure(effect.greatest, effect.unit, units)}")
    return ", ".join(said) or "none set"


def room(effect: Effect, units: Units, case: bool) -> str:
    """How much more may come off before the limit, rounded down; ``case``: there is a deck to cut, too."""
    if effect.standing is Standing.PAST:
        return "past its limit"
    if effect.standing is Standing.UNKNOWN:
        return effect.note or "unknown"
    if effect.standing is Standing.NO_LIMIT:
        return "no limit set"
    head = _more(effect.headroom_head_mm, units)
    deck = _more(effect.headroom_case_mm, units) if case else ""
    if not head and not deck:
        return "no cut reaches it"
    if not case:
        return f"{head} more"
    if head == deck:
        return f"{head} more, head or deck"
    return ", ".join(f"{where} {told}" for where, told in (("head", head), ("deck", deck)) if told) + " more"


def _more(mm: float | None, units: Units) -> str:
    return "" if mm is None or math.isinf(mm) else units.depth(mm, down=True)


def first_words(bank: BankEffects, units: Units, where: str = "head") -> tuple[bool, str]:
    """(past a limit, sentence): what a bank reaches first by a deeper cut of its head or ("deck") its deck."""
    if bank.past:
        uncut = [n for n in bank.past if bank[n].was_past]
        before = ""
        if uncut:
            before = " It was so before the cuts." if uncut == list(bank.past) else f" Before the cuts: {_list(uncut)}."
        return True, f"past the limit of {_list(bank.past)}.{before}"
    first = bank.first_limit_of(where)
    if first is not None:
        what = first[0].replace("cam timing change", "cam timing")
        return False, f"{units.depth(first[1], down=True)} more off the {where} before the {what} limit."
    unknown = [n for n in bank.unknown if n in LABELS]
    if unknown:
        return False, f"head-room unknown; not known: {_list(unknown)}."
    return False, "no limit is set that a cut would reach."


def alike(said: list[tuple[str, bool, str]]) -> list[tuple[bool, str]]:
    """(bank, past, sentence) of every bank, banks of which the same is said together: (past, sentence)."""
    found: dict[tuple[bool, str], list[str]] = {}
    for name, past, sentence in said:
        found.setdefault((past, sentence), []).append(name)
    return [(past, f"{capital(_list(names))}: {sentence}") for (past, sentence), names in found.items()]


def none_fits(choices: Sequence[GasketChoice]) -> str:
    """Why no choice is known to fit: a limit passed, figures nobody measured, or stacks too far apart."""
    if all(c.past for c in choices):
        return "No gasket on the shelf brings every figure within its limit."
    if any(not c.past and c.stack_difference_mm is None for c in choices):
        return "Nothing known is past a limit, but what is not known cannot be judged: measure it on the engine."
    return "No gasket on the shelf brings every figure within its limit and the stacks near enough to each other."


def capital(said: str) -> str:
    """The first letter large, the rest as it is."""
    return said[:1].upper() + said[1:]


def _list(names) -> str:
    names = list(names)
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
