"""Families and the shop's other nouns from the rows of a file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.errors import InputError
from planner.shop import (
    Cutter,
    DepthInstrument,
    EngineFamily,
    Face,
    Family,
    Gasket,
    InsertGrade,
    Limit,
    Machine,
    Person,
    Recipe,
    Shop,
)
from planner.shop.materials import material
from planner.store import file_tables as ft
from planner.store.engine_files import ENGINE_RENAMES, engine_fields
from planner.store.file_columns import Column, Table
from planner.store.file_rows import Row, noun_fields
from planner.store.import_checks import Problems, build, by_name, look_up, names_once, same_name
from planner.store.shop_files import INSTRUMENT_COLUMNS, LIMIT_COLUMNS, RENAMES

_FAMILY_COLUMNS = ft.FAMILIES.columns
_FACE_COLUMNS = tuple(c for c in ft.FACES.columns if c.name != "family")


def families_of(rows: tuple[Row, ...], shop: Shop, problems: Problems) -> tuple[Family, ...]:
    taken = {same_name(f.name) for f in shop.families.values()}
    groups: dict[str, list[Row]] = {}
    for row in rows:
        if row.get("family"):
            groups.setdefault(same_name(row.get("family")), []).append(row)
    found = []
    for key, members in groups.items():
        first = members[0]
        if key in taken:
            problems.note(first, "family", "a family the shop does not have yet")
        names_once(members, "face", (), "", problems)
        if first.get("material") is None and first.whole:
            problems.note(first, "material", "aluminium, grey iron or magnesium, in the family's first row")
        for row in members[1:]:
            for column in _FAMILY_COLUMNS[1:]:
                value = row.get(column.name)
                if value is not None and value != first.get(column.name):
                    wanted = f"the same as in row {first.number}, or nothing"
                    problems.note(row, column.name, wanted)
        faces = [_new_face(row, problems) for row in members]
        made = build(
            Family,
            first,
            noun_fields(first, _FAMILY_COLUMNS, RENAMES["families"])
            # a stand-in where a face was refused, so that the family's own columns are checked all the same
            | {"faces": tuple(f or Face(f"face {i}", 1, 1) for i, f in enumerate(faces))},
            problems,
            RENAMES["families"],
        )
        if made is not None:
            found.append(made)
    return tuple(found)


def _new_face(row: Row, problems: Problems) -> Face | None:
    limit = build(Limit, row, noun_fields(row, [c for c in _FACE_COLUMNS if c.name in LIMIT_COLUMNS]), problems)
    fields = noun_fields(row, [c for c in _FACE_COLUMNS if c.name not in LIMIT_COLUMNS], RENAMES["faces"])
    return build(Face, row, fields | {"limit": limit or Limit()}, problems, RENAMES["faces"])


_NOUNS: Mapping[str, tuple[type, str]] = {
    "gaskets": (Gasket, "gaskets"),
    "grades": (InsertGrade, "grades"),
    "machines": (Machine, "machines"),
    "people": (Person, "people"),
    "cutters": (Cutter, "cutters"),
    "recipes": (Recipe, "recipes"),
}


def nouns_of(table: Table, rows: tuple[Row, ...], shop: Shop, problems: Problems) -> tuple[Any, ...]:
    if table is ft.ENGINES:
        return _engines_of(rows, shop, problems)
    noun, where = _NOUNS[table.name]
    if table.name == "recipes":
        _recipes_once(rows, shop, problems)
    else:
        taken = [n.name for n in getattr(shop, where).values()]
        names_once(rows, table.columns[0].name, taken, "the shop does not have yet", problems)
    machines, grades = by_name(shop.machines), by_name(shop.grades)
    found = []
    for row in rows:
        fields = noun_fields(row, _own_columns(table), RENAMES.get(table.name))
        if table.name in ("cutters", "recipes"):
            grade = look_up(row, "grade", grades, "an insert grade of the shop", problems)
            fields["grade_id"] = grade.id if grade else (0 if table.name == "recipes" else None)
        if table.name == "cutters":
            machine = look_up(row, "machine", machines, "a machine of the shop", problems)
            fields["machine_id"] = machine and machine.id
        elif table.name == "machines":
            columns = [c for c in table.columns if c.name in INSTRUMENT_COLUMNS]
            dial = build(DepthInstrument, row, noun_fields(row, columns, RENAMES["instruments"]), problems)
            fields["instrument"] = dial or DepthInstrument()
        elif table.name == "people":
            fields["machine_ids"] = _machine_ids(row, machines, problems)
        made = build(noun, row, fields, problems, RENAMES.get(table.name))
        if made is not None:
            found.append(made)
    return tuple(found)


def _engines_of(rows: tuple[Row, ...], shop: Shop, problems: Problems) -> tuple[EngineFamily, ...]:
    names_once(rows, "engine", [e.name for e in shop.engines.values()], "the shop does not have yet", problems)
    families = by_name(shop.families)
    found = []
    for row in rows:

        def family_id(column: str, name: str, row: Row = row) -> int | None:
            family = families.get(same_name(name))
            if family is None:
                problems.note(row, column, "families of the shop: " + ", ".join(f.name for f in families.values()))
            return family and family.id

        try:
            fields = engine_fields(row, family_id)
        except InputError as wrong:
            problems.note_error(row, wrong, ENGINE_RENAMES)
            continue
        made = build(EngineFamily, row, fields, problems, ENGINE_RENAMES)
        if made is not None:
            found.append(made)
    return tuple(found)


def _own_columns(table: Table) -> list[Column]:
    linked = {"cutters": ("machine", "grade"), "recipes": ("grade",), "people": ("machines",)}.get(table.name, ())
    dial = INSTRUMENT_COLUMNS if table.name == "machines" else ()
    return [c for c in table.columns if c.name not in linked and c.name not in dial]


def _machine_ids(row: Row, machines: Mapping[str, Machine], problems: Problems) -> tuple[int, ...]:
    found = []
    for name in row.get("machines") or ():
        machine = machines.get(same_name(name))
        if machine is None:
            wanted = "machines of the shop: " + ", ".join(m.name for m in machines.values())
            problems.note(row, "machines", wanted)
        else:
            found.append(machine.id)
    return tuple(found)


def _recipes_once(rows: tuple[Row, ...], shop: Shop, problems: Problems) -> None:
    names = {g.id: same_name(g.name) for g in shop.grades.values()}
    taken = {(r.material, names.get(r.grade_id)) for r in shop.recipes.values() if r.active}
    for row in rows:
        if not row.get("material") or not row.get("grade") or row.get("active") is False:
            continue
        try:
            key = (material("material", row.get("material")), same_name(row.get("grade")))
        except InputError:
            continue  # told when the recipe is built
        if key in taken:
            problems.note(row, "material", "one active recipe for a material and a grade")
        taken.add(key)
