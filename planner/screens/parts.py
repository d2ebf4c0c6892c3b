"""Parts: the table of what is in the shop, taking parts in, importing them, and the page of one part."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import pandas as pd
import pyarrow as pa
import streamlit as st

from planner.screens import access, words
from planner.screens.kept import kept
from planner.screens.parts_import import draw_import
from planner.screens.parts_intake import draw_intake, draw_quick
from planner.screens.parts_page import draw_page
from planner.screens.tables import sent
from planner.shop import Part, PartState, Shop
from planner.units import Units, as_read, counted
from planner.week.queue import Queue

_SECTION, _LAST = "parts section", "parts last"
_TABLE, _INTAKE, _QUICK, _IMPORT, _PAGE = "Table", "Take in a part", "Quick job", "Import a file", "One part"
_LIVE = (PartState.IN_SHOP, PartState.EXPECTED, PartState.SHELF)
_WAITING = ("ready to cut", "waits", "no open job")


def draw() -> None:
    st.title("Parts")
    _follow()
    section = st.segmented_control(
        "Section",
        (_TABLE, _INTAKE, _QUICK, _IMPORT, _PAGE),
        required=True,
        key=_SECTION,
        label_visibility="collapsed",
        on_change=_leave,
        persist_state="session",
    )
    if section == _INTAKE:
        draw_intake()
    elif section == _QUICK:
        draw_quick()
    elif section == _IMPORT:
        draw_import()
    elif section == _PAGE:
        _page()
    else:
        _table()


def _follow() -> None:
    """A part chosen anywhere (the find box, a table, another screen) is shown."""
    if st.session_state.get("part") is not None:
        st.session_state[_LAST] = (access.kind(), st.session_state["part"])
        st.session_state[_SECTION] = _PAGE
    elif st.session_state.get(_SECTION) is None:
        st.session_state[_SECTION] = _TABLE


def _leave() -> None:
    """Another section was chosen: the part shown so far is only remembered, so that choosing it anew opens it."""
    st.session_state["part"] = None


def _page() -> None:
    kind, part_id = st.session_state.get(_LAST, (None, None))
    if kind is not access.kind() or part_id is None:
        st.info("No part is chosen. Pick a row of the table, or use the find box above.")
        return
    draw_page(part_id)


@dataclass(frozen=True)
class View:
    """The table as it is filtered: rows shown, part ids in their order, how many are ready and how many wait; and what
    there is to filter by."""

    shown: pa.Table
    ids: tuple[int, ...]
    ready: int
    waiting: int
    families: tuple[str, ...]
    conditions: tuple[str, ...]


# shared by every session as long as the shop stands still: shown, never changed
@kept(8)
def _kept_table(which, version, records: int, units: Units) -> pd.DataFrame:
    return parts_table(access.shop(), access.queue(), units)


@kept(32)
def _kept_view(which, version, records: int, units: Units, wanted: tuple[tuple[str, tuple[str, ...]], ...]) -> View:
    table = _kept_table(which, version, records, units)
    families, conditions = (tuple(sorted(set(table[name]))) for name in ("Family", "Condition"))
    for column, chosen in wanted:
        if chosen:
            table = table[table[column].isin(chosen)]
    ready, waiting = (int((table["Now"] == stands).sum()) for stands in _WAITING[:2])
    ids = tuple(int(i) for i in table.index)
    return View(sent(table.drop(columns="Now")), ids, ready, waiting, families, conditions)


# -- the table ---------------------------------------------------------------------------------------------------------
def parts_table(shop: Shop, queue: Queue, units: Units) -> pd.DataFrame:
    """One row a part, indexed by part id: those with the nearest due time first."""
    jobs: dict[int, list] = {}
    for job in shop.open_jobs():
        jobs.setdefault(job.part_id, []).append(job)
    rows = []
    for part in shop.parts.values():
        family = shop.family_of(part)
        mine = sorted(jobs.get(part.id, ()), key=lambda j: j.due or datetime.max)
        waits = part.waits_for
        left = [words.left_words(queue.estimates[j.id], units) for j in mine if j.id in queue.estimates]
        rows.append(
            {
                "part": part.id,
                "Tag": part.tag,
                "Family": "quick job" if family.one_off else family.name,
                "Position": part.position,
                "Work order": part.work_order,
                "Serial": part.engine_serial,
                "Condition": part.condition.value,
                "State": part.state.value,
                "Waits for": as_read("; ".join(waits), units),
                "Due": mine[0].due if mine else None,
                "Left after": "; ".join(dict.fromkeys(left)),
                "Now": _standing(part, bool(mine)),
            }
        )
    # what is asked first stands left, in sight on a tablet without scrolling
    columns = ["part", "Tag", "Family", "Position", "Due", "Waits for", "Left after"]
    columns += ["Condition", "State", "Now", "Work order", "Serial"]
    frame = pd.DataFrame(rows, columns=columns)
    frame["Due"] = pd.to_datetime(frame["Due"])
    return frame.sort_values(["Due", "Tag"], na_position="last").set_index("part")


def _standing(part: Part, has_job: bool) -> str:
    if not has_job:
        return _WAITING[2]
    return _WAITING[1] if part.waits_for else _WAITING[0]


_FILTERS = {
    "Family": ("Family", "parts filter family", "all"),
    "Now": ("Ready or not", "parts filter now", "all"),
    "Condition": ("Condition", "parts filter condition", "all"),
    "State": ("State", "parts filter state", "in the shop, expected, on the shelf"),
}
"""Column of the table -> label, key and what stands there while nothing is chosen."""


def _table() -> None:
    stands = (access.kind(), *access.versions(), access.units())
    chosen = {column: tuple(st.session_state.get(key) or ()) for column, (_, key, _) in _FILTERS.items()}
    wanted = chosen | {"State": chosen["State"] or tuple(s.value for s in _LIVE)}
    view = _kept_view(*stands, tuple(wanted.items()))
    if not view.families:
        st.info("No part is in the shop. Take one in, or import the week's parts from a file.")
        return
    options = {
        "Family": view.families,
        "Now": _WAITING,
        "Condition": view.conditions,
        "State": tuple(s.value for s in PartState),
    }
    for cell, (column, (label, key, placeholder)) in zip(st.columns(4), _FILTERS.items(), strict=True):
        cell.multiselect(label, options[column], key=key, placeholder=placeholder, persist_state="session")
    st.caption(
        f"{counted(len(view.ids), 'part')}: {view.ready} ready to cut, {view.waiting} waiting. Pick a row to open "
        "the part's page."
    )
    st.dataframe(
        view.shown,
        hide_index=True,
        width="stretch",
        height=min(720, 38 + 35 * max(1, len(view.ids))),
        on_select=lambda: _pick(view.ids),
        selection_mode="single-row",
        key="parts table",
        column_config={
            "Due": st.column_config.DatetimeColumn(format="ddd DD MMM HH:mm"),
            "Condition": st.column_config.TextColumn(width=115),
            "Waits for": st.column_config.TextColumn(width=280),
            "Left after": st.column_config.TextColumn(width=140, help=words.LEFT_HELP),
        },
    )


def _pick(ids: tuple[int, ...]) -> None:
    rows = st.session_state["parts table"]["selection"]["rows"]
    if rows and rows[0] < len(ids):
        st.session_state["part"] = ids[rows[0]]
