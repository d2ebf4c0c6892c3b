"""The intake check on the part's page: the largest feeler that enters on four lines, the deepest pit."""

from __future__ import annotations

import math
from typing import Any

import streamlit as st

from planner import InputError
from planner.face import Gap, intake_bound
from planner.screens import access, words
from planner.screens.fields import Field
from planner.screens.forms import Form
from planner.screens.keys import tall
from planner.screens.survey_warm import draw_cool_down
from planner.shop import Face, Part, Shop
from planner.units import Units

LINES = (
    ("along", "Along the length"),
    ("across", "Across the width"),
    ("first", "Diagonal, front left to back right"),
    ("second", "Diagonal, back left to front right"),
)
_LIES = (("steady", "lies steady: hollow"), ("rocks", "rocks: crowned"))


def draw_intake_check(shop: Shop, part: Part, face: Face, units: Units) -> None:
    """Entry of an intake check, and what stands of the last one."""
    known, survey = shop.checks.get((part.id, face.id)), shop.surveys.get((part.id, face.id))
    if known is not None:
        upper = "nothing bounds it above" if known.greatest_mm is None else f"at most {units.depth(known.greatest_mm)}"
        said = f"Checked {known.at:%d %b}{f' by {known.by}' if known.by else ''}: the clean-up depth is at least "
        said += f"{units.depth(known.least_mm)}"
        said += f" ({known.least_from})" if known.least_from else ""
        said += f", {upper}" + (f" ({known.greatest_from})." if known.greatest_from else ".")
        st.markdown(said)
        if survey is not None:
            st.caption("It was surveyed since: the survey counts.")
    feelers = [(f, units.depth(f)) for f in shop.settings.feelers_mm]
    options = [(0.0, "none enters"), *feelers]
    fields = [
        field
        for name, label in LINES
        for field in (
            Field(f"{name}_mm", label, "choice", options=options, help="the largest feeler that enters"),
            Field(f"{name}_lies", "Straightedge", "choice", options=_LIES),
        )
    ]
    fields += [
        Field("pit_mm", "Deepest pit", "depth", help="by pit gauge, from the face around it; empty = none seen"),
        Field("pit_place", "Where the pit is", placeholder="beside bore 3, toward the valley"),
    ]
    form = Form(f"intake check/{face.id}", part.id, fields, {}, units, access.repository())
    with st.expander("Enter an intake check", key=f"{form.draft_key}/box"):
        st.caption(
            "Straightedge laid down, not pressed; stone the face first. The next leaf of the shop's feelers bounds the gap "
            "above; without both diagonals a twist could hide, and nothing bounds it."
        )
        for name, _ in LINES:
            form.draw(f"{name}_mm", f"{name}_lies", columns=2)
        form.draw("pit_mm", "pit_place", columns=2)
        form.say()
        form.button(tall("Store the intake check"), lambda values: _store(shop, part, face, values, units))
    draw_cool_down(shop, part, face, units)


def _store(shop: Shop, part: Part, face: Face, values: dict[str, Any], units: Units) -> str:
    gaps: dict[str, Gap | None] = {}
    for name, label in LINES:
        enters = values[f"{name}_mm"]
        lies = values[f"{name}_lies"]
        gaps[name] = None if enters is None else Gap(float(enters), None if lies is None else lies == "rocks")
        if enters is None and lies is not None:
            raise InputError(f"{name}_mm", "", f"the feeler that enters: {label.lower()}")
    pit = values["pit_mm"]
    if all(gap is None for gap in gaps.values()) and pit is None:
        raise InputError("along_mm", "", "a feeler on one line at least, or a pit")
    if pit is not None and not 0 <= pit <= 5:
        raise InputError("pit_mm", units.depth(pit), f"0 to {units.depth(5)}")
    bound = intake_bound(
        shop.settings.feelers_mm, gaps["along"], gaps["across"], (gaps["first"], gaps["second"]), pit or 0.0
    )
    bounded = bound.sound and math.isfinite(bound.greatest_mm)
    payload = {
        "least_from": bound.least_from if bound.least_mm > 0 else "",
        "greatest_from": bound.greatest_from if bounded else "",
        "pit_place": values["pit_place"] or "",
        "gaps": {n: None if g is None else {"enters_mm": g.enters_mm, "rocks": g.rocks} for n, g in gaps.items()},
        "feelers_mm": list(shop.settings.feelers_mm),
    }
    access.repository().add_intake_check(
        part.id,
        face.id,
        access.now(),
        access.who(),
        bound.least_mm,
        bound.greatest_mm if bounded else None,
        pit,
        payload,
    )
    return _outcome(part, face, units) + ("" if bound.sound else " Check both diagonals, too, to bound it above.")


def _outcome(part: Part, face: Face, units: Units) -> str:
    from planner.screens.survey import job_of

    job = job_of(access.shop(), part.id, face.id)
    if job is None:
        return "Stored."
    estimate = access.queue().estimates[job.id]
    depth = words.likely_allow(estimate.cleanup_likely_mm, estimate.cleanup_allow_mm, units)
    return f"Stored. Clean-up depth now {depth}: {estimate.origins['cleanup'].words}."
