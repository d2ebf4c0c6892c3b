"""After the cut: the finished face, unclamped, against its limits; kept with the part's history."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from planner import InputError
from planner.cut.setups import band_of
from planner.face import FinishedLimits, Verdict, check_finished
from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.keys import tall
from planner.screens.parts_fields import height_fields, readings_of
from planner.screens.said import act
from planner.screens.survey_draft import Draft, press, start_over
from planner.screens.survey_pad import draw_closure, draw_pad, draw_walk
from planner.screens.survey_sweep import draw_picture
from planner.screens.survey_warm import refuse_warm_part, temperature_fields, tolerance_mm
from planner.shop import Face, HeightStage, JobState, Part, Shop, SurveyStage
from planner.units import Units

_UNKNOWN = {"local flatness": "points too far apart to tell"}
_HELD = {True: "holds", False: "beyond the limit", None: "not judged"}


def draw_after(shop: Shop, part: Part, face: Face) -> None:
    units = access.units()
    draft = Draft(part.id, face, SurveyStage.FINISHED)
    st.caption(
        "Unclamped, cool and clean, on three supports. Sweep it, then enter heights and Ra; what is not entered stays "
        "unknown."
    )
    left, right = st.columns([2, 3])
    with left:
        draw_pad(draft, units)
    with right:
        draw_picture(draft, None, units)
        draw_closure(draft, units)
    draw_walk(draft, units)
    owner = (part.id, face, SurveyStage.FINISHED)
    if draft.readings():
        st.button(
            tall("Sweep it again"), key=f"{draft.key}/again", on_click=act, args=(_again, owner, draft.data["count"])
        )
    fields = (*height_fields(face), *_ra_fields(), *temperature_fields(units))
    form = Form(f"finished/{face.id}", part.id, fields, {}, units, access.repository())
    st.markdown("**Heights, Ra at three places**")
    form.draw(*(f.name for f in height_fields(face)), columns=5)
    form.draw(*(f.name for f in (*_ra_fields(), *temperature_fields(units))), columns=5)
    form.say()
    form.button(tall("Store the finished face"), lambda values: _store(shop, part, face, values, units))
    from planner.screens.survey_past import draw_finished

    draw_finished(access.repository().surveys_of(part.id), face, units)


def _again(owner: tuple, count: int) -> str:
    press(owner, start_over, count)
    return "A new sweep of the finished face."


def _ra_fields() -> tuple[Field, ...]:
    return tuple(Field(f"ra {k}", f"Ra, place {k}", "ra") for k in (1, 2, 3))


def limits_of(shop: Shop, part: Part, face: Face) -> FinishedLimits:
    """What the finished face is judged by; None where the shop entered no limit."""
    from planner.screens.survey import job_of

    job = job_of(shop, part.id, face.id, JobState.CUT, JobState.RUNNING, JobState.WAITING)
    least, greatest = band_of(shop, face, None if job is None else job.gasket_id)
    local = (
        (face.local_flatness_mm, face.local_span_mm) if face.local_flatness_mm and face.local_span_mm else (None,) * 2
    )
    return FinishedLimits(
        face.flatness_mm, *local, face.parallel_limit_mm or None, face.least_height_mm, least or None, greatest
    )


def _store(shop: Shop, part: Part, face: Face, values: dict[str, Any], units: Units) -> str:
    draft = Draft(part.id, face, SurveyStage.FINISHED)
    if not draft.whole():
        raise InputError("sweep", f"{len(draft.readings())} of {len(draft.names)} points", "the whole sweep above")
    heights = {p.name: h for p in face.points if (h := values[f"height {p.name}"]) is not None}
    roughness = [r for k in (1, 2, 3) if (r := values[f"ra {k}"]) is not None]
    family = shop.family_of(part)
    warm = refuse_warm_part(family, heights, values, tolerance_mm(shop, part.id, face), units)
    more = {"stage": HeightStage.FINISHED, "at": access.now(), "by": access.who(), "temperature_c": warm}
    readings = readings_of(face, values, units, **more)
    survey = draft.survey()
    points = [(p.x_mm, p.y_mm, p.z_mm) for p in survey.points]
    verdicts = check_finished(limits_of(shop, part, face), points, list(heights.values()) or None, roughness or None)
    from planner.screens.survey import job_of

    job = job_of(shop, part.id, face.id, JobState.CUT, JobState.RUNNING)
    payload = draft.payload(survey) | {
        "heights_mm": heights,
        "ra_um": roughness,
        "verdicts": [{"name": v.name, "value": v.value, "limit": v.limit, "holds": v.holds} for v in verdicts],
    }
    store = access.repository()
    store.add_survey(part.id, face.id, access.now(), payload, access.who(), "finished", None if job is None else job.id)
    if readings:
        store.add_heights(part.id, readings)
    wrong = [v.name for v in verdicts if v.holds is False]
    return "Stored with the part. " + (
        f"Beyond the limit: {', '.join(wrong)}." if wrong else "Nothing is beyond its limit."
    )


def verdict_table(verdicts: list[Verdict], units: Units) -> pd.DataFrame:
    """Verdicts in the person's units."""
    rows = []
    for v in verdicts:
        show = units.ra if "Ra" in v.name else units.height if "height" in v.name else units.depth
        side = "at least" if v.name in ("least height", "smoothest Ra") else "at most"
        rows.append(
            {
                "What": v.name,
                "Found": show(v.value) if v.value is not None else _UNKNOWN.get(v.name, "not measured"),
                "Limit": "no limit entered" if v.limit is None else f"{side} {show(v.limit)}",
                "": _HELD[v.holds],
            }
        )
    return pd.DataFrame(rows)
