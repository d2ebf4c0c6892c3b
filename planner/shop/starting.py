"""Starting values: what a new shop plans with until its own record teaches better.

All of it is common practice from memory, without a published source; every figure a screen shows from here is marked
"starting value". Depths mm, times minutes, areas mm².
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from planner.shop.parts import Condition, PartKind
from planner.units import MM_PER_THOU


@dataclass(frozen=True)
class DepthStart:
    """Clean-up depth before measuring: log-normal, median mm and standard deviation of the logarithm."""

    median_mm: float
    sigma: float


def _thou(median: float, sigma: float) -> DepthStart:
    return DepthStart(median * MM_PER_THOU, sigma)


_ALUMINIUM_HEAD = {
    Condition.LIGHT: _thou(1.2, 0.35),
    Condition.NORMAL: _thou(2.4, 0.35),
    Condition.WARPED: _thou(4, 0.45),
    Condition.CORRODED: _thou(5, 0.45),
    Condition.HEAVILY_CORRODED: _thou(11, 0.30),
    Condition.DAMAGED: _thou(4, 0.50),
    Condition.WELDED: _thou(4, 0.45),
    Condition.UNKNOWN: _thou(3.5, 0.60),
    # no usual figure is known: as wide as unknown
    Condition.CAST_SKIN: _thou(3.5, 0.60),
}
_IRON_HEAD = {
    Condition.LIGHT: _thou(2, 0.35),
    Condition.NORMAL: _thou(4, 0.40),
    Condition.WARPED: _thou(5, 0.40),
    Condition.CORRODED: _thou(7, 0.45),
    Condition.HEAVILY_CORRODED: _thou(12, 0.34),
    Condition.DAMAGED: _thou(5, 0.55),
    Condition.WELDED: _thou(5, 0.40),
    Condition.UNKNOWN: _thou(5, 0.55),
    Condition.CAST_SKIN: _thou(5, 0.55),
}
_CASE_HALF = {
    Condition.LIGHT: _thou(1.2, 0.35),
    Condition.NORMAL: _thou(2.4, 0.35),
    Condition.WARPED: _thou(2.4, 0.60),
    Condition.CORRODED: _thou(4, 0.48),
    Condition.HEAVILY_CORRODED: _thou(8, 0.38),
    Condition.DAMAGED: _thou(4, 0.48),
    Condition.WELDED: _thou(4, 0.48),
    Condition.UNKNOWN: _thou(3.5, 0.60),
    Condition.CAST_SKIN: _thou(3.5, 0.60),
}
PARTING_FACE = _thou(1.5, 0.40)
MAGNESIUM_CASE_NORMAL = _thou(3, 0.40)


def group(material: str, kind: PartKind) -> str:
    """Which column of the tables a family belongs to: "aluminium head", "iron head" or "case half"."""
    if kind is PartKind.CASE_HALF:
        return "case half"
    return "iron head" if material == "grey_iron" else "aluminium head"


DEPTHS: Mapping[str, Mapping[Condition, DepthStart]] = MappingProxyType(
    {
        "aluminium head": MappingProxyType(_ALUMINIUM_HEAD),
        "iron head": MappingProxyType(_IRON_HEAD),
        "case half": MappingProxyType(_CASE_HALF),
    }
)


def clean_up_depth(material: str, kind: PartKind, condition: Condition, parting: bool = False) -> DepthStart:
    """The starting distribution of the clean-up depth of a face."""
    if parting:
        return PARTING_FACE
    if material == "magnesium" and condition is Condition.NORMAL:
        return MAGNESIUM_CASE_NORMAL
    return DEPTHS[group(material, kind)][condition]


@dataclass(frozen=True)
class StepMinutes:
    """Minutes of the steps around the traverses. ``dry`` is unattended; ``measure`` to ``intake`` are away from the
    machine; the others hold machine and person. ``index``: an edge changed, with the touch-off after it; not of every
    job."""

    load: float
    sweep: float
    shim_round: float
    clamp: float
    dye: float
    dry: float
    touch_off: float
    look: float
    partner_check: float
    unload: float
    measure: float
    edges: float
    wash: float
    intake: float
    shim_rounds: float = 2.0
    index: float = 10.0


STEPS: Mapping[str, StepMinutes] = MappingProxyType(
    {
        "aluminium head": StepMinutes(8, 5, 4, 2, 1, 3, 5, 1.5, 5, 4, 8, 10, 15, 15),
        "iron head": StepMinutes(14, 7, 5, 3, 2, 3, 5, 2, 6, 6, 8, 12, 15, 20),
        "case half": StepMinutes(15, 7, 5, 4, 1, 3, 5, 1.5, 6, 5, 10, 12, 20, 20),
    }
)

INDEX_MINUTES = STEPS["aluminium head"].index
SWAP_CUTTER_MINUTES = 12.0
CLEANOUT_MINUTES = 12.0
MAGNESIUM_BEFORE_MINUTES = 30.0
MAGNESIUM_AFTER_MINUTES = 20.0

# what one edge lasts, path of the edge in metal
CAPACITY_PATH_MM: Mapping[str, float] = MappingProxyType(
    {"aluminium": 600e6, "aluminium cbn": 200e6, "grey_iron": 120e6, "magnesium": 600e6}
)
CAPACITY_LOG_SD = 0.7
LIFE_SHAPE = 3.71  # coefficient of variation 0.3: Wager & Barash, ASME J. Eng. Ind. 93(4)

# how many times as fast (and as readily to chip) a cut in harsh skin wears an edge, the mean over its passes
SKIN_FACTOR: MappingProxyType[str, float] = MappingProxyType({"corrosion": 1.3, "cast skin": 1.7, "weld": 2.5})
SKIN_LOG_SD = 0.35
SKIN_OF: Mapping[Condition, str] = MappingProxyType(
    {
        Condition.CORRODED: "corrosion",
        Condition.HEAVILY_CORRODED: "corrosion",
        Condition.CAST_SKIN: "cast skin",
        Condition.WELDED: "weld",
    }
)

# flagged only, where a family has no limit of its own
GREATEST_TOTAL_MM: Mapping[str, float] = MappingProxyType(
    {"aluminium": 12 * MM_PER_THOU, "grey_iron": 18 * MM_PER_THOU, "magnesium": 12 * MM_PER_THOU}
)
REBUILD_EXTRA_MM = 0.5 * MM_PER_THOU
USUAL_OUT_OF_FLAT_MM: Mapping[str, float] = MappingProxyType(
    {"aluminium head": 3 * MM_PER_THOU, "iron head": 4 * MM_PER_THOU, "case half": 2 * MM_PER_THOU}
)
FIXTURE_CHANGE_MINUTES = 5.0
WATCH_AFTER_MAGNESIUM_MINUTES = 60.0
RUSH_FACTOR = 5.0
