"""The shop's own habits and prices, one record."""

from __future__ import annotations

from dataclasses import dataclass

from planner.errors import InputError, between, not_negative, positive
from planner.shop.checks import choice, maybe, setter, text, unique
from planner.units import MM_PER_THOU, System


@dataclass(frozen=True)
class Settings:
    """Prices per hour and per rebuild in the shop's currency; depths and tolerances mm; chances as shares.

    ``owner_values``: what a rebuild left is worth to single owners, (owner, money), where it differs from
    ``rebuild_value``. ``flank_wear_mm``: the wear land at which an edge counts as worn (uniform; ISO 8688-1 and -2 name
    different ones). ``corrosion_wear``, ``cast_skin_wear``, ``weld_wear``: how many times as fast such skin wears an edge,
    where the shop sets it; None = learned, or a starting value.
    """

    shop_name: str = "The shop"
    units: System = System.INCH
    currency: str = "$"
    hourly_rate: float = 110.0
    rebuild_value: float = 100.0
    risk_limit: float = 0.05
    risk_limit_last: float = 0.02
    depth_step_mm: float = 0.5 * MM_PER_THOU
    paper_mm: float = 4 * MM_PER_THOU
    set_aim_mm: float = 2 * MM_PER_THOU
    set_tolerance_mm: float = 3 * MM_PER_THOU
    set_stop_mm: float = 5 * MM_PER_THOU
    height_repeatability_mm: float = 0.5 * MM_PER_THOU
    late_price_per_hour: float = 20.0
    fixed_pass_mm: float = 2 * MM_PER_THOU
    uncleaned_cost: float = 250.0
    feelers_mm: tuple[float, ...] = tuple(
        round(t * MM_PER_THOU, 5) for t in (1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15)
    )
    leaves_mm: tuple[tuple[float, int], ...] = tuple((round(t * MM_PER_THOU, 5), 10) for t in (1, 1.5, 2, 3, 5, 10))
    learn_from: str = ""
    owner_values: tuple[tuple[str, float], ...] = ()
    flank_wear_mm: float = 0.3
    corrosion_wear: float | None = None
    cast_skin_wear: float | None = None
    weld_wear: float | None = None
    wash_cool_minutes: float = 180.0
    weld_cool_minutes: float = 180.0
    version: int = 0

    @property
    def skin_wear(self) -> dict[str, float]:
        """How many times as fast a skin wears an edge, of those the shop set."""
        told = {"corrosion": self.corrosion_wear, "cast skin": self.cast_skin_wear, "weld": self.weld_wear}
        return {skin: factor for skin, factor in told.items() if factor is not None}

    def __post_init__(self) -> None:
        put = setter(self)
        put("shop_name", text("settings.shop_name", self.shop_name, required=True, longest=80))
        put("units", choice("settings.units", self.units, System))
        put("currency", text("settings.currency", self.currency, required=True, longest=4))
        for name in (
            "hourly_rate",
            "rebuild_value",
            "paper_mm",
            "height_repeatability_mm",
            "late_price_per_hour",
            "uncleaned_cost",
            "wash_cool_minutes",
            "weld_cool_minutes",
        ):
            put(name, not_negative(f"settings.{name}", getattr(self, name)))
        for name in (
            "depth_step_mm",
            "set_aim_mm",
            "set_tolerance_mm",
            "set_stop_mm",
            "fixed_pass_mm",
            "flank_wear_mm",
        ):
            put(name, positive(f"settings.{name}", getattr(self, name)))
        if self.set_aim_mm > self.set_tolerance_mm:
            raise InputError(
                "settings.set_aim_mm", self.set_aim_mm, f"at most {self.set_tolerance_mm:g} mm, the tolerance"
            )
        if self.set_stop_mm < self.set_tolerance_mm:
            raise InputError(
                "settings.set_stop_mm", self.set_stop_mm, f"at least {self.set_tolerance_mm:g} mm, the tolerance"
            )
        for name in ("risk_limit", "risk_limit_last"):
            put(name, between(f"settings.{name}", getattr(self, name), 0.0001, 0.5))
        for name in ("corrosion_wear", "cast_skin_wear", "weld_wear"):
            put(name, maybe(_times, f"settings.{name}", getattr(self, name)))
        put("feelers_mm", tuple(sorted(positive("settings.feelers_mm", f) for f in self.feelers_mm)))
        put("leaves_mm", tuple((positive("settings.leaves_mm", t), int(n)) for t, n in self.leaves_mm))
        if any(n < 0 for _, n in self.leaves_mm):
            raise InputError("settings.leaves_mm", self.leaves_mm, "counts of 0 or more")
        owners = tuple(
            (
                text("settings.owner_values", owner, required=True, longest=80),
                not_negative(f"settings.owner_values[{owner}]", worth),
            )
            for owner, worth in self.owner_values
        )
        unique("settings.owner_values", (owner.casefold() for owner, _ in owners), "owner")
        put("owner_values", owners)


def _times(field: str, value: float) -> float:
    return between(field, value, 0.2, 20.0)
