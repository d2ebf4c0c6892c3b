"""The jobs of one part: their estimates, changing and withdrawing them, and the matched set they belong to."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from planner import InputError
from planner.screens import access, estimate_view, words
from planner.screens.forms import Field, Form
from planner.screens.parts_fields import (
    default_due,
    face_choices,
    job_fields,
    job_values,
    shown_job,
)
from planner.screens.said import act
from planner.shop import DueKind, Job, JobState, MatchedSet, Part, PartState, Shop
from planner.store.references import mark_key
from planner.units import Units


def draw_jobs(shop: Shop, part: Part, units: Units) -> None:
    st.subheader("Jobs")
    mine = [j for j in shop.jobs.values() if j.part_id == part.id]
    for job in mine:
        if job.state.is_open:
            with st.container(border=True):
                _one(shop, part, job, units)
        else:
            st.caption(f"{shop.face_of(job).name}, {words.aim_words(job, units)}: {job.state.value}")
    if not mine:
        st.caption("No job.")
    _new_job(shop, part, mine, units)


def _one(shop: Shop, part: Part, job: Job, units: Units) -> None:
    face = shop.face_of(job)
    rush = " · :red-badge[rush]" if job.rush else ""
    st.markdown(
        f"**{face.name}**, {words.aim_words(job, units)}, due {words.when(job.due)} "
        f"({job.due_kind.value}), {job.state.value}{rush}"
    )
    estimate = access.queue().estimates.get(job.id)
    if estimate is not None:
        estimate_view.draw(shop, job, estimate, units)
    with st.container(horizontal=True):
        st.button("Run sheet", key=f"job/{job.id}/run", on_click=_go, args=("run", "run job", job.id))
        with st.popover("Withdraw the job", disabled=job.state is JobState.RUNNING):
            st.write("The job leaves the queue and is not cut. The part stays.")
            if shop.set_of(job.id):
                st.write(f"It leaves its set, {shop.set_of(job.id).name}, too.")
            st.button(
                "Withdraw it",
                key=f"job/{job.id}/withdraw",
                type="primary",
                on_click=act,
                args=(lambda: _withdraw(shop, job),),
            )
    with st.expander("Change the job"):
        form = Form("job", job.id, job_fields(shop), shown_job(job), units, access.repository(), version=job.version)
        _draw_job(form)
        form.say()
        form.button("Store the job", lambda v: _store_job(job, v))
    _set(shop, part, job, units)


def _draw_job(form: Form) -> None:
    form.draw("depth_mm", "due", "due_kind", "gasket_id", columns=4)
    form.draw("weight", "not_before", "machine_id", "note", columns=4)
    form.draw("rush", columns=1)


def _go(page: str, key: str, value: Any) -> None:
    st.session_state[key] = value
    st.session_state["go to"] = page


def _store_job(job: Job, values: dict[str, Any]) -> str:
    access.repository().save(replace(job, **job_values(values)), by=access.who(), at=access.now())
    return "The job is stored. The plan says what it changes."


def _withdraw(shop: Shop, job: Job) -> str:
    by, at = access.who(), access.now()
    with access.repository().transaction() as together:
        matched = shop.set_of(job.id)
        if matched is not None:
            _leave(together, matched, job.id, by, at)
        together.save(replace(job, state=JobState.WITHDRAWN), by=by, at=at)
    return "The job is withdrawn."


def _new_job(shop: Shop, part: Part, mine: list[Job], units: Units) -> None:
    taken = {j.face_id for j in mine if j.state.is_open}
    family = shop.family_of(part)
    free = [(i, name) for i, name in face_choices(family, units) if i not in taken]
    if not free or part.state in (PartState.GONE, PartState.SCRAPPED):
        return
    with st.expander("Make a new job", expanded=not taken):
        fields = (Field("face_id", "Face to cut", "choice", options=free, required=True), *job_fields(shop))
        values = {
            "face_id": free[0][0],
            "due": default_due(shop, access.now()),
            "due_kind": DueKind.READY,
            "weight": 1.0,
            "rush": False,
        }
        form = Form("new job", part.id, fields, values, units, access.repository())
        form.draw("face_id", columns=2)
        _draw_job(form)
        form.say()
        form.button("Make the job", lambda v: _make_job(part, v))


def _make_job(part: Part, values: dict[str, Any]) -> str:
    job = Job(part.id, values["face_id"], **job_values(values))
    access.repository().add(job, by=access.who(), at=access.now())
    return "The job is in the queue."


# -- the set it belongs to ---------------------------------------------------------------------------------------------
def _set(shop: Shop, part: Part, job: Job, units: Units) -> None:
    matched = shop.set_of(job.id)
    if matched is not None:
        others = ", ".join(words.job_name(shop, j) for j in matched.job_ids if j != job.id)
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(f"Matched set **{matched.name}**, with {others}; within {units.depth(matched.tolerance_mm)}.")
            st.button("Look at the set", key=f"job/{job.id}/set", on_click=_go, args=("sets", "set", matched.id))
            st.button(
                "Take it out of the set" if len(matched.job_ids) > 2 else "Dissolve the set",
                key=f"job/{job.id}/unset",
                on_click=act,
                args=(lambda: _leave_set(matched, job.id),),
            )
        return
    partners = set_partners(shop, part, job)
    if not partners:
        st.caption(
            "In no matched set."
            + ("" if part.engine_serial else " A set is made from jobs of one engine: enter the engine serial.")
        )
        return
    with st.expander(f"Make a matched set of engine {part.engine_serial}", expanded=True):
        fields = (
            Field("name", "Name", required=True),
            Field("job_ids", "With", "several", options=[(j.id, words.job_name(shop, j.id)) for j in partners]),
            Field("tolerance_mm", "Heights within", "depth", required=True),
        )
        values = {
            "name": f"engine {part.engine_serial}",
            "job_ids": tuple(j.id for j in partners),
            "tolerance_mm": shop.settings.set_tolerance_mm,
        }
        form = Form("new set", job.id, fields, values, units, access.repository())
        form.draw(columns=3)
        form.say()
        form.button("Make the set", lambda v: _make_set(job, v), primary=False)


def set_partners(shop: Shop, part: Part, job: Job) -> list[Job]:
    """Open jobs of other parts of the same engine, on the same kind of face, that are in no set yet."""
    serial, kind = mark_key(part.engine_serial), shop.face_of(job).kind
    if not serial:
        return []
    return [
        other
        for other in shop.open_jobs()
        if other.part_id != part.id
        and mark_key(shop.part_of(other).engine_serial) == serial
        and shop.face_of(other).kind is kind
        and shop.set_of(other.id) is None
    ]


def _make_set(job: Job, values: dict[str, Any]) -> str:
    if not values["job_ids"]:
        raise InputError("job_ids", "", "one other job at least")
    matched = MatchedSet(values["name"], (job.id, *values["job_ids"]), tolerance_mm=values["tolerance_mm"])
    access.repository().add(matched, by=access.who(), at=access.now())
    return f"{matched.name}: a set of {len(matched.job_ids)}."


def _leave(store: Any, matched: MatchedSet, job_id: int, by: str, at: Any) -> None:
    rest = tuple(j for j in matched.job_ids if j != job_id)
    if len(rest) < 2:
        store.delete(matched)
    else:
        store.save(replace(matched, job_ids=rest), by=by, at=at)


def _leave_set(matched: MatchedSet, job_id: int) -> str:
    _leave(access.repository(), matched, job_id, access.who(), access.now())
    return f"No longer in {matched.name}."
