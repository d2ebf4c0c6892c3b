"""What was measured of a part so far: intake checks, surveys, finished faces."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import streamlit as st

from planner import InputError
from planner.face import Verdict, survey_figures
from planner.screens import access
from planner.screens.parts_fields import dated
from planner.shop import Face, SurveyStage, survey_of
from planner.store.finding import Found
from planner.store.runs import Measurement
from planner.units import Units


def draw_measured(found: Found, units: Units) -> None:
    """Everything measured of this part, newest first; nothing where nothing was."""
    store = access.repository()
    surveys, checks = store.surveys_of(found.part.id), store.intake_checks_of(found.part.id)
    if not surveys and not checks:
        return
    st.subheader("Measured so far")
    rows = [_check_row(found, row, units) for row in checks] + [
        _survey_row(found, row, units) for row in surveys if row.stage == SurveyStage.CLAMPED.value
    ]
    rows = [row for _, row in sorted(((r["at"], r) for r in rows), key=lambda pair: pair[0], reverse=True)]
    if rows:
        frame = pd.DataFrame(rows).drop(columns="at")
        st.dataframe(frame, hide_index=True, width="stretch")
    for face in found.family.faces:
        draw_finished(surveys, face, units)


def _check_row(found: Found, row: Measurement, units: Units) -> dict:
    upper = "no upper bound" if row.upper_mm is None else f"to {units.depth(row.upper_mm)}"
    return {
        "at": row.at,
        "When": dated(row.at),
        "What": f"intake check, {found.family.face(row.face_id).name}",
        "Clean-up depth": f"{units.depth(row.lower_mm or 0.0)} {upper}",
        "Pit": f"{units.depth(row.pit_mm)} {row.payload.get('pit_place', '')}".strip() if row.pit_mm else "",
        "By": row.by,
    }


def _survey_row(found: Found, row: Measurement, units: Units) -> dict:
    face, deep, pits = found.family.face(row.face_id), "cannot be read back", ""
    try:
        survey = survey_of(row.payload, part_id=row.part_id, face_id=row.face_id, at=row.at)
        figures = survey_figures(face, survey)
        deep = f"{units.depth(figures.cut.depth_mm)}, {survey.goal.value}"
        pits = "; ".join(
            f"{units.depth(p.pit_mm)} {p.name}{' (may stay)' if p.accepted else ''}" for p in survey.points if p.pit_mm
        )
    except InputError:
        pass
    what = f"survey, {len(row.payload.get('points', ()))} points, {face.name}"
    return {"at": row.at, "When": dated(row.at), "What": what, "Clean-up depth": deep, "Pit": pits, "By": row.by}


def draw_finished(surveys: Sequence[Measurement], face: Face, units: Units) -> None:
    """The last survey of the finished face against its limits."""
    from planner.screens.survey_after import verdict_table

    mine = [s for s in surveys if s.stage == SurveyStage.FINISHED.value and s.face_id == face.id]
    if not mine:
        return
    last = mine[-1]
    st.markdown(f"**Finished {face.name}, unclamped, {dated(last.at)}** {last.by}")
    verdicts = [Verdict(**v) for v in last.payload.get("verdicts", ())]
    wrong = [v.name for v in verdicts if v.holds is False]
    if wrong:
        st.error(f"Beyond the limit: {', '.join(wrong)}.")
    if verdicts:
        st.dataframe(verdict_table(verdicts, units), hide_index=True, width="stretch")
    heights = last.payload.get("heights_mm") or {}
    if heights:
        st.caption("Heights: " + ", ".join(f"{n} {units.height(h)}" for n, h in heights.items()) + ".")
    roughness = last.payload.get("ra_um") or ()
    if roughness:
        st.caption("Ra: " + ", ".join(units.ra(r) for r in roughness) + ".")
