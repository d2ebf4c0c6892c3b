"""Pits: how deep, where, and which may stay, with what that saves."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from planner import InputError
from planner.face import survey_figures
from planner.screens import access
from planner.screens.keys import tall
from planner.screens.said import act
from planner.screens.survey_draft import Draft, press, put, steps
from planner.screens.survey_pad import MOST_KEYS
from planner.screens.survey_sweep import draw_picture
from planner.shop import FaceSurvey, Part
from planner.units import Units

_LONGEST = 16 * 1024 * 1024


def draw_pits(part: Part, draft: Draft) -> None:
    from planner.screens.survey_read import read

    units, owner = access.units(), (draft.part_id, draft.face, draft.stage)
    found = read(draft, part)
    st.caption(
        "The pits that look worst, measured with the pit gauge from the face around them. A pit lowers what must be "
        "reached; it does not lower the rim."
    )
    left, right = st.columns([2, 3])
    here = draft.data.get("pit at") or draft.names[0]
    here = here if here in draft.names else draft.names[0]
    with left:
        names = draft.names
        if len(names) > MOST_KEYS:  # a probe's hundreds: those with a pit, and the chosen one
            _pick(draft, here, owner, units)
            names = [n for n in names if n == here or n in draft.pits][:MOST_KEYS]
        cells = st.columns(2)
        for k, name in enumerate(names):
            depth = draft.pits.get(name, {}).get("mm")
            cells[k % 2].button(
                tall(name, units.depth(depth) if depth else "no pit"),
                key=f"{draft.key}/pit at/{name}",
                on_click=press,
                args=(owner, put, {"pit at": name}),
                width="stretch",
                type="primary" if name == here else "secondary",
            )
    with right:
        draw_picture(draft, found, units, pit_at=here)
    _one(draft, here, owner, units)
    if found is not None and draft.pits:
        _savings(part, draft, found.survey, units)


def _pick(draft: Draft, here: str, owner: tuple, units: Units) -> None:
    """Any of a probe's points, by where it lies."""
    key, factor = f"{draft.key}/pit pick/{here}", units.length_factor
    places = draft.places
    st.selectbox(
        f"Point: along, across ({units.length_unit})",
        draft.names,
        draft.names.index(here),
        format_func=lambda n: f"{n}: {places[n][0] / factor:.1f}, {places[n][1] / factor:.1f}",
        key=key,
        on_change=lambda: press(owner, put, {"pit at": st.session_state[key]}),
    )


def _one(draft: Draft, here: str, owner: tuple, units: Units) -> None:
    pit = (draft.data.get("pits") or {}).get(here) or {}
    depth = pit.get("mm") or 0.0
    st.markdown(f"**Pit at {here}: {units.depth(depth) if depth else 'none'}** (keys in {units.depth_unit})")
    cells = st.columns(2 * len(steps(units)) + 1)
    moves = [*(-s for s in reversed(steps(units))), None, *steps(units)]
    for cell, move in zip(cells, moves, strict=True):
        label = "none" if move is None else f"{'+' if move > 0 else '−'}{abs(move) / units.depth_factor:g}"
        cell.button(
            tall(label, "at all" if move is None else "deeper" if move > 0 else "less"),
            key=f"{draft.key}/pit/{here}/{label}",
            on_click=press,
            args=(owner, _step_pit, here, move),
            width="stretch",
        )
    if not depth:
        return
    if pit.get("accepted"):
        st.success(f"This pit may stay: {pit.get('by')}, {pit.get('on')}.")
        st.button(
            tall("It has to go after all"),
            key=f"{draft.key}/pit/{here}/back",
            on_click=press,
            args=(owner, _change_pit, here, {"accepted": False, "by": "", "on": ""}),
        )
        return
    photo, name, button = st.columns([2, 1, 1], vertical_alignment="bottom")
    picture = photo.file_uploader("Photo of it", ["png", "jpg", "jpeg"], key=f"{draft.key}/pit/{here}/photo")
    name.text_input("Initials", access.who(), key=f"{draft.key}/pit/{here}/initials", max_chars=8)
    button.button(
        tall("It may stay,", "photo and initials"),
        key=f"{draft.key}/pit/{here}/accept",
        on_click=act,
        args=(_accept, owner, here, picture, f"{draft.key}/pit/{here}/initials"),
        width="stretch",
    )


def _step_pit(draft: Draft, data: dict, name: str, by_mm: float | None) -> None:
    pits = dict(data.get("pits") or {})
    old = pits.get(name) or {}
    depth = 0.0 if by_mm is None else max(0.0, round((old.get("mm") or 0.0) + by_mm, 6))
    # a pit measured anew has to be accepted anew
    pits[name] = {"mm": depth}
    data["pits"] = pits


def _change_pit(draft: Draft, data: dict, name: str, values: dict) -> None:
    pits = dict(data.get("pits") or {})
    pits[name] = {**(pits.get(name) or {}), **values}
    data["pits"] = pits


def _accept(owner: tuple, name: str, picture, initials_key: str) -> str:
    initials = (st.session_state.get(initials_key) or "").strip()
    if not initials:
        raise InputError("initials", "", "the initials of who lets the pit stay")
    if picture is None:
        raise InputError("photo", "", "a photo of the pit")
    content = picture.getvalue()
    if len(content) > _LONGEST:
        raise InputError("photo", picture.name, "a picture up to 16 MB")
    draft = Draft(*owner)
    at = access.now()
    kept = access.repository().add_attachment(
        draft.part_id, picture.name[:120], picture.type or "image/png", content, at, initials, f"pit at {name}"
    )
    values = {"accepted": True, "by": initials, "on": f"{at:%d %b %Y}", "photo": kept.id}
    draft.change(lambda data: _change_pit(draft, data, name, values))
    return f"The pit at {name} may stay; its photo is kept with the part."


def _savings(part: Part, draft: Draft, survey: FaceSurvey, units: Units) -> None:
    """What leaving a pit saves, of the depth that the section What must come off tells."""
    known = {name: r.height_mm for name, r in part.latest_heights_mm(draft.face.id).items()}

    def depth(left: set[int]) -> float:
        points = tuple(replace(p, accepted=k in left) for k, p in enumerate(survey.points))
        return survey_figures(draft.face, replace(survey, points=points), known).cut.depth_mm

    pitted = [k for k, p in enumerate(survey.points) if p.pit_mm]
    every, none = depth(set()), depth(set(pitted))
    st.markdown(
        f"With every pit to go: **{units.depth(every)}**. With all of them left: **{units.depth(none)}**, "
        f"{units.depth(every - none)} less."
    )
    if len(pitted) > 1:
        said = [f"{survey.points[k].name} alone {units.depth(every - depth({k}))}" for k in pitted]
        st.caption("Saved by leaving " + "; ".join(said) + ".")
