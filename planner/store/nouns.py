"""Adding, saving and deleting nouns. A save carries the version it was loaded at; a stale one is refused."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from datetime import date, datetime
from typing import Any, TypeVar

from sqlalchemy import Connection, delete, func, insert, select, update

from planner.errors import InputError
from planner.match import cover_hold
from planner.shop import (
    Cut,
    Cutter,
    EngineFamily,
    Family,
    HandOver,
    Hold,
    Job,
    Machine,
    MatchedSet,
    Part,
    Recipe,
    Settings,
)
from planner.store import tables
from planner.store.base import RECORDS, SHOP, Base, add_row, require, signed, touched
from planner.store.errors import Difference, StaleRecord
from planner.store.heights import insert_heights, missing, standing_height_rows
from planner.store.references import (
    MARKS,
    OPEN_JOBS,
    check_cutter,
    check_engine,
    check_hand_over,
    check_job,
    check_links,
    check_part,
    check_recipe,
    mark_key,
    refuse_if_used,
    same_part,
)
from planner.store.rows import (
    differing_fields,
    face_values,
    label_of,
    load_nouns,
    load_settings,
    noun_table,
    values_of,
)

Noun = TypeVar("Noun")


class Nouns(Base):
    """`add`, `save`, `delete`, `load`, `load_all` for every noun of `planner.shop`."""

    # -- reading -----------------------------------------------------------------------------------------------------
    def load(self, kind: type[Noun], key: int) -> Noun:
        """The noun with this id (``Cut`` included); raises `InputError` when there is none."""
        table = tables.cuts if kind is Cut else noun_table(kind).table
        with self.reading() as connection:
            found = load_nouns(connection, kind, table.c.id == key)
        if key not in found:
            raise InputError("id", key, f"the id of a stored {kind.__name__}")
        return found[key]

    def load_all(self, kind: type[Noun]) -> dict[int, Noun]:
        """Every noun of a kind by id, live or not."""
        with self.reading() as connection:
            return load_nouns(connection, kind)

    def settings(self) -> Settings:
        with self.reading() as connection:
            return load_settings(connection)

    # -- writing -----------------------------------------------------------------------------------------------------
    def add(self, noun: Noun, by: str = "", at: datetime | None = None) -> Noun:
        """Store a new noun; returns it as stored, with ids and version. Finished cuts go through `record_cut`."""
        return self.add_all((noun,), by, at)[0]

    def add_all(self, nouns: Iterable[Noun], by: str = "", at: datetime | None = None) -> tuple[Noun, ...]:
        """Store new nouns in one transaction: all of them, or on any error none."""
        nouns = tuple(nouns)
        by, at = signed(by, at, when_known=True)
        with self.writing(SHOP) as connection:
            keys = [self._insert(connection, noun, by, at) for noun in nouns]
            stored: dict[type, dict[int, Any]] = {}
            for kind in {type(n) for n in nouns}:
                own = noun_table(kind).table.c.id
                wanted = [k for n, k in zip(nouns, keys, strict=True) if type(n) is kind]
                condition = own == wanted[0] if len(wanted) == 1 else own.between(min(wanted), max(wanted))
                stored[kind] = load_nouns(connection, kind, condition)
            return tuple(stored[type(n)][k] for n, k in zip(nouns, keys, strict=True))

    def save(self, noun: Noun, by: str = "", at: datetime | None = None) -> Noun:
        """Store a changed noun; returns it with its new version.

        Raises `StaleRecord` when the stored version is not the noun's: nothing is written. Height readings of a part
        are append-only: new ones are added, none is ever taken away here (see `reverse_height`).
        """
        by, at = signed(by, at, when_known=True)
        if isinstance(noun, Settings):
            return self._save_settings(noun, by, at)
        spec = noun_table(noun)
        if noun.id is None:
            raise InputError(f"{spec.word}.id", None, f"a {spec.word} that was stored before")
        with self.writing(SHOP) as connection:
            values = self._checked_values(connection, noun)
            condition = spec.table.c.id == noun.id
            if spec.versioned:
                values |= {"version": noun.version + 1, "changed_by": by, "changed_at": at}
                condition &= spec.table.c.version == noun.version
            if connection.execute(update(spec.table).where(condition).values(values)).rowcount != 1:
                raise self._stale(connection, noun)
            self._save_children(connection, noun)
            if isinstance(noun, Family):
                for face in noun.faces:
                    if face.id is not None:
                        _hold_for_cover(connection, face.id, by, at)
            return load_nouns(connection, type(noun), spec.table.c.id == noun.id)[noun.id]

    def delete(self, noun: Any) -> None:
        """Delete a noun nothing else refers to. Raises `InputError` in words when something does, `StaleRecord` when
        it was changed since it was loaded."""
        spec = noun_table(noun)
        with self.writing(SHOP) as connection:
            refuse_if_used(connection, spec.table, noun.id, label_of(noun))
            if isinstance(noun, Family):
                for face in noun.faces:
                    refuse_if_used(connection, tables.faces, face.id, f"face {face.name}")
                connection.execute(delete(tables.faces).where(tables.faces.c.family_id == noun.id))
                for name, heads, cases in connection.execute(
                    select(tables.engines.c.name, tables.engines.c.head_family_ids, tables.engines.c.case_family_ids)
                ):
                    if noun.id in (*heads, *cases):
                        raise InputError("family", noun.name, f"a family no engine is made of (engine {name})")
            if isinstance(noun, Machine):
                for person_id, ids in connection.execute(select(tables.people.c.id, tables.people.c.machine_ids)):
                    if noun.id in ids:
                        raise InputError(
                            "machine", noun.name, f"a machine no person is assigned to (person {person_id})"
                        )
            condition = spec.table.c.id == noun.id
            if spec.versioned:
                condition &= spec.table.c.version == noun.version
            if connection.execute(delete(spec.table).where(condition)).rowcount != 1:
                raise self._stale(connection, noun)

    # -- steps ---------------------------------------------------------------------------------------------------------
    def _insert(self, connection: Connection, noun: Any, by: str, at: datetime | None) -> int:
        spec = noun_table(noun)
        if noun.id is not None:
            raise InputError(f"{spec.word}.id", noun.id, "no id: a new record gets one when it is stored")
        values = self._checked_values(connection, noun)
        if spec.versioned:
            values |= {"version": 1, "changed_by": by, "changed_at": at}
        key = add_row(connection, spec.table, values)
        self._save_children(connection, dataclasses.replace(noun, id=key), new=True)
        if isinstance(noun, Job):
            _hold_for_cover(connection, noun.face_id, by, at, noun.part_id)
        return key

    def _checked_values(self, connection: Connection, noun: Any) -> dict[str, Any]:
        spec = noun_table(noun)
        check_links(connection, noun, spec.word)
        values = values_of(noun, spec.table)
        if spec.unique:
            label = spec.table.c[spec.label]
            twin = select(spec.table.c.id).where(func.lower(label) == getattr(noun, spec.label).lower())
            if connection.execute(twin.where(spec.table.c.id != (noun.id or 0))).first() is not None:
                raise InputError(
                    f"{spec.word}.{spec.label}", getattr(noun, spec.label), f"a {spec.label} no other {spec.word} has"
                )
        if isinstance(noun, Part):
            values["same_part"] = same_part(noun)
            check_part(connection, noun)
        elif isinstance(noun, Job):
            check_job(connection, noun)
        elif isinstance(noun, Recipe) and noun.active:
            check_recipe(connection, noun)
        elif isinstance(noun, Cutter):
            check_cutter(connection, noun)
        elif isinstance(noun, EngineFamily):
            check_engine(connection, noun)
        elif isinstance(noun, HandOver):
            check_hand_over(connection, noun)
        return values

    def _save_children(self, connection: Connection, noun: Any, new: bool = False) -> None:
        if isinstance(noun, Family):
            self._save_faces(connection, noun)
        elif isinstance(noun, Part):
            _save_holds(connection, noun, new)
            _save_marks(connection, noun, new)
            readings = tables.height_readings
            known = () if new else [r for _, r in standing_height_rows(connection, readings.c.part_id == noun.id)]
            insert_heights(connection, noun.id, missing(noun.heights, known))
        elif isinstance(noun, MatchedSet):
            _save_members(connection, noun)

    def _save_faces(self, connection: Connection, family: Family) -> None:
        table = tables.faces
        stored = set(connection.execute(select(table.c.id).where(table.c.family_id == family.id)).scalars())
        kept = {f.id for f in family.faces if f.id is not None}
        if kept - stored:
            raise InputError("family.faces", sorted(kept - stored), "faces of this family, or new ones without an id")
        for face_id in stored - kept:
            refuse_if_used(connection, table, face_id, f"face {face_id} of family {family.name}")
            connection.execute(delete(table).where(table.c.id == face_id))
        for seq, face in enumerate(family.faces):
            values = face_values(face) | {"family_id": family.id, "seq": seq}
            if face.id is None:
                connection.execute(insert(table), values)
            else:
                connection.execute(update(table).where(table.c.id == face.id).values(values))

    def _save_settings(self, wanted: Settings, by: str, at: datetime | None) -> Settings:
        if wanted.learn_from:
            try:
                date.fromisoformat(wanted.learn_from)
            except ValueError:
                raise InputError(
                    "settings.learn_from", wanted.learn_from, "a date such as 2025-03-01, or nothing"
                ) from None
        table = tables.settings
        with self.writing(SHOP) as connection:
            stored = load_settings(connection)
            if stored.learn_from != wanted.learn_from:
                self._move(connection, {RECORDS}, data=False)
            values = values_of(wanted, table) | {"version": wanted.version + 1, "changed_by": by, "changed_at": at}
            changed = update(table).where(table.c.version == wanted.version).values(values)
            if connection.execute(changed).rowcount != 1:
                raise self._stale(connection, wanted)
            return load_settings(connection)

    def _stale(self, connection: Connection, yours: Any) -> StaleRecord:
        if isinstance(yours, Settings):
            table, theirs = tables.settings, load_settings(connection)
        else:
            table = noun_table(yours).table
            theirs = load_nouns(connection, type(yours), table.c.id == yours.id).get(yours.id)
        if theirs is None:
            return StaleRecord(
                label_of(yours), said=f"{label_of(yours)} was deleted after you opened it; nothing was stored."
            )
        by, at = "", None
        if "changed_by" in table.c:
            query = select(table.c.changed_by, table.c.changed_at)
            if not isinstance(yours, Settings):
                query = query.where(table.c.id == yours.id)
            by, at = connection.execute(query).one()
        differences = tuple(
            Difference(name, getattr(yours, name), getattr(theirs, name)) for name in differing_fields(yours, theirs)
        )
        return StaleRecord(label_of(yours), differences, theirs, by, at)


COVER = "cover"
"""For whom a part waits whose face is cut with the cover bolted on; the hold ends when somebody says that it is."""


def _hold_for_cover(
    connection: Connection, face_id: int, by: str, at: datetime | None, new_job_of: int | None = None
) -> None:
    """Hold the part of a new job on a face that is cut with its cover bolted on; without ``new_job_of`` every part with
    an open job on that face which never was held for it. A hold somebody ended is made again by a new job only."""
    faces, jobs, holds, parts = tables.faces, tables.jobs, tables.holds, tables.parts
    face = connection.execute(select(faces.c.name, faces.c.cover_bolted).where(faces.c.id == face_id)).first()
    if face is None or not face.cover_bolted:
        return
    waiting = select(jobs.c.part_id).where(jobs.c.face_id == face_id, jobs.c.state.in_(OPEN_JOBS))
    held = select(holds.c.part_id).where(holds.c.waiting_for == COVER)
    if new_job_of is not None:
        waiting, held = waiting.where(jobs.c.part_id == new_job_of), held.where(holds.c.ended.is_(None))
    for part_id in connection.execute(waiting.where(jobs.c.part_id.not_in(held)).distinct()).scalars().all():
        since = (at or datetime.now()).date()
        hold = Hold(COVER, cover_hold(True, None, f"cover of the {face.name}"), since)
        connection.execute(insert(holds), values_of(hold, holds) | {"part_id": part_id})
        connection.execute(update(parts).where(parts.c.id == part_id).values(touched(parts, by, at)))


def _save_holds(connection: Connection, part: Part, new: bool) -> None:
    table = tables.holds
    stored = set() if new else set(connection.execute(select(table.c.id).where(table.c.part_id == part.id)).scalars())
    kept = {h.id for h in part.holds if h.id is not None}
    if kept - stored:
        raise InputError("part.holds", sorted(kept - stored), "holds of this part, or new ones without an id")
    if stored - kept:
        connection.execute(delete(table).where(table.c.id.in_(stored - kept)))
    for hold in part.holds:
        values = values_of(hold, table) | {"part_id": part.id}
        if hold.id is None:
            connection.execute(insert(table), values)
        else:
            connection.execute(update(table).where(table.c.id == hold.id).values(values))


def _save_marks(connection: Connection, part: Part, new: bool) -> None:
    table = tables.part_marks
    if not new:
        connection.execute(delete(table).where(table.c.part_id == part.id))
    marks = {kind: mark_key(getattr(part, kind)) for kind in MARKS}
    rows = [{"part_id": part.id, "kind": k, "mark": m, "tail": m[-4:]} for k, m in marks.items() if m]
    if rows:
        connection.execute(insert(table), rows)


def _save_members(connection: Connection, matched: MatchedSet) -> None:
    table = tables.set_members
    connection.execute(delete(table).where(table.c.set_id == matched.id))
    for seq, job_id in enumerate(matched.job_ids):
        require(connection, tables.jobs, job_id, "set.job_ids", "jobs of the shop")
        other = connection.execute(select(table.c.set_id).where(table.c.job_id == job_id)).scalar()
        if other is not None:
            raise InputError("set.job_ids", job_id, f"jobs of no other set (it is in set {other})")
        connection.execute(insert(table), {"job_id": job_id, "set_id": matched.id, "seq": seq})
