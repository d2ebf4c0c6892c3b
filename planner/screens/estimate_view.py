"""The estimate of one job on screen: what it takes, the passes with their instrument figures, what is left, flags."""

from __future__ import annotations

from dataclasses import dataclass

import pyarrow as pa
import streamlit as st

from planner.cut.estimate import JobEstimate
from planner.cut.setups import turns_of_path
from planner.screens import access, engine_depths
from planner.screens.kept import kept
from planner.screens.tables import rows_table
from planner.screens.words import PASS_WORDS, aim_words, due_words, left_words, likely_allow
from planner.shop import Job, PassReason, Shop
from planner.units import System, Units, minutes_words


@dataclass(frozen=True, eq=False)
class _Tables:
    """The tables of one estimate. It holds the estimate, so that no other can be taken for it while they are kept."""

    estimate: JobEstimate
    passes: pa.Table | None
    heights: pa.Table | None
    figures: pa.Table


@kept(32)
def _tables(known_by: int, system: System, _estimate: JobEstimate, _shop: Shop, _units: Units) -> _Tables:
    return _Tables(
        _estimate,
        _passes_table(_estimate, _units) if _estimate.setup and _estimate.passes else None,
        _heights_table(_estimate, _units) if _estimate.heights else None,
        _figures_table(_shop, _estimate, _units),
    )


def draw(shop: Shop, job: Job, estimate: JobEstimate, units: Units) -> None:
    """Everything known about one job."""
    for flag in estimate.flags:
        (st.error if flag.level == "stop" else st.warning)(flag.words(units))
    where = estimate.setup
    if where:
        st.caption(
            f"{where.machine.name}, {where.cutter.name} with {where.grade.name}: {where.rpm:.0f} rpm, finishing at "
            f"{units.table_feed(where.finish.table_feed_mm_min)} ({units.feed(where.finish.feed_mm)} per insert). "
            f"{aim_words(job, units).capitalize()}, {due_words(job)}."
        )
    origins = estimate.origins
    with st.container(horizontal=True):
        with st.container(gap=None):
            st.metric("Depth, likely", units.depth(estimate.stop_likely_mm), help=origins["depth"].words)
            st.caption(f"allow {units.depth(estimate.stop_allow_mm)}")
        # without a setup there is no traverse to time: what rests on one is unknown, not nothing
        st.metric(
            "Spindle",
            _minutes(estimate, estimate.spindle_minutes) if where else "unknown",
            help=f"allow {minutes_words(estimate.spindle_allow_minutes)}; computed from cutter and feed",
        )
        attended = _minutes(estimate, estimate.minutes("machine"))
        st.metric("Person at the machine", attended, help=origins["minutes"].words)
        st.metric("Cost", _cost(shop, estimate), help="time and edge, likely course")
    tables = _tables(id(estimate), units.system, estimate, shop, units)
    if where:
        _passes(estimate, units, tables)
    engine_depths.draw_job(shop, job, estimate, units)
    _after(estimate, units, tables)
    # left to itself the middle column is cut off on a tablet
    wide = {"Figure": st.column_config.Column(width=230), "Value": st.column_config.Column(width=290)}
    st.dataframe(tables.figures, hide_index=True, width="stretch", height="content", column_config=wide)


def _minutes(estimate: JobEstimate, minutes: float) -> str:
    return "none" if estimate.left_alone is not None else minutes_words(minutes)


def print_button(shop: Shop, job: Job, estimate: JobEstimate, units: Units) -> None:
    """The job's run sheet on paper; made when it is asked for."""
    # the templates are read only by who prints
    from planner.sheets import run_sheet

    st.download_button(
        "Print run sheet",
        data=lambda: run_sheet(
            shop, job, estimate, units, access.now(), engine_depths.cuts_of(shop.part_of(job))
        ).encode(),
        file_name=f"run-sheet-{shop.part_of(job).tag}.html",
        mime="text/html",
        key=f"sheet/{job.id}",
        on_click="ignore",
    )


def _passes_table(estimate: JobEstimate, units: Units) -> pa.Table:
    """The passes down to the allowed depth, with the figure that will stand on the instrument."""
    dial = estimate.setup.machine.instrument
    rows = []
    for planned in estimate.passes:
        standing = units.depth(planned.standing_mm, unit=False)
        if planned.turns:
            standing = f"{planned.turns} turn{'s' if planned.turns > 1 else ''} + {standing}"
        rows.append(
            {
                "Pass": PASS_WORDS[planned.reason],
                "Feed": "roughing" if not planned.finishing else "finishing",
                f"Takes ({units.depth_unit})": units.depth(planned.depth_mm, unit=False),
                f"{dial.name[:1].upper()}{dial.name[1:]} shows ({units.depth_unit})": standing,
                f"Depth then ({units.depth_unit})": units.depth(planned.total_mm, unit=False),
                f"Still to go ({units.depth_unit})": units.depth(
                    max(0.0, estimate.stop_allow_mm - planned.total_mm), unit=False
                ),
                "Minutes": f"{planned.minutes:.1f}",
                "Needed": "always"
                if planned.needed > 0.995 or planned.reason is PassReason.KISS
                else f"{round(planned.needed * 10)} of 10",
            }
        )
    return rows_table(rows)


def touch_words(estimate: JobEstimate, units: Units) -> str:
    """How the figures on the instrument are counted."""
    touch, dial = estimate.touch_off, estimate.setup.machine.instrument
    said = f"Counted from touch-off at {touch.place or 'the place you choose'}"
    said += f" on feeler paper of {units.depth(touch.paper_mm)}" if touch.paper_mm else ", the cutter touching"
    if touch.delta_mm is None:
        said += (
            f". No survey: begin raised {units.depth(touch.raise_mm)} above that and come down until the "
            "first mark; if it marks early, touch off again there"
        )
    elif round(touch.delta_mm, 3) > 0:
        said += f", which lies {units.depth(touch.delta_mm)} below first contact: the first traverse is raised by that"
    if not dial.zeroable:
        said += f". The {dial.name} cannot be zeroed: add what it reads at touch-off"
    return said + f". It counts {dial.counts.value} as the cutter goes down."


def _passes(estimate: JobEstimate, units: Units, tables: _Tables) -> None:
    if tables.passes is None:
        st.caption(
            "No pass is planned" + ("." if estimate.worth_cutting else ": not worth beginning as it stands, see above.")
        )
        return
    # left to itself the reason is cut off on a tablet
    widths = {"Pass": 135, "Feed": 80, "Minutes": 70, "Needed": 70}
    wide = {name: st.column_config.Column(width=px) for name, px in widths.items()}
    st.dataframe(tables.passes, hide_index=True, width="stretch", column_config=wide)
    st.caption(touch_words(estimate, units))


def _heights_table(estimate: JobEstimate, units: Units) -> pa.Table:
    return rows_table(
        [
            {
                "Point": h.point,
                f"Now ({units.length_unit})": units.height(h.now_mm, unit=False),
                f"After, likely ({units.length_unit})": units.height(h.likely_mm, unit=False),
                f"From ({units.length_unit})": units.height(h.lowest_mm, unit=False),
                f"To ({units.length_unit})": units.height(h.highest_mm, unit=False),
            }
            for h in estimate.heights
        ]
    )


def _after(estimate: JobEstimate, units: Units, tables: _Tables) -> None:
    if tables.heights is not None:
        # a heading: on a tablet each table's tools lie over what stands right above it
        st.markdown("**Heights at the measuring points**")
        st.dataframe(tables.heights, hide_index=True, width="stretch")
        st.caption(
            f"Now: {estimate.origins['heights'].words}. After: that less the depth, {estimate.origins['depth'].words}."
        )
    rebuilds = "unknown" if estimate.rebuilds_left is None else str(estimate.rebuilds_left)
    st.write(
        f"**Left above the limit:** {_left(estimate, units)} ({estimate.room.basis}). **Rebuilds left:** {rebuilds}, at "
        f"{units.depth(estimate.rebuild_mm)} each ({estimate.origins['rebuild'].words})."
    )


def _left(estimate: JobEstimate, units: Units) -> str:
    """Likely, and at the depth to allow for: the figure the tables of jobs give, and the rebuilds rest on."""
    if estimate.left_alone is not None:
        return left_words(estimate, units)
    likely, allow = (
        "unknown" if mm is None else units.depth(mm, down=True)
        for mm in (estimate.left_likely_mm, estimate.left_allow_mm)
    )
    return likely if likely == allow else f"likely {likely}, allow for {allow}"


def _cost(shop: Shop, estimate: JobEstimate) -> str:
    return f"{shop.settings.currency}{estimate.cost_likely:.0f}" if estimate.plannable else "unknown"


def _figures_table(shop: Shop, estimate: JobEstimate, units: Units) -> pa.Table:
    where = estimate.setup
    band = units.ra_band(*estimate.band_um)
    ra = "unknown"
    if estimate.ra_least_um is not None:
        low, high = units.ra(estimate.ra_least_um, unit=False), units.ra(estimate.ra_greatest_um)
        ra = high if units.ra(estimate.ra_least_um) == high else f"{low} to {high}"
    share = "unknown" if estimate.edge_share_likely is None else f"{estimate.edge_share_likely:.1%}"
    spindle, longest = minutes_words(estimate.spindle_minutes), minutes_words(estimate.spindle_allow_minutes)
    if spindle != longest:
        spindle = f"likely {spindle}, allow {longest}"
    stop = likely_allow(estimate.stop_likely_mm, estimate.stop_allow_mm, units)
    area, path = units.swept(estimate.swept_likely_mm2), units.path(estimate.path_likely_mm)
    face = shop.face_of(shop.jobs[estimate.job_id])
    turns = f"{turns_of_path(face, estimate.setup.cutter, estimate.path_likely_mm):,.0f}" if where else "unknown"
    if not where:
        spindle = area = path = "unknown"
    rows = [
        ("Clean-up depth", likely_allow(estimate.cleanup_likely_mm, estimate.cleanup_allow_mm, units), "cleanup"),
        ("Stop depth, finishing pass included", stop, "depth"),
        ("Spindle", spindle, "travel"),
        ("Ra expected", f"{ra} (gasket: {band})", "ra"),
        ("Area swept by the cutter", area, "travel"),
        ("Path of the edge in metal", path, "travel"),
        ("Turns of the cutter over the face", turns, "travel"),
        ("Share of an edge", share, "edge"),
        ("Person at the machine", minutes_words(estimate.minutes("machine")), "minutes"),
        ("Unattended (traverses, drying)", minutes_words(estimate.minutes("unattended")), "minutes"),
        ("Away (intake check, after-work)", minutes_words(estimate.minutes("away")), "minutes"),
        ("Cost of time and edge, likely", _cost(shop, estimate), "minutes"),
    ]
    if where:
        rows += [
            ("One traverse, stop when cut", f"{where.finish.when_cut_minutes:.1f} min", "travel"),
            ("One traverse, run clear", f"{where.finish.run_clear_minutes:.1f} min", "travel"),
        ]
    return rows_table(
        [
            {"Figure": a, "Value": b, "Where from": b if b == "unknown" else estimate.origins[c].words}
            for a, b, c in rows
        ]
    )
