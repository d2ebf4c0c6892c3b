"""The faces of a family: size, datum, measuring points, limits, what the gasket asks for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from planner.errors import InputError, between, finite, not_negative, positive
from planner.shop.checks import all_of, choice, maybe, setter, text, unique


class FaceKind(StrEnum):
    """Which surface of the part is cut."""

    DECK = "deck"
    PARTING = "parting"
    INTAKE = "intake"
    COVER = "end or cover"


class ZoneKind(StrEnum):
    """What a place of the face has to seal."""

    FIRE_RING = "fire ring"
    FLUID = "fluid opening"
    EDGE = "outer edge"
    FREE = "free area"


@dataclass(frozen=True)
class MeasuringPoint:
    """A named place of the face, mm from its left lower corner."""

    name: str
    x_mm: float
    y_mm: float

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("point.name", self.name, required=True, longest=40))
        put("x_mm", finite("point.x_mm", self.x_mm))
        put("y_mm", finite("point.y_mm", self.y_mm))


@dataclass(frozen=True)
class Circle:
    """A round opening or ring, mm."""

    x_mm: float
    y_mm: float
    radius_mm: float

    def __post_init__(self) -> None:
        put = setter(self)
        put("x_mm", finite("circle.x_mm", self.x_mm))
        put("y_mm", finite("circle.y_mm", self.y_mm))
        put("radius_mm", positive("circle.radius_mm", self.radius_mm))

    @property
    def area_mm2(self) -> float:
        return math.pi * self.radius_mm**2


@dataclass(frozen=True)
class Zone:
    """A ring of the face around an opening that has to seal: from the opening's rim outward by ``land_mm``."""

    name: str
    kind: ZoneKind
    circle: Circle
    land_mm: float
    counts: bool = True

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("zone.name", self.name, required=True, longest=60))
        put("kind", choice("zone.kind", self.kind, ZoneKind))
        put("land_mm", positive("zone.land_mm", self.land_mm))


@dataclass(frozen=True)
class Limit:
    """How far a face may be cut: a least height, or a greatest total removal since new, or unknown (both None)."""

    least_height_mm: float | None = None
    greatest_removal_mm: float | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        put("least_height_mm", maybe(positive, "limit.least_height_mm", self.least_height_mm))
        put("greatest_removal_mm", maybe(not_negative, "limit.greatest_removal_mm", self.greatest_removal_mm))
        if self.least_height_mm is not None and self.greatest_removal_mm is not None:
            raise InputError(
                "limit.greatest_removal_mm", self.greatest_removal_mm, "nothing when a least height is given"
            )

    @property
    def known(self) -> bool:
        return self.least_height_mm is not None or self.greatest_removal_mm is not None


@dataclass(frozen=True)
class DepthLine:
    """A dimension that changes with the cut (valve recession, groove depth, …).

    ``present_mm`` None = unknown; ``per_cut`` is its change per mm cut (+1, 0 or −1); least/greatest None = no limit.
    """

    name: str
    present_mm: float | None = None
    per_cut: float = -1.0
    least_mm: float | None = None
    greatest_mm: float | None = None
    restored_by: str = ""

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("depths.name", self.name, required=True, longest=60))
        put("present_mm", maybe(finite, "depths.present_mm", self.present_mm))
        put("per_cut", between("depths.per_cut", self.per_cut, -2, 2))
        put("least_mm", maybe(finite, "depths.least_mm", self.least_mm))
        put("greatest_mm", maybe(finite, "depths.greatest_mm", self.greatest_mm))
        put("restored_by", text("depths.restored_by", self.restored_by, longest=120))
        if self.least_mm is not None and self.greatest_mm is not None and self.least_mm > self.greatest_mm:
            raise InputError("depths.greatest_mm", self.greatest_mm, f"at least the least value, {self.least_mm:g} mm")


def default_points(length_mm: float, width_mm: float) -> tuple[MeasuringPoint, ...]:
    """Four corners (5 mm or a tenth of the width in from the edges, whichever is less) and the middle."""
    inset = min(5.0, width_mm / 10, length_mm / 10)
    left, right, front, back = inset, length_mm - inset, inset, width_mm - inset
    return (
        MeasuringPoint("front left", left, front),
        MeasuringPoint("front right", right, front),
        MeasuringPoint("back right", right, back),
        MeasuringPoint("back left", left, back),
        MeasuringPoint("middle", length_mm / 2, width_mm / 2),
    )


@dataclass(frozen=True)
class Face:
    """One surface that is cut. Lengths in mm, Ra in µm. None = unknown.

    ``net_share`` is metal area over length × width, from 0 to 1. ``ra_least_um``/``ra_greatest_um`` are the
    gasket's band. ``proud`` names what may stand above the face (dowels, studs, valves, plugs).
    """

    name: str
    length_mm: float
    width_mm: float
    kind: FaceKind = FaceKind.DECK
    id: int | None = None
    net_share: float | None = None
    datum: str = ""
    points: tuple[MeasuringPoint, ...] = ()
    new_height_mm: float | None = None
    limit: Limit = Limit()
    ra_least_um: float | None = None
    ra_greatest_um: float | None = None
    flatness_mm: float | None = None
    local_flatness_mm: float | None = None
    local_span_mm: float | None = None
    bow_limit_mm: float | None = None
    parallel_limit_mm: float | None = None
    proud: tuple[str, ...] = ()
    ferrous_inserts: bool = False
    cover_bolted: bool = False
    openings: tuple[Circle, ...] = ()
    zones: tuple[Zone, ...] = ()
    depths: tuple[DepthLine, ...] = ()

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("face.name", self.name, required=True, longest=60))
        put("kind", choice("face.kind", self.kind, FaceKind))
        put("length_mm", between("face.length_mm", self.length_mm, 1, 10_000))
        put("width_mm", between("face.width_mm", self.width_mm, 1, 10_000))
        put("datum", text("face.datum", self.datum, longest=120))
        if self.net_share is not None:
            share = finite("face.net_share", self.net_share)
            if not 0 < share <= 1:
                raise InputError("face.net_share", self.net_share, "a share above 0, up to 1")
            put("net_share", share)
        for name in ("new_height_mm", "flatness_mm", "local_flatness_mm", "local_span_mm", "bow_limit_mm"):
            put(name, maybe(positive, f"face.{name}", getattr(self, name)))
        put("parallel_limit_mm", maybe(not_negative, "face.parallel_limit_mm", self.parallel_limit_mm))
        put("ra_least_um", maybe(not_negative, "face.ra_least_um", self.ra_least_um))
        put("ra_greatest_um", maybe(positive, "face.ra_greatest_um", self.ra_greatest_um))
        least, greatest = self.ra_least_um, self.ra_greatest_um
        if least is not None and greatest is not None and least >= greatest:
            raise InputError("face.ra_greatest_um", greatest, f"more than the band's least value, {least:g} µm")
        if not isinstance(self.limit, Limit):
            raise InputError("face.limit", self.limit, "a Limit")
        new, floor = self.new_height_mm, self.limit.least_height_mm
        if new is not None and floor is not None and floor > new:
            raise InputError("face.limit.least_height_mm", floor, f"at most the new height, {new:g} mm")
        if new is not None and (self.limit.greatest_removal_mm or 0) >= new:
            raise InputError(
                "face.limit.greatest_removal_mm",
                self.limit.greatest_removal_mm,
                f"less than the new height, {new:g} mm",
            )
        put(
            "points",
            all_of("face.points", self.points, MeasuringPoint) or default_points(self.length_mm, self.width_mm),
        )
        unique("face.points", (p.name for p in self.points), "point's name")
        for p in self.points:
            if not (0 <= p.x_mm <= self.length_mm and 0 <= p.y_mm <= self.width_mm):
                raise InputError("face.points", p.name, "points inside the face's length and width")
        put("proud", tuple(text("face.proud", p, required=True, longest=60) for p in self.proud))
        put("openings", all_of("face.openings", self.openings, Circle))
        put("zones", all_of("face.zones", self.zones, Zone))
        put("depths", all_of("face.depths", self.depths, DepthLine))

    @property
    def area_mm2(self) -> float:
        """Length × width."""
        return self.length_mm * self.width_mm

    @property
    def least_height_mm(self) -> float | None:
        """The least height, given as such or as new height less the greatest removal; None = unknown."""
        if self.limit.least_height_mm is not None:
            return self.limit.least_height_mm
        if self.limit.greatest_removal_mm is not None and self.new_height_mm is not None:
            return self.new_height_mm - self.limit.greatest_removal_mm
        return None
