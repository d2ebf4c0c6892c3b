"""What every edge does along a plan, and how many it takes."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from planner.cut.estimate import cutting_passes
from planner.shop import PassReason, Shop
from planner.week.edge_rules import edges_at_hand, grade_of
from planner.week.queue import Queue
from planner.week.result import Plan

__all__ = ["edge_course", "edge_needs", "empty_pockets"]


def edge_course(plan: Plan, shop: Shop, queue: Queue) -> pd.DataFrame:
    """What each edge does along the plan. A row per machine, cutter, grade, edge (0 = the one in the cutter now) and
    material: columns machine, cutter, grade, edge, material, jobs, swept_mm2, path_mm, use (share added), use_after,
    limit (edge use at which the next one comes; single jobs may want it sooner)."""
    rows: list[list[Any]] = []
    for machine in plan.week.machines:
        number: dict[str, int] = {}
        used = {key: edge.used for key, edge in machine.edges.items()}
        pieces = plan.timeline[plan.timeline["machine"] == machine.id].sort_values("start_min", kind="stable")
        names = {job.id: job.grade_on(machine.id) for job in plan.week.jobs}
        for job_id, kind in zip(pieces["job"], pieces["kind"], strict=True):
            job = shop.jobs[int(job_id)]
            estimate = queue.by_machine[int(job_id), int(machine.id)]
            key = names[job_id]
            if kind in ("index", "index stop"):
                number[key] = number.get(key, 0) + 1
                used[key] = 0.0
            if not kind.endswith(" pass") or kind.startswith(PassReason.KISS.value):
                continue
            count = max(1, cutting_passes(estimate.passes_likely))
            share = (estimate.edge_share_likely or 0.0) / count
            swept, path = estimate.swept_likely_mm2 / count, estimate.path_likely_mm / count
            gang = queue.gangs.get((int(job_id), int(machine.id)))
            if gang is not None:
                share, swept, path = gang.pass_share, gang.pass_swept_mm2, gang.pass_path_mm
            used[key] = used.get(key, 0.0) + share
            material = shop.family_of(shop.part_of(job)).material
            known = [shop.machines[int(machine.id)].name, estimate.setup.cutter.name, grade_of(key)]
            known += [number.get(key, 0), material]
            row = next((r for r in rows if r[:5] == known), None)
            if row is None:
                row = [*known, set(), 0.0, 0.0, 0.0, 0.0, math.inf]
                rows.append(row)
            row[5].add(job_id)
            row[6] += swept
            row[7] += path
            row[8] += share
            row[9] = used[key]
            row[10] = machine.edges[key].limit
    frame = pd.DataFrame(
        rows,
        columns=[
            "machine",
            "cutter",
            "grade",
            "edge",
            "material",
            "jobs",
            "swept_mm2",
            "path_mm",
            "use",
            "use_after",
            "limit",
        ],
    )
    frame["jobs"] = [len(j) for j in frame["jobs"]]
    return frame


def empty_pockets(plan: Plan, shop: Shop, queue: Queue) -> dict[tuple[int, int], int]:
    """(cutter id, grade id) of the plan's jobs -> edges to fit before the first of them, where the ledger knows none of
    that grade in the cutter."""
    found: dict[tuple[int, int], int] = {}
    for job_id, machine_id in zip(plan.jobs.index, plan.jobs["machine"], strict=True):
        setup = queue.by_machine[int(job_id), int(machine_id)].setup
        place = setup.cutter.id, setup.grade.id
        if not shop.has_edge_in(*place):
            found[place] = setup.cutter.inserts
    return found


def edge_needs(plan: Plan, shop: Shop, queue: Queue) -> pd.DataFrame:
    """Edges to fit and to index in the plan against edges at hand: columns grade, to_fit, needed (those to fit and those
    to index), at_hand, short, to_order (inserts)."""
    to_fit: dict[int, int] = {}
    for (_, grade_id), count in empty_pockets(plan, shop, queue).items():
        to_fit[grade_id] = to_fit.get(grade_id, 0) + count
    needed: dict[str, int] = {}
    for (_, key), count in plan.edges.items():
        needed[grade_of(key)] = needed.get(grade_of(key), 0) + int(count)
    found = []
    for grade in shop.grades.values():
        at_hand, fit = edges_at_hand(shop, grade.id), to_fit.get(grade.id, 0)
        wanted = fit + needed.get(grade.name, 0)
        short = max(0, wanted - at_hand)
        found.append((grade.name, fit, wanted, at_hand, short, math.ceil(short / grade.positions)))
    return pd.DataFrame(found, columns=["grade", "to_fit", "needed", "at_hand", "short", "to_order"])
