"""A whole shop as a folder of CSV files, read into nouns. Files link by names and numbers; see `file_tables`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from planner.errors import InputError
from planner.shop import (
    Circle,
    Closure,
    Cut,
    Cutter,
    DepthInstrument,
    DepthLine,
    DepthReading,
    EdgeUse,
    EngineFamily,
    Face,
    FaceSurvey,
    Family,
    Gasket,
    HandOver,
    HeightReading,
    Hold,
    Insert,
    InsertGrade,
    IntakeCheck,
    Job,
    Limit,
    Machine,
    MatchedSet,
    MeasuredEngine,
    MeasuringPoint,
    Overtime,
    Part,
    PassRecord,
    Person,
    Recipe,
    Settings,
    TramReading,
    Zone,
    ZoneKind,
)
from planner.shop.materials import material
from planner.store import file_cut_tables as fct
from planner.store import file_tables as ft
from planner.store.edges import EdgeEvent
from planner.store.engine_files import read_engines, read_hand_overs, read_measured
from planner.store.file_columns import Table
from planner.store.file_engine_tables import PART_DEPTHS
from planner.store.file_reading import read_table
from planner.store.file_rows import Mover, Row, noun_fields, read_route, read_rows, read_window
from planner.store.measured_files import read_checks, read_surveys

RENAMES: Mapping[str, Mapping[str, str]] = {
    "families": {"family": "name", "part_kind": "kind"},
    "faces": {"face": "name", "face_kind": "kind"},
    "face_points": {"point": "name"},
    "gaskets": {"gasket": "name"},
    "grades": {"grade": "name"},
    "machines": {"machine": "name"},
    "instruments": {"instrument": "name"},
    "people": {"person": "name"},
    "cutters": {"cutter": "name"},
    "inserts": {"insert": "label"},
    "jobs": {"job": "id", "job_state": "state", "job_note": "note"},
    "matched_sets": {"set": "name", "jobs": "job_ids"},
    "cuts": {"cut": "id", "reverses": "reverses_id"},
    "passes": {"pass_reason": "reason"},
}
# a record of many years is longer than what people import
_MOST_ROWS = 10_000_000
LIMIT_COLUMNS = ("least_height", "greatest_removal")
INSTRUMENT_COLUMNS = ("instrument", "counts", "per_turn", "zeroable", "step", "backlash")


@dataclass(frozen=True)
class ShopContents:
    """Every noun of a shop with its id, ready to be stored."""

    settings: Settings
    families: tuple[Family, ...] = ()
    gaskets: tuple[Gasket, ...] = ()
    grades: tuple[InsertGrade, ...] = ()
    machines: tuple[Machine, ...] = ()
    people: tuple[Person, ...] = ()
    closures: tuple[Closure, ...] = ()
    overtime: tuple[Overtime, ...] = ()
    cutters: tuple[Cutter, ...] = ()
    recipes: tuple[Recipe, ...] = ()
    inserts: tuple[Insert, ...] = ()
    parts: tuple[Part, ...] = ()
    jobs: tuple[Job, ...] = ()
    sets: tuple[MatchedSet, ...] = ()
    cuts: tuple[Cut, ...] = ()
    edge_events: tuple[EdgeEvent, ...] = ()
    engines: tuple[EngineFamily, ...] = ()
    measured_engines: tuple[MeasuredEngine, ...] = ()
    hand_overs: tuple[HandOver, ...] = ()
    checks: tuple[IntakeCheck, ...] = ()
    surveys: tuple[FaceSurvey, ...] = ()


class ShopFiles:
    """Reads the files of one shop; raises `InputError` naming file, row and column at the first fault."""

    def __init__(self, files: Mapping[str, bytes], move: Mover | None = None) -> None:
        self._files = files
        self._move = move

    def rows(self, table: Table, required: bool = False) -> tuple[Row, ...]:
        data = self._files.get(f"{table.name}.csv")
        if data is None or data.count(b"\n") < 2:
            if required:
                raise InputError(f"{table.name}.csv", "missing or empty", f"a file with {table.row} in each row")
            return ()
        read = read_rows(read_table(data, f"{table.name}.csv", most_rows=_MOST_ROWS), table, None, self._move)
        if read.problems:
            first = read.problems[0]
            raise InputError(f"{table.name}.csv row {first.row} {first.column}", first.value, first.accepted)
        if read.ask_units:
            raise InputError(f"{table.name}.csv", "figures without a unit", "headings that state their unit")
        return read.rows

    def nouns(self, table: Table, build: Callable[[Row], Any], required: bool = False) -> tuple[Any, ...]:
        return tuple(self._build(table, row, lambda r=row: build(r)) for row in self.rows(table, required))

    @staticmethod
    def _build(table: Table, row: Row, build: Callable[[], Any]) -> Any:
        try:
            return build()
        except InputError as error:
            where = f"{table.name}.csv row {row.number} {error.field}"
            raise InputError(where, error.value, error.accepted) from None


def look_up(known: Mapping[Any, Any], field: str, name: Any, what: str) -> Any:
    """The id behind a name; None for no name. Raises `InputError` for a name that is not there."""
    if name is None:
        return None
    try:
        return known[name]
    except KeyError:
        raise InputError(field, name, what) from None


def simple(table: Table, noun: type, row: Row, **more: Any) -> Any:
    """A noun whose fields are the columns of its table."""
    renames = RENAMES.get(table.name)
    mine = [c for c in table.columns if c.name not in more and c.name + "_id" not in more]
    return noun(**noun_fields(row, mine, renames), **more)


def face_of(row: Row, columns: Iterable[Any], **more: Any) -> Face:
    """A face from the columns of a face."""
    fields = noun_fields(row, [c for c in columns if c.name not in LIMIT_COLUMNS], RENAMES["faces"])
    limit = noun_fields(row, [c for c in columns if c.name in LIMIT_COLUMNS])
    return Face(**fields, limit=Limit(**limit), **more)


def machine_of(row: Row, **more: Any) -> Machine:
    columns = ft.MACHINES.columns
    dial = noun_fields(row, [c for c in columns if c.name in INSTRUMENT_COLUMNS], RENAMES["instruments"])
    rest = noun_fields(row, [c for c in columns if c.name not in INSTRUMENT_COLUMNS], RENAMES["machines"])
    return Machine(**rest, instrument=DepthInstrument(**dial), **more)


def _grouped(pairs: Iterable[tuple[Any, Any]]) -> dict[Any, tuple[Any, ...]]:
    found: dict[Any, list[Any]] = {}
    for key, value in pairs:
        found.setdefault(key, []).append(value)
    return {k: tuple(v) for k, v in found.items()}


def _ids(nouns: Iterable[Any], name: str) -> dict[Any, int]:
    return {getattr(n, name): n.id for n in nouns}


def _numbered(nouns: Iterable[Any]) -> tuple[Any, ...]:
    return tuple(replace(n, id=i) for i, n in enumerate(nouns, start=1))


def read_shop(files: Mapping[str, bytes], move: Mover | None = None) -> ShopContents:
    """The nouns of a shop from its files (name -> bytes), every date moved by ``move``.

    Raises `InputError` naming file, row and column at the first fault: nothing half-read comes back.
    """
    source = ShopFiles(files, move)
    settings = _settings(source)
    families = _families(source)
    family_ids = _ids(families, "name")
    face_ids = {(f.name, face.name): face.id for f in families for face in f.faces}
    gaskets = _numbered(source.nouns(ft.GASKETS, lambda r: simple(ft.GASKETS, Gasket, r)))
    grades = _numbered(source.nouns(ft.GRADES, lambda r: simple(ft.GRADES, InsertGrade, r)))
    machines, people = _machines_and_people(source)
    machine_ids, person_ids, grade_ids = _ids(machines, "name"), _ids(people, "name"), _ids(grades, "name")

    def who(row: Row) -> dict[str, Any]:
        return {
            "machine_id": look_up(machine_ids, "machine", row.get("machine"), "a machine of machines.csv"),
            "person_id": look_up(person_ids, "person", row.get("person"), "a person of people.csv"),
        }

    def away(table: Table, noun: type) -> tuple[Any, ...]:
        plain = [c for c in table.columns if c.name not in ("machine", "person")]
        return _numbered(source.nouns(table, lambda r: noun(**noun_fields(r, plain), **who(r))))

    def grade(row: Row) -> int | None:
        return look_up(grade_ids, "grade", row.get("grade"), "a grade of grades.csv")

    cutters = _numbered(
        source.nouns(
            ft.CUTTERS,
            lambda r: simple(
                ft.CUTTERS,
                Cutter,
                r,
                machine_id=look_up(machine_ids, "machine", r.get("machine"), "a machine of machines.csv"),
                grade_id=grade(r),
            ),
        )
    )
    recipes = _numbered(source.nouns(ft.RECIPES, lambda r: simple(ft.RECIPES, Recipe, r, grade_id=grade(r))))
    inserts = _numbered(source.nouns(ft.INSERTS, lambda r: simple(ft.INSERTS, Insert, r, grade_id=grade(r))))
    parts = _parts(source, families, family_ids, face_ids, move)
    part_ids = _ids(parts, "tag")
    family_of = {p.tag: families[p.family_id - 1].name for p in parts}
    gasket_ids = _ids(gaskets, "name")

    def where(row: Row) -> dict[str, Any]:
        tag = row.get("tag")
        part_id = look_up(part_ids, "tag", tag, "a tag of parts.csv")
        face = look_up(face_ids, "face", (family_of[tag], row.get("face")), "a face of the part's family")
        return {"part_id": part_id, "face_id": face}

    job_columns = [c for c in ft.JOBS.columns if c.name not in ("tag", "face", "gasket", "machine")]
    jobs = source.nouns(
        ft.JOBS,
        lambda r: Job(
            **noun_fields(r, job_columns, RENAMES["jobs"]),
            **where(r),
            gasket_id=look_up(gasket_ids, "gasket", r.get("gasket"), "a gasket of gaskets.csv"),
            machine_id=look_up(machine_ids, "machine", r.get("machine"), "a machine of machines.csv"),
        ),
    )
    sets = _numbered(source.nouns(ft.SETS, lambda r: simple(ft.SETS, MatchedSet, r)))
    insert_ids, cutter_ids = _ids(inserts, "label"), _ids(cutters, "name")
    recipe_ids = {(r.material, r.grade_id): r.id for r in recipes}
    cuts = _cuts(source, where, machine_ids, cutter_ids, grade_ids, recipe_ids, insert_ids)
    events = source.nouns(
        fct.EDGE_EVENTS,
        lambda r: _edge_event(r, insert_ids, cutter_ids, grade_ids, machine_ids),
    )
    engines = read_engines(source, families)
    return ShopContents(
        settings=settings,
        families=families,
        gaskets=gaskets,
        grades=grades,
        machines=machines,
        people=people,
        closures=away(ft.CLOSURES, Closure),
        overtime=away(ft.OVERTIME, Overtime),
        cutters=cutters,
        recipes=recipes,
        inserts=inserts,
        parts=parts,
        jobs=jobs,
        sets=sets,
        cuts=cuts,
        edge_events=events,
        engines=engines,
        measured_engines=read_measured(source, _ids(engines, "name")),
        hand_overs=read_hand_overs(source),
        checks=read_checks(source, where, settings),
        surveys=read_surveys(source, where),
    )


def _edge_event(
    row: Row,
    insert_ids: Mapping[str, int],
    cutter_ids: Mapping[str, int],
    grade_ids: Mapping[str, int],
    machine_ids: Mapping[str, int],
) -> EdgeEvent:
    before = look_up(insert_ids, "from_insert", row.get("from_insert"), "an insert of inserts.csv")
    told = {"end": row.get("reason"), "from_insert_id": before, "from_position": row.get("from_position")}
    told["wear_mm"] = row.get("wear")
    told["machine_id"] = look_up(machine_ids, "machine", row.get("machine"), "a machine of machines.csv")
    if row.get("positions"):
        told["positions"] = [whole_of("positions", piece) for piece in row.get("positions").split()]
    return EdgeEvent(
        kind=row.get("event"),
        at=row.get("at"),
        by=row.get("by") or "",
        insert_id=look_up(insert_ids, "insert", row.get("insert"), "an insert of inserts.csv"),
        position=row.get("position"),
        cutter_id=look_up(cutter_ids, "cutter", row.get("cutter"), "a cutter of cutters.csv"),
        pocket=row.get("pocket"),
        grade_id=look_up(grade_ids, "grade", row.get("grade"), "a grade of grades.csv"),
        count=row.get("count"),
        cost=row.get("cost"),
        note=row.get("note") or "",
        payload={name: value for name, value in told.items() if value is not None},
    )


def whole_of(name: str, text: str) -> int:
    """A whole number as typed."""
    if not text.isdigit():
        raise InputError(name, text, "whole numbers with blanks between")
    return int(text)


def _settings(source: ShopFiles) -> Settings:
    def build(row: Row) -> Settings:
        leaves, counts = row.get("leaves") or (), row.get("leaf_counts") or ()
        if len(leaves) != len(counts):
            raise InputError("leaf_counts", counts, f"one count for each of the {len(leaves)} leaves")
        owners, worths = row.get("owners") or (), row.get("owner_rebuild_values") or ()
        if len(owners) != len(worths):
            raise InputError("owner_rebuild_values", worths, f"one value for each of the {len(owners)} owners")
        apart = ("leaves", "leaf_counts", "reference_monday", "feelers", "owners", "owner_rebuild_values")
        columns = [c for c in ft.SETTINGS.columns if c.name not in apart]
        more: dict[str, Any] = {}
        if owners:
            more["owner_values"] = tuple(zip(owners, worths, strict=True))
        if leaves:
            more["leaves_mm"] = tuple(zip(leaves, counts, strict=True))
        if row.get("feelers"):
            more["feelers_mm"] = row.get("feelers")
        return Settings(**noun_fields(row, columns), **more)

    return source.nouns(ft.SETTINGS, build, required=True)[0]


def _families(source: ShopFiles) -> tuple[Family, ...]:
    def key(row: Row) -> tuple[str, str]:
        return row.get("family"), row.get("face")

    points = _grouped(
        (key(r), MeasuringPoint(r.get("point"), r.get("x"), r.get("y"))) for r in source.rows(ft.FACE_POINTS)
    )
    openings: dict[Any, list[Circle]] = {}
    zones: dict[Any, list[Zone]] = {}
    for row in source.rows(ft.FACE_OPENINGS):
        circle = Circle(row.get("x"), row.get("y"), row.get("radius"))
        if row.get("zone") == "opening":
            openings.setdefault(key(row), []).append(circle)
        else:
            counts = row.get("counts")
            zones.setdefault(key(row), []).append(
                Zone(row.get("name"), ZoneKind(row.get("zone")), circle, row.get("land"), counts is None or counts)
            )
    depth_columns = [c for c in ft.FACE_DEPTHS.columns if c.name not in ("family", "face")]
    depths = _grouped((key(r), DepthLine(**noun_fields(r, depth_columns))) for r in source.rows(ft.FACE_DEPTHS))
    face_columns = [c for c in ft.FACES.columns if c.name != "family"]
    faces: dict[str, list[Face]] = {}
    for number, row in enumerate(source.rows(ft.FACES, required=True), start=1):
        face = source._build(
            ft.FACES,
            row,
            lambda r=row, n=number: face_of(
                r,
                face_columns,
                id=n,
                points=points.get(key(r), ()),
                openings=tuple(openings.get(key(r), ())),
                zones=tuple(zones.get(key(r), ())),
                depths=depths.get(key(r), ()),
            ),
        )
        faces.setdefault(row.get("family"), []).append(face)
    return _numbered(
        source.nouns(
            ft.FAMILIES, lambda r: simple(ft.FAMILIES, Family, r, faces=tuple(faces.get(r.get("family"), ()))), True
        )
    )


def _machines_and_people(source: ShopFiles) -> tuple[tuple[Machine, ...], tuple[Person, ...]]:
    tram_columns = [c for c in ft.TRAM.columns if c.name != "machine"]
    tram = _grouped((r.get("machine"), TramReading(**noun_fields(r, tram_columns))) for r in source.rows(ft.TRAM))
    hours = _grouped(
        ((r.get("machine"), r.get("person")), source._build(ft.HOURS, r, lambda r=r: read_window(r)))
        for r in source.rows(ft.HOURS)
    )
    machines = _numbered(
        source.nouns(
            ft.MACHINES,
            lambda r: machine_of(r, tram=tram.get(r.get("machine"), ()), hours=hours.get((r.get("machine"), None), ())),
        )
    )
    ids = _ids(machines, "name")
    people = _numbered(
        source.nouns(
            ft.PEOPLE,
            lambda r: simple(
                ft.PEOPLE,
                Person,
                replace(r, values={**r.values, "machines": ()}),
                shifts=hours.get((None, r.get("person")), ()),
                machine_ids=tuple(
                    look_up(ids, "machines", name, "machines of machines.csv") for name in r.get("machines") or ()
                ),
            ),
        )
    )
    return machines, people


def _parts(
    source: ShopFiles,
    families: tuple[Family, ...],
    family_ids: Mapping[str, int],
    face_ids: Mapping[tuple[str, str], int],
    move: Mover | None,
) -> tuple[Part, ...]:
    hold_columns = [c for c in ft.HOLDS.columns if c.name != "tag"]
    holds = _grouped((r.get("tag"), Hold(**noun_fields(r, hold_columns))) for r in source.rows(ft.HOLDS))
    identity = [c for c in ft.PARTS.columns if c.name != "family" and not c.name.startswith("gate_")]
    number = iter(range(1, 10_000_000))
    parts = source.nouns(
        ft.PARTS,
        lambda r: Part(
            **noun_fields(r, identity),
            id=next(number),
            family_id=look_up(family_ids, "family", r.get("family"), "a family of families.csv"),
            route=read_route(r, move),
            holds=holds.get(r.get("tag"), ()),
        ),
    )
    family_of = {p.tag: families[p.family_id - 1].name for p in parts}
    if len(family_of) != len(parts):
        raise InputError("parts.csv tag", len(parts) - len(family_of), "each tag once")
    reading_columns = [c for c in ft.HEIGHTS.columns if c.name not in ("tag", "face")]
    heights = _grouped(
        (
            r.get("tag"),
            HeightReading(
                face_id=look_up(face_ids, "face", (family_of.get(r.get("tag")), r.get("face")), "a face of the part"),
                **noun_fields(r, reading_columns),
            ),
        )
        for r in source.rows(ft.HEIGHTS)
    )
    depth_columns = [c for c in PART_DEPTHS.columns if c.name not in ("tag", "face")]
    depths = _grouped(
        (
            r.get("tag"),
            DepthReading(
                face_id=look_up(face_ids, "face", (family_of.get(r.get("tag")), r.get("face")), "a face of the part"),
                **noun_fields(r, depth_columns, {"value": "value_mm"}),
            ),
        )
        for r in source.rows(PART_DEPTHS)
    )
    return tuple(replace(p, heights=heights.get(p.tag, ()), depths=depths.get(p.tag, ())) for p in parts)


def _cuts(
    source: ShopFiles,
    where: Callable[[Row], dict[str, Any]],
    machine_ids: Mapping[str, int],
    cutter_ids: Mapping[str, int],
    grade_ids: Mapping[str, int],
    recipe_ids: Mapping[tuple[str, int | None], int],
    insert_ids: Mapping[str, int],
) -> tuple[Cut, ...]:
    pass_columns = [c for c in fct.PASSES.columns if c.name != "cut"]
    passes = _grouped(
        (r.get("cut"), PassRecord(**noun_fields(r, pass_columns, RENAMES["passes"]))) for r in source.rows(fct.PASSES)
    )
    heights: dict[int, dict[str, float]] = {}
    for row in source.rows(fct.CUT_HEIGHTS):
        heights.setdefault(row.get("cut"), {})[row.get("point")] = row.get("height")
    minutes: dict[int, dict[str, float]] = {}
    for row in source.rows(fct.CUT_MINUTES):
        minutes.setdefault(row.get("cut"), {})[row.get("step")] = row.get("minutes")
    uses = _grouped(
        (
            r.get("cut"),
            EdgeUse(
                look_up(insert_ids, "insert", r.get("insert"), "an insert of inserts.csv"),
                r.get("position"),
                r.get("path"),
                r.get("swept"),
            ),
        )
        for r in source.rows(fct.EDGE_USES)
    )
    linked = ("job", "tag", "face", "machine", "cutter", "grade", "recipe_material")
    columns = [c for c in fct.CUTS.columns if c.name not in linked]

    def build(row: Row) -> Cut:
        grade_id = look_up(grade_ids, "grade", row.get("grade"), "a grade of grades.csv")
        used = row.get("recipe_material")
        recipe = None if used is None else (material("recipe_material", used), grade_id)
        number = row.get("cut")
        return Cut(
            **noun_fields(row, columns, RENAMES["cuts"]),
            **where(row),
            job_id=row.get("job"),
            machine_id=look_up(machine_ids, "machine", row.get("machine"), "a machine of machines.csv"),
            cutter_id=look_up(cutter_ids, "cutter", row.get("cutter"), "a cutter of cutters.csv"),
            grade_id=grade_id,
            recipe_id=look_up(recipe_ids, "recipe_material", recipe, "a recipe of recipes.csv"),
            passes=passes.get(number, ()),
            heights_mm=heights.get(number, {}),
            step_minutes=minutes.get(number, {}),
            uses=uses.get(number, ()),
        )

    return source.nouns(fct.CUTS, build)
