"""The sample shop: an invented one, read from the CSV files in ``sample_data`` and stored at once, as if its week began
now.

The files are written for one week. When they are loaded, the record is moved by whole weeks; what lies around that week
(due times, closures, what happened in the fortnight before) is moved by working days, so that on whatever day the
sample is opened its jobs still lie ahead.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from sqlalchemy import Connection, Table, insert, select, update

from planner.errors import InputError
from planner.shop import Cut, HeightReading, HeightStage
from planner.store import file_tables as ft
from planner.store import tables
from planner.store.base import RECORDS, SHOP
from planner.store.codec import plain
from planner.store.edges import EdgeEvent
from planner.store.places import Kind
from planner.store.references import MARKS, mark_key, same_part
from planner.store.repository import Repository
from planner.store.rows import face_values, noun_table, values_of
from planner.store.shop_files import ShopContents, ShopFiles, read_shop

When = TypeVar("When", date, datetime)

LAST_START = time(15)
"""From then on a day counts as over: the sample's week begins on the next working day."""
RECORD_BEFORE = timedelta(days=14)
"""Dates further back than this from the files' own week belong to the record."""


def sample_folder() -> Path:
    """The folder with the sample's files; raises `InputError` where the program was installed without it."""
    folder = Path(__file__).resolve().parents[2] / "sample_data"
    if not (folder / "settings.csv").is_file():
        raise InputError("sample_data", str(folder), "the folder of the sample's CSV files, as in a checkout")
    return folder


def first_day(at: datetime) -> date:
    """The day on which the sample's week begins when it is opened at ``at``."""
    today = at.date()
    if today.weekday() < 5 and at.time() < LAST_START:
        return today
    return _workday(today, 1)


def mover(reference: date, at: datetime) -> Callable[[When], When]:
    """How the dates of files written for the week of ``reference`` (a Monday) are moved to a week that begins at
    ``at``: what is written before that Monday ends up before the day of ``at``, the rest from its first day on.

    Raises `InputError` when ``reference`` is not a Monday.
    """
    if reference.weekday() != 0:
        raise InputError("reference_monday", reference, "a Monday")
    begin, today = first_day(at), at.date()
    # the last working day on which something can have happened; the record ends before the fortnight that leads to it
    last = _workday(today, -1)
    friday = last - timedelta(days=(last.weekday() - 4) % 7)
    weeks = friday - (reference - timedelta(days=3))

    def move_day(on: date) -> date:
        if on < reference - RECORD_BEFORE:
            return on + weeks
        count = int(np.busday_count(reference, on))
        if on >= reference:
            return _workday(begin, count)
        return _workday(last, count + 1)

    def move(when: When) -> When:
        if isinstance(when, datetime):
            return datetime.combine(move_day(when.date()), when.time())
        return move_day(when)

    return move


def _workday(on: date, count: int) -> date:
    roll = "backward" if count > 0 else "forward"
    return np.busday_offset(on, count, roll=roll).astype(object)


def read_sample(folder: Path, at: datetime) -> ShopContents:
    """The sample's nouns and records, as if its week began at ``at``. Raises `InputError` naming file, row, column."""
    files = {path.name: path.read_bytes() for path in sorted(folder.glob("*.csv"))}
    reference = ShopFiles(files).rows(ft.SETTINGS, required=True)[0].get("reference_monday")
    if reference is None:
        raise InputError("settings.csv reference_monday", None, "the Monday for which the files are written")
    return read_shop(files, mover(reference, at))


def load_sample(repository: Repository, at: datetime, folder: Path | None = None) -> int:
    """Fill the empty database of a sample with the sample shop, as if its week began at ``at``; returns how many
    finished cuts it holds. One transaction: everything or nothing.

    Raises `InputError` for a shop of one's own, for a sample that is not empty, and for faults of the files.
    """
    if repository.kind is not Kind.SAMPLE:
        raise InputError("repository", repository.kind.value, "the sample's own database: the two never mix")
    if not repository.is_empty():
        raise InputError("repository", "not empty", "an empty sample")
    contents = read_sample(folder or sample_folder(), at)
    with repository.writing(SHOP, RECORDS) as connection:
        # another session may have been quicker
        if connection.execute(select(tables.families.c.id).limit(1)).first() is not None:
            raise InputError("repository", "not empty", "an empty sample")
        insert_contents(connection, contents, at)
    return len(contents.cuts)


def insert_contents(connection: Connection, contents: ShopContents, at: datetime, by: str = "") -> None:
    """Store the nouns and records of a whole shop under their own ids, in bulk, into empty tables."""
    kept = {"version": 1, "changed_by": by, "changed_at": at}
    connection.execute(update(tables.settings).values(values_of(contents.settings, tables.settings) | kept))

    def store(nouns: Iterable[Any], more: Callable[[Any], Mapping[str, Any]] = lambda noun: {}) -> None:
        nouns = tuple(nouns)
        if nouns:
            table = noun_table(nouns[0]).table
            own = kept if "version" in table.c else {}
            _bulk(connection, table, (values_of(n, table) | own | more(n) | {"id": n.id} for n in nouns))

    store(contents.families)
    faces = [(f.id, seq, face) for f in contents.families for seq, face in enumerate(f.faces)]
    _bulk(
        connection,
        tables.faces,
        (face_values(face) | {"id": face.id, "family_id": family, "seq": seq} for family, seq, face in faces),
    )
    for nouns in (contents.gaskets, contents.grades, contents.machines, contents.people, contents.closures):
        store(nouns)
    for nouns in (contents.overtime, contents.cutters, contents.recipes, contents.inserts):
        store(nouns)
    store(contents.parts, lambda part: {"same_part": same_part(part)})
    marks = ((p.id, kind, mark_key(getattr(p, kind))) for p in contents.parts for kind in MARKS)
    _bulk(
        connection,
        tables.part_marks,
        ({"part_id": part, "kind": kind, "mark": mark, "tail": mark[-4:]} for part, kind, mark in marks if mark),
    )
    held = ((p.id, hold) for p in contents.parts for hold in p.holds)
    _bulk(connection, tables.holds, (values_of(hold, tables.holds) | {"part_id": part} for part, hold in held))
    store(contents.jobs)
    store(contents.sets)
    for nouns in (contents.engines, contents.measured_engines, contents.hand_overs):
        store(nouns)
    members = ((s.id, seq, job) for s in contents.sets for seq, job in enumerate(s.job_ids))
    _bulk(connection, tables.set_members, ({"set_id": i, "seq": seq, "job_id": job} for i, seq, job in members))
    _insert_cuts(connection, contents)
    _insert_measured(connection, contents)
    _bulk(connection, tables.edge_events, (_event_values(event) for event in contents.edge_events))


def _insert_cuts(connection: Connection, contents: ShopContents) -> None:
    parts = {p.id: p for p in contents.parts}
    families = {f.id: f for f in contents.families}
    cuts, uses = [], []
    readings = [_reading_values(r, p.id) for p in contents.parts for r in p.heights]
    for cut in contents.cuts:
        part = parts[cut.part_id]
        material = families[part.family_id].material
        cuts.append(
            values_of(cut, tables.cuts)
            | {
                "id": cut.id,
                "family_id": part.family_id,
                "condition": part.condition.value,
                "material": material,
                "pass_count": len(cut.passes),
                "removed_mm": cut.stop_depth_mm if cut.reverses_id is None else -cut.stop_depth_mm,
            }
        )
        uses += [values_of(u, tables.edge_uses) | {"cut_id": cut.id, "material": material} for u in cut.uses]
        readings += _finished(cut)
    _bulk(connection, tables.cuts, cuts)
    _bulk(connection, tables.edge_uses, uses)
    _bulk(connection, tables.height_readings, readings)


def _insert_measured(connection: Connection, contents: ShopContents) -> None:
    checks = (
        {name: getattr(check, name) for name in ("part_id", "face_id", "at", "by", "pit_mm")}
        | {"lower_mm": check.least_mm, "upper_mm": check.greatest_mm}
        | {"payload": {name: getattr(check, name) for name in ("least_from", "greatest_from", "pit_place")}}
        for check in contents.checks
    )
    _bulk(connection, tables.intake_checks, checks)
    surveys = (
        {name: getattr(survey, name) for name in ("part_id", "face_id", "at", "by")}
        | {"stage": survey.stage.value, "job_id": survey.job_id, "payload": survey.payload()}
        for survey in contents.surveys
    )
    _bulk(connection, tables.surveys, surveys)


def _finished(cut: Cut) -> list[dict[str, Any]]:
    """Rows of the heights measured after a cut, alike but for place and height."""
    found = list(cut.heights_mm.items())
    if not found:
        return []
    first = HeightReading(cut.face_id, *found[0], cut.ended, HeightStage.FINISHED, by=cut.by)
    alike = _reading_values(first, cut.part_id, cut.id)
    return [alike | {"point": point, "height_mm": height} for point, height in found]


def _reading_values(reading: HeightReading, part_id: int, cut_id: int | None = None) -> dict[str, Any]:
    return values_of(reading, tables.height_readings) | {"part_id": part_id, "cut_id": cut_id}


def _event_values(event: EdgeEvent) -> dict[str, Any]:
    values = {f.name: getattr(event, f.name) for f in dataclasses.fields(event) if f.name != "id"}
    return values | {"payload": plain(event.payload, "event.payload")}


def _bulk(connection: Connection, table: Table, rows: Iterable[Mapping[str, Any]]) -> None:
    rows = list(rows)
    if rows:
        connection.execute(insert(table), rows)
