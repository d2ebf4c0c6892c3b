"""Edge buttons of the run sheet, apart from the pass buttons: indexed, chipped, and the short list after an index."""

from __future__ import annotations

import streamlit as st

from planner.cut.running import INDEX_STEPS
from planner.edge import EdgeState, End, Ledger
from planner.screens import access
from planner.screens.edge_choices import Choice, all_at_once, choices
from planner.screens.keys import tall
from planner.screens.run_deeds import Sheet, change_edges, chip_edge, chipped_pockets, tap
from planner.screens.said import act
from planner.shop import TapKind
from planner.week.edge_advice import limit_of, risk_limit
from planner.week.edge_lives import grade_life
from planner.week.edge_rules import life_spent
from planner.week.set_view import gang_of

ALL = 0
# Common practice, no source: what the minutes of an index go into; the rest is the touch-off and the look after it
INDEX_SHARES = dict(zip(INDEX_STEPS, (0.2, 0.1, 0.2), strict=True))
ENDS = (End.BY_RULE, End.WORN, End.LOOKED_WORN, End.FINISH_LOST)


def chipped_words(sheet: Sheet) -> str:
    """Which edge chipped: "The edge", or "The edge in pocket 2" of several."""
    cutter = sheet.estimate.setup.cutter
    pockets = chipped_pockets(cutter.name)
    if cutter.inserts == 1 or not pockets:
        return "The edge"
    return f"The edge{'s' if len(pockets) > 1 else ''} in pocket {' and '.join(map(str, pockets))}"


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
            tall(name, f"{INDEX_SHARES[name] * minutes.steps.index:.0f} min"),
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
        with st.popover(tall("Edge indexed"), key=f"indexed/{sheet.seen}"):
            pocket = pockets[0]
            if len(pockets) > 1:
                pocket = st.selectbox(
                    "Pocket",
                    [ALL, *pockets],
                    key=f"edge pocket/{sheet.seen}",
                    format_func=lambda p: str(p or "all of them"),
                )
            fresh = all_at_once(ledger, cutter.name, pockets) if pocket == ALL else _one(ledger, cutter.name, pocket)
            if not fresh:
                st.write("No unused edge of this grade is at hand: receive inserts on the page Inserts.")
            else:
                to = st.selectbox("To", list(fresh), key=f"edge to/{pocket}/{sheet.seen}")
                ended = [ledger.edge_in(cutter.name, p).end is End.CHIPPED for p in fresh[to]]
                chipped = all(ended)
                end = End.CHIPPED
                if not chipped:
                    end = st.selectbox(
                        "The old edge was", ENDS, key=f"edge end/{sheet.seen}", format_func=lambda e: e.value
                    )
                st.button(tall("Changed it"), type="primary", on_click=act, args=(change_edges, sheet, fresh[to], end))
        whole = [p for p in pockets if ledger.edge_in(cutter.name, p).state is not EdgeState.RETIRED]
        with st.popover(tall("Edge chipped"), key=f"chipped/{sheet.seen}", disabled=not whole):
            pocket = (
                (whole or pockets)[0]
                if len(pockets) == 1
                else st.selectbox("Pocket", whole or pockets, key=f"chip pocket/{sheet.seen}")
            )
            st.write("The edge is spent; nothing is cut before it is indexed.")
            st.button(tall("It chipped"), on_click=act, args=(chip_edge, sheet, pocket))


def warn_spent(sheet: Sheet) -> None:
    """Say it where the most used edge in the cutter would go past the planning limit with this job."""
    shop, knowledge, setup = sheet.shop, access.knowledge(), sheet.estimate.setup
    fitted = [e for e in shop.edges if (e.cutter_id, e.grade_id) == (setup.cutter.id, setup.grade.id)]
    spent = max((life_spent(shop, knowledge, e) for e in fitted), default=0.0)
    life = grade_life(shop, knowledge, setup.grade.id).of(setup.cutter.inserts)
    limit = limit_of(life, risk_limit(shop, sheet.estimate))
    if not sheet.state.index_left and spent + _share(sheet) > limit:
        st.warning(
            f"The edge in {setup.cutter.name} has {spent:.0%} of its life spent, its planning limit is {limit:.0%}: "
            "index it before the next pass."
        )


def _share(sheet: Sheet) -> float:
    """Share of an edge's life that this job likely takes, or all that lie on the table with it."""
    matched, estimates = sheet.shop.set_of(sheet.job.id), access.queue().estimates
    together = [sheet.job.id] if sheet.estimate.members == 1 else gang_of(sheet.shop, matched)
    return sum(estimates[j].edge_share_likely or 0.0 for j in together)


def _now(sheet: Sheet, ledger: Ledger, pockets: list[int]) -> str:
    cutter = sheet.estimate.setup.cutter.name
    told = []
    for pocket in pockets:
        held, edge = ledger.pockets[cutter][pocket - 1], ledger.edge_in(cutter, pocket)
        where = f"{pocket}: " if len(pockets) > 1 else ""
        told.append(f"{where}{held.insert} position {held.position}" + (f" (**{edge.end}**)" if edge.end else ""))
    who = "this job takes" if sheet.estimate.members == 1 else f"all {sheet.estimate.members} on the table take"
    unknown = sheet.estimate.edge_share_likely is None
    use = "" if unknown else f"; {who} about {_share(sheet):.1%} of an edge's life"
    return f"Edge{'s' if len(told) > 1 else ''} at work: " + ", ".join(told) + use


def _one(ledger: Ledger, cutter: str, pocket: int) -> dict[str, dict[int, Choice]]:
    return {words: {pocket: choice} for words, choice in choices(ledger, cutter, pocket).items()}
