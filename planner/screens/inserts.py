"""Inserts: edges in use, area per material, share of life spent, stock, what this week needs."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from planner import InputError
from planner.edge.wear import planning_limit
from planner.screens import access, charts
from planner.shop import EdgeInUse, InsertGrade, Shop
from planner.store import StoreError
from planner.store.edges import EdgeEvent
from planner.units import Units
from planner.week.adapt import capacity_mm
from planner.week.board import edge_course, edge_needs

_REASONS = {
    "by rule, before it spoils a face": "by rule",
    "worn": "worn",
    "finish lost": "finish lost",
    "chipped": "chipped",
}


def draw() -> None:
    st.title("Inserts")
    shop, units = access.shop(), access.units()
    said = st.session_state.pop("inserts said", None)
    if said:
        (st.success if said[0] else st.error)(said[1])
    if not shop.grades:
        st.info("No insert grade is entered yet: see the page Shop.")
        return
    plan = _plan()
    _in_use(shop, units, plan)
    _stock(shop, plan)
    _change(shop)
    _history(shop)


def _plan():
    """The plan on the week's board or proposal, for what is still to be cut; None when nothing is planned."""
    from planner.screens import week

    shop = access.shop()
    if not shop.machines or not shop.jobs:
        return None
    accepted = access.repository().current_plan()
    if accepted is None:
        version, records = access.versions()
        now = access.now()
        return week._first_plan(access.kind(), version, records, now.replace(minute=now.minute // 15 * 15))
    return week._board(access.kind(), *access.versions(), accepted.id, access.now()).today


def spent(shop: Shop, edge: EdgeInUse) -> float:
    """Share of an edge's life spent: over the materials, path cut / path an edge lasts."""
    knowledge = access.knowledge()
    return sum(p / capacity_mm(shop, knowledge, m, edge.grade_id) for m, p in edge.path_mm.items())


def edge_name(shop: Shop, edge: EdgeInUse) -> str:
    insert, cutter = shop.inserts.get(edge.insert_id), shop.cutters.get(edge.cutter_id)
    return f"{insert.label if insert else '?'} position {edge.position}, {cutter.name if cutter else '?'}"


def _in_use(shop: Shop, units: Units, plan) -> None:
    st.subheader("Edges in the cutters")
    if not shop.edges:
        st.info("No edge is fitted. Fit one below, so that what it cuts is counted.")
        return
    limit = planning_limit(access.knowledge().life_shape, shop.settings.risk_limit)
    coming = {}
    if plan is not None:
        course = edge_course(plan, shop, access.queue(), access.knowledge())
        now = course[course["edge"] == 0]
        coming = now.groupby("grade")["use"].sum().to_dict()
    bars, rows = [], []
    for edge in shop.edges:
        name, grade, used = edge_name(shop, edge), shop.grades[edge.grade_id], spent(shop, edge)
        for step, (part, use) in enumerate((("so far", used), ("this week", coming.get(grade.name, 0.0)))):
            bars.append({"edge": name, "part": part, "use": use, "limit": limit, "step": step})
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
    st.altair_chart(charts.edge_bars(pd.DataFrame(bars)), width="stretch", alt="Share of life spent by edge")
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


def _stock(shop: Shop, plan) -> None:
    st.subheader("Stock")
    needs = {r.grade: r for r in edge_needs(plan, shop).itertuples()} if plan is not None else {}
    rows = []
    for grade in shop.grades.values():
        need = needs.get(grade.name)
        opened = shop.ready_edges.get(grade.id, 0)
        rows.append(
            {
                "Grade": grade.name,
                "Unopened inserts": grade.stock,
                "Positions each": grade.positions,
                "Fresh edges on opened inserts": opened,
                "Fresh edges in all": opened + grade.stock * grade.positions,
                "To index this week": need.needed if need else 0,
                "Order": f"{need.to_order} inserts" if need and need.to_order else "nothing",
                "Lead time": f"{grade.lead_days} days" if grade.lead_days is not None else "unknown",
            }
        )
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")


def _change(shop: Shop) -> None:
    st.subheader("Change an edge")
    left, right = st.columns(2)
    with left, st.container(border=True):
        if shop.edges:
            _index(shop)
        _fit(shop)
    with right, st.container(border=True):
        _receive(shop)


def _index(shop: Shop) -> None:
    edges = {(e.cutter_id, e.pocket): e for e in shop.edges}
    pocket = st.selectbox(
        "Edge",
        list(edges),
        format_func=lambda k: edge_name(shop, edges[k]),
        key="index pocket",
        persist_state="session",
    )
    edge = edges[pocket]
    reason = st.selectbox("Why", list(_REASONS), key="index reason", persist_state="session")
    insert = shop.inserts[edge.insert_id]
    targets = next_edges(shop, edge, access.repository().edge_work())
    if not targets:
        st.warning("No fresh edge of this grade is opened: open a new insert below.")
    else:
        to = st.selectbox(
            "To",
            targets,
            format_func=lambda t: (
                f"position {t[1]}" if t[0] == insert.id else f"{shop.inserts[t[0]].label} position {t[1]}"
            ),
            key=f"index to/{pocket}",
        )
        st.button("Index now", type="primary", on_click=_do_index, args=(edge, to, _REASONS[reason]))


def next_edges(shop: Shop, edge: EdgeInUse, work: dict) -> list[tuple[int, int]]:
    """Edges of the same grade that never cut and sit in no pocket, the same insert's positions first."""
    taken = {(e.insert_id, e.position) for e in shop.edges}
    gone = {
        (e.insert_id, e.position)
        for e in access.repository().edge_events()
        if e.kind in ("fitted", "indexed", "replaced") and e.position is not None
    }
    held = {e.insert_id for e in shop.edges if e.insert_id != edge.insert_id}
    found = []
    for insert in sorted(shop.inserts.values(), key=lambda i: (i.id != edge.insert_id, i.id)):
        if insert.grade_id != edge.grade_id or insert.scrapped or insert.id in held:
            continue
        for position in range(1, insert.positions + 1):
            key = (insert.id, position)
            if key not in taken and key not in gone and key not in work:
                found.append(key)
    return found


def _act(what: str, events: list[EdgeEvent], seen: dict | None = None) -> None:
    try:
        access.repository().add_edge_events(events, seen)
        st.session_state["inserts said"] = (True, what)
    except (InputError, StoreError) as trouble:
        st.session_state["inserts said"] = (False, f"Nothing was stored: {trouble}")


def _do_index(edge: EdgeInUse, to: tuple[int, int], reason: str) -> None:
    kind = "indexed" if to[0] == edge.insert_id else "replaced"
    event = EdgeEvent(
        kind,
        access.now(),
        access.who(),
        insert_id=to[0],
        position=to[1],
        cutter_id=edge.cutter_id,
        pocket=edge.pocket,
        payload={"reason": reason},
    )
    seen = {(edge.cutter_id, edge.pocket): (edge.insert_id, edge.position)}
    _act("Indexed. The next cut counts on the new edge; touch off again.", [event], seen)


def _fit(shop: Shop) -> None:
    full = {(e.cutter_id, e.pocket) for e in shop.edges}
    empty = [(c.id, p) for c in shop.cutters.values() for p in range(1, c.inserts + 1) if (c.id, p) not in full]
    inserts = [i for i in shop.inserts.values() if not i.scrapped and i.id not in {e.insert_id for e in shop.edges}]
    if not empty:
        return
    st.markdown("**Fit an empty pocket**")
    if not inserts:
        st.caption("No loose insert: open one on the right.")
        return
    pocket = st.selectbox(
        "Pocket", empty, format_func=lambda k: f"{shop.cutters[k[0]].name}, pocket {k[1]}", key="fit pocket"
    )
    insert = st.selectbox("Insert", inserts, format_func=lambda i: i.label, key="fit insert")
    position = st.number_input("Position", 1, insert.positions, 1, key="fit position")
    event = EdgeEvent(
        "fitted",
        access.now(),
        access.who(),
        insert_id=insert.id,
        position=int(position),
        cutter_id=pocket[0],
        pocket=pocket[1],
    )
    st.button("Fit it", on_click=_act, args=("Fitted.", [event], {pocket: None}))


def _receive(shop: Shop) -> None:
    grades: dict[int, InsertGrade] = dict(shop.grades)
    grade_id = st.selectbox("Grade", list(grades), format_func=lambda i: grades[i].name, key="receive grade")
    count = st.number_input("Inserts", 0, 1000, 1, key="receive count")
    with st.container(horizontal=True):
        received = EdgeEvent("received", access.now(), access.who(), grade_id=grade_id, count=int(count))
        st.button("Received", on_click=_act, args=(f"{count} received.", [received]), disabled=count < 1)
        counted = EdgeEvent("counted", access.now(), access.who(), grade_id=grade_id, count=int(count))
        st.button("Counted, that many unopened", on_click=_act, args=("Count stored.", [counted]))
    label = st.text_input("Label for a newly opened insert", key="open label", placeholder="such as C-14")
    st.button("Open an insert", on_click=_open, args=(grade_id, label), disabled=not label.strip())


def _open(grade_id: int, label: str) -> None:
    try:
        access.repository().open_insert(grade_id, label.strip(), access.now(), access.who())
        st.session_state["inserts said"] = (True, f"{label} opened.")
        st.session_state["open label"] = ""
    except (InputError, StoreError) as trouble:
        st.session_state["inserts said"] = (False, f"Nothing was stored: {trouble}")


def _history(shop: Shop) -> None:
    st.subheader("What happened lately")
    events = access.repository().edge_events()[-12:][::-1]
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
