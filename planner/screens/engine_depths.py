"""Dimensions that change with the cut: what each is at the planned depth, which pass their limit, at what depth the
first one does; measuring them on a part, and a family's own list."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import pandas as pd
import pyarrow as pa
import streamlit as st

from planner import InputError
from planner.cut.estimate import JobEstimate
from planner.match import DepthTable, PartLine, Standing, depth_kinds, depth_table, part_lines
from planner.screens import access, words
from planner.screens.forms import Field, Form
from planner.screens.kept import kept
from planner.screens.said import act
from planner.screens.tables import rows_table
from planner.shop import Cut, DepthLine, DepthReading, Face, Family, Job, Part, Shop
from planner.units import System, Units
from planner.week.queue import Queue


def table_of(
    shop: Shop, part: Part, face: Face, cut_mm: float, cuts: Sequence[Cut] = ()
) -> tuple[DepthTable, tuple[PartLine, ...]]:
    """The lines of a part's face after a further cut, and where their present values come from."""
    lines = part_lines(part, face, cuts, shop.removed_mm.get((part.id, face.id), 0.0))
    return depth_table(lines, cut_mm, 1e-4), lines


@kept(256)
def _cuts(which: Any, version: int, records: int, part_id: int) -> tuple[Cut, ...]:
    return access.repository().cuts_of(part_id)


def cuts_of(part: Part) -> tuple[Cut, ...]:
    """Recorded cuts of a part, read once a version of the record."""
    return _cuts(access.kind(), *access.versions(), part.id)


def draw_job(shop: Shop, job: Job, estimate: JobEstimate, units: Units) -> None:
    """The lines of one job's face at its planned depth; nothing where the face has none."""
    if not shop.face_of(job).depths:
        return
    stands = access.kind(), *access.versions(), job.id, estimate.stop_likely_mm, units.system
    past, told, rows = _job_lines(*stands, shop, job, units)
    st.markdown("**Dimensions that change with the cut**")
    (st.warning if past else st.caption)(told)
    st.dataframe(rows, hide_index=True, width="stretch")


@kept(32)
def _job_lines(
    which: Any,
    version: Any,
    records: int,
    job_id: int,
    cut_mm: float,
    system: System,
    _shop: Shop,
    _job: Job,
    _units: Units,
) -> tuple[bool, str, pa.Table]:
    """Whether a line is past its limit then, the verdict, and the table."""
    part = _shop.part_of(_job)
    table, lines = table_of(_shop, part, _shop.face_of(_job), cut_mm, cuts_of(part))
    return bool(table.past), verdict(table, _units), rows_table(rows_of(table, lines, _units))


def draw_set(shop: Shop, queue: Queue, jobs: Sequence[Job], units: Units) -> None:
    """The lines of every member of a set that has some."""
    rows: list[dict] = []
    told = []
    for job in jobs:
        part, face = shop.part_of(job), shop.face_of(job)
        if not face.depths:
            continue
        estimate = queue.estimates.get(job.id)
        cut = estimate.stop_likely_mm if estimate is not None and job.state.is_open else 0.0
        table, lines = table_of(shop, part, face, cut, cuts_of(part))
        name = words.job_name(shop, job.id)
        rows += [{"Member": name} | row for row in rows_of(table, lines, units)]
        if table.past:
            told.append(f"{name}: {verdict(table, units)}")
    if rows:
        st.markdown("**Dimensions that change with the cut**")
        for said in told:
            st.warning(said)
        # a table that wraps: where a figure comes from is longer than a tablet's column
        st.table(pd.DataFrame(rows).set_index("Member"))
        st.caption("Members still to be cut: at the planned depth. What is only drawn is measured on the part's page.")


def rows_of(table: DepthTable, lines: Sequence[PartLine], units: Units) -> list[dict[str, str]]:
    """A row for each line, as the screens and the sheets show them."""
    rows = []
    for row, line in zip(table.rows, lines, strict=True):
        bounds = [
            f"{word} {units.depth(value)}"
            for word, value in (("at least", row.least_mm), ("at most", row.greatest_mm))
            if value is not None
        ]
        rows.append(
            {
                "Dimension": row.name,
                "Now": units.depth(row.present_mm),
                "After the cut": units.depth(row.after_mm),
                "Limit": ", ".join(bounds) or "none",
                "Then": standing_words(row, units),
                "Where from": line.origin,
            }
        )
    return rows


def standing_words(row: Any, units: Units) -> str:
    """How a line stands to its limit after the cut."""
    if row.standing is Standing.UNKNOWN:
        return "unknown: measure it"
    if row.standing is Standing.NO_LIMIT:
        return "no limit"
    if row.standing is Standing.PAST:
        return f"past by {units.depth(row.past_by_mm)}" + (f": {row.restored_by}" if row.restored_by else "")
    if row.headroom_mm == float("inf"):
        return "within, no cut changes that"
    return f"{units.depth(row.headroom_mm, down=True)} more before its limit"


def verdict(table: DepthTable, units: Units) -> str:
    """Which lines pass their limit at the planned depth, and at what depth the first one does."""
    said = []
    if table.past:
        restore = [f"{r.name} ({r.restored_by})" if r.restored_by else r.name for r in table.past]
        said.append(f"Past the limit at {units.depth(table.cut_mm)}: {', '.join(restore)}.")
    first = table.first
    if first is not None:
        said.append(f"The first to reach its limit is {first[0]}, at a cut of {units.depth(first[1], down=True)}.")
    if table.unknown:
        said.append(f"Not known: {', '.join(table.unknown)}.")
    return " ".join(said) or "No line reaches a limit."


# -- on a part's page --------------------------------------------------------------------------------------------------
def draw_part(shop: Shop, part: Part, face: Face, units: Units) -> None:
    """What was measured of a face's lines on this part, and a form for more."""
    if not face.depths:
        return
    table, lines = table_of(shop, part, face, 0.0, cuts_of(part))
    st.markdown("**Dimensions that change with the cut**")
    now = rows_table(rows_of(table, lines, units)).drop_columns("After the cut")
    st.dataframe(now, hide_index=True, width="stretch")
    with st.expander("Measure or restore them", key=f"depths box/{part.id}/{face.id}"):
        fields = [
            *(Field(f"value {i}", line.name, "depth") for i, line in enumerate(face.depths)),
            Field("how", "Restored by", help="Empty: measured as it was. Otherwise the operation after which it was."),
        ]
        form = Form(f"depths/{face.id}", part.id, fields, {}, units, access.repository(), part.version)
        form.draw(columns=4)
        form.say()
        form.button("Keep the readings", lambda v: _keep(part, face, v), primary=False)


def _keep(part: Part, face: Face, values: dict[str, Any]) -> str:
    at = access.now()
    readings = tuple(
        DepthReading(face.id, line.name, value, at, values["how"], access.who())
        for i, line in enumerate(face.depths)
        if (value := values[f"value {i}"]) is not None
    )
    if not readings:
        raise InputError("value 0", "", "a reading of one dimension at least")
    access.repository().save(dataclasses.replace(part, depths=(*part.depths, *readings)), by=access.who(), at=at)
    return f"{len(readings)} reading{'s' if len(readings) > 1 else ''} kept."


# -- on a family's page ------------------------------------------------------------------------------------------------
def draw_family(family: Family, face: Face, units: Units) -> None:
    """The list of a face's lines: its limits, its sense, what restores it."""
    kinds = {k.name: k for k in depth_kinds()}
    label = f"Dimensions that change with the cut ({len(face.depths) or 'none yet'})"
    section = st.expander(label, on_change="rerun", key=f"depth lines/{face.id}")
    if not section.open:
        return
    with section:
        for n, line in enumerate(face.depths):
            _line(family, face, n, line, units)
        st.markdown("Add one")
        fresh = [k for k in kinds if k not in {line.name for line in face.depths}]
        with st.container(horizontal=True, vertical_alignment="bottom"):
            key = f"depth kind/{face.id}"
            st.selectbox("Usual ones", fresh, key=key, width=320)
            st.button("Add it", key=f"{key}/add", on_click=act, args=(_add, family, face, key, kinds))
            st.text_input("Another", key=f"{key}/name", placeholder="its name", width=260)
            st.button(
                "Add the named one", key=f"{key}/own", on_click=act, args=(_add, family, face, f"{key}/name", kinds)
            )


def _line(family: Family, face: Face, n: int, line: DepthLine, units: Units) -> None:
    fields = [
        Field("name", "Dimension", required=True),
        Field("present_mm", "As drawn", "depth", help="On a new part. What is measured on a part goes before it."),
        Field(
            "per_cut",
            "With the cut it",
            "choice",
            options={-1.0: "gets less", 1.0: "gets more", 0.0: "stays"},
            required=True,
        ),
        Field("least_mm", "At least", "depth"),
        Field("greatest_mm", "At most", "depth"),
        Field("restored_by", "Restored by"),
    ]
    values = {f.name: getattr(line, f.name) for f in fields}
    if values["per_cut"] not in (-1.0, 0.0, 1.0):
        fields[2] = Field("per_cut", "Change per unit cut", "number", required=True)
    form = Form("depth line", f"{face.id}/{n}", fields, values, units, access.repository(), family.version)
    form.draw(columns=6)
    form.say()
    with st.container(horizontal=True):
        form.button(f"Save {line.name}", lambda v: _save(family, face, n, DepthLine(**v)), primary=False)
        st.button(
            f"Drop {line.name}", key=f"drop line/{face.id}/{n}", on_click=act, args=(_save, family, face, n, None)
        )


def _save(family: Family, face: Face, n: int, line: DepthLine | None) -> str:
    lines = list(face.depths)
    name = lines[n].name
    if line is None:
        del lines[n]
    else:
        lines[n] = line
    _store(family, face, tuple(lines))
    return f"{name} dropped." if line is None else f"{line.name} saved."


def _add(family: Family, face: Face, key: str, kinds: dict) -> str:
    name = (st.session_state.get(key) or "").strip()
    kind = kinds.get(name)
    line = DepthLine(name, per_cut=kind.per_cut, restored_by=kind.restored_by) if kind else DepthLine(name)
    _store(family, face, (*face.depths, line))
    return f"{name} added: enter its limits."


def _store(family: Family, face: Face, lines: tuple[DepthLine, ...]) -> None:
    if len({line.name.casefold() for line in lines}) < len(lines):
        raise InputError("Dimension", "", "each name once")
    faces = tuple(dataclasses.replace(f, depths=lines) if f.id == face.id else f for f in family.faces)
    access.repository().save(dataclasses.replace(family, faces=faces), by=access.who(), at=access.now())
