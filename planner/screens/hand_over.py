"""Handing a matched set over: what the bench did with each member, and the sheet for the assembler."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import streamlit as st

from planner import InputError
from planner.match import EngineStacks
from planner.screens import access, engine_depths, words
from planner.screens.forms import Field, Form
from planner.screens.kept import kept
from planner.shop import Cut, HandOver, Job, JobState, MatchedSet, RaPlace, Shop, SurveyStage
from planner.store import Kind
from planner.store.runs import Measurement
from planner.units import Units

DONE = (JobState.CUT, JobState.FINISHED)
_YES_NO = {None: "nobody said", True: "yes", False: "no"}
_PLACES = (1, 2, 3)


@kept(4)
def _handed(which: Kind, version: int) -> dict[int, HandOver]:
    return {d.job_id: d for d in access.repository().load_all(HandOver).values()}


@kept(4)
def _sets(which: Kind, version: int) -> dict[int, MatchedSet]:
    return access.repository().load_all(MatchedSet)


def handed() -> dict[int, HandOver]:
    """What the bench said, by job."""
    return _handed(access.kind(), access.repository().shop_version())


def known_of(shop: Shop, job: Job) -> HandOver:
    """What the bench said of a job; where it said nothing, what its run sheet and its finished survey say."""
    part, store = shop.part_of(job), access.repository()
    own = [c for c in engine_depths.cuts_of(part) if c.job_id == job.id and c.face_id == job.face_id]
    known = handed().get(job.id) or HandOver(job.id)
    if not own:
        return known
    last = max(own, key=lambda c: c.ended)
    return filled(known, last, store.told_at_end(job.id), store.surveys_of(part.id))


def filled(known: HandOver, last: Cut, told: Mapping[str, Any], surveys: Sequence[Measurement]) -> HandOver:
    """Blanks of ``known`` filled from the ending of the cut and from the last survey of the finished face since."""
    since = [
        s
        for s in surveys
        if s.stage == SurveyStage.FINISHED.value and s.face_id == last.face_id and s.at >= (last.started or last.ended)
    ]
    found: dict[str, Any] = {}
    if not known.plugs and told.get("plugs"):
        found["plugs"] = told["plugs"]
    if since:
        survey = max(since, key=lambda s: s.at).payload
        flat = next((v["value"] for v in survey.get("verdicts", ()) if v["name"] == "flatness"), None)
        if known.flatness_mm is None and flat is not None:
            found["flatness_mm"] = flat
        if not known.ra and not last.ra_um:
            found["ra"] = tuple(RaPlace("", r) for r in survey.get("ra_um") or ())
    return replace(known, **found)


def draw(shop: Shop, matched: MatchedSet, stacks: EngineStacks | None, units: Units) -> None:
    """The hand-over of one set: its state, its forms, its sheet."""
    jobs = [shop.jobs[j] for j in matched.job_ids if j in shop.jobs]
    if not jobs:
        return
    st.subheader("Hand-over")
    open_jobs = [words.job_name(shop, j.id) for j in jobs if j.state not in DONE]
    if open_jobs:
        st.caption(f"Still to be cut: {', '.join(open_jobs)}. The sheet can be printed at any time; blanks are left.")
    with st.container(horizontal=True):
        st.download_button(
            "Print hand-over sheet",
            data=lambda: sheet(shop, matched, stacks, units).encode(),
            file_name=f"hand-over-{matched.name}.html",
            mime="text/html",
            key=f"hand over sheet/{matched.id}",
            type="secondary" if open_jobs else "primary",
            on_click="ignore",
        )
    section = st.expander("What was done at the bench", on_change="rerun", key=f"hand over/{matched.id}")
    if section.open:
        with section:
            for job in jobs:
                _form(shop, job, units)


def sheet(shop: Shop, matched: MatchedSet, stacks: EngineStacks | None, units: Units) -> str:
    """The hand-over sheet as HTML."""
    # the templates are read only by who prints
    from planner.screens.engine import vee_rows
    from planner.sheets import HandOverMember, hand_over_sheet

    known = access.knowledge()
    members = []
    for job in (shop.jobs[j] for j in matched.job_ids if j in shop.jobs):
        part = shop.part_of(job)
        rebuild, _ = known.rebuild_mm(shop.family_of(part), shop.face_of(job))
        members.append(HandOverMember(job, engine_depths.cuts_of(part), known_of(shop, job), rebuild))
    vee: Any = ()
    if stacks is not None and stacks.family.has_vee_manifold:
        found = vee_rows(stacks, 0.0, units)
        vee = (
            [{"Face": "manifold and end rails", "Correction": "take off ________"}] if isinstance(found, str) else found
        )
    return hand_over_sheet(shop, matched, members, stacks, units, access.now(), vee)


def draw_finished(shop: Shop, units: Units) -> None:
    """Sets whose every member is cut: their sheets."""
    every = _sets(access.kind(), access.repository().shop_version())
    finished = {
        i: s
        for i, s in every.items()
        if all(j in shop.jobs and shop.jobs[j].state in DONE for j in s.job_ids) and i not in shop.sets
    }
    if not finished:
        return
    section = st.expander(f"Sets that are cut ({len(finished)})", on_change="rerun", key="finished sets")
    if not section.open:
        return
    with section:
        # imported here: the panel draws this page's hand-over
        from planner.screens.engine import stacks

        chosen = st.selectbox(
            "Cut set",
            sorted(finished, reverse=True),
            format_func=lambda i: finished[i].name,
            key="finished set",
            persist_state="session",
            width=420,
        )
        matched = finished[chosen]
        parts = {shop.part_of(shop.jobs[j]).id: shop.part_of(shop.jobs[j]) for j in matched.job_ids}
        found = stacks(shop, access.queue(), tuple(parts.values()))
        draw(shop, matched, found if isinstance(found, EngineStacks) else None, units)


# -- what the bench did ------------------------------------------------------------------------------------------------
def _form(shop: Shop, job: Job, units: Units) -> None:
    known = known_of(shop, job)
    face = shop.face_of(job)
    fields = [
        Field("flatness_mm", "Flatness, unclamped", "depth"),
        *(
            field
            for i in _PLACES
            for field in (Field(f"place {i}", f"Ra place {i}", placeholder="where"), Field(f"ra {i}", "Ra there", "ra"))
        ),
        Field("pits", "Pits left", placeholder="none, or how deep and where"),
        Field("plugs", "Plugs", placeholder="all 6 out, counted"),
        Field("dowels", "Dowels", placeholder="two back in, tight"),
        Field("washed", "Washed and blown through", "choice", options=_YES_NO),
        Field("protected", "Protected, bagged", "choice", options=_YES_NO),
        Field("next_person", "Goes on with it", placeholder="name"),
        Field("note", "Note for the assembler"),
    ]
    values: dict[str, Any] = {f.name: getattr(known, f.name, None) for f in fields}
    for i, read in zip(_PLACES, known.ra, strict=False):
        values |= {f"place {i}": read.place, f"ra {i}": read.ra_um}
    st.markdown(f"**{words.job_name(shop, job.id)}**")
    form = Form("hand over", job.id, fields, values, units, access.repository(), known.version)
    form.draw("flatness_mm", "pits", "plugs", "dowels", columns=4)
    form.draw(*(f"{w} {i}" for i in _PLACES for w in ("place", "ra")), columns=6)
    form.draw("washed", "protected", "next_person", "note", columns=4)
    form.say()
    form.button(f"Keep for {words.job_name(shop, job.id)}", lambda v: _store(known, v))
    if face.depths:
        engine_depths.draw_part(shop, shop.part_of(job), face, units)


def readings(values: dict[str, Any]) -> Sequence[RaPlace]:
    """Ra with places as typed. Raises `InputError` for a place without a reading."""
    found = []
    for i in _PLACES:
        place, ra = values[f"place {i}"], values[f"ra {i}"]
        if ra is None and place:
            raise InputError(f"ra {i}", "", f"the roughness read at {place}, or no place")
        if ra is not None:
            found.append(RaPlace(place, ra))
    return found


def _store(known: HandOver, values: dict[str, Any]) -> str:
    ra = tuple(readings(values))
    told = {k: v for k, v in values.items() if not k.startswith(("place ", "ra "))}
    changed = replace(known, **told, ra=ra, by=access.who() or known.by, at=access.now())
    store = access.repository()
    (store.add if changed.id is None else store.save)(changed, by=access.who(), at=access.now())
    return "Kept; it stands on the hand-over sheet."
