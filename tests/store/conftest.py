"""A small stored shop: one family, two parts with jobs in a set, a cutter with an edge in it."""

from __future__ import annotations

import shutil
from datetime import date, datetime
from types import SimpleNamespace

import pytest

from planner.edge import Fitted
from planner.shop import (
    Condition,
    Cut,
    Cutter,
    EdgeUse,
    EngineFamily,
    Face,
    Family,
    Gasket,
    Gate,
    GateKind,
    GateState,
    HeightReading,
    InsertGrade,
    Job,
    Machine,
    MatchedSet,
    Part,
    PassRecord,
    Person,
    Recipe,
)
from planner.store import Kind, Repository, open_database

MONDAY = datetime(2026, 3, 2, 7, 0)


@pytest.fixture
def own_file(tmp_path):
    return tmp_path / "shop.db"


@pytest.fixture(scope="session")
def empty_shop(tmp_path_factory):
    """An empty shop of one's own, made once."""
    path = tmp_path_factory.mktemp("empty") / "shop.db"
    open_database(path, Kind.OWN, at=MONDAY).engine.dispose()
    return path


@pytest.fixture
def repository(own_file, empty_shop):
    shutil.copyfile(empty_shop, own_file)
    opened = open_database(own_file, Kind.OWN, at=MONDAY)
    yield opened
    opened.engine.dispose()


@pytest.fixture
def second(repository, own_file):
    """Another session on the same database."""
    opened = open_database(own_file, Kind.OWN, at=MONDAY)
    yield opened
    opened.engine.dispose()


def fill(repository: Repository) -> SimpleNamespace:
    """The small shop, every noun as stored."""
    s = SimpleNamespace()
    s.gasket = repository.add(Gasket("thick", 1.3))
    s.family = repository.add(
        Family("small head", "aluminium", (Face("deck", 300, 180, net_share=0.6), Face("intake", 200, 60)))
    )
    s.deck, s.intake = s.family.faces
    s.engine = repository.add(EngineFamily("small engine", 92.0, 76.0, head_family_ids=(s.family.id,)))
    s.machine = repository.add(Machine("the mill", speeds_rpm=(200, 400, 700)))
    s.person = repository.add(Person("A. Bell", "ab"))
    s.grade = repository.add(InsertGrade("diamond", positions=2, price=90, stock=3))
    s.cutter = repository.add(Cutter("fly 300", 300, 1, max_rpm=1200, machine_id=s.machine.id, grade_id=s.grade.id))
    s.recipe = repository.add(Recipe("aluminium", s.grade.id, 750, 0.15, 0.1, 0.0127, 0.0381, 0.1016))
    done = (GateState.DONE, "ab", date(2026, 2, 27))
    route = (Gate(GateKind.CLEAN, *done), Gate(GateKind.CUT), Gate(GateKind.AFTER_WORK))
    s.left, s.right = (
        repository.add(
            Part(
                tag,
                s.family.id,
                work_order="W-9",
                engine_serial="ES 00-4711",
                position=side,
                condition=Condition.NORMAL,
                route=route,
                heights=(HeightReading(s.deck.id, "middle", 99.8, MONDAY),),
            )
        )
        for tag, side in (("H-101", "left"), ("H-102", "right"))
    )
    s.job = repository.add(Job(s.left.id, s.deck.id, due=MONDAY.replace(day=4)))
    s.other_job = repository.add(Job(s.right.id, s.deck.id, due=MONDAY.replace(day=4)))
    s.set = repository.add(MatchedSet("engine 4711", (s.job.id, s.other_job.id)))
    repository.add_edge_event(
        Fitted(at=MONDAY, by="ab", cutter="fly 300", pocket=1, insert="D-1", position=1, grade="diamond")
    )
    s.insert_id = repository.pockets()[s.cutter.id, 1][0]
    return s


@pytest.fixture
def stored(repository):
    return fill(repository)


def cut_of(s: SimpleNamespace, **changes) -> Cut:
    """A finished cut of the left part's job: 0.1 mm, clean at the second look."""
    fields = {
        "job_id": s.job.id,
        "part_id": s.left.id,
        "face_id": s.deck.id,
        "started": MONDAY.replace(hour=9),
        "ended": MONDAY.replace(hour=10),
        "stop_depth_mm": 0.1,
        "machine_id": s.machine.id,
        "cutter_id": s.cutter.id,
        "grade_id": s.grade.id,
        "recipe_id": s.recipe.id,
        "by": "A. Bell",
        "passes": (PassRecord(0.05, clean=False), PassRecord(0.1, clean=True)),
        "clean_lower_mm": 0.05,
        "clean_upper_mm": 0.1,
        "heights_mm": {"middle": 99.7},
        "uses": (EdgeUse(s.insert_id, 1, 2.0e6, 108_000.0),),
        "planned_minutes": 50.0,
        "attended_minutes": 40.0,
        "unattended_minutes": 12.0,
        "step_minutes": {"load": 9.0, "look": 1.25},
    }
    return Cut(**(fields | changes))


@pytest.fixture
def make_cut(stored):
    return lambda **changes: cut_of(stored, **changes)


@pytest.fixture
def count_rows(repository):
    """Rows of every table, to show that a failed call left nothing."""
    from sqlalchemy import func, select

    from planner.store import tables

    def count() -> dict[str, int]:
        with repository.reading() as connection:
            return {
                t.name: connection.execute(select(func.count()).select_from(t)).scalar_one()
                for t in tables.metadata.sorted_tables
            }

    return count
