"""What must agree between records before one is stored: links, faces, tags, open jobs, and what still refers to it."""

from __future__ import annotations

import re
from typing import Any

from sqlalchemy import Connection, Table, func, select

from planner.errors import InputError
from planner.shop import Cutter, EngineFamily, HandOver, Job, JobState, Part, PartState, Recipe
from planner.store import tables
from planner.store.base import require
from planner.store.edge_log import all_events, cutter_places, standing

OPEN_JOBS = tuple(state.value for state in JobState if state.is_open)
LIVE_PARTS = (PartState.IN_SHOP.value, PartState.EXPECTED.value, PartState.SHELF.value)
MARKS = ("tag", "work_order", "engine_serial", "casting_number", "part_number", "second_mark")
# where a noun points to: field, table, in words
_LINKS: dict[str, tuple[Table, str]] = {
    "family_id": (tables.families, "a family of the shop"),
    "part_id": (tables.parts, "a part of the shop"),
    "machine_id": (tables.machines, "a machine of the shop"),
    "person_id": (tables.people, "a person of the shop"),
    "grade_id": (tables.grades, "an insert grade of the shop"),
    "gasket_id": (tables.gaskets, "a gasket of the shop"),
    "cutter_id": (tables.cutters, "a cutter of the shop"),
    "recipe_id": (tables.recipes, "a recipe of the shop"),
    "job_id": (tables.jobs, "a job of the shop"),
    "engine_id": (tables.engines, "a kind of engine of the shop"),
}
_WORDS = {
    "parts": "parts",
    "faces": "faces",
    "jobs": "jobs",
    "cuts": "recorded cuts",
    "height_readings": "height readings",
    "edge_uses": "recorded cuts",
    "edge_events": "edge changes",
    "run_taps": "run sheet entries",
    "set_members": "matched sets",
    "intake_checks": "intake checks",
    "measured_engines": "measured engines",
    "hand_overs": "hand-overs",
}


def mark_key(text: str) -> str:
    """A mark as it is compared: capitals and digits only, so "h 1042" finds "H-1042"."""
    return re.sub(r"[\W_]+", "", text).upper()


def check_links(connection: Connection, noun: Any, word: str) -> None:
    """Raise `InputError` for a field that names a record that is not there."""
    for name, (table, what) in _LINKS.items():
        if hasattr(noun, name):
            require(connection, table, getattr(noun, name), f"{word}.{name}", what)


def check_face(connection: Connection, part_id: int, face_id: int, field: str) -> int:
    """The family of a part; raises `InputError` when the face is not one of its family's."""
    family_id = connection.execute(select(tables.parts.c.family_id).where(tables.parts.c.id == part_id)).scalar()
    owner = connection.execute(select(tables.faces.c.family_id).where(tables.faces.c.id == face_id)).scalar()
    if owner is None or owner != family_id:
        raise InputError(field, face_id, "a face of the part's family")
    return family_id


def same_part(part: Part) -> str:
    """A key equal for records of one physical part: engine serial and position within a family; "" = not known."""
    serial, position = mark_key(part.engine_serial), mark_key(part.position)
    return f"{part.family_id}/{serial}/{position}" if serial and position else ""


def check_part(connection: Connection, part: Part) -> None:
    table = tables.parts
    if part.state.value in LIVE_PARTS:
        twin = select(table.c.id).where(
            func.lower(table.c.tag) == part.tag.lower(), table.c.state.in_(LIVE_PARTS), table.c.id != (part.id or 0)
        )
        if connection.execute(twin).first() is not None:
            raise InputError("part.tag", part.tag, "a tag no other part in the shop carries")
    if part.id is not None:
        before = connection.execute(select(table.c.family_id).where(table.c.id == part.id)).scalar()
        if before is not None and before != part.family_id:
            for other in (tables.jobs, tables.cuts, tables.height_readings):
                if connection.execute(select(other.c.id).where(other.c.part_id == part.id).limit(1)).first():
                    raise InputError(
                        "part.family_id", part.family_id, "its present family: jobs or records stand on it"
                    )


def check_job(connection: Connection, job: Job) -> None:
    check_face(connection, job.part_id, job.face_id, "job.face_id")
    if job.state.is_open:
        table = tables.jobs
        twin = select(table.c.id).where(
            table.c.part_id == job.part_id,
            table.c.face_id == job.face_id,
            table.c.state.in_(OPEN_JOBS),
            table.c.id != (job.id or 0),
        )
        other = connection.execute(twin).scalar()
        if other is not None:
            raise InputError("job.face_id", job.face_id, f"a face without an open job (job {other} is open)")


def check_engine(connection: Connection, engine: EngineFamily) -> None:
    for name in ("head_family_ids", "case_family_ids"):
        for key in getattr(engine, name):
            require(connection, tables.families, key, f"engine.{name}", "families of the shop")


def check_hand_over(connection: Connection, done: HandOver) -> None:
    table = tables.hand_overs
    twin = select(table.c.id).where(table.c.job_id == done.job_id, table.c.id != (done.id or 0))
    if connection.execute(twin).first() is not None:
        raise InputError("hand_over.job_id", done.job_id, "a job that was not handed over yet; change that one")


def check_recipe(connection: Connection, recipe: Recipe) -> None:
    table = tables.recipes
    twin = select(table.c.id).where(
        table.c.material == recipe.material,
        table.c.grade_id == recipe.grade_id,
        table.c.active.is_(True),
        table.c.id != (recipe.id or 0),
    )
    if connection.execute(twin).first() is not None:
        raise InputError("recipe.grade_id", recipe.grade_id, "a grade without another active recipe for this material")


def check_cutter(connection: Connection, cutter: Cutter) -> None:
    """A cutter that sits on one machine cannot be kept for another."""
    if cutter.id is None or cutter.machine_id is None:
        return
    place = cutter_places(standing(all_events(connection))).get(cutter.id)
    if place is None or place.machine_id in (None, cutter.machine_id):
        return
    machines = tables.machines
    name = connection.execute(select(machines.c.name).where(machines.c.id == place.machine_id)).scalar_one_or_none()
    if name is None:
        return
    why = f"{name}, on which it sits now, or any machine: take it down on the page Inserts first"
    raise InputError("cutter.machine_id", cutter.machine_id, why)


def refuse_if_used(connection: Connection, table: Table, key: int | None, label: str) -> None:
    users: dict[str, int] = {}
    for other in tables.metadata.sorted_tables:
        if table is tables.families and other is tables.faces:
            continue
        for column in other.c:
            if any(k.column.table is table and k.ondelete != "CASCADE" for k in column.foreign_keys):
                count = connection.execute(select(func.count()).where(column == key)).scalar_one()
                word = _WORDS.get(other.name, other.name)
                users[word] = users.get(word, 0) + count
    said = ", ".join(f"{n} {word}" for word, n in users.items() if n)
    if said:
        word, _, name = label.partition(" ")
        raise InputError(word, name, f"one that nothing refers to; this one is used by {said}")
