"""Face survey: sweep a face, level it, see how much must come off; after the cut, see what became of it."""

from __future__ import annotations

import streamlit as st

from planner.screens import access, words
from planner.screens.keys import tall
from planner.screens.said import keep_label, say
from planner.screens.survey_draft import PREFIX, Draft
from planner.shop import Face, JobState, Part, Shop

_CHOICE, _SECTION = "survey part", "survey section"
SWEEP, DEPTH, PITS, LEVEL, REREAD, PAPER, AFTER = (
    "Sweep",
    "What must come off",
    "Pits",
    "Level it",
    "Read again",
    "From paper or file",
    "After the cut",
)
# keys, not tabs: they are pressed at the machine, too
_BELOW = {SWEEP: "the face", PITS: "by gauge"}
WIDTHS = (4, 5, 4, 4, 4, 5, 4)


def draw() -> None:
    # side by side: on a tablet the pad has to fit under them
    title, choice = st.columns([2, 3], vertical_alignment="bottom")
    title.title("Face survey")
    shop = access.shop()
    faces = _faces(shop)
    if not faces:
        st.info("No part has an open or a recent job. Take parts in on the page Parts.")
        return
    key = _pick(faces, choice)
    part, face, label = faces[key]
    say()
    draft = Draft(part.id, face)
    section = _section(draft)
    if section == AFTER:
        from planner.screens.survey_after import draw_after

        draw_after(shop, part, face)
    elif section == PAPER:
        from planner.screens.survey_paper import draw_paper

        draw_paper(draft, f"{part.tag}, {face.name}")
    elif section in (LEVEL, REREAD):
        from planner.screens import survey_level

        (survey_level.draw_level if section == LEVEL else survey_level.draw_reread)(shop, part, draft)
    elif section == PITS:
        from planner.screens.survey_pits import draw_pits

        draw_pits(part, draft)
    elif section == DEPTH:
        from planner.screens.survey_depth import draw_depth

        draw_depth(shop, part, draft)
    else:
        from planner.screens.survey_sweep import draw_sweep

        draw_sweep(shop, part, draft)


def _faces(shop: Shop) -> dict[str, tuple[Part, Face, str]]:
    """Faces that can be surveyed: running jobs first, then those waiting, then those just cut."""
    rank = {JobState.RUNNING: 0, JobState.WAITING: 1, JobState.CUT: 2}
    jobs = sorted((j for j in shop.jobs.values() if j.state in rank), key=lambda j: (rank[j.state], j.id))
    found: dict[str, tuple[Part, Face, str]] = {}
    for job in jobs:
        part = shop.parts.get(job.part_id)
        if part is None:
            continue
        face = shop.face_of(job)
        label = f"{words.job_name(shop, job.id)}: {shop.family_of(part).name}"
        if job.state is JobState.RUNNING:
            label += " (on the machine)"
        elif job.state is JobState.CUT:
            label += " (cut)"
        elif (part.id, face.id) in shop.surveys:
            label += " (surveyed)"
        found.setdefault(f"{part.id}/{face.id}", (part, face, label))
    return found


def _pick(faces: dict[str, tuple[Part, Face, str]], where) -> str:
    """The part, as it stood before a reload: in the address, or where somebody last pressed a key."""
    asked = st.session_state.pop("survey go", None)
    if asked in faces:
        st.session_state[_CHOICE] = asked
    if st.session_state.get(_CHOICE) not in faces:
        last = [key.removeprefix(PREFIX).rpartition("/")[0] for key in access.repository().draft_keys(PREFIX)]
        wished = (st.query_params.get("face"), *last, next(iter(faces)))
        st.session_state[_CHOICE] = next(key for key in wished if key in faces)
    keep_label(_CHOICE, faces[st.session_state[_CHOICE]][2])
    chosen = where.selectbox(
        "Part and face", list(faces), format_func=lambda key: faces[key][2], key=_CHOICE, persist_state="session"
    )
    if st.query_params.get("face") != chosen:
        st.query_params["face"] = chosen
    return chosen


def _section(draft: Draft) -> str:
    """Which section is open, kept with the draft so that a tablet that slept comes back to it."""
    key = f"{_SECTION}/{draft.key}"
    sections = (SWEEP, DEPTH, PITS, LEVEL, REREAD, PAPER, AFTER)
    stood = draft.data.get("section")
    if st.session_state.pop("survey turn to", None) or key not in st.session_state:
        st.session_state[key] = stood if stood in sections else SWEEP

    def turn_to(section: str) -> None:
        st.session_state[key] = section
        Draft(draft.part_id, draft.face).change(lambda data: data.update(section=section))

    for cell, section in zip(st.columns(WIDTHS, gap="xsmall"), sections, strict=True):
        cell.button(
            tall(section, _BELOW.get(section, "")),
            key=f"{draft.key}/section/{section}",
            on_click=turn_to,
            args=(section,),
            width="stretch",
            type="primary" if section == st.session_state[key] else "secondary",
        )
    return st.session_state[key]


def job_of(shop: Shop, part_id: int, face_id: int | None, *states: JobState):
    """The job of a face in one of these states, the newest; None without one."""
    wanted = [
        j
        for j in shop.jobs.values()
        if j.part_id == part_id and j.face_id == face_id and j.state in (states or (JobState.WAITING, JobState.RUNNING))
    ]
    return max(wanted, key=lambda j: j.id, default=None)
