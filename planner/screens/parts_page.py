"""The page of one part: what it is, its gates and holds, its heights, the cuts it had; its jobs follow."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from typing import Any

import pandas as pd
import streamlit as st

from planner import InputError
from planner.screens import access, engine_depths
from planner.screens.forms import Field, Form
from planner.screens.parts_fields import (
    IDENTITY,
    STANDING,
    dated,
    face_choices,
    face_size,
    family_choices,
    height_doubt,
    height_fields,
    part_values,
    readings_of,
    shown_part,
)
from planner.screens.parts_jobs import draw_jobs
from planner.screens.parts_past import draw_past
from planner.screens.said import act, say
from planner.screens.survey_intake import draw_intake_check
from planner.screens.survey_past import draw_measured
from planner.screens.survey_warm import refuse_warm_part, say_cooling, say_warm, temperature_fields, tolerance_mm
from planner.shop import BEFORE_THE_CUT, Face, Gate, GateKind, GateState, HeightStage, Hold, Part, Shop
from planner.store.finding import Found
from planner.store.nouns import COVER
from planner.units import Units, as_read

_MARKS = {GateState.OPEN: "○", GateState.DONE: "✓", GateState.FAILED: "✗", GateState.NOT_NEEDED: "–"}


def draw_page(part_id: int) -> None:
    shop, units = access.shop(), access.units()
    found = access.repository().history_of(part_id)
    if found is None:
        st.warning("This part is no longer stored.")
        return
    part = found.part
    _head(found, units)
    say(far=True)
    with st.container(border=True):
        _gates(part)
    with st.container(border=True):
        _holds(part, units)
    draw_jobs(shop, part, units)
    _intake_check(shop, found, units)
    _heights(found, units)
    draw_measured(found, units)
    draw_past(shop, found, units)
    with st.expander("Change what is written about it"):
        _identity(shop, found, units)


def _head(found: Found, units: Units) -> None:
    part, family = found.part, found.family
    st.subheader(f"{part.tag}, {'quick job' if family.one_off else family.name}")
    marks = (
        ("position", part.position),
        ("work order", part.work_order),
        ("serial", part.engine_serial),
        ("casting", part.casting_number),
        ("part number", part.part_number),
        ("second mark", part.second_mark),
        ("owner", part.owner),
        ("source", part.source),
    )
    st.markdown(
        " · ".join((f"condition {part.condition.value}", part.state.value, *(f"{n} {v}" for n, v in marks if v)))
    )
    sizes = ", ".join(f"{f.name} {face_size(f, units)}" for f in family.faces)
    agreed = ""
    if part.agreed_depth_mm is not None:
        agreed = f" Agreed: at most {units.depth(part.agreed_depth_mm)}, {part.agreed_by or 'nobody named'}."
    st.caption(f"{family.material.replace('_', ' ')}; {sizes}.{agreed}" + (f" {part.notes}" if part.notes else ""))
    if part.waits_for:
        st.warning("Waits: " + as_read("; ".join(part.waits_for), units))
    say_cooling(access.shop(), part)


# -- gates and holds ---------------------------------------------------------------------------------------------------
def _gates(part: Part) -> None:
    st.markdown("**Gates**")
    fields = (
        Field("initials", "Initials", placeholder=access.who() or "who did it"),
        Field("on", "On", "date"),
        Field("note", "Note to the gate"),
    )
    values = {"on": access.now().date()}
    form = Form("gate", part.id, fields, values, access.units(), access.repository())
    if part.route:
        form.draw(columns=3)
    else:
        st.caption("No gate is asked of this part.")
    for gate in part.route:
        said, buttons = st.columns([3, 2], vertical_alignment="center")
        stood = f"{gate.state.value}"
        if gate.state is GateState.DONE:
            stood += f", {gate.initials} {gate.at or gate.on:%d %b{' %H:%M' if gate.at else ''}}"
        said.markdown(f"{_MARKS[gate.state]} **{gate.kind.value}**: {stood}")
        if gate.note:
            said.caption(gate.note)
        row = buttons.container(horizontal=True, horizontal_alignment="right")
        for state in (GateState.DONE, GateState.FAILED, GateState.NOT_NEEDED):
            here = gate.state is state
            row.button(
                "Open again" if here else state.value.capitalize(),
                key=f"gate/{part.id}/{gate.kind}/{state}",
                on_click=form.act,
                args=(lambda v, g=gate, s=GateState.OPEN if here else state: _set_gate(part, g, s, v),),
            )
    if any(g.kind not in BEFORE_THE_CUT for g in part.route):
        st.caption("The machine waits for the gates before the cut. Recording the cut signs the gate cut by itself.")
    form.say()
    with st.expander("Change which gates it needs"):
        kinds = tuple(g.kind for g in part.route)
        route = Form(
            "route",
            part.id,
            (Field("route", "Gates this part needs", "several", options=GateKind),),
            {"route": kinds},
            access.units(),
            access.repository(),
            version=part.version,
        )
        route.draw(columns=1)
        route.say()
        route.button("Store the gates", lambda v: _set_route(part, v["route"]), primary=False)


def _save(part: Part, **changes: Any) -> Part:
    return access.repository().save(replace(part, **changes), by=access.who(), at=access.now())


def _set_gate(part: Part, gate: Gate, state: GateState, values: dict[str, Any]) -> str:
    signed = state in (GateState.DONE, GateState.FAILED)
    if state is GateState.DONE and values["on"] is None:
        raise InputError("on", "", "the date it was done")
    new = Gate(
        gate.kind,
        state,
        values["initials"] or access.who() if signed else "",
        values["on"] if signed else None,
        values["note"] or gate.note,
        # signed as it is done: the cool-down counts from this minute
        _minute() if state is GateState.DONE and values["on"] == access.now().date() else None,
    )
    _save(part, route=tuple(new if g.kind is gate.kind else g for g in part.route))
    return f"{gate.kind.value}: {state.value}."


def _minute() -> datetime:
    return access.now().replace(second=0, microsecond=0)


def _set_route(part: Part, wanted: Any) -> str:
    kinds, known = {GateKind(k) for k in wanted}, {g.kind: g for g in part.route}
    lost = [g.kind.value for g in part.route if g.kind not in kinds and g.state in (GateState.DONE, GateState.FAILED)]
    if lost:
        raise InputError("route", ", ".join(lost), "gates that are signed stay; open them again first")
    _save(part, route=tuple(known.get(k, Gate(k)) for k in GateKind if k in kinds))
    return "Gates stored."


def _holds(part: Part, units: Units) -> None:
    st.markdown("**Waits for somebody**")
    for hold in part.open_holds:
        said, cell = st.columns([3, 1], vertical_alignment="center")
        said.markdown(f"**{hold.waiting_for}**: {as_read(hold.reason, units)}, since {hold.since:%d %b}")
        cell.button(
            "The cover is on" if hold.waiting_for == COVER else "Ended",
            key=f"hold/{part.id}/{hold.id}",
            on_click=act,
            args=(lambda h=hold: _end_hold(part, h),),
            width="stretch",
        )
    if not part.open_holds:
        st.caption("Nobody is waited for.")
    ended = [h for h in part.holds if h.ended]
    if ended:
        told = "; ".join(f"{h.waiting_for}: {h.reason} ({h.since:%d %b} to {h.ended:%d %b})" for h in ended)
        st.caption(f"Ended: {as_read(told, units)}")
    fields = (
        Field("waiting_for", "Waits for", required=True, placeholder="owner, welder, parts desk"),
        Field("reason", "For what", required=True),
    )
    form = Form("hold", part.id, fields, {}, access.units(), access.repository())
    form.draw(columns=2)
    form.say()
    form.button("Add the hold", lambda v: _add_hold(part, v), primary=False)


def _add_hold(part: Part, values: dict[str, Any]) -> str:
    _save(part, holds=(*part.holds, Hold(values["waiting_for"], values["reason"], access.now().date())))
    return "The part waits now."


def _end_hold(part: Part, hold: Hold) -> str:
    _save(part, holds=tuple(replace(h, ended=_today(h)) if h.id == hold.id else h for h in part.holds))
    return f"{hold.waiting_for} is no longer waited for."


def _today(hold: Hold) -> date:
    return max(hold.since, access.now().date())


# -- heights -----------------------------------------------------------------------------------------------------------
def _pick_face(found: Found, units: Units, where: str) -> Face:
    faces = found.family.faces
    if len(faces) == 1:
        return faces[0]
    names = dict(face_choices(found.family, units))
    chosen = st.segmented_control(
        "Face",
        list(names),
        format_func=names.get,
        default=faces[0].id,
        required=True,
        key=f"part face/{where}/{access.kind()}/{found.part.id}",
        persist_state="session",
    )
    return found.family.face(chosen)


def _intake_check(shop: Shop, found: Found, units: Units) -> None:
    st.subheader("Intake check")
    face = _pick_face(found, units, "intake check")
    draw_intake_check(shop, found.part, face, units)


def _heights(found: Found, units: Units) -> None:
    part = found.part
    st.subheader("Heights")
    face = _pick_face(found, units, "heights")
    least = face.least_height_mm
    st.caption(
        f"From {face.datum or 'the datum (not named)'}. New {units.height(face.new_height_mm)}, least "
        + (units.height(least) if least is not None else "height unknown: no limit known, ask")
        + "."
    )
    numbered = [(i, r) for i, r in access.repository().height_ids(part.id) if r.face_id == face.id]
    if numbered:
        st.dataframe(_readings(numbered, least, units), hide_index=True, width="stretch")
    else:
        st.caption("Not measured yet.")
    engine_depths.draw_part(access.shop(), part, face, units)
    with st.expander("Add readings", expanded=not numbered, key=f"add readings/{part.id}/{face.id}"):
        say_warm(access.shop(), part)
        fields = (
            *height_fields(face),
            Field("stage", "Measured", "choice", options=HeightStage, required=True),
            Field("instrument", "Instrument"),
            Field("repeatability_mm", "It repeats within", "depth"),
            *temperature_fields(units),
        )
        form = Form(f"heights/{face.id}", part.id, fields, {"stage": HeightStage.ARRIVED}, units, access.repository())
        form.draw(*(f.name for f in height_fields(face)), columns=5, doubt=height_doubt(face, units))
        form.draw("stage", "instrument", "repeatability_mm", "part_temperature", "gauge_temperature", columns=5)
        form.say()
        form.button("Add the readings", lambda v: _add_readings(part, face, v, units), primary=False)
    if numbered:
        with st.expander("Take a mistaken reading back", key=f"reading back/{part.id}/{face.id}"):
            names = [(i, f"{r.point} {units.height(r.height_mm)}, {r.stage.value}, {dated(r.at)}") for i, r in numbered]
            fields = (
                Field("reading_id", "Reading", "choice", options=names, required=True),
                Field("reason", "Why", required=True),
            )
            back = Form(f"height back/{face.id}", part.id, fields, {}, units, access.repository())
            back.draw(columns=2)
            back.say()
            back.button("Take it back", _take_reading_back, primary=False)


def _readings(numbered: list, least: float | None, units: Units) -> pd.DataFrame:
    rows = [
        {
            "Point": r.point,
            f"Height ({units.length_unit})": units.height(r.height_mm, unit=False),
            "Above the least": "limit unknown" if least is None else units.depth(r.height_mm - least, down=True),
            "Measured": r.stage.value,
            "When": dated(r.at),
            "Instrument": r.instrument,
            "Repeats within": "" if r.repeatability_mm is None else units.depth(r.repeatability_mm),
            "By": r.by,
        }
        for _, r in reversed(numbered)
    ]
    return pd.DataFrame(rows)


def _add_readings(part: Part, face: Face, values: dict[str, Any], units: Units) -> str:
    more = {"stage": values["stage"], "instrument": values["instrument"]}
    more |= {"repeatability_mm": values["repeatability_mm"], "at": access.now(), "by": access.who()}
    shop = access.shop()
    high = {p.name: h for p in face.points if (h := values[f"height {p.name}"]) is not None}
    tolerance = tolerance_mm(shop, part.id, face)
    more["temperature_c"] = refuse_warm_part(shop.family_of(part), high, values, tolerance, units)
    readings = readings_of(face, values, units, **more)
    if not readings:
        raise InputError(f"height {face.points[0].name}", "", "a height at one point at least")
    access.repository().add_heights(part.id, readings)
    return f"{len(readings)} reading{'s' if len(readings) > 1 else ''} added."


def _take_reading_back(values: dict[str, Any]) -> str:
    access.repository().reverse_height(values["reading_id"], values["reason"], access.who(), access.now())
    return "Taken back; both entries stay in the record."


# -- identity ----------------------------------------------------------------------------------------------------------
def _identity(shop: Shop, found: Found, units: Units) -> None:
    part = found.part
    families = family_choices(shop)
    if part.family_id not in dict(families):
        families = [(part.family_id, found.family.name), *families]
    fields = (Field("family_id", "Family", "choice", options=families, required=True), *IDENTITY, *STANDING)
    values = shown_part(part) | {"family_id": part.family_id}
    form = Form("part", part.id, fields, values, units, access.repository(), version=part.version)
    form.draw("family_id", *(f.name for f in IDENTITY), "condition", "state", "expected_on", columns=3)
    form.draw("agreed_depth_mm", "agreed_by", "removed_before_mm", "replacement_price", columns=4)
    form.draw("notes", columns=1)
    form.say()
    form.button("Store the changes", lambda v: _store_identity(part, v))


def _store_identity(part: Part, values: dict[str, Any]) -> str:
    stored = _save(part, family_id=values["family_id"], **part_values(values))
    return f"{stored.tag} stored."
