"""How long the edges of a grade last, as the decisions take it: learned from the shop's ledger, or starting values.

A grade has one life per end (worn, finish lost, chipped), with a capacity for every material it has a recipe for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from planner.cut.knowledge import Knowledge, SkinWear, edge_life_mm, skin_wear
from planner.edge import (
    AgeRule,
    ChipPrior,
    EdgeLife,
    End,
    Ledger,
    LifePrior,
    SkinRecord,
    age_rule,
    fit_edge_life,
    fit_skins,
    life_record,
)
from planner.errors import InputError
from planner.shop import EdgeInUse, Origin, Shop, Source, starting
from planner.shop.materials import MATERIALS

__all__ = [
    "GradeLife",
    "grade_life",
    "learn_edge_lives",
    "learn_skins",
    "learned_paths",
    "rule_of",
    "weighed",
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


def worn_paths(shop: Shop, knowledge: Knowledge, edge: EdgeInUse) -> dict[str, float]:
    """Wear path (mm) by material of an edge in a cutter: at the recipe's speed, weighed by the skin it ran in."""
    worn = dict(edge.wear_mm)
    for (material, skin), path in edge.skin_mm.items():
        worn[material] += (skin_wear(shop, knowledge, skin).factor - 1.0) * path
    return worn


def weighed(shop: Shop, knowledge: Knowledge, ledger: Ledger) -> Ledger:
    """The ledger with its paths weighed by skin: wear as learned or set, chips as set or by the starting values."""
    wear = {skin: skin_wear(shop, knowledge, skin).factor for skin in starting.SKIN_FACTOR}
    return ledger.weighed(wear, starting.SKIN_FACTOR | shop.settings.skin_wear)


def learn_skins(shop: Shop, ledger: Ledger) -> dict[str, SkinWear]:
    """How many times as fast each harsh skin wears, from the ledger as it is stored (not weighed): every grade's worn
    and lost-finish ends together. A skin no ended edge tells of is left out."""
    records = []
    skins = tuple(starting.SKIN_FACTOR)
    for grade_id, name, materials in _graded(shop, ledger):
        record = life_record(ledger, name, materials, skins=skins)
        if not record.in_skin.any():
            continue
        clean = record.use - record.in_skin.sum(axis=2)
        use = np.concatenate([np.maximum(clean, 0.0)[:, :, None], record.in_skin], axis=2)
        failing = np.column_stack([record.failing, record.failing_skin + 1])
        prior = _prior(shop, grade_id, materials)
        for mode in ("worn", "finish"):
            ended = np.array([end.mode == mode for end in record.ends])
            if ended.any():
                records.append(SkinRecord(use, ended, failing, prior))
    told = shop.settings.skin_wear
    found = fit_skins(records, starting.SKIN_FACTOR | told, starting.SKIN_LOG_SD, told)
    return {
        skin: SkinWear(fit.factor, fit.low, fit.high, Origin(Source.LEARNED, fit.ends, "each an ended edge"))
        for skin, fit in found.items()
        if fit.ends
    }


def learn_edge_lives(shop: Shop, ledger: Ledger) -> dict[int, GradeLife]:
    """Every grade's life from the ledger (see `weighed`); grades without a recorded edge are left out.

    A finish life is kept apart once an edge of the grade lost its finish; until then wear is its only end beside chips.
    """
    found = {}
    for grade_id, name, materials in _graded(shop, ledger):
        record = life_record(ledger, name, materials, shop.settings.flank_wear_mm)
        if not record.edges:
            continue
        prior = _prior(shop, grade_id, materials)
        capacities = prior.capacities
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
                found[material, grade_id] = (
                    float(first.capacities[i]),
                    Origin(Source.LEARNED, ends, "each an ended edge"),
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


def _graded(shop: Shop, ledger: Ledger) -> list[tuple[int, str, tuple[str, ...]]]:
    """Grades the ledger knows: id, name, and every material they cut or have a recipe for."""
    found = []
    for grade_id, grade in shop.grades.items():
        if grade.name in ledger.positions:
            cut = {m for e in ledger.edges() if e.grade == grade.name for m in e.work}
            found.append((grade_id, grade.name, _materials(shop, grade_id, cut)))
    return found


def _prior(shop: Shop, grade_id: int, materials: tuple[str, ...]) -> LifePrior:
    capacities = tuple(edge_life_mm(shop, Knowledge(), m, grade_id)[0] for m in materials)
    return LifePrior(capacities, starting.LIFE_SHAPE, starting.CAPACITY_LOG_SD)


def _main(capacities: tuple[float, ...], use: np.ndarray) -> float:
    """Capacity of the material that brought most of the work."""
    return capacities[int(np.argmax(use.sum(axis=0)))]


def _materials(shop: Shop, grade_id: int, more=()) -> tuple[str, ...]:
    named = {r.material for r in shop.recipes.values() if r.grade_id == grade_id} | set(more)
    return tuple(sorted(named)) or tuple(sorted(MATERIALS))
