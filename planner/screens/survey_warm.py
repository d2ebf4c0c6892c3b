"""Is the part cool enough to be measured? Heights of a warm part are refused, with how long to wait."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import streamlit as st

from planner import InputError
from planner.face import cool_down_minutes, warmest_c
from planner.screens import access
from planner.screens.fields import Field
from planner.screens.forms import Form
from planner.screens.keys import tall
from planner.shop import Face, Family, Part, Shop
from planner.shop.materials import MATERIALS
from planner.units import Units, minutes_words
from planner.week.cooling import cooling

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


def say_warm(shop: Shop, part: Part) -> None:
    """A word of warning while the part may still be warm."""
    warm = cooling(shop, part, access.now())
    if warm is not None:
        st.warning(
            f"It may still be warm from {warm.after}: the plan lets it cool until {warm.until:%a %H:%M}. A warm part reads "
            "too high; take its temperature with its heights."
        )


def say_cooling(shop: Shop, part: Part) -> None:
    """That the plan waits for it to cool, at the head of its page."""
    jobs = [job for job in shop.open_jobs() if job.part_id == part.id]
    waits = [warm for job in jobs if (warm := cooling(shop, part, access.now(), job)) is not None]
    warm = max(waits, key=lambda w: w.until, default=None)
    if warm is not None:
        st.info(
            f"It cools after {warm.after} until {warm.until:%a %H:%M}; the plan waits. Found cool, it waits no more: its "
            "temperature is told under Intake check."
        )


def draw_cool_down(shop: Shop, part: Part, face: Face, units: Units) -> None:
    """Keep a warm part off the machine until it may be measured: the plan waits for it. Found cool, it waits no more."""
    form = Form(f"cool/{face.id}", part.id, temperature_fields(units), {}, units, access.repository())
    settings = shop.settings
    with st.expander("Is it still warm?", key=f"{form.draft_key}/box"):
        st.caption(
            "Off the washer, the oven or the welder the plan keeps it off the machine: "
            f"{minutes_words(settings.wash_cool_minutes)} after washing, {minutes_words(settings.weld_cool_minutes)} after "
            "welding or straightening (page Shop), counted from when the gate was signed. Its temperature says better."
        )
        form.draw(columns=2)
        form.say()
        form.button(tall("Let the plan know"), lambda values: _let_cool(shop, part, face, values, units), primary=False)


def _let_cool(shop: Shop, part: Part, face: Face, values: dict[str, Any], units: Units) -> str:
    warm, gauge = (celsius(values[n], units) for n in ("part_temperature", "gauge_temperature"))
    if warm is None or gauge is None:
        raise InputError("part_temperature" if warm is None else "gauge_temperature", "", "a temperature")
    known = [r.height_mm for r in part.latest_heights_mm(face.id).values()]
    tallest = max(known, default=face.new_height_mm or 125.0)
    family = shop.family_of(part)
    allowed = warmest_c(tallest, MATERIALS[family.material].expansion_um_per_m_c, tolerance_mm(shop, part.id, face))
    wait = cool_down_minutes(max(0.0, warm - gauge), allowed, COOLING_MINUTES)
    jobs = [j for j in shop.open_jobs() if j.part_id == part.id and j.face_id == face.id]
    if not wait:
        now = access.now().replace(second=0, microsecond=0)
        for job in jobs:
            if cooling(shop, part, now, job) is not None:
                access.repository().save(replace(job, not_before=now), by=access.who(), at=access.now())
        return "Cool enough to be measured now."
    until = access.now() + timedelta(minutes=math.ceil(wait))
    for job in jobs:
        if job.not_before is None or job.not_before < until:
            access.repository().save(replace(job, not_before=until), by=access.who(), at=access.now())
    said = f"It needs about {minutes_words(wait)} to cool"
    return f"{said}: kept off the machine until {until:%a %H:%M}." if jobs else f"{said}; it has no open job."
