"""Before which job to index, on each machine and why; and up to what use the week may load an edge.

The rule is `planner.edge.decision`: the price of an index against that of a spoiled face, within the shop's risk limit.
`edge_advice` walks it along a plan; `edge_limits` turns it into the limits the week's search keeps to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.cut.estimate import JobEstimate
from planner.cut.knowledge import Knowledge, edge_life_mm, skin_factor
from planner.edge import (
    Allowed,
    EdgeJob,
    EdgeLife,
    EdgeStep,
    Permit,
    edge_price,
    index_cost,
    may_cut,
    plan_edge,
    planning_limit,
    spoiled_face_cost,
)
from planner.shop import Condition, EdgeInUse, PassReason, Shop, starting
from planner.shop.materials import MATERIALS
from planner.week.edge_lives import GradeLife, grade_life, rule_of, worn_paths
from planner.week.queue import Queue
from planner.week.result import Plan

__all__ = [
    "EdgeAdvice",
    "edge_advice",
    "edge_job",
    "edge_limits",
    "failure_cost",
    "harsh",
    "job_label",
    "limit_of",
    "permit",
    "planned_cost",
]

KEEN_SHARE = 0.6
FERROUS = tuple(m.key for m in MATERIALS.values() if m.ferrous)
_GRID = np.linspace(0.0, 2.5, 501)


@dataclass(frozen=True)
class EdgeAdvice:
    """The edge of one cutter along the plan of its machine.

    ``fitted``: the edges in it now (empty = none). ``job_ids`` in the plan's order, ``steps`` one for each.
    ``chance_next``: chance to lose the present edge in the next job as planned; ``chance_week_kept``: in all these jobs,
    were it never indexed; ``chance_week``: of losing any edge with the advice followed. ``index_use``: edge use at which
    indexing early begins to pay (inf = it does not), ``limit_use``: the planning limit. ``spent``: likely, low, high.
    """

    machine_id: int
    cutter_id: int
    grade_id: int
    fitted: tuple[EdgeInUse, ...]
    job_ids: tuple[int, ...]
    steps: tuple[EdgeStep, ...]
    spent: tuple[float, float, float]
    chance_next: float
    chance_week_kept: float
    chance_week: float
    index_use: float
    limit_use: float

    @property
    def first(self) -> EdgeStep | None:
        """The first step that asks for something."""
        return next((s for s in self.steps if s.index_before or s.stops or s.problem), None)

    @property
    def words(self) -> str:
        """The advice in one sentence."""
        first = self.first
        if not self.steps:
            return "nothing planned for it"
        if first is None:
            return "no index needed in this plan"
        if first.problem:
            return f"no edge lasts {first.job}: {first.problem}"
        where = f"before {first.job}" if first.index_before else f"within {first.job}, before pass {first.stops[0]}"
        return f"index {where}: {first.reason}"


def job_label(shop: Shop, job_id: int) -> str:
    """A job by its part's tag, and its face where the part has more than one job."""
    job = shop.jobs[job_id]
    part = shop.part_of(job)
    several = sum(other.part_id == job.part_id for other in shop.open_jobs()) > 1
    return f"{part.tag} {shop.face_of(job).name}" if several else part.tag


def harsh(shop: Shop, job_id: int) -> bool:
    """Weld or corroded skin: wears and chips an edge faster."""
    return shop.part_of(shop.jobs[job_id]).condition in starting.SKIN_OF


def chip_factor(shop: Shop, condition: Condition) -> float:
    """How many times as readily a cut in this condition chips an edge: as set for its skin, or the starting value."""
    skin = starting.SKIN_OF.get(condition)
    return 1.0 if skin is None else (starting.SKIN_FACTOR | shop.settings.skin_wear)[skin]


def chip_path(shop: Shop, edge: EdgeInUse) -> float:
    """What an edge in a cutter has cut, mm, weighed by how readily its skin chips an edge."""
    factors = starting.SKIN_FACTOR | shop.settings.skin_wear
    return math.fsum(edge.path_mm.values()) + math.fsum(
        (factors[skin] - 1.0) * path for (_, skin), path in edge.skin_mm.items()
    )


def planned_cost(
    shop: Shop, knowledge: Knowledge, grade_id: int, inserts: int, hourly_rate: float | None = None
) -> float:
    """Money of an index planned ahead: fresh edges for every pocket, and the minutes of the change as learned."""
    grade = shop.grades[grade_id]
    regrinds = 1 if grade.regrind_price else 0
    price = edge_price(grade.price or 0.0, grade.positions, regrinds, grade.regrind_price or 0.0) * inserts
    rate = shop.settings.hourly_rate if hourly_rate is None else hourly_rate
    return max(1.0, index_cost(price, knowledge.index_minutes()[0], rate / 60))


def failure_cost(shop: Shop, estimate: JobEstimate, knowledge: Knowledge) -> float:
    """Money lost when the edge goes in this job: the re-cut's depth and minutes and the index; the part, where too
    little is left to cut it again."""
    setup, job = estimate.setup, shop.jobs[estimate.job_id]
    recut = max(setup.recipe.finish_pass_mm, setup.recipe.least_pass_mm)
    steps = knowledge.steps(shop.family_of(shop.part_of(job))).steps
    rate = (setup.hourly_rate or shop.settings.hourly_rate) / 60
    short = estimate.left_likely_mm is not None and estimate.left_likely_mm < recut
    planned = planned_cost(shop, knowledge, setup.grade.id, setup.cutter.inserts, setup.hourly_rate)
    return max(
        planned * 1.01,
        spoiled_face_cost(
            recut,
            estimate.worth.per_mm,
            setup.finish.minutes + steps.look + steps.dye + steps.dry,
            rate,
            planned,
            shop.settings.uncleaned_cost if short else 0.0,
        ),
    )


def risk_limit(shop: Shop, estimate: JobEstimate) -> float:
    """The greatest chance of losing the edge in this job: tighter where less than one rebuild is left."""
    last = estimate.rebuilds_left is not None and estimate.rebuilds_left < 1
    return shop.settings.risk_limit_last if last else shop.settings.risk_limit


def edge_job(shop: Shop, estimate: JobEstimate, known: GradeLife, knowledge: Knowledge, set_name: str = "") -> EdgeJob:
    """An estimated job as the edge meets it."""
    job = shop.jobs[estimate.job_id]
    part = shop.part_of(job)
    material, setup = shop.family_of(part).material, estimate.setup
    wear = estimate.path_likely_mm * skin_factor(shop, knowledge, part.condition) * setup.speed_wear
    paths = [
        (setup.finish if p.finishing else setup.rough).path_mm
        for p in estimate.passes_likely
        if p.reason is not PassReason.KISS
    ]
    total = math.fsum(paths)
    return EdgeJob(
        job_label(shop, job.id),
        tuple(known.work({material: wear})),
        failure_cost(shop, estimate, knowledge),
        risk_limit(shop, estimate),
        tuple(p / total for p in paths) if total else (1.0,),
        estimate.path_likely_mm * chip_factor(shop, part.condition),
        set_name,
    )


def permit(
    shop: Shop,
    material: str,
    grade_id: int,
    worked: Sequence[str],
    spent: float = 0.0,
    limit_use: float = math.inf,
    end=None,
    ferrous_in_face: bool = False,
    shape: float = starting.LIFE_SHAPE,
) -> Permit:
    """`may_cut` on the shop's own recipes. Only signed recipes count; a material cut only with a keen edge is measured
    against the planning limit, whatever the price of an index."""
    suited = [r.material for r in shop.recipes.values() if r.grade_id == grade_id and r.active]
    limit = min(limit_use, planning_limit(shape, shop.settings.risk_limit)) if material == "magnesium" else limit_use
    return may_cut(
        material,
        suited,
        FERROUS,
        worked,
        spent,
        min(limit, 1e6),
        end,
        ferrous_in_face,
        shop.meets_iron(grade_id),
        keen_share=KEEN_SHARE,
    )


def edge_advice(
    plan: Plan | None, shop: Shop, queue: Queue, knowledge: Knowledge | None = None
) -> tuple[EdgeAdvice, ...]:
    """The advice for every cutter the plan uses, and for every fitted edge it does not, in the plan's order; of the
    fitted edges alone without a plan."""
    knowledge = knowledge or Knowledge()
    lanes: dict[tuple[int, int, int], list[int]] = {}
    planned = () if plan is None else plan.jobs.sort_values(["machine", "place"], kind="stable").iterrows()
    for job_id, row in planned:
        setup = queue.by_machine[int(job_id), int(row.machine)].setup
        lanes.setdefault((int(row.machine), setup.cutter.id, setup.grade.id), []).append(int(job_id))
    for edge in shop.edges:
        machine_id = shop.machine_of(edge.cutter_id)
        if machine_id is not None:
            lanes.setdefault((machine_id, edge.cutter_id, edge.grade_id), [])
    return tuple(_walk(shop, queue, knowledge, *key, tuple(ids)) for key, ids in lanes.items())


def _walk(shop, queue, knowledge, machine_id, cutter_id, grade_id, job_ids) -> EdgeAdvice:
    known = grade_life(shop, knowledge, grade_id)
    cutter = shop.cutters[cutter_id]
    life = known.of(cutter.inserts)
    fitted = tuple(e for e in shop.edges if (e.cutter_id, e.grade_id) == (cutter_id, grade_id))
    most = max(fitted, key=lambda e: known.life.spent(known.work(worn_paths(shop, knowledge, e))), default=None)
    worn = worn_paths(shop, knowledge, most) if most else {}
    age = known.work(worn)
    jobs = []
    for job_id in job_ids:
        matched = shop.set_of(job_id)
        estimate = queue.by_machine[job_id, machine_id]
        # a set whose split somebody agreed to is no longer kept on one edge
        kept = matched.name if matched and not matched.split_agreed_by else ""
        jobs.append(edge_job(shop, estimate, known, knowledge, kept))
    price = planned_cost(shop, knowledge, grade_id, cutter.inserts, shop.machines[machine_id].hourly_rate)
    chip_age = chip_path(shop, most) if most else 0.0
    worked = frozenset(most.wear_mm) if most else frozenset()
    failure = float(np.mean([j.failure_cost for j in jobs])) if jobs else 2 * price
    rule = rule_of(life, price, failure)
    steps: list[EdgeStep] = []
    must = ""
    start, begun, chips = 0, age, chip_age
    while start < len(jobs):
        found = list(plan_edge(life, begun, jobs[start:], price, chip_age=chips, rule=rule).steps)
        if must:
            name = jobs[start].set_name
            inside = bool(name) and start > 0 and jobs[start - 1].set_name == name
            asks = f"; splits set {name}, the lead has to agree" if inside else ""
            found[0] = replace(found[0], index_before=True, reason=must + asks, splits_set=inside)
        at, must = _due(shop, known, life, job_ids[start:], jobs[start:], found, worked, bool(must))
        if must and not at:
            # not even the first of them: it starts on a fresh edge
            begun, chips, worked = np.zeros_like(age), 0.0, frozenset()
            continue
        steps += found[:at]
        start += at
        begun, chips, worked = np.zeros_like(age), 0.0, frozenset()
    total = np.sum([j.work for j in jobs], axis=0) if jobs else np.zeros_like(age)
    paths = sum(j.chip_path for j in jobs)
    return EdgeAdvice(
        machine_id,
        cutter_id,
        grade_id,
        fitted,
        job_ids,
        tuple(steps),
        known.spent(worn) if most else (0.0, 0.0, 0.0),
        steps[0].chance_lost if steps else 0.0,
        float(life.chance_lost(age, total, chip_age, paths)),
        1.0 - math.prod(1.0 - s.chance_lost for s in steps),
        rule.use * float(np.median(life.measure.capacities / life.ruling.capacities)),
        limit_of(life, shop.settings.risk_limit),
    )


def limit_of(life: EdgeLife, risk: float) -> float:
    """The planning limit in edge use: the first of a cutter's inserts goes sooner than one alone."""
    shape = life.ruling.shape
    return planning_limit(shape, risk) * life.edges ** (-1.0 / shape)


def _due(shop, known, life, job_ids, jobs, steps, worked: frozenset[str], fresh: bool) -> tuple[int, str]:
    """Place of the first job that needs a fresh edge, whatever it costs (all of them where none does), and why.
    ``fresh``: the first of them starts on one, so that nothing is won by indexing before it."""

    def from_set(i: int) -> int:
        at = _before_set(i, jobs, life)
        return i if fresh and not at else at

    for i, (job_id, job, step) in enumerate(zip(job_ids, jobs, steps, strict=True)):
        if step.index_before or step.stops:
            worked = frozenset()
        material = shop.family_of(shop.part_of(shop.jobs[job_id])).material
        if worked:
            allowed = permit(shop, material, known.grade_id, tuple(worked), step.use_before)
            if allowed.allowed is not Allowed.FINISH:
                return from_set(i), allowed.reason
            limit, alone = limit_of(life, job.risk_limit), float(life.spent(job.work))
            if step.use_after > limit + 1e-9 and alone <= limit and not step.stops:
                tight = "less than one rebuild is left, and " if job.risk_limit < shop.settings.risk_limit else ""
                why = f"the edge would end past the limit, where {100 * job.risk_limit:.0f} % of edges are gone"
                return from_set(i), tight + why
        worked |= {material}
    return len(steps), ""


def _before_set(i: int, jobs: Sequence[EdgeJob], life: EdgeLife) -> int:
    """The first member of the set that job ``i`` belongs to, where one fresh edge lasts the set; else ``i``."""
    name, first = jobs[i].set_name, i
    while name and first and jobs[first - 1].set_name == name:
        first -= 1
    members = [job for job in jobs[first:] if job.set_name == name] if name else []
    whole = float(life.spent(np.sum([m.work for m in members], axis=0))) if members else math.inf
    return first if whole <= min((limit_of(life, m.risk_limit) for m in members), default=0.0) else i


def edge_limits(shop: Shop, queue: Queue, knowledge: Knowledge) -> dict[tuple[int, int], float]:
    """(job id, machine id) -> edge use a job may end at on that machine; past it an index comes first.

    The planning limit at the job's risk, or less: of one job alone at age a the rule says index when
    (c_f - c_p)[R(a) - R(a+u)] > g integral R, or its chance breaks the risk limit; a job may end at the greatest age it
    may begin at, and its own use. A job too long for that on a fresh edge is stopped between passes.
    """
    found: dict[tuple[int, int], float] = {}
    groups: dict[tuple[int, int], list[JobEstimate]] = {}
    for (_, machine_id), estimate in queue.by_machine.items():
        groups.setdefault((estimate.setup.cutter.id, machine_id), []).append(estimate)
    for (_, machine_id), estimates in groups.items():
        setup = estimates[0].setup
        known = grade_life(shop, knowledge, setup.grade.id)
        life = known.of(setup.cutter.inserts)
        price = planned_cost(shop, knowledge, setup.grade.id, setup.cutter.inserts, setup.hourly_rate)
        costs = [failure_cost(shop, e, knowledge) for e in estimates]
        rate = rule_of(life, price, float(np.mean(costs))).cost_rate
        alive: dict[str, np.ndarray] = {}
        for estimate, cost in zip(estimates, costs, strict=True):
            part = shop.part_of(shop.jobs[estimate.job_id])
            material = shop.family_of(part).material
            if material not in known.materials:
                continue
            if material not in alive:
                alive[material] = _survival(life, known, material)
            column = known.materials.index(material)
            capacity = life.ruling.capacities[column]
            use = estimate.path_likely_mm * skin_factor(shop, knowledge, part.condition) / capacity
            use *= estimate.setup.speed_wear
            risk = risk_limit(shop, estimate)
            per_use = rate * capacity / life.measure.capacities[column]
            limit = min(_greatest_end(alive[material], use, cost - price, per_use, risk), limit_of(life, risk))
            # the week counts in shares of what the estimate calls an edge's life
            limit *= capacity / edge_life_mm(shop, knowledge, material, setup.grade.id)[0]
            found[estimate.job_id, machine_id] = max(limit, 1e-6)
    return found


def _survival(life: EdgeLife, known: GradeLife, material: str) -> np.ndarray:
    column = known.materials.index(material)
    work = np.zeros((_GRID.size, len(known.materials)))
    work[:, column] = _GRID * life.ruling.capacities[column]
    return np.asarray(life.wear_survival(work))


def _greatest_end(alive: np.ndarray, use: float, at_stake: float, rate: float, risk: float) -> float:
    """Edge use at which a job of ``use`` may end at most."""
    area = np.concatenate([[0.0], np.cumsum((alive[1:] + alive[:-1]) / 2 * np.diff(_GRID))])
    after = np.interp(_GRID + use, _GRID, alive)
    lost = alive - after
    gained = rate * (np.interp(_GRID + use, _GRID, area) - area) - at_stake * lost
    keep = (gained >= 0) & (lost <= risk * alive) & (_GRID + use <= _GRID[-1])
    if keep[0]:
        last = _GRID.size if keep.all() else int(np.argmin(keep))
        return float(_GRID[last - 1] + use)
    within = np.flatnonzero(1.0 - alive <= risk)
    return float(_GRID[within[-1]]) if within[-1] else use
