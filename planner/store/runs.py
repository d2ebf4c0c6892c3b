"""What happens at the machine while it happens: run-sheet taps, drafts, intake checks, surveys, pictures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, delete, func, insert, select, update

from planner.errors import InputError
from planner.shop import FollowedSurvey, SurveyStage, Tap, dye_place, survey_of
from planner.store import tables
from planner.store.base import SHOP, TAPS, Base, add_row, require, signed
from planner.store.codec import plain
from planner.store.errors import StaleRecord
from planner.store.references import check_face
from planner.store.rows import load_settings, standing_cuts

UNDO, RECORDED = "undo", "cut recorded"


@dataclass(frozen=True)
class Measurement:
    """A stored intake check or survey; ``payload`` as it was given."""

    id: int
    part_id: int
    face_id: int
    at: datetime
    by: str
    payload: Mapping[str, Any]
    job_id: int | None = None
    stage: str = ""
    lower_mm: float | None = None
    upper_mm: float | None = None
    pit_mm: float | None = None


@dataclass(frozen=True)
class Attachment:
    """A picture or paper kept with a part; its bytes are read by `Runs.attachment_content`."""

    id: int
    part_id: int
    at: datetime
    by: str
    name: str
    media_type: str
    note: str


def checked_payload(payload: Any) -> dict[str, Any]:
    """A mapping as JSON holds it; raises `InputError` otherwise."""
    if not isinstance(payload, Mapping):
        raise InputError("payload", payload, "names with values")
    return plain(payload, "payload")


class Runs(Base):
    """Taps, drafts and measurements."""

    # -- run-sheet taps: append-only, undo is a tap that takes the last one back ------------------------------------
    def add_tap(
        self,
        job_id: int,
        kind: str,
        payload: Mapping[str, Any],
        at: datetime,
        by: str = "",
        seen_seq: int | None = None,
    ) -> Tap:
        """Store one tap; it is on disk when this returns. ``seen_seq``: the last seq the caller saw (0 = none);
        `StaleRecord` when another session tapped meanwhile."""
        if not kind or kind in (UNDO, RECORDED):
            raise InputError("kind", kind, "a kind of tap")
        by, at = signed(by, at)
        with self.writing(TAPS) as connection:
            require(connection, tables.jobs, job_id, "job_id", "a job of the shop")
            last = _last_seq(connection, job_id)
            _refuse_stale_tap(job_id, last, seen_seq)
            return _append_tap(connection, Tap(job_id, last + 1, at, kind, checked_payload(payload), by))

    def undo_tap(self, job_id: int, at: datetime, by: str = "", seen_seq: int | None = None) -> Tap:
        """Take the job's last standing tap back; returns the tap taken back. `InputError` when there is none, or when
        the cut was recorded since (reverse the cut first)."""
        by, at = signed(by, at)
        with self.writing(TAPS) as connection:
            last = _last_seq(connection, job_id)
            _refuse_stale_tap(job_id, last, seen_seq)
            standing = _standing_taps(connection, job_id)
            if not standing or standing[-1].kind == RECORDED:
                raise InputError("job_id", job_id, "a job with a tap to take back")
            undone = standing[-1]
            _append_tap(connection, Tap(job_id, last + 1, at, UNDO, {}, by, undone.seq))
            return undone

    def taps_of(self, job_id: int, whole: bool = False) -> tuple[Tap, ...]:
        """The taps of a job that stand, since its last recorded cut; ``whole``: every entry ever made."""
        with self.reading() as connection:
            if whole:
                return _all_taps(connection, job_id)
            return _since_recorded(_standing(_all_taps(connection, job_id)))

    def taps_of_cut(self, job_id: int, cut_id: int) -> tuple[Tap, ...]:
        """The entries of the run sheet that ended in this cut: what stood when it was recorded."""
        with self.reading() as connection:
            taps = _all_taps(connection, job_id)
        ended = (i for i, tap in enumerate(taps) if tap.kind == RECORDED and tap.payload.get("cut_id") == cut_id)
        return _since_recorded(_standing(taps[: next(ended, len(taps))]))

    def told_at_end(self, job_id: int) -> dict[str, Any]:
        """What the ending of the job's last recorded run sheet told beside the cut (plugs); {} where nothing was."""
        with self.reading() as connection:
            ends = [tap for tap in _standing_taps(connection, job_id) if tap.kind == RECORDED]
        return {k: v for k, v in ends[-1].payload.items() if k != "cut_id"} if ends else {}

    def last_tap_seq(self, job_id: int) -> int:
        """The seq of the job's last entry, undo taps counted; 0 = none."""
        ((last,),) = self._glance(f"SELECT max(seq) FROM {tables.run_taps.name} WHERE job_id = :job", job=job_id)
        return last or 0

    # -- drafts: work not saved yet; they move no counter -----------------------------------------------------------
    def put_draft(self, key: str, payload: Mapping[str, Any], at: datetime) -> None:
        """Keep unsaved work under a key, in place of what was there."""
        if not key or len(key) > 200:
            raise InputError("key", key, "1 to 200 characters")
        values = {"payload": checked_payload(payload), "updated_at": signed("", at)[1]}
        with self.quiet_writing() as connection:
            table = tables.drafts
            if connection.execute(update(table).where(table.c.key == key).values(values)).rowcount == 0:
                connection.execute(insert(table).values(values | {"key": key}))

    def get_draft(self, key: str) -> dict[str, Any] | None:
        """What was kept under the key, or None."""
        with self.reading() as connection:
            return connection.execute(select(tables.drafts.c.payload).where(tables.drafts.c.key == key)).scalar()

    def drop_draft(self, key: str) -> None:
        with self.quiet_writing() as connection:
            connection.execute(delete(tables.drafts).where(tables.drafts.c.key == key))

    def draft_keys(self, prefix: str = "") -> tuple[str, ...]:
        """Keys of kept drafts, newest first."""
        query = f"SELECT key FROM {tables.drafts.name} WHERE key LIKE :like ESCAPE '~' ORDER BY updated_at DESC, key"
        like = "".join(f"~{c}" if c in "~%_" else c for c in prefix) + "%"
        return tuple(key for (key,) in self._glance(query, like=like))

    # -- measurements ------------------------------------------------------------------------------------------------
    def add_intake_check(
        self,
        part_id: int,
        face_id: int,
        at: datetime,
        by: str = "",
        lower_mm: float | None = None,
        upper_mm: float | None = None,
        pit_mm: float | None = None,
        payload: Mapping[str, Any] | None = None,
    ) -> Measurement:
        """Store an intake check: the clean-up depth lies between the two depths (None = not bounded)."""
        if lower_mm is not None and upper_mm is not None and upper_mm < lower_mm:
            raise InputError("upper_mm", upper_mm, f"at least the lower bound, {lower_mm:g} mm")
        values = {"lower_mm": lower_mm, "upper_mm": upper_mm, "pit_mm": pit_mm}
        return self._add_measurement(tables.intake_checks, part_id, face_id, at, by, payload or {}, values)

    def add_survey(
        self,
        part_id: int,
        face_id: int,
        at: datetime,
        payload: Mapping[str, Any],
        by: str = "",
        stage: str = "clamped",
        job_id: int | None = None,
    ) -> Measurement:
        """Store indicator readings over a face as they were taken.

        Those of the stages clamped and finished are read back as a `FaceSurvey`: `InputError` where they are none."""
        by, at = signed(by, at)
        if stage in tuple(SurveyStage):
            survey_of(payload, part_id=part_id, face_id=face_id, at=at, stage=stage, by=by, job_id=job_id)
        values = {"stage": stage, "job_id": job_id}
        return self._add_measurement(tables.surveys, part_id, face_id, at, by, payload, values)

    def surveys_of_face(self, face_id: int, stage: str = "clamped") -> tuple[Measurement, ...]:
        """Every survey of a family's face at one stage, oldest first: where first contact and the last place usually
        are."""
        table = tables.surveys
        with self.reading() as connection:
            query = select(table).where(table.c.face_id == face_id, table.c.stage == stage)
            rows = connection.execute(query.order_by(table.c.at, table.c.id))
            return tuple(Measurement(**row) for row in rows.mappings())

    def followed_surveys(self, newest: int = 200) -> tuple[FollowedSurvey, ...]:
        """Surveys of clamped faces whose next cut taught something of the clean-up depth, the newest so many, oldest
        first. A face's last survey before its cut counts; cuts from before the date the shop learns from do not."""
        survey, cut = tables.surveys, tables.cuts
        known = cut.c.clean_lower_mm.is_not(None) | cut.c.clean_upper_mm.is_not(None)
        query = (
            select(survey, cut.c.id.label("cut"), cut.c.clean_lower_mm, cut.c.clean_upper_mm, cut.c.ended)
            .join_from(
                survey,
                cut,
                (cut.c.part_id == survey.c.part_id)
                & (cut.c.face_id == survey.c.face_id)
                & (cut.c.ended >= survey.c.at)
                # a survey counts for the job it was made for; without a job, for the part's next cut
                & (survey.c.job_id.is_(None) | cut.c.job_id.is_(None) | (survey.c.job_id == cut.c.job_id)),
            )
            .where(survey.c.stage == SurveyStage.CLAMPED.value, standing_cuts(), known)
            .order_by(cut.c.ended, cut.c.id, survey.c.at, survey.c.id)
        )
        with self.reading() as connection:
            if learn_from := load_settings(connection).learn_from:
                query = query.where(cut.c.ended >= datetime.fromisoformat(learn_from))
            rows = connection.execute(query).mappings().all()
        first_cut = {row["id"]: row["cut"] for row in reversed(rows)}
        last = {row["cut"]: row for row in rows if first_cut[row["id"]] == row["cut"]}
        found = []
        for row in list(last.values())[-newest:]:
            try:
                read = survey_of(row["payload"], part_id=row["part_id"], face_id=row["face_id"], at=row["at"])
            except InputError:
                continue
            lower, upper = row["clean_lower_mm"], row["clean_upper_mm"]
            found.append(FollowedSurvey(read, lower or 0.0, math.inf if upper is None else upper))
        return tuple(found)

    def dye_places(self, face_id: int) -> tuple[tuple[int, datetime, str], ...]:
        """Where dye was left last on a family's face, by the cuts that stand: (part id, when, place), oldest first."""
        cut = tables.cuts
        query = select(cut.c.part_id, cut.c.ended, cut.c.passes).where(cut.c.face_id == face_id, standing_cuts())
        with self.reading() as connection:
            rows = connection.execute(query.order_by(cut.c.ended, cut.c.id)).all()
        found = []
        for part_id, ended, passes in rows:
            places = [place for said in passes if (place := dye_place(said.get("dye_left") or ""))]
            if places:
                found.append((part_id, ended, places[-1]))
        return tuple(found)

    def first_touches(self, face_id: int) -> tuple[tuple[int, datetime, str], ...]:
        """Where a family's face was touched off and turned out to be met first, by the cuts that stand: (part id, when,
        place), oldest first. A place counts within half a step of the instrument."""
        cut = tables.cuts
        query = select(cut.c.part_id, cut.c.ended, cut.c.touch_place).where(
            cut.c.face_id == face_id, cut.c.delta_mm.is_not(None), cut.c.touch_place != "", standing_cuts()
        )
        with self.reading() as connection:
            close = load_settings(connection).depth_step_mm / 2
            rows = connection.execute(query.where(cut.c.delta_mm <= close).order_by(cut.c.ended, cut.c.id)).all()
        return tuple((part_id, ended, place) for part_id, ended, place in rows)

    def intake_checks_of(self, part_id: int) -> tuple[Measurement, ...]:
        """Intake checks of a part, oldest first."""
        return self._measurements(tables.intake_checks, part_id)

    def surveys_of(self, part_id: int) -> tuple[Measurement, ...]:
        """Surveys of a part, oldest first."""
        return self._measurements(tables.surveys, part_id)

    def _add_measurement(self, table, part_id, face_id, at, by, payload, values) -> Measurement:
        by, at = signed(by, at)
        with self.writing(SHOP) as connection:
            require(connection, tables.parts, part_id, "part_id", "a part of the shop")
            check_face(connection, part_id, face_id, "face_id")
            require(connection, tables.jobs, values.get("job_id"), "job_id", "a job of the shop")
            values |= {"part_id": part_id, "face_id": face_id, "at": at, "by": by, "payload": checked_payload(payload)}
            key = add_row(connection, table, values)
            return Measurement(key, **values)

    def _measurements(self, table, part_id: int) -> tuple[Measurement, ...]:
        with self.reading() as connection:
            rows = connection.execute(select(table).where(table.c.part_id == part_id).order_by(table.c.at, table.c.id))
            return tuple(Measurement(**row) for row in rows.mappings())

    # -- pictures ----------------------------------------------------------------------------------------------------
    def add_attachment(
        self, part_id: int, name: str, media_type: str, content: bytes, at: datetime, by: str = "", note: str = ""
    ) -> Attachment:
        """Keep a picture or paper with a part, up to 16 MB."""
        if not content or len(content) > 16 * 1024 * 1024:
            raise InputError("content", f"{len(content)} bytes", "1 byte to 16 MB")
        by, at = signed(by, at)
        values = {"part_id": part_id, "at": at, "by": by, "name": name, "media_type": media_type, "note": note}
        with self.writing() as connection:
            require(connection, tables.parts, part_id, "part_id", "a part of the shop")
            return Attachment(add_row(connection, tables.attachments, values | {"content": content}), **values)

    def attachment_content(self, attachment_id: int) -> bytes:
        """The bytes of an attachment; `InputError` when there is none."""
        table = tables.attachments
        with self.reading() as connection:
            content = connection.execute(select(table.c.content).where(table.c.id == attachment_id)).scalar()
        if content is None:
            raise InputError("attachment_id", attachment_id, "a stored attachment")
        return content


def close_taps(
    connection: Connection,
    job_id: int,
    cut_id: int,
    by: str,
    at: datetime,
    told: Mapping[str, Any] | None = None,
) -> None:
    """Mark that the taps so far became a recorded cut, with what its ending told; a job without taps gets no mark."""
    last = _last_seq(connection, job_id)
    if last:
        payload = checked_payload(told or {}) | {"cut_id": cut_id}
        _append_tap(connection, Tap(job_id, last + 1, at, RECORDED, payload, by))


def reopen_taps(connection: Connection, job_id: int, cut_id: int, by: str, at: datetime) -> None:
    """Take the mark of a recorded cut back, so its taps stand again."""
    for tap in _standing_taps(connection, job_id):
        if tap.kind == RECORDED and tap.payload.get("cut_id") == cut_id:
            _append_tap(connection, Tap(job_id, _last_seq(connection, job_id) + 1, at, UNDO, {}, by, tap.seq))


def _append_tap(connection: Connection, tap: Tap) -> Tap:
    values = {name: getattr(tap, name) for name in ("job_id", "seq", "at", "by", "kind", "payload", "reverses_seq")}
    add_row(connection, tables.run_taps, values)
    return tap


def _last_seq(connection: Connection, job_id: int) -> int:
    table = tables.run_taps
    return connection.execute(select(func.max(table.c.seq)).where(table.c.job_id == job_id)).scalar() or 0


def _all_taps(connection: Connection, job_id: int) -> tuple[Tap, ...]:
    table = tables.run_taps
    rows = connection.execute(select(table).where(table.c.job_id == job_id).order_by(table.c.seq)).mappings()
    return tuple(_tap_of(row) for row in rows)


def _tap_of(row: Mapping[str, Any]) -> Tap:
    return Tap(**{name: row[name] for name in row if name != "id"})


def taps_of_jobs(connection: Connection, jobs: Select) -> dict[int, tuple[Tap, ...]]:
    """Entries that stand since the last recorded cut, by job id, of the jobs selected; jobs without any left out."""
    table = tables.run_taps
    query = select(table).where(table.c.job_id.in_(jobs)).order_by(table.c.job_id, table.c.seq)
    found: dict[int, list[Tap]] = {}
    for row in connection.execute(query).mappings():
        found.setdefault(row["job_id"], []).append(_tap_of(row))
    standing = {job_id: _since_recorded(_standing(taps)) for job_id, taps in found.items()}
    return {job_id: taps for job_id, taps in standing.items() if taps}


def _since_recorded(standing: tuple[Tap, ...]) -> tuple[Tap, ...]:
    start = max((i + 1 for i, tap in enumerate(standing) if tap.kind == RECORDED), default=0)
    return standing[start:]


def _standing_taps(connection: Connection, job_id: int) -> tuple[Tap, ...]:
    return _standing(_all_taps(connection, job_id))


def _standing(taps: Sequence[Tap]) -> tuple[Tap, ...]:
    undone = {tap.reverses_seq for tap in taps}
    return tuple(tap for tap in taps if tap.kind != UNDO and tap.seq not in undone)


def _refuse_stale_tap(job_id: int, last: int, seen: int | None) -> None:
    if seen is not None and seen != last:
        raise StaleRecord(
            f"run sheet of job {job_id}",
            said="Another session made an entry on this run sheet meanwhile; yours was not stored. Look again.",
        )
