"""Ending a job: heights, Ra, looks, plugs out, how it ended; held against the plan point by point."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from planner import InputError
from planner.cut.closing import compare_heights
from planner.cut.headroom import heights_after
from planner.cut.running import AFTER_CUTTING
from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.keys import tall
from planner.screens.run_before import survey_gaps
from planner.screens.run_deeds import AFTER_WORDS, Sheet, tap
from planner.screens.run_passes import LOOKS
from planner.screens.run_record import planned_at_start, store_cut, tapped
from planner.screens.said import act, tell
from planner.shop import Outcome, TapKind, starting
from planner.units import minutes_words

AFTER_MINUTES = {"unload": "Unloading", "measure": "Measuring", "edges": "Edges, chamfers", "wash": "Washing"}
ENDS = tuple((o, o.value) for o in Outcome if o is not Outcome.PAUSED)


def result_fields(sheet: Sheet) -> list[Field]:
    """The fields of what came out, the same for the tapped and for the typed sheet."""
    return [
        Field("outcome", "How it ended", "choice", options=ENDS, required=True),
        Field("looks", "Looks", "choice", options=LOOKS),
        *(Field(f"height {p.name}", f"Height, {p.name}", "height") for p in sheet.face.points),
        *(Field(f"ra {i}", f"Ra, place {i}", "ra") for i in (1, 2, 3)),
        Field("rpm", "Spindle ran at (rpm)", "number", placeholder=_planned_rpm(sheet), help=_RPM),
        Field("note", "Note", "long"),
    ]


def _planned_rpm(sheet: Sheet) -> str:
    setup = sheet.estimate.setup
    return f"{setup.rpm:.0f} as planned" if setup is not None else ""


_RPM = "Only where another speed was set than planned: the wear of the edge is counted by it."


def minutes_fields() -> list[Field]:
    """Minutes of what follows the last look, each its own: the unloading at the machine, the rest away from it."""
    return [Field(f"minutes {name}", words, "minutes") for name, words in AFTER_MINUTES.items()]


def _after_buttons(sheet: Sheet) -> None:
    """One tap as each is done, and its minutes are learned without anybody typing them."""
    done = {s for s in sheet.state.steps if s in AFTER_CUTTING}
    last = max((AFTER_CUTTING.index(s) + 1 for s in done), default=0)
    ahead = AFTER_CUTTING[last:]
    if not ahead or not sheet.state.passes or sheet.state.waits_for_look:
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown("Done:")
        for name in ahead:
            st.button(
                tall(AFTER_WORDS[name]),
                key=f"after/{name}/{sheet.seen}",
                on_click=act,
                args=(tap, sheet, TapKind.STEP, {"name": name}),
            )


def draw(sheet: Sheet) -> None:
    """The form that ends the job."""
    state = sheet.state
    _after_buttons(sheet)
    plugs = f"All {state.plugs} plugs are out, counted" if state.plugs else "Plugs and chips are out"
    fields = [*result_fields(sheet), Field("plugs out", plugs, "flag"), *minutes_fields()]
    clean = state.clean_mm is not None
    start = {"outcome": Outcome.FINISHED if clean else Outcome.NOT_CLEAN, "looks": state.looks or "good"}
    start |= {f"minutes {n}": round(m, 1) for n, m in state.step_minutes.items() if n in AFTER_MINUTES}
    form = Form("end of cut", sheet.job.id, fields, start, sheet.units, access.repository())
    # drawn before it was clean, it would still say so
    form.follow("outcome", "looks")
    form.draw(*(f"height {p.name}" for p in sheet.face.points), columns=5)
    form.draw("ra 1", "ra 2", "ra 3", "looks", columns=4)
    form.draw("outcome", "plugs out", "rpm", "note", columns=4)
    form.draw(*(f.name for f in minutes_fields()), columns=4)
    gaps = survey_gaps(sheet)
    against_plan(sheet, form, gaps)
    form.say()
    form.button(tall("Record and end"), lambda values: _record(sheet, values, gaps))


def against_plan(sheet: Sheet, form: Form, gaps: dict[str, float] | None) -> None:
    """Plan against what came out; a warning where depth and height lost disagree beyond what levelling explains."""
    units, state, plan = sheet.units, sheet.state, planned_at_start(sheet)
    st.caption(
        f"Depth {units.depth(state.removed_mm)}, planned {units.depth(plan.depth_mm)} "
        f"(allow {units.depth(plan.allowed_mm)}) · passes {len(state.passes)}, planned {plan.passes} · "
        f"{minutes_words(state.total_minutes)} at the machine, planned {minutes_words(plan.machine_minutes)}"
    )
    after = {}
    for point in sheet.face.points:
        try:
            height = sheet.units.read_length_mm("height", form.present(f"height {point.name}") or "")
        except InputError:
            continue
        after[point.name] = height
    rows = heights_against(sheet, after, state.removed_mm, gaps)
    if not rows:
        return
    frame = pd.DataFrame(
        {
            "Point": r.point,
            f"Before ({units.length_unit})": units.height(r.before_mm, unit=False),
            f"Planned ({units.length_unit})": units.height(r.planned_mm, unit=False),
            f"Measured ({units.length_unit})": units.height(r.after_mm, unit=False),
            f"Lost ({units.depth_unit})": units.depth(r.lost_mm, unit=False),
            "Agrees": "yes" if not r.off_mm else f"off by {units.depth(r.off_mm)}",
        }
        for r in rows
    )
    st.dataframe(frame, hide_index=True, width="stretch")
    off = [r for r in rows if r.off_mm]
    if off:
        why = "than the instrument says" + ("" if gaps else ", beyond what levelling explains")
        lost = "; ".join(
            f"{r.point} lost {units.depth(abs(r.off_mm))} {'more' if r.off_mm > 0 else 'less'}" for r in off
        )
        said = f"{lost[:1].upper()}{lost[1:]} {why}"
        st.warning(f"{said}. Measure again; look at the touch-off, and for a shifted part. The height counts.")


def heights_against(sheet: Sheet, after: dict[str, float], stop_mm: float, gaps: dict[str, float] | None):
    """The measured points beside the plan."""
    group = starting.group(sheet.family.material, sheet.family.kind)
    flat = starting.USUAL_OUT_OF_FLAT_MM[group]
    before = {p: r.height_mm for p, r in sheet.part.latest_heights_mm(sheet.face.id).items()}
    plan = heights_after(sheet.part, sheet.face, stop_mm, stop_mm, gaps, flat)
    return compare_heights(
        before,
        after,
        stop_mm,
        planned_mm={h.point: h.likely_mm for h in plan},
        gaps_mm=gaps,
        out_of_flat_mm=flat,
        doubt_mm=sheet.shop.settings.height_repeatability_mm,
    )


def _record(sheet: Sheet, values: dict, gaps: dict[str, float] | None) -> str:
    if Outcome(values["outcome"]) is Outcome.FINISHED and not values["plugs out"]:
        raise InputError("plugs out", "", "the plugs counted out, before it is finished")
    count = sheet.state.plugs
    told = {"plugs": f"all {count} out, counted" if count else "plugs and chips out"} if values["plugs out"] else {}
    store_cut(sheet, tapped(sheet), values, gaps, told)
    ended = Outcome(values["outcome"]).value
    said = f"{sheet.part.tag} recorded, {ended}: {sheet.units.depth(sheet.state.removed_mm)} taken."
    # the page stays where it was scrolled to: said in sight as well
    st.toast(said)
    tell(f"{said} Heights, edge and queue follow.")
    return ""
