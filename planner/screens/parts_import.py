"""Importing a spreadsheet: what columns it may have, what is wrong with it, and storing it once nothing is."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from planner import InputError
from planner.screens import access, words
from planner.shop import Shop
from planner.store import (
    IMPORTS,
    Format,
    ImportPreview,
    StoreError,
    commit,
    documented_columns,
    export_template,
    preview,
)
from planner.units import System, Units

_ROUND, _SEEN, _STORED = "parts import round", "parts import seen", "parts import stored"
_TITLES = {"parts": "the week's parts, each with its job"}


def draw_import() -> None:
    units = access.units()
    stored = st.session_state.pop(_STORED, None)
    if stored:
        st.success(stored)
    table = st.selectbox(
        "What the file holds",
        list(IMPORTS),
        format_func=lambda name: _TITLES.get(name, name.replace("_", " ")),
        key="parts import table",
        persist_state="session",
    )
    _columns(table, units)
    turn = st.session_state.setdefault(_ROUND, 0)
    upload = st.file_uploader(
        "CSV or XLSX file", type=["csv", "xlsx"], key=f"parts import file/{table}/{turn}", max_upload_size=60
    )
    if upload is None:
        st.caption("Nothing is stored until the whole file is right and you press Store.")
        return
    said = _asked(f"{upload.file_id}/{table}")
    found = _preview(upload, table, said)
    if found.ask_units or said is not None:
        st.segmented_control(
            "The file does not say whether its figures are inch or metric. They are:",
            [s.value for s in System],
            key=f"parts import units/{upload.file_id}/{table}",
        )
    if found.ask_units:
        return
    _report(found)
    if found.ok:
        _contents(found, access.shop(), units)
        if st.button(f"Store {_count(found)}", type="primary"):
            _store(found)


def _asked(file: str) -> System | None:
    said = st.session_state.get(f"parts import units/{file}")
    return System(said) if said else None


def _preview(upload, table: str, said: System | None) -> ImportPreview:
    """Read once a file, not once a rerun; read again when the shop it is checked against changed."""
    mark = (upload.file_id, table, said, access.kind(), access.repository().shop_version())
    seen = st.session_state.get(_SEEN)
    if seen is None or seen[0] != mark:
        with st.spinner("Reading the file …"):
            found = preview(upload.getvalue(), upload.name, table, access.shop(), said, now=access.now())
        seen = st.session_state[_SEEN] = (mark, found)
    return seen[1]


def _columns(table: str, units: Units) -> None:
    with st.expander("Columns the file may have"):
        st.caption(
            "Headings in the first row, in any order. A heading may carry its unit, as below; other columns are left "
            "unread. Inch or metric can also be stated in a column named units, or you are asked."
        )
        frame = pd.DataFrame(documented_columns(IMPORTS[table], units.system))
        frame.columns = ["Heading", "Needed", "What it is", "Accepted"]
        # left to itself the last column, which names what is accepted, is cut off
        widths = {"Heading": 170, "Needed": 70, "What it is": 300, "Accepted": 620}
        wide = {name: st.column_config.Column(width=px) for name, px in widths.items()}
        height = min(420, 38 + 35 * len(frame))
        st.dataframe(frame, hide_index=True, width="stretch", height=height, column_config=wide)
    with st.container(horizontal=True):
        for kind in (Format.CSV, Format.XLSX):
            st.download_button(
                f"Empty {kind.value.upper()} with these headings",
                data=lambda kind=kind: export_template(table, units.system, kind),
                file_name=f"{table}.{kind.value}",
                key=f"parts template/{table}/{kind.value}",
                on_click="ignore",
            )


def _report(found: ImportPreview) -> None:
    if found.ignored:
        st.caption("Columns not read: " + ", ".join(found.ignored))
    if found.left:
        st.caption("Sheets not read: " + ", ".join(found.left) + ". Only the first sheet that is shown is read.")
    if not found.problems:
        if not found.ok:
            st.error("The file has no row to store.")
        return
    count = len(found.problems)
    st.error(
        f"Nothing is stored: {count} thing{'s' if count > 1 else ''} to put right in {found.filename}, "
        "then choose the file again."
    )
    rows = [
        {
            "Row": str(p.row) if p.row else "the file",
            "Column": p.column,
            "Value": p.value or "empty",
            "Accepted": p.accepted,
        }
        for p in found.problems
    ]
    # tall rows wrap: what is accepted may name every family
    tall = 72 if any(len(p.accepted) > 90 for p in found.problems) else 35
    st.dataframe(
        pd.DataFrame(rows),
        hide_index=True,
        width="stretch",
        height=min(600, 38 + tall * count),
        row_height=tall,
        column_config={
            "Row": st.column_config.TextColumn(width=70),
            "Column": st.column_config.TextColumn(width=150),
            "Value": st.column_config.TextColumn(width=180),
        },
    )


def _count(found: ImportPreview) -> str:
    number, word = (len(found.parts), "part") if found.parts else (len(found.nouns), "record")
    said = f"{number} {word}{'' if number == 1 else 's'}"
    if found.sets:
        said += f" and {len(found.sets)} matched set{'' if len(found.sets) == 1 else 's'}"
    return said


def _contents(found: ImportPreview, shop: Shop, units: Units) -> None:
    st.success(f"{found.filename} is right: {_count(found)}. Nothing is stored yet.")
    in_set = {i: s.name for s in found.sets for i in s.members}
    if found.parts:
        rows = [
            {
                "Tag": new.part.tag,
                "Family": shop.family_of(new.part).name,
                "Face": shop.family_of(new.part).face(new.job.face_id).name,
                "Position": new.part.position,
                "Work order": new.part.work_order,
                "Serial": new.part.engine_serial,
                "Condition": new.part.condition.value,
                "Cut": words.aim_words(new.job, units),
                "Due": words.when(new.job.due),
                "Height": ", ".join(f"{h.point} {units.height(h.height_mm)}" for h in new.part.heights),
                "Waits for": "; ".join(new.part.waits_for),
                "Set": in_set.get(i, ""),
            }
            for i, new in enumerate(found.parts)
        ]
    else:
        rows = [{"Name": getattr(n, "name", "") or getattr(n, "material", "")} for n in found.nouns]
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch", height=min(480, 38 + 35 * len(rows)))


def _store(found: ImportPreview) -> None:
    bar = st.progress(0.0, text="Storing …")

    def tell(done: int, total: int) -> None:
        bar.progress(min(1.0, done / max(1, total)), text=f"Storing … {done} of {total}")

    try:
        commit(access.repository(), found, by=access.who(), at=access.now(), progress=tell)
    except (InputError, StoreError) as trouble:
        bar.empty()
        st.session_state.pop(_SEEN, None)
        st.error(f"Nothing was stored. {trouble}")
        return
    st.session_state[_ROUND] += 1
    st.session_state.pop(_SEEN, None)
    st.session_state[_STORED] = f"Stored {_count(found)} from {found.filename}."
    st.rerun()
