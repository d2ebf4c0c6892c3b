"""Taking a part in: the whole form, and the quick job that needs no family."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from planner import InputError
from planner.screens import access, estimate_view, words
from planner.screens.forms import Field, Form
from planner.screens.parts_fields import (
    IDENTITY,
    STANDING,
    TILL_CLEAN,
    default_due,
    face_choices,
    family_choices,
    height_doubt,
    height_fields,
    job_fields,
    job_values,
    part_values,
    readings_of,
)
from planner.shop import (
    MATERIALS,
    Aim,
    Condition,
    DueKind,
    Face,
    Family,
    Gate,
    GateKind,
    GateState,
    Job,
    Part,
    PartState,
    Shop,
)
from planner.store import Repository
from planner.units import Units

_TAKEN_IN, _LIKE, _QUICK = "parts taken in", "parts intake like", "parts quick job"
_USUAL_ROUTE = (GateKind.CLEAN, GateKind.CRACK_CHECK, GateKind.MEASURE, GateKind.CUT, GateKind.AFTER_WORK)
# what a second part of the same engine has in common with the first
_SHARED = ("family_id", "work_order", "engine_serial", "owner", "source", "agreed_by", "state", "expected_on")


# -- the whole form ----------------------------------------------------------------------------------------------------
def draw_intake() -> None:
    shop, units = access.shop(), access.units()
    families = family_choices(shop)
    if not families:
        st.info("No family is entered yet. Enter one on the page Shop, or take the part in as a quick job.")
        return
    fields = [
        Field("family_id", "Family", "choice", options=families, required=True),
        *IDENTITY,
        *STANDING,
        Field("route", "Gates this part needs", "several", options=GateKind),
        Field("passed", "Of these, done already", "several", options=GateKind, placeholder="none"),
        Field("initials", "Initials for what is done", placeholder=access.who() or "who did it"),
        Field("with_job", "Make a job of it", "flag"),
        *job_fields(shop),
    ]
    values = _intake_values(shop)
    first = Form("intake", None, fields, values, units, access.repository())
    st.markdown("**What it is**")
    left, right = st.columns(2)
    with left:
        first.draw("family_id", columns=1)
    family = shop.families.get(st.session_state.get(first.key("family_id")))
    face = family.faces[0] if family else None
    if family and len(family.faces) > 1:
        # a field of its own for each family: the choice made for one means nothing for another
        faces = face_choices(family, units)
        pick = Field(f"face of {family.id}", "Face to cut", "choice", options=faces, required=True)
        fields.append(pick)
        values.setdefault(pick.name, face.id)
        with right:
            again = Form("intake", None, fields, values, units, access.repository())
            again.draw(pick.name, columns=1)
        face = family.face(st.session_state.get(again.key(pick.name)) or face.id)
    form = Form("intake", None, [*fields, *(height_fields(face) if face else ())], values, units, access.repository())
    form.draw(*(f.name for f in IDENTITY), columns=3)
    st.markdown("**How it stands**")
    form.draw("condition", "state", "expected_on", columns=3)
    form.draw("agreed_depth_mm", "agreed_by", "removed_before_mm", "replacement_price", columns=4)
    form.draw("notes", columns=1)
    st.markdown("**Its way through the shop**")
    form.draw("route", columns=1)
    form.draw("passed", "initials", columns=2)
    if face:
        st.markdown(f"**Heights as it came, {face.name}**")
        st.caption(
            f"From {face.datum or 'the datum (not named)'}. New: {units.height(face.new_height_mm)}. "
            "Leave a point empty when it was not measured."
        )
        form.draw(*(f.name for f in height_fields(face)), columns=5, doubt=height_doubt(face, units))
    else:
        st.caption("Once the family is chosen, its measuring points stand here.")
    st.markdown("**The job**")
    form.draw("with_job", columns=1)
    form.draw("depth_mm", "due", "due_kind", "gasket_id", columns=4)
    form.draw("weight", "not_before", "machine_id", "note", columns=4)
    form.draw("rush", columns=1)
    form.say()
    form.button("Take it in", lambda found: _store_intake(family, face, found, units))
    _taken_in(shop)


def _intake_values(shop: Shop) -> dict[str, Any]:
    values: dict[str, Any] = {
        "condition": Condition.UNKNOWN,
        "state": PartState.IN_SHOP,
        "route": _USUAL_ROUTE,
        "with_job": True,
        "due": default_due(shop, access.now()),
        "due_kind": DueKind.READY,
        "weight": 1.0,
        "rush": False,
    }
    kind, part_id = st.session_state.get(_LIKE, (None, None))
    like = shop.parts.get(part_id) if kind is access.kind() else None
    if like is not None:
        values |= {name: getattr(like, name) for name in _SHARED}
        values["route"] = tuple(g.kind for g in like.route)
        jobs = [j for j in shop.jobs.values() if j.part_id == like.id]
        if jobs:
            values |= {name: getattr(jobs[-1], name) for name in ("due", "due_kind", "gasket_id", "rush", "weight")}
            values[f"face of {like.family_id}"] = jobs[-1].face_id
    return values


def _route(values: Mapping[str, Any]) -> tuple[Gate, ...]:
    """Gates in the order of the trade; those passed carry initials and today's date."""
    needed = [GateKind(k) for k in values["route"]]
    passed = {GateKind(k) for k in values["passed"]}
    if passed - set(needed):
        extra = ", ".join(sorted(k.value for k in passed - set(needed)))
        raise InputError("passed", extra, "gates that this part needs")
    initials = values["initials"] or access.who()
    if passed and not initials:
        raise InputError("initials", "", "the initials of whoever did it")
    today = access.now().date()
    return tuple(
        Gate(kind, GateState.DONE, initials, today) if kind in passed else Gate(kind)
        for kind in GateKind
        if kind in needed
    )


def _store_intake(family: Family | None, face: Face | None, values: dict[str, Any], units: Units) -> str:
    if family is None or values["family_id"] != family.id:
        raise InputError("family_id", "", "a family of the shop")
    by, at = access.who(), access.now()
    part = Part(
        family_id=family.id,
        route=_route(values),
        heights=readings_of(face, values, units, at=at, by=by),
        **part_values(values),
    )
    job = None
    with access.repository().transaction() as together:
        part = together.add(part, by=by, at=at)
        if values["with_job"]:
            job = together.add(Job(part.id, face.id, **job_values(values)), by=by, at=at)
    st.session_state[_TAKEN_IN] = (access.kind(), part.id)
    st.session_state.pop(_LIKE, None)
    return f"{part.tag} is taken in" + (", its job is in the queue." if job else ", without a job.")


def _taken_in(shop: Shop) -> None:
    """The part just stored: open it, or enter another of its engine."""
    kind, part_id = st.session_state.get(_TAKEN_IN, (None, None))
    part = shop.parts.get(part_id) if kind is access.kind() else None
    if part is None:
        return
    with st.container(border=True, horizontal=True, vertical_alignment="center"):
        waits = "; ".join(part.waits_for)
        st.markdown(f"Last taken in: **{part.tag}**" + (f", waits: {waits}" if waits else ", ready to cut"))
        st.button("Open it", key="intake/open", on_click=_open, args=(part.id,))
        if part.engine_serial or part.work_order:
            st.button("Enter another of this engine", key="intake/another", on_click=_another, args=(part.id,))


def _open(part_id: int) -> None:
    st.session_state["part"] = part_id


def _another(part_id: int) -> None:
    st.session_state[_LIKE] = (access.kind(), part_id)
    Form("intake", None, (), {}, access.units(), access.repository()).discard()


# -- the quick job -----------------------------------------------------------------------------------------------------
def draw_quick() -> None:
    shop, units = access.shop(), access.units()
    st.caption("For a part that needs no family: seven fields at most, and it is in the queue.")
    fields = (
        Field("tag", "Tag", required=True),
        Field("material", "Material", "choice", options=[(m.key, m.name) for m in MATERIALS.values()], required=True),
        Field("length_mm", "Face length", "length", required=True),
        Field("width_mm", "Face width", "length", required=True),
        Field("depth_mm", "Depth", "depth", help="Empty = cut till the face is clean.", placeholder=TILL_CLEAN),
        Field("due", "Due", "moment", required=True),
        Field("condition", "Condition", "choice", options=Condition, required=True),
    )
    values = {"material": "aluminium", "due": default_due(shop, access.now()), "condition": Condition.UNKNOWN}
    form = Form("quick job", None, fields, values, units, access.repository())
    form.draw("tag", "material", "length_mm", "width_mm", columns=4)
    form.draw("depth_mm", "due", "condition", columns=3)
    form.button("Put it in the queue", _store_quick)
    form.say()
    kind, job_id = st.session_state.get(_QUICK, (None, None))
    job = shop.jobs.get(job_id) if kind is access.kind() else None
    estimate = access.queue().estimates.get(job_id) if job else None
    if estimate is None:
        return
    with st.container(border=True):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(f"**{words.job_name(shop, job.id)}** · due {words.when(job.due)}")
            st.button("Open it", key="quick/open", on_click=_open, args=(job.part_id,))
            st.button("To the week's plan", key="quick/week", on_click=_to_week)
        estimate_view.draw(shop, job, estimate, units)


def _to_week() -> None:
    st.session_state["go to"] = "week"


def _store_quick(values: dict[str, Any]) -> str:
    job = add_quick_job(access.repository(), access.shop(), values, access.who(), access.now())
    st.session_state[_QUICK] = (access.kind(), job.id)
    return f"{values['tag']} is in the queue."


def add_quick_job(store: Repository, shop: Shop, values: Mapping[str, Any], by: str, at: Any) -> Job:
    """Store a one-off family, its part and its job together. ``values``: tag, material, length_mm, width_mm, depth_mm
    (None = till clean), due, condition. Raises `InputError`; nothing is stored then."""
    face = Face("face", values["length_mm"], values["width_mm"])
    depth = values["depth_mm"]
    with store.transaction() as together:
        family = Family(_free_name(shop, values["tag"]), values["material"], (face,), one_off=True)
        family = together.add(family, by=by, at=at)
        part = together.add(Part(values["tag"], family.id, condition=values["condition"]), by=by, at=at)
        aim = Aim.TILL_CLEAN if depth is None else Aim.TO_DEPTH
        return together.add(Job(part.id, family.faces[0].id, aim=aim, depth_mm=depth, due=values["due"]), by=by, at=at)


def _free_name(shop: Shop, tag: str) -> str:
    """ "one-off H-101"; numbered when a part of that tag was here before."""
    taken = {f.name.lower() for f in shop.families.values()}
    name, number = f"one-off {tag}", 1
    while name.lower() in taken:
        number += 1
        name = f"one-off {tag} ({number})"
    return name
