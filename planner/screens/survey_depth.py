"""What must come off a surveyed face: tilt, bow, local and pits, the sealing zones, where to touch off, and, at the desk,
how it comes in with depth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import streamlit as st

from planner.face import told_place
from planner.screens import access
from planner.screens.keys import tall
from planner.screens.picture import drawn
from planner.screens.survey_draft import Draft, press, put
from planner.screens.survey_picture import come_in, curve
from planner.screens.survey_read import Read, place_words, read, usual
from planner.screens.survey_sweep import bow_flag, draw_picture
from planner.screens.survey_sweep import figures as headline
from planner.shop import Goal, Part, Shop
from planner.units import Units


def draw_depth(shop: Shop, part: Part, draft: Draft) -> None:
    units = access.units()
    found = read(draft, part)
    if found is None or len(draft.readings()) < 4:
        st.info("Read four points or more in the section Sweep; what must come off follows from them.")
        return
    headline(draft, found, units)
    left, right = st.columns([3, 2])
    with left:
        draw_picture(draft, found, units)
    with right:
        _responsible(draft, found, units)
        _zones(draft, found, units)
    _touch_off(shop, draft, found, units)
    _at_the_desk(draft, found, units)


def _responsible(draft: Draft, found: Read, units: Units) -> None:
    why = found.why
    st.markdown("**Where it comes from, as it lies**")
    rows = [("tilt, goes away with levelling", why.tilt_mm)]
    if why.bow_known:
        rows += [("bow", why.bow_mm), ("local low spots", why.local_mm)]
    else:
        rows += [("bow and local low spots (five points tell them apart)", why.local_mm)]
    rows += [("pits", why.pits_mm)]
    st.dataframe(
        pd.DataFrame([(what, units.depth(mm)) for what, mm in rows], columns=["What", "How much"]),
        hide_index=True,
        width="stretch",
    )
    face = draft.face
    if face.local_span_mm is not None:
        limit = units.depth(face.local_flatness_mm) if face.local_flatness_mm is not None else "no limit entered"
        local = "the points lie too far apart to tell" if found.local_mm is None else units.depth(found.local_mm)
        st.caption(f"Out of flat within {units.length(face.local_span_mm)}: {local}; limit {limit}.")
    if face.parallel_limit_mm is not None and found.survey.datum_slopes is not None:
        cut = (found.lies if draft.goal is Goal.AS_IT_LIES else found.level).cut
        held = cut.parallel_mm >= face.parallel_limit_mm - 1e-6
        st.caption(
            f"Cut so, the face ends {units.depth(cut.parallel_mm)} out of parallel to its datum; limit "
            f"{units.depth(face.parallel_limit_mm)}"
            + (", which is what keeps the depth from being less." if held and draft.goal is Goal.LEVEL else ".")
        )
    bow_flag(draft, found, units)


def _zones(draft: Draft, found: Read, units: Units) -> None:
    """Depth at which each sealing zone is clean."""
    face = draft.face
    if not face.zones:
        st.caption("No sealing zones are entered for this face; they are drawn on the page Shop.")
        return
    cut = (found.lies if draft.goal is Goal.AS_IT_LIES else found.level).cut
    rings = {}
    for zone in face.zones:
        reach = zone.circle.radius_mm + zone.land_mm
        turn = np.linspace(0, 2 * np.pi, 25)[:-1]
        ring = np.column_stack([zone.circle.x_mm + reach * np.cos(turn), zone.circle.y_mm + reach * np.sin(turn)])
        rings[zone.name] = np.clip(ring, (0, 0), (face.length_mm, face.width_mm))
    depths = cut.zones(rings)
    rows = [
        {
            "Zone": zone.name,
            "Seals": zone.kind.value + ("" if zone.counts else ", need not come clean"),
            "Clean at": "not surveyed" if np.isnan(d := depths[zone.name].depth_mm) else units.depth(d),
        }
        for zone in sorted(face.zones, key=lambda z: -np.nan_to_num(depths[z.name].depth_mm, nan=-1.0))
    ]
    st.markdown("**Sealing zones**")
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")


def _touch_off(shop: Shop, draft: Draft, found: Read, units: Units) -> None:
    figures = found.lies if draft.goal is Goal.AS_IT_LIES else found.level
    below = dict(zip((p.name for p in found.survey.points), -figures.cut.levelled_mm, strict=True))
    measured = [p.name for p in draft.face.points if p.name in below]
    first = found.survey.points[figures.cut.first_contact].name
    st.markdown("**Where to touch off**")
    seldom, _ = usual(draft.face)
    advice = (
        f"At {place_words(draft, figures.cut.first_contact, found.survey)} the cutter touches first: nothing to add."
    )
    if measured:
        best = first if first in measured else min(measured, key=below.get)
        advice += (
            f" Touched off at {best}, a measuring point, its final height is its height now less what the instrument "
            "shows, whatever else is unsure."
        )
    if seldom is not None:
        advice += f" This family is usually met first at {seldom.name}."
    st.caption(advice)
    owner = (draft.part_id, draft.face, draft.stage)
    places = list(dict.fromkeys([first, *measured]))[:6]
    chosen = draft.data.get("touch") if draft.data.get("touch") in below else first
    told = {p.name: told_place(draft.face, p).near_words for p in found.survey.points}
    for cell, name in zip(st.columns(len(places)), places, strict=True):
        cell.button(
            tall(told[name], "" if " " in told[name] else "of the face"),
            key=f"{draft.key}/touch/{name}",
            on_click=press,
            args=(owner, put, {"touch": name}),
            width="stretch",
            type="primary" if name == chosen else "secondary",
        )
    delta = below.get(chosen, 0.0)
    paper = shop.settings.paper_mm
    st.markdown(
        f"{told[chosen][:1].upper()}{told[chosen][1:]} lies **{units.depth(delta)}** below first contact. "
        f"On {units.depth(paper)} paper (measure yours) the "
        f"kiss pass stands at {_signed(paper - delta, units)} from the touch-off setting."
    )
    st.caption("A re-shim or re-clamp makes this void: read again. Stored with the next “Store” in the section Sweep.")


def _signed(mm: float, units: Units) -> str:
    return f"{units.depth(mm)} down" if mm >= 0 else f"{units.depth(-mm)} up (raised)"


def _at_the_desk(draft: Draft, found: Read, units: Units) -> None:
    """Desk only: a slider that shows what has come in."""
    box = st.expander("At the desk: watch it come in", key=f"{draft.key}/desk", on_change="rerun")
    if not box.open:
        return
    cut = (found.lies if draft.goal is Goal.AS_IT_LIES else found.level).cut
    if cut.depth_mm <= 0:
        box.caption("The face is flat and clean as it stands: first contact is everywhere.")
        return
    with box:
        factor = units.depth_factor
        top = round(cut.depth_mm * 1.1 / factor, 3)
        depth = factor * st.slider(
            f"Depth below first contact ({units.depth_unit})",
            0.0,
            top,
            round(cut.depth_mm / 2 / factor, 3),
            step=0.1 if units.inch else 0.002,
            key=f"{draft.key}/desk/depth",
        )
        st.markdown(
            f"At **{units.depth(depth)}**: {cut.share_clean(depth):.0%} of the face is clean, "
            f"{cut.volume_mm3(depth) / 1000:.1f} cm³ are cut away. The last spot goes at {units.depth(cut.depth_mm)}."
        )
        left, right = st.columns([3, 2])
        cell = max(draft.face.length_mm, draft.face.width_mm) / 60
        left.vega_lite_chart(
            spec=drawn(come_in, draft.face, cut.map(cell), depth, units),
            width="content",
            alt=f"Map of the face at {units.depth(depth)}: what has come in and where dye is left",
        )
        depths, shares = cut.curve()
        right.vega_lite_chart(
            spec=drawn(curve, depths, shares, depth, units),
            width="stretch",
            alt="Share of the face clean by depth",
        )
