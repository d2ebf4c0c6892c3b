"""Clean-up depth learned from the record: log-normal fits to intervals, and what a thin record borrows.

Every finished cut gives an interval for its clean-up depth (`planner.cut.record`): looked at and not clean at the lower
end, looked at and clean at the upper. Fits are maximum likelihood for interval-censored data
(`scipy.stats.CensoredData`), polished; with a prior, the most probable values under a prior worth a few records.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike

from planner.cut.depths import LogNormalDepth, hermite
from planner.cut.pooling import PRIOR_RECORDS, PooledFrom
from planner.errors import InputError, between, finite_array, not_negative, numbers, positive

_WIDEST_SIGMA = 8.0
_TO_START = 300
_ONE_SIGMA = NormalDist().cdf(1.0)


@dataclass(frozen=True)
class DepthPrior:
    """A log-normal known beforehand: median [mm], sigma of the log, and how many records it is worth."""

    median_mm: float
    sigma: float
    records: float = PRIOR_RECORDS

    def __post_init__(self) -> None:
        positive("prior.median_mm", self.median_mm)
        positive("prior.sigma", self.sigma)
        positive("prior.records", self.records)

    @classmethod
    def of(cls, prior: Any) -> DepthPrior:
        """From a `DepthPrior`, a pair (median mm, sigma), or a frozen distribution (its median and log spread)."""
        if isinstance(prior, cls):
            return prior
        if isinstance(prior, (tuple, list)) and len(prior) in (2, 3):
            return cls(*prior)
        # a family of distributions can be frozen, a frozen one cannot
        if callable(getattr(prior, "ppf", None)) and not hasattr(prior, "freeze"):
            # exact for a log-normal with location 0: one sigma of the log lies between these two
            median, above = (prior.ppf(q) for q in (0.5, _ONE_SIGMA))
            if np.ndim(median) == 0 and 0 < median < above:
                return cls(float(median), math.log(above / median))
        raise InputError("prior", prior, "a DepthPrior, (median mm, sigma), or a frozen distribution of depths above 0")


@dataclass(frozen=True)
class DepthFit:
    """A fitted log-normal clean-up depth, with 95 % intervals for its median [mm] and sigma."""

    median_mm: float
    sigma: float
    records: int
    median_interval_mm: tuple[float, float]
    sigma_interval: tuple[float, float]

    @property
    def distribution(self):
        """The fitted depth [mm], to be used as a frozen `scipy.stats` distribution."""
        return LogNormalDepth(self.median_mm, self.sigma)


def fit_depths(lower_mm: ArrayLike, upper_mm: ArrayLike, prior: Any = None):
    """Frozen log-normal (location 0) of the clean-up depth from intervals (lower, upper] [mm], shape (n,) each.

    ``upper`` may be inf (never clean), ``lower`` 0, and lower = upper an exact depth. ``prior``: `DepthPrior`, (median,
    sigma) or a frozen distribution, worth about five records on the log of the median and of sigma. Raises `InputError`
    where the intervals leave the answer open without a prior: all of them share a depth (identical ones do), or none is
    bounded on both sides and they do not rise. Likelihood of interval-censored data: Lawless, Statistical Models and
    Methods for Lifetime Data, ch. 2 (from memory).

    >>> depth = fit_depths([0, 0.05, 0.05, 0.10], [0.05, 0.10, 0.10, 0.20])
    >>> round(float(depth.median()), 3)
    0.07
    """
    found = depth_fit(lower_mm, upper_mm, prior)
    return scipy.stats.lognorm(found.sigma, scale=found.median_mm)


def depth_fit(lower_mm: ArrayLike, upper_mm: ArrayLike, prior: Any = None, level: float = 0.95) -> DepthFit:
    """As `fit_depths`, with intervals at ``level`` from the log-likelihood's curvature in log median and log sigma."""
    lower, upper = intervals("", lower_mm, upper_mm)
    between("level", level, 0.5, 0.9999)
    held = None if prior is None else DepthPrior.of(prior)
    if held is None:
        if lower.size == 0 or lower.max() <= upper.min():
            raise InputError(
                "upper_mm",
                upper.tolist()[:4],
                "intervals that do not all share a depth, or a prior (none has been given)",
            )
        unit = _unit(lower, upper)
    else:
        unit = held.median_mm
    low, high, times = _gathered(lower / unit, upper / unit)
    if held is None:
        with np.errstate(divide="ignore", invalid="ignore"):
            shape, _, scale = scipy.stats.lognorm.fit(_censored(*_sample(low, high)), floc=0)
        start = np.array([math.log(scale), math.log(shape)])
    else:
        start = np.array([0.0, math.log(held.sigma)])

    with np.errstate(divide="ignore"):
        log_low, log_high = np.log(low), np.log(high)
    exact = low == high

    def loss(theta: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = _log_likelihood(theta, log_low, log_high, exact, times)
        if held is not None:
            value, slope = _add_prior(theta, held, value, slope)
        return -value, -slope

    bounds = [(start[0] - 12, start[0] + 12), (math.log(1e-4), math.log(4 * _WIDEST_SIGMA))]
    start[1] = min(max(start[1], bounds[1][0]), bounds[1][1])
    if held is None:
        # near the answer already: Newton's steps alone, and the slow sure way only where they do not arrive
        near, arrived = _polish(loss, start)
        if arrived:
            start = near
        else:
            tight = {"ftol": 1e-15, "gtol": 1e-10, "maxiter": 500}
            start = scipy.optimize.minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options=tight).x
    else:
        # the prior keeps it from running away, and this is many times quicker in two dimensions
        start = scipy.optimize.minimize(
            loss,
            start,
            jac=True,
            hess=lambda theta: _hessian(loss, theta),
            method="trust-exact",
            options={"gtol": 1e-8},
        ).x
    theta, _ = _polish(loss, start)
    sigma = math.exp(theta[1])
    if held is None and sigma > _WIDEST_SIGMA:
        raise InputError(
            "lower_mm", lower.tolist()[:4], "records that fix the spread, or a prior (none has been given)"
        )
    spread = _standard_errors(loss, theta)
    z = NormalDist().inv_cdf(0.5 + level / 2)
    ends = np.exp(theta[:, None] + np.outer(spread, [-z, z]))
    return DepthFit(
        float(unit * math.exp(theta[0])),
        float(sigma),
        int(lower.size),
        (float(unit * ends[0, 0]), float(unit * ends[0, 1])),
        (float(ends[1, 0]), float(ends[1, 1])),
    )


@dataclass(frozen=True)
class DepthRecords:
    """Intervals (lower, upper] of finished cuts [mm], with the starting median [mm] of each cut's family and condition.

    Shape (n,) each; ``start_mm`` may be one number. Records of unlike families are compared as multiples of their
    starting medians.
    """

    lower_mm: np.ndarray
    upper_mm: np.ndarray
    start_mm: np.ndarray

    def __post_init__(self) -> None:
        lower, upper = intervals("records.", self.lower_mm, self.upper_mm)
        start = np.broadcast_to(np.asarray(self.start_mm, dtype=float), lower.shape)
        if not (np.isfinite(start) & (start > 0)).all():
            raise InputError("records.start_mm", self.start_mm, "finite medians above 0")
        for name, values in (("lower_mm", lower), ("upper_mm", upper), ("start_mm", start)):
            object.__setattr__(self, name, values)

    @classmethod
    def none(cls) -> DepthRecords:
        return cls(np.empty(0), np.empty(0), np.empty(0))

    def __len__(self) -> int:
        return len(self.lower_mm)


@dataclass(frozen=True)
class PooledDepth:
    """A clean-up depth and the records it comes from."""

    fit: DepthFit
    records: PooledFrom

    @property
    def distribution(self):
        return self.fit.distribution

    @property
    def origin(self) -> str:
        """In plain words, for people."""
        return self.records.words


def pool_depths(
    start: DepthPrior | Any,
    family: DepthRecords | None = None,
    kind: DepthRecords | None = None,
    shop: DepthRecords | None = None,
) -> PooledDepth:
    """Clean-up depth of one family in one condition, with partial pooling.

    ``family``: its own records; ``kind``: those of other families of its kind; ``shop``: all others of the shop. The
    three exclude one another: nothing is counted twice. Each level is the prior, worth five records, of the next:
    starting value, shop, kind, family; all as multiples of the starting medians.
    """
    begin = DepthPrior.of(start)
    level = DepthPrior(1.0, begin.sigma, begin.records)
    counts = []
    fit = None
    for records in (shop, kind, family):
        own = records if records is not None else DepthRecords.none()
        counts.append(len(own))
        if len(own):
            fit = depth_fit(own.lower_mm / own.start_mm, own.upper_mm / own.start_mm, level)
            level = DepthPrior(fit.median_mm, fit.sigma)
    if fit is None or not counts[2]:
        fit = depth_fit(np.empty(0), np.empty(0), level)
    scale = begin.median_mm
    done = DepthFit(
        fit.median_mm * scale,
        fit.sigma,
        counts[2],
        (fit.median_interval_mm[0] * scale, fit.median_interval_mm[1] * scale),
        fit.sigma_interval,
    )
    return PooledDepth(done, PooledFrom(counts[2], counts[1], counts[0]))


def fit_excess(
    surveyed_mm: ArrayLike,
    lower_mm: ArrayLike,
    upper_mm: ArrayLike,
    uncertainty_mm: float,
    prior: Any,
):
    """Log-normal X of what surveys miss, from surveyed depths and the intervals of the cuts that followed.

    Likelihood of D = surveyed - U + X in (lower, upper], U normal with ``uncertainty_mm``; shapes (n,), mm. ``prior``
    as for `fit_depths`, and needed: how far a survey is out is hardly seen in a few cuts.
    """
    held = DepthPrior.of(prior)
    lower, upper = intervals("", lower_mm, upper_mm)
    surveyed = finite_array("surveyed_mm", surveyed_mm, lower.shape)
    spread = not_negative("uncertainty_mm", uncertainty_mm)
    shift, weight = hermite(0.0, spread)
    # X lies between these for each node of -U; below 0 nothing
    low = lower[:, None] - surveyed[:, None] - shift
    high = upper[:, None] - surveyed[:, None] - shift
    sealed = lower[:, None] <= 0  # "not below 0 at all" carries no news: D is above 0 in any case

    def loss(theta: np.ndarray) -> float:
        excess = LogNormalDepth(held.median_mm * math.exp(theta[0]), math.exp(theta[1]))
        inside = np.where(sealed, excess.cdf(high), excess.cdf(high) - excess.cdf(low)) @ weight
        value, _ = _add_prior(theta, held, float(np.log(np.maximum(inside, 1e-300)).sum()), np.zeros(2))
        return -value

    found = scipy.optimize.minimize(
        loss, [0.0, math.log(held.sigma)], method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 2000}
    )
    return LogNormalDepth(held.median_mm * math.exp(found.x[0]), math.exp(found.x[1]))


@dataclass(frozen=True, eq=False)
class FitCheck:
    """Fit against record: at each depth [mm] the share of parts surely clean, possibly clean, and the fit's share."""

    depths_mm: np.ndarray
    surely_clean: np.ndarray
    possibly_clean: np.ndarray
    fitted: np.ndarray
    records: int


def fit_check(depth: Any, lower_mm: ArrayLike, upper_mm: ArrayLike, depths_mm: ArrayLike) -> FitCheck:
    """Put a distribution beside the record it was learned from, at ``depths_mm`` (k,)."""
    lower, upper = intervals("", lower_mm, upper_mm)
    if not lower.size:
        raise InputError("lower_mm", [], "at least one record")
    places = finite_array("depths_mm", depths_mm, (None,))
    surely = (upper[None, :] <= places[:, None]).mean(axis=1)
    possibly = (lower[None, :] < places[:, None]).mean(axis=1)
    return FitCheck(places, surely, possibly, np.asarray(depth.cdf(places)), int(lower.size))


def intervals(prefix: str, lower_mm: ArrayLike, upper_mm: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Checked intervals (lower, upper], shape (n,) each: 0 <= lower <= upper, upper > 0, inf allowed above."""
    lower = finite_array(prefix + "lower_mm", lower_mm, (None,))
    wanted = f"numbers or inf, shape ({lower.size},) as lower_mm"
    upper = numbers(prefix + "upper_mm", upper_mm, wanted)
    if upper.shape != lower.shape or np.isnan(upper).any():
        raise InputError(prefix + "upper_mm", upper_mm, wanted)
    for bad, name, what in (
        (lower < 0, "lower_mm", "0 or a number above 0"),
        (upper < lower, "upper_mm", "at least the depth seen not clean"),
        (upper <= 0, "upper_mm", "a number above 0"),
    ):
        if bad.any():
            where = int(np.argmax(bad))
            raise InputError(f"{prefix}{name}[{where}]", float((lower if name == "lower_mm" else upper)[where]), what)
    return lower, upper


def _unit(lower: np.ndarray, upper: np.ndarray) -> float:
    """A depth near the median of the record: the middles of the intervals, as far as they have one."""
    middle = np.where(np.isinf(upper), np.maximum(lower, np.nanmin(upper)), (lower + upper) / 2)
    usable = middle[np.isfinite(middle) & (middle > 0)]
    return float(np.median(usable)) if usable.size else 1.0


def _gathered(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Each interval once, by its ends, and how often it stands on record: a shop's settings are few."""
    order = np.lexsort((high, low))
    low, high = low[order], high[order]
    first = np.ones(low.size, dtype=bool)
    first[1:] = (np.diff(low) != 0) | (high[1:] != high[:-1])
    places = np.flatnonzero(first)
    return low[places], high[places], np.diff(places, append=low.size).astype(float)


def _sample(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Enough of the sorted intervals to start from, those that part the record among them."""
    if low.size <= _TO_START:
        return low, high
    places = np.append(np.linspace(0, low.size - 1, _TO_START).astype(int), high.argmin())
    return low[places], high[places]


def _censored(low: np.ndarray, high: np.ndarray) -> scipy.stats.CensoredData:
    exact, right, left = low == high, np.isinf(high), (low == 0) & np.isfinite(high)
    both = ~(exact | right | left)
    return scipy.stats.CensoredData(
        uncensored=low[exact],
        right=low[right],
        left=high[left & ~exact],
        interval=np.column_stack([low[both], high[both]]),
    )


def _log_likelihood(theta, log_low, log_high, exact, times) -> tuple[float, np.ndarray]:
    """Log-likelihood of interval-censored log-normal data, each interval so many ``times`` on record, and its slope in
    (log median, log sigma)."""
    mu, sigma = theta[0], math.exp(theta[1])
    a, b = (log_low - mu) / sigma, (log_high - mu) / sigma
    value, slope = 0.0, np.zeros(2)
    if exact.any():
        z, n = a[exact], times[exact]
        value += float((n * (-0.5 * z**2 - log_low[exact])).sum()) - float(n.sum()) * (
            theta[1] + 0.5 * math.log(2 * math.pi)
        )
        slope += [float((n * z).sum()) / sigma, float((n * (z**2 - 1)).sum())]
        a, b, times = a[~exact], b[~exact], times[~exact]
    if a.size:
        # work in the tail where both ends keep their digits
        flip = a > 0
        a, b = np.where(flip, -b, a), np.where(flip, -a, b)
        log_p = _log_between(a, b)
        with np.errstate(over="ignore", invalid="ignore"):
            wa = np.where(np.isfinite(a), np.exp(-0.5 * a**2 - 0.5 * math.log(2 * math.pi) - log_p), 0.0)
            wb = np.where(np.isfinite(b), np.exp(-0.5 * b**2 - 0.5 * math.log(2 * math.pi) - log_p), 0.0)
        value += float((times * log_p).sum())
        slope[0] += float((times * np.where(flip, -1.0, 1.0) * (wa - wb)).sum()) / sigma
        slope[1] += float((times * (np.where(wa > 0, a, 0.0) * wa - np.where(wb > 0, b, 0.0) * wb)).sum())
    return value, slope


def _log_between(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """log(Φ(b) - Φ(a)), a < b, a <= 0."""
    upper, lower = scipy.special.log_ndtr(b), scipy.special.log_ndtr(a)
    with np.errstate(divide="ignore"):
        return upper + np.log1p(-np.exp(np.minimum(lower - upper, -1e-16)))


def _add_prior(theta, held: DepthPrior, value: float, slope: np.ndarray) -> tuple[float, np.ndarray]:
    """Normal priors on log median (in units of its own) and log sigma, as sharp as ``records`` exact depths."""
    mean_weight = held.records / held.sigma**2
    sigma_weight = 2.0 * held.records
    off = theta[1] - math.log(held.sigma)
    value -= 0.5 * (mean_weight * theta[0] ** 2 + sigma_weight * off**2)
    return value, slope - np.array([mean_weight * theta[0], sigma_weight * off])


def _hessian(loss, theta: np.ndarray) -> np.ndarray:
    step = 1e-5
    columns = [(loss(theta + step * e)[1] - loss(theta - step * e)[1]) / (2 * step) for e in np.eye(2)]
    return 0.5 * (np.array(columns) + np.array(columns).T)


def _polish(loss, theta: np.ndarray) -> tuple[np.ndarray, bool]:
    """Newton steps from a good start, kept only while they lower the loss; and whether they came to rest."""
    for _ in range(20):
        value, slope = loss(theta)
        curve = _hessian(loss, theta)
        if not np.isfinite(curve).all() or np.linalg.eigvalsh(curve)[0] <= 0:
            return theta, False
        move = np.linalg.solve(curve, slope)
        if np.abs(move).max() < 1e-10:
            return theta, True
        trial = theta - move
        if not loss(trial)[0] <= value:
            # what the last digits of a long sum hide
            return theta, bool(np.abs(move).max() < 1e-7)
        theta = trial
    return theta, False


def _standard_errors(loss, theta: np.ndarray) -> np.ndarray:
    curve = _hessian(loss, theta)
    if not np.isfinite(curve).all() or np.linalg.eigvalsh(curve)[0] <= 0:
        return np.full(2, 20.0)  # no curvature: as good as unknown
    return np.sqrt(np.diag(np.linalg.inv(curve)))
