"""How long the edges of a grade last, as the decisions take it: learned from the shop's ledger, or starting values.

A grade has one life per end (worn, finish lost, chipped), with a capacity for every material it has a recipe for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from planner.cut.knowledge import Knowledge, edge_life_mm
from planner.cut.setups import CutSetup, speed_wear
from planner.edge import (
    AgeRule,
    ChipPrior,
    EdgeLife,
    End,
    Ledger,
    LifePrior,
    age_rule,
    fit_edge_life,
    life_record,
)
from planner.errors import InputError
from planner.shop import EdgeInUse, Origin, Shop, Source, starting
from planner.shop.materials import MATERIALS

__all__ = [
    "GradeLife",
    "grade_life",
    "learn_edge_lives",
    "learned_paths",
    "rule_of",
    "speed_factor",
    "worn_paths",
]

# Common practice, no source: about a third of an edge's ends are chips, so chip-free paths are some twice a life
PATHS_PER_CHIP = 2.2
LEARNED_LOG_SD = 0.25


@dataclass(frozen=True, eq=False)
class GradeLife:
    """The life of one grade's edges; ``materials`` name the columns of the work it is told in (wear path, mm)."""

    grade_id: int
    materials: tuple[str, ...]
    life: EdgeLife
    edges: int = 0
    """Edges on record behind it; 0 = starting values."""

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

    @property
    def ended(self) -> int:
        """Edges on record that wore out or lost their finish."""
        return sum(fit.failed for fit in self.life.lives)

    def verdict(self) -> str:
        """How much the record supports it, in plain words."""
        return self.life.verdict([m.replace("_", " ") for m in self.materials])


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


def speed_factor(knowledge: Knowledge, setup: CutSetup) -> float:
    """`CutSetup.speed_wear` where the life is a starting value; 1 where it was learned at the speeds the shop runs."""
    return 1.0 if (setup.recipe.material, setup.grade.id) in knowledge.life else setup.speed_wear


def worn_paths(shop: Shop, knowledge: Knowledge, edge: EdgeInUse) -> dict[str, float]:
    """Wear path (mm) by material of an edge in a cutter, as `speed_factor` takes it."""
    return {
        m: path * (1.0 if (m, edge.grade_id) in knowledge.life else speed_wear(shop, edge.cutter_id, edge.grade_id, m))
        for m, path in edge.wear_mm.items()
    }


def learn_edge_lives(shop: Shop, ledger: Ledger) -> dict[int, GradeLife]:
    """Every grade's life from the ledger (work weighed by skin); grades without a recorded edge are left out.

    A finish life is kept apart once an edge of the grade lost its finish; until then wear is its only end beside chips.
    """
    found = {}
    for grade_id, grade in shop.grades.items():
        if grade.name not in ledger.positions:
            continue
        cut = {m for e in ledger.edges() if e.grade == grade.name for m in e.work}
        materials = _materials(shop, grade_id, cut)
        record = life_record(ledger, grade.name, materials, shop.settings.flank_wear_mm)
        if not record.edges:
            continue
        capacities = tuple(edge_life_mm(shop, Knowledge(), m, grade_id)[0] for m in materials)
        prior = LifePrior(capacities, starting.LIFE_SHAPE, starting.CAPACITY_LOG_SD)
        life = fit_edge_life(
            record.use,
            record.ends,
            prior,
            finish_prior=prior if End.FINISH_LOST in record.ends else None,
            chip_prior=ChipPrior(PATHS_PER_CHIP * _main(capacities, record.use)),
            failing=record.failing,
            chip_paths=record.chip_paths,
            projected=record.projected,
            projected_log_sd=record.projected_log_sd,
        )
        found[grade_id] = GradeLife(grade_id, materials, life, len(record.edges))
    return found


def learned_paths(lives: Mapping[int, GradeLife]) -> dict[tuple[str, int], tuple[float, Origin]]:
    """Path (mm) an edge lasts by (material, grade id), for `Knowledge.life`: the end that comes first rules."""
    found = {}
    for grade_id, known in lives.items():
        for i, material in enumerate(known.materials):
            first = min(known.life.lives, key=lambda fit: fit.capacities[i])
            ends = int(first.failures[i])
            if ends:
                found[material, grade_id] = (float(first.capacities[i]), Origin(Source.LEARNED, ends, "ended edges"))
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


def _main(capacities: tuple[float, ...], use: np.ndarray) -> float:
    """Capacity of the material that brought most of the work."""
    return capacities[int(np.argmax(use.sum(axis=0)))]


def _materials(shop: Shop, grade_id: int, more=()) -> tuple[str, ...]:
    named = {r.material for r in shop.recipes.values() if r.grade_id == grade_id} | set(more)
    return tuple(sorted(named)) or tuple(sorted(MATERIALS))
