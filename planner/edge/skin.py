"""How many times as fast harsh skin (corrosion, cast skin, weld) wears an edge, learned from the shop's own edges.

One factor per kind of skin for the whole shop: every grade and end has its own life, and all of them are fitted
together with the factors. A path u in skin of factor s counts s u against the capacity C of its material, which is a
column of its own with capacity C / s; the likelihood is that of `planner.edge.life`. Starting values are log-normal.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from planner.edge.life import LifePrior
from planner.edge.likelihood import LOG_SHAPE_BOUNDS, LifeLikelihood
from planner.errors import InputError, finite_array, positive

__all__ = ["SkinFit", "SkinRecord", "fit_skins"]

# an ended edge tells of a skin once it brought this share of the edge's path
TELLING_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class SkinRecord:
    """The record of one grade and one end. ``use`` (n, materials, 1 + skins): path by material in clean metal (first)
    and in each skin, unweighed; ``failed`` (n,); ``failing`` (n, 2): material and skin column of the last cut, -1 where
    not recorded; ``prior``: starting values of this life."""

    use: np.ndarray
    failed: np.ndarray
    failing: np.ndarray
    prior: LifePrior

    def __post_init__(self) -> None:
        use = finite_array("record.use", self.use, (None, len(self.prior.capacities), None))
        if (use < 0).any():
            raise InputError("record.use", float(use.min()), "paths of 0 or more: wear does not run backwards")
        failed = np.asarray(self.failed)
        if failed.shape != use.shape[:1]:
            raise InputError("record.failed", self.failed, f"True or False for each of the {use.shape[0]} edges")
        object.__setattr__(self, "use", use)
        object.__setattr__(self, "failed", failed.astype(bool))
        object.__setattr__(self, "failing", np.asarray(self.failing, dtype=int).reshape(use.shape[0], 2))


@dataclass(frozen=True)
class SkinFit:
    """How many times as fast one skin wears: likeliest, the range that holds the truth 95 times of 100, and how many
    ended edges had cut enough of it to tell."""

    factor: float
    low: float
    high: float
    ends: int


def fit_skins(
    records: Sequence[SkinRecord], starting: Mapping[str, float], log_sd: float = 0.35, held: Collection[str] = ()
) -> dict[str, SkinFit]:
    """Factors by skin, ``starting`` in the order of the records' skin columns; ``log_sd``: how far a starting value may
    be off; those in ``held`` stay where they are. A skin no ended edge tells of keeps its starting value and the starting
    value's range.
    """
    names = tuple(starting)
    spread = positive("log_sd", log_sd)
    centre = np.log([positive(f"starting[{name}]", starting[name]) for name in names])
    for i, record in enumerate(records):
        if record.use.shape[2] != 1 + len(names):
            raise InputError(f"records[{i}].use", record.use.shape, f"a last axis of {1 + len(names)}: clean and skins")
    told = [record for record in records if record.failed.any() and record.use[:, :, 1:].any()]
    ends = np.zeros(len(names), dtype=int)
    for record in told:
        of_edge = record.use.sum(axis=1)
        share = of_edge[:, 1:] / np.maximum(of_edge.sum(axis=1, keepdims=True), 1e-300)
        ends += (record.failed[:, None] & (share >= TELLING_SHARE)).sum(axis=0)
    found, doubt = (
        (centre, np.full(centre.size, spread))
        if not ends.any()
        else _together(told, centre, spread, np.isin(names, list(held)))
    )
    found, doubt = np.where(ends > 0, found, centre), np.where(ends > 0, doubt, spread)
    z = float(scipy.special.ndtri(0.975))
    return {
        name: SkinFit(*(float(np.exp(v)) for v in (found[i], found[i] - z * doubt[i], found[i] + z * doubt[i])), int(n))
        for i, (name, n) in enumerate(zip(names, ends, strict=True))
    }


def _together(
    records: Sequence[SkinRecord], centre: np.ndarray, spread: float, held: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Likeliest log factors and their standard deviations, every life fitted along with them."""
    skins = centre.size
    likelihoods, maps, starts, pulls, bounds = [], [], [], [], []
    for record in records:
        edges, materials, kinds = record.use.shape
        scale = np.repeat(record.prior.capacities, kinds)
        material, skin = record.failing.T
        failing = np.where((material >= 0) & record.failed, material * kinds + np.maximum(skin, 0), -1)
        none = np.zeros(materials * kinds + 1)
        likelihoods.append(LifeLikelihood(record.use.reshape(edges, -1) / scale, record.failed, failing, none, None))
        # log shape; log capacity of (material, skin) = log capacity of the material - log factor of the skin
        rows = np.zeros((none.size, 1 + materials + skins))
        rows[0, 0] = 1.0
        for m in range(materials):
            for k in range(kinds):
                row = 1 + m * kinds + k
                rows[row, 1 + m] = 1.0
                if k:
                    rows[row, materials + k] = -1.0
        maps.append(rows)
        prior = record.prior
        starts.append(np.concatenate([[np.log(prior.shape)], np.zeros(materials)]))
        pulls.append(np.concatenate([[prior.shape_log_sd], np.full(materials, prior.capacity_log_sd)]))
        bounds += [LOG_SHAPE_BOUNDS] + [(-20.0, 20.0)] * materials
    start, pull = np.concatenate([*starts, centre]), np.concatenate([*pulls, np.full(skins, spread)])
    bounds += [(c, c) if fixed else (c - 4 * spread, c + 4 * spread) for c, fixed in zip(centre, held, strict=True)]

    def objective(all_of: np.ndarray) -> tuple[float, np.ndarray]:
        off = (all_of - start) / pull
        value, gradient = 0.5 * float(off @ off), off / pull
        at = 0
        for likelihood, rows, own in zip(likelihoods, maps, starts, strict=True):
            here = np.concatenate([all_of[at : at + own.size], all_of[-skins:]])
            more, slope = likelihood.negative(rows @ here)
            slope = rows.T @ slope
            value += more
            gradient[at : at + own.size] += slope[: own.size]
            gradient[-skins:] += slope[own.size :]
            at += own.size
        return value, gradient

    result = scipy.optimize.minimize(
        objective, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 400, "ftol": 1e-12}
    )
    step = 1e-4
    curvature = np.array(
        [
            (objective(result.x + step * e)[1] - objective(result.x - step * e)[1]) / (2 * step)
            for e in np.eye(start.size)
        ]
    )
    covariance = np.linalg.inv((curvature + curvature.T) / 2)
    return result.x[-skins:], np.sqrt(np.maximum(np.diag(covariance)[-skins:], 0.0))
