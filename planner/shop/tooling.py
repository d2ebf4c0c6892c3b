"""Cutters, insert grades, inserts, recipes and gaskets."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from planner.errors import InputError, between, not_negative, positive, whole
from planner.shop.checks import choice, maybe, setter, text
from planner.shop.materials import material


class CornerKind(StrEnum):
    """What the insert leaves on the face: a corner radius, a round insert's arc, or a flat (wiper)."""

    RADIUS = "corner radius"
    ROUND = "round"
    WIPER = "wiper flat"


@dataclass(frozen=True)
class Cutter:
    """A fly cutter (one insert) or face mill (several). ``max_rpm`` None = not marked: it is refused for planning."""

    name: str
    diameter_mm: float
    inserts: int = 1
    max_rpm: float | None = None
    id: int | None = None
    machine_id: int | None = None
    grade_id: int | None = None
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("cutter.name", self.name, required=True, longest=60))
        put("diameter_mm", between("cutter.diameter_mm", self.diameter_mm, 10, 2000))
        put("inserts", whole("cutter.inserts", self.inserts, 1, 60))
        put("max_rpm", maybe(positive, "cutter.max_rpm", self.max_rpm))


@dataclass(frozen=True)
class InsertGrade:
    """A grade and shape of insert the shop buys. ``flat_mm`` is a wiper's length; ``stock`` counts unopened ones.

    ``may_meet_iron``: iron or steel standing in an aluminium face does it no harm. A grade with a recipe in use for an
    iron needs no such word (`Shop.meets_iron`).
    """

    name: str
    corner: CornerKind = CornerKind.RADIUS
    radius_mm: float | None = None
    flat_mm: float | None = None
    positions: int = 1
    price: float | None = None
    stock: int = 0
    lead_days: int | None = None
    regrind_price: float | None = None
    may_meet_iron: bool = False
    id: int | None = None
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("grade.name", self.name, required=True, longest=60))
        put("corner", choice("grade.corner", self.corner, CornerKind))
        put("radius_mm", maybe(positive, "grade.radius_mm", self.radius_mm))
        put("flat_mm", maybe(positive, "grade.flat_mm", self.flat_mm))
        if self.corner is CornerKind.WIPER and self.flat_mm is None:
            raise InputError("grade.flat_mm", None, "the length of the flat, for a wiper")
        put("positions", whole("grade.positions", self.positions, 1, 32))
        put("price", maybe(not_negative, "grade.price", self.price))
        put("stock", whole("grade.stock", self.stock, 0, 100_000))
        put("lead_days", None if self.lead_days is None else whole("grade.lead_days", self.lead_days, 0, 3650))
        put("regrind_price", maybe(not_negative, "grade.regrind_price", self.regrind_price))


@dataclass(frozen=True)
class Recipe:
    """Cutting data for one material with one insert grade. Speeds m/min, feeds mm per revolution and insert, depths mm.

    An inactive recipe (magnesium as shipped) is a proposal: nothing is planned with it until somebody signs it.
    ``capacity_path_mm`` is the path one edge lasts (scale of life) at ``speed_m_min``. ``taylor_n`` is the exponent of
    V T^n = C: at another speed a path wears (V / speed_m_min)^(1/n - 1) times as much. 1 is neutral: the path lasts alike
    at any speed, until the shop knows better.
    """

    material: str
    grade_id: int
    speed_m_min: float
    rough_feed_mm: float
    finish_feed_mm: float
    least_pass_mm: float
    usual_pass_mm: float
    greatest_pass_mm: float
    id: int | None = None
    rough_greatest_mm: float | None = None
    finish_pass_mm: float = 0.0254
    kiss_pass: bool = True
    fluid: str = ""
    capacity_path_mm: float | None = None
    taylor_n: float = 1.0
    active: bool = True
    signed_by: str = ""
    note: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("material", material("recipe.material", self.material))
        put("speed_m_min", between("recipe.speed_m_min", self.speed_m_min, 1, 5000))
        for name in ("rough_feed_mm", "finish_feed_mm"):
            put(name, between(f"recipe.{name}", getattr(self, name), 0.001, 5))
        for name in ("least_pass_mm", "usual_pass_mm", "greatest_pass_mm"):
            put(name, between(f"recipe.{name}", getattr(self, name), 0.0005, 10))
        if not self.least_pass_mm <= self.usual_pass_mm <= self.greatest_pass_mm:
            raise InputError("recipe.usual_pass_mm", self.usual_pass_mm, "least ≤ usual ≤ greatest pass depth")
        put("rough_greatest_mm", maybe(positive, "recipe.rough_greatest_mm", self.rough_greatest_mm))
        if self.rough_greatest_mm is not None and self.rough_greatest_mm < self.greatest_pass_mm:
            raise InputError("recipe.rough_greatest_mm", self.rough_greatest_mm, "at least the greatest pass depth")
        put("finish_pass_mm", not_negative("recipe.finish_pass_mm", self.finish_pass_mm))
        put("capacity_path_mm", maybe(positive, "recipe.capacity_path_mm", self.capacity_path_mm))
        put("taylor_n", between("recipe.taylor_n", self.taylor_n, 0.05, 1))
        for name, longest in (("fluid", 120), ("signed_by", 80), ("note", 500)):
            put(name, text(f"recipe.{name}", getattr(self, name), longest=longest))
        if self.active and self.material == "magnesium" and not self.signed_by:
            raise InputError("recipe.signed_by", self.signed_by, "the name of the person who signs a magnesium recipe")


def recipe_speeds(rpm: float, table_feed_mm_min: float, diameter_mm: float, inserts: int) -> tuple[float, float]:
    """Surface speed (m/min) and feed (mm per revolution and insert) from rpm and table feed for a given cutter."""
    import math

    rpm = positive("recipe.rpm", rpm)
    table_feed_mm_min = positive("recipe.table_feed_mm_min", table_feed_mm_min)
    diameter_mm = positive("recipe.diameter_mm", diameter_mm)
    inserts = whole("recipe.inserts", inserts, 1)
    return math.pi * diameter_mm * rpm / 1000, table_feed_mm_min / (rpm * inserts)


@dataclass(frozen=True)
class Insert:
    """One insert the shop has opened: a label, its grade, and how many positions it has. Its edges' states follow
    from the ledger of edge changes."""

    label: str
    grade_id: int
    id: int | None = None
    positions: int = 1
    scrapped: bool = False

    def __post_init__(self) -> None:
        put = setter(self)
        put("label", text("insert.label", self.label, required=True, longest=40))
        put("positions", whole("insert.positions", self.positions, 1, 32))


@dataclass(frozen=True)
class Gasket:
    """A gasket on the shelf: crushed thickness and bore mm, Ra band µm."""

    name: str
    crushed_mm: float
    bore_mm: float | None = None
    ra_least_um: float | None = None
    ra_greatest_um: float | None = None
    may_be_stacked: bool = False
    id: int | None = None
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("gasket.name", self.name, required=True, longest=80))
        put("crushed_mm", between("gasket.crushed_mm", self.crushed_mm, 0.01, 20))
        put("bore_mm", maybe(positive, "gasket.bore_mm", self.bore_mm))
        put("ra_least_um", maybe(not_negative, "gasket.ra_least_um", self.ra_least_um))
        put("ra_greatest_um", maybe(positive, "gasket.ra_greatest_um", self.ra_greatest_um))
        if None not in (self.ra_least_um, self.ra_greatest_um) and self.ra_least_um >= self.ra_greatest_um:
            raise InputError("gasket.ra_greatest_um", self.ra_greatest_um, "more than the band's least value")
