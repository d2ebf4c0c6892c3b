"""The drawer: fresh edges, how long they last, what to order; received, counted, opened, reground, scrapped."""

from __future__ import annotations

from datetime import datetime, timedelta

import pandas as pd
import streamlit as st

from planner import InputError
from planner.edge import (
    BackFromRegrind,
    Counted,
    InsertPlace,
    Ledger,
    OrderSuggestion,
    Received,
    Scrapped,
    SentForRegrind,
)
from planner.screens import access
from planner.screens.inserts_changes import moment, store
from planner.screens.inserts_view import EdgeView, view
from planner.screens.said import act
from planner.shop import Shop

_DEEDS = ("Received", "Counted", "Open an insert", "Regrind or scrap")


def draw() -> None:
    shop, ledger = access.shop(), access.ledger()
    st.dataframe(_stock(shop, view(), access.now()), hide_index=True, width="stretch")
    st.caption(
        "Edges a week: what this plan's next seven days and the last half year take, indexed at the planning limit, chips "
        "included. An order leaves at most one chance in twenty of an empty drawer before it arrives."
    )
    with st.container(border=True):
        deed = st.segmented_control(
            "What happened", _DEEDS, default=_DEEDS[0], required=True, key="drawer/deed", persist_state="session"
        )
        _DO[deed or _DEEDS[0]](shop, ledger)


def _stock(shop: Shop, seen: EdgeView, now: datetime) -> pd.DataFrame:
    rows = []
    for grade_id, drawer in seen.drawers.items():
        grade, order = shop.grades[grade_id], drawer.order
        rows.append(
            {
                "Grade": grade.name,
                "Fresh edges": f"{drawer.at_hand} ({grade.stock} unopened)",
                "Order": order_words(order, now),
                "Lead time": f"{grade.lead_days} days" if drawer.lead_known else "unknown, 14 days taken",
                "Empty, this week's load": _day(drawer.empty.at_this_week, now),
                "Empty, average": _day(drawer.empty.at_average, now),
                "Edges a week": f"{_rate(drawer.this_week)} now, {_rate(drawer.average_week)} average",
            }
        )
    return pd.DataFrame(rows)


def order_words(order: OrderSuggestion, now: datetime) -> str:
    """How many inserts to order, and when."""
    if not order.inserts:
        return "none used so far"
    if not _in_sight(order.order_day):
        return "nothing in sight"
    return f"{order.inserts} now" if order.order_day < 1 else f"{order.inserts} by {_day(order.order_day, now)}"


def _rate(edges: float) -> str:
    return "under 0.1" if 0 < edges < 0.05 else f"{edges:.1f}"


def _day(value: float, now: datetime) -> str:
    return f"{now + timedelta(days=value):%d %b %Y}" if _in_sight(value) else "not in sight"


def _in_sight(day: float) -> bool:
    return day <= 1000


def _received(shop: Shop, ledger: Ledger) -> None:
    one, two, three, four = st.columns([3, 1, 2, 1], vertical_alignment="bottom")
    grade = one.selectbox("Grade", list(ledger.positions), key="drawer grade", persist_state="session")
    count = int(two.number_input("Inserts", 1, 1000, 1, key="drawer count"))
    each = three.number_input(f"Price each ({shop.settings.currency})", 0.0, 100_000.0, None, key="drawer price")
    event = Received(grade=grade, inserts=count, price_each=each, **moment())
    four.button("Received", type="primary", on_click=act, args=(store, event, len(ledger.log), f"{count} received."))


def _counted(shop: Shop, ledger: Ledger) -> None:
    one, two, three = st.columns([3, 1, 1], vertical_alignment="bottom")
    grade = one.selectbox("Grade", list(ledger.positions), key="drawer grade", persist_state="session")
    count = int(two.number_input("Unopened inserts", 0, 1000, ledger.drawer[grade], key=f"counted/{grade}"))
    event = Counted(grade=grade, inserts=count, **moment())
    three.button("Counted", type="primary", on_click=act, args=(store, event, len(ledger.log), "Count stored."))


def _open_one(shop: Shop, ledger: Ledger) -> None:
    one, two, three = st.columns([2, 2, 1], vertical_alignment="bottom")
    grade = one.selectbox("Grade", list(ledger.positions), key="drawer grade", persist_state="session")
    label = two.text_input("Label to know it by", key="open label", placeholder="such as C-14")
    three.button("Open an insert", type="primary", on_click=act, args=(_open, grade, label))


def _open(grade: str, label: str) -> str:
    grade_id = next(i for i, g in access.shop().grades.items() if g.name == grade)
    if not label.strip():
        raise InputError("label", label, "a label to know the insert by")
    access.repository().open_insert(grade_id, label.strip(), access.now(), access.who())
    st.session_state["open label"] = ""
    return f"{label} opened: fit it under “Change an edge”."


def _loose(shop: Shop, ledger: Ledger) -> None:
    inside = [i for i in ledger.inserts.values() if i.place is InsertPlace.DRAWER]
    away = [i.label for i in ledger.inserts.values() if i.place is InsertPlace.REGRIND]
    if not inside and not away:
        st.caption("No opened insert lies in the drawer, none is out for regrind.")
    if inside:
        one, two, three = st.columns([3, 1, 1], vertical_alignment="bottom")
        picked = one.selectbox("Insert in the drawer", [i.label for i in inside], key="loose")
        sent, gone = SentForRegrind(insert=picked, **moment()), Scrapped(insert=picked, **moment())
        seen = len(ledger.log)
        two.button("Send for regrind", on_click=act, args=(store, sent, seen, f"{picked} sent."), width="stretch")
        three.button("Scrap", on_click=act, args=(store, gone, seen, f"{picked} scrapped."), width="stretch")
    if away:
        # wide enough for the last one's words on a tablet
        one, two, three, four = st.columns([4, 2, 4, 3], vertical_alignment="bottom")
        picked = one.selectbox("Out for regrind", away, key="away")
        usual = next((g.regrind_price for g in shop.grades.values() if g.name == ledger.inserts[picked].grade), None)
        cost = two.number_input(
            f"Cost ({shop.settings.currency})", 0.0, 10_000.0, usual or 0.0, key=f"regrind/{picked}"
        )
        count = len(ledger.inserts[picked].edges)
        positions = three.multiselect(
            "Positions that cut again", range(1, count + 1), list(range(1, count + 1)), key=f"ground/{picked}"
        )
        back = BackFromRegrind(insert=picked, cost=float(cost), positions=tuple(positions), **moment())
        four.button(
            "Back from regrind",
            on_click=act,
            args=(store, back, len(ledger.log), f"{picked} is back."),
            width="stretch",
        )


_DO = dict(zip(_DEEDS, (_received, _counted, _open_one, _loose), strict=True))
