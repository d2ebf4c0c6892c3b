"""The past of a part: its cuts, the total removed, its height over time, and taking a wrongly recorded cut back."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import pandas as pd
import streamlit as st

from planner.screens import access, charts
from planner.screens.forms import Field, Form
from planner.screens.parts_fields import dated
from planner.screens.picture import specification
from planner.shop import Cut, Face, Shop
from planner.store.finding import Found
from planner.units import Units


def draw_past(shop: Shop, found: Found, units: Units) -> None:
    st.subheader("Cuts so far")
    part, family = found.part, found.family
    if found.earlier:
        st.caption(
            "Counted with its earlier visits: "
            + ", ".join(f"{p.tag} (work order {p.work_order or 'none'})" for p in found.earlier)
        )
    before = found.removed_before_mm
    known = "unknown" if before is None else units.depth(before)
    totals = [f"{family.face(i).name} {units.depth(mm)}" for i, mm in found.removed_mm.items()]
    st.markdown(f"**Total removed by recorded cuts:** {', '.join(totals) or 'nothing'}. **Before those:** {known}.")
    if found.cuts:
        st.dataframe(_cuts(shop, found, units), hide_index=True, width="stretch")
    for face in family.faces:
        frame = height_course(found, face)
        if len(frame) > 1:
            if len(family.faces) > 1:
                st.caption(face.name)
            shown = frame.assign(height=frame["height"] / units.length_factor)
            st.vega_lite_chart(
                spec=specification(charts.part_history(shown, units.length_unit)),
                width="stretch",
                alt=f"Mean height of the {face.name} at each measurement and after each cut",
            )
            st.caption("Mean over the measuring points; after a cut nobody measured, the height before less its depth.")
        elif any(c.face_id == face.id for c in found.cuts):
            st.caption(f"No course of heights for the {face.name}: fewer than two heights are known.")
    own = [c for c in found.cuts if c.part_id == part.id]
    if own:
        with st.expander("Take a wrongly recorded cut back"):
            _reverse(found, own, units)
    undone = [c for c in access.repository().cuts_of(part.id, everything=True) if c.reverses_id is not None]
    for entry in undone:
        st.caption(
            f"Taken back {dated(entry.ended)} by {entry.by or 'nobody named'}: a cut of "
            f"{units.depth(entry.stop_depth_mm)}. {entry.correction}"
        )


def _cuts(shop: Shop, found: Found, units: Units) -> pd.DataFrame:
    total: dict[int, float] = defaultdict(float)
    rows = []
    for cut in found.cuts:
        total[cut.face_id] += cut.stop_depth_mm
        machine = shop.machines.get(cut.machine_id)
        rows.append(
            {
                "When": dated(cut.ended),
                "Face": found.family.face(cut.face_id).name,
                "Taken": units.depth(cut.stop_depth_mm),
                "Total removed": units.depth(total[cut.face_id]),
                "Passes": len(cut.passes),
                "How it ended": cut.outcome.value,
                "Heights after": ", ".join(f"{p} {units.height(h)}" for p, h in cut.heights_mm.items()),
                "Ra": ", ".join(units.ra(r) for r in cut.ra_um),
                "Machine": machine.name if machine else "",
                "By": cut.by,
                "Note": cut.note,
            }
        )
    return pd.DataFrame(rows[::-1])


def height_course(found: Found, face: Face) -> pd.DataFrame:
    """Mean height of a face over time: at, height (mm), what. After a cut without readings the height before it less
    its depth stands in; nothing does where no height was ever known."""
    told = []
    for part in (*found.earlier, found.part):
        stamps: dict[Any, list[float]] = defaultdict(list)
        for reading in part.heights:
            if reading.face_id == face.id:
                stamps[reading.at, reading.stage].append(reading.height_mm)
        told += [(at, 0, sum(h) / len(h), f"measured, {stage.value}") for (at, stage), h in stamps.items()]
    told += [(c.ended, 1, c, "") for c in found.cuts if c.face_id == face.id]
    rows, standing = [], None
    for at, _, what, said in sorted(told, key=lambda t: (t[0], t[1])):
        if not isinstance(what, Cut):
            standing = what
        elif rows and rows[-1]["at"] == at:
            # the readings taken after this cut stand already
            rows[-1]["what"] = f"measured after the cut, {what.outcome.value}"
            continue
        elif what.heights_mm:
            standing, said = sum(what.heights_mm.values()) / len(what.heights_mm), f"cut, {what.outcome.value}"
        elif standing is None:
            continue
        else:
            standing, said = standing - what.stop_depth_mm, f"cut, {what.outcome.value}, height computed"
        rows.append({"at": at, "height": standing, "what": said})
    return pd.DataFrame(rows, columns=["at", "height", "what"])


def _reverse(found: Found, own: list[Cut], units: Units) -> None:
    names = [
        (c.id, f"{dated(c.ended)}, {found.family.face(c.face_id).name}, {units.depth(c.stop_depth_mm)}")
        for c in reversed(own)
    ]
    fields = (
        Field("cut_id", "Cut", "choice", options=names, required=True),
        Field("correction", "Why it is taken back", required=True),
    )
    st.caption("Its depth, edge use and heights no longer count, and its job waits again. Both entries stay recorded.")
    form = Form("reverse", found.part.id, fields, {}, units, access.repository())
    form.draw(columns=2)
    form.say()
    form.button("Take the cut back", _take_back, primary=False)


def _take_back(values: dict[str, Any]) -> str:
    access.repository().reverse_cut(values["cut_id"], values["correction"], access.who(), access.now())
    return "Taken back: its job waits again."
