"""Engines: what the drawing of a kind of engine says, and what was measured on one of them. Unknown stays None."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum

import numpy as np

from planner.errors import InputError, between, finite, finite_array, not_negative, positive, whole
from planner.shop.checks import all_of, choice, maybe, moment, setter, text, unique


class Crown(StrEnum):
    """What the valve faces on the piston."""

    PARALLEL_POCKET = "pocket parallel to the valve head"
    FLAT = "flat crown"
    UNKNOWN = "unknown"


class TautRun(StrEnum):
    """What the taut run between crank and cam does when the head comes down."""

    SHORTENS = "shortens"
    LENGTHENS = "lengthens"
    UNKNOWN = "unknown"


class CamDrive(StrEnum):
    """Where the cam sits and what drives it."""

    UNKNOWN = "unknown"
    PUSHROD = "cam in the case, pushrods"
    RUN = "cam in the head, chain or belt"


@dataclass(frozen=True)
class LiftCurve:
    """Valve lift around top dead centre: crank_deg ascending, lift_mm along the valve, same length, two or more."""

    crank_deg: tuple[float, ...]
    lift_mm: tuple[float, ...]

    def __post_init__(self) -> None:
        angles = finite_array("crank_deg", self.crank_deg, (None,))
        lifts = finite_array("lift_mm", self.lift_mm, (None,))
        if angles.size < 2 or (np.diff(angles) <= 0).any():
            raise InputError("crank_deg", self.crank_deg, "two or more angles, ascending")
        if lifts.size != angles.size or (lifts < 0).any():
            raise InputError("lift_mm", self.lift_mm, f"{angles.size} lifts of 0 or more, one for each angle")
        object.__setattr__(self, "crank_deg", tuple(angles.tolist()))
        object.__setattr__(self, "lift_mm", tuple(lifts.tolist()))


@dataclass(frozen=True)
class Valve:
    """Geometry of one kind of valve: angle to the bore axis, what it faces, and its lift curve where known."""

    angle_deg: float = 0.0
    crown: Crown = Crown.UNKNOWN
    curve: LiftCurve | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        angle = finite("valve.angle_deg", self.angle_deg)
        if not 0 <= angle < 90:
            raise InputError("valve.angle_deg", self.angle_deg, "an angle from 0 to below 90 degrees")
        put("angle_deg", angle)
        put("crown", choice("valve.crown", self.crown, Crown))


@dataclass(frozen=True)
class EngineLimits:
    """The shop's limits; None = none set. Clearances and squish are least values."""

    compression_greatest: float | None = None
    chamber_spread_greatest_cm3: float | None = None
    squish_least_mm: float | None = None
    intake_least_mm: float | None = None
    exhaust_least_mm: float | None = None
    preload_least_mm: float | None = None
    preload_greatest_mm: float | None = None
    cam_shift_greatest_deg: float | None = None

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if value is not None:
                not_negative(name, value)


@dataclass(frozen=True)
class EngineFamily:
    """What the drawing knows of a kind of engine. None = unknown.

    ``head_family_ids``, ``case_family_ids``: the families its heads and case halves belong to. ``banks``: their names,
    as the positions of parts name them; empty = a bank for each position its heads name. ``chamber_cm3``: of a head
    ``chamber_height_mm`` high. ``chamber_area_mm2``: of the chamber at the face. ``piston_cm3``: dish positive, dome
    negative. ``pad_recess_mm``: how far the squish pad of the head lies behind its face (0 = flush).
    ``gasket_bore_mm`` None: as the bore. ``bank_angle_deg``: between the banks (180 = opposed; None = one bank, or
    unknown). ``manifold_lean_deg``: of the heads' manifold face from the vertical, positive where it leans away from
    the middle going up; None = no manifold between the heads.
    """

    name: str
    bore_mm: float
    stroke_mm: float
    id: int | None = None
    head_family_ids: tuple[int, ...] = ()
    case_family_ids: tuple[int, ...] = ()
    banks: tuple[str, ...] = ()
    cylinders: int = 1
    chamber_cm3: float | None = None
    chamber_height_mm: float | None = None
    chamber_area_mm2: float | None = None
    piston_cm3: float | None = None
    rod_mm: float | None = None
    gasket_bore_mm: float | None = None
    most_stacked: int = 1
    pad_recess_mm: float | None = None
    intake: Valve = Valve()
    exhaust: Valve = Valve()
    cam_drive: CamDrive = CamDrive.UNKNOWN
    cam_radius_mm: float | None = None
    cam_run_angle_deg: float = 0.0
    taut_run: TautRun = TautRun.UNKNOWN
    pushrod_angle_deg: float = 0.0
    bank_angle_deg: float | None = None
    manifold_lean_deg: float | None = None
    limits: EngineLimits = EngineLimits()
    notes: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("engine.name", self.name, required=True, longest=80))
        put("bore_mm", between("engine.bore_mm", self.bore_mm, 10, 1000))
        put("stroke_mm", between("engine.stroke_mm", self.stroke_mm, 10, 3000))
        put("head_family_ids", tuple(self.head_family_ids))
        put("case_family_ids", tuple(self.case_family_ids))
        put("banks", tuple(text("engine.banks", b, required=True, longest=40) for b in self.banks))
        unique("engine.banks", (b.casefold() for b in self.banks), "bank's name")
        put("cylinders", whole("engine.cylinders", self.cylinders, 1, 24))
        put("most_stacked", whole("engine.most_stacked", self.most_stacked, 1, 3))
        for name in (
            "chamber_cm3",
            "chamber_height_mm",
            "chamber_area_mm2",
            "rod_mm",
            "gasket_bore_mm",
            "cam_radius_mm",
        ):
            put(name, maybe(positive, f"engine.{name}", getattr(self, name)))
        put("piston_cm3", maybe(finite, "engine.piston_cm3", self.piston_cm3))
        put("pad_recess_mm", maybe(not_negative, "engine.pad_recess_mm", self.pad_recess_mm))
        if self.rod_mm is not None and self.rod_mm <= self.stroke_mm / 2:
            raise InputError("engine.rod_mm", self.rod_mm, f"more than half the stroke, {self.stroke_mm / 2:g} mm")
        put("cam_drive", choice("engine.cam_drive", self.cam_drive, CamDrive))
        put("taut_run", choice("engine.taut_run", self.taut_run, TautRun))
        for name in ("cam_run_angle_deg", "pushrod_angle_deg"):
            put(name, finite(f"engine.{name}", getattr(self, name)))
            if not -90 < getattr(self, name) < 90:
                raise InputError(f"engine.{name}", getattr(self, name), "an angle between -90 and 90 degrees")
        if self.bank_angle_deg is not None:
            angle = finite("engine.bank_angle_deg", self.bank_angle_deg)
            if not 0 < angle <= 180:
                raise InputError("engine.bank_angle_deg", angle, "an angle above 0, up to 180 degrees (opposed)")
            put("bank_angle_deg", angle)
        if self.manifold_lean_deg is not None:
            lean = finite("engine.manifold_lean_deg", self.manifold_lean_deg)
            if not -90 < lean < 90:
                raise InputError("engine.manifold_lean_deg", lean, "an angle between -90 and 90 degrees")
            put("manifold_lean_deg", lean)
            if self.bank_angle_deg is None or self.bank_angle_deg >= 180:
                raise InputError(
                    "engine.bank_angle_deg", self.bank_angle_deg, "an angle below 180 where a manifold lies between"
                )
        put("notes", text("engine.notes", self.notes, longest=2000))

    @property
    def opposed(self) -> bool:
        return self.bank_angle_deg == 180

    @property
    def has_vee_manifold(self) -> bool:
        """Whether a manifold sits between the heads, so that its faces follow the cuts."""
        return self.manifold_lean_deg is not None


@dataclass(frozen=True)
class ChamberReading:
    """A chamber volume measured with its head at a known height (None = not known then)."""

    cylinder: int
    volume_cm3: float
    height_mm: float | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        put("cylinder", whole("chamber.cylinder", self.cylinder, 1, 24))
        put("volume_cm3", positive("chamber.volume_cm3", self.volume_cm3))
        put("height_mm", maybe(positive, "chamber.height_mm", self.height_mm))


class StackFace(StrEnum):
    """Which face of a bank's stack was cut."""

    HEAD = "head"
    DECK = "deck of the case"
    PARTING = "parting face of the case"


@dataclass(frozen=True)
class ReportedCut:
    """A cut of a bank's stack made elsewhere, or before this shop's record: somebody said so, nobody here measured it."""

    face: StackFace
    removed_mm: float
    on: date
    said_by: str
    note: str = ""

    def __post_init__(self) -> None:
        put = setter(self)
        put("face", choice("reported.face", self.face, StackFace))
        put("removed_mm", positive("reported.removed_mm", self.removed_mm))
        if not isinstance(self.on, date) or isinstance(self.on, datetime):
            raise InputError("reported.on", self.on, "a date")
        put("said_by", text("reported.said_by", self.said_by, required=True, longest=80))
        put("note", text("reported.note", self.note, longest=200))


@dataclass(frozen=True)
class MeasuredBank:
    """What was measured on one bank before its stack was cut. None = not measured, and stays unknown.

    ``deck_clearance_mm``: piston below the deck at top dead centre (negative: it stands out). ``intake_mm``,
    ``exhaust_mm``: least piston-to-valve clearances. ``gasket_before_mm``, ``gasket_after_mm``: crushed thickness;
    ``gasket_after``: names of the gaskets to use, several in a stack; ``same_gasket``: the thickness stays, known or not.
    ``parts``: tags of parts the lead put on this bank, whatever their position says; ``reported``: cuts made elsewhere.
    """

    name: str
    chambers: tuple[ChamberReading, ...] = ()
    deck_clearance_mm: float | None = None
    intake_mm: float | None = None
    exhaust_mm: float | None = None
    preload_mm: float | None = None
    gasket_before_mm: float | None = None
    gasket_after_mm: float | None = None
    gasket_after: tuple[str, ...] = ()
    same_gasket: bool = False
    parts: tuple[str, ...] = ()
    reported: tuple[ReportedCut, ...] = ()

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("bank.name", self.name, longest=40))
        put("chambers", all_of("bank.chambers", self.chambers, ChamberReading))
        for name in ("deck_clearance_mm", "intake_mm", "exhaust_mm", "preload_mm"):
            put(name, maybe(finite, f"bank.{name}", getattr(self, name)))
        for name in ("gasket_before_mm", "gasket_after_mm"):
            put(name, maybe(positive, f"bank.{name}", getattr(self, name)))
        put("gasket_after", tuple(text("bank.gasket_after", g, required=True, longest=80) for g in self.gasket_after))
        put("parts", tuple(text("bank.parts", t, required=True, longest=40) for t in self.parts))
        put("reported", all_of("bank.reported", self.reported, ReportedCut))


@dataclass(frozen=True)
class MeasuredEngine:
    """One engine, by its serial number, and what was measured on it. Cuts from ``measured_on`` on come after it; None =
    all recorded cuts of its parts do."""

    serial: str
    engine_id: int
    id: int | None = None
    measured_on: date | None = None
    banks: tuple[MeasuredBank, ...] = ()
    by: str = ""
    notes: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("serial", text("engine.serial", self.serial, required=True, longest=60))
        if not isinstance(self.engine_id, int):
            raise InputError("engine.engine_id", self.engine_id, "a kind of engine the shop knows")
        put("banks", all_of("engine.banks", self.banks, MeasuredBank))
        unique("engine.banks", (b.name.casefold() for b in self.banks), "bank's name")
        unique("engine.banks.parts", (t.casefold() for b in self.banks for t in b.parts), "part's tag")
        put("by", text("engine.by", self.by, longest=40))
        put("notes", text("engine.notes", self.notes, longest=2000))

    def bank(self, name: str) -> MeasuredBank:
        """The bank with this name; an empty one, nothing measured, where there is none."""
        for bank in self.banks:
            if bank.name.casefold() == name.casefold():
                return bank
        return MeasuredBank(name)

    def bank_of(self, tag: str) -> str | None:
        """The bank the lead put a part on; None where nobody said and its position tells."""
        return next((b.name for b in self.banks if tag.casefold() in (t.casefold() for t in b.parts)), None)

    def with_bank(self, bank: MeasuredBank) -> MeasuredEngine:
        """The engine with this bank in the place of the one of its name, or beside the others."""
        names = [b.name.casefold() for b in self.banks]
        if bank.name.casefold() not in names:
            return replace(self, banks=(*self.banks, bank))
        return replace(
            self, banks=tuple(bank if n == bank.name.casefold() else b for n, b in zip(names, self.banks, strict=True))
        )


@dataclass(frozen=True)
class RaPlace:
    """A roughness read on the finished face, and where."""

    place: str
    ra_um: float

    def __post_init__(self) -> None:
        put = setter(self)
        put("place", text("ra.place", self.place, longest=60))
        put("ra_um", positive("ra.ra_um", self.ra_um))


@dataclass(frozen=True)
class HandOver:
    """What the bench did with a cut part and hands to the assembler. Empty text and None: nobody said."""

    job_id: int
    id: int | None = None
    flatness_mm: float | None = None
    ra: tuple[RaPlace, ...] = ()
    pits: str = ""
    plugs: str = ""
    dowels: str = ""
    washed: bool | None = None
    protected: bool | None = None
    next_person: str = ""
    by: str = ""
    at: datetime | None = None
    note: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        if not isinstance(self.job_id, int):
            raise InputError("hand_over.job_id", self.job_id, "a stored job")
        put("flatness_mm", maybe(not_negative, "hand_over.flatness_mm", self.flatness_mm))
        put("ra", all_of("hand_over.ra", self.ra, RaPlace))
        for name, longest in (("pits", 300), ("plugs", 120), ("dowels", 120), ("next_person", 60), ("by", 40)):
            put(name, text(f"hand_over.{name}", getattr(self, name), longest=longest))
        put("note", text("hand_over.note", self.note, longest=500))
        put("at", maybe(moment, "hand_over.at", self.at))
