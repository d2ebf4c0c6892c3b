"""What a recorded or reversed cut changes around it: its job, the part's gates, holds and state."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, func, select, update

from planner.errors import InputError
from planner.shop import Cut, FaceKind, GateKind, GateState, JobState, Outcome, PartState
from planner.store import tables
from planner.store.base import add_row, touched
from planner.store.references import OPEN_JOBS
from planner.store.rows import standing_cuts
from planner.store.scrapping import scrap_part, take_scrapping_back, touch_part

PARTING_CUT = "the parting face was cut"
STACK_CUT = "manifold and end rails follow the cut: figures on the page Matched sets"
# which gates after the cut a cut of which faces puts on the route, and why
_AFTER_THE_CUT = {
    GateKind.LINE_BORE: ((FaceKind.PARTING,), PARTING_CUT),
    GateKind.INTAKE_CORRECTION: ((FaceKind.DECK, FaceKind.PARTING), STACK_CUT),
}


def settle_job(connection: Connection, cut: Cut, state: JobState) -> None:
    table = tables.jobs
    values = {"state": state.value} | touched(table, cut.by, cut.ended)
    connection.execute(update(table).where(table.c.id == cut.job_id).values(values))


def settle_part(connection: Connection, cut: Cut, cut_id: int) -> None:
    table = tables.parts
    part = connection.execute(select(table.c.route, table.c.state).where(table.c.id == cut.part_id)).one()
    route = [dict(gate) for gate in part.route]
    values: dict[str, Any] = {}
    faces = tables.faces
    kind = connection.execute(select(faces.c.kind).where(faces.c.id == cut.face_id)).scalar()
    if cut.stop_depth_mm > 0:
        for gate_kind, (faces_of_it, note) in _AFTER_THE_CUT.items():
            if kind in faces_of_it and _asks(connection, gate_kind, cut.part_id):
                if not any(gate["kind"] == gate_kind.value for gate in route):
                    route.append({"kind": gate_kind.value, "note": note})
                _set_gate(route, gate_kind, GateState.OPEN)
    if cut.outcome is Outcome.FINISHED:
        jobs = tables.jobs
        left = select(jobs.c.id).where(jobs.c.part_id == cut.part_id, jobs.c.state.in_(OPEN_JOBS))
        if connection.execute(left.limit(1)).first() is None:
            _set_gate(route, GateKind.CUT, GateState.DONE, _initials(connection, cut.by), cut.ended.date())
    elif cut.outcome is Outcome.TO_WELD:
        if not any(gate["kind"] == GateKind.WELD.value for gate in route):
            route.insert(0, {"kind": GateKind.WELD.value})
        _set_gate(route, GateKind.WELD, GateState.OPEN)
    elif cut.outcome is Outcome.SCRAPPED:
        values["state"] = PartState.SCRAPPED.value
        scrap_part(connection, cut, cut_id)
    elif cut.outcome is Outcome.NOT_CLEAN:
        reason = f"stopped before clean on {cut.ended:%d %b}: decide how to go on"
        hold = {"part_id": cut.part_id, "waiting_for": "lead", "reason": reason, "since": cut.ended.date()}
        add_row(connection, tables.holds, hold)
    touch_part(connection, cut.part_id, cut.by, cut.ended, values | {"route": route})


def _set_gate(route: list[dict], kind: GateKind, state: GateState, initials: str = "", on: date | None = None) -> None:
    for gate in route:
        if gate["kind"] == kind.value:
            gate.update(state=state.value, initials=initials, on=on.isoformat() if on else None, at=None)


def _initials(connection: Connection, by: str) -> str:
    table = tables.people
    known = connection.execute(select(table.c.initials).where(func.lower(table.c.name) == by.lower())).scalar()
    return known or by[:8]


def _standing_finished(connection: Connection, condition: Any) -> bool:
    query = select(tables.cuts.c.id).where(condition, standing_cuts(), tables.cuts.c.outcome == Outcome.FINISHED.value)
    return connection.execute(query.limit(1)).first() is not None


def _asks(connection: Connection, kind: GateKind, part_id: int) -> bool:
    """Whether the part is of the sort for which a cut asks for this gate.

    A parting-face cut leaves the bearings' bores no longer round, whatever the engine. Manifold and end rails follow a
    stack only where a manifold lies between the heads: by the engine's serial, else by the only kind of engine that
    takes the part's family, as `planner.shop.Shop.engine_of`.
    """
    if kind is not GateKind.INTAKE_CORRECTION:
        return True
    parts, engines, known = tables.parts, tables.engines, tables.measured_engines
    part = connection.execute(select(parts.c.engine_serial, parts.c.family_id).where(parts.c.id == part_id)).one()
    wanted = part.engine_serial.strip().casefold()
    # compared here: the database folds the case of plain letters only
    measured = connection.execute(select(known.c.serial, known.c.engine_id)).all()
    entered = next((row.engine_id for row in measured if wanted and row.serial.casefold() == wanted), None)
    fits = [
        row
        for row in connection.execute(
            select(engines.c.id, engines.c.head_family_ids, engines.c.case_family_ids, engines.c.manifold_lean_deg)
        )
        if (
            row.id == entered if entered is not None else part.family_id in (*row.head_family_ids, *row.case_family_ids)
        )
    ]
    return len(fits) == 1 and fits[0].manifold_lean_deg is not None


def _standing_cut(connection: Connection, part_id: int, kinds: tuple[FaceKind, ...]) -> bool:
    """Whether a cut of one of these faces that took something off the part still stands."""
    cuts, faces = tables.cuts, tables.faces
    query = select(cuts.c.id).join(faces, faces.c.id == cuts.c.face_id)
    query = query.where(
        cuts.c.part_id == part_id, standing_cuts(), cuts.c.stop_depth_mm > 0, faces.c.kind.in_([k.value for k in kinds])
    )
    return connection.execute(query.limit(1)).first() is not None


def reopen_job(connection: Connection, row: Any, by: str, at: datetime) -> None:
    jobs = tables.jobs
    if _standing_finished(connection, tables.cuts.c.job_id == row["job_id"]):
        return
    other = select(jobs.c.id).where(
        jobs.c.part_id == row["part_id"],
        jobs.c.face_id == row["face_id"],
        jobs.c.state.in_(OPEN_JOBS),
        jobs.c.id != row["job_id"],
    )
    taken = connection.execute(other).scalar()
    if taken is not None:
        raise InputError("cut_id", row["id"], f"a cut whose face has no other open job (job {taken} is open)")
    values = {"state": JobState.WAITING.value} | touched(jobs, by, at)
    connection.execute(update(jobs).where(jobs.c.id == row["job_id"]).values(values))


def reopen_part(connection: Connection, row: Any, by: str, at: datetime) -> None:
    table = tables.parts
    part = connection.execute(select(table.c.route, table.c.state).where(table.c.id == row["part_id"])).one()
    route = [dict(gate) for gate in part.route]
    values: dict[str, Any] = {}
    if row["outcome"] == Outcome.SCRAPPED.value and part.state == PartState.SCRAPPED.value:
        values["state"] = PartState.IN_SHOP.value
    if row["outcome"] == Outcome.FINISHED.value and not _standing_finished(
        connection, tables.cuts.c.part_id == row["part_id"]
    ):
        _set_gate(route, GateKind.CUT, GateState.OPEN)
    for kind, (faces_of_it, note) in _AFTER_THE_CUT.items():
        if not _standing_cut(connection, row["part_id"], faces_of_it):
            ours = {"kind": kind.value, "note": note, "state": GateState.OPEN.value}
            route = [gate for gate in route if not ours.items() <= gate.items()]
    touch_part(connection, row["part_id"], by, at, values | {"route": route})
    if row["outcome"] == Outcome.SCRAPPED.value:
        take_scrapping_back(connection, row["id"], by, at)
