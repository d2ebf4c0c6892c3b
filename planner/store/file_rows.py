"""Rows of a documented table: cells to values and back, and values to nouns and back, by name.

A column ``height`` holds a noun's ``height_mm``: the suffix follows from what the column holds.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, TypeVar

from planner.errors import InputError
from planner.shop import Gate, GateKind, GateState, Window
from planner.store.file_columns import (
    Column,
    Kind,
    RowProblem,
    Table,
    match_headings,
    read_cell,
    shown,
    units_missing,
    write_cell,
)
from planner.store.file_reading import RawTable
from planner.store.file_tables import gate_column
from planner.units import System

Noun = TypeVar("Noun")
# moves a date (or a date and time) to where it belongs; None = it stays as written
Mover = Callable[[Any], Any]

_SUFFIX = {
    Kind.LENGTH: "_mm",
    Kind.DEPTH: "_mm",
    Kind.RA: "_um",
    Kind.AREA: "_mm2",
    Kind.SPEED: "_m_min",
    Kind.FEED: "_mm",
    Kind.TABLE_FEED: "_mm_min",
    Kind.MASS: "_kg",
    Kind.PATH: "_mm",
}


@dataclass(frozen=True)
class Row:
    """One row: its number in the file, and the values in inside units of the cells that could be read (None = empty).
    ``whole`` is False where a cell could not; ``written`` is what stands in the cells."""

    number: int
    values: Mapping[str, Any]
    whole: bool = True
    written: Mapping[str, Any] = dataclasses.field(default_factory=dict)

    def get(self, name: str) -> Any:
        return self.values.get(name)


@dataclass(frozen=True)
class ReadRows:
    """What a file held. ``ask_units``: some figures carry no unit and nobody has said inch or metric."""

    rows: tuple[Row, ...]
    problems: tuple[RowProblem, ...]
    ignored: tuple[str, ...]
    ask_units: bool = False


def read_rows(raw: RawTable, table: Table, system: System | None = None, move: Mover | None = None) -> ReadRows:
    """Read every cell of a file by its columns; every bad cell is a problem, none stops the others.

    ``system`` is what the person said; a ``units`` column of the file goes before it, a unit in a heading or a cell
    before both. ``move`` is applied to every date.
    """
    headings, problems, ignored = match_headings(raw.headings, table)
    stated = _stated_units(raw, headings, problems)
    spoken = stated or system or System.INCH
    may_ask = system is None and stated is None
    ask = False
    # the same words stand in many rows: each is read once a column
    known: list[dict[str, Any]] = [{} for _ in headings]
    columns = [(i, h, h.column.name, known[i]) for i, h in enumerate(headings) if h is not None]
    rows = []
    for number, cells in raw.rows:
        values: dict[str, Any] = {}
        written: dict[str, Any] = {}
        whole = True
        for i, heading, name, read in columns:
            cell = cells[i] if i < len(cells) else None
            written[name] = cell
            if type(cell) is str and cell in read:
                values[name] = read[cell]
                continue
            if may_ask and units_missing(heading, cell):
                ask = True
            try:
                value = read_cell(heading, cell, spoken)
            except InputError as error:
                problems.append(RowProblem(number, name, shown(cell), error.accepted))
                whole = False
                continue
            if move and heading.column.kind in (Kind.DATE, Kind.MOMENT) and value is not None:
                value = move(value)
            values[name] = value
            if type(cell) is str:
                read[cell] = value
        extra = [c for c in cells[len(headings) :] if c not in (None, "")]
        if extra:
            wanted = f"at most {len(headings)} cells, as many as headings; quote a cell that holds the delimiter"
            problems.append(RowProblem(number, "", shown(extra[0]), wanted))
            whole = False
        rows.append(Row(number, values, whole, written))
    return ReadRows(tuple(rows), tuple(problems), tuple(ignored), ask)


def _stated_units(raw: RawTable, headings: Sequence[Any], problems: list[RowProblem]) -> System | None:
    """What the ``units`` column says; it has to say the same in every row."""
    for i, heading in enumerate(headings):
        # the shop's settings have a column of that name too: there it is a habit, and every heading states its unit
        if heading is None or heading.column.name != "units":
            continue
        said: System | None = None
        for number, cells in raw.rows:
            if i >= len(cells) or cells[i] in (None, ""):
                continue
            try:
                found = read_cell(heading, cells[i], System.INCH)
            except InputError:
                continue  # reported with the other cells
            if said is not None and found is not said:
                problems.append(RowProblem(number, "units", shown(cells[i]), f"{said.value}, as in the rows before"))
            said = said or found
        return said
    return None


# -- values and nouns -----------------------------------------------------------------------------------------
def field_of(column: Column, renames: Mapping[str, str] | None = None) -> str:
    """The noun's field a column holds."""
    if renames and column.name in renames:
        return renames[column.name]
    return column.name + _SUFFIX.get(column.kind, "")


def noun_fields(row: Row, columns: Iterable[Column], renames: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Keyword arguments for a noun from a row. An empty cell is left out: the noun's "unknown" stands."""
    return {
        field_of(c, renames): row.values[c.name]
        for c in columns
        if row.values.get(c.name) is not None and row.values[c.name] != ()
    }


def noun_values(noun: Any, columns: Iterable[Column], renames: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Column values of a noun, for the columns it has a field for."""
    names = {f.name for f in dataclasses.fields(noun)}
    found = {}
    for column in columns:
        name = field_of(column, renames)
        if name in names:
            found[column.name] = getattr(noun, name)
    return found


def column_of(field: str, table: Table, renames: Mapping[str, str] | None = None) -> str:
    """The column of a table that a noun's field, as an error names it, was read from; the field itself if none."""
    last = re.sub(r"\[.*?\]", "", field).rsplit(".", 1)[-1]
    for column in table.columns:
        if last in (column.name, field_of(column), field_of(column, renames)):
            return column.name
    return last


# -- cells with a small grammar of their own ------------------------------------------------------------------
def read_gate(kind: GateKind, said: str, move: Mover | None = None) -> Gate:
    """A gate as a part's file writes it: ``open``, ``failed``, ``not needed``, ``done WT 2026-03-05``, the last with its
    minute where it is known: ``done WT 2026-03-05 13:40``."""
    name = gate_column(kind)
    words = said.split()
    if words and words[0].lower() == "done":
        accepted = "done with initials and a date, such as done WT 2026-03-05, or 2026-03-05 13:40"
        clock = words.pop() if re.fullmatch(r"\d{1,2}:\d{2}", words[-1]) else ""
        try:
            on = date.fromisoformat(words[-1])
            minute = time(*(int(part) for part in clock.split(":"))) if clock else None
        except ValueError:
            raise InputError(name, said, accepted) from None
        on = move(on) if move else on
        at = None if minute is None else datetime.combine(on, minute)
        return Gate(kind, GateState.DONE, " ".join(words[1:-1]), on, at=at)
    try:
        state = GateState(" ".join(words).lower())
    except ValueError:
        raise InputError(name, said, "open, failed, not needed, or done with initials and a date") from None
    return Gate(kind, state)


def write_gate(gate: Gate) -> str:
    if gate.state is GateState.DONE:
        clock = f" {gate.at:%H:%M}" if gate.at else ""
        return f"done {gate.initials} {gate.on:%Y-%m-%d}{clock}"
    return gate.state.value


def read_route(row: Row, move: Mover | None = None) -> tuple[Gate, ...]:
    """The gates a row of a part's file names, in the order of the route."""
    said = ((kind, row.get(gate_column(kind))) for kind in GateKind)
    return tuple(read_gate(kind, words, move) for kind, words in said if words)


def read_window(row: Row) -> Window:
    """A row of the hours file."""
    breaks = []
    for said in row.get("breaks") or ():
        match = re.fullmatch(r"(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})", said)
        if not match:
            raise InputError("breaks", said, "breaks such as 09:30-09:45; 12:00-12:30")
        a, b, c, d = (int(g) for g in match.groups())
        breaks.append((a * 60 + b, c * 60 + d))
    return Window(row.get("weekday"), row.get("start"), row.get("end"), tuple(breaks))


def write_breaks(window: Window) -> tuple[str, ...]:
    return tuple(f"{a // 60:02d}:{a % 60:02d}-{b // 60:02d}:{b % 60:02d}" for a, b in window.breaks)


# -- writing --------------------------------------------------------------------------------------------------
def write_csv(table: Table, rows: Iterable[Mapping[str, Any]], system: System) -> str:
    """A CSV of a documented table, headings with units, no cell a spreadsheet would run."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table.headings(system))
    for values in rows:
        writer.writerow([write_cell(c, values.get(c.name), system) for c in table.columns])
    return out.getvalue()
