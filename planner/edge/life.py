"""How long an edge lasts: censored Weibull with one capacity per material, learned from the shop's own edges.

An edge that has cut use_m of each material has spent D = sum use_m / C_m; it survives with chance R = exp(-D^k).
W. Weibull, J. Appl. Mech. 18 (1951); linear damage over materials, Miner 1945. The starting shape 3.71 is a coefficient
of variation of 0.3 for tool life (Wager & Barash, ASME J. Eng. Ind. 93(4)).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import scipy

from planner.edge.likelihood import (
    LOG_CAPACITY_BOUND,
    LOG_SHAPE_BOUNDS,
    Draws,
    LifeLikelihood,
    explore,
    maximise,
)
from planner.errors import InputError, between, finite_array, numbers, positive

__all__ = ["LEARNED", "LEANING", "STARTING", "LifeFit", "LifePrior", "fit_life", "known_life"]

STARTING, LEANING, LEARNED = "starting value", "leaning on the starting value", "learned"
# Failed edges from which a capacity is called learned; with fewer the starting value still carries much of it.
ENDS_TO_CALL_LEARNED = 5


@lru_cache(maxsize=64)
def _shape_and_rate(draws: Draws) -> tuple[np.ndarray, np.ndarray]:
    """Of each draw. A plan of an edge asks hundreds of times; working them out takes longer than what is asked."""
    return np.exp(draws.log_theta[:, 0]), np.exp(-draws.log_theta[:, 1:])


@dataclass(frozen=True)
class LifePrior:
    """Starting values: a capacity per material (median), the shape, and how far either may be off (log sd).

    0.7 is a factor of two either way.
    """

    capacities: tuple[float, ...]
    shape: float = 3.71
    capacity_log_sd: float = 0.7
    shape_log_sd: float = 0.7

    def __post_init__(self) -> None:
        told = numbers("prior.capacities", self.capacities, "one capacity per material")
        given = finite_array("prior.capacities", np.atleast_1d(told), (None,))
        if given.size == 0:
            raise InputError("prior.capacities", self.capacities, "one capacity per material")
        for i, value in enumerate(given):
            positive(f"prior.capacities[{i}]", float(value))
        object.__setattr__(self, "capacities", tuple(float(v) for v in given))
        for name in ("shape", "capacity_log_sd", "shape_log_sd"):
            object.__setattr__(self, name, positive(f"prior.{name}", getattr(self, name)))


@dataclass(frozen=True, eq=False)
class LifeFit:
    """A fitted life. Work (``use``) is in the measure the fit was given, one column per material.

    ``capacities`` (m,) and ``shape``: the likeliest values, starting values included. ``intervals`` (m, 2) and
    ``shape_interval`` hold the truth with chance ``level``. ``failures`` (m,): failed edges that had cut the material.
    ``identified`` (m,): False where the record alone gives no finite capacity. ``sources`` (m,): where each capacity
    comes from. ``draws``: what the record leaves open; all chances are averages over it.
    """

    shape: float
    capacities: np.ndarray
    intervals: np.ndarray
    shape_interval: tuple[float, float]
    level: float
    edges: int
    failed: int
    failures: np.ndarray
    identified: np.ndarray
    sources: tuple[str, ...]
    draws: Draws = field(repr=False)

    @property
    def materials(self) -> int:
        return self.capacities.size

    def spent(self, use) -> np.ndarray | float:
        """Edge use D of some work (..., m) at the likeliest capacities."""
        work = self._work("use", use)
        return _scalar(work @ (1.0 / self.capacities))

    def spent_range(self, use, level: float | None = None) -> tuple[float, float, float]:
        """Edge use of one edge's work: likeliest, and the range that holds it with chance ``level``."""
        work = self._work("use", use)
        if work.ndim != 1:
            raise InputError("use", use, f"the work of one edge, shape ({self.materials},)")
        tail = (1.0 - between("level", self.level if level is None else level, 0.0, 1.0)) / 2
        low, high = self.draws.quantiles(_shape_and_rate(self.draws)[1] @ work, [tail, 1 - tail])
        likely = float(work @ (1.0 / self.capacities))
        # a starting value that stands, because nothing ended, lies within its range however long edges went on
        return likely, min(likely, float(low)), max(likely, float(high))

    def survival(self, use, edges: int = 1) -> np.ndarray | float:
        """Predictive chance that an edge outlives the work (..., m); all of ``edges`` edges that wear alike."""
        work = self._work("use", use)
        shape, rate = _shape_and_rate(self.draws)
        flat = np.atleast_2d(work).reshape(-1, self.materials)
        out = np.empty(flat.shape[0])
        block = max(1, int(4e6 // shape.size))
        for start in range(0, flat.shape[0], block):
            log_d = np.log(np.maximum(flat[start : start + block] @ rate.T, 1e-300))
            out[start : start + block] = np.exp(-edges * np.exp(np.minimum(shape * log_d, 600.0))) @ self.draws.weight
        return _scalar(out.reshape(work.shape[:-1]))

    def chance_lost(self, age, work) -> np.ndarray | float:
        """Predictive chance that an edge of age (..., m) that still cuts is lost within further work (..., m)."""
        before = self._work("age", age)
        after = before + self._work("work", work)
        alive = np.asarray(self.survival(before))
        lost = alive - np.asarray(self.survival(after))
        return _scalar(np.divide(lost, alive, where=alive > 0, out=np.ones_like(alive)))

    def verdict(self, names: Sequence[str] | None = None) -> str:
        """How much the record supports, in plain words; ``names`` of the materials in column order."""
        labels = [f"material {i + 1}" for i in range(self.materials)] if names is None else list(names)
        if len(labels) != self.materials:
            raise InputError("names", names, f"{self.materials} names")
        if self.edges == 0:
            return "starting values: no edge recorded yet"
        ends = "none of them ended" if self.failed == 0 else f"{self.failed} of them ended"
        learned = [s == LEARNED for s in self.sources]
        count = _count(self.edges)
        text = f"learned from {count}, {ends}" if any(learned) else f"{count} recorded, {ends}"
        notes = [
            f"{label} still the starting value"
            if source == STARTING
            else f"{label} leans on the starting value ({_ends(n)})"
            for label, source, n in zip(labels, self.sources, self.failures, strict=True)
            if source in (STARTING, LEANING)
        ]
        known = zip(labels, self.identified, strict=True)
        notes += [f"{label} not known: no end depends on it" for label, ok in known if not ok]
        return "; ".join([text, *notes])

    def _work(self, name: str, value) -> np.ndarray:
        wanted = f"work per material, last axis {self.materials}"
        work = numbers(name, value, wanted)
        if work.ndim == 0 and self.materials == 1:
            work = work.reshape(1)
        if work.ndim == 0 or work.shape[-1] != self.materials:
            raise InputError(name, value, wanted)
        if not np.isfinite(work).all() or (work < 0).any():
            raise InputError(name, value, "finite work of 0 or more")
        return work


def fit_life(
    use,
    failed,
    prior: LifePrior | None = None,
    failing=None,
    level: float = 0.95,
    projected=None,
    projected_log_sd=None,
) -> LifeFit:
    """Fit the life of edges to a record with ends and censored edges.

    ``use`` (n,) or (n, materials): work each edge has done, any measure. ``failed`` (n,): True where it reached this
    end, False where it still cuts or was retired for another reason. ``failing`` (n,), optional: the column of the
    material it failed in, -1 or NaN where not recorded; read for failed edges only. ``prior`` None gives plain maximum
    likelihood (with one column the ordinary censored Weibull, scale = capacity); a `LifePrior`, or bare capacities for
    one with its usual doubt. A material no failed edge has cut keeps its starting value. ``level``: chance the intervals
    are stated for.

    ``projected`` (n,), optional: for edges still cutting, the life projected from flank-wear readings as a multiple of
    the present use (NaN where there is none), with ``projected_log_sd`` its log standard deviation; such an edge counts
    as an end smeared over that range.

    Raises `InputError` when the record alone cannot give the answer and no prior is there to fill the gap.

    >>> fit = fit_life([120, 150, 90, 160, 135], [True, True, True, False, True])
    >>> round(fit.shape, 2), fit.capacities.round(1).tolist()
    (5.31, [145.1])
    """
    if prior is not None and not isinstance(prior, LifePrior):
        prior = LifePrior(prior)
    work, ended, column = _record(use, failed, failing, prior)
    edges, materials = work.shape
    between("level", level, 0.5, 0.999)
    factors, weights, counted = _projection(projected, projected_log_sd, work, ended)
    used_up = counted[:, None] & (work > 0)
    failures = used_up.sum(axis=0)
    if prior is None:
        scale = _scale_without_prior(work, counted, failures)
        centre, spread = np.zeros(materials + 1), None
        starts = [np.concatenate([[np.log(2.0)], np.full(materials, np.log(materials))])]
        held = None
    else:
        scale = np.asarray(prior.capacities)
        centre = np.concatenate([[np.log(prior.shape)], np.zeros(materials)])
        spread = np.concatenate([[prior.shape_log_sd], np.full(materials, prior.capacity_log_sd)])
        starts = [centre]
        held = np.concatenate([[np.nan], np.where(failures == 0, 0.0, np.nan)])
        if not counted.any():
            held = centre  # nothing has ended: the starting values stand
    likelihood = LifeLikelihood(work / scale, counted, column, centre, spread, factors, weights)
    if materials > 1 and counted.any():
        # the likelihood of several materials may have more than one hill: climb from what the ends alone suggest, too
        starts.append(_suggested(work[counted] / scale, starts[0]))
    theta = min((maximise(likelihood, start, held) for start in starts), key=lambda t: likelihood.negative(t)[0])
    shape, identified = float(np.exp(theta[0])), np.ones(materials, dtype=bool)
    if prior is None:
        identified = _check_plain(likelihood, theta)
    else:
        shape = prior.shape if held[0] == centre[0] else shape
    capacities = np.where(identified, np.exp(theta[1:]) * scale, np.inf)
    if prior is not None:
        capacities = np.where(np.isnan(held[1:]), capacities, scale)

    draws = _explored(likelihood, theta, edges, materials, scale)
    tail = (1.0 - level) / 2
    if edges == 0 and prior is not None:
        z = float(scipy.special.ndtri(1 - tail))
        bands = np.exp(np.array([-z, z])[None, :] * spread[:, None])
        intervals, shape_interval = scale[:, None] * bands[1:], tuple(float(v) for v in prior.shape * bands[0])
    else:
        logs = draws.log_theta
        intervals = np.exp([draws.quantiles(logs[:, m + 1], [tail, 1 - tail]) for m in range(materials)])
        intervals[~identified, 1] = np.inf
        # a starting value that stands, because nothing ended, lies within its interval however long edges went on
        intervals = np.column_stack([np.minimum(intervals[:, 0], capacities), np.maximum(intervals[:, 1], capacities)])
        shape_interval = tuple(float(v) for v in np.exp(draws.quantiles(logs[:, 0], [tail, 1 - tail])))
    return LifeFit(
        shape=shape,
        capacities=capacities,
        intervals=intervals,
        shape_interval=shape_interval,
        level=level,
        edges=edges,
        failed=int(ended.sum()),
        failures=failures,
        identified=identified,
        sources=_sources(failures, prior),
        draws=draws,
    )


def known_life(shape: float, capacities) -> LifeFit:
    """A life taken as known exactly: no spread around shape and capacities. For what-ifs and simulations."""
    k = positive("shape", shape)
    c = finite_array(
        "capacities", np.atleast_1d(numbers("capacities", capacities, "one capacity per material")), (None,)
    )
    if c.size == 0 or (c <= 0).any():
        raise InputError("capacities", capacities, "one capacity above 0 per material")
    draws = Draws(np.concatenate([[np.log(k)], np.log(c)])[None, :], np.ones(1))
    return LifeFit(
        shape=k,
        capacities=c,
        intervals=np.column_stack([c, c]),
        shape_interval=(k, k),
        level=0.95,
        edges=0,
        failed=0,
        failures=np.zeros(c.size, dtype=int),
        identified=np.ones(c.size, dtype=bool),
        sources=("set",) * c.size,
        draws=draws,
    )


def _record(use, failed, failing, prior: LifePrior | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The record as (n, m) work, (n,) ended, (n,) column of the failure or -1; everything checked."""
    columns = len(prior.capacities) if prior is not None else None
    shapes = f"work per edge, shape (n,) or (n, {'materials' if columns is None else columns})"
    raw = numbers("use", use, shapes)
    if raw.size == 0 and raw.ndim in (1, 2):
        if prior is None:
            raise InputError("use", use, "at least two failed edges, or a prior")
        raw = raw.reshape(0, columns) if raw.ndim == 1 else raw
    if raw.ndim == 1:
        raw = raw[:, None]
    if raw.ndim != 2 or columns not in (None, raw.shape[1]):
        raise InputError("use", use, shapes)
    work = finite_array("use", raw, (None, columns))
    if (work < 0).any():
        i, m = (int(v) for v in np.argwhere(work < 0)[0])
        raise InputError(f"use[{i}, {m}]", float(work[i, m]), "work of 0 or more: wear does not run backwards")
    told = f"True or False for each of the {work.shape[0]} edges"
    flags = numbers("failed", failed, told, flags=True)
    if flags.shape != (work.shape[0],) or not np.isin(flags, (0, 1)).all():
        raise InputError("failed", failed, told)
    ended = flags.astype(bool)
    idle = ended & (work.sum(axis=1) == 0)
    if idle.any():
        raise InputError(f"use[{int(np.argmax(idle))}]", 0.0, "work above 0 for an edge that failed")
    column = np.full(work.shape[0], -1)
    if failing is not None:
        wanted = f"a column number, -1 or NaN for each of the {ended.size} edges"
        given = numbers("failing", failing, wanted)
        if given.shape != ended.shape or np.isinf(given).any():
            raise InputError("failing", failing, wanted)
        known = ended & ~np.isnan(given) & (given != -1)
        wrong = known & ((given < 0) | (given >= work.shape[1]) | (given != np.round(given)))
        if wrong.any():
            i = int(np.argmax(wrong))
            raise InputError(f"failing[{i}]", float(given[i]), f"a column from 0 to {work.shape[1] - 1}, or -1")
        column[known] = given[known].astype(int)
        rows = np.flatnonzero(known)
        unworked = rows[work[rows, column[rows]] == 0]
        if unworked.size:
            i = int(unworked[0])
            raise InputError(f"failing[{i}]", int(column[i]), "a material this edge has cut")
    return work, ended, column


def _projection(projected, log_sd, work, ended):
    """Nodes and weights of smeared ends, or (None, None, ended) without flank-wear readings."""
    if projected is None:
        return None, None, ended
    wanted = f"a multiple of the present use or NaN for each of {ended.size} edges"
    factor = numbers("projected", projected, wanted)
    if factor.shape != ended.shape or np.isinf(factor).any():
        raise InputError("projected", projected, wanted)
    seen = np.isfinite(factor) & ~ended & (work.sum(axis=1) > 0)
    if (factor[seen] < 1).any():
        raise InputError("projected", float(factor[seen].min()), "1 or more: an edge past the criterion has failed")
    if log_sd is None:
        raise InputError("projected_log_sd", None, "the log standard deviation of each projected life")
    sd = numbers("projected_log_sd", log_sd, "a number, or one for each projected life")
    if sd.shape not in ((), ended.shape):
        raise InputError("projected_log_sd", log_sd, "a number, or one for each projected life")
    sd = np.broadcast_to(sd, ended.shape)
    if seen.any() and not (np.isfinite(sd[seen]).all() and (sd[seen] > 0).all()):
        raise InputError("projected_log_sd", log_sd, "a number above 0 for each projected life")
    nodes, node_weights = np.polynomial.hermite_e.hermegauss(9)
    node_weights = node_weights / node_weights.sum()
    factors = np.ones((ended.size, nodes.size))
    weights = np.tile(node_weights, (ended.size, 1))
    # the edge still cuts: its end cannot lie before the present use
    smeared = np.exp(np.log(factor[seen])[:, None] + sd[seen][:, None] * nodes)
    kept = np.where(smeared >= 1, node_weights, 0.0)
    factors[seen] = np.maximum(smeared, 1.0)
    weights[seen] = kept / kept.sum(axis=1, keepdims=True)
    return factors, weights, ended | seen


def _scale_without_prior(work: np.ndarray, ended: np.ndarray, failures: np.ndarray) -> np.ndarray:
    if not ended.any():
        raise InputError("failed", "no edge", "at least one failed edge, or a prior with starting values")
    if (failures == 0).any():
        m = int(np.argmax(failures == 0))
        raise InputError(f"use[:, {m}]", "no failed edge", "a failed edge that cut this material, or a prior for it")
    if np.linalg.matrix_rank(work / work.max(axis=0)) < work.shape[1]:
        raise InputError("use", "columns in fixed proportion", "materials cut in differing proportions, or a prior")
    return work.sum(axis=0) / np.maximum((work > 0).sum(axis=0), 1)


def _suggested(ends: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Capacities at which every ended edge (n, m) had spent about 1, least squares; the shape as at ``start``."""
    rates, _ = scipy.optimize.nnls(ends, np.ones(ends.shape[0]))
    least = 1e-3 / np.maximum(ends.max(axis=0), 1e-300)
    return np.concatenate([start[:1], -np.log(np.maximum(rates, least))])


def _check_plain(likelihood: LifeLikelihood, theta: np.ndarray) -> np.ndarray:
    """Which capacities the record alone pins down; refuses when it gives no finite shape."""
    if theta[0] > LOG_SHAPE_BOUNDS[1] - 1e-3 or theta[0] < LOG_SHAPE_BOUNDS[0] + 1e-3:
        raise InputError("use", "ends without scatter", "failed edges that differ in use, or a prior")
    share = (likelihood.use * np.exp(-theta[1:])).max(axis=0)
    return (share > 1e-6) & (theta[1:] < LOG_CAPACITY_BOUND - 1e-3)


def _explored(likelihood: LifeLikelihood, theta: np.ndarray, edges: int, materials: int, scale: np.ndarray) -> Draws:
    centre = theta
    if likelihood.spread is None:
        # the draws' weight has its own mode where a capacity runs off; start no further out than the data's scale
        centre = np.minimum(theta, np.concatenate([[np.inf], np.full(materials, np.log(materials) + 3.0)]))
    elif edges:
        centre = maximise(likelihood, theta)
    count = 2048 if edges * materials <= 3000 else 1024
    found = explore(likelihood, centre, count)
    return Draws(found.log_theta + np.concatenate([[0.0], np.log(scale)]), found.weight)


def _sources(failures: np.ndarray, prior: LifePrior | None) -> tuple[str, ...]:
    if prior is None:
        return (LEARNED,) * failures.size
    return tuple(
        STARTING if n == 0 else LEANING if n < ENDS_TO_CALL_LEARNED else LEARNED for n in (int(v) for v in failures)
    )


def _scalar(array: np.ndarray) -> np.ndarray | float:
    return float(array) if np.ndim(array) == 0 else array


def _count(n: int) -> str:
    return "1 edge" if n == 1 else f"{n} edges"


def _ends(n: int) -> str:
    return "1 end" if n == 1 else f"{n} ends"
