"""What the cuts on a bank's stack change, each figure against its limit, with the head-room left.

These figures guide; the builder measures on the engine.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from planner.errors import InputError, finite, positive
from planner.match.bank import Bank, ChainDrive, Engine, PushrodDrive
from planner.match.engine import (
    MM3_PER_CM3,
    cam_shift,
    compression_ratio,
    swept_volume,
    valve_clearance_after,
)
from planner.shop.engines import Crown, EngineLimits, TautRun, Valve

GUIDE = "These figures guide; measure on the engine."
# How far further cuts are looked at, mm. No face is ever cut this deep.
_FAR_MM = 10.0


class Standing(StrEnum):
    """How a figure stands to its limit."""

    WITHIN = "within its limit"
    PAST = "past its limit"
    UNKNOWN = "unknown"
    NO_LIMIT = "no limit set"


@dataclass(frozen=True)
class Effect:
    """One figure before and after the cuts.

    unit: "mm", "cm3", "crank deg" or "" (ratio). least, greatest: its limit. headroom_head_mm, headroom_case_mm: how
    much more may come off the head, or off deck or parting face, before the limit, rounded down; inf where it never
    reaches it that way; None where unknown or without a limit. note: why unknown, or what was assumed.
    """

    name: str
    unit: str
    before: float | None
    after: float | None
    least: float | None
    greatest: float | None
    standing: Standing
    headroom_head_mm: float | None
    headroom_case_mm: float | None
    note: str = ""

    @property
    def was_past(self) -> bool:
        """Whether it was known to be past its limit before the cuts."""
        return self.before is not None and not _within(self.before, self.least, self.greatest)


@dataclass(frozen=True)
class BankEffects:
    """All figures of one bank, and what the cuts put on the route."""

    name: str
    effects: tuple[Effect, ...]
    drop_mm: float | None
    line_bore_due: bool

    def __getitem__(self, name: str) -> Effect:
        for effect in self.effects:
            if effect.name == name:
                return effect
        raise KeyError(name)

    @property
    def past(self) -> tuple[str, ...]:
        """Names of figures past their limit."""
        return tuple(e.name for e in self.effects if e.standing is Standing.PAST)

    @property
    def unknown(self) -> tuple[str, ...]:
        """Names of figures that have to be measured."""
        return tuple(e.name for e in self.effects if e.standing is Standing.UNKNOWN)

    def first_limit_of(self, where: str) -> tuple[str, float] | None:
        """The figure that a deeper cut of ``where`` ("head" or "deck") takes past its limit first, and the head-room to it;
        None if none would."""
        rooms = {e.name: e.headroom_head_mm if where == "head" else e.headroom_case_mm for e in self.effects}
        known = [(room, name) for name, room in rooms.items() if room is not None and math.isfinite(room)]
        return (min(known)[1], min(known)[0]) if known else None


def bank_effects(engine: Engine, bank: Bank, headroom_step_mm: float | None = 0.0254) -> BankEffects:
    """Compression, chamber volumes, squish, valve clearances, preload and cam timing of a bank, before and after.

    Compression is that of the cylinder with the smallest chamber, chamber volume that of the smallest. Head-room is
    rounded down to ``headroom_step_mm`` (None: not worked out). What was not measured is unknown, never the
    drawing's value. A further cut that closes the last of a chamber counts as past the limit.
    """
    step = None if headroom_step_mm is None else positive("headroom_step_mm", headroom_step_mm)
    uncut = replace(bank, head_cut_mm=0.0, deck_cut_mm=0.0, parting_cut_mm=0.0, gasket_after_mm=None, same_gasket=True)
    limits = engine.limits
    effects = []
    for name, unit, figure, least, greatest in _figures(limits):
        after, note = figure(engine, bank)
        before, _ = figure(engine, uncut)

        def inside(extra_head: float, extra_case: float, figure=figure, least=least, greatest=greatest) -> bool:
            deeper = replace(bank, head_cut_mm=bank.head_cut_mm + extra_head, deck_cut_mm=bank.deck_cut_mm + extra_case)
            try:
                value, _ = figure(engine, deeper)
            except InputError:
                return False
            return _within(value, least, greatest)

        rooms: list[float | None] = [None, None]
        if after is None:
            standing = Standing.UNKNOWN
        elif least is None and greatest is None:
            standing = Standing.NO_LIMIT
        else:
            standing = Standing.WITHIN if _within(after, least, greatest) else Standing.PAST
            if step is not None:
                rooms = [_room(lambda x: inside(x, 0.0), step), _room(lambda x: inside(0.0, x), step)]
        effects.append(Effect(name, unit, before, after, least, greatest, standing, rooms[0], rooms[1], note))
    return BankEffects(bank.name, tuple(effects), bank.drop_mm, bank.line_bore_due)


@dataclass(frozen=True)
class EngineEffects:
    """All banks of an engine together.

    chamber_spread_cm3: over all its cylinders after the cuts; compression_difference, stack_difference_mm: greatest
    less least between banks. Each None where something is unknown.
    """

    banks: tuple[BankEffects, ...]
    chamber_spread_cm3: float | None
    compression_difference: float | None
    stack_difference_mm: float | None
    line_bore_due: bool


def engine_effects(
    engine: Engine,
    banks: Sequence[Bank],
    metal_heights_mm: Mapping[str, float] | None = None,
    headroom_step_mm: float | None = 0.0254,
) -> EngineEffects:
    """Figures of every bank, and how far the banks agree.

    A bank's stack is case half (crank line to deck) + gasket + head. metal_heights_mm: case half + head after the
    cuts, by bank name; without them the banks are compared by the change of their stacks.
    """
    if not banks or len({b.name for b in banks}) < len(banks):
        raise InputError("banks", [b.name for b in banks], "one or more banks, each with its own name")
    effects = tuple(bank_effects(engine, b, headroom_step_mm) for b in banks)
    volumes = [v for b in banks for v in chambers_after(engine, b)]
    return EngineEffects(
        banks=effects,
        chamber_spread_cm3=float(np.ptp(volumes)) if volumes and None not in volumes else None,
        compression_difference=spread([e["compression ratio"].after for e in effects]),
        stack_difference_mm=spread(stack_heights(banks, effects, metal_heights_mm)),
        line_bore_due=any(e.line_bore_due for e in effects),
    )


def stack_heights(
    banks: Sequence[Bank], effects: Sequence[BankEffects], metal_heights_mm: Mapping[str, float] | None
) -> list[float | None]:
    """Height of each bank's stack, or without metal heights its change; None where the gasket is unknown."""
    if metal_heights_mm is None:
        return [None if e.drop_mm is None else -e.drop_mm for e in effects]
    heights = []
    for b in banks:
        if b.name not in metal_heights_mm:
            raise InputError("metal_heights_mm", sorted(metal_heights_mm), f"a height for every bank, also {b.name}")
        gasket = b.gasket_before_mm if b.same_gasket else b.gasket_after_mm
        metal = finite(f"metal_heights_mm[{b.name}]", metal_heights_mm[b.name])
        heights.append(None if gasket is None else metal + gasket)
    return heights


def spread(values: Sequence[float | None]) -> float | None:
    """Greatest less least; None where a value is unknown."""
    return None if None in values else float(np.ptp(values))


def _figures(limits: EngineLimits):
    shift = limits.cam_shift_greatest_deg
    return (
        ("compression ratio", "", _compression, None, limits.compression_greatest),
        ("chamber volume", "cm3", _smallest_chamber, None, None),
        ("chamber spread", "cm3", _chamber_spread, None, limits.chamber_spread_greatest_cm3),
        ("squish", "mm", _squish, limits.squish_least_mm, None),
        ("intake valve clearance", "mm", _intake, limits.intake_least_mm, None),
        ("exhaust valve clearance", "mm", _exhaust, limits.exhaust_least_mm, None),
        ("preload", "mm", _preload, limits.preload_least_mm, limits.preload_greatest_mm),
        ("cam timing change", "crank deg", _timing, None if shift is None else -shift, shift),
    )


def chambers_after(engine: Engine, bank: Bank) -> tuple[float | None, ...]:
    """Chamber volume of each cylinder after the head cut, cm³; None where unknown."""
    cut = bank.head_cut_mm
    if cut > 0 and engine.chamber_area_mm2 is None:
        return (None,) * len(bank.chambers_cm3)
    taken = 0.0 if cut == 0 else engine.chamber_area_mm2 * cut / MM3_PER_CM3
    left = []
    for volume in bank.chambers_cm3:
        if volume is not None and volume <= taken:
            raise InputError("head_cut_mm", cut, f"a cut that leaves some of the chamber of {volume:g} cm3")
        left.append(None if volume is None else volume - taken)
    return tuple(left)


def _smallest_chamber(engine: Engine, bank: Bank):
    volumes = [v for v in chambers_after(engine, bank) if v is not None]
    if not volumes:
        what = "chamber volume not measured" if not any(bank.chambers_cm3) else "chamber area at the face unknown"
        return None, what
    missing = len(bank.chambers_cm3) - len(volumes)
    return min(volumes), f"{missing} chamber(s) not measured" if missing else ""


def _chamber_spread(engine: Engine, bank: Bank):
    volumes = bank.chambers_cm3
    if not volumes or None in volumes:
        return None, "not every chamber is known"
    return float(np.ptp(volumes)), ""  # the cut takes the same from each


def _compression(engine: Engine, bank: Bank):
    chamber, note = _smallest_chamber(engine, bank)
    gasket = bank.gasket_before_mm if bank.same_gasket else bank.gasket_after_mm
    for value, what in (
        (chamber, note),
        (engine.piston_cm3, "piston dish or dome unknown"),
        (bank.deck_clearance_mm, "deck clearance not measured"),
        (gasket, "gasket thickness unknown"),
    ):
        if value is None:
            return None, what
    bore_area = math.pi / 4.0 * engine.bore_mm**2
    gasket_area = math.pi / 4.0 * (engine.gasket_bore_mm or engine.bore_mm) ** 2
    deck = bank.deck_clearance_mm - bank.case_cut_mm
    clearance = chamber + engine.piston_cm3 + (bore_area * deck + gasket_area * gasket) / MM3_PER_CM3
    return compression_ratio(swept_volume(engine.bore_mm, engine.stroke_mm), clearance), note


def _squish(engine: Engine, bank: Bank):
    gasket = bank.gasket_before_mm if bank.same_gasket else bank.gasket_after_mm
    for value, what in (
        (bank.deck_clearance_mm, "deck clearance not measured"),
        (gasket, "gasket thickness unknown"),
        (engine.pad_recess_mm, "squish pad's recess unknown"),
    ):
        if value is None:
            return None, what
    recess = max(0.0, engine.pad_recess_mm - bank.head_cut_mm)
    return bank.deck_clearance_mm - bank.case_cut_mm + gasket + recess, ""


def _timing(engine: Engine, bank: Bank):
    drop = bank.drop_mm
    if drop is None:
        return None, "gasket thickness unknown"
    if engine.cam is None:
        return None, "cam drive unknown"
    if isinstance(engine.cam, PushrodDrive):
        return 0.0, "cam in the case"
    shift = cam_shift(drop, engine.cam.pitch_radius_mm, engine.cam.run_angle_deg)
    if engine.cam.taut_run is TautRun.LENGTHENS:
        shift = -shift
    sense = "retard" if shift > 0 else "advance"
    if engine.cam.taut_run is TautRun.UNKNOWN:
        return abs(shift), "retard or advance: not known which run is taut"
    return shift, sense if shift else ""


def _clearance(engine: Engine, bank: Bank, valve: Valve, measured: float | None, closes_near_tdc: bool):
    if measured is None:
        return None, "not measured on this engine"
    shift, note = _timing(engine, bank)
    if shift is None:
        return None, note
    unknown_sense = isinstance(engine.cam, ChainDrive) and engine.cam.taut_run is TautRun.UNKNOWN
    curve = valve.curve if engine.rod_mm is not None else None
    after = min(
        valve_clearance_after(
            measured,
            bank.drop_mm,
            valve.angle_deg,
            valve.crown,
            shift_crank_deg=by,
            closes_near_tdc=closes_near_tdc,
            curve=curve,
            crank_radius_mm=engine.stroke_mm / 2.0,
            rod_mm=engine.rod_mm,
        )
        for by in ((shift, -shift) if unknown_sense else (shift,))
    )
    words = []
    if valve.crown is Crown.UNKNOWN and valve.angle_deg:
        words.append("piston crown unknown: the worse case is taken")
    if shift and curve is None:
        words.append("no lift curve: 0.15 mm per crank degree on the side that loses")
    return after, "; ".join(words)


def _intake(engine: Engine, bank: Bank):
    return _clearance(engine, bank, engine.intake, bank.intake_mm, closes_near_tdc=False)


def _exhaust(engine: Engine, bank: Bank):
    return _clearance(engine, bank, engine.exhaust, bank.exhaust_mm, closes_near_tdc=True)


def _preload(engine: Engine, bank: Bank):
    if bank.preload_mm is None:
        return None, "not measured on this engine"
    if bank.drop_mm is None:
        return None, "gasket thickness unknown"
    if engine.cam is None:
        return None, "cam drive unknown"
    if not isinstance(engine.cam, PushrodDrive):
        return bank.preload_mm, "cam in the head moves with it"
    return bank.preload_mm + bank.drop_mm * math.cos(math.radians(engine.cam.pushrod_angle_deg)), ""


def _within(value: float | None, least: float | None, greatest: float | None) -> bool:
    if value is None:
        return False
    return (least is None or value >= least - 1e-9) and (greatest is None or value <= greatest + 1e-9)


def _room(inside: Callable[[float], bool], step: float) -> float:
    """Greatest further cut that keeps the figure inside, rounded down to the step; 0 when already past."""
    if not inside(0.0):
        return 0.0
    if inside(_FAR_MM):
        return math.inf
    low, high = 0.0, _FAR_MM
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if inside(middle) else (low, middle)
    return step * math.floor(low / step + 1e-6)
