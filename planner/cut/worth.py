"""What a part's thickness is worth: money for each rebuild it still has in it, and where that figure comes from."""

from __future__ import annotations

from dataclasses import dataclass

from planner.cut.schedule import money_per_rebuild, value_of_thickness
from planner.errors import positive
from planner.shop import Face, Family, Origin, Part, Shop, Source


@dataclass(frozen=True)
class Worth:
    """Value of thickness, money per mm, and of one rebuild's thickness, money; ``origin`` says what it rests on."""

    per_mm: float
    per_rebuild: float
    origin: Origin


def usable_mm(face: Face) -> float | None:
    """Stock of a new part between its height and its limit; None where either is unknown."""
    if face.limit.greatest_removal_mm is not None:
        return face.limit.greatest_removal_mm or None
    if face.new_height_mm is not None and face.least_height_mm is not None:
        stock = face.new_height_mm - face.least_height_mm
        return stock if stock > 0 else None
    return None


def worth_of(shop: Shop, part: Part | None, family: Family, face: Face, rebuild_mm: float) -> Worth:
    """What thickness of this face is worth: the owner's own value where one is set; else the price of a replacement
    (the part's, else the family's) over the usable stock of a new one; else the shop's value of a rebuild.

    ``part`` None: any part of the family. ``rebuild_mm``: depth of a usual rebuild of this face.
    """
    rebuild = positive("rebuild_mm", rebuild_mm)
    owner = part.owner.casefold() if part is not None else ""
    for name, money in shop.settings.owner_values:
        if owner and name.casefold() == owner:
            return Worth(money / rebuild, money, Origin(Source.TYPED, note=f"set for {name}"))
    price, whose = family.replacement_price, "the family's"
    if part is not None and part.replacement_price is not None:
        price, whose = part.replacement_price, "the part's"
    stock = usable_mm(face)
    if price and stock:
        value = value_of_thickness(price, stock)
        origin = Origin(Source.COMPUTED, note=f"{whose} replacement price over the usable stock")
        return Worth(value, money_per_rebuild(value, rebuild), origin)
    money = shop.settings.rebuild_value
    return Worth(money / rebuild, money, Origin(Source.TYPED, note="the shop's value of a rebuild"))
