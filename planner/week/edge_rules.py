"""The edge's part of the week's problem: which edge a job wants, up to what use, what waiting on a fresh edge is worth."""

from __future__ import annotations

import math

from planner.cut.estimate import JobEstimate, cutting_passes
from planner.cut.knowledge import Knowledge
from planner.edge import Allowed, planning_limit
from planner.shop import JobState, Machine, Shop
from planner.shop.materials import MATERIALS
from planner.week import model
from planner.week.edge_advice import KEEN_SHARE, edge_limits, failure_cost, harsh, permit, planned_cost
from planner.week.edge_lives import grade_life, worn_paths
from planner.week.queue import Queue

__all__ = ["EdgeRules", "edges_at_hand", "grade_of", "life_spent", "use_not_recorded"]

NOT_FOR_IRON = ", kept from iron"
"""A grade that cuts iron and aluminium is two edges to the week: one that met iron never finishes aluminium."""

FINE_RA_UM = 1.0
# share of a spoiled face's price per unit of edge use: enough to order jobs, too little to cost a setup
FINE_SHARE, ORDINARY_SHARE = 0.05, 0.02


def grade_of(key: str) -> str:
    """The grade's name behind the name the week knows its edge by."""
    return key.removesuffix(NOT_FOR_IRON)


def life_spent(shop: Shop, knowledge: Knowledge, edge) -> float:
    """Edge use of an edge that sits in a cutter: worn path over what an edge lasts, summed over materials."""
    known = grade_life(shop, knowledge, edge.grade_id)
    # the likely value alone: the range beside it takes nearly all of the time
    return float(known.life.spent(known.work(worn_paths(shop, knowledge, edge))))


def edges_at_hand(shop: Shop, grade_id: int) -> int:
    """Fresh edges: unused positions of opened inserts and all positions of unopened ones."""
    grade = shop.grades[grade_id]
    return shop.ready_edges.get(grade_id, 0) + grade.stock * grade.positions


def use_not_recorded(queue: Queue) -> dict[tuple[int, int], float]:
    """(cutter id, grade id) -> edge use of jobs under way whose passes are all made: no pass of the plan carries it any
    more, and the ledger has it only once they are recorded."""
    found: dict[tuple[int, int], float] = {}
    for estimate in queue.estimates.values():
        share = estimate.edge_share_likely or 0.0
        if estimate.setup is None or not share or cutting_passes(estimate.passes_likely):
            continue
        key = estimate.setup.cutter.id, estimate.setup.grade.id
        found[key] = found.get(key, 0.0) + share
    return found


class EdgeRules:
    """What the rule for indexing says about every open job, worked out once for a week."""

    def __init__(self, shop: Shop, queue: Queue, knowledge: Knowledge) -> None:
        self.shop, self.queue, self.knowledge = shop, queue, knowledge
        known = queue.edge_limits
        self.limits = edge_limits(shop, queue, knowledge) if known is None else known
        self._not_recorded = use_not_recorded(queue)
        self._tight = {job_id: self._own_limit(job_id) for job_id in queue.estimates}
        self._before_sets()

    def key(self, estimate: JobEstimate) -> str:
        """The name of the edge the week gives this job: its grade, apart where the grade also cuts iron."""
        if estimate.setup is None:
            return ""
        material = self.shop.family_of(self.shop.part_of(self.shop.jobs[estimate.job_id])).material
        return self.edge_key(estimate.setup.grade.id, material)

    def job_limit(self, job_id: int) -> float | None:
        """Edge use the job may end at, None where nothing cuts it."""
        return self._tight.get(job_id)

    def age_price(self, estimate: JobEstimate) -> float:
        """Money per unit of edge use already spent when the job starts: the finest finish goes early in an edge's life,
        welds and dirty skin do not mind."""
        if estimate.setup is None or harsh(self.shop, estimate.job_id):
            return 0.0
        greatest = estimate.band_um[1]
        share = FINE_SHARE if greatest is not None and greatest <= FINE_RA_UM else ORDINARY_SHARE
        return share * failure_cost(self.shop, estimate, self.knowledge)

    def edges(self, machine: Machine) -> dict[str, model.Edge]:
        """The edges the jobs find on a machine, by name: what they have spent, their limit and price."""
        shop, found = self.shop, {}
        ordinary = planning_limit(self.knowledge.life_shape, shop.settings.risk_limit)
        for (job_id, machine_id), estimate in self.queue.by_machine.items():
            if machine_id != machine.id:
                continue
            setup, key = estimate.setup, self.key(estimate)
            limit = self.limits.get((job_id, machine_id), ordinary)
            before = found.get(key)
            if before is not None:
                limit = max(limit, before.limit)
            material = shop.family_of(shop.part_of(shop.jobs[job_id])).material
            found[key] = model.Edge(
                used=self._used(setup.cutter.id, setup.grade.id, material),
                limit=limit,
                price=planned_cost(shop, self.knowledge, setup.grade.id, setup.cutter.inserts, 0.0),
                stock=edges_at_hand(shop, setup.grade.id),
            )
        return found

    def edge_key(self, grade_id: int, material: str) -> str:
        """The name of the edge of a grade that cuts a material."""
        recipes = {r.material for r in self.shop.recipes.values() if r.grade_id == grade_id and r.active}
        mixed = any(MATERIALS[m].ferrous for m in recipes) and not MATERIALS[material].ferrous
        return self.shop.grades[grade_id].name + (NOT_FOR_IRON if mixed else "")

    def _used(self, cutter_id: int, grade_id: int, material: str) -> float:
        """Use of the most used edge in the cutter; 0 where it may not finish this material: another goes in."""
        fitted = [e for e in self.shop.edges if (e.cutter_id, e.grade_id) == (cutter_id, grade_id)]
        for edge in fitted:
            if permit(self.shop, material, grade_id, tuple(edge.wear_mm)).allowed is not Allowed.FINISH:
                return 0.0
        spent = max((life_spent(self.shop, self.knowledge, e) for e in fitted), default=0.0)
        return spent + self._not_recorded.get((cutter_id, grade_id), 0.0)

    def _own_limit(self, job_id: int) -> float | None:
        limits = [limit for (other, _), limit in self.limits.items() if other == job_id]
        if not limits:
            return None
        job = self.shop.jobs[job_id]
        if MATERIALS[self.shop.family_of(self.shop.part_of(job)).material].never_unattended:
            keen = KEEN_SHARE * planning_limit(self.knowledge.life_shape, self.shop.settings.risk_limit)
            limits.append(max(keen, self._use(job_id)))
        return min(limits)

    def _use(self, job_id: int) -> float:
        shares = [e.edge_share_likely or 0.0 for (other, _), e in self.queue.by_machine.items() if other == job_id]
        return max(shares, default=0.0)

    def _before_sets(self) -> None:
        """An index falls before a set's first member, not inside the set, where a fresh edge lasts the whole set."""
        for view in self.queue.sets.values():
            if view.matched.split_agreed_by:
                continue
            ids = [j for j in view.order if self._tight.get(j) is not None]
            if len(ids) < 2 or any(self.shop.jobs[j].state is not JobState.WAITING for j in ids):
                continue
            uses, limits = [self._use(j) for j in ids], [self._tight[j] for j in ids]
            keys = {self.key(self.queue.estimates[j]) for j in ids}
            room = min(limit - math.fsum(uses[: i + 1]) for i, limit in enumerate(limits))
            if len(keys) == 1 and room >= 0:
                self._tight[ids[0]] = min(limits[0], uses[0] + room)
