"""Building nouns from the rows of an imported file, so that every fault of a row is found, not only its first."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any

from planner.errors import InputError
from planner.shop import Face
from planner.store.file_columns import RowProblem, Table, shown
from planner.store.file_rows import Row, column_of


class Problems:
    """What is wrong in a file, each cell once."""

    def __init__(self, table: Table, found: Iterable[RowProblem] = ()) -> None:
        self.table = table
        self.found = list(found)
        self._seen = {(p.row, p.column) for p in self.found}

    def note(self, row: Row, column: str, accepted: str) -> None:
        """A problem of a cell, quoted as it stands in the file."""
        if (row.number, column) not in self._seen:
            self._seen.add((row.number, column))
            self.found.append(RowProblem(row.number, column, shown(row.written.get(column)), accepted))

    def note_error(self, row: Row, error: InputError, renames: Mapping[str, str] | None = None) -> None:
        """A noun's refusal. Its limits are in inside units: say so beside a figure in the shop's own."""
        name = column_of(error.field, self.table, renames)
        column, accepted = self.table.column(name), error.accepted
        unit = "" if column is None else column.inside_unit
        if unit and re.search("[1-9]", accepted) and unit not in accepted:
            accepted += f" ({unit})"
        self.note(row, name, accepted)

    def sorted(self) -> tuple[RowProblem, ...]:
        return tuple(sorted(self.found, key=lambda p: p.row))


# what a refused or missing field that a noun needs is replaced by, so that its other fields are tried all the same
_STAND_INS: Mapping[str, Any] = MappingProxyType(
    {
        "name": "stand-in",
        "tag": "stand-in",
        "material": "aluminium",
        "length_mm": 9000.0,
        "width_mm": 9000.0,
        "crushed_mm": 1.0,
        "bore_mm": 90.0,
        "stroke_mm": 80.0,
        "diameter_mm": 300.0,
        "speed_m_min": 500.0,
        "rough_feed_mm": 0.1,
        "finish_feed_mm": 0.1,
        "least_pass_mm": 0.01,
        "usual_pass_mm": 0.05,
        "greatest_pass_mm": 0.1,
    }
)


def build(
    noun: type, row: Row, fields: Mapping[str, Any], problems: Problems, renames: Mapping[str, str] | None = None
) -> Any:
    """The noun, or None with a problem for each field it refuses: a refused field is left out and the rest tried."""
    left = dict(fields)
    needed = {
        f.name
        for f in dataclasses.fields(noun)
        if f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
    }
    missing = needed - set(left)
    left |= {name: _STAND_INS[name] for name in missing if name in _STAND_INS}
    refused = bool(missing)
    tried: set[str] = set()
    while needed <= set(left):
        try:
            made = noun(**left)
        except InputError as error:
            problems.note_error(row, error, renames)
            refused = True
            name = re.sub(r"\[.*?\]", "", error.field).rsplit(".", 1)[-1]
            if name not in left or name in tried:
                return None
            tried.add(name)
            if name in needed and name in _STAND_INS:
                left[name] = _STAND_INS[name]
            else:
                del left[name]
        else:
            return None if refused else made
    return None


def same_name(name: str) -> str:
    """A name as it is compared: capitals and blanks do not matter."""
    return " ".join(name.split()).lower()


def by_name(nouns: Mapping[int, Any], field: str = "name") -> dict[str, Any]:
    return {same_name(getattr(n, field)): n for n in nouns.values()}


def look_up(row: Row, column: str, known: Mapping[str, Any], what: str, problems: Problems) -> Any:
    """The noun a cell names; None for an empty cell, or with a problem for a name that is not there."""
    name = row.get(column)
    if name is None:
        return None
    found = known.get(same_name(name))
    if found is None:
        names = sorted(n.name for n in known.values())
        few = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
        problems.note(row, column, f"{what}: {few}" if few else f"{what}; there is none yet")
    return found


def check_height(face: Face, height_mm: float, row: Row, column: str, problems: Problems) -> None:
    """Note a height no part of this face can have: above new by more than a weld would add, far below, or absurd."""
    if face.new_height_mm is None:
        low, high, why = 1.0, 3000.0, ""
    else:
        # a metal build-up may stand above new; half of it gone is a slip of the unit or of a digit
        low, high = 0.5 * face.new_height_mm, face.new_height_mm + 2.0
        why = f" (new height {face.new_height_mm:.3f} mm = {face.new_height_mm / 25.4:.4f} in)"
    if not low <= height_mm <= high:
        accepted = f"a height from {low:.1f} to {high:.1f} mm ({low / 25.4:.3f} to {high / 25.4:.3f} in){why}"
        problems.note(row, column, accepted)


def names_once(rows: Iterable[Row], column: str, taken: Iterable[str], whose: str, problems: Problems) -> None:
    """Note a name that stands twice in the file, or that the shop has already."""
    held = {same_name(t) for t in taken}
    first: dict[str, int] = {}
    for row in rows:
        name = row.get(column)
        if not name:
            continue
        key = same_name(name)
        if key in first:
            problems.note(row, column, f"each {column} once; row {first[key]} has it too")
        elif key in held:
            problems.note(row, column, f"a {column} {whose}")
        first.setdefault(key, row.number)
