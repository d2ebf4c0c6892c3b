"""Competing ends of an edge: worn, finish lost, chipped. One life each, the other ends censored, survival the product.

Chips strike at a constant rate per path, more readily in weld and skin; an old edge is no likelier to chip in the next
job than a new one, so they count in the told chance and stay out of the rule for indexing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from planner.edge.life import LifeFit, LifePrior, fit_life
from planner.errors import InputError, finite_array, numbers, positive

__all__ = ["ChipFit", "ChipPrior", "EdgeLife", "End", "fit_chips", "fit_edge_life"]


class End(StrEnum):
    """How an edge's life ended, or that it has not."""

    WORN = "worn"
    LOOKED_WORN = "looked worn"
    FINISH_LOST = "finish lost"
    CHIPPED = "chipped"
    BY_RULE = "indexed healthy"
    JOB_END = "taken out at the job's end"
    LOST = "lost"
    STILL_CUTTING = "still cutting"

    @property
    def mode(self) -> str:
        """The life it ends: ``worn``, ``finish``, ``chipped``, or ``censored``."""
        if self in (End.WORN, End.LOOKED_WORN):
            return "worn"
        return {End.FINISH_LOST: "finish", End.CHIPPED: "chipped"}.get(self, "censored")


@dataclass(frozen=True)
class ChipPrior:
    """Starting value of the chip rate: ``path_per_chip`` mm of clean metal, worth as much as ``worth`` chips seen."""

    path_per_chip: float
    worth: float = 2.0

    def __post_init__(self) -> None:
        positive("prior.path_per_chip", self.path_per_chip)
        positive("prior.worth", self.worth)


@dataclass(frozen=True)
class ChipFit:
    """Chip rate with a gamma spread: ``chips`` and ``path`` include the starting value's worth.

    Paths are weighted by how readily their skin chips an edge.
    """

    chips: float
    path: float

    @property
    def rate(self) -> float:
        """Chips per mm of path."""
        return self.chips / self.path

    def survival(self, path) -> np.ndarray | float:
        """Predictive chance of no chip over a path: exp(-rate path) over the gamma is (1 + path / seen)^-chips."""
        x = np.asarray(path, dtype=float)
        if not np.isfinite(x).all() or (x < 0).any():
            raise InputError("path", path, "a path of 0 or more")
        out = np.exp(-self.chips * np.log1p(x / self.path))
        return float(out) if out.ndim == 0 else out

    def chance(self, age, path) -> np.ndarray | float:
        """Chance of a chip within ``path`` for an edge that came through ``age`` unchipped."""
        before = np.asarray(age, dtype=float)
        out = 1.0 - self.survival(before + np.asarray(path, dtype=float)) / self.survival(before)
        return float(out) if np.ndim(out) == 0 else out


def fit_chips(paths, chipped, prior: ChipPrior | None = None) -> ChipFit:
    """Constant chip rate from each edge's path (n,) and whether it ended chipped (n,); gamma posterior in closed form.

    Without a prior at least one chip is needed.
    """
    x = finite_array("paths", paths, (None,))
    hit = np.asarray(chipped)
    if (x < 0).any():
        raise InputError("paths", float(x.min()), "paths of 0 or more: wear does not run backwards")
    if hit.shape != x.shape or not (hit.dtype == bool or hit.size == 0 or np.isin(hit, (0, 1)).all()):
        raise InputError("chipped", chipped, f"True or False for each of the {x.size} edges")
    count, total = float(hit.sum()), float(x.sum())
    if prior is not None:
        return ChipFit(prior.worth + count, prior.worth * prior.path_per_chip + total)
    if count == 0 or total == 0:
        raise InputError("chipped", "no chip on record", "at least one chipped edge, or a prior")
    return ChipFit(count, total)


@dataclass(frozen=True, eq=False)
class EdgeLife:
    """The three lives together. Work is path per material (wear paths); chips count their own weighted path.

    ``worn`` or ``finish`` may be None where the shop keeps no such end; at least one is there. ``edges``: inserts of
    the cutter; they wear alike and the first to go spoils the face, so chances are of losing any of them.
    """

    worn: LifeFit | None
    finish: LifeFit | None = None
    chips: ChipFit | None = None
    edges: int = 1

    def __post_init__(self) -> None:
        if self.edges != int(self.edges) or self.edges < 1:
            raise InputError("edges", self.edges, "a whole number from 1")
        if self.worn is None and self.finish is None:
            raise InputError("worn", None, "a worn life or a finish life")
        if None not in (self.worn, self.finish) and self.worn.materials != self.finish.materials:
            raise InputError("finish", self.finish.materials, f"{self.worn.materials} materials, as the worn life")

    @property
    def lives(self) -> tuple[LifeFit, ...]:
        return tuple(life for life in (self.worn, self.finish) if life is not None)

    @property
    def measure(self) -> LifeFit:
        """The life whose units edge use is told in: worn, else finish."""
        return self.lives[0]

    @property
    def ruling(self) -> LifeFit:
        """The life of the end that comes first."""
        return min(self.lives, key=lambda life: float(np.log(life.capacities).sum()))

    def spent(self, work) -> np.ndarray | float:
        """Edge use: the largest over the ends, each in units of its own scale."""
        values = [np.asarray(life.spent(work)) for life in self.lives]
        out = np.max(values, axis=0)
        return float(out) if np.ndim(out) == 0 else out

    def wear_survival(self, work) -> np.ndarray | float:
        """Chance that neither wear nor finish ends the edge within the work (..., m); chips left out."""
        out = np.prod([np.asarray(life.survival(work, self.edges)) for life in self.lives], axis=0)
        return float(out) if np.ndim(out) == 0 else out

    def wear_chance(self, age, work) -> np.ndarray | float:
        """Chance that wear or finish ends an edge of age (..., m) within further work (..., m)."""
        before = np.asarray(age, dtype=float)
        alive = np.asarray(self.wear_survival(before))
        lost = alive - np.asarray(self.wear_survival(before + np.asarray(work, dtype=float)))
        out = np.divide(lost, alive, where=alive > 0, out=np.ones_like(alive))
        return float(out) if out.ndim == 0 else out

    def chance_lost(self, age, work, chip_age=0.0, chip_path=0.0) -> np.ndarray | float:
        """Chance that the edge is lost to any end within further work, given that it still cuts."""
        worn = np.asarray(self.wear_chance(age, work))
        chip = np.asarray(self.chip_chance(chip_age, chip_path))
        out = 1.0 - (1.0 - worn) * (1.0 - chip)
        return float(out) if np.ndim(out) == 0 else out

    def chip_chance(self, age, path) -> np.ndarray | float:
        """Chance that any of the edges chips within a weighted path; 0 where no chip rate is kept."""
        if self.chips is None:
            return 0.0
        return self.chips.chance(self.edges * np.asarray(age, dtype=float), self.edges * np.asarray(path, dtype=float))

    def verdict(self, names: Sequence[str] | None = None) -> str:
        """How much the record supports each end, in plain words."""
        told = (("wear", self.worn), ("finish", self.finish))
        return ". ".join(f"{end}: {life.verdict(names)}" for end, life in told if life is not None)


def fit_edge_life(
    use,
    ends: Sequence[End],
    worn_prior: LifePrior | None,
    finish_prior: LifePrior | None = None,
    chip_prior: ChipPrior | None = None,
    failing=None,
    chip_paths=None,
    level: float = 0.95,
    projected=None,
    projected_log_sd=None,
) -> EdgeLife:
    """Fit every end from one record: each end's life sees the edges that ended otherwise as censored.

    ``use`` (n,) or (n, materials) wear paths, ``ends`` (n,), ``failing`` (n,) column of the material at the end or -1,
    ``chip_paths`` (n,) weighted paths. A finish life is fitted when ``finish_prior`` is given, chips when
    ``chip_prior`` and ``chip_paths`` are; the worn life always (``worn_prior`` None: plain maximum likelihood), with the
    lives ``projected`` from flank-wear readings, as `fit_life` takes them.
    """
    work = numbers("use", use, "work per edge, shape (n,) or (n, materials)")
    try:
        modes = np.array([End(e).mode for e in ends], dtype=object)
    except (TypeError, ValueError):
        raise InputError("ends", ends, "ends out of " + ", ".join(End)) from None
    if modes.shape != work.shape[:1]:
        raise InputError("ends", ends, f"one end for each of the {len(work) if work.ndim else 0} edges")
    worn = fit_life(use, modes == "worn", worn_prior, failing, level, projected, projected_log_sd)
    finish = None if finish_prior is None else fit_life(use, modes == "finish", finish_prior, failing, level)
    chips = None
    if chip_prior is not None:
        if chip_paths is None:
            raise InputError("chip_paths", None, "the weighted path of each edge, with a chip prior")
        chips = fit_chips(chip_paths, modes == "chipped", chip_prior)
    return EdgeLife(worn, finish, chips)
