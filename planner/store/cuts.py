"""The record of cuts: one transaction a cut, append-only, corrected by entries that reverse."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Select, Text, cast, insert, select

from planner.edge import Event
from planner.errors import InputError
from planner.shop import (
    Condition,
    Cut,
    DepthRecord,
    HeightReading,
    HeightStage,
    JobState,
    Outcome,
    WorkRecords,
)
from planner.store import tables
from planner.store.base import RECORDS, SHOP, TAPS, Base, add_row, add_rows
from planner.store.cut_effects import reopen_job, reopen_part, settle_job, settle_part
from planner.store.edges import Edges, check_uses, mounts_of_cut
from planner.store.heights import insert_heights, reverse_heights
from planner.store.references import OPEN_JOBS, check_face, check_links
from planner.store.rows import load_nouns, load_settings, standing_cuts, values_of
from planner.store.runs import close_taps, reopen_taps
from planner.store.scrapping import came_of_it
from planner.store.spent import ran_at, read_speed_wear

# what a cut's outcome makes of its job, unless the caller says otherwise
JOB_AFTER = {
    Outcome.FINISHED: JobState.CUT,
    Outcome.PAUSED: JobState.WAITING,
    Outcome.NOT_CLEAN: JobState.WAITING,
    Outcome.TO_WELD: JobState.WAITING,
    Outcome.SCRAPPED: JobState.WITHDRAWN,
}


class Cuts(Edges, Base):
    """Recording, reversing and reading finished cuts."""

    def record_cut(
        self,
        cut: Cut,
        heights: Iterable[HeightReading] = (),
        job_state: JobState | None = None,
        edge_events: Iterable[Event] = (),
        seen: int | None = None,
        told: Mapping[str, Any] | None = None,
    ) -> Cut:
        """Store a cut with all it changes, in one transaction: the record, its edge uses, finished heights
        (``cut.heights_mm``, or fuller ``heights``), the job's state, the part's gate "cut" (done once no other job of
        the part is open), its holds and state. ``edge_events`` are stored with it, before it (see `add_edge_events`).
        Where the ledger has the cutter elsewhere, the cut puts it on its machine.
        ``told``: what else the run sheet's ending says, by name (`told_at_end` reads it back).

        Outcomes: finished -> job cut; paused -> job waits; stopped before clean -> job waits and the part is held for
        the lead; sent to weld -> job waits for the gate "weld"; scrapped -> part scrapped, its open jobs withdrawn.
        Raises `InputError` (a job that is not open, a face or edge that does not belong): nothing is stored then.
        """
        with self.writing(SHOP, RECORDS, TAPS) as connection:
            _check_cut(connection, cut)
            if not cut.by:
                raise InputError("cut.by", cut.by, "who made the cut")
            if cut.job_id is not None:
                state = connection.execute(select(tables.jobs.c.state).where(tables.jobs.c.id == cut.job_id)).scalar()
                if state not in OPEN_JOBS:
                    raise InputError("cut.job_id", cut.job_id, f"a job still open (this one is {state})")
            if edge_events := tuple(edge_events):
                self.insert_edge_events(connection, edge_events, seen)
            self.insert_edge_events(connection, mounts_of_cut(connection, cut))
            check_uses(connection, cut)
            cut_id = _insert_cut(connection, cut, _context(connection, cut.part_id))
            insert_heights(connection, cut.part_id, _finished_heights(cut, heights), cut_id)
            if cut.job_id is not None:
                settle_job(connection, cut, job_state or JOB_AFTER[cut.outcome])
                close_taps(connection, cut.job_id, cut_id, cut.by, cut.ended, told)
            settle_part(connection, cut, cut_id)
            return load_nouns(connection, Cut, tables.cuts.c.id == cut_id)[cut_id]

    def add_history(self, cuts: Iterable[Cut]) -> int:
        """Store cuts of the past as they were recorded elsewhere, in one transaction: records, edge uses and finished
        heights; jobs, gates and queue stay as they are. Returns how many."""
        with self.writing(SHOP, RECORDS) as connection:
            contexts = {
                row["id"]: {name: row[name] for name in ("family_id", "condition", "material")}
                for row in connection.execute(_contexts()).mappings()
            }
            faces: dict[int, int] = dict(connection.execute(select(tables.faces.c.id, tables.faces.c.family_id)).all())
            known = {
                name: set(connection.execute(select(table.c.id)).scalars())
                for name, table in (
                    ("job_id", tables.jobs),
                    ("machine_id", tables.machines),
                    ("cutter_id", tables.cutters),
                    ("grade_id", tables.grades),
                    ("recipe_id", tables.recipes),
                )
            }
            inserts = dict(connection.execute(select(tables.inserts.c.id, tables.inserts.c.positions)).all())
            wanted = tuple(cuts)
            rows = []
            for cut in wanted:
                if cut.reverses_id is not None:
                    raise InputError("cut.reverses_id", cut.reverses_id, "nothing here: reverse a stored cut")
                if cut.part_id not in contexts:
                    raise InputError("cut.part_id", cut.part_id, "a part of the shop")
                if faces.get(cut.face_id) != contexts[cut.part_id]["family_id"]:
                    raise InputError("cut.face_id", cut.face_id, "a face of the part's family")
                for name, ids in known.items():
                    if getattr(cut, name) is not None and getattr(cut, name) not in ids:
                        raise InputError(f"cut.{name}", getattr(cut, name), "a stored record")
                for use in cut.uses:
                    if use.position > inserts.get(use.insert_id, 0):
                        raise InputError("cut.uses", (use.insert_id, use.position), "an edge of an opened insert")
                rows.append(_cut_values(cut, contexts[cut.part_id]))
            uses: list[dict[str, Any]] = []
            readings: list[dict[str, Any]] = []
            for cut, cut_id in zip(wanted, add_rows(connection, tables.cuts, rows), strict=True):
                uses += _use_rows(cut, cut_id, contexts[cut.part_id]["material"])
                readings += [
                    values_of(r, tables.height_readings) | {"part_id": cut.part_id, "cut_id": cut_id}
                    for r in _finished_heights(cut, ())
                ]
            for table, children in ((tables.edge_uses, uses), (tables.height_readings, readings)):
                if children:
                    connection.execute(insert(table), children)
        return len(wanted)

    def reverse_cut(self, cut_id: int, reason: str, by: str, at: datetime) -> Cut:
        """Take a recorded cut back by an entry that reverses it: its depth, edge uses and finished heights no longer
        count, its job waits again, the gate "cut" is open again; a set that a scrapping took apart is together again where
        nothing else happened to its members since (`came_of_taking_back` tells). Returns the reversing entry.

        Raises `InputError` when the cut was reversed before, reverses another, or its face has a new open job.
        """
        with self.writing(SHOP, RECORDS, TAPS) as connection:
            table = tables.cuts
            row = connection.execute(select(table).where(table.c.id == cut_id)).mappings().first()
            if row is None:
                raise InputError("cut_id", cut_id, "a recorded cut")
            if row["reverses_id"] is not None:
                raise InputError("cut_id", cut_id, "a cut: this entry itself reverses one")
            if connection.execute(select(table.c.id).where(table.c.reverses_id == cut_id)).first() is not None:
                raise InputError("cut_id", cut_id, "a cut that was not reversed before")
            entry = Cut(
                job_id=row["job_id"],
                part_id=row["part_id"],
                face_id=row["face_id"],
                ended=at,
                stop_depth_mm=row["stop_depth_mm"],
                machine_id=row["machine_id"],
                cutter_id=row["cutter_id"],
                grade_id=row["grade_id"],
                recipe_id=row["recipe_id"],
                by=by,
                outcome=row["outcome"],
                reverses_id=cut_id,
                correction=reason,
            )
            context = {name: row[name] for name in ("family_id", "condition", "material")}
            entry_id = _insert_cut(connection, entry, context)
            uses = tables.edge_uses
            for use in connection.execute(select(uses).where(uses.c.cut_id == cut_id)).mappings().all():
                back = {"cut_id": entry_id, "path_mm": -use["path_mm"], "swept_mm2": -use["swept_mm2"]}
                add_row(connection, uses, {k: use[k] for k in ("insert_id", "position", "material")} | back)
            reverse_heights(connection, tables.height_readings.c.cut_id == cut_id, reason, by, at)
            if row["job_id"] is not None:
                reopen_job(connection, row, by, at)
                reopen_taps(connection, row["job_id"], cut_id, by, at)
            reopen_part(connection, row, by, at)
            return load_nouns(connection, Cut, table.c.id == entry_id)[entry_id]

    def came_of_taking_back(self, cut_id: int) -> tuple[tuple[str, tuple[int, ...], str], ...]:
        """The sets that a scrapping by this cut took apart, once it was taken back: name, job ids, and what stood in the way
        of putting it together again ("" = nothing did)."""
        with self.reading() as connection:
            return came_of_it(connection, cut_id)

    def cuts_of(self, part_id: int, everything: bool = False) -> tuple[Cut, ...]:
        """A part's cuts, oldest first; ``everything``: with reversed ones and the entries that reverse them."""
        with self.reading() as connection:
            condition = tables.cuts.c.part_id == part_id
            if not everything:
                condition &= standing_cuts()
            found = load_nouns(connection, Cut, condition)
        return tuple(sorted(found.values(), key=lambda c: (c.ended, c.id)))

    def depth_records(self) -> tuple[DepthRecord, ...]:
        """Learning intervals by family, face and condition, from cuts that stand (since the date the shop learns
        from). Read anew only when finished cuts changed: the same objects come back until then."""
        with self.reading() as connection:
            return self.depth_records_in(connection)

    def work_records(self) -> WorkRecords:
        """Minutes and roughness of cuts that stand (since the date the shop learns from), oldest first."""
        with self.reading() as connection:
            return _read_work_records(connection, load_settings(connection).learn_from)

    def charge_details(self) -> pd.DataFrame:
        """What a charge needs beside `cuts_frame`, by cut id: agreed_mm (of the part), reasons (of the passes, in
        order), uses ((grade id, path mm at the recipe's speed) of each edge)."""
        with self.reading() as connection:
            return _read_charges(connection)

    def depth_records_in(self, connection: Connection) -> tuple[DepthRecord, ...]:
        """As `depth_records`, within a transaction."""
        version = connection.execute(select(tables.meta.c.records_version)).scalar_one()
        with self._lock:
            known = self._cache.get("depth_records")
        if known is not None and known[0] == version:
            return known[1]
        records = _read_depth_records(connection, load_settings(connection).learn_from)
        with self._lock:
            self._cache["depth_records"] = (version, records)
        return records

    def cuts_frame(
        self,
        part_id: int | None = None,
        family_id: int | None = None,
        face_id: int | None = None,
        machine_id: int | None = None,
        grade_id: int | None = None,
        material: str | None = None,
        condition: Condition | None = None,
        outcome: Outcome | None = None,
        by: str | None = None,
        since: date | datetime | None = None,
        until: date | datetime | None = None,
        everything: bool = False,
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Recorded cuts as a frame, newest first: one row a cut, columns in mm, minutes and µm, with names beside ids.

        ``since`` ≤ ended < ``until``; ``everything`` adds reversed cuts and the entries that reverse them.
        """
        cuts = tables.cuts
        query = _frame_query()
        for column, wanted in (
            (cuts.c.part_id, part_id),
            (cuts.c.family_id, family_id),
            (cuts.c.face_id, face_id),
            (cuts.c.machine_id, machine_id),
            (cuts.c.grade_id, grade_id),
            (cuts.c.material, material),
            (cuts.c.condition, None if condition is None else Condition(condition).value),
            (cuts.c.outcome, None if outcome is None else Outcome(outcome).value),
            (cuts.c.by, by),
        ):
            if wanted is not None:
                query = query.where(column == wanted)
        if since is not None:
            query = query.where(cuts.c.ended >= _start_of(since))
        if until is not None:
            query = query.where(cuts.c.ended < _start_of(until))
        if not everything:
            query = query.where(standing_cuts())
        query = query.order_by(cuts.c.ended.desc(), cuts.c.id.desc())
        if limit is not None:
            query = query.limit(limit)
        with self.reading() as connection:
            result = connection.execute(query)
            frame = pd.DataFrame([tuple(row) for row in result], columns=list(result.keys()))
        frame["ra_um"] = _means(frame["ra_um"])
        for name, column in frame.items():
            if str(name).endswith(("_mm", "_minutes")):
                frame[name] = pd.to_numeric(column)
        for name in ("started", "ended"):
            frame[name] = pd.to_datetime(frame[name])
        return frame


def _read_charges(connection: Connection) -> pd.DataFrame:
    cuts, parts, uses, inserts = tables.cuts, tables.parts, tables.edge_uses, tables.inserts
    spent: dict[int, list[tuple[int, float]]] = {}
    speeds = read_speed_wear(connection)
    query = (
        select(uses.c.cut_id, inserts.c.grade_id, uses.c.path_mm, uses.c.material, *ran_at(cuts)[1:])
        .join(inserts, inserts.c.id == uses.c.insert_id)
        .join(cuts, cuts.c.id == uses.c.cut_id)
    )
    for cut_id, grade_id, path, material, *ran in connection.execute(query):
        spent.setdefault(cut_id, []).append((grade_id, path * speeds.of(material, grade_id, *ran)))
    query = (
        select(cuts.c.id, parts.c.agreed_depth_mm, cast(cuts.c.passes, Text))
        .join(parts, parts.c.id == cuts.c.part_id)
        .where(standing_cuts())
    )
    found = connection.execute(query).all()
    rows = [
        (cut_id, agreed, tuple(p["reason"] for p in passes), tuple(spent.get(cut_id, ())))
        for (cut_id, agreed, _), passes in zip(found, _nested(said for *_, said in found), strict=True)
    ]
    frame = pd.DataFrame(rows, columns=["cut", "agreed_mm", "reasons", "uses"]).set_index("cut")
    return frame.assign(agreed_mm=pd.to_numeric(frame["agreed_mm"]))


def _start_of(when: date | datetime) -> datetime:
    return when if isinstance(when, datetime) else datetime(when.year, when.month, when.day)


def _frame_query():
    cuts, parts, families, faces = tables.cuts, tables.parts, tables.families, tables.faces
    joined = (
        cuts.join(parts, parts.c.id == cuts.c.part_id)
        .join(families, families.c.id == cuts.c.family_id)
        .join(faces, faces.c.id == cuts.c.face_id)
        .outerjoin(tables.machines, tables.machines.c.id == cuts.c.machine_id)
        .outerjoin(tables.cutters, tables.cutters.c.id == cuts.c.cutter_id)
        .outerjoin(tables.grades, tables.grades.c.id == cuts.c.grade_id)
    )
    own = (c for c in cuts.c if c.name not in ("passes", "heights_mm", "step_minutes", "touch_place", "ra_um"))
    return select(
        *own,
        # as text: few cuts carry one, and only those are worth reading as a list
        cast(cuts.c.ra_um, Text).label("ra_um"),
        parts.c.tag,
        parts.c.work_order,
        parts.c.owner,
        parts.c.engine_serial,
        parts.c.position,
        families.c.name.label("family"),
        faces.c.name.label("face"),
        (faces.c.length_mm * faces.c.width_mm).label("area_mm2"),
        tables.machines.c.name.label("machine"),
        tables.cutters.c.name.label("cutter"),
        tables.grades.c.name.label("grade"),
    ).select_from(joined)


def _check_cut(connection: Connection, cut: Cut) -> None:
    if cut.id is not None or cut.reverses_id is not None:
        raise InputError("cut.id", cut.id, "a new cut without id; reverse_cut takes one back")
    check_links(connection, cut, "cut")
    check_face(connection, cut.part_id, cut.face_id, "cut.face_id")
    if cut.job_id is not None:
        job = connection.execute(
            select(tables.jobs.c.part_id, tables.jobs.c.face_id).where(tables.jobs.c.id == cut.job_id)
        ).one()
        if tuple(job) != (cut.part_id, cut.face_id):
            raise InputError("cut.job_id", cut.job_id, "the job of this part and face")


def _contexts() -> Select:
    """Each part's family, condition and material now, which are kept with a cut."""
    parts, families = tables.parts, tables.families
    return select(parts.c.id, parts.c.family_id, parts.c.condition, families.c.material).join(
        families, families.c.id == parts.c.family_id
    )


def _context(connection: Connection, part_id: int) -> dict[str, Any]:
    row = connection.execute(_contexts().where(tables.parts.c.id == part_id)).mappings().one()
    return {name: row[name] for name in ("family_id", "condition", "material")}


def _cut_values(cut: Cut, context: dict[str, Any]) -> dict[str, Any]:
    values = values_of(cut, tables.cuts) | context
    values["pass_count"] = len(cut.passes)
    values["removed_mm"] = cut.stop_depth_mm if cut.reverses_id is None else -cut.stop_depth_mm
    return values


def _insert_cut(connection: Connection, cut: Cut, context: dict[str, Any]) -> int:
    cut_id = add_row(connection, tables.cuts, _cut_values(cut, context))
    rows = _use_rows(cut, cut_id, context["material"])
    if rows:
        connection.execute(insert(tables.edge_uses), rows)
    return cut_id


def _use_rows(cut: Cut, cut_id: int, material: str) -> list[dict[str, Any]]:
    return [values_of(use, tables.edge_uses) | {"cut_id": cut_id, "material": material} for use in cut.uses]


def _finished_heights(cut: Cut, fuller: Iterable[HeightReading]) -> list[HeightReading]:
    readings = list(fuller)
    for i, reading in enumerate(readings):
        if reading.face_id != cut.face_id:
            raise InputError(f"heights[{i}].face_id", reading.face_id, "the face that was cut")
    said = {r.point for r in readings}
    readings += [
        HeightReading(cut.face_id, point, height, cut.ended, HeightStage.FINISHED, by=cut.by)
        for point, height in cut.heights_mm.items()
        if point not in said
    ]
    return readings


def _nested(said: Iterable[str]) -> list[Any]:
    """What nested columns hold that were read as text: all read at once, many times as quick as one by one."""
    return json.loads(f"[{','.join(said)}]")


def _means(said: Iterable[str]) -> list[float]:
    """The mean of each list of readings; NaN = none."""
    return [sum(readings) / len(readings) if readings else math.nan for readings in _nested(said)]


def _read_work_records(connection: Connection, learn_from: str) -> WorkRecords:
    cuts = tables.cuts
    numbers = ("family_id", "face_id", "machine_id", "cutter_id", "grade_id", "pass_count", "attended_minutes")
    numbers += ("unattended_minutes", "feed_mm")
    in_set = cuts.c.job_id.in_(select(tables.set_members.c.job_id))
    query = (
        select(
            *(cuts.c[name] for name in numbers),
            in_set,
            # as text: most of them need not be read as JSON
            cast(cuts.c.passes, Text),
            cast(cuts.c.ra_um, Text),
            cast(cuts.c.step_minutes, Text),
        )
        .where(standing_cuts())
        .order_by(cuts.c.ended, cuts.c.id)
    )
    if learn_from:
        query = query.where(cuts.c.ended >= datetime.fromisoformat(learn_from))
    rows = connection.execute(query).all()
    if not rows:
        return WorkRecords.none()
    columns = dict(zip((*numbers, "in_set", "passes", "ra_um", "step_minutes"), zip(*rows, strict=True), strict=True))
    finishing = [[bool(p.get("finishing")) for p in passes] for passes in _nested(columns["passes"])]

    def ids(name: str) -> np.ndarray:
        return np.array([value or 0 for value in columns[name]], dtype=int)

    def figures(name: str) -> np.ndarray:
        return np.array([np.nan if value is None else value for value in columns[name]], dtype=float)

    return WorkRecords(
        *(ids(name) for name in numbers[:6]),
        np.array([sum(fine) for fine in finishing]),
        np.array([bool(fine) and fine[-1] for fine in finishing]),
        np.array([bool(value) for value in columns["in_set"]]),
        figures("attended_minutes"),
        figures("unattended_minutes"),
        np.array(_means(columns["ra_um"])),
        figures("feed_mm"),
        {i: json.loads(said) for i, said in enumerate(columns["step_minutes"]) if said != "{}"},
    )


def _read_depth_records(connection: Connection, learn_from: str) -> tuple[DepthRecord, ...]:
    cuts = tables.cuts
    query = (
        select(cuts.c.family_id, cuts.c.face_id, cuts.c.condition, cuts.c.clean_lower_mm, cuts.c.clean_upper_mm)
        .where(standing_cuts(), cuts.c.clean_lower_mm.is_not(None) | cuts.c.clean_upper_mm.is_not(None))
        .order_by(cuts.c.family_id, cuts.c.face_id, cuts.c.condition, cuts.c.ended, cuts.c.id)
    )
    if learn_from:
        query = query.where(cuts.c.ended >= datetime.fromisoformat(learn_from))
    groups: dict[tuple, tuple[list, list]] = {}
    for family_id, face_id, condition, lower, upper in connection.execute(query):
        lowers, uppers = groups.setdefault((family_id, face_id, condition), ([], []))
        lowers.append(lower)
        uppers.append(upper)
    return tuple(
        DepthRecord(
            family_id,
            face_id,
            Condition(condition),
            np.array([0.0 if v is None else v for v in lowers]),
            np.array([np.inf if v is None else v for v in uppers]),
        )
        for (family_id, face_id, condition), (lowers, uppers) in groups.items()
    )
