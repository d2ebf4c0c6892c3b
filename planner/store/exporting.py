"""Exports for spreadsheets and other programs: parts, queue and records as CSV or XLSX, a whole shop as a zip of CSVs.

Units stand in the headings. No cell can be taken for a formula: text that begins like one gets an apostrophe in front.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterable, Mapping
from datetime import datetime
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import select

from planner.errors import InputError
from planner.shop import Job, Part, Shop
from planner.store import file_tables as ft
from planner.store import tables
from planner.store.file_columns import Column, Kind, Table, safe_text, write_cell
from planner.store.file_rows import noun_values, write_csv
from planner.store.importing import documented_columns
from planner.store.repository import Repository
from planner.store.shop_values import part_values, shop_values
from planner.units import System

__all__ = [
    "Format",
    "export_frame",
    "export_parts",
    "export_queue",
    "export_records",
    "export_shop",
    "export_template",
]

_W, _N = Kind.WHOLE, Kind.NUMBER


class Format(StrEnum):
    CSV = "csv"
    XLSX = "xlsx"


QUEUE = Table(
    "queue",
    "a job in the queue",
    (
        Column("tag", "tag"),
        Column("work_order", "work order"),
        Column("family", "family"),
        Column("position", "position"),
        Column("face", "face"),
        Column("owner", "owner"),
        Column("condition", "condition"),
        Column("aim", "till clean or to a depth"),
        Column("depth", "the depth, for a job cut to one", Kind.DEPTH),
        Column("due", "due", Kind.MOMENT),
        Column("due_kind", "ready or assembly starts"),
        Column("job_state", "how far it is"),
        Column("set", "matched set"),
        Column("waits_for", "what keeps it off the machine", many=True),
        Column("machine", "planned machine"),
        Column("person", "planned person"),
        Column("start", "planned start", Kind.MOMENT),
        Column("end", "planned end", Kind.MOMENT),
    ),
)
RECORDS = Table(
    "records",
    "a recorded cut",
    (
        Column("cut", "number", _W),
        Column("ended", "when it ended", Kind.MOMENT),
        Column("tag", "tag"),
        Column("work_order", "work order"),
        Column("engine_serial", "engine serial"),
        Column("owner", "owner"),
        Column("family", "family"),
        Column("position", "position"),
        Column("face", "face"),
        Column("material", "material"),
        Column("condition", "condition when cut"),
        Column("machine", "machine"),
        Column("cutter", "cutter"),
        Column("grade", "insert grade"),
        Column("by", "initials"),
        Column("outcome", "how it ended"),
        Column("stop_depth", "depth at which it stopped", Kind.DEPTH),
        Column("clean_lower", "greatest depth seen not clean", Kind.DEPTH),
        Column("clean_upper", "least depth seen clean", Kind.DEPTH),
        Column("delta", "first contact above the touch-off place", Kind.DEPTH),
        Column("paper", "feeler paper", Kind.DEPTH),
        Column("pass_count", "passes", _W),
        Column("ra", "roughness, mean", Kind.RA),
        Column("planned_depth", "planned stop depth", Kind.DEPTH),
        Column("allowed_depth", "allowed stop depth", Kind.DEPTH),
        Column("planned_passes", "planned passes", _W),
        Column("planned_minutes", "planned minutes", _N),
        Column("attended_minutes", "minutes attended", _N),
        Column("unattended_minutes", "minutes unattended", _N),
        Column("looks", "how it looks"),
        Column("note", "note"),
        Column("reverses", "number of the record it reverses", _W),
        Column("correction", "why"),
    ),
)
_AS_THEY_ARE = (tables.intake_checks, tables.surveys, tables.run_taps, tables.plans)


def export_parts(shop: Shop, system: System, kind: Format = Format.CSV, part_ids: Iterable[int] | None = None) -> bytes:
    """Parts with their open jobs, in the columns that `importing` reads; ``part_ids`` None = every part of the shop.

    A part with two open jobs has two rows.
    """
    wanted = shop.parts if part_ids is None else {i: shop.parts[i] for i in part_ids}
    by_part: dict[int, list[Job]] = {}
    for job in shop.open_jobs():
        by_part.setdefault(job.part_id, []).append(job)
    rows = []
    for part_id, part in sorted(wanted.items()):
        for job in by_part.get(part_id, [None]):
            rows.append(_part_row(shop, part, job))
    return _write(ft.IMPORT_PARTS, rows, system, kind)


def _part_row(shop: Shop, part: Part, job: Job | None) -> dict[str, Any]:
    family = shop.family_of(part)
    row = part_values(part, family.name)
    hold = next(iter(part.open_holds), None)
    if hold is not None:
        row |= {"hold_for": hold.waiting_for, "hold_reason": hold.reason}
    face = family.face(job.face_id) if job is not None else family.faces[0]
    heights = part.latest_heights_mm(face.id)
    reading = heights.get("middle") or next(iter(heights.values()), None)
    if reading is not None:
        row |= {"height": reading.height_mm, "point": reading.point}
    if job is not None:
        row |= noun_values(job, ft.JOBS.columns, {"job_note": "note"})
        gasket = shop.gaskets.get(job.gasket_id) if job.gasket_id is not None else None
        machine = shop.machines.get(job.machine_id) if job.machine_id is not None else None
        matched = shop.set_of(job.id)
        row |= {
            "face": face.name,
            "gasket": gasket and gasket.name,
            "machine": machine and machine.name,
            "set": matched and matched.name,
            "set_tolerance": matched and matched.tolerance_mm,
        }
    return row


def export_queue(
    shop: Shop,
    system: System,
    kind: Format = Format.CSV,
    placed: Mapping[int, Mapping[str, Any]] | None = None,
) -> bytes:
    """The open jobs: planned ones first by their start, then by due time. ``placed``: job id -> machine, person, start,
    end, as a plan places them (any of them may be missing)."""
    placed = placed or {}
    rows = []
    for job in shop.open_jobs():
        part = shop.part_of(job)
        family = shop.family_of(part)
        matched = shop.set_of(job.id)
        row = noun_values(part, QUEUE.columns) | noun_values(job, QUEUE.columns, {"job_state": "state"})
        row |= {
            "family": family.name,
            "face": family.face(job.face_id).name,
            "condition": part.condition.value,
            "aim": job.aim.value,
            "due_kind": job.due_kind.value,
            "job_state": job.state.value,
            "set": matched and matched.name,
            "waits_for": part.waits_for,
            "machine": None,
        }
        at = placed.get(job.id, {})
        row |= {name: at.get(name) for name in ("machine", "person", "start", "end")}
        rows.append(row)
    latest = datetime.max
    rows.sort(key=lambda r: (r["start"] or latest, r["due"] or latest, r["tag"]))
    return _write(QUEUE, rows, system, kind)


def export_records(repository: Repository, system: System, kind: Format = Format.CSV, **filters: Any) -> bytes:
    """Recorded cuts, newest first; ``filters`` as `Repository.cuts_frame` takes them."""
    frame = repository.cuts_frame(**filters)
    names = {"cut": "id", "reverses": "reverses_id"}
    columns = {}
    for column in RECORDS.columns:
        name = names.get(column.name) or next(
            n for n in (column.name, f"{column.name}_mm", f"{column.name}_um") if n in frame
        )
        columns[column.name] = [_plain(v) for v in frame[name]]
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    return _write(RECORDS, rows, system, kind)


def export_frame(frame: pd.DataFrame, kind: Format = Format.CSV) -> bytes:
    """A frame as it stands on a screen, its index left out: headings as they are, text made safe."""
    headings = [safe_text(str(c)) for c in frame.columns]
    rows = [[_safe(_plain(v)) for v in values] for values in frame.itertuples(index=False, name=None)]
    if Format(kind) is Format.XLSX:
        return _sheet("table", headings, rows)
    return _csv_bytes(pd.DataFrame(rows, columns=headings, dtype=object).to_csv(index=False, lineterminator="\n"))


def export_template(table: str, system: System, kind: Format = Format.CSV) -> bytes:
    """An empty file with the headings of one of `IMPORTS`, to fill in. Raises `InputError` for another name."""
    if table not in ft.IMPORTS:
        raise InputError("table", table, "one of " + ", ".join(ft.IMPORTS))
    return _write(ft.IMPORTS[table], (), system, kind)


def export_shop(repository: Repository, system: System | None = None) -> bytes:
    """Everything of a shop as a zip: one CSV a kind of record (the sample's own files have the same form), columns.csv
    saying what each column holds, and measurements, run sheets and accepted plans as they are stored (in mm).
    ``system`` None = the units the shop reads in.

    Photos and unsaved drafts are left out: a backup holds them. One state of the shop: a single reading transaction.
    """
    system = system or repository.settings().units
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        described = []
        with repository.reading() as connection:
            for table, rows in shop_values(connection):
                archive.writestr(_entry(f"{table.name}.csv"), _csv_bytes(write_csv(table, rows, system)))
                described += [{"file": f"{table.name}.csv", **c} for c in documented_columns(table, system)]
            for stored in _AS_THEY_ARE:
                found = connection.execute(select(stored).order_by(stored.c.id)).mappings().all()
                frame = pd.DataFrame([dict(r) for r in found], columns=[c.name for c in stored.c], dtype=object)
                archive.writestr(_entry(f"{stored.name}.csv"), export_frame(frame))
        archive.writestr(_entry("columns.csv"), export_frame(pd.DataFrame(described)))
    return packed.getvalue()


def _entry(name: str) -> zipfile.ZipInfo:
    # a fixed date: the same shop gives the same bytes
    entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    entry.compress_type = zipfile.ZIP_DEFLATED
    return entry


def _write(table: Table, rows: Iterable[Mapping[str, Any]], system: System, kind: Format) -> bytes:
    if Format(kind) is Format.CSV:
        return _csv_bytes(write_csv(table, rows, system))
    cells = ([write_cell(c, values.get(c.name), system) for c in table.columns] for values in rows)
    return _sheet(table.name, table.headings(system), cells)


def _csv_bytes(said: str) -> bytes:
    # the mark lets spreadsheets see that it is UTF-8
    return said.encode("utf-8-sig")


def _sheet(name: str, headings: Iterable[str], rows: Iterable[Iterable[Any]]) -> bytes:
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    page = book.create_sheet(name)
    page.freeze_panes = "A2"
    page.append(list(headings))
    for row in rows:
        page.append([None if cell == "" else cell for cell in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _plain(value: Any) -> Any:
    """A value as a file holds it: no numpy, no NaN, nested ones as JSON."""
    if isinstance(value, (list, tuple, dict)):
        return json.dumps(value, ensure_ascii=False, default=str)
    if value is None or pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    return value


def _safe(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M}"
    return value if isinstance(value, (int, float)) else safe_text(str(value))
