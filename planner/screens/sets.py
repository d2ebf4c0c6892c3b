"""Matched sets: a list of all and one at a time; loose parts and how to pair them; making a set."""

from __future__ import annotations

import pyarrow as pa
import streamlit as st

from planner.screens import access, engine, hand_over, sets_change, sets_make, sets_one, sets_pool, words
from planner.screens.said import say
from planner.screens.tables import rows_table
from planner.shop import Shop
from planner.units import Units
from planner.week.queue import Queue
from planner.week.set_view import SetView

_SETS, _POOL, _NEW = "Sets", "Loose parts", "New set"


def draw() -> None:
    st.title("Matched sets")
    shop, units, queue = access.shop(), access.units(), access.queue()
    say(far=True)
    shown = st.segmented_control(
        "Show", [_SETS, _POOL, _NEW], default=_SETS, key="sets shown", required=True, persist_state="session"
    )
    if shown == _POOL:
        sets_pool.draw(shop, units)
    elif shown == _NEW:
        sets_make.draw(shop, units)
    else:
        _sets(shop, queue, units)


def _sets(shop: Shop, queue: Queue, units: Units) -> None:
    if not queue.sets:
        st.info("No matched set is open. Make one of the jobs of one engine under “New set”.")
        hand_over.draw_finished(shop, units)
        return
    st.dataframe(_list(shop, queue, units), hide_index=True, width="stretch")
    ids = list(queue.sets)
    if st.session_state.get("set") not in ids:
        st.session_state["set"] = ids[0]
    chosen = st.selectbox(
        "Set", ids, key="set", format_func=lambda i: queue.sets[i].matched.name, persist_state="session"
    )
    view = queue.sets[chosen]
    sets_one.draw(shop, queue, view, units)
    sets_change.draw(shop, view, units)
    engine.draw(shop, queue, view, units)
    hand_over.draw_finished(shop, units)


def _list(shop: Shop, queue: Queue, units: Units) -> pa.Table:
    rows = []
    for view in queue.sets.values():
        members = ", ".join(words.job_name(shop, j) for j in view.order)
        rows.append(
            {
                "Set": view.matched.name,
                "State": state_words(view),
                "Members, in cutting order": members,
                "Within": units.depth(view.matched.tolerance_mm),
                "Apart now": sets_one.difference(shop, view, view.heights_mm, units),
                "Apart after": sets_one.difference(shop, view, view.finals_mm, units),
            }
        )
    return rows_table(rows)


def state_words(view: SetView) -> str:
    """How a set stands, in a few words."""
    if view.plan is None:
        return "no plan yet"
    if not view.feasible:
        return "does not fit"
    if view.matched.accepted_mismatch_mm is not None and view.plan.cuts.mismatch_mm > view.matched.tolerance_mm:
        return f"mismatch agreed by {view.matched.accepted_by}"
    return "fits"
