"""What people do about a matched set, each in one transaction: agree, cut again, other gaskets, another partner, weld,
free the partner of a scrapped part, pair loose parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from planner.errors import InputError, positive
from planner.shop import (
    Aim,
    Gasket,
    Gate,
    GateKind,
    GateState,
    HeightStage,
    Hold,
    Job,
    JobState,
    MatchedSet,
    Part,
    PartState,
    Shop,
)
from planner.store.repository import Repository
from planner.store.scrapping import partner_scrapped


def accept_mismatch(
    store: Repository, matched: MatchedSet, mismatch_mm: float, agreed_by: str, by: str, at: datetime
) -> MatchedSet:
    """Keep the mismatch that somebody agreed to, with the name."""
    if not agreed_by.strip():
        raise InputError("set.accepted_by", agreed_by, "who agreed to the mismatch")
    agreed = replace(matched, accepted_mismatch_mm=positive("mismatch_mm", mismatch_mm), accepted_by=agreed_by)
    return store.save(agreed, by=by, at=at)


def agree_to_split(store: Repository, matched: MatchedSet, agreed_by: str, by: str, at: datetime) -> MatchedSet:
    """Keep who agreed that an index, a cutter or a machine may come between the members."""
    if not agreed_by.strip():
        raise InputError("set.split_agreed_by", agreed_by, "who agreed that the set may be split")
    return store.save(replace(matched, split_agreed_by=agreed_by.strip()), by=by, at=at)


def cut_again(
    store: Repository, shop: Shop, matched: MatchedSet, depths_mm: dict[int, float], by: str, at: datetime
) -> MatchedSet:
    """New jobs to these depths for finished members (job id -> mm) take their places in the set."""
    with store.transaction() as together:
        places = dict(zip(matched.job_ids, matched.job_ids, strict=True))
        for job_id, depth in depths_mm.items():
            old = shop.jobs[job_id]
            if old.state.is_open:
                raise InputError("job", shop.part_of(old).tag, "a member that is finished: only such are cut again")
            again = replace(
                old,
                id=None,
                version=0,
                aim=Aim.TO_DEPTH,
                depth_mm=depth,
                state=JobState.WAITING,
                note=f"cut again to match its set, {matched.name}",
            )
            places[job_id] = together.add(again, by=by, at=at).id
        return together.save(replace(matched, job_ids=tuple(places.values())), by=by, at=at)


def fit_gaskets(
    store: Repository,
    shop: Shop,
    matched: MatchedSet,
    stacks: dict[int, tuple[Gasket, ...]],
    mismatch_mm: float,
    agreed_by: str,
    by: str,
    at: datetime,
) -> None:
    """Plan these gaskets (job id -> one or a stack) on the members' banks, and keep the mismatch of the heights that
    they make up for, with the name of who agreed."""
    with store.transaction() as together:
        for job_id, stack in stacks.items():
            job = shop.jobs[job_id]
            note = job.note
            if len(stack) > 1:
                note = "; ".join(x for x in (note, "stacked: " + " + ".join(g.name for g in stack)) if x)
            together.save(replace(job, gasket_id=stack[0].id, note=note), by=by, at=at)
        accept_mismatch(together, matched, mismatch_mm, agreed_by, by, at)


def swap_partner(
    store: Repository, shop: Shop, matched: MatchedSet, leaving_job: int, part_id: int, by: str, at: datetime
) -> MatchedSet:
    """A loose part takes a member's place: it goes to that engine, position and due time; the one that leaves goes on
    the shelf, its job withdrawn unless it is cut."""
    old, new_part = shop.jobs[leaving_job], shop.parts[part_id]
    leaving = shop.part_of(old)
    if old.state is JobState.RUNNING:
        raise InputError("job", leaving.tag, "a member that is not on the machine")
    if new_part.state is not PartState.SHELF or new_part.family_id != leaving.family_id:
        raise InputError("part", new_part.tag, f"a loose part of the family of {leaving.tag}")
    with store.transaction() as together:
        together.save(
            replace(
                new_part,
                state=PartState.IN_SHOP,
                engine_serial=leaving.engine_serial,
                work_order=leaving.work_order,
                position=leaving.position or new_part.position,
                holds=_freed_again(new_part, at),
            ),
            by=by,
            at=at,
        )
        job = _job_of(shop, new_part, old.face_id)
        if job is None:
            job = together.add(
                replace(
                    old, id=None, version=0, part_id=part_id, state=JobState.WAITING, aim=Aim.TILL_CLEAN, depth_mm=None
                ),
                by=by,
                at=at,
            )
        ids = tuple(job.id if i == leaving_job else i for i in matched.job_ids)
        kept = together.save(replace(matched, job_ids=ids, accepted_mismatch_mm=None, accepted_by=""), by=by, at=at)
        if old.state is JobState.WAITING:
            together.save(replace(old, state=JobState.WITHDRAWN), by=by, at=at)
        together.save(replace(leaving, state=PartState.SHELF, engine_serial="", work_order=""), by=by, at=at)
        return kept


def send_to_weld(store: Repository, part: Part, reason: str, by: str, at: datetime) -> Part:
    """Open the gate "weld": the part waits until it is passed."""
    gates = [g for g in part.route if g.kind is not GateKind.WELD]
    note = reason[:300]
    return store.save(replace(part, route=(Gate(GateKind.WELD, GateState.OPEN, note=note), *gates)), by=by, at=at)


def free_partners(store: Repository, shop: Shop, matched: MatchedSet, by: str, at: datetime) -> tuple[str, ...]:
    """Take scrapped members out of the set. Where one member is left it goes to the loose parts, held for the lead
    until it has a partner; returns the tags freed."""
    gone = [j for j in matched.job_ids if shop.part_of(shop.jobs[j]).state is PartState.SCRAPPED]
    if not gone:
        raise InputError("set", matched.name, "a set of which a member is scrapped")
    left = tuple(j for j in matched.job_ids if j not in gone)
    with store.transaction() as together:
        if len(left) >= 2:
            together.save(replace(matched, job_ids=left), by=by, at=at)
            return ()
        together.delete(matched)
        freed = []
        for job_id in left:
            job = shop.jobs[job_id]
            part = shop.part_of(job)
            holds = part.holds
            if job.state.is_open:
                holds += (Hold("lead", partner_scrapped(matched.name), at.date()),)
            state = part.state if job.state is JobState.RUNNING else PartState.SHELF
            together.save(replace(part, state=state, holds=holds), by=by, at=at)
            freed.append(part.tag)
        return tuple(freed)


def pair_loose(
    store: Repository,
    shop: Shop,
    tags: Sequence[str],
    engine_serial: str,
    due: datetime | None,
    by: str,
    at: datetime,
) -> MatchedSet:
    """Make a matched set of loose parts: they go to one engine, each with a job on its family's first face."""
    if not engine_serial.strip():
        raise InputError("engine_serial", engine_serial, "the engine the parts are for")
    loose = {p.tag: p for p in shop.parts.values() if p.state is PartState.SHELF}
    with store.transaction() as together:
        ids = []
        for tag in tags:
            part = loose.get(tag)
            if part is None:
                raise InputError("part", tag, "a part on the shelf")
            face = shop.family_of(part).faces[0]
            holds = _freed_again(part, at)
            moved = replace(part, state=PartState.IN_SHOP, engine_serial=engine_serial.strip(), holds=holds)
            together.save(moved, by=by, at=at)
            job = _job_of(shop, part, face.id) or together.add(Job(part.id, face.id, due=due), by=by, at=at)
            ids.append(job.id)
        matched = MatchedSet(
            f"engine {engine_serial.strip()}"[:80], tuple(ids), tolerance_mm=shop.settings.set_tolerance_mm
        )
        return together.add(matched, by=by, at=at)


def _job_of(shop: Shop, part: Part, face_id: int) -> Job | None:
    """The open job of a part's face, or the one that is cut where the face still stands as it was cut; None: a new one
    is needed."""
    mine = [j for j in shop.jobs.values() if j.part_id == part.id and j.face_id == face_id]
    still = next((j for j in mine if j.state.is_open), None)
    readings = part.latest_heights_mm(face_id).values()
    if still is None and readings and all(r.stage is HeightStage.FINISHED for r in readings):
        still = next((j for j in mine if j.state in (JobState.CUT, JobState.FINISHED)), None)
    return still


def _freed_again(part: Part, at: datetime) -> tuple[Hold, ...]:
    """The part's holds, those that only waited for a partner ended."""
    return tuple(
        replace(h, ended=max(at.date(), h.since)) if h.ended is None and "was scrapped: find another" in h.reason else h
        for h in part.holds
    )
