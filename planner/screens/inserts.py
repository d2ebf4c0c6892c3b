"""Inserts: edges in use, area per material, share of life spent, stock, what this week needs."""

from __future__ import annotations

from datetime import datetime

import pandas as pd
import streamlit as st

from planner import InputError
from planner.edge import (
    BackFromRegrind,
    Cleaned,
    Counted,
    EdgeState,
    End,
    Event,
    Fitted,
    Indexed,
    InsertPlace,
    Ledger,
    Received,
    Replaced,
    Scrapped,
    SentForRegrind,
    planning_limit,
)
from planner.screens import access, charts
from planner.screens.picture import picture, specification
from planner.screens.plans import present_plan
from planner.screens.said import act, say
from planner.shop import EdgeInUse, Shop
from planner.units import Units
from planner.week.edge_rules import edges_at_hand, life_spent

_REASONS = {
    "by rule, before it spoils a face": End.BY_RULE,
    "worn": End.WORN,
    "looks worn": End.LOOKED_WORN,
    "finish lost": End.FINISH_LOST,
    "chipped": End.CHIPPED,
    "lost": End.LOST,
}


def draw() -> None:
    st.title("Inserts")
    shop, units = access.shop(), access.units()
    say()
    if not shop.grades:
        st.info("No insert grade is entered yet: see the page Shop.")
        return
    plan = present_plan()
    _in_use(shop, units, plan)
    _stock(shop, plan)
    _change(shop)
    _history(shop)


def edge_name(shop: Shop, edge: EdgeInUse) -> str:
    insert, cutter = shop.inserts.get(edge.insert_id), shop.cutters.get(edge.cutter_id)
    return f"{insert.label if insert else '?'} position {edge.position}, {cutter.name if cutter else '?'}"


def _in_use(shop: Shop, units: Units, plan) -> None:
    st.subheader("Edges in the cutters")
    if not shop.edges:
        st.info("No edge is fitted. Fit one below, so that what it cuts is counted.")
        return
    knowledge = access.knowledge()
    limit = planning_limit(knowledge.life_shape, shop.settings.risk_limit)
    coming = {}
    if plan is not None:
        course = picture(plan).course()
        now = course[course["edge"] == 0]
        coming = now.groupby("grade")["use"].sum().to_dict()
    bars, rows = [], []
    for edge in shop.edges:
        name, grade, used = edge_name(shop, edge), shop.grades[edge.grade_id], life_spent(shop, knowledge, edge)
        for step, (part, use) in enumerate((("so far", used), ("this week", coming.get(grade.name, 0.0)))):
            bars.append((name, part, use, limit, step))
        areas = "; ".join(f"{m.replace('_', ' ')} {units.area(a)}" for m, a in edge.swept_mm2.items()) or "nothing yet"
        rows.append(
            {
                "Edge": name,
                "Grade": grade.name,
                "Since": edge.since,
                "Swept so far": areas,
                "Life spent": f"{used:.0%}",
                "This week": f"{coming.get(grade.name, 0.0):.0%}",
                "Index at": f"{limit:.0%}",
            }
        )
    st.vega_lite_chart(spec=_edge_bars(tuple(bars)), width="stretch", alt="Share of life spent by edge")
    st.dataframe(
        pd.DataFrame(rows),
        hide_index=True,
        width="stretch",
        column_config={"Since": st.column_config.DatetimeColumn(format="D MMM YYYY")},
    )
    st.caption(
        f"Red mark: the planning limit. An edge is indexed before it, so that the chance of losing it on a face stays "
        f"within {shop.settings.risk_limit:.0%}. How long an edge lasts is a starting value until the record says more."
    )


@st.cache_data(max_entries=8, show_spinner=False)
def _edge_bars(bars: tuple) -> dict:
    return specification(charts.edge_bars(pd.DataFrame(bars, columns=["edge", "part", "use", "limit", "step"])))


def _stock(shop: Shop, plan) -> None:
    st.subheader("Stock")
    needs = {r.grade: r for r in picture(plan).needs().itertuples()} if plan is not None else {}
    rows = []
    for grade in shop.grades.values():
        need = needs.get(grade.name)
        rows.append(
            {
                "Grade": grade.name,
                "Unopened inserts": grade.stock,
                "Positions each": grade.positions,
                "Fresh edges on opened inserts": shop.ready_edges.get(grade.id, 0),
                "Fresh edges in all": edges_at_hand(shop, grade.id),
                "To index this week": need.needed if need else 0,
                "Order": f"{need.to_order} inserts" if need and need.to_order else "nothing",
                "Lead time": f"{grade.lead_days} days" if grade.lead_days is not None else "unknown",
            }
        )
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")


def _change(shop: Shop) -> None:
    st.subheader("Change an edge")
    ledger = access.ledger()
    left, right = st.columns(2)
    with left, st.container(border=True):
        _at_the_cutter(ledger)
    with right, st.container(border=True):
        _drawer(ledger)


def _change_edge(what: str, event: Event, seen: int) -> str:
    """Store one change; the ledger refuses what cannot be, and tells when somebody was first."""
    access.repository().add_edge_event(event, seen)
    return what


def _moment() -> dict:
    return {"at": datetime.now().replace(microsecond=0), "by": access.who()}


def loose_edges(ledger: Ledger, grade: str) -> list[tuple[str, int]]:
    """Unused edges of opened inserts that lie in the drawer: (label, position)."""
    return [
        (insert.label, edge.position)
        for insert in ledger.inserts.values()
        if insert.grade == grade and insert.place is InsertPlace.DRAWER
        for edge in insert.edges
        if edge.state is EdgeState.UNUSED
    ]


def _at_the_cutter(ledger: Ledger) -> None:
    pockets = [(c, i + 1) for c, held in ledger.pockets.items() for i in range(len(held))]
    if not pockets:
        st.caption("No cutter is entered yet.")
        return
    cutter, pocket = st.selectbox(
        "Cutter and pocket",
        pockets,
        format_func=lambda k: f"{k[0]}, pocket {k[1]}",
        key="pocket",
        persist_state="session",
    )
    held = ledger.pockets[cutter][pocket - 1]
    if held is None:
        _fit(ledger, cutter, pocket)
        return
    insert = ledger.inserts[held.insert]
    st.write(f"In it: **{held.insert} position {held.position}** of {len(insert.edges)}, {insert.grade}")
    why = st.selectbox("Why it is changed", list(_REASONS), key="index reason", persist_state="session")
    end = _REASONS[why]
    same = [e.position for e in insert.edges if e.state is EdgeState.UNUSED and e.position != held.position]
    fresh = loose_edges(ledger, insert.grade)
    seen, base = len(ledger.log), {"cutter": cutter, "pocket": pocket, "insert": held.insert}
    with st.container(horizontal=True):
        for position in same[:3]:
            event = Indexed(**base, **_moment(), from_position=held.position, to_position=position, end=end)
            words = f"Indexed to position {position}: the next cut counts on it; touch off again."
            st.button(
                f"Index to position {position}", type="primary", on_click=act, args=(_change_edge, words, event, seen)
            )
        for label, position in fresh[:3]:
            event = Replaced(**base, **_moment(), end=end, new_insert=label, new_position=position)
            st.button(
                f"Replace with {label}",
                on_click=act,
                args=(_change_edge, f"{label} is in; touch off again.", event, seen),
                key=f"r/{label}",
            )
        cleaned = Cleaned(**base, **_moment())
        st.button(
            "Cleaned and put back", on_click=act, args=(_change_edge, "Cleaned: its life goes on.", cleaned, seen)
        )
    if not same and not fresh:
        st.warning("No fresh edge of this grade is opened: open an insert on the right first.")


def _fit(ledger: Ledger, cutter: str, pocket: int) -> None:
    choices = [c for grade in ledger.positions for c in loose_edges(ledger, grade)]
    st.write("The pocket is empty.")
    if not choices:
        st.caption("No loose insert with a fresh edge: open one on the right.")
        return
    label, position = st.selectbox("Insert", choices, format_func=lambda c: f"{c[0]} position {c[1]}", key="fit")
    event = Fitted(cutter=cutter, pocket=pocket, insert=label, position=position, **_moment())
    st.button("Fit it", type="primary", on_click=act, args=(_change_edge, f"{label} is in.", event, len(ledger.log)))


def _drawer(ledger: Ledger) -> None:
    grades = list(ledger.positions)
    grade = st.selectbox("Grade", grades, key="drawer grade", persist_state="session")
    count = int(st.number_input("Inserts", 0, 1000, 1, key="drawer count"))
    seen = len(ledger.log)
    with st.container(horizontal=True):
        if count:
            event = Received(grade=grade, inserts=count, **_moment())
            st.button("Received", on_click=act, args=(_change_edge, f"{count} received.", event, seen))
        event = Counted(grade=grade, inserts=count, **_moment())
        st.button("Counted, so many unopened", on_click=act, args=(_change_edge, "Count stored.", event, seen))
    label = st.text_input("Label for a newly opened insert", key="open label", placeholder="such as C-14")
    st.button("Open an insert", on_click=act, args=(_open, grade, label))
    loose = [i.label for i in ledger.inserts.values() if i.place is InsertPlace.DRAWER]
    away = [i.label for i in ledger.inserts.values() if i.place is InsertPlace.REGRIND]
    if loose:
        picked = st.selectbox("Insert in the drawer", loose, key="loose")
        with st.container(horizontal=True):
            sent, gone = SentForRegrind(insert=picked, **_moment()), Scrapped(insert=picked, **_moment())
            st.button("Send for regrind", on_click=act, args=(_change_edge, f"{picked} sent.", sent, seen))
            st.button("Scrap", on_click=act, args=(_change_edge, f"{picked} scrapped.", gone, seen))
    if away:
        picked = st.selectbox("Out for regrind", away, key="away")
        cost = st.number_input("Cost of the regrind", 0.0, 10_000.0, 0.0, key="regrind cost")
        back = BackFromRegrind(insert=picked, cost=float(cost), **_moment())
        st.button("Back from regrind", on_click=act, args=(_change_edge, f"{picked} is back.", back, seen))


def _open(grade: str, label: str) -> str:
    grade_id = next(i for i, g in access.shop().grades.items() if g.name == grade)
    if not label.strip():
        raise InputError("label", label, "a label to know the insert by")
    access.repository().open_insert(grade_id, label.strip(), access.now(), access.who())
    st.session_state["open label"] = ""
    return f"{label} opened."


def _history(shop: Shop) -> None:
    st.subheader("What happened lately")
    events = access.edge_events()[-12:][::-1]
    if not events:
        st.caption("Nothing yet.")
        return
    rows = [
        {
            "When": e.at,
            "What": e.kind,
            "Insert": shop.inserts[e.insert_id].label if e.insert_id in shop.inserts else "",
            "Position": str(e.position or ""),
            "Cutter": shop.cutters[e.cutter_id].name if e.cutter_id in shop.cutters else "",
            "Why": str(e.payload.get("reason", "")) if e.payload else "",
            "By": e.by,
            "Note": e.note,
        }
        for e in events
    ]
    st.dataframe(
        pd.DataFrame(rows),
        hide_index=True,
        width="stretch",
        column_config={"When": st.column_config.DatetimeColumn(format="D MMM YYYY HH:mm")},
    )
