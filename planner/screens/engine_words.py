"""Figures of an engine as people say them."""

from __future__ import annotations

import math

from planner.match import BankEffects, Effect, Standing
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
    told = [_more(effect.headroom_head_mm, units, " off the head" if case else "")]
    if case:
        told.append(_more(effect.headroom_case_mm, units, " off the deck"))
    return ", ".join(t for t in told if t) or "no cut reaches it"


def _more(mm: float | None, units: Units, where: str) -> str:
    if mm is None or math.isinf(mm):
        return ""
    return f"{units.depth(mm, down=True)} more{where}"


def first_words(bank: BankEffects, units: Units, several: bool) -> tuple[bool, str]:
    """(past a limit, sentence): what a bank reaches first."""
    name = f"{bank.name}: " if several else ""
    if bank.past:
        return True, f"{name}past the limit of {_list(bank.past)}."
    first = bank.first_limit
    if first is not None:
        what = first[0].replace("cam timing change", "cam timing")
        return False, f"{name}{units.depth(first[1], down=True)} more off the head before the {what} limit."
    unknown = [n for n in bank.unknown if n in LABELS]
    if unknown:
        return False, f"{name}head-room unknown; not known: {_list(unknown)}."
    return False, f"{name}no limit is set that a cut would reach."


def _list(names) -> str:
    names = list(names)
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
