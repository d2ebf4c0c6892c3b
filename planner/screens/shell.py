"""What stands on every screen: whose shop it is, the find box, units, who sits here."""

from __future__ import annotations

import streamlit as st

from planner import InputError
from planner.screens import access
from planner.screens.week_live import drawn_from
from planner.store import Kind, StoreError
from planner.units import System, Units


def opened() -> bool:
    """Whether the shop can be opened; says why not, where it cannot: nothing else can be drawn then."""
    try:
        access.repository()
    except InputError as wrong:
        st.error(
            f"{wrong.field} is “{wrong.value}”. Accepted: {wrong.accepted}. Start the dashboard again once it is right."
        )
    except StoreError as trouble:
        st.error(str(trouble))
    else:
        return True
    return False


def chrome() -> None:
    """One slim row above every page, and what was found under it."""
    drawn_from()
    shop = access.shop()
    # one row that gives way by itself: columns cost every page of every rerun as much as all that stands in them
    with st.container(horizontal=True, vertical_alignment="bottom"):
        sample = " :orange-badge[sample shop, invented]" if access.kind() is Kind.SAMPLE else ""
        st.markdown(f"**{shop.settings.shop_name}**{sample}", width=260)
        wanted = st.text_input(
            "Find a part",
            key="find",
            placeholder="tag, order, serial, last four",
            icon=":material/search:",
            type="search",
            persist_state="session",
        )
        systems = [s.value for s in System]
        if "units" not in st.session_state:
            # a reload keeps what was switched to: it stands in the address
            named = st.query_params.get("units", "")
            st.session_state["units"] = named if named in systems else shop.settings.units.value
        read_in = st.segmented_control("Units", systems, required=True, key="units", persist_state="session")
        if read_in != shop.settings.units.value:
            st.query_params["units"] = read_in
        else:
            st.query_params.pop("units", None)
        people = shop.people
        named = st.query_params.get("who", "")
        if "who" not in st.session_state and named.isdigit() and int(named) in people:
            # a tablet that reloads at the machine is still the same person's
            st.session_state["who"] = int(named)
        st.selectbox(
            "Who",
            [None, *people],
            format_func=lambda i: "nobody named" if i is None else people[i].name,
            key="who",
            placeholder="nobody named",
            persist_state="session",
            width=200,
        )
    if wanted and wanted.strip():
        _found(wanted)


def _found(text: str) -> None:
    """Parts found, with their earlier cuts and total removed."""
    shop, units = access.shop(), access.units()
    found = access.repository().find(text)
    with st.container(border=True):
        if not found:
            st.write(f"No part found for “{text}”. Tag, work order, serial or casting number; last four characters do.")
            return
        for hit in found[:6]:
            part = hit.part
            family = shop.families.get(part.family_id)
            left, right = st.columns([5, 1], vertical_alignment="center")
            left.markdown(
                " · ".join(
                    (
                        f"**{part.tag}**",
                        family.name if family else "family not in use",
                        part.position or "no position",
                        part.state.value,
                        f"work order {part.work_order or 'none'}",
                        f"serial {part.engine_serial or 'unknown'}",
                        _past(hit, units),
                    )
                )
            )
            right.button("Open", key=f"find/open/{part.id}", on_click=_open_part, args=(part.id,), width="stretch")
        if len(found) > 6:
            st.caption(f"{len(found) - 6} more: type more of it.")


def _past(hit, units: Units) -> str:
    """Cuts so far and what they took off, and what was gone before them: a limit counts all of it."""
    cuts, before = len(hit.cuts), hit.removed_before_mm
    if not cuts:
        return "no cut recorded" + (f", {units.depth(before)} removed before it came" if before else "")
    several = len(hit.family.faces) > 1
    taken = ", ".join(
        f"{units.depth(mm)} off the {hit.family.face(face).name}" if several else f"{units.depth(mm)} removed"
        for face, mm in hit.removed_mm.items()
    )
    earlier = (
        "before that unknown" if before is None else f"{units.depth(before)} before that" if before else "in total"
    )
    return f"{cuts} cut{'s' if cuts > 1 else ''} recorded, {taken}{' ' if before == 0 else ', '}{earlier}"


def _open_part(part_id: int) -> None:
    st.session_state["part"] = part_id
    st.session_state["find"] = ""
    st.session_state["go to"] = "parts"


def go_where_asked(pages: dict[str, st.Page]) -> None:
    """A button's callback cannot change the page: it leaves the wish here."""
    st.session_state["pages"] = pages
    wanted = st.session_state.pop("go to", None)
    if wanted in pages:
        st.switch_page(pages[wanted])
