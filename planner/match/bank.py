"""An engine as its drawing and the bench know it, and the cuts on each bank's stack."""

from __future__ import annotations

from dataclasses import dataclass, field

from planner.errors import InputError, finite, not_negative, positive
from planner.match.engine import cam_shift
from planner.shop.engines import EngineLimits as Limits
from planner.shop.engines import TautRun, Valve


@dataclass(frozen=True)
class ChainDrive:
    """Overhead cam by chain or belt: pitch radius of the cam's wheel, angle of the taut run to the bore axis."""

    pitch_radius_mm: float
    run_angle_deg: float = 0.0
    taut_run: TautRun = TautRun.SHORTENS

    def __post_init__(self) -> None:
        cam_shift(0.0, self.pitch_radius_mm, self.run_angle_deg)
        try:
            object.__setattr__(self, "taut_run", TautRun(self.taut_run))
        except ValueError:
            raise InputError("taut_run", self.taut_run, ", ".join(TautRun)) from None


@dataclass(frozen=True)
class PushrodDrive:
    """Cam in the case, its timing untouched by head and deck cuts; the pushrod's angle to the bore axis."""

    pushrod_angle_deg: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= abs(finite("pushrod_angle_deg", self.pushrod_angle_deg)) < 90:
            raise InputError("pushrod_angle_deg", self.pushrod_angle_deg, "an angle below 90 degrees")


@dataclass(frozen=True)
class Engine:
    """What the drawing knows of an engine. None = unknown.

    piston_cm3: dish positive, dome negative. chamber_area_mm2: of the chamber at the face. pad_recess_mm: how far the
    squish pad of the head lies behind its face (0 = flush). gasket_bore_mm None: as the bore. cam None: unknown.
    """

    bore_mm: float
    stroke_mm: float
    chamber_area_mm2: float | None = None
    piston_cm3: float | None = None
    rod_mm: float | None = None
    gasket_bore_mm: float | None = None
    pad_recess_mm: float | None = 0.0
    intake: Valve = field(default_factory=Valve)
    exhaust: Valve = field(default_factory=Valve)
    cam: ChainDrive | PushrodDrive | None = None
    limits: Limits = field(default_factory=Limits)

    def __post_init__(self) -> None:
        positive("bore_mm", self.bore_mm)
        positive("stroke_mm", self.stroke_mm)
        for name in ("chamber_area_mm2", "rod_mm", "gasket_bore_mm"):
            if getattr(self, name) is not None:
                positive(name, getattr(self, name))
        if self.piston_cm3 is not None:
            finite("piston_cm3", self.piston_cm3)
        if self.pad_recess_mm is not None:
            not_negative("pad_recess_mm", self.pad_recess_mm)
        if self.rod_mm is not None and self.rod_mm <= self.stroke_mm / 2:
            raise InputError("rod_mm", self.rod_mm, f"more than half the stroke, {self.stroke_mm / 2:g} mm")


@dataclass(frozen=True)
class Bank:
    """One bank's stack: what is measured on it before, and all cuts on it. None = not measured, and stays unknown.

    chambers_cm3: of each cylinder before the cuts. deck_clearance_mm: piston below the deck at top dead centre.
    intake_mm, exhaust_mm: least piston-to-valve clearances measured on the engine. gasket_before_mm, gasket_after_mm:
    crushed thickness; same_gasket: its thickness stays, known or not. A parting-face cut lowers every deck of that
    half by the same amount.
    """

    name: str
    head_cut_mm: float = 0.0
    deck_cut_mm: float = 0.0
    parting_cut_mm: float = 0.0
    chambers_cm3: tuple[float | None, ...] = ()
    deck_clearance_mm: float | None = None
    gasket_before_mm: float | None = None
    gasket_after_mm: float | None = None
    same_gasket: bool = False
    intake_mm: float | None = None
    exhaust_mm: float | None = None
    preload_mm: float | None = None

    def __post_init__(self) -> None:
        for name in ("head_cut_mm", "deck_cut_mm", "parting_cut_mm"):
            not_negative(name, getattr(self, name))
        for name in ("gasket_before_mm", "gasket_after_mm"):
            if getattr(self, name) is not None:
                positive(name, getattr(self, name))
        for name in ("deck_clearance_mm", "intake_mm", "exhaust_mm", "preload_mm"):
            if getattr(self, name) is not None:
                finite(name, getattr(self, name))
        for i, volume in enumerate(self.chambers_cm3):
            if volume is not None:
                positive(f"chambers_cm3[{i}]", volume)
        if self.same_gasket and self.gasket_after_mm not in (None, self.gasket_before_mm):
            raise InputError("gasket_after_mm", self.gasket_after_mm, "None or as before, as the gasket stays the same")

    @property
    def case_cut_mm(self) -> float:
        """What deck and parting-face cuts take together off the deck's distance from the crank."""
        return self.deck_cut_mm + self.parting_cut_mm

    @property
    def gasket_change_mm(self) -> float | None:
        """Thickness after less before; None where unknown."""
        if self.same_gasket:
            return 0.0
        if self.gasket_before_mm is None or self.gasket_after_mm is None:
            return None
        return self.gasket_after_mm - self.gasket_before_mm

    @property
    def drop_mm(self) -> float | None:
        """How much nearer the head comes to the crank: head cut + case cut − gasket change."""
        change = self.gasket_change_mm
        return None if change is None else self.head_cut_mm + self.case_cut_mm - change

    @property
    def line_bore_due(self) -> bool:
        """Whether "line bore" belongs on the part's route."""
        return self.parting_cut_mm > 0
