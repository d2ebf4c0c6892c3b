"""The live picture: every noun of today, in one read transaction. The past comes in as sums made by the database."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, func, or_, select

from planner.cut.setups import SpeedWear
from planner.shop import (
    Closure,
    CutOn,
    Cutter,
    EngineFamily,
    FaceSurvey,
    Family,
    Gasket,
    Insert,
    InsertGrade,
    IntakeCheck,
    Job,
    JobState,
    LastCut,
    Machine,
    MatchedSet,
    MeasuredEngine,
    Overtime,
    Part,
    Person,
    Recipe,
    Shop,
    SurveyStage,
    Tap,
    check_of,
    survey_of,
)
from planner.store import tables
from planner.store.cuts import Cuts
from planner.store.edge_log import all_events, cutter_places, standing
from planner.store.edges import edges_in_use
from planner.store.references import LIVE_PARTS, OPEN_JOBS
from planner.store.rows import load_nouns, load_settings, standing_cuts
from planner.store.runs import taps_of_jobs

RECENT_JOBS = 200


class Live(Cuts):
    """`load_shop`."""

    def load_shop(self) -> Shop:
        """The shop as it stands: parts that are in, expected, on the shelf or have an open or recently cut job; open
        jobs, the last 200 cut ones, and every job of a set with an open job; all the rest of the nouns.

        The same object comes back until something changed. `Shop.removed_mm` counts the part's own cuts, and, where
        ``removed_before_mm`` is unknown, those of earlier records with the same engine serial and position.
        """
        with self.reading() as connection:
            row = connection.execute(select(tables.meta)).mappings().one()
            with self._lock:
                known = self._cache.get("shop")
            versions = (row["shop_version"], row["records_version"])
            taps = row["taps_version"]
            if known is not None and known[0][:2] == versions:
                shop = known[1]
                if known[0][2] != taps:
                    shop = dataclasses.replace(shop, taps=_open_taps(connection))
                if shop.data_version != row["data_version"]:
                    shop = dataclasses.replace(shop, data_version=row["data_version"])
            else:
                shop = self._read_shop(connection, row["data_version"])
        with self._lock:
            self._cache["shop"] = ((*versions, taps), shop)
        return shop

    def _read_shop(self, connection: Connection, data_version: int) -> Shop:
        jobs_table, parts_table, sets_table = tables.jobs, tables.parts, tables.sets
        members = tables.set_members
        is_open = jobs_table.c.state.in_(OPEN_JOBS)
        open_sets = select(members.c.set_id).join(jobs_table, jobs_table.c.id == members.c.job_id).where(is_open)
        recent = (
            select(jobs_table.c.id)
            .where(jobs_table.c.state == JobState.CUT.value)
            .order_by(jobs_table.c.changed_at.is_(None), jobs_table.c.changed_at.desc(), jobs_table.c.id.desc())
            .limit(RECENT_JOBS)
        )
        recent_ids = list(connection.execute(recent).scalars())
        live_jobs = or_(
            is_open,
            jobs_table.c.id.in_(recent_ids),
            jobs_table.c.id.in_(select(members.c.job_id).where(members.c.set_id.in_(open_sets))),
        )
        live_parts = or_(
            parts_table.c.state.in_(LIVE_PARTS), parts_table.c.id.in_(select(jobs_table.c.part_id).where(live_jobs))
        )
        everything = {
            kind: load_nouns(connection, kind)
            for kind in (
                *(Family, Machine, Person, Cutter, InsertGrade, Recipe, Insert, Gasket, Closure, Overtime),
                *(EngineFamily, MeasuredEngine),
            )
        }
        parts = load_nouns(connection, Part, live_parts)
        edges, ready = edges_in_use(
            connection, everything[Insert], SpeedWear(everything[Recipe], everything[Machine], everything[Cutter])
        )
        return Shop(
            settings=load_settings(connection),
            families=everything[Family],
            parts=parts,
            jobs=load_nouns(connection, Job, live_jobs),
            sets=load_nouns(connection, MatchedSet, sets_table.c.id.in_(open_sets)),
            machines=everything[Machine],
            people=everything[Person],
            cutters=everything[Cutter],
            grades=everything[InsertGrade],
            recipes=everything[Recipe],
            inserts=everything[Insert],
            gaskets=everything[Gasket],
            engines=everything[EngineFamily],
            measured_engines=everything[MeasuredEngine],
            closures=tuple(everything[Closure].values()),
            overtime=tuple(everything[Overtime].values()),
            edges=edges,
            ready_edges=ready,
            cutter_places=cutter_places(standing(all_events(connection))),
            last_cuts=_last_cuts(connection, everything[Machine]),
            depth_records=self.depth_records_in(connection),
            removed_mm=_removed(connection, parts, live_parts),
            checks=_checks(connection, live_parts),
            surveys=_surveys(connection, live_parts),
            taps=_open_taps(connection),
            cut_on=_cut_on(connection, open_sets),
            data_version=data_version,
        )


def _open_taps(connection: Connection) -> dict[int, tuple[Tap, ...]]:
    jobs = tables.jobs
    return taps_of_jobs(connection, select(jobs.c.id).where(jobs.c.state.in_(OPEN_JOBS)))


def _cut_on(connection: Connection, open_sets) -> dict[int, CutOn]:
    """What the finished members of open sets were last cut on, by job."""
    cuts, members = tables.cuts, tables.set_members
    rows = connection.execute(
        select(cuts.c.job_id, cuts.c.machine_id, cuts.c.cutter_id, cuts.c.grade_id)
        .where(standing_cuts(), cuts.c.job_id.in_(select(members.c.job_id).where(members.c.set_id.in_(open_sets))))
        .order_by(cuts.c.ended, cuts.c.id)
    )
    return {job_id: CutOn(*own) for job_id, *own in rows}


def _removed(connection: Connection, parts: dict[int, Part], live_parts) -> dict[tuple[int, int], float]:
    """(part id, face id) -> depth recorded cuts took, reversed ones taken off by their negative entries."""
    cuts, table = tables.cuts, tables.parts
    total = func.sum(cuts.c.removed_mm)
    own = (
        select(cuts.c.part_id, cuts.c.face_id, total)
        .where(cuts.c.part_id.in_(select(table.c.id).where(live_parts)))
        .group_by(cuts.c.part_id, cuts.c.face_id)
    )
    removed: dict[tuple[int, int], float] = defaultdict(float)
    for part_id, face_id, depth in connection.execute(own):
        removed[part_id, face_id] += depth
    now, before = table.alias("now"), table.alias("before")
    returned = (
        select(now.c.id, cuts.c.face_id, total)
        .join_from(now, before, (before.c.same_part == now.c.same_part) & (before.c.id < now.c.id))
        .join(cuts, cuts.c.part_id == before.c.id)
        .where(now.c.id.in_(list(parts)), now.c.same_part != "", now.c.removed_before_mm.is_(None))
        .group_by(now.c.id, cuts.c.face_id)
    )
    for part_id, face_id, depth in connection.execute(returned):
        removed[part_id, face_id] += depth
    # entries that cancel may leave a hair either side of zero
    return {key: max(round(depth, 9), 0.0) for key, depth in removed.items()}


def _last_cuts(connection: Connection, machines: Iterable[int]) -> dict[int, LastCut]:
    """Machine id -> the last cut recorded on it, reversed ones and their reversals passed over."""
    cuts = tables.cuts
    found = {}
    for machine_id in machines:
        last = (
            select(cuts.c.family_id, cuts.c.material, cuts.c.ended, cuts.c.cutter_id, cuts.c.grade_id)
            .where(cuts.c.machine_id == machine_id, standing_cuts())
            .order_by(cuts.c.ended.desc(), cuts.c.id.desc())
            .limit(1)
        )
        row = connection.execute(last).one_or_none()
        if row is not None:
            found[machine_id] = LastCut(*row)
    return found


def _standing(connection: Connection, table, live_parts, *more):
    """Rows of measurements of live parts, oldest first, less those taken before the face was last cut."""
    cuts = tables.cuts
    back = cuts.alias("back")
    taken_back = select(back.c.id).where(back.c.reverses_id == cuts.c.id).exists()
    cut_since = (
        select(cuts.c.id)
        .where(
            cuts.c.part_id == table.c.part_id,
            cuts.c.face_id == table.c.face_id,
            cuts.c.ended > table.c.at,
            cuts.c.removed_mm > 0,
            ~taken_back,
        )
        .exists()
    )
    parts = select(tables.parts.c.id).where(live_parts)
    query = select(table).where(table.c.part_id.in_(parts), ~cut_since, *more).order_by(table.c.at, table.c.id)
    return connection.execute(query).mappings()


def _checks(connection: Connection, live_parts) -> dict[tuple[int, int], IntakeCheck]:
    """(part id, face id) -> the last intake check that still stands."""
    found = {}
    for row in _standing(connection, tables.intake_checks, live_parts):
        found[row["part_id"], row["face_id"]] = stored_check(row)
    return found


def _surveys(connection: Connection, live_parts) -> dict[tuple[int, int], FaceSurvey]:
    """(part id, face id) -> the last survey of the clamped face that still stands."""
    clamped = tables.surveys.c.stage == SurveyStage.CLAMPED.value
    found = {}
    for row in _standing(connection, tables.surveys, live_parts, clamped):
        found[row["part_id"], row["face_id"]] = stored_survey(row)
    return found


def stored_check(row: Mapping[str, Any]) -> IntakeCheck:
    """The intake check of a row of its table."""
    stored = {name: row[name] for name in ("id", "part_id", "face_id", "at", "by", "pit_mm")}
    stored |= {"least_mm": row["lower_mm"] or 0.0, "greatest_mm": row["upper_mm"]}
    return check_of(row["payload"], **stored)


def stored_survey(row: Mapping[str, Any]) -> FaceSurvey:
    """The survey of a row of its table. Raises `InputError` where none can be read back."""
    stored = {name: row[name] for name in ("id", "part_id", "face_id", "at", "by", "stage", "job_id")}
    return survey_of(row["payload"], **stored)
