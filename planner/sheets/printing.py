"""Printable pages: self-contained HTML, all text escaped, for Letter and A4."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import cache
from itertools import groupby
from textwrap import wrap
from types import SimpleNamespace
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from planner.cut.estimate import JobEstimate
from planner.face import place_said, survey_figures
from planner.match import depth_table, part_lines
from planner.sheets.cautions import DEFER, cautions
from planner.shop import Aim, Cut, DepthInstrument, Face, Job, JobState, Part, PassReason, Shop
from planner.units import Units, as_read, minutes_words
from planner.week.queue import Queue
from planner.week.reasons import reason_named
from planner.week.search import Plan
from planner.week.set_view import gang_of
from planner.week.spindle import spindle_check

_PASS = {
    PassReason.KISS: "kiss",
    PassReason.SEARCH: "cut, look",
    PassReason.FINISH: "finish",
    PassReason.MATCH: "to set height",
    PassReason.TOOL_MARK: "tool mark",
}


# per cent of a week sheet's width: from, to, part, family, what, depth, passes, due, done
_WIDTHS = (8, 8, 16, 13, 17, 11, 10, 8, 9)
# what a week sheet takes of a Letter page on paper, mm: one that runs over goes on behind without a new page; a short
# day is not parted from its heading
_HEAD_MM, _DAY_MM, _LINE_MM, _ROW_MM, _PAGE_MM = 38, 15, 3.8, 2, 258
_SHORT_MM = 120

_STEPS = ("load", "sweep", "level", "clamp", "dye", "touch off", "looks", "unload", "measure")


@cache
def _templates() -> Environment:
    loader = PackageLoader("planner.sheets", "templates")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def render(template: str, **values: Any) -> str:
    """A page from a template of this room; every value is escaped."""
    return _templates().get_template(template).render(**values)


def run_sheet(shop: Shop, job: Job, estimate: JobEstimate, units: Units, at: datetime, cuts: Sequence[Cut] = ()) -> str:
    """The paper run sheet of one job, with room to write readings, passes and heights. ``cuts``: the part's recorded
    ones, by which its measured dimensions are carried on."""
    part, face = shop.part_of(job), shop.face_of(job)
    family = shop.family_of(part)
    front, back = cautions(family.material, family.hoist)
    setup, touch = estimate.setup, estimate.touch_off
    now = {h.point: h for h in estimate.heights}
    facts = [
        ("Work order", part.work_order or "none"),
        ("Engine", f"{part.engine_serial or 'unknown'} {part.position}".strip()),
        ("Family", family.name),
        ("Material", family.material.replace("_", " ")),
        ("Owner", part.owner or "unknown"),
        ("Due", f"{job.due:%a %d %b %H:%M}" if job.due else "no date"),
        ("Cut", "till clean" if job.aim is Aim.TILL_CLEAN else f"to {units.depth(job.depth_mm)}"),
        ("Printed", f"{at:%a %d %b %Y %H:%M}"),
    ]
    if setup:
        facts += [
            ("Machine", setup.machine.name),
            ("Cutter", f"{setup.cutter.name}, {setup.grade.name}"),
            ("Speed", f"{setup.rpm:.0f} rpm"),
            (
                "Feed",
                f"rough {units.table_feed(setup.rough.table_feed_mm_min)}, "
                f"finish {units.table_feed(setup.finish.table_feed_mm_min)}",
            ),
            ("Fluid", setup.recipe.fluid or "as the recipe says"),
        ]
    if part.agreed_depth_mm is not None:
        facts.append(
            ("Agreed with customer", f"{units.depth(part.agreed_depth_mm)} ({part.agreed_by or 'nobody named'})")
        )
    matched = shop.set_of(job.id)
    if matched is not None and estimate.members > 1:
        tags = ", ".join(shop.part_of(shop.jobs[j]).tag for j in gang_of(shop, matched) if j != job.id)
        facts.append(
            (
                "Gang, on the table with",
                f"{tags}: one zero and one traverse for all; depths below are its own, as the gang is cut",
            )
        )
    rows = []
    for p in estimate.passes:
        shows = units.depth(p.standing_mm, unit=False)
        rows.append(
            SimpleNamespace(
                name=_PASS[p.reason],
                feed="finish" if p.finishing else "rough",
                takes=units.depth(p.depth_mm, unit=False),
                shows=f"{p.turns} turn{'s' if p.turns > 1 else ''} + {shows}" if p.turns else shows,
                to_go=units.depth(max(0.0, estimate.stop_allow_mm - p.total_mm), unit=False),
                minutes=f"{p.minutes:.1f}",
            )
        )
    likely, allow = units.depth(estimate.stop_likely_mm, unit=False), units.depth(estimate.stop_allow_mm)
    least = face.least_height_mm
    return render(
        "run_sheet.html",
        tag=part.tag,
        face=face.name,
        facts=facts,
        flags=[{"level": f.level, "words": f.words(units)} for f in estimate.flags],
        front=front,
        back=back,
        defer=DEFER,
        touch=(
            f"at {touch.place or '________'}, feeler paper {units.depth(touch.paper_mm)} (measure yours)"
            + (
                ""
                if touch.delta_mm is not None
                else f"; no survey: begin raised {units.depth(touch.raise_mm)}, touch off again at the first mark"
            )
            + (_dial_words(setup.machine.instrument) if setup else "")
        ),
        proud=", ".join(face.proud) or "nothing known; look",
        steps=_STEPS,
        confirm=family.material == "magnesium",
        blocks=", ".join(x for x in (family.fixture, family.blocks) if x) or "not entered",
        survey=_survey(shop, job, units),
        check=_check_words(shop, job, units),
        unit_depth=units.depth_unit,
        unit_length=units.length_unit,
        points=[p.name for p in face.points],
        course=f"likely {likely}, allow {allow}",
        passes=rows,
        dial=setup.machine.instrument.name if setup else "instrument",
        spare=max(1, 4 - max(0, len(rows) - 4)),
        deepest=_stop_words(estimate, part, units),
        before=[units.height(now[p.name].now_mm, unit=False) if p.name in now else "" for p in face.points],
        after=[units.height(now[p.name].likely_mm, unit=False) if p.name in now else "" for p in face.points],
        limit=units.height(least) if least is not None else "no limit known, ask",
        depths=_depth_words(shop, part, face, estimate.stop_likely_mm, cuts, units),
        cover=face.cover_bolted,
        band=f"gasket: {units.ra_band(*estimate.band_um)}",
        flatness=f"limit {units.depth(face.flatness_mm)}" if face.flatness_mm is not None else "",
        origin="Depth: " + estimate.origins["depth"].words + ". Minutes: " + estimate.origins["minutes"].words + ".",
    )


def _dial_words(dial: DepthInstrument) -> str:
    """How the figures of the passes are read: without it a dial that keeps its own zero is set wrong."""
    said = f". The {dial.name} counts {dial.counts.value} as the cutter goes down"
    return said if dial.zeroable else f"{said}; it cannot be zeroed: add what it reads at touch-off"


def _depth_words(shop: Shop, part: Part, face: Face, cut_mm: float, cuts: Sequence[Cut], units: Units) -> list[str]:
    """Dimensions that pass their limit at the planned depth or are not known, and which is the first to reach one."""
    lines = part_lines(part, face, cuts, shop.removed_mm.get((part.id, face.id), 0.0))
    table = depth_table(lines, cut_mm, 1e-4)
    found = [
        f"{row.name}: past its limit by {units.depth(row.past_by_mm)} at {units.depth(cut_mm)}"
        + (f", {row.restored_by}" if row.restored_by else "")
        for row in table.past
    ]
    if table.first is not None:
        found.append(f"first to reach its limit: {table.first[0]}, at {units.depth(table.first[1], down=True)}")
    drawn = [line.name for line in lines if not line.measured]
    if drawn:
        found.append(f"not measured on this part: {', '.join(drawn)}")
    return found


def _survey(shop: Shop, job: Job, units: Units) -> SimpleNamespace | None:
    """The sweep of the clamped face as it was taken; None where nobody swept it."""
    survey, part, face = shop.surveys.get((job.part_id, job.face_id)), shop.part_of(job), shop.face_of(job)
    if survey is None:
        return None
    heights = {n: r.height_mm for n, r in part.latest_heights_mm(job.face_id).items()}
    found = survey_figures(face, survey, heights)
    names = [p.name for p in survey.points]
    # a probe's hundreds of points are not for paper: those that matter, first
    order = [found.cut.first_contact, found.cut.last_to_clean, *range(len(names))]
    shown = sorted(list(dict.fromkeys(order))[:13]) if len(names) > 13 else range(len(names))
    return SimpleNamespace(
        when=f"{survey.at:%a %d %b %H:%M}" + (f" by {survey.by}" if survey.by else ""),
        depth=units.depth(found.cut.depth_mm),
        goal=survey.goal.value,
        first=place_said(face, survey.points[found.cut.first_contact], units.length),
        last=place_said(face, survey.points[found.cut.last_to_clean], units.length),
        touch=found.touch_place,
        delta=(
            f"{units.depth(found.delta_mm)} below first contact"
            if float(units.depth(found.delta_mm, unit=False))
            else "where it is met first"
        ),
        points=[(names[k], f"{survey.points[k].z_mm / units.depth_factor:+.{1 if units.inch else 3}f}") for k in shown],
        pits="; ".join(
            f"{p.name} {units.depth(p.pit_mm)}{', may stay' if p.accepted else ''}" for p in survey.points if p.pit_mm
        ),
    )


def _check_words(shop: Shop, job: Job, units: Units) -> str:
    """What the intake check said; empty without one."""
    check = shop.checks.get((job.part_id, job.face_id))
    if check is None:
        return ""
    upper = "" if check.greatest_mm is None else f", at most {units.depth(check.greatest_mm)} ({check.greatest_from})"
    pit = f"; deepest pit {units.depth(check.pit_mm)} {check.pit_place}".rstrip() if check.pit_mm else ""
    least = f" ({check.least_from})" if check.least_from else ""
    return f"Intake check {check.at:%d %b}: at least {units.depth(check.least_mm)}{least}{upper}{pit}."


def _stop_words(estimate: JobEstimate, part: Part, units: Units) -> str:
    """Where the person must stop and call: the agreed depth, what is in hand, or past what was allowed for."""
    if part.agreed_depth_mm is not None:
        return f"Not clean at {units.depth(part.agreed_depth_mm)}, the agreed depth: stop and call."
    if estimate.room.in_hand_mm is not None:
        return f"Never deeper than {units.depth(estimate.room.in_hand_mm, down=True)}, what is in hand: stop and call."
    return f"No limit known: not clean at {units.depth(estimate.stop_allow_mm)}, stop and ask."


def _what(shop: Shop, queue: Queue, plan: Plan, job: Job, machine_id: str, estimate: JobEstimate) -> str:
    """Face, grade and minutes; of a gang its first member carries the work, the others are on the table with it."""
    face, grade = shop.face_of(job).name, estimate.setup.grade.name if estimate.setup else ""
    lain = {one.id for one in plan.week.jobs if one.started and shop.jobs[int(one.id)].state is not JobState.RUNNING}
    for (first, on), course in queue.gangs.items():
        if str(on) != machine_id or job.id not in course.job_ids:
            continue
        others = [j for j in course.job_ids if str(j) in lain]
        if job.id in others:
            return f"{face}, on the table with {shop.part_of(shop.jobs[first]).tag}"
        if job.id == first and others:
            tags = ", ".join(shop.part_of(shop.jobs[j]).tag for j in others)
            return f"{face}, {grade}, {minutes_words(course.machine_minutes)}, with {tags} on the table"
    return f"{face}, {grade}, {minutes_words(estimate.machine_minutes)}"


def _row_mm(row: SimpleNamespace) -> float:
    """Height of a job's row on paper, from the lines that its longest cell breaks into."""
    cells = (((row.part, 16), (row.set, 20)), ((row.family, 13),), ((row.index, 17), (row.what, 17)))
    return _ROW_MM + _LINE_MM * max(sum(len(wrap(text, wide)) for text, wide in cell) for cell in cells)


def week_sheet(shop: Shop, queue: Queue, plan: Plan, machine_id: str, units: Units, at: datetime) -> str:
    """The week of one machine on paper."""
    machine = shop.machines[int(machine_id)]
    days = []
    materials = set()
    mine = plan.jobs[plan.jobs["machine"] == machine_id].sort_values("start_min")
    steps = plan.timeline[plan.timeline["machine"] == machine_id]
    first = set(steps.loc[steps["kind"] == "index", "job"])
    between = set(steps.loc[steps["kind"] == "index stop", "job"])
    rows = []
    for job_id, row in mine.iterrows():
        job = shop.jobs[int(job_id)]
        part = shop.part_of(job)
        family = shop.family_of(part)
        materials.add(family.material)
        estimate = queue.by_machine.get((job.id, machine.id)) or queue.estimates[job.id]
        start = plan.start + timedelta(minutes=float(row["start_min"]))
        end = plan.start + timedelta(minutes=float(row["end_min"]))
        matched = shop.set_of(job.id)
        rows.append(
            (
                start.date(),
                SimpleNamespace(
                    start=f"{start:%H:%M}",
                    end=f"{end:%H:%M}" if end.date() == start.date() else f"{end:%a %H:%M}",
                    part=part.tag,
                    set=f"set {matched.name}" if matched else "",
                    family="quick job" if family.one_off else family.name,
                    what=_what(shop, queue, plan, job, machine_id, estimate),
                    index="index the edge first"
                    if job_id in first
                    else "index the edge between passes"
                    if job_id in between
                    else "",
                    depth=f"{units.depth(estimate.stop_likely_mm, unit=False)} / {units.depth(estimate.stop_allow_mm)}",
                    passes=len(estimate.passes_likely),
                    due=f"{job.due:%a %H:%M}" if job.due else "",
                ),
            )
        )
    for day, group in groupby(rows, key=lambda r: r[0]):
        jobs = [r for _, r in group]
        days.append((f"{day:%a %d %b}", jobs, _DAY_MM + sum(_row_mm(r) for r in jobs)))
    worst = next((m for m in ("magnesium", "grey_iron", "aluminium") if m in materials), "aluminium")
    front, back = cautions(worst)
    mine_ids = [int(j) for j in mine.index]
    check = spindle_check(
        shop, machine, [queue.by_machine.get((j, machine.id)) or queue.estimates[j] for j in mine_ids]
    )
    facts = [
        ("Printed", f"{at:%a %d %b %Y %H:%M}"),
        ("Depths", f"likely / allow, {units.depth_unit}"),
        ("Spindle", "; ".join((check.date_words(), *check.warnings(units)))),
        ("End of a pass", check.pass_words() or machine.end_of_pass.value),
        ("Edges to index", str(sum(int(n) for (m, _), n in plan.edges.items() if m == machine_id))),
    ]

    def tag(job_id: int) -> str:
        return shop.part_of(shop.jobs[job_id]).tag

    waiting = [
        (tag(int(j)), as_read(reason_named(shop, why, tag), units))
        for j, why in plan.unplaceable.items()
        if int(j) in shop.jobs
    ]
    return render(
        "week_sheet.html",
        machine=machine.name,
        facts=facts,
        front=front,
        back=back,
        defer=DEFER,
        days=[(day, jobs, mm <= _SHORT_MM) for day, jobs, mm in days],
        widths=_WIDTHS,
        long=_HEAD_MM + sum(mm for _, _, mm in days) > _PAGE_MM,
        waiting=waiting,
    )
