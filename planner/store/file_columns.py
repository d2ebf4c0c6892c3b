"""Columns of the files the shop reads and writes: what a cell may hold, in which unit, and how it is written back.

A heading is a column's name, with its unit where it holds a quantity: ``height_in``, ``height_mm``, ``depth_thou``.
Without one the file's ``units`` column or the person says inch or metric; a cell may carry its own unit ("132.6 mm").
Values come out in the inside units: mm, mm², µm, m/min, mm/min, kg, minutes.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from enum import Enum, StrEnum
from typing import Any

from planner.errors import InputError
from planner.store.file_reading import Formula
from planner.units import (
    KG_PER_POUND,
    M_PER_FOOT,
    MM2_PER_IN2,
    MM_PER_INCH,
    MM_PER_THOU,
    UM_PER_MICROINCH,
    System,
    Units,
    read_number,
)

RUNS_AS_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class Kind(StrEnum):
    """What a cell holds."""

    TEXT = "text"
    LENGTH = "length"
    DEPTH = "depth"
    RA = "roughness"
    AREA = "area"
    SPEED = "cutting speed"
    FEED = "feed per revolution and insert"
    TABLE_FEED = "table feed"
    MASS = "weight"
    PATH = "path in metal"
    NUMBER = "number"
    WHOLE = "whole number"
    YES_NO = "yes or no"
    DATE = "date"
    MOMENT = "date and time"
    CLOCK = "time of day"
    CHOICE = "choice"


# unit suffixes by kind: inside value = written value × factor; first the inch shop's, second the metric one's
_UNITS: dict[Kind, dict[str, float]] = {
    Kind.LENGTH: {"in": MM_PER_INCH, "mm": 1.0, "thou": MM_PER_THOU},
    Kind.DEPTH: {"thou": MM_PER_THOU, "mm": 1.0, "in": MM_PER_INCH},
    Kind.RA: {"uin": UM_PER_MICROINCH, "um": 1.0},
    Kind.AREA: {"in2": MM2_PER_IN2, "cm2": 100.0, "mm2": 1.0},
    Kind.SPEED: {"ft_min": M_PER_FOOT, "m_min": 1.0},
    Kind.FEED: {"in_rev": MM_PER_INCH, "mm_rev": 1.0},
    Kind.TABLE_FEED: {"in_min": MM_PER_INCH, "mm_min": 1.0},
    Kind.MASS: {"lb": KG_PER_POUND, "kg": 1.0},
    # a path is kilometres long in either shop
    Kind.PATH: {"m": 1000.0, "km": 1e6, "ft": 12 * MM_PER_INCH},
}
_TYPED: dict[Kind, Callable[[Units, str, Any], float]] = {
    Kind.LENGTH: Units.read_length_mm,
    Kind.DEPTH: Units.read_depth_mm,
    Kind.RA: Units.read_ra_um,
    Kind.AREA: Units.read_area_mm2,
    Kind.SPEED: Units.read_speed_m_min,
}
_INSIDE = {
    Kind.LENGTH: "mm",
    Kind.DEPTH: "mm",
    Kind.RA: "µm",
    Kind.AREA: "mm²",
    Kind.SPEED: "m/min",
    Kind.FEED: "mm",
    Kind.TABLE_FEED: "mm/min",
    Kind.MASS: "kg",
    Kind.PATH: "mm",
}
_METRIC = Units(System.METRIC)
_YES = {"yes", "y", "true", "1", "x"}
_NO = {"no", "n", "false", "0"}


@dataclass(frozen=True)
class Column:
    """One documented column. ``many``: several values in one cell, separated by semicolons."""

    name: str
    what: str
    kind: Kind = Kind.TEXT
    required: bool = False
    choices: type[Enum] | None = None
    many: bool = False

    def __post_init__(self) -> None:
        if (self.kind is Kind.CHOICE) != (self.choices is not None):
            raise InputError("column.choices", self.choices, "an enum for a choice, none otherwise")

    @property
    def has_unit(self) -> bool:
        return self.kind in _UNITS

    @property
    def inside_unit(self) -> str:
        """The unit a noun keeps it in; "" where there is none."""
        return _INSIDE.get(self.kind, "")

    @property
    def accepted(self) -> str:
        """What a cell may hold, in words."""
        if self.kind is Kind.CHOICE:
            return "one of " + ", ".join(str(c.value) for c in self.choices)
        return {
            Kind.YES_NO: "yes or no",
            Kind.DATE: "a date written year-month-day, such as 2026-03-05",
            Kind.MOMENT: "a date and time written year-month-day hour:minute, such as 2026-03-05 15:00",
            Kind.CLOCK: "a time of day, such as 07:30",
            Kind.TEXT: "text",
            Kind.NUMBER: "a number",
            Kind.WHOLE: "a whole number",
        }.get(self.kind, f"a {self.kind.value}")

    def heading(self, system: System) -> str:
        """The heading with the unit of a shop that reads in ``system``."""
        if not self.has_unit:
            return self.name
        units = list(_UNITS[self.kind])
        # a path is always metres
        return f"{self.name}_{units[0] if self.kind is Kind.PATH or system is System.INCH else units[1]}"


@dataclass(frozen=True)
class Table:
    """A kind of file: its name, what one row of it is, and its columns."""

    name: str
    row: str
    columns: tuple[Column, ...]
    _by_name: dict[str, Column] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_by_name", {c.name: c for c in self.columns})
        if len(self._by_name) != len(self.columns):
            raise InputError("table.columns", [c.name for c in self.columns], "each name once")

    def column(self, name: str) -> Column | None:
        return self._by_name.get(name)

    def headings(self, system: System) -> list[str]:
        return [c.heading(system) for c in self.columns]


@dataclass(frozen=True)
class RowProblem:
    """What is wrong in one cell. ``row`` counts as a spreadsheet does, headings in row 1; 0 means the whole file."""

    row: int
    column: str
    value: str
    accepted: str

    @property
    def words(self) -> str:
        where = f"row {self.row}" if self.row else "the file"
        if self.column:
            where += f", column {self.column}"
        return f"{where}: {self.value or 'empty'}; accepted: {self.accepted}"


@dataclass(frozen=True)
class Heading:
    """A column found in a file, and the unit its heading states ("" = none stated)."""

    column: Column
    written: str
    unit: str = ""


def shown(value: Any) -> str:
    """A cell as a problem quotes it."""
    said = "" if value is None else str(value)
    return said if len(said) <= 60 else said[:57] + "..."


def _plain(written: str) -> str:
    said = written.strip().lower().replace("µ", "u").replace("μ", "u").replace("²", "2")
    return re.sub(r"[^a-z0-9]+", "_", said).strip("_")


def match_headings(written: Sequence[Any], table: Table) -> tuple[list[Heading | None], list[RowProblem], list[str]]:
    """Which column each heading of a file is. Returns headings by position (None = not read), problems, and a note
    for every column that is not read."""
    found: list[Heading | None] = []
    problems: list[RowProblem] = []
    ignored: list[str] = []
    seen: dict[str, str] = {}
    for cell in written:
        said = "" if cell is None else str(cell)
        name = _plain(said)
        heading = _heading(name, said, table)
        found.append(heading)
        if heading is None:
            if said.strip():
                ignored.append(shown(said) + _near_miss(name, table))
            continue
        if heading.column.name in seen:
            problems.append(
                RowProblem(1, heading.column.name, shown(said), f"one column {heading.column.name}, not two")
            )
        seen[heading.column.name] = said
    for column in table.columns:
        if column.required and column.name not in seen:
            problems.append(
                RowProblem(
                    1, column.name, "no such column", f"a column headed {column.heading(System.INCH)}: {column.what}"
                )
            )
    return found, problems, ignored


def _near_miss(name: str, table: Table) -> str:
    spellings = {c.name: c.name for c in table.columns}
    for column in table.columns:
        spellings |= {f"{column.name}_{unit}": column.name for unit in _UNITS.get(column.kind, ())}
    near = difflib.get_close_matches(name, spellings, 1, 0.8)
    return f" (is {spellings[near[0]]} meant?)" if near else ""


def _heading(name: str, said: str, table: Table) -> Heading | None:
    column = table.column(name)
    if column is not None:
        return Heading(column, said)
    for column in table.columns:
        if column.has_unit and name.startswith(column.name + "_"):
            unit = name[len(column.name) + 1 :]
            if unit in _UNITS[column.kind]:
                return Heading(column, said, unit)
    return None


def units_missing(heading: Heading, value: Any) -> bool:
    """Whether this cell is a bare number whose unit nobody has stated."""
    if not heading.column.has_unit or heading.unit or value in (None, ""):
        return False
    return isinstance(value, (int, float)) or not re.search(r"[^\d\s.,/+\-;]", str(value))


def read_cell(heading: Heading, value: Any, system: System) -> Any:
    """The value of a cell in inside units; None for an empty one. Raises `InputError` naming the column.

    Text that a spreadsheet would run as a formula is refused, so that no file carries one onward.
    """
    column = heading.column
    if isinstance(value, Formula):
        raise InputError(column.name, value.said, f"{column.accepted}, not a formula or an error: paste it as a value")
    if value is None or (isinstance(value, str) and not value.strip()):
        if column.required:
            raise InputError(column.name, value, f"{column.accepted}: {column.what}")
        return () if column.many else None
    if isinstance(value, str):
        value = value.strip()
        if column.many:
            if column.kind is not Kind.TEXT and value.startswith("'"):
                value = value[1:]  # made safe when it was written: a list that begins with a negative figure
            return tuple(_read_one(heading, v.strip(), system) for v in value.split(";") if v.strip())
    one = _read_one(heading, value, system)
    return (one,) if column.many else one


def _read_one(heading: Heading, value: Any, system: System) -> Any:
    column = heading.column
    kind = column.kind
    if kind in _UNITS:
        return _read_quantity(heading, value, system)
    reader = _READERS[kind]
    return reader(column, value)


def _read_quantity(heading: Heading, value: Any, system: System) -> float:
    column, unit = heading.column, heading.unit
    units = _UNITS[column.kind]
    if not unit:
        unit = column.heading(system).removeprefix(column.name + "_")
    factor = units[unit]
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return read_number(column.name, value) * factor
    said = str(value)
    try:
        number = float(said) if "_" not in said else None
    except ValueError:
        number = None
    if number is not None:
        return read_number(column.name, number) * factor
    _refuse_formula(column.name, said, also_signs=False)
    typed = _TYPED.get(column.kind)
    if typed is None:
        return read_number(column.name, said) * factor
    if re.search(r"[^\d\s.,/+\-eE]", said):
        # it carries its own unit
        return typed(_METRIC, column.name, said)
    return read_number(column.name, said) * factor


def _refuse_formula(name: str, said: str, also_signs: bool = True) -> None:
    if said.startswith("=") or (also_signs and said.startswith(RUNS_AS_FORMULA)):
        raise InputError(
            name, said, "plain text or figures: a cell may not begin with = + - @, a spreadsheet would run it"
        )


def _read_text(column: Column, value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        value = int(value)  # a spreadsheet keeps tag 1043 as 1043.0
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M}"
    said = str(value)
    if said.startswith("'") and said[1:].startswith(RUNS_AS_FORMULA):
        return said[1:]  # made safe when it was written
    _refuse_formula(column.name, said)
    return said


def _read_number(column: Column, value: Any) -> float:
    if isinstance(value, str):
        _refuse_formula(column.name, value, also_signs=False)
    return read_number(column.name, value)


def _read_whole(column: Column, value: Any) -> int:
    number = _read_number(column, value)
    if number != int(number):
        raise InputError(column.name, value, "a whole number")
    return int(number)


def _read_yes_no(column: Column, value: Any) -> bool:
    if isinstance(value, bool):
        return value
    said = str(value).strip().lower().removesuffix(".0")
    if said in _YES or said in _NO:
        return said in _YES
    raise InputError(column.name, value, column.accepted)


def _read_date(column: Column, value: Any) -> date:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value).strip()[:10]) if "-" in str(value) else _no_date(column, value)
    except ValueError:
        return _no_date(column, value)


def _no_date(column: Column, value: Any) -> Any:
    raise InputError(column.name, value, column.accepted)


def _read_moment(column: Column, value: Any) -> datetime:
    if isinstance(value, datetime):
        found = value
    elif isinstance(value, date):
        found = datetime.combine(value, time())
    else:
        said = str(value).strip()
        try:
            found = datetime.fromisoformat(said) if "-" in said else _no_date(column, value)
        except ValueError:
            return _no_date(column, value)
    if found.tzinfo is not None:
        raise InputError(column.name, value, "a time on the shop's own clock, without a time zone")
    return found.replace(second=0, microsecond=0)


def _read_clock(column: Column, value: Any) -> int:
    """Minutes after midnight; 24:00 is the day's end."""
    if isinstance(value, time):
        return value.hour * 60 + value.minute
    match = re.fullmatch(r"(\d{1,2}):(\d{2})", str(value).strip())
    if match:
        hours, minutes = int(match[1]), int(match[2])
        if minutes < 60 and hours * 60 + minutes <= 24 * 60:
            return hours * 60 + minutes
    raise InputError(column.name, value, column.accepted)


def _read_choice(column: Column, value: Any) -> Enum:
    said = " ".join(re.split(r"[\s_]+", str(value).strip().lower()))
    for choice in column.choices:
        if said in (str(choice.value).lower(), str(choice.value).lower().replace("-", " ")):
            return choice
    raise InputError(column.name, value, column.accepted)


_READERS: dict[Kind, Callable[[Column, Any], Any]] = {
    Kind.TEXT: _read_text,
    Kind.NUMBER: _read_number,
    Kind.WHOLE: _read_whole,
    Kind.YES_NO: _read_yes_no,
    Kind.DATE: _read_date,
    Kind.MOMENT: _read_moment,
    Kind.CLOCK: _read_clock,
    Kind.CHOICE: _read_choice,
}


def safe_text(said: str) -> str:
    """Text a spreadsheet shows and never runs: what it might take for a formula gets an apostrophe in front."""
    return f"'{said}" if said.startswith(RUNS_AS_FORMULA) else said


def write_cell(column: Column, value: Any, system: System) -> Any:
    """A cell for a CSV or XLSX file: text or a number, in the unit the heading states; "" for unknown."""
    if value is None:
        return ""
    if column.many:
        parts: Iterable[Any] = value
        return safe_text("; ".join(str(_write_one(column, v, system)) for v in parts))
    return _write_one(column, value, system)


def _write_one(column: Column, value: Any, system: System) -> Any:
    kind = column.kind
    if value is None:
        return ""
    if kind in _UNITS:
        unit = column.heading(system).removeprefix(column.name + "_")
        # fifteen figures less the noise that a factor leaves
        return float(f"{value / _UNITS[kind][unit]:.11g}")
    if kind is Kind.CHOICE:
        return str(value.value)
    if kind is Kind.YES_NO:
        return "yes" if value else "no"
    if kind is Kind.DATE:
        return f"{value:%Y-%m-%d}"
    if kind is Kind.MOMENT:
        return f"{value:%Y-%m-%d %H:%M}"
    if kind is Kind.CLOCK:
        return f"{value // 60:02d}:{value % 60:02d}"
    if kind in (Kind.NUMBER, Kind.WHOLE):
        return value
    return safe_text(str(value))
