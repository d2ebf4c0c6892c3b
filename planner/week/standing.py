"""What stands on each machine now: fixture, chips and insert, from the job that runs there, the last cut and the ledger.

The first setup of a plan is counted from it. What no record tells stays unknown, and is set up anew.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.shop import EdgeInUse, JobState, LastCut, Machine, Shop
from planner.shop.materials import MATERIALS
from planner.week.edge_rules import EdgeRules
from planner.week.queue import Queue

__all__ = ["Standing", "lies_with", "running_on", "standing_on"]


@dataclass(frozen=True)
class Standing:
    """``fixture``, ``chips`` (chip family) and ``grade`` (the week's name of the edge); "" where nothing tells."""

    fixture: str = ""
    chips: str = ""
    grade: str = ""


def running_on(shop: Shop, queue: Queue) -> dict[int, int]:
    """Machine id -> the job that lies on it; of several the one begun first on its run sheet, of a gang the member
    that carries its work. A job that waits for somebody was taken off."""
    found: dict[int, int] = {}
    jobs = [j for j in shop.open_jobs() if j.state is JobState.RUNNING and not shop.part_of(j).waits_for]
    begun = {j: taps[0].at for j, taps in shop.taps.items() if taps}
    for job in sorted(jobs, key=lambda j: (j.id not in begun, begun.get(j.id), j.id)):
        setup = queue.estimates[job.id].setup
        if setup is not None:
            found.setdefault(setup.machine.id, lies_with(queue, job.id, setup.machine.id)[0])
    return found


def lies_with(queue: Queue, job_id: int, machine_id: int) -> tuple[int, ...]:
    """The gang that a job is cut with on a machine, the member that carries its work first; the job alone without one."""
    gangs = (c.job_ids for c in queue.gangs.values() if c.machine_id == machine_id)
    return next((ids for ids in gangs if job_id in ids), (job_id,))


def standing_on(shop: Shop, queue: Queue, machine: Machine, rules: EdgeRules) -> Standing:
    """What stands on a machine: what the job running there wanted, else what the last cut left and who changed the
    insert since."""
    running = running_on(shop, queue).get(machine.id)
    if running is not None:
        family = shop.family_of(shop.part_of(shop.jobs[running]))
        return Standing(family.fixture, MATERIALS[family.material].chip_family, rules.key(queue.estimates[running]))
    last = shop.last_cuts.get(machine.id)
    family = None if last is None else shop.families.get(last.family_id)
    if family is None:
        return Standing(grade=_grade(shop, machine, None, "", rules))
    material = last.material if last.material in MATERIALS else family.material
    grade = _grade(shop, machine, last, material, rules)
    return Standing(family.fixture, MATERIALS[material].chip_family, grade)


def _grade(shop: Shop, machine: Machine, last: LastCut | None, material: str, rules: EdgeRules) -> str:
    """The edge in the cutter: as the ledger has it, else as the last cut was made. An edge that met iron is iron's."""
    fitted = _fitted(shop, machine, last)
    if fitted is not None:
        cut = [m for m in fitted.wear_mm if m in MATERIALS]
        met = next((m for m in cut if MATERIALS[m].ferrous), cut[0] if cut else material)
        return rules.edge_key(fitted.grade_id, met) if met else shop.grades[fitted.grade_id].name
    if last is not None and last.grade_id in shop.grades:
        return rules.edge_key(last.grade_id, material)
    return ""


def _fitted(shop: Shop, machine: Machine, last: LastCut | None) -> EdgeInUse | None:
    """The edge put last into the cutter on the machine: the one the ledger has there, else that of the last cut; before
    any cut, the only one it has."""
    own = [c.id for c in shop.cutters.values() if c.machine_id == machine.id]
    on_it = shop.cutter_on(machine.id)
    if on_it is None:
        on_it = last.cutter_id if last is not None else own[0] if len(own) == 1 else None
    fitted = [e for e in shop.edges if e.cutter_id == on_it and e.grade_id in shop.grades]
    return max(fitted, key=lambda e: (e.since is not None, e.since, -e.pocket), default=None)
