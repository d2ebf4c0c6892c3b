"""Kinds of engine: bore and stroke are enough to begin; what is not known stays unknown."""

from __future__ import annotations

import dataclasses
from typing import Any

import streamlit as st

from planner import InputError
from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.shop_records import delete_button, pick, store_noun, table
from planner.shop import CamDrive, Crown, EngineFamily, EngineLimits, LiftCurve, PartKind, Shop, TautRun, Valve
from planner.units import Units

_LIMITS = (
    ("compression_greatest", "Compression at most", "number"),
    ("chamber_spread_greatest_cm3", "Chambers within (cm³)", "number"),
    ("squish_least_mm", "Squish at least", "depth"),
    ("intake_least_mm", "Intake valve to piston at least", "depth"),
    ("exhaust_least_mm", "Exhaust valve to piston at least", "depth"),
    ("preload_least_mm", "Preload at least", "depth"),
    ("preload_greatest_mm", "Preload at most", "depth"),
    ("cam_shift_greatest_deg", "Cam timing within (crank °)", "number"),
)
_PLAIN = (
    "name",
    "bore_mm",
    "stroke_mm",
    "cylinders",
    "head_family_ids",
    "case_family_ids",
    "chamber_cm3",
    "chamber_height_mm",
    "chamber_area_mm2",
    "piston_cm3",
    "rod_mm",
    "gasket_bore_mm",
    "most_stacked",
    "pad_recess_mm",
    "cam_drive",
    "cam_radius_mm",
    "cam_run_angle_deg",
    "taut_run",
    "pushrod_angle_deg",
    "bank_angle_deg",
    "manifold_lean_deg",
    "notes",
)


def draw(shop: Shop, units: Units) -> None:
    table(
        [_row(e, shop, units) for e in sorted(shop.engines.values(), key=lambda e: e.name.lower())],
        "No kind of engine yet. With one, a matched set shows what its cuts do to compression, clearances and cam "
        "timing. Bore and stroke are enough to begin.",
    )
    with st.container(border=True):
        names = {i: e.name for i, e in shop.engines.items()}
        engine = shop.engines.get(pick("engine", "Kind of engine", names, "a new kind of engine"))
        _form(shop, engine, units)


def _row(engine: EngineFamily, shop: Shop, units: Units) -> dict[str, str]:
    families = [shop.families[i].name for i in (*engine.head_family_ids, *engine.case_family_ids) if i in shop.families]
    angle = engine.bank_angle_deg
    return {
        "Engine": engine.name,
        "Parts": "; ".join(families) or "not entered",
        "Bore × stroke": f"{units.length(engine.bore_mm, unit=False)} × {units.length(engine.stroke_mm)}",
        "Cylinders": f"{engine.cylinders} a bank",
        "Banks": ", ".join(engine.banks) or "as its parts say",
        "Between them": ("one bank" if len(engine.banks) < 2 else "not entered")
        if angle is None
        else "opposed"
        if engine.opposed
        else f"{angle:g}°",
        "Cam": engine.cam_drive.value,
    }


def _fields(shop: Shop) -> list[Field]:
    families = {
        kind: {i: f.name for i, f in shop.families.items() if f.kind is kind and not f.one_off} for kind in PartKind
    }
    return [
        Field("name", "Name", required=True),
        Field("bore_mm", "Bore", "length", required=True),
        Field("stroke_mm", "Stroke", "length", required=True),
        Field("cylinders", "Cylinders in a bank", "whole", required=True),
        Field("head_family_ids", "Its heads are", "several", options=families[PartKind.HEAD]),
        Field("case_family_ids", "Its case halves are", "several", options=families[PartKind.CASE_HALF]),
        Field(
            "banks",
            "Banks",
            help="Names as the positions of its parts, parted by commas: left, right. Empty: as the parts say.",
        ),
        Field("bank_angle_deg", "Angle between the banks (°)", "number", help="180 for an opposed engine."),
        Field(
            "manifold_lean_deg",
            "Manifold faces lean (°)",
            "number",
            help="Of the heads' manifold face from the vertical, plus where it leans outward going up. Empty: no "
            "manifold between the heads.",
        ),
        Field("chamber_cm3", "Chamber, as drawn (cm³)", "number"),
        Field("chamber_height_mm", "… in a head this high", "height"),
        Field("chamber_area_mm2", "Chamber's area at the face", "area"),
        Field("piston_cm3", "Piston dish (cm³)", "number", help="A dome is negative."),
        Field("rod_mm", "Rod", "length"),
        Field("gasket_bore_mm", "Gasket's bore", "length", help="Empty: as the bore."),
        Field("most_stacked", "Gaskets in a stack, at most", "whole", required=True),
        Field("pad_recess_mm", "Squish pad behind the face", "depth", help="0: flush with the face."),
        *(
            field
            for valve in ("intake", "exhaust")
            for field in (
                Field(f"{valve}_angle", f"{valve.capitalize()} valve's angle (°)", "number", help="To the bore."),
                Field(f"{valve}_crown", f"{valve.capitalize()} valve faces", "choice", options=Crown, required=True),
                Field(
                    f"{valve}_crank",
                    f"{valve.capitalize()} lift curve: crank angles (°)",
                    "numbers",
                    help="From top dead centre, minus before it. Without a curve 0.15 mm a crank degree is reckoned.",
                ),
                Field(f"{valve}_lift", f"{valve.capitalize()} lift at each", "depths"),
            )
        ),
        Field("cam_drive", "Cam", "choice", options=CamDrive, required=True),
        Field("cam_radius_mm", "Pitch radius of its wheel", "length"),
        Field("cam_run_angle_deg", "Taut run to the bore (°)", "number"),
        Field("taut_run", "When the head comes down the taut run", "choice", options=TautRun, required=True),
        Field("pushrod_angle_deg", "Pushrods to the bore (°)", "number"),
        *(Field(name, label, kind) for name, label, kind in _LIMITS),
        Field("notes", "Notes", "long"),
    ]


def _form(shop: Shop, engine: EngineFamily | None, units: Units) -> None:
    blank = EngineFamily("new", 90.0, 80.0)
    shown_from = engine or blank
    values: dict[str, Any] = {name: getattr(shown_from, name) for name in _PLAIN}
    if engine is None:
        values |= {"name": None, "bore_mm": None, "stroke_mm": None}
    values["banks"] = ", ".join(shown_from.banks)
    values |= {name: getattr(shown_from.limits, name) for name, *_ in _LIMITS}
    for valve in ("intake", "exhaust"):
        own = getattr(shown_from, valve)
        values |= {f"{valve}_angle": own.angle_deg, f"{valve}_crown": own.crown}
        values |= {f"{valve}_crank": (), f"{valve}_lift": ()}
        if own.curve is not None:
            values |= {f"{valve}_crank": own.curve.crank_deg, f"{valve}_lift": own.curve.lift_mm}
    form = Form(
        "engine",
        engine.id if engine else None,
        _fields(shop),
        values,
        units,
        access.repository(),
        engine.version if engine else 0,
    )
    form.draw("name", "bore_mm", "stroke_mm", "cylinders", columns=4)
    form.draw("head_family_ids", "case_family_ids", "banks", "bank_angle_deg", columns=4)
    st.caption("That is enough to begin. What you do not know stays unknown, and is shown as such.")
    with st.expander("Chamber, piston, gasket"):
        form.draw("chamber_cm3", "chamber_height_mm", "chamber_area_mm2", "piston_cm3", columns=4)
        form.draw("rod_mm", "gasket_bore_mm", "most_stacked", "pad_recess_mm", columns=4)
    with st.expander("Valves and cam"):
        form.draw("cam_drive", "cam_radius_mm", "cam_run_angle_deg", "taut_run", "pushrod_angle_deg", columns=3)
        for valve in ("intake", "exhaust"):
            form.draw(*(f"{valve}_{w}" for w in ("angle", "crown", "crank", "lift")), columns=4)
    with st.expander("Limits"):
        form.draw(*(name for name, *_ in _LIMITS), columns=4)
        st.caption("Least and greatest as the builder or the engine's own manual gives them; none is assumed.")
    with st.expander("Manifold between the heads, notes"):
        form.draw("manifold_lean_deg", "notes", columns=2)
    form.say()
    with st.container(horizontal=True):
        form.button("Save engine", lambda v: _save(engine, v))
        if engine is not None:
            delete_button(engine, f"engine {engine.name}")


def _save(old: EngineFamily | None, values: dict[str, Any]) -> str:
    fields = {name: values[name] for name in _PLAIN}
    fields["banks"] = tuple(b.strip() for b in values["banks"].replace(";", ",").split(",") if b.strip())
    for name in ("cam_run_angle_deg", "pushrod_angle_deg"):
        fields[name] = fields[name] or 0.0
    fields["limits"] = EngineLimits(**{name: values[name] for name, *_ in _LIMITS})
    for valve in ("intake", "exhaust"):
        angles, lifts = values[f"{valve}_crank"], values[f"{valve}_lift"]
        try:
            curve = LiftCurve(angles, lifts) if angles or lifts else None
            fields[valve] = Valve(values[f"{valve}_angle"] or 0.0, values[f"{valve}_crown"], curve)
        except InputError as wrong:
            name = {"crank_deg": "crank", "lift_mm": "lift", "valve.angle_deg": "angle"}.get(wrong.field, "crown")
            raise InputError(f"{valve}_{name}", wrong.value, wrong.accepted) from None
    new = EngineFamily(**fields) if old is None else dataclasses.replace(old, **fields)
    return store_noun("engine", old, new, f"Engine {new.name}")
