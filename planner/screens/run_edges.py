"""Edge buttons of the run sheet, apart from the pass buttons: indexed, chipped, and the short list after an index."""

from __future__ import annotations

from collections.abc import Collection

import streamlit as st

from planner.edge import EdgeState, End, InsertPlace, Ledger
from planner.screens import access
from planner.screens.run_deeds import Sheet, change_edges, chip_edge, tap
from planner.screens.said import act
from planner.shop import TapKind
from planner.week.edge_advice import limit_of, risk_limit
from planner.week.edge_lives import grade_life
from planner.week.edge_rules import life_spent

Choice = tuple[str, str, int]
"""Turn or replace, the insert's label, the position."""
ALL = 0
ENDS = (End.BY_RULE, End.WORN, End.LOOKED_WORN, End.FINISH_LOST)


def index_list(sheet: Sheet) -> None:
    """What is left to do after an index, before the touch-off."""
    left = sheet.state.index_left
    if not left:
        return
    minutes = access.knowledge().steps(sheet.family)
    st.subheader(
        f"After the index (about {minutes.steps.index:.0f} min with the touch-off)",
        anchor=False,
        help=minutes.origin.words,
    )
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
    warn_spent(sheet)
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(_now(sheet, ledger, pockets))
        # a new popover after every entry: it closes, and a second tap cannot change the edge again
        with st.popover("Edge indexed", key=f"indexed/{sheet.seen}"):
            pocket = pockets[0]
            if len(pockets) > 1:
                pocket = st.selectbox(
                    "Pocket",
                    [ALL, *pockets],
                    key=f"edge pocket/{sheet.seen}",
                    format_func=lambda p: str(p or "all of them"),
                )
            choices = _all_at_once(ledger, cutter.name, pockets) if pocket == ALL else _one(ledger, cutter.name, pocket)
            if not choices:
                st.write("No unused edge of this grade is at hand: receive inserts on the page Inserts.")
            else:
                to = st.selectbox("To", list(choices), key=f"edge to/{pocket}/{sheet.seen}")
                ended = [ledger.edge_in(cutter.name, p).end is End.CHIPPED for p in choices[to]]
                chipped = all(ended)
                end = End.CHIPPED
                if not chipped:
                    end = st.selectbox(
                        "The old edge was", ENDS, key=f"edge end/{sheet.seen}", format_func=lambda e: e.value
                    )
                st.button("Changed it", type="primary", on_click=act, args=(change_edges, sheet, choices[to], end))
        with st.popover("Edge chipped", key=f"chipped/{sheet.seen}", disabled=sheet.state.chipped):
            pocket = (
                pockets[0] if len(pockets) == 1 else st.selectbox("Pocket", pockets, key=f"chip pocket/{sheet.seen}")
            )
            st.write("The edge is spent; nothing is cut before it is indexed.")
            st.button("It chipped", on_click=act, args=(chip_edge, sheet, pocket))


def warn_spent(sheet: Sheet) -> None:
    """Say it where the most used edge in the cutter would go past the planning limit with this job."""
    shop, knowledge, setup = sheet.shop, access.knowledge(), sheet.estimate.setup
    fitted = [e for e in shop.edges if (e.cutter_id, e.grade_id) == (setup.cutter.id, setup.grade.id)]
    spent = max((life_spent(shop, knowledge, e) for e in fitted), default=0.0)
    life = grade_life(shop, knowledge, setup.grade.id).of(setup.cutter.inserts)
    limit = limit_of(life, risk_limit(shop, sheet.estimate))
    if not sheet.state.index_left and spent + (sheet.estimate.edge_share_likely or 0.0) > limit:
        st.warning(
            f"The edge in {setup.cutter.name} has {spent:.0%} of its life spent, its planning limit is {limit:.0%}: "
            "index it before the next pass."
        )


def _now(sheet: Sheet, ledger: Ledger, pockets: list[int]) -> str:
    cutter = sheet.estimate.setup.cutter.name
    held = [ledger.pockets[cutter][p - 1] for p in pockets]
    share = sheet.estimate.edge_share_likely
    use = "" if share is None else f"; this job takes about {share:.1%} of an edge's life"
    return "Edge at work: " + ", ".join(f"{h.insert} position {h.position}" for h in held) + use


def _one(ledger: Ledger, cutter: str, pocket: int) -> dict[str, dict[int, Choice]]:
    return {words: {pocket: choice} for words, choice in _choices(ledger, cutter, pocket).items()}


def _all_at_once(ledger: Ledger, cutter: str, pockets: list[int]) -> dict[str, dict[int, Choice]]:
    """Every pocket to an unused edge: each insert turned where it has one, else another put in; nothing where one pocket
    finds none."""
    found: dict[int, Choice] = {}
    taken: set[str] = set()
    opened = 0
    words = []
    for pocket in pockets:
        held = ledger.pockets[cutter][pocket - 1]
        grade = ledger.inserts[held.insert].grade
        fresh = [
            (said, choice)
            for said, choice in _choices(ledger, cutter, pocket, taken).items()
            if not said.endswith("part used") and (choice[1] in ledger.inserts or opened < ledger.drawer.get(grade, 0))
        ]
        if not fresh:
            return {}
        said, choice = fresh[0]
        found[pocket] = choice
        words.append(f"{pocket}: {said}")
        if choice[0] == "replace":
            taken.add(choice[1])
            opened += choice[1] not in ledger.inserts
    return {"; ".join(words): found}


def _choices(ledger: Ledger, cutter: str, pocket: int, taken: Collection[str] = ()) -> dict[str, Choice]:
    held = ledger.pockets[cutter][pocket - 1]
    insert = ledger.inserts[held.insert]
    found: dict[str, Choice] = {}
    for edge in insert.edges:
        if edge.position != held.position and edge.state is not EdgeState.RETIRED:
            used = "" if edge.state is EdgeState.UNUSED else ", part used"
            found[f"turn to position {edge.position}{used}"] = ("turn", held.insert, edge.position)
    for label, other in ledger.inserts.items():
        if other.grade == insert.grade and other.place is InsertPlace.DRAWER and label not in taken:
            for edge in other.edges:
                if edge.state is EdgeState.UNUSED:
                    found[f"insert {label}, position {edge.position}"] = ("replace", label, edge.position)
                    break
    if ledger.drawer.get(insert.grade, 0) > 0:
        number = len(ledger.inserts) + 1
        while f"{insert.grade} {number}" in {*ledger.inserts, *taken}:
            number += 1
        label = f"{insert.grade} {number}"
        found[f"a new insert, labelled {label}"] = ("replace", label, 1)
    return found
