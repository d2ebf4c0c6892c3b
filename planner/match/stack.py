"""From the shop's nouns to the stacks of an engine: which parts and which cuts belong to which bank, and what was known
of each before them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from planner.errors import InputError
from planner.match.bank import Bank, ChainDrive, Engine, PushrodDrive
from planner.match.engine import MeasuredChamber, chamber_at
from planner.shop import (
    CamDrive,
    Cut,
    EngineFamily,
    Face,
    FaceKind,
    Gasket,
    HeightStage,
    Job,
    MeasuredBank,
    MeasuredEngine,
    Part,
    PartKind,
    PartState,
    ReportedCut,
    Shop,
    StackFace,
)

_STACK = (FaceKind.DECK, FaceKind.PARTING)
_WHERE = {
    StackFace.HEAD: (PartKind.HEAD, FaceKind.DECK),
    StackFace.DECK: (PartKind.CASE_HALF, FaceKind.DECK),
    StackFace.PARTING: (PartKind.CASE_HALF, FaceKind.PARTING),
}


@dataclass(frozen=True)
class StackCut:
    """One cut of a stack: the part's tag, which face, mm of height lost there; planned = not recorded yet; reported: who
    said so of a cut made elsewhere, and when ("" = planned or recorded here)."""

    part: str
    kind: PartKind
    face: FaceKind
    bank: str
    removed_mm: float
    planned: bool = False
    reported: str = ""


@dataclass(frozen=True)
class KnownChamber:
    """The chamber of one cylinder before the cuts: cm³ (None = unknown) and where it comes from, in words."""

    cylinder: int
    volume_cm3: float | None
    origin: str


@dataclass(frozen=True)
class EngineStacks:
    """An engine's banks with all that is on their stacks. By bank's name: ``chambers`` before the cuts, ``parts``,
    ``metal_heights_mm`` case half + head after the cuts (only where every bank's is known), ``gaskets`` to use.
    ``area_origin``: where the chamber's area at the face comes from. ``line_bore``: tags whose parting face is cut."""

    family: EngineFamily
    measured: MeasuredEngine | None
    engine: Engine
    banks: tuple[Bank, ...]
    cuts: tuple[StackCut, ...]
    chambers: Mapping[str, tuple[KnownChamber, ...]]
    parts: Mapping[str, tuple[Part, ...]]
    gaskets: Mapping[str, tuple[str, ...]]
    area_origin: str
    metal_heights_mm: Mapping[str, float] | None = None
    line_bore: tuple[str, ...] = ()
    problems: tuple[str, ...] = field(default=())

    def deeper(self, head_mm: float = 0.0, deck_mm: float = 0.0) -> tuple[Bank, ...]:
        """The banks with this much more (or, negative, less) off every head and deck."""
        return tuple(
            replace(
                b,
                head_cut_mm=max(0.0, b.head_cut_mm + head_mm),
                deck_cut_mm=max(0.0, b.deck_cut_mm + deck_mm),
            )
            for b in self.banks
        )


def engine_of(family: EngineFamily, chamber_area_mm2: float | None = None) -> Engine:
    """The drawing's figures as the arithmetic takes them; a measured chamber area overrides the drawing's."""
    cam: ChainDrive | PushrodDrive | None = None
    if family.cam_drive is CamDrive.PUSHROD:
        cam = PushrodDrive(family.pushrod_angle_deg)
    elif family.cam_drive is CamDrive.RUN and family.cam_radius_mm is not None:
        cam = ChainDrive(family.cam_radius_mm, family.cam_run_angle_deg, family.taut_run)
    return Engine(
        family.bore_mm,
        family.stroke_mm,
        chamber_area_mm2=family.chamber_area_mm2 if chamber_area_mm2 is None else chamber_area_mm2,
        piston_cm3=family.piston_cm3,
        rod_mm=family.rod_mm,
        gasket_bore_mm=family.gasket_bore_mm,
        pad_recess_mm=family.pad_recess_mm,
        intake=family.intake,
        exhaust=family.exhaust,
        cam=cam,
        limits=family.limits,
    )


def engine_parts(shop: Shop, family: EngineFamily, serial: str) -> tuple[Part, ...]:
    """The parts of the shop that belong to the engine with this serial number; a scrapped one no longer does."""
    wanted = serial.strip().casefold()
    own = (*family.head_family_ids, *family.case_family_ids)
    return tuple(
        p
        for _, p in sorted(shop.parts.items())
        if wanted
        and p.engine_serial.strip().casefold() == wanted
        and p.state is not PartState.SCRAPPED
        and (not own or p.family_id in own)
    )


def bank_names(family: EngineFamily, measured: MeasuredEngine | None, parts: Iterable[Part]) -> tuple[str, ...]:
    """Names of the banks: the family's own, else the measured ones, else the positions of the parts; "" = the only one."""
    if family.banks:
        return family.banks
    if measured is not None and measured.banks:
        return tuple(b.name for b in measured.banks)
    found = dict.fromkeys(p.position.strip().casefold() for p in parts)
    return tuple(found) if len(found) > 1 else ("",)


def heights_before(part: Part, face_id: int | None, cut: Cut | None) -> dict[str, float]:
    """The last heights before a cut, by point, mm; the last of all without one.

    A reading as arrived counts up to the end of the cut: the sheet may be typed in after both.
    """
    found = {}
    for r in sorted(part.heights, key=lambda r: r.at):
        early = cut is None or r.at < (cut.started or cut.ended)
        arrived = cut is not None and r.stage is HeightStage.ARRIVED and r.at <= cut.ended
        if r.face_id == face_id and (early or arrived):
            found[r.point] = r.height_mm
    return found


def height_lost_mm(part: Part, cut: Cut) -> float:
    """What a recorded cut took off the height: mean over the points measured before and after, else its stop depth."""
    before = heights_before(part, cut.face_id, cut)
    lost = [before[p] - h for p, h in cut.heights_mm.items() if p in before]
    return max(0.0, math.fsum(lost) / len(lost)) if lost else cut.stop_depth_mm


def stacks_of(
    shop: Shop,
    family: EngineFamily,
    serial: str,
    cuts: Mapping[int, Sequence[Cut]],
    planned_mm: Mapping[int, float],
) -> EngineStacks:
    """The stacks of one engine: recorded cuts of its parts (by part id; since the day it was measured) and the planned
    ones of its open jobs (mm of height, by job id).

    Raises `InputError` for a serial without parts.
    """
    measured = shop.measured_engine(serial)
    parts = engine_parts(shop, family, serial)
    if not parts:
        raise InputError("engine_serial", serial, "the serial number of an engine with parts in the shop")
    names = bank_names(family, measured, parts)
    by_bank = {name: tuple(p for p in parts if _belongs(p, name, names, measured)) for name in names}
    problems = [
        f"{p.tag} belongs to no bank: its position is {p.position or 'not entered'}, the banks are {', '.join(names)}"
        for p in parts
        if not any(p in own for own in by_bank.values())
    ]
    found: list[StackCut] = []
    for name, own in by_bank.items():
        problems += _beside(shop, own, name)
        for part in own:
            found += _recorded(shop, part, name, cuts.get(part.id, ()), measured)
            found += _planned(shop, part, name, planned_mm)
        found += _reported(shop, own, name, measured)
    areas = _measured_areas(measured, names)
    engine = engine_of(family, math.fsum(areas) / len(areas) if areas else None)
    chambers, banks, gaskets = {}, [], {}
    for name, own in by_bank.items():
        bank = measured.bank(name) if measured else MeasuredBank(name)
        mine = [c for c in found if c.bank == name]
        heads = [p for p in own if shop.family_of(p).kind is PartKind.HEAD]
        before = [h for p in heads if (h := _height_before(shop, p, cuts.get(p.id, ()), measured)) is not None]
        height = before[0] + _taken_before(shop, heads[0], bank, measured) if len(before) == 1 else None
        chambers[name] = _chambers(family, bank, height, engine.chamber_area_mm2)
        gasket, gaskets[name] = _gasket(shop, bank, own)
        banks.append(
            Bank(
                name or "the engine",
                head_cut_mm=_taken(mine, PartKind.HEAD, FaceKind.DECK),
                deck_cut_mm=_taken(mine, PartKind.CASE_HALF, FaceKind.DECK),
                parting_cut_mm=_taken(mine, PartKind.CASE_HALF, FaceKind.PARTING),
                chambers_cm3=tuple(c.volume_cm3 for c in chambers[name]),
                deck_clearance_mm=bank.deck_clearance_mm,
                gasket_before_mm=bank.gasket_before_mm,
                gasket_after_mm=None if bank.same_gasket else gasket,
                same_gasket=bank.same_gasket,
                intake_mm=bank.intake_mm,
                exhaust_mm=bank.exhaust_mm,
                preload_mm=bank.preload_mm,
            )
        )
    called = {name: name or "the engine" for name in names}
    return EngineStacks(
        family,
        measured,
        engine,
        tuple(banks),
        tuple(replace(c, bank=called[c.bank]) for c in found),
        {called[n]: v for n, v in chambers.items()},
        {called[n]: v for n, v in by_bank.items()},
        {called[n]: v for n, v in gaskets.items()},
        "measured at two heights" if areas else "as drawn" if family.chamber_area_mm2 else "unknown",
        _metal_heights(shop, {called[n]: v for n, v in by_bank.items()}, cuts, planned_mm, measured),
        tuple(
            dict.fromkeys(c.part for c in found if c.face is FaceKind.PARTING and c.removed_mm > 0 and not c.reported)
        ),
        tuple(problems),
    )


def _belongs(part: Part, name: str, names: Sequence[str], measured: MeasuredEngine | None) -> bool:
    said = None if measured is None else measured.bank_of(part.tag)
    if said is None or said.casefold() not in (n.strip().casefold() for n in names):
        said = part.position.strip()
    return len(names) == 1 or said.casefold() == name.strip().casefold()


def _reported(shop: Shop, parts: Sequence[Part], bank: str, measured: MeasuredEngine | None) -> list[StackCut]:
    """Cuts of the bank made elsewhere since the engine was measured, as somebody said."""
    found = []
    for cut in _reported_since(measured.bank(bank), measured) if measured else ():
        kind, face = _WHERE[cut.face]
        own = [p.tag for p in parts if shop.family_of(p).kind is kind]
        said = f"{cut.said_by}, {cut.on:%d %b %Y}"
        found.append(StackCut(own[0] if len(own) == 1 else "", kind, face, bank, cut.removed_mm, reported=said))
    return found


def _reported_since(bank: MeasuredBank, measured: MeasuredEngine | None) -> list[ReportedCut]:
    since = measured.measured_on if measured else None
    return [cut for cut in bank.reported if since is None or cut.on >= since]


def _taken_before(shop: Shop, head: Part, bank: MeasuredBank, measured: MeasuredEngine | None) -> float:
    """What reported cuts took off the head before its height was first read here: the height before all cuts is that much
    more."""
    face = _deck(shop, head)
    first = min((r.at for r in head.heights if r.face_id == face.id), default=None)
    return math.fsum(
        cut.removed_mm
        for cut in _reported_since(bank, measured)
        if cut.face is StackFace.HEAD and first is not None and cut.on <= first.date()
    )


def _counts(cut: Cut, measured: MeasuredEngine | None) -> bool:
    since = measured.measured_on if measured else None
    return cut.stop_depth_mm > 0 and (since is None or cut.ended.date() >= since)


def _face(shop: Shop, part: Part, face_id: int) -> Face:
    return shop.family_of(part).face(face_id)


def _recorded(shop, part: Part, bank: str, cuts: Sequence[Cut], measured) -> list[StackCut]:
    kind = shop.family_of(part).kind
    return [
        StackCut(part.tag, kind, face.kind, bank, height_lost_mm(part, cut))
        for cut in cuts
        if _counts(cut, measured) and (face := _face(shop, part, cut.face_id)).kind in _STACK
    ]


def _planned(shop: Shop, part: Part, bank: str, planned_mm: Mapping[int, float]) -> list[StackCut]:
    kind = shop.family_of(part).kind
    return [
        StackCut(part.tag, kind, face.kind, bank, planned_mm[job.id], planned=True)
        for job in _jobs(shop, part)
        if planned_mm.get(job.id) and (face := _face(shop, part, job.face_id)).kind in _STACK
    ]


def _jobs(shop: Shop, part: Part) -> list[Job]:
    return [j for _, j in sorted(shop.jobs.items()) if j.part_id == part.id]


def _taken(cuts: Sequence[StackCut], kind: PartKind, face: FaceKind) -> float:
    """What came off one face of a bank's stack. Of several parts of one kind beside each other on a bank (single heads)
    the one cut deepest counts, as each loses only its own; a reported cut that names no part is taken off all."""
    by_part: dict[str, float] = {}
    for cut in cuts:
        if cut.kind is kind and cut.face is face:
            by_part[cut.part] = by_part.get(cut.part, 0.0) + cut.removed_mm
    return by_part.pop("", 0.0) + max(by_part.values(), default=0.0)


def _beside(shop: Shop, parts: Sequence[Part], bank: str) -> list[str]:
    """Several heads on one bank, said: figures are of one stack."""
    heads = [p.tag for p in parts if shop.family_of(p).kind is PartKind.HEAD]
    if len(heads) < 2:
        return []
    where = f"bank {bank}" if bank else "one bank"
    return [f"{' and '.join(heads)} are on {where} together: its figures take the one cut deepest"]


def _deck(shop: Shop, part: Part) -> Face | None:
    return next((f for f in shop.family_of(part).faces if f.kind is FaceKind.DECK), None)


def _mean(heights: Mapping[str, float]) -> float | None:
    return math.fsum(heights.values()) / len(heights) if heights else None


def _height_before(shop: Shop, part: Part, cuts: Sequence[Cut], measured: MeasuredEngine | None) -> float | None:
    face = _deck(shop, part)
    if face is None:
        return None
    own = [c for c in cuts if c.face_id == face.id and _counts(c, measured)]
    return _mean(heights_before(part, face.id, min(own, key=lambda c: c.ended, default=None)))


def _measured_areas(measured: MeasuredEngine | None, names: Sequence[str]) -> list[float]:
    """The chamber's area at the face of every cylinder measured at two heights, mm²."""
    found = []
    for name in names if measured else ():
        bank = measured.bank(name)
        for cylinder in {c.cylinder for c in bank.chambers}:
            own = [c for c in bank.chambers if c.cylinder == cylinder and c.height_mm is not None]
            if len({c.height_mm for c in own}) > 1:
                readings = [MeasuredChamber(c.height_mm, c.volume_cm3) for c in own]
                chamber = chamber_at(own[0].height_mm, measured=readings)
                found.append(chamber.area_mm2)
    return found


def _chambers(
    family: EngineFamily, bank: MeasuredBank, height_mm: float | None, area_mm2: float | None
) -> tuple[KnownChamber, ...]:
    """Every cylinder's chamber at the head's height before the cuts; one that was measured overrides the drawing."""
    count = max([family.cylinders, *(c.cylinder for c in bank.chambers)])
    found = []
    for cylinder in range(1, count + 1):
        own = [c for c in bank.chambers if c.cylinder == cylinder]
        # one whose height nobody wrote down counts as measured at the height before the cuts
        readings = [
            MeasuredChamber(c.height_mm if c.height_mm is not None else (height_mm or 0.0), c.volume_cm3) for c in own
        ]
        at = height_mm
        if own and at is None and len({r.height_mm for r in readings}) > 1:
            found.append(KnownChamber(cylinder, None, "the head's height is not measured"))
            continue
        chamber = chamber_at(
            at,
            drawing_cm3=family.chamber_cm3,
            drawing_area_mm2=area_mm2,
            drawing_height_mm=family.chamber_height_mm,
            measured=readings,
        )
        if chamber is None:
            why = "area at the face unknown" if own or family.chamber_cm3 is not None else "not measured"
            if not own and family.chamber_cm3 is not None and height_mm is None:
                why = "the head's height is not measured"
            found.append(KnownChamber(cylinder, None, why))
        else:
            origin = "measured" if chamber.volume_measured else "as drawn"
            found.append(KnownChamber(cylinder, chamber.volume_cm3, origin))
    return tuple(found)


def _gasket(shop: Shop, bank: MeasuredBank, parts: Sequence[Part]) -> tuple[float | None, tuple[str, ...]]:
    """Thickness and names of the gasket to use: as chosen for the engine, else the one of the deck's job."""
    if bank.same_gasket:
        return bank.gasket_before_mm, ("the same thickness as before",)
    if bank.gasket_after_mm is not None:
        return bank.gasket_after_mm, bank.gasket_after
    chosen: dict[int, Gasket] = {}
    for part in parts:
        for job in _jobs(shop, part):
            gasket = shop.gaskets.get(job.gasket_id)
            if gasket is not None and _face(shop, part, job.face_id).kind is FaceKind.DECK:
                chosen[gasket.id] = gasket
    if len(chosen) != 1:
        return None, ()
    gasket = next(iter(chosen.values()))
    return gasket.crushed_mm, (gasket.name,)


def _metal_heights(
    shop: Shop,
    by_bank: Mapping[str, Sequence[Part]],
    cuts: Mapping[int, Sequence[Cut]],
    planned_mm: Mapping[int, float],
    measured: MeasuredEngine | None,
) -> Mapping[str, float] | None:
    """Case half + head of every bank after the cuts; None unless a head and a case half of each were measured."""
    found = {}
    for name, parts in by_bank.items():
        kinds: dict[PartKind, float] = {}
        for part in parts:
            face = _deck(shop, part)
            height = None if face is None else _mean(heights_before(part, face.id, None))
            if height is None:
                return None
            last = max((r.at for r in part.heights if r.face_id == face.id), default=None)
            faces = {f.id: f.kind for f in shop.family_of(part).faces}
            for cut in cuts.get(part.id, ()):
                # a cut after which nobody measured; one of the parting face brings the deck nearer to the crank, too
                if (
                    faces.get(cut.face_id) in _STACK
                    and cut.ended > last
                    and not (cut.face_id == face.id and cut.heights_mm)
                ):
                    height -= cut.stop_depth_mm
            own = shop.family_of(part).kind
            height -= math.fsum(
                cut.removed_mm
                for cut in (measured.bank("" if name == "the engine" else name).reported if measured else ())
                if _WHERE[cut.face][0] is own and cut.on > last.date()
            )
            height -= math.fsum(planned_mm.get(j.id, 0.0) for j in _jobs(shop, part) if faces.get(j.face_id) in _STACK)
            kinds[shop.family_of(part).kind] = kinds.get(shop.family_of(part).kind, 0.0) + height
        if set(kinds) != set(PartKind) or len(parts) != 2:
            return None
        found[name] = kinds[PartKind.HEAD] + kinds[PartKind.CASE_HALF]
    return found
