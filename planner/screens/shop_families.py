"""Families: name, material and a face's size are enough; all else may stay unknown."""

from __future__ import annotations

import dataclasses

import streamlit as st

from planner import InputError
from planner.screens import access, engine_depths, shop_places
from planner.screens.forms import Field, Form
from planner.screens.said import act
from planner.screens.shop_records import delete_button, pick, pick_key, store_noun, table
from planner.shop import MATERIALS, Face, FaceKind, Family, Limit, PartKind, Shop, default_points
from planner.units import Units

_MATERIALS = {m.key: m.name for m in MATERIALS.values()}
_LIMITS = {
    "unknown": "no limit known, ask",
    "height": "a least height",
    "removal": "a greatest total removal",
}


def draw(shop: Shop, units: Units) -> None:
    families = {i: f for i, f in shop.families.items() if not f.one_off}
    table(
        [_row(f, units, shop) for f in sorted(families.values(), key=lambda f: f.name.lower())],
        "No family yet. A family is a drawing: what heads or case halves of one kind have in common. Its name, its "
        "material and the size of the face are enough to begin. A quick job (page Parts) needs none.",
    )
    names = {i: f.name for i, f in sorted(families.items(), key=lambda kv: kv[1].name.lower())}
    with st.container(border=True):
        chosen = pick("family", "Family", names, "a new family")
        family = families.get(chosen)
        _family_form(family, units, shop)
    if family is not None:
        _faces(family, units)


def _row(family: Family, units: Units, shop: Shop) -> dict:
    parts = sum(p.family_id == family.id for p in shop.parts.values())
    return {
        "Family": family.name,
        "Kind": f"{_MATERIALS[family.material]} {family.kind.value}",
        "First face": "".join(
            f"{f.name} {units.length(f.length_mm, unit=False)} × {units.length(f.width_mm)}" for f in family.faces[:1]
        ),
        "Its limit": "".join(limit_words(f, units) for f in family.faces[:1]),
        "Other faces": ", ".join(f.name for f in family.faces[1:]),
        "Fixture": family.fixture,
        "Parts here": parts,
    }


def limit_words(face: Face, units: Units) -> str:
    """How far a face may be cut, in words."""
    limit = face.limit
    if limit.least_height_mm is not None:
        return f"at least {units.height(limit.least_height_mm)} high"
    if limit.greatest_removal_mm is not None:
        return f"at most {units.depth(limit.greatest_removal_mm)} off in total"
    return _LIMITS["unknown"]


def _family_form(family: Family | None, units: Units, shop: Shop) -> None:
    currency = shop.settings.currency
    fields = [
        Field("name", "Name", required=True, placeholder="as you call it"),
        Field("material", "Material", "choice", options=_MATERIALS, required=True),
        Field("kind", "Kind of part", "choice", options=PartKind, required=True),
        Field("fixture", "Fixture", help="Jobs on the same fixture follow each other without a change of setup."),
        Field("blocks", "Blocks and supports"),
        Field("weight_kg", "Weight", "mass"),
        Field("replacement_price", f"Price of another one ({currency})", "number"),
        Field("hoist", "Lifted with the hoist", "flag"),
        Field("notes", "Notes", "long"),
    ]
    if family is None:
        fields += [
            Field("face_name", "Face", required=True),
            Field("face_kind", "Kind of face", "choice", options=FaceKind, required=True),
            Field("length_mm", "Length of the face", "length", required=True, help=_TYPED),
            Field("width_mm", "Width of the face", "length", required=True, help=_TYPED),
        ]
        values = {"kind": PartKind.HEAD, "face_name": "deck", "face_kind": FaceKind.DECK}
    else:
        values = {f.name: getattr(family, f.name) for f in fields}
    form = Form(
        "family",
        family.id if family else None,
        fields,
        values,
        units,
        access.repository(),
        family.version if family else 0,
    )
    form.draw("name", "material", "kind")
    if family is None:
        form.draw("face_name", "face_kind", "length_mm", "width_mm", columns=4)
        st.caption("That is enough. What you do not know stays unknown; it can be entered at any time.")
    with st.expander("Fixture, weight, notes", expanded=False):
        form.draw("fixture", "blocks", "weight_kg", "replacement_price", "hoist", "notes")
    form.say()
    with st.container(horizontal=True):
        form.button("Save family", lambda v: _save_family(family, v))
        if family is not None:
            delete_button(family, f"family {family.name}")


_TYPED = "Another unit may be typed with the figure: 132.6 mm, 5.22 in."


def _save_family(old: Family | None, values: dict) -> str:
    if old is None:
        face = Face(
            values.pop("face_name"), values.pop("length_mm"), values.pop("width_mm"), kind=values.pop("face_kind")
        )
        new = Family(faces=(face,), **values)
    else:
        new = dataclasses.replace(old, **values)
    return store_noun("family", old, new, f"Family {new.name}")


# -- faces -------------------------------------------------------------------------------------------------------------
def _faces(family: Family, units: Units) -> None:
    st.subheader(f"Faces of {family.name}")
    names = {f.id: f.name for f in family.faces}
    chosen = pick(f"face of {family.id}", "Face", names, "a new face")
    face = next((f for f in family.faces if f.id == chosen), None)
    if face is not None:
        shop_places.draw(family, face, units)
    with st.container(border=True):
        _face_form(family, face, units)
    if face is not None:
        engine_depths.draw_family(family, face, units)


def face_fields(units: Units) -> list[Field]:
    return [
        Field("name", "Name", required=True),
        Field("kind", "Kind of face", "choice", options=FaceKind, required=True),
        Field("length_mm", "Length", "length", required=True, help="Along the machine's travel. " + _TYPED),
        Field("width_mm", "Width", "length", required=True, help="Across the travel. " + _TYPED),
        Field(
            "net_share", "Metal in length × width", "share", help="Openings taken off. Unknown: 100 % is reckoned with."
        ),
        Field("datum", "Height measured from", help="The datum surface, in words."),
        Field("new_height_mm", "Height when new", "height"),
        Field("limit", "Limit", "choice", options=_LIMITS, required=True),
        Field("least_height_mm", "Least height", "height"),
        Field("greatest_removal_mm", "Greatest total removal", "depth", help="Since new, all cuts together."),
        Field("ra_least_um", "Ra at least", "ra", help="The gasket's band. Too smooth is wrong, too."),
        Field("ra_greatest_um", "Ra at most", "ra"),
        Field("flatness_mm", "Flatness overall", "depth"),
        Field("local_flatness_mm", "Flatness locally", "depth"),
        Field("local_span_mm", "… over a span of", "length"),
        Field("bow_limit_mm", "Straighten above a bow of", "depth"),
        Field("parallel_limit_mm", "Parallel to the datum within", "depth"),
        Field(
            "proud",
            "What may stand proud",
            help="Dowels, studs, valves, plugs; parted by commas. Looked for before the first pass.",
        ),
        Field(
            "ferrous_inserts", "Ferrous metal in the face", "flag", help="Liners, seats, rings: they spoil a diamond."
        ),
        Field("cover_bolted", "Cut with its cover bolted on", "flag"),
    ]


def _face_form(family: Family, face: Face | None, units: Units) -> None:
    fields = face_fields(units)
    if face is None:
        values = {"limit": "unknown"}
    else:
        values = {f.name: getattr(face, f.name, None) for f in fields}
        values["limit"] = "height" if face.limit.least_height_mm is not None else "unknown"
        if face.limit.greatest_removal_mm is not None:
            values["limit"] = "removal"
        values["least_height_mm"] = face.limit.least_height_mm
        values["greatest_removal_mm"] = face.limit.greatest_removal_mm
        values["proud"] = ", ".join(face.proud)
    record = f"{family.id}/{face.id if face else 'new'}"
    form = Form("face", record, fields, values, units, access.repository(), family.version)
    form.draw("name", "kind", "length_mm", "width_mm", columns=4)
    limited = {"height": ("least_height_mm",), "removal": ("greatest_removal_mm",)}
    form.draw("datum", "new_height_mm", "limit", *limited.get(form.present("limit"), ()), columns=4)
    form.draw("net_share", "ra_least_um", "ra_greatest_um", "proud", columns=4)
    form.draw("flatness_mm", "local_flatness_mm", "local_span_mm", "bow_limit_mm", columns=4)
    form.draw("parallel_limit_mm", "ferrous_inserts", "cover_bolted", columns=4)
    form.say()
    with st.container(horizontal=True):
        form.button("Save face", lambda v: _save_face(family, face, v))
        if face is not None and len(family.faces) > 1:
            _drop_face_button(family, face)


def _save_face(family: Family, old: Face | None, values: dict) -> str:
    kind, least, removal = values.pop("limit"), values.pop("least_height_mm"), values.pop("greatest_removal_mm")
    if kind == "height" and least is None:
        raise InputError("least_height_mm", "", "the least height, or “no limit known, ask” as the limit")
    if kind == "removal" and removal is None:
        raise InputError("greatest_removal_mm", "", "the greatest removal, or “no limit known, ask” as the limit")
    values["limit"] = Limit(least if kind == "height" else None, removal if kind == "removal" else None)
    values["proud"] = tuple(p.strip() for p in values["proud"].split(",") if p.strip())
    if old is None:
        new = Face(**values)
        faces = (*family.faces, new)
    else:
        if old.points == default_points(old.length_mm, old.width_mm):
            # the usual points follow the size; points somebody named stay where they are
            values["points"] = ()
        new = dataclasses.replace(old, **values)
        faces = tuple(new if f.id == old.id else f for f in family.faces)
    stored = access.repository().save(dataclasses.replace(family, faces=faces), by=access.who(), at=access.now())
    if old is None:
        st.session_state[pick_key(f"face of {family.id}")] = stored.faces[-1].id
    return f"Face {new.name} of {family.name} saved."


def _drop_face_button(family: Family, face: Face) -> None:
    smaller = dataclasses.replace(family, faces=tuple(f for f in family.faces if f.id != face.id))
    with st.popover("Delete face …", type="tertiary"):
        st.write("Refused while jobs, heights or recorded cuts refer to it.")
        st.button(
            f"Delete face {face.name}", key=f"drop face/{face.id}", on_click=act, args=(_drop_face, smaller, face.name)
        )


def _drop_face(smaller: Family, name: str) -> str:
    access.repository().save(smaller, by=access.who(), at=access.now())
    return f"Face {name} deleted."
