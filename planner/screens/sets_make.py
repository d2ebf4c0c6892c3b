"""Making a matched set of jobs that are in the queue."""

from __future__ import annotations

from typing import Any

import streamlit as st

from planner import InputError
from planner.screens import access, words
from planner.screens.forms import Field, Form
from planner.screens.said import tell
from planner.shop import Job, MatchedSet, PartState, Shop
from planner.store.references import mark_key
from planner.units import Units


def draw(shop: Shop, units: Units) -> None:
    free = [j for j in shop.jobs.values() if _may_be_in_a_set(shop, j)]
    if len(free) < 2:
        st.info("Fewer than two jobs are in no set. Enter parts and their jobs on the page Parts.")
        return
    fields = (
        Field("name", "Name", placeholder="empty: named after the engine"),
        Field("job_ids", "Members", "several", options=[(j.id, _label(shop, j)) for j in free], required=True),
        Field("tolerance_mm", "Heights within", "depth", required=True, help="What counts as matched."),
        Field("aim_mm", "Aim", "depth", placeholder=f"the shop's: {units.depth(shop.settings.set_aim_mm)}"),
        Field("relative_to_nominal", "Compare with each family's new height", "flag"),
        Field("gang", "On the table together", "flag", help="Levelled one by one, cut by the same traverse."),
        Field("same_blocks", "Same blocks, same zero", "flag"),
    )
    values = {"tolerance_mm": shop.settings.set_tolerance_mm, "relative_to_nominal": False, "gang": False}
    with st.container(border=True):
        form = Form("new set", "page", fields, values, units, access.repository())
        form.draw("job_ids", "name", columns=2)
        form.draw("tolerance_mm", "aim_mm", columns=2)
        form.draw("relative_to_nominal", "gang", "same_blocks", columns=3)
        form.say()
        form.button("Make the set", lambda v: make_set(shop, v))
    st.caption("Members are jobs of one engine that must end at a similar height: its heads, or its case halves.")


def _may_be_in_a_set(shop: Shop, job: Job) -> bool:
    live = shop.part_of(job).state in (PartState.IN_SHOP, PartState.EXPECTED, PartState.SHELF)
    return live and job.state.value in ("waiting", "running", "cut") and shop.set_of(job.id) is None


def _label(shop: Shop, job: Job) -> str:
    part = shop.part_of(job)
    engine = f", engine {part.engine_serial}" if part.engine_serial else ", no engine"
    return f"{words.job_name(shop, job.id)}{engine}"


def check_members(shop: Shop, job_ids: tuple[int, ...], relative: bool) -> None:
    """Raise `InputError` for jobs that cannot be one set."""
    if len(job_ids) < 2:
        raise InputError("job_ids", "", "two or more jobs")
    jobs = [shop.jobs[i] for i in job_ids]
    parts = [shop.part_of(j) for j in jobs]
    if len({p.id for p in parts}) < len(parts):
        twice = next(p.tag for p in parts if sum(q.id == p.id for q in parts) > 1)
        raise InputError("job_ids", twice, "each part once: one face of it")
    for job, part in zip(jobs, parts, strict=True):
        other = shop.set_of(job.id)
        if other is not None:
            raise InputError("job_ids", part.tag, f"a job in no other set; it is in {other.name}")
        also = next((s for s in shop.sets.values() for i in s.job_ids if _same_face(shop, i, job)), None)
        if also is not None:
            raise InputError("job_ids", part.tag, f"a part in no other set; it is in {also.name}")
    engines = {mark_key(p.engine_serial) for p in parts}
    if len(engines) > 1 or "" in engines:
        named = ", ".join(f"{p.tag}: {p.engine_serial or 'no engine'}" for p in parts)
        raise InputError("job_ids", named, "parts of one engine, its serial entered with each part")
    if len({shop.face_of(j).kind for j in jobs}) > 1:
        raise InputError("job_ids", ", ".join(p.tag for p in parts), "faces of one kind")
    for job, part in zip(jobs, parts, strict=True):
        if relative and shop.face_of(job).new_height_mm is None:
            raise InputError("relative_to_nominal", part.tag, f"a new height of its family, for {part.tag}")
        if job.state.value == "cut" and not _measured_after(part, job):
            raise InputError("job_ids", part.tag, f"heights measured after the cut, for {part.tag}, which is finished")


def _same_face(shop: Shop, job_id: int, job: Job) -> bool:
    other = shop.jobs.get(job_id)
    return other is not None and other.part_id == job.part_id and other.face_id == job.face_id


def _measured_after(part, job: Job) -> bool:
    return any(r.stage.value == "finished" for r in part.latest_heights_mm(job.face_id).values())


def make_set(shop: Shop, values: dict[str, Any]) -> str:
    """Check and store a set; returns what to say."""
    ids = tuple(int(i) for i in values["job_ids"])
    check_members(shop, ids, bool(values["relative_to_nominal"]))
    serial = shop.part_of(shop.jobs[ids[0]]).engine_serial
    matched = MatchedSet(
        values["name"] or f"engine {serial}",
        ids,
        tolerance_mm=values["tolerance_mm"],
        aim_mm=values["aim_mm"],
        relative_to_nominal=bool(values["relative_to_nominal"]),
        gang=bool(values["gang"]),
        same_blocks=bool(values["same_blocks"]),
    )
    stored = access.repository().add(matched, by=access.who(), at=access.now())
    st.session_state["set"], st.session_state["sets shown"] = stored.id, "Sets"
    tell(f"{stored.name}: a set of {len(ids)}.")
    return ""
