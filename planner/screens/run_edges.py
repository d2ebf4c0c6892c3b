"""Edge buttons of the run sheet, apart from the pass buttons: indexed, chipped, and the short list after an index."""

from __future__ import annotations

import streamlit as st

from planner.edge import EdgeState, End, InsertPlace, Ledger
from planner.screens import access
from planner.screens.run_deeds import Sheet, change_edge, chip_edge, tap
from planner.screens.said import act
from planner.shop import TapKind, starting

ENDS = (End.BY_RULE, End.WORN, End.LOOKED_WORN, End.FINISH_LOST)


def index_list(sheet: Sheet) -> None:
    """What is left to do after an index, before the touch-off."""
    left = sheet.state.index_left
    if not left:
        return
    st.subheader(f"After the index (about {starting.INDEX_MINUTES:.0f} min with the touch-off)")
    for column, name in zip(st.columns(len(left)), left, strict=True):
        column.button(
            name,
            key=f"index/{name}/{sheet.seen}",
            width="stretch",
            on_click=act,
            args=(tap, sheet, TapKind.INDEX_STEP, {"name": name}),
        )


def buttons(sheet: Sheet) -> None:
    """Index or chipped."""
    cutter = sheet.estimate.setup.cutter
    ledger = access.ledger()
    pockets = [i + 1 for i, held in enumerate(ledger.pockets.get(cutter.name, ())) if held is not None]
    if not pockets:
        st.caption(f"No insert is fitted in {cutter.name}: fit one on the page Inserts, or edge use is not counted.")
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(_now(sheet, ledger, pockets))
        with st.popover("Edge indexed"):
            pocket = (
                pockets[0] if len(pockets) == 1 else st.selectbox("Pocket", pockets, key=f"edge pocket/{sheet.seen}")
            )
            choices = _choices(sheet, ledger, cutter.name, pocket)
            if not choices:
                st.write("No unused edge of this grade is at hand: receive inserts on the page Inserts.")
            else:
                to = st.selectbox("To", list(choices), key=f"edge to/{sheet.seen}")
                chipped = ledger.edge_in(cutter.name, pocket).end is End.CHIPPED
                end = End.CHIPPED
                if not chipped:
                    end = st.selectbox(
                        "The old edge was", ENDS, key=f"edge end/{sheet.seen}", format_func=lambda e: e.value
                    )
                st.button(
                    "Changed it", type="primary", on_click=act, args=(change_edge, sheet, pocket, choices[to], end)
                )
        with st.popover("Edge chipped", disabled=sheet.state.chipped):
            pocket = (
                pockets[0] if len(pockets) == 1 else st.selectbox("Pocket", pockets, key=f"chip pocket/{sheet.seen}")
            )
            st.write("The edge is spent; nothing is cut before it is indexed.")
            st.button("It chipped", on_click=act, args=(chip_edge, sheet, pocket))


def _now(sheet: Sheet, ledger: Ledger, pockets: list[int]) -> str:
    cutter = sheet.estimate.setup.cutter.name
    held = [ledger.pockets[cutter][p - 1] for p in pockets]
    share = sheet.estimate.edge_share_likely
    use = "" if share is None else f"; this job takes about {share:.1%} of an edge's life"
    return "Edge at work: " + ", ".join(f"{h.insert} position {h.position}" for h in held) + use


def _choices(sheet: Sheet, ledger: Ledger, cutter: str, pocket: int) -> dict[str, tuple[str, str, int]]:
    held = ledger.pockets[cutter][pocket - 1]
    insert = ledger.inserts[held.insert]
    found: dict[str, tuple[str, str, int]] = {}
    for edge in insert.edges:
        if edge.position != held.position and edge.state is not EdgeState.RETIRED:
            used = "" if edge.state is EdgeState.UNUSED else ", part used"
            found[f"turn to position {edge.position}{used}"] = ("turn", held.insert, edge.position)
    for label, other in ledger.inserts.items():
        if other.grade == insert.grade and other.place is InsertPlace.DRAWER:
            for edge in other.edges:
                if edge.state is EdgeState.UNUSED:
                    found[f"insert {label}, position {edge.position}"] = ("replace", label, edge.position)
                    break
    if ledger.drawer.get(insert.grade, 0) > 0:
        number = len(ledger.inserts) + 1
        while f"{insert.grade} {number}" in ledger.inserts:
            number += 1
        label = f"{insert.grade} {number}"
        found[f"a new insert, labelled {label}"] = ("replace", label, 1)
    return found
