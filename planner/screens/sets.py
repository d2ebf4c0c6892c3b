"""Matched sets: heights before and after against the limit, what each member must lose, which to cut first."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from planner.screens import access, charts, words
from planner.screens.picture import specification
from planner.shop import JobState, Shop
from planner.units import Units
from planner.week.queue import Queue, SetView


def draw() -> None:
    st.title("Matched sets")
    shop, units, queue = access.shop(), access.units(), access.queue()
    if not queue.sets:
        st.info("No matched set is open. Make one on the page of a part: members are the parts of one engine.")
        return
    st.dataframe(_list(shop, queue, units), hide_index=True, width="stretch")
    ids = list(queue.sets)
    if st.session_state.get("set") not in ids:
        st.session_state["set"] = ids[0]
    chosen = st.selectbox(
        "Set", ids, key="set", format_func=lambda i: queue.sets[i].matched.name, persist_state="session"
    )
    _one(shop, queue, queue.sets[chosen], units)


def _list(shop: Shop, queue: Queue, units: Units) -> pd.DataFrame:
    rows = []
    for view in queue.sets.values():
        members = ", ".join(words.job_name(shop, j) for j in view.order)
        rows.append(
            {
                "Set": view.matched.name,
                "Members, in cutting order": members,
                "Tolerance": units.depth(view.matched.tolerance_mm),
                "Difference now": _difference(view.heights_mm, units),
                "Difference after": _difference(view.finals_mm, units),
                "State": "fits"
                if view.feasible
                else ("cannot be planned yet" if view.plan is None else "does not fit"),
            }
        )
    return pd.DataFrame(rows)


def _difference(heights: dict, units: Units) -> str:
    known = [h for h in heights.values() if h is not None]
    return units.depth(max(known) - min(known)) if len(known) > 1 else "unknown"


def _one(shop: Shop, queue: Queue, view: SetView, units: Units) -> None:
    if view.plan is None:
        st.warning("This set cannot be planned yet. " + " ".join(view.problems))
    elif view.problems:
        for problem in view.problems:
            st.error(problem[0].upper() + problem[1:] + ".")
        st.write("What would help: cut the first again, accept a stated mismatch, a thicker gasket, another partner.")
    else:
        first = words.job_name(shop, view.order[0])
        state = shop.jobs[view.order[0]].state
        if state in (JobState.CUT, JobState.FINISHED):
            st.success(f"{first} is cut. Its measured heights set the window for the others.")
        else:
            st.success(f"Cut {first} first: it will probably end lowest, and so sets the height for the others.")
    if view.plan is not None:
        st.vega_lite_chart(
            spec=_picture(shop, view, units), width="stretch", alt="Heights of the set's members and their limits"
        )
    st.dataframe(_members(shop, queue, view, units), hide_index=True, width="stretch")
    window = view.plan.cuts.window_mm if view.plan is not None else None
    matched = view.matched
    said = f"Final heights are planned within {units.depth(matched.tolerance_mm)}"
    if window is not None:
        said += f", less a guard for the doubt of the readings: within {units.depth(window)}"
    if matched.relative_to_nominal:
        said += "; heights are compared less each family's new height"
    st.caption(
        said + ". Heights are means over the measuring points; each member must also stay above its limit at its "
        "lowest point. Equal cuts do not make equal heights."
    )


def _picture(shop: Shop, view: SetView, units: Units) -> dict:
    rows = []
    factor = units.length_factor
    for job_id in view.order:
        part = words.job_name(shop, job_id)
        for kind, values in (("now", view.heights_mm), ("after", view.finals_mm), ("limit", view.least_mm)):
            if values.get(job_id) is not None:
                rows.append((part, kind, values[job_id] / factor))
    band = None
    if not view.matched.relative_to_nominal and view.finals_mm:
        low = min(view.finals_mm.values())
        band = (low / factor, (low + view.plan.cuts.window_mm) / factor)
    return _heights(tuple(rows), band, units.length_unit)


@st.cache_data(max_entries=32, show_spinner=False)
def _heights(rows: tuple, band: tuple[float, float] | None, unit: str) -> dict:
    chart = charts.set_heights(pd.DataFrame(rows, columns=["part", "kind", "value"]), unit)
    return specification(chart if band is None else charts.window(*band) + chart)


def _members(shop: Shop, queue: Queue, view: SetView, units: Units) -> pd.DataFrame:
    rows = []
    for place, job_id in enumerate(view.order, start=1):
        job, estimate = shop.jobs[job_id], queue.estimates.get(job_id)
        part, face = shop.part_of(job), shop.face_of(job)
        readings = [r.height_mm for r in part.latest_heights_mm(face.id).values()]
        own = estimate.cleanup_likely_mm if estimate else None
        cut = view.cuts_mm.get(job_id)
        lowest = min(readings) - (cut or 0.0) if readings else None
        least = view.least_mm.get(job_id)
        left = None if lowest is None or least is None else lowest - least
        rows.append(
            {
                "Order": place,
                "Member": words.job_name(shop, job_id),
                "Position": part.position,
                "State": job.state.value,
                "Height now": units.height(view.heights_mm.get(job_id)),
                "Spread of points": units.depth(max(readings) - min(readings)) if readings else "unknown",
                "Own clean-up": units.depth(own) if own is not None else "done",
                "Cut for the set": units.depth(cut),
                "Height after": units.height(view.finals_mm.get(job_id)),
                "Limit": units.height(least) if least is not None else "no limit known, ask",
                "Left at the lowest point": "unknown" if left is None else units.depth(left, down=True),
            }
        )
    return pd.DataFrame(rows)
