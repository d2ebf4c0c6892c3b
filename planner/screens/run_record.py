"""From a run sheet, tapped or typed, to the record of a cut."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from planner import InputError
from planner.cut import learning_interval
from planner.cut.estimate import cutting_passes, edge_path_mm
from planner.cut.kinematics import surface_speed
from planner.cut.running import AFTER_CUTTING, EdgeKey
from planner.cut.setups import CutSetup
from planner.screens import access
from planner.screens.run_deeds import Planned, Sheet, clock, edges_now
from planner.shop import Cut, EdgeUse, Outcome, PassRecord, TapKind
from planner.store.edge_log import stays


@dataclass(frozen=True)
class Done:
    """What was done: its passes with the edges (insert id, position) that made them, and how the zero was set."""

    passes: tuple[PassRecord, ...]
    by_edge: tuple[tuple[tuple[tuple[int, int], ...], tuple[PassRecord, ...]], ...]
    place: str
    delta_mm: float | None
    paper_mm: float
    first_contact_known: bool
    started: datetime | None = None
    attended_minutes: float | None = None
    unattended_minutes: float | None = None
    step_minutes: Mapping[str, float] | None = None


def tapped(sheet: Sheet) -> Done:
    """What the taps say was done."""
    state, zero = sheet.state, sheet.state.first_zero
    return Done(
        state.passes,
        tuple(_by_edge(sheet)),
        zero.place if zero else "",
        zero.below_first_mm if zero and not zero.by_heights else None,
        zero.offset_mm if zero else 0.0,
        state.first_contact_known,
        state.started,
        round(state.attended_minutes, 2),
        round(state.unattended_minutes, 2),
        {name: round(minutes, 3) for name, minutes in state.step_minutes.items()},
    )


def _by_edge(sheet: Sheet) -> list[tuple[tuple[EdgeKey, ...], tuple[PassRecord, ...]]]:
    """Passes with the edges that made them: as the sheet says, unless the ledger has others in the cutter at the time:
    they were changed on the page Inserts or on another sheet while this job waited."""
    told = sheet.state.passes_by_edge(tuple(edges_now(sheet)))
    setup = sheet.estimate.setup
    here = () if setup is None else [s for s in stays(access.edge_events()) if s.pocket[0] == setup.cutter.id]
    found: list[tuple[tuple[EdgeKey, ...], tuple[PassRecord, ...]]] = []
    for edges, made in told:
        for one in made:
            # entries are whole seconds apart: an edge that left in that very second may have made the pass
            there = {s.edge for s in here if s.since <= one.at and (s.until is None or one.at <= s.until)}
            right = edges if set(edges) <= there else tuple(sorted(there)) or edges
            if found and found[-1][0] == right:
                found[-1] = (right, (*found[-1][1], one))
            else:
                found.append((right, (one,)))
    return found


def store_cut(
    sheet: Sheet,
    done: Done,
    values: Mapping[str, Any],
    gaps_mm: Mapping[str, float] | None,
    told: Mapping[str, Any] | None = None,
) -> Cut:
    """Record the cut; heights, edge, job and queue follow. ``values``: outcome, looks, heights, Ra, note as read;
    ``told``: what else the hand-over wants to know (plugs).

    Raises `InputError` for heights above those before, and where nobody is named.
    """
    face, shop, estimate, units = sheet.face, sheet.shop, sheet.estimate, sheet.units
    heights = {p.name: h for p in face.points if (h := values[f"height {p.name}"]) is not None}
    before = {point: r.height_mm for point, r in sheet.part.latest_heights_mm(face.id).items()}
    for point, height in heights.items():
        if point in before and height > before[point] + 0.05:
            accepted = f"at most the height before the cut, {units.height(before[point])}"
            raise InputError(f"height {point}", height, accepted)
    if not access.who():
        raise InputError("Who", "", "who cut it: choose your name at the top right, then record")
    outcome = Outcome(values["outcome"])
    if outcome is Outcome.FINISHED and not done.passes:
        raise InputError("outcome", outcome.value, "a pass at least for a finished cut")
    typed = {n: m for n in AFTER_CUTTING if (m := values.get(f"minutes {n}")) is not None}
    attended = done.attended_minutes
    if attended is not None and "unload" not in sheet.state.steps:
        # nobody tapped it: what was typed comes on top of what the taps clocked
        attended += typed.get("unload", 0.0) if done.step_minutes is not None else 0.0
    lost, gap = _height_lost(before, heights, gaps_mm)
    learned = learning_interval(
        done.passes,
        least_settable_mm=shop.settings.depth_step_mm,
        finished=outcome is Outcome.FINISHED,
        first_contact_known=done.first_contact_known,
        height_lost_mm=lost,
        height_gap_mm=gap,
        height_agrees_mm=2 * 2**0.5 * shop.settings.height_repeatability_mm,
    )
    setup = estimate.setup
    uses: dict[EdgeKey, tuple[float, float]] = {}
    for edges, made in done.by_edge:
        path, swept = edge_path_mm(setup, made), face.area_mm2 * cutting_passes(made)
        for edge in edges:
            # one pocket's edge may have stayed in while another's was changed
            before = uses.get(edge, (0.0, 0.0))
            uses[edge] = (before[0] + path, before[1] + swept)
    at = clock()
    # what stood in the queue before the first tap is what the record is held against
    plan = planned_at_start(sheet)
    cut = Cut(
        sheet.job.id,
        sheet.job.part_id,
        sheet.job.face_id,
        at,
        done.passes[-1].total_mm if done.passes else 0.0,
        started=done.started,
        machine_id=setup.machine.id if setup else None,
        cutter_id=setup.cutter.id if setup else None,
        grade_id=setup.grade.id if setup else None,
        recipe_id=setup.recipe.id if setup else None,
        by=access.who(),
        outcome=outcome,
        passes=done.passes,
        clean_lower_mm=learned.lower_mm if learned.usable else None,
        clean_upper_mm=learned.upper_mm if learned.usable and math.isfinite(learned.upper_mm) else None,
        touch_place=done.place,
        delta_mm=done.delta_mm,
        paper_mm=done.paper_mm,
        heights_mm=heights,
        ra_um=tuple(r for i in (1, 2, 3) if (r := values[f"ra {i}"]) is not None),
        feed_mm=_last_feed_mm(setup, done.passes),
        speed_m_min=_speed_m_min(setup, values.get("rpm")),
        uses=tuple(EdgeUse(*edge, *spent) for edge, spent in uses.items()),
        planned_depth_mm=plan.depth_mm,
        allowed_depth_mm=plan.allowed_mm,
        planned_passes=plan.passes,
        planned_minutes=plan.machine_minutes,
        attended_minutes=attended,
        unattended_minutes=done.unattended_minutes,
        step_minutes={**(done.step_minutes or {}), **typed},
        looks=values["looks"] or "",
        note=values["note"],
    )
    return access.repository().record_cut(cut, told=told)


def _last_feed_mm(setup: CutSetup | None, passes: tuple[PassRecord, ...]) -> float | None:
    """Feed per insert of the pass that made the surface; None without a pass, or where no machine is known."""
    if setup is None or not passes:
        return None
    return (setup.finish if passes[-1].finishing else setup.rough).feed_mm


def _speed_m_min(setup: CutSetup | None, rpm: float | None) -> float | None:
    """Surface speed it ran at: as the spindle was set, else as planned. Raises `InputError` for an rpm past the mark."""
    if setup is None:
        return None
    if rpm is None:
        return setup.speed_m_min
    most = setup.cutter.max_rpm or math.inf
    if not 0 < rpm <= most:
        raise InputError("rpm", rpm, f"at most {most:g} rpm, the marked maximum of {setup.cutter.name}, and above 0")
    return surface_speed(rpm, setup.cutter.diameter_mm)


def _height_lost(before: Mapping[str, float], after: Mapping[str, float], gaps_mm: Mapping[str, float] | None):
    """Height lost and gap at the measured point that lies highest; (None, 0) without a survey."""
    known = [p for p in after if p in before and gaps_mm is not None and p in gaps_mm]
    if not known:
        return None, 0.0
    point = min(known, key=lambda p: gaps_mm[p])
    return max(0.0, before[point] - after[point]), gaps_mm[point]


def planned_at_start(sheet: Sheet) -> Planned:
    """What was planned when a gang was begun, else the estimate without regard to the run sheet."""
    kept = next((t.payload["planned"] for t in sheet.taps if t.kind == TapKind.START and "planned" in t.payload), None)
    if kept is not None:
        return Planned(**kept)
    return Planned.of(access.queue_untouched().estimates.get(sheet.job.id, sheet.estimate))
