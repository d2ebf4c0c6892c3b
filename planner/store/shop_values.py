"""Every record of a shop as rows of the documented files, the way `shop_files` reads them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from sqlalchemy import Connection, select

from planner.errors import InputError
from planner.shop import (
    MATERIALS,
    Closure,
    Cut,
    Cutter,
    EngineFamily,
    Family,
    Gasket,
    HandOver,
    HeightReading,
    Insert,
    InsertGrade,
    Job,
    Machine,
    MatchedSet,
    MeasuredEngine,
    Overtime,
    Part,
    Person,
    Recipe,
)
from planner.store import file_cut_tables as fct
from planner.store import file_engine_tables as engine_tables
from planner.store import file_tables as ft
from planner.store import tables
from planner.store.engine_files import bank_rows, chamber_rows, engine_row, hand_over_row, reported_rows
from planner.store.file_columns import Column, Kind, Table
from planner.store.file_rows import noun_values, write_breaks, write_gate
from planner.store.file_tables import gate_column
from planner.store.live import stored_check, stored_survey
from planner.store.measured_files import INTAKE_CHECKS, SURVEY_POINTS, check_row, survey_rows
from planner.store.rows import load_nouns, load_settings, noun_of, standing_heights
from planner.store.shop_files import RENAMES

PART_NUMBER = Column("part", "the part's number: one tag may have served two parts", Kind.WHOLE)

Rows = Iterable[Mapping[str, Any]]


def part_values(part: Part, family: str) -> dict[str, Any]:
    """Columns of a part's file, gates included."""
    row = noun_values(part, ft.PARTS.columns) | {"family": family}
    return row | {gate_column(g.kind): write_gate(g) for g in part.route}


def shop_values(connection: Connection) -> Iterator[tuple[Table, Rows]]:
    """(table, rows) of every documented file of the shop, within a reading transaction."""
    return _Shop(connection).all()


def _with_part(table: Table) -> Table:
    return Table(table.name, table.row, (*table.columns, PART_NUMBER))


class _Shop:
    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self.families = load_nouns(connection, Family)
        self.machines = load_nouns(connection, Machine)
        self.people = load_nouns(connection, Person)
        self.grades = load_nouns(connection, InsertGrade)
        self.cutters = load_nouns(connection, Cutter)
        self.recipes = load_nouns(connection, Recipe)
        self.inserts = load_nouns(connection, Insert)
        self.gaskets = load_nouns(connection, Gasket)
        self.parts = load_nouns(connection, Part)
        self.faces = {face.id: face for f in self.families.values() for face in f.faces}

    def all(self) -> Iterator[tuple[Table, Rows]]:
        yield ft.SETTINGS, [self.settings()]
        yield ft.FAMILIES, [self.plain(f, ft.FAMILIES) | {"material": _material(f)} for f in self.families.values()]
        yield from self.face_files()
        for table, nouns in ((ft.GASKETS, self.gaskets), (ft.GRADES, self.grades)):
            yield table, [self.plain(n, table) for n in nouns.values()]
        yield ft.MACHINES, [self.machine(m) for m in self.machines.values()]
        yield (
            ft.TRAM,
            [noun_values(t, ft.TRAM.columns) | {"machine": m.name} for m in self.machines.values() for t in m.tram],
        )
        yield (
            ft.PEOPLE,
            [
                self.plain(p, ft.PEOPLE) | {"machines": tuple(self.machines[i].name for i in p.machine_ids)}
                for p in self.people.values()
            ],
        )
        yield ft.HOURS, list(self.hours())
        for table, kind in ((ft.CLOSURES, Closure), (ft.OVERTIME, Overtime)):
            yield table, [self.linked(n, table) for n in load_nouns(self.connection, kind).values()]
        yield ft.CUTTERS, [self.linked(c, ft.CUTTERS) for c in self.cutters.values()]
        yield (
            ft.RECIPES,
            [self.linked(r, ft.RECIPES) | {"material": _material(r)} for r in self.recipes.values()],
        )
        yield ft.INSERTS, [self.linked(i, ft.INSERTS) for i in self.inserts.values()]
        yield from self.part_files()
        yield from self.engine_files()
        yield from self.measured_files()
        yield from self.record_files()

    # -- one noun ------------------------------------------------------------------------------------------------------
    @staticmethod
    def plain(noun: Any, table: Table) -> dict[str, Any]:
        return noun_values(noun, table.columns, RENAMES.get(table.name))

    def linked(self, noun: Any, table: Table) -> dict[str, Any]:
        """A noun's columns, and the names of what it points to."""
        row = self.plain(noun, table)
        for column, known in (
            ("machine", self.machines),
            ("person", self.people),
            ("grade", self.grades),
            ("cutter", self.cutters),
            ("gasket", self.gaskets),
        ):
            key = getattr(noun, f"{column}_id", None)
            if key is not None and table.column(column) is not None:
                row[column] = known[key].name
        return row

    def settings(self) -> dict[str, Any]:
        settings = load_settings(self.connection)
        row = noun_values(settings, ft.SETTINGS.columns)
        return row | {
            "leaves": tuple(t for t, _ in settings.leaves_mm),
            "leaf_counts": tuple(n for _, n in settings.leaves_mm),
            "owners": tuple(owner for owner, _ in settings.owner_values),
            "owner_rebuild_values": tuple(worth for _, worth in settings.owner_values),
        }

    def machine(self, machine: Machine) -> dict[str, Any]:
        dial = noun_values(machine.instrument, ft.MACHINES.columns, RENAMES["instruments"])
        return dial | self.plain(machine, ft.MACHINES) | {"instrument": machine.instrument.name}

    def hours(self) -> Iterator[dict[str, Any]]:
        for who, nouns, field in (("machine", self.machines, "hours"), ("person", self.people, "shifts")):
            for noun in nouns.values():
                for window in getattr(noun, field):
                    yield {
                        who: noun.name,
                        "weekday": window.weekday,
                        "start": window.start_minute,
                        "end": window.end_minute,
                        "breaks": write_breaks(window),
                    }

    # -- groups of files -----
    def face_files(self) -> Iterator[tuple[Table, Rows]]:
        faces, points, openings, depths = [], [], [], []
        for family in self.families.values():
            for face in family.faces:
                where = {"family": family.name, "face": face.name}
                limit = noun_values(face.limit, ft.FACES.columns)
                faces.append(self.plain(face, ft.FACES) | limit | where)
                points += [where | {"point": p.name, "x": p.x_mm, "y": p.y_mm} for p in face.points]
                openings += [where | {"zone": "opening"} | _circle(c) for c in face.openings]
                openings += [
                    where
                    | {"zone": z.kind.value, "name": z.name, "land": z.land_mm, "counts": z.counts}
                    | _circle(z.circle)
                    for z in face.zones
                ]
                depths += [where | noun_values(d, ft.FACE_DEPTHS.columns) for d in face.depths]
        yield ft.FACES, faces
        yield ft.FACE_POINTS, points
        yield ft.FACE_OPENINGS, openings
        yield ft.FACE_DEPTHS, depths

    def part_files(self) -> Iterator[tuple[Table, Rows]]:
        numbered = [(p, {"tag": p.tag, "part": p.id}) for p in self.parts.values()]
        yield (
            _with_part(ft.PARTS),
            [part_values(p, self.families[p.family_id].name) | where for p, where in numbered],
        )
        yield (
            _with_part(ft.HOLDS),
            [noun_values(h, ft.HOLDS.columns) | where for p, where in numbered for h in p.holds],
        )
        yield _with_part(ft.HEIGHTS), list(self.heights())
        depths = engine_tables.PART_DEPTHS
        yield (
            _with_part(depths),
            [noun_values(d, depths.columns) | self.where(p.id, d.face_id) for p, _ in numbered for d in p.depths],
        )
        jobs = load_nouns(self.connection, Job)
        yield (
            _with_part(ft.JOBS),
            [self.linked(j, ft.JOBS) | self.where(j.part_id, j.face_id) for j in jobs.values()],
        )
        yield ft.SETS, [self.plain(s, ft.SETS) for s in load_nouns(self.connection, MatchedSet).values()]

    def engine_files(self) -> Iterator[tuple[Table, Rows]]:
        engines = load_nouns(self.connection, EngineFamily)
        measured = load_nouns(self.connection, MeasuredEngine)
        yield engine_tables.ENGINES, [engine_row(e, self.families) for e in engines.values()]
        rows = [row for m in measured.values() for row in bank_rows(m, engines[m.engine_id])]
        yield engine_tables.MEASURED_BANKS, rows
        yield engine_tables.CHAMBERS, [row for m in measured.values() for row in chamber_rows(m)]
        yield engine_tables.REPORTED_CUTS, [row for m in measured.values() for row in reported_rows(m)]
        done = load_nouns(self.connection, HandOver)
        yield engine_tables.HAND_OVERS, [hand_over_row(d) for d in done.values()]

    def where(self, part_id: int, face_id: int) -> dict[str, Any]:
        return {"tag": self.parts[part_id].tag, "part": part_id, "face": self.faces[face_id].name}

    def heights(self) -> Iterator[dict[str, Any]]:
        """Readings of their own; those of a cut stand in its file."""
        table = tables.height_readings
        query = select(table).where(standing_heights(), table.c.cut_id.is_(None)).order_by(table.c.id)
        for row in self.connection.execute(query).mappings():
            reading = noun_of(HeightReading, table, row)
            yield noun_values(reading, ft.HEIGHTS.columns) | self.where(row["part_id"], reading.face_id)

    def measured_files(self) -> Iterator[tuple[Table, Rows]]:
        checks, points = [], []
        query = select(tables.intake_checks).order_by(tables.intake_checks.c.id)
        for row in self.connection.execute(query).mappings():
            said = row["payload"]
            checks.append(
                check_row(stored_check(row), said.get("gaps") or {}) | self.where(row["part_id"], row["face_id"])
            )
        query = select(tables.surveys).order_by(tables.surveys.c.id)
        for row in self.connection.execute(query).mappings():
            try:
                survey = stored_survey(row)
            except InputError:  # of a stage that is kept as it was taken, not read back
                continue
            points += [point | self.where(survey.part_id, survey.face_id) for point in survey_rows(survey)]
        yield _with_part(INTAKE_CHECKS), checks
        yield _with_part(SURVEY_POINTS), points

    def record_files(self) -> Iterator[tuple[Table, Rows]]:
        cuts = load_nouns(self.connection, Cut)
        yield _with_part(fct.CUTS), [self.cut(c) for c in cuts.values()]
        yield (
            fct.PASSES,
            [self.plain(p, fct.PASSES) | {"cut": c.id} for c in cuts.values() for p in c.passes],
        )
        yield (
            fct.CUT_HEIGHTS,
            [{"cut": c.id, "point": p, "height": h} for c in cuts.values() for p, h in c.heights_mm.items()],
        )
        yield (
            fct.CUT_MINUTES,
            [{"cut": c.id, "step": s, "minutes": m} for c in cuts.values() for s, m in c.step_minutes.items()],
        )
        yield (
            fct.EDGE_USES,
            [
                noun_values(u, fct.EDGE_USES.columns) | {"cut": c.id, "insert": self.inserts[u.insert_id].label}
                for c in cuts.values()
                for u in c.uses
            ],
        )
        yield fct.EDGE_EVENTS, list(self.edge_events())

    def cut(self, cut: Cut) -> dict[str, Any]:
        row = self.linked(cut, fct.CUTS) | self.where(cut.part_id, cut.face_id)
        recipe = None if cut.recipe_id is None else self.recipes[cut.recipe_id]
        return row | {"job": cut.job_id, "recipe_material": recipe and _material(recipe)}

    def edge_events(self) -> Iterator[dict[str, Any]]:
        """The changes that stand; one that was taken back is left out with the entry that did it."""
        table = tables.edge_events
        rows = self.connection.execute(select(table).order_by(table.c.id)).mappings().all()
        undone = {row["reverses_id"] for row in rows}
        for row in rows:
            if row["reverses_id"] is not None or row["id"] in undone:
                continue
            told = row["payload"]
            before = told.get("from_insert_id")
            yield {
                "at": row["at"],
                "event": row["kind"],
                "insert": None if row["insert_id"] is None else self.inserts[row["insert_id"]].label,
                "position": row["position"],
                "from_insert": None if before is None else self.inserts[before].label,
                "from_position": told.get("from_position"),
                "cutter": None if row["cutter_id"] is None else self.cutters[row["cutter_id"]].name,
                "pocket": row["pocket"],
                "reason": told.get("end"),
                "grade": None if row["grade_id"] is None else self.grades[row["grade_id"]].name,
                "count": row["count"],
                "cost": row["cost"],
                "wear": told.get("wear_mm"),
                "positions": " ".join(str(p) for p in told.get("positions", ())) or None,
                "machine": None if told.get("machine_id") is None else self.machines[told["machine_id"]].name,
                "by": row["by"],
                "note": row["note"],
            }


def _material(noun: Any) -> str:
    return MATERIALS[noun.material].name


def _circle(circle: Any) -> dict[str, float]:
    return {"x": circle.x_mm, "y": circle.y_mm, "radius": circle.radius_mm}
