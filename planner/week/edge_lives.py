"""How long the edges of a grade last, as the decisions take it: learned from the shop's ledger, or starting values.

A grade has a capacity for every material it has a recipe for. Worn and finish lost count as one end here, whichever comes
first: that is what an edge is indexed against.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from planner.cut.knowledge import Knowledge, edge_life_mm
from planner.edge import AgeRule, ChipFit, ChipPrior, EdgeLife, LifeFit, LifePrior, age_rule, fit_edge_life
from planner.errors import InputError
from planner.shop import Shop, Source, starting
from planner.shop.materials import MATERIALS

__all__ = ["GradeLife", "grade_life", "lives_of", "rule_of"]

# Common practice, no source: about a third of an edge's ends are chips, so chip-free paths are some twice a life
PATHS_PER_CHIP = 2.2
LEARNED_LOG_SD = 0.25


@dataclass(frozen=True, eq=False)
class GradeLife:
    """The life of one grade's edges; ``materials`` name the columns of the work it is told in (wear path, mm)."""

    grade_id: int
    materials: tuple[str, ...]
    life: EdgeLife
    ended: int = 0
    """Worn edges it was learned from; 0 = starting values."""

    def work(self, path_mm: Mapping[str, float]) -> np.ndarray:
        """Wear paths by material as the life takes them. `InputError` for a material it does not know."""
        strange = set(path_mm) - set(self.materials)
        if strange:
            raise InputError("material", sorted(strange)[0], "one of " + ", ".join(self.materials))
        return np.array([path_mm.get(m, 0.0) for m in self.materials])

    def spent(self, path_mm: Mapping[str, float]) -> tuple[float, float, float]:
        """Edge use so far: likely, and the range that holds it four times out of five."""
        work = self.work(path_mm)
        return max((fit.spent_range(work, 0.8) for fit in self.life.lives), key=lambda told: told[0])

    def of(self, inserts: int) -> EdgeLife:
        """The life of a cutter of so many inserts, which wear alike."""
        return _several(self.life, inserts)


def grade_life(shop: Shop, knowledge: Knowledge, grade_id: int) -> GradeLife:
    """What is believed of a grade's edges: as learned, else starting values with a factor of two either way."""
    known = knowledge.edge_lives.get(grade_id)
    if known is not None and set(_materials(shop, grade_id)) <= set(known.materials):
        return known
    materials = _materials(shop, grade_id)
    told = [edge_life_mm(shop, knowledge, m, grade_id) for m in materials]
    sure = all(origin.source is Source.LEARNED for _, origin in told)
    sd = LEARNED_LOG_SD if sure else starting.CAPACITY_LOG_SD
    prior = LifePrior(tuple(path for path, _ in told), knowledge.life_shape, sd)
    return GradeLife(grade_id, materials, _believed(prior))


def lives_of(
    columns: Sequence[tuple[str, int]], life: LifeFit, chips: Mapping[int, ChipFit | None]
) -> dict[int, GradeLife]:
    """Every grade's life by its id, of one fit over all grades: ``columns`` name (material, grade id) of its
    capacities; ``chips`` by grade id."""
    found = {}
    for grade_id in dict.fromkeys(grade for _, grade in columns):
        mine = [i for i, (_, grade) in enumerate(columns) if grade == grade_id]
        found[grade_id] = GradeLife(
            grade_id,
            tuple(columns[i][0] for i in mine),
            EdgeLife(life.only(mine), chips=chips.get(grade_id)),
            int(life.failures[mine].sum()),
        )
    return found


def rule_of(life: EdgeLife, planned: float, failure: float, mix: tuple[float, ...] | None = None) -> AgeRule:
    """`age_rule`, kept while the life and the prices (to the whole unit of money) stand still."""
    return _rule(life, max(1.0, round(planned)), max(round(planned) + 1.0, round(failure)), mix)


@lru_cache(maxsize=64)
def _rule(life: EdgeLife, planned: float, failure: float, mix: tuple[float, ...] | None) -> AgeRule:
    return age_rule(life, planned, failure, mix)


@lru_cache(maxsize=64)
def _several(life: EdgeLife, inserts: int) -> EdgeLife:
    return life if inserts == life.edges else replace(life, edges=inserts)


@lru_cache(maxsize=32)
def _believed(prior: LifePrior) -> EdgeLife:
    chips = ChipPrior(PATHS_PER_CHIP * max(prior.capacities))
    nothing = np.empty((0, len(prior.capacities)))
    return fit_edge_life(nothing, (), prior, chip_prior=chips, chip_paths=())


def _materials(shop: Shop, grade_id: int, more=()) -> tuple[str, ...]:
    named = {r.material for r in shop.recipes.values() if r.grade_id == grade_id} | set(more)
    return tuple(sorted(named)) or tuple(sorted(MATERIALS))
