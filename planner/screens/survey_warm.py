"""Is the part cool enough to be measured? Heights of a warm part are refused, with how long to wait."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner import InputError
from planner.face import cool_down_minutes, warmest_c
from planner.screens.fields import Field
from planner.shop import Face, Family, Shop
from planner.shop.materials import MATERIALS
from planner.units import Units, minutes_words

# 95 °F above the room to within 5 °F in three hours: common practice, no source
COOLING_MINUTES = 60.0


def temperature_fields(units: Units) -> tuple[Field, Field]:
    """Temperatures of the part and of the gauge or the room, both may stay empty."""
    degree = "°F" if units.inch else "°C"
    return (
        Field("part_temperature", f"Part's temperature ({degree})", "number", help="empty = as cool as the gauge"),
        Field("gauge_temperature", f"Gauge's temperature ({degree})", "number"),
    )


def celsius(value: float | None, units: Units) -> float | None:
    if value is None:
        return None
    return (value - 32) * 5 / 9 if units.inch else value


def tolerance_mm(shop: Shop, part_id: int, face: Face) -> float:
    """What heights of this face have to be right within: its set's tolerance, else the shop's."""
    for matched in shop.sets.values():
        jobs = [shop.jobs[j] for j in matched.job_ids if j in shop.jobs]
        if any(j.part_id == part_id and j.face_id == face.id for j in jobs):
            return matched.tolerance_mm
    return shop.settings.set_tolerance_mm


def refuse_warm_part(
    family: Family, heights_mm: Mapping[str, float], values: Mapping[str, Any], tolerance: float, units: Units
) -> float | None:
    """The part's temperature in °C, None where nobody took it. Raises `InputError` where the part is too warm or cold."""
    part, gauge = (celsius(values.get(n), units) for n in ("part_temperature", "gauge_temperature"))
    if part is None:
        return None
    if gauge is None:
        raise InputError("gauge_temperature", "", "the temperature of the gauge, or of the room it lies in")
    if not heights_mm:
        return part
    tallest = max(heights_mm.values())
    allowed = warmest_c(tallest, MATERIALS[family.material].expansion_um_per_m_c, tolerance)
    if abs(part - gauge) > allowed:
        span = f"{allowed * 9 / 5:.0f} °F" if units.inch else f"{allowed:.0f} °C"
        wait = cool_down_minutes(abs(part - gauge), allowed, COOLING_MINUTES)
        raise InputError(
            "part_temperature",
            f"{values['part_temperature']:g}",
            f"a part within {span} of the gauge: warm, it reads more than a quarter of the {units.depth(tolerance)} "
            f"tolerance too high. Wait about {minutes_words(wait)}",
        )
    return part
