"""Readings as people and probes hand them over: a column in sweeping order, names with readings, or x, y, z."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from planner.errors import InputError

MOST_POINTS = 2000
_NAMES, _READINGS = ("name", "point", "place"), ("reading", "z", "height", "value")


@dataclass(frozen=True)
class ReadIn:
    """What was read: ``readings`` mm by name, or ``places`` name -> (x, y) mm besides where the file brought its own.

    ``problems``: one sentence for every row that could not be read; with any of them nothing may be used.
    """

    readings: dict[str, float]
    places: dict[str, tuple[float, float]] | None
    problems: tuple[str, ...]


def read_readings(
    text: str, names: Sequence[str], read_mm: Callable[[str], float], greatest_mm: float = 25.0
) -> ReadIn:
    """Read pasted text or a CSV file.

    Three forms: one reading a row, in the order of ``names``; ``name, reading``; ``x, y, z`` (a probe's export). Columns
    are parted by comma, semicolon, tab or, without these, blanks; a first row that names the columns may stand in front.
    ``read_mm`` turns one figure, with or without a unit of its own, into mm and raises `InputError`.
    """
    rows = [(k, row) for k, row in enumerate(_rows(text), 1) if any(cell for cell in row)]
    if not rows:
        return ReadIn({}, None, ("nothing to read: it is empty",))
    header = _header(rows[0][1])
    if header is not None:
        rows = rows[1:]
    width = max((len(row) for _, row in rows), default=0)
    problems: list[str] = []
    if not rows:
        return ReadIn({}, None, ("only a row of names, no reading under it",))

    def figure(line: int, what: str, cell: str) -> float | None:
        if not cell:
            problems.append(f"row {line}, {what}: it is empty, a figure is needed")
            return None
        try:
            value = read_mm(cell)
        except InputError as wrong:
            problems.append(f"row {line}, {what}: “{cell}” is not {wrong.accepted}")
            return None
        if what != "x" and what != "y" and abs(value) > greatest_mm:
            problems.append(f"row {line}, {what}: “{cell}” is more than {greatest_mm:g} mm; is the unit right?")
            return None
        return value

    if width >= 3 and (header is None or {"x", "y", "z"} <= set(header)):
        order = [header.index(c) for c in "xyz"] if header else [0, 1, 2]
        return _probe(rows, order, figure, problems)
    if width == 2 or (header is not None and any(c in _NAMES for c in header)):
        name_at = next((header.index(c) for c in header if c in _NAMES), 0) if header else 0
        value_at = next((header.index(c) for c in header if c in _READINGS), 1) if header else 1
        return _named(rows, name_at, value_at, names, figure, problems)
    found: dict[str, float] = {}
    if len(rows) != len(names):
        problems.append(f"{len(rows)} readings for {len(names)} points: one a row, in sweeping order")
    for (line, row), name in zip(rows, names, strict=False):
        value = figure(line, "reading", row[0])
        if value is not None:
            found[name] = value
    return ReadIn(found, None, tuple(problems))


def _probe(rows, order, figure, problems) -> ReadIn:
    found, places, seen = {}, {}, {}
    for line, row in rows:
        if len(row) <= max(order):
            problems.append(f"row {line}: {len(row)} figures where x, y and z are needed")
            continue
        x, y, z = (figure(line, what, row[at]) for what, at in zip("xyz", order, strict=True))
        if None in (x, y, z):
            continue
        if (x, y) in seen:
            problems.append(f"row {line}: the same place as row {seen[x, y]}")
            continue
        seen[x, y] = line
        name = f"{len(found) + 1}"
        found[name], places[name] = z, (x, y)
    if len(found) > MOST_POINTS:
        problems.append(f"{len(found)} points; at most {MOST_POINTS} make a survey")
    elif len(found) < 3 and not problems:
        problems.append(f"{len(found)} points; a survey has three or more")
    return ReadIn(found, places, tuple(problems))


def _named(rows, name_at, value_at, names, figure, problems) -> ReadIn:
    known = {name.casefold(): name for name in names}
    found: dict[str, float] = {}
    for line, row in rows:
        if len(row) <= max(name_at, value_at):
            problems.append(f"row {line}: a name and a reading are needed")
            continue
        name = known.get(row[name_at].casefold())
        if name is None:
            problems.append(f"row {line}: “{row[name_at]}” is no point of this sweep ({', '.join(names)})")
        elif name in found:
            problems.append(f"row {line}: {name} stands there twice")
        else:
            value = figure(line, "reading", row[value_at])
            if value is not None:
                found[name] = value
    missing = [name for name in names if name not in found]
    if missing and not problems:
        problems.append(f"no reading for {', '.join(missing)}")
    return ReadIn(found, None, tuple(problems))


def _rows(text: str) -> list[list[str]]:
    lines = text.lstrip("\ufeff").splitlines()
    filled = [line for line in lines if line.strip()]
    mark = next((m for m in "\t;," if any(m in line for line in filled)), None)
    if mark == "," and all(re.fullmatch(r"\s*[+-]?\d*(?:,\d+)?\s*", line) for line in filled):
        mark = None  # one column of figures with a decimal comma
    if mark is None:
        # "1.5 thou" is one cell: a figure with its unit
        return [[c.strip() for c in re.split(r"\s+(?=[+-]?[\d.,])", line.strip())] for line in lines]
    return [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=mark)]


def _header(row: list[str]) -> list[str] | None:
    cells = [cell.casefold() for cell in row]
    known = {"x", "y", *_NAMES, *_READINGS}
    return cells if cells and any(c in known for c in cells) else None
