"""Gasket choice over the shelf, for all banks of an engine together."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.errors import InputError, not_negative
from planner.match.bank import Bank, Engine
from planner.match.effects import BankEffects, bank_effects, spread, stack_heights
from planner.match.options import GasketLike, gasket_stacks


@dataclass(frozen=True)
class GasketChoice:
    """A stack of gaskets for each bank and what it gives.

    stacks: names of the gaskets by bank; crushed_mm: thickness by bank. effects: every figure of every bank.
    past: (bank, figure) past a limit; unknown: (bank, figure) not known. stack_difference_mm: greatest difference of
    case half + gasket + head between banks (of the change the cuts and gaskets make, where heights are not given);
    compression_difference: greatest difference of compression, None where unknown. fits: nothing past a limit and the
    stacks within tolerance.
    """

    stacks: Mapping[str, tuple[str, ...]]
    crushed_mm: Mapping[str, float]
    effects: tuple[BankEffects, ...]
    past: tuple[tuple[str, str], ...]
    unknown: tuple[tuple[str, str], ...]
    stack_difference_mm: float | None
    compression_difference: float | None
    fits: bool


def choose_gaskets(
    engine: Engine,
    banks: Sequence[Bank],
    shelf: Sequence[GasketLike],
    *,
    most_stacked: int = 1,
    stack_tolerance_mm: float | None = None,
    metal_heights_mm: Mapping[str, float] | None = None,
    target_compression: float | None = None,
    on_hand: Mapping[str, int] | None = None,
    keep: int = 5,
    headroom_step_mm: float = 0.0254,
) -> tuple[GasketChoice, ...]:
    """Every choice of single gaskets and allowed stacks for all banks together, best first, at most ``keep``.

    Best: fewest figures past a limit, stacks within tolerance, fewest gaskets, then compression nearest the target
    (None: nearest to what it was before), then least difference of the stacks. metal_heights_mm: case half + head
    after the cuts, by bank name; without them the change of each stack is compared. on_hand: pieces by gasket name
    (left out: enough). Each bank takes its stack once. Raises `InputError` for no bank, names twice, or a gasket
    without thickness.
    """
    if not banks or len({b.name for b in banks}) < len(banks):
        raise InputError("banks", [b.name for b in banks], "one or more banks, each with its own name")
    stacks = gasket_stacks(shelf, most_stacked)
    tolerance = None if stack_tolerance_mm is None else not_negative("stack_tolerance_mm", stack_tolerance_mm)
    fitted = [[_fitted(engine, bank, stack) for stack in stacks] for bank in banks]
    worked = [[bank_effects(*one, headroom_step_mm=None) for one in row] for row in fitted]
    found = []
    for picks in itertools.product(range(len(stacks)), repeat=len(banks)):
        chosen = [stacks[p] for p in picks]
        used = [g.name for stack in chosen for g in stack]
        if any(used.count(name) > count for name, count in (on_hand or {}).items()):
            continue
        now = [fitted[b][p][1] for b, p in enumerate(picks)]
        effects = [worked[b][p] for b, p in enumerate(picks)]
        choice = _choice(now, chosen, effects, stack_heights(now, effects, metal_heights_mm), tolerance)
        found.append((_rank(choice, target_compression), picks, choice))
    found.sort(key=lambda one: one[:2])
    return tuple(
        replace(
            choice,
            effects=tuple(bank_effects(*fitted[b][p], headroom_step_mm=headroom_step_mm) for b, p in enumerate(picks)),
        )
        for _, picks, choice in found[:keep]
    )


def _fitted(engine: Engine, bank: Bank, stack: tuple[GasketLike, ...]) -> tuple[Engine, Bank]:
    thickness = float(sum(g.crushed_mm for g in stack))
    own = engine.gasket_bore_mm or engine.bore_mm
    # Rings of different bore: the stack encloses the sum of each bore's area times its thickness.
    enclosed = sum((g.bore_mm or own) ** 2 * g.crushed_mm for g in stack)
    return (
        replace(engine, gasket_bore_mm=float(np.sqrt(enclosed / thickness))),
        replace(bank, gasket_after_mm=thickness, same_gasket=False),
    )


def _choice(
    banks: list[Bank],
    stacks: list[tuple[GasketLike, ...]],
    effects: list[BankEffects],
    heights: list[float | None],
    tolerance: float | None,
) -> GasketChoice:
    apart = spread(heights)
    past = tuple((e.name, name) for e in effects for name in e.past)
    return GasketChoice(
        stacks={b.name: tuple(g.name for g in s) for b, s in zip(banks, stacks, strict=True)},
        crushed_mm={b.name: b.gasket_after_mm for b in banks},
        effects=tuple(effects),
        past=past,
        unknown=tuple((e.name, name) for e in effects for name in e.unknown),
        stack_difference_mm=apart,
        compression_difference=spread([e["compression ratio"].after for e in effects]),
        fits=not past and (tolerance is None or (apart is not None and apart <= tolerance + 1e-9)),
    )


def _rank(choice: GasketChoice, target: float | None):
    off = 0.0
    for effects in choice.effects:
        ratio = effects["compression ratio"]
        wanted = ratio.before if target is None else target
        if ratio.after is not None and wanted is not None:
            off += abs(ratio.after - wanted)
        elif effects.drop_mm is not None:
            off += abs(effects.drop_mm)
    pieces = sum(len(s) for s in choice.stacks.values())
    return (len(choice.past), not choice.fits, pieces, round(off, 9), choice.stack_difference_mm or 0.0)
