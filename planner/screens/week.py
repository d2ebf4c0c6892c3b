"""The week: what is ready, what waits for whom, what to cut first and on which edge, the board, the queue."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from planner.screens import (
    access,
    plans,
    week_accept,
    week_board,
    week_certainty,
    week_job,
    week_live,
    week_load,
    week_morning,
    week_whatif,
    words,
)
from planner.screens.picture import Picture, picture
from planner.shop import Shop
from planner.units import Units
from planner.week.partners import partner_news
from planner.week.queue import Queue


def draw() -> None:
    st.title("Week")
    shop, units = access.shop(), access.units()
    if not shop.machines or not shop.jobs:
        _first_steps(shop)
        week_live.watch([])
        return
    queue, now = access.queue(), access.now()
    view = plans.look()
    seen = picture(view.plan)
    waiting = [view.searching] if view.searching is not None else []
    week_accept.head(view, shop)
    for line in partner_news(view.accepted.payload if view.accepted else None, shop, queue, units):
        st.info(line)
    going_on = st.container()
    waiting += week_morning.overload(view, shop)
    week_morning.draw(view, shop, queue, units)
    week_board.draw(view, shop, seen, now)
    sure = week_certainty.ask(view, shop, queue)
    waiting += [sure] if sure is not None and not sure.over else []
    waiting += week_job.draw(view, shop, queue, units, sure)
    week_certainty.draw(view, shop, sure)
    week_load.draw(shop, now, units, seen)
    _queue(shop, queue, units, seen)
    week_whatif.draw(view, shop, queue)
    week_accept.versions(view, shop)
    week_accept.take_away(view, shop, now)
    with going_on:
        week_live.watch(waiting)


def _first_steps(shop: Shop) -> None:
    st.info("Nothing to plan yet.")
    missing = [
        (not shop.machines, "a machine, with its speeds and hours"),
        (not shop.people, "the people who run it, with their shifts"),
        (not shop.grades, "the insert grades you buy"),
        (not shop.cutters, "the cutters, with the rpm marked on them"),
        (not shop.recipes, "a recipe for each material"),
        (not shop.jobs, "parts: by form, as a quick job, or from a spreadsheet (page Parts)"),
    ]
    wanted = [what for gone, what in missing if gone]
    if len(wanted) == 1:
        st.markdown(f"Enter {wanted[0]}.")
    else:
        st.markdown("Enter, in this order:\n" + "\n".join(f"1. {what}" for what in wanted))
    st.page_link(st.session_state["pages"]["shop"], label="Go to Shop")
    st.page_link(st.session_state["pages"]["parts"], label="Go to Parts")


def _queue(shop: Shop, queue: Queue, units: Units, seen: Picture) -> None:
    st.subheader("Queue")
    plan = seen.plan
    ready = {int(j): plan.start + pd.Timedelta(minutes=float(m)) for j, m in plan.jobs["ready_min"].items()}
    table = seen.once("queue", lambda: words.queue_table(shop, queue, units, ready, week_morning.waiting(shop, plan)))
    st.dataframe(
        table,
        hide_index=True,
        width="stretch",
        height=min(560, 38 + 35 * len(table)),
        on_select=week_job.picked_in_queue,
        selection_mode="single-row",
        key="queue table",
        placeholder="not placed",
        column_config={
            "Due": st.column_config.DatetimeColumn(format="ddd DD MMM HH:mm"),
            "Ready": st.column_config.DatetimeColumn(format="ddd DD MMM HH:mm", help="in the plan shown above"),
            # wide enough that on a tablet no piece of the next column shows
            "Left after": st.column_config.TextColumn(width=157, help=words.LEFT_HELP),
            "Cut": st.column_config.TextColumn(width=195),
            "Condition": st.column_config.TextColumn(width=115),
            "Waits for": st.column_config.TextColumn(width=470 if table["Waits for"].any() else 90),
            "Look at": st.column_config.TextColumn(width="large"),
        },
    )
    st.session_state[week_job.QUEUED] = tuple(table.index)
    st.caption(
        "Pick a row: its estimate, why it stands where it stands and what moving it costs are shown under the board."
    )
