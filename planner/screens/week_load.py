"""Hours booked against hours there, and what the edges will have cut."""

from __future__ import annotations

from datetime import datetime, timedelta

import pandas as pd
import streamlit as st

from planner.screens.inserts_view import advice_along
from planner.screens.picture import Picture, empty_chart
from planner.shop import Shop
from planner.units import Units
from planner.week.board import hours, week_end


def draw(shop: Shop, now: datetime, units: Units, seen: Picture) -> None:
    # one below the other: side by side a tablet would cut the table off
    _load(shop, now, seen)
    _edges(shop, units, seen)


def _load(shop: Shop, now: datetime, seen: Picture) -> None:
    st.subheader("Hours this week")
    plan, end = seen.plan, week_end(now)
    frame = seen.once("hours", lambda: hours(plan, shop, now, end), now)
    if frame["available"].sum() == 0:
        frame = seen.once("next hours", lambda: hours(plan, shop, now, end + timedelta(days=7)), now)
        st.caption("This week is over: next week's hours.")
    spec = empty_chart("hours") | {"height": 38 * max(1, len(frame)) + 60, "datasets": {"rows": frame}}
    st.vega_lite_chart(spec=spec, width="stretch", alt="Hours booked against hours available")
    st.caption("Dark: booked by this plan. Pale: the hours there are.")
    for row in frame.itertuples():
        if row.booked > row.available + 0.05:
            st.error(f"{row.who} is booked {row.booked:.1f} h and has {row.available:.1f} h.")


def _edges(shop: Shop, units: Units, seen: Picture) -> None:
    st.subheader("Edges this week")
    for one in advice_along(seen.plan):
        if one.first is not None:
            head, _, why = one.words.partition(": ")
            where = f"{shop.machines[one.machine_id].name}, {shop.cutters[one.cutter_id].name}"
            st.markdown(f"- {where}: **{head}**. {why[:1].upper()}{why[1:]}.")
    course, unfitted = seen.course(), seen.unfitted()
    if len(course):
        table = pd.DataFrame(
            {
                "Machine": course["machine"],
                "Edge": [
                    f"{g}, "
                    + (f"fresh no. {e}" if e else "to be fitted" if (c, g) in unfitted else "in the cutter now")
                    for c, g, e in zip(course["cutter"], course["grade"], course["edge"], strict=True)
                ],
                "Material": [m.replace("_", " ") for m in course["material"]],
                "Jobs": course["jobs"],
                f"Swept ({units.swept_unit})": [units.swept(a, unit=False) for a in course["swept_mm2"]],
                "Spent after": [f"{u:.0%}" for u in course["use_after"]],
                "Index before": [f"{u:.0%}" for u in course["limit"]],
            }
        )
        st.dataframe(table, hide_index=True, width="stretch")
        st.caption(
            "Shares of an edge's life. Index before: that edge's planning limit; single jobs may want it sooner."
        )
    needs = seen.needs()
    short = needs[needs["short"] > 0]
    for row in short.itertuples():
        st.error(
            f"{row.grade}: {_edges_wanted(row)}, {row.at_hand} at hand. Order {row.to_order} "
            f"insert{'' if row.to_order == 1 else 's'}, or enter on the page Inserts what lies in the drawer."
        )
    if short.empty:
        parts = [f"{r.grade}: {_edges_wanted(r)}, {r.at_hand} at hand" for r in needs.itertuples()]
        st.caption("Edges needed this week against stock: " + "; ".join(parts))


def _edges_wanted(row) -> str:
    to_index = f"{row.needed - row.to_fit} to index"
    return f"{row.to_fit} to fit, {to_index}" if row.to_fit else to_index
