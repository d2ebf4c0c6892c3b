"""What the scrapping of a part changes around it, kept, so that taking it back puts the sets together again."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, func, select, update

from planner.shop import Cut, JobState, PartState
from planner.store import tables
from planner.store.base import add_row, touched
from planner.store.references import OPEN_JOBS, mark_key

_GONE = (PartState.SCRAPPED.value, PartState.GONE.value)


def partner_scrapped(set_name: str) -> str:
    """Why a part freed by its partner's end is held."""
    return f"its partner in {set_name} was scrapped: find another"


def touch_part(connection: Connection, part_id: int, by: str, at: datetime, values: Mapping[str, Any]) -> None:
    """Change a part's columns as somebody's change: its version moves."""
    table = tables.parts
    connection.execute(update(table).where(table.c.id == part_id).values(dict(values) | touched(table, by, at)))


def scrap_part(connection: Connection, cut: Cut, cut_id: int) -> None:
    """The part's other open jobs are withdrawn and it leaves its sets; what was changed is kept with the cut."""
    jobs = tables.jobs
    others = (jobs.c.part_id == cut.part_id) & jobs.c.state.in_(OPEN_JOBS)
    withdrawn = list(connection.execute(select(jobs.c.id).where(others)).scalars())
    _change_jobs(connection, withdrawn, JobState.WITHDRAWN, cut.by, cut.ended)
    apart = _take_sets_apart(connection, cut)
    row = {"cut_id": cut_id, "changed": {"jobs": withdrawn, "sets": apart}, "undone": []}
    add_row(connection, tables.scrappings, row)


def take_scrapping_back(connection: Connection, cut_id: int, by: str, at: datetime) -> None:
    """Undo what the scrapping by this cut changed around the part: withdrawn jobs wait again where their face has no other
    open job, and each set is put together again where nothing else happened to its members since. What stands in the way
    is kept."""
    table, jobs = tables.scrappings, tables.jobs
    row = connection.execute(select(table).where(table.c.cut_id == cut_id)).mappings().first()
    if row is None:
        return
    for job_id in row["changed"]["jobs"]:
        job = connection.execute(select(jobs).where(jobs.c.id == job_id)).mappings().first()
        if job is None or job["state"] != JobState.WITHDRAWN.value:
            continue
        same = select(jobs.c.id).where(jobs.c.part_id == job["part_id"], jobs.c.face_id == job["face_id"])
        if connection.execute(same.where(jobs.c.state.in_(OPEN_JOBS))).first() is None:
            _change_jobs(connection, [job_id], JobState.WAITING, by, at)
    undone = []
    for apart in row["changed"]["sets"]:
        why_not = _in_the_way(connection, apart)
        if not why_not:
            _restore(connection, apart, by, at)
        undone.append({"name": apart["set"]["name"], "members": apart["members"], "why_not": "; ".join(why_not)})
    connection.execute(update(table).where(table.c.id == row["id"]).values(undone=undone))


def came_of_it(connection: Connection, cut_id: int) -> tuple[tuple[str, tuple[int, ...], str], ...]:
    """The sets a scrapping took apart, once it is taken back: name, jobs, and what stood in the way ("" = together
    again)."""
    table = tables.scrappings
    undone = connection.execute(select(table.c.undone).where(table.c.cut_id == cut_id)).scalar() or ()
    return tuple((one["name"], tuple(one["members"]), one["why_not"]) for one in undone)


def _take_sets_apart(connection: Connection, cut: Cut) -> list[dict[str, Any]]:
    """A scrapped part leaves its sets. Where one member is left the set ends, and that part goes to the loose ones: held
    for the lead while it is still to be cut, as its target is another now."""
    taken = []
    members, jobs, sets = tables.set_members, tables.jobs, tables.sets
    own = select(members.c.set_id).join(jobs, jobs.c.id == members.c.job_id).where(jobs.c.part_id == cut.part_id)
    for set_id in connection.execute(own.distinct()).scalars().all():
        row = connection.execute(select(sets).where(sets.c.id == set_id)).mappings().one()
        rows = connection.execute(
            select(members.c.job_id, members.c.seq, jobs.c.part_id, jobs.c.state)
            .join(jobs, jobs.c.id == members.c.job_id)
            .where(members.c.set_id == set_id)
            .order_by(members.c.seq)
        ).all()
        left = [member for member in rows if member.part_id != cut.part_id]
        gone = [member.job_id for member in rows if member.part_id == cut.part_id]
        kept: dict[str, Any] = {
            "set_id": set_id,
            "set": {name: row[name] for name in row if name not in ("id", "version", "changed_by", "changed_at")},
            "members": [member.job_id for member in rows],
            "gone": gone,
            "ended": len(left) < 2,
            "freed": [_standing(connection, member.part_id) | {"job_id": member.job_id} for member in left],
        }
        if not kept["ended"]:
            connection.execute(delete(members).where(members.c.job_id.in_(gone)))
            _touch_set(connection, set_id, cut.by, cut.ended)
        else:
            connection.execute(delete(members).where(members.c.set_id == set_id))
            connection.execute(delete(sets).where(sets.c.id == set_id))
            for member, freed in zip(left, kept["freed"], strict=True):
                if member.state in OPEN_JOBS:
                    reason = partner_scrapped(row["name"])
                    hold = {"part_id": member.part_id, "waiting_for": "lead", "reason": reason}
                    freed["hold_id"] = add_row(connection, tables.holds, hold | {"since": cut.ended.date()})
                if member.state != JobState.RUNNING.value:
                    touch_part(connection, member.part_id, cut.by, cut.ended, {"state": PartState.SHELF.value})
        taken.append(kept)
    return taken


def _standing(connection: Connection, part_id: int) -> dict[str, Any]:
    """A partner as it stands, to be told later whether something happened to it."""
    parts = tables.parts
    row = connection.execute(select(parts.c.state, parts.c.engine_serial).where(parts.c.id == part_id)).one()
    return {"part_id": part_id, "state": row.state, "engine_serial": row.engine_serial, "hold_id": None}


def _in_the_way(connection: Connection, apart: Mapping[str, Any]) -> list[str]:
    jobs, parts, members, sets = tables.jobs, tables.parts, tables.set_members, tables.sets
    found = []
    if not apart["ended"]:
        same = select(sets.c.id).where(sets.c.id == apart["set_id"])
        if connection.execute(same).first() is None:
            found.append("the set is gone")
    for job_id in apart["gone"]:
        state = connection.execute(select(jobs.c.state).where(jobs.c.id == job_id)).scalar()
        if state is None or state == JobState.WITHDRAWN.value:
            found.append("the job of the part that was scrapped " + ("is gone" if state is None else "stays withdrawn"))
    for freed in apart["freed"]:
        row = connection.execute(
            select(parts.c.tag, parts.c.state, parts.c.engine_serial, jobs.c.state.label("job"))
            .outerjoin(jobs, (jobs.c.part_id == parts.c.id) & (jobs.c.id == freed["job_id"]))
            .where(parts.c.id == freed["part_id"])
        ).first()
        if row is None or row.job is None:
            found.append(f"the job of {row.tag if row is not None else 'its partner'} is gone")
            continue
        other = connection.execute(
            select(sets.c.name)
            .join(members, members.c.set_id == sets.c.id)
            .join(jobs, jobs.c.id == members.c.job_id)
            .where(jobs.c.part_id == freed["part_id"], sets.c.id != (0 if apart["ended"] else apart["set_id"]))
        ).scalar()
        if other is not None:
            found.append(f"{row.tag} is in the set {other} now")
        elif row.state in _GONE:
            found.append(f"{row.tag} is {row.state}")
        elif row.job == JobState.WITHDRAWN.value:
            found.append(f"the job of {row.tag} was withdrawn")
        elif mark_key(row.engine_serial) != mark_key(freed["engine_serial"]):
            found.append(f"{row.tag} went to {'engine ' + row.engine_serial if row.engine_serial else 'no engine'}")
    return found


def _restore(connection: Connection, apart: Mapping[str, Any], by: str, at: datetime) -> None:
    members, holds = tables.set_members, tables.holds
    if apart["ended"]:
        set_id = add_row(connection, tables.sets, dict(apart["set"]) | {"changed_by": by, "changed_at": at})
    else:
        set_id = apart["set_id"]
        connection.execute(delete(members).where(members.c.set_id == set_id))
        _touch_set(connection, set_id, by, at)
    for seq, job_id in enumerate(apart["members"]):
        connection.execute(members.insert().values(job_id=job_id, set_id=set_id, seq=seq))
    if not apart["ended"]:
        return
    for freed in apart["freed"]:
        if freed["hold_id"] is not None:
            ended = func.coalesce(holds.c.ended, at.date())
            connection.execute(update(holds).where(holds.c.id == freed["hold_id"]).values(ended=ended))
        now = connection.execute(select(tables.parts.c.state).where(tables.parts.c.id == freed["part_id"])).scalar()
        state = freed["state"] if now == PartState.SHELF.value else now
        touch_part(connection, freed["part_id"], by, at, {"state": state})


def _change_jobs(connection: Connection, ids: list[int], state: JobState, by: str, at: datetime) -> None:
    table = tables.jobs
    if ids:
        values = {"state": state.value} | touched(table, by, at)
        connection.execute(update(table).where(table.c.id.in_(ids)).values(values))


def _touch_set(connection: Connection, set_id: int, by: str, at: datetime) -> None:
    table = tables.sets
    connection.execute(update(table).where(table.c.id == set_id).values(touched(table, by, at)))
