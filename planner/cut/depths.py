"""Distributions of clean-up depth: starting ones, and what is left of one after something has been seen.

All behave like a frozen `scipy.stats` distribution (cdf, sf, pdf, ppf, isf, mean, median, std, rvs, support), in mm
below first contact, and can be handed to `planner.cut.plan_passes`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import Any

import numpy as np
import scipy

from planner.errors import InputError, finite, not_negative, positive

_ONE_SIDED_80 = NormalDist().inv_cdf(0.8)


def starting_depth(median_mm: float, sigma: float | None = None, bound80_mm: float | None = None):
    """Log-normal with this median [mm] and either sigma of the log or the one-sided 80 % bound [mm].

    Raises `InputError` unless exactly one of the two is given, and for a bound that is not above the median.
    """
    median = positive("median_mm", median_mm)
    if (sigma is None) == (bound80_mm is None):
        raise InputError("sigma", sigma, "either sigma or the 80 % bound, not both and not neither")
    if sigma is None:
        bound = positive("bound80_mm", bound80_mm)
        if bound <= median:
            raise InputError("bound80_mm", bound80_mm, f"a depth above the median {median:g}")
        spread = math.log(bound / median) / _ONE_SIDED_80
    else:
        spread = positive("sigma", sigma)
    return LogNormalDepth(median, spread)


class _Depth:
    """What the two kinds below share, from cdf, sf, isf and support alone."""

    def support(self) -> tuple[float, float]:
        raise NotImplementedError

    def isf(self, q):
        raise NotImplementedError

    def ppf(self, q):
        """Depth [mm] at which a share q of parts is clean."""
        return self.isf(1 - np.asarray(q, dtype=float))

    def median(self) -> float:
        return float(self.ppf(0.5))

    def interval(self, confidence: float):
        return self.ppf((1 - confidence) / 2), self.ppf((1 + confidence) / 2)

    def _moments(self) -> tuple[float, float]:
        # E[D] and E[D²] by Gauss-Legendre over equal parts of the probability
        nodes, weights = np.polynomial.legendre.leggauss(8)
        edges = np.concatenate([[0.0], np.geomspace(1e-9, 0.5, 40), 1 - np.geomspace(0.5, 1e-9, 40)[1:], [1.0]])
        half = np.diff(edges)[:, None] / 2
        q = edges[:-1, None] + half * (nodes + 1)
        depth = self.ppf(q)
        return float((depth * half * weights).sum()), float((depth**2 * half * weights).sum())

    def mean(self) -> float:
        return self._moments()[0]

    def var(self) -> float:
        first, second = self._moments()
        return max(0.0, second - first**2)

    def std(self) -> float:
        return math.sqrt(self.var())

    def rvs(self, size=None, random_state=None):
        return self.ppf(np.random.default_rng(random_state).uniform(size=size))


@dataclass(frozen=True)
class LogNormalDepth(_Depth):
    """The logarithm of the depth is normal: ``median_mm``, and ``sigma`` its standard deviation.

    The same as ``scipy.stats.lognorm(sigma, scale=median_mm)``, without the time that takes to load and to call.
    """

    median_mm: float
    sigma: float

    def __post_init__(self) -> None:
        positive("median_mm", self.median_mm)
        positive("sigma", self.sigma)

    def _z(self, x):
        """Standard deviations of the logarithm above the median; minus infinity for a depth of 0 and below."""
        x = np.asarray(x, dtype=float)
        with np.errstate(divide="ignore"):
            return np.log(np.maximum(x, 0.0) / self.median_mm) / self.sigma

    def support(self) -> tuple[float, float]:
        return 0.0, math.inf

    def cdf(self, x):
        return scipy.special.ndtr(self._z(x))[()]

    def sf(self, x):
        return scipy.special.ndtr(-self._z(x))[()]

    def pdf(self, x):
        x = np.asarray(x, dtype=float)
        inside = np.where(x > 0, x, 1.0)
        height = np.exp(-(self._z(inside) ** 2) / 2) / inside / (self.sigma * math.sqrt(2 * math.pi))
        return np.where(x > 0, height, 0.0)[()]

    def isf(self, q):
        """Depth [mm] at which a share q of parts is not clean yet."""
        return (self.median_mm * np.exp(-self.sigma * scipy.special.ndtri(np.asarray(q, dtype=float))))[()]

    def ppf(self, q):
        return (self.median_mm * np.exp(self.sigma * scipy.special.ndtri(np.asarray(q, dtype=float))))[()]

    def median(self) -> float:
        return self.median_mm

    def mean(self) -> float:
        return self.median_mm * math.exp(self.sigma**2 / 2)

    def var(self) -> float:
        return self.mean() ** 2 * math.expm1(self.sigma**2)

    def rvs(self, size=None, random_state=None):
        return self.median_mm * np.exp(self.sigma * np.random.default_rng(random_state).standard_normal(size))


@dataclass(frozen=True)
class NarrowedDepth(_Depth):
    """``base`` known to lie above ``low_mm`` and at or below ``high_mm`` (inf: no upper end)."""

    base: Any
    low_mm: float
    high_mm: float = math.inf
    _above: float = field(init=False, repr=False, compare=False)
    _inside: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        finite("low_mm", self.low_mm)
        if not self.high_mm > self.low_mm:
            raise InputError("high_mm", self.high_mm, f"a depth above low_mm = {self.low_mm:g}")
        above = float(self.base.sf(self.low_mm))
        # both tails, whichever keeps its digits
        inside = above - float(self.base.sf(self.high_mm))
        if above > 0.5:
            inside = float(self.base.cdf(self.high_mm)) - float(self.base.cdf(self.low_mm))
        if not inside > 1e-250:
            raise InputError(
                "low_mm",
                (self.low_mm, self.high_mm),
                "an interval that is possible for this part; check what was entered",
            )
        object.__setattr__(self, "_above", above)
        object.__setattr__(self, "_inside", inside)

    def support(self) -> tuple[float, float]:
        first, last = self.base.support()
        return max(float(first), self.low_mm), min(float(last), self.high_mm)

    def isf(self, q):
        """Depth [mm] at which a share q of parts is not clean yet."""
        q = np.asarray(q, dtype=float)
        beyond = float(self.base.sf(self.high_mm))
        return np.clip(self.base.isf(np.clip(beyond + q * self._inside, 0.0, 1.0)), *self.support())[()]

    def sf(self, x):
        left = np.asarray(self.base.sf(x), dtype=float) - float(self.base.sf(self.high_mm))
        return np.clip(left / self._inside, 0.0, 1.0)[()]

    def cdf(self, x):
        if self._above > 0.5:
            gone = np.asarray(self.base.cdf(x), dtype=float) - float(self.base.cdf(self.low_mm))
        else:
            gone = self._above - np.asarray(self.base.sf(x), dtype=float)
        return np.clip(gone / self._inside, 0.0, 1.0)[()]

    def pdf(self, x):
        x = np.asarray(x, dtype=float)
        inside = (x > self.low_mm) & (x <= self.high_mm)
        return np.where(inside, self.base.pdf(x) / self._inside, 0.0)[()]


@dataclass(frozen=True)
class SurveyedDepth(_Depth):
    """Clean-up depth after a survey: surveyed - U + X, above 0.

    U normal with standard deviation ``uncertainty_mm``; ``excess`` the distribution X of what the survey could not see
    (a survey can be too deep as well as too shallow). The sum is a mixture of shifted X: Gauss-Hermite, or where X is
    narrow beside U, so that those places would stand out, evenly as close as X is wide.
    """

    surveyed_mm: float
    uncertainty_mm: float
    excess: Any
    _shift: np.ndarray = field(init=False, repr=False, compare=False)
    _weight: np.ndarray = field(init=False, repr=False, compare=False)
    _above: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        frozen("excess", self.excess)
        not_negative("surveyed_mm", self.surveyed_mm)
        not_negative("uncertainty_mm", self.uncertainty_mm)
        low, high = self.excess.isf(np.array([0.84, 0.16]))
        width = float(high - low) / 2
        if width < self.uncertainty_mm / 2:
            shift, weight = _evenly(self.surveyed_mm, self.uncertainty_mm, width)
        else:
            shift, weight = hermite(self.surveyed_mm, self.uncertainty_mm)
        object.__setattr__(self, "_shift", shift)
        object.__setattr__(self, "_weight", weight)
        above = float(self._mix(self.excess.sf, 0.0))
        if above < 1e-12:
            raise InputError("surveyed_mm", self.surveyed_mm, "a survey that leaves a depth above 0 possible")
        object.__setattr__(self, "_above", above)

    def _mix(self, function, x):
        x = np.asarray(x, dtype=float)
        return function(x[..., None] - self._shift) @ self._weight

    def support(self) -> tuple[float, float]:
        return 0.0, math.inf

    def isf(self, q):
        """Depth [mm] at which a share q of parts is not clean yet; root of sf to 1e-12 of the depth."""
        q = np.asarray(q, dtype=float)
        inside = (q > 0) & (q < 1)
        share = np.where(inside, q, 0.5)
        # the tail of X alone, from the deepest node, lies beyond
        top = float(self._shift.max()) + self.excess.isf(np.minimum(share * self._above, 1.0))
        ends = np.zeros_like(share), top * 1.001 + 1e-9
        from scipy.optimize.elementwise import find_root

        found = find_root(lambda x, want: self.sf(x) - want, ends, args=(share,))
        return np.select([inside, q == 1, q == 0], [found.x, 0.0, np.inf], np.nan)[()]

    def rvs(self, size=None, random_state=None):
        rng = np.random.default_rng(random_state)
        count = int(np.prod(size)) if size is not None else 1
        kept = np.empty(0)
        while kept.size < count:
            many = 64 + int(1.2 * (count - kept.size) / self._above)
            drawn = self.surveyed_mm - rng.normal(0.0, self.uncertainty_mm, many)
            drawn = drawn + self.excess.rvs(size=many, random_state=rng)
            kept = np.concatenate([kept, drawn[drawn > 0]])
        return float(kept[0]) if size is None else kept[:count].reshape(size)

    def sf(self, x):
        x = np.asarray(x, dtype=float)
        return np.where(x <= 0, 1.0, np.minimum(1.0, self._mix(self.excess.sf, x) / self._above))[()]

    def cdf(self, x):
        return (1.0 - self.sf(x))[()]

    def pdf(self, x):
        x = np.asarray(x, dtype=float)
        return np.where(x <= 0, 0.0, self._mix(self.excess.pdf, x) / self._above)[()]


def frozen(field: str, value: Any) -> None:
    """Refuse what is no frozen distribution of one depth: a family of them can be frozen, a frozen one cannot; impossible
    parameters give nan."""
    known = not hasattr(value, "freeze") and all(callable(getattr(value, name, None)) for name in ("sf", "cdf", "pdf"))
    if not known or np.ndim(chance := value.sf(0.0)) or math.isnan(chance):
        raise InputError(field, value, "a frozen scipy.stats distribution of depth in mm")


def hermite(surveyed_mm: float, uncertainty_mm: float, nodes: int = 48) -> tuple[np.ndarray, np.ndarray]:
    """Places surveyed - U [mm] and their weights, U normal: Gauss-Hermite, one node where U is 0."""
    if uncertainty_mm == 0:
        return np.array([surveyed_mm], dtype=float), np.ones(1)
    place, weight = np.polynomial.hermite_e.hermegauss(nodes)
    return surveyed_mm - uncertainty_mm * place, weight / weight.sum()


def _evenly(surveyed_mm: float, uncertainty_mm: float, apart_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Places surveyed - U [mm], so far apart in seven standard deviations either way, and their weights."""
    count = math.ceil(7 * uncertainty_mm / max(apart_mm, uncertainty_mm / 40))
    place = np.linspace(-7.0, 7.0, 2 * count + 1)
    weight = np.exp(-(place**2) / 2)
    return surveyed_mm - uncertainty_mm * place, weight / weight.sum()


def not_clean_at(depth: Any, depth_mm: float):
    """The distribution once the face has been seen not clean at this depth [mm]: D > depth."""
    return narrow(depth, depth_mm)


def narrow(depth: Any, low_mm: float, high_mm: float = math.inf):
    """The distribution known to lie above ``low_mm`` and at or below ``high_mm``, as after the intake check or a look.

    Raises `InputError` for an interval the distribution holds impossible. Narrowing twice keeps one layer.
    """
    low = not_negative("low_mm", low_mm)
    if not (isinstance(high_mm, float) and high_mm == math.inf):
        high_mm = positive("high_mm", high_mm)
    frozen("depth", depth)
    if isinstance(depth, NarrowedDepth):
        return narrow(depth.base, max(low, depth.low_mm), min(high_mm, depth.high_mm))
    if low == 0 and math.isinf(high_mm):
        return depth
    return NarrowedDepth(depth, low, float(high_mm))


def surveyed_depth(surveyed_mm: float, uncertainty_mm: float, excess: Any) -> SurveyedDepth:
    """Clean-up depth [mm] after a survey: surveyed - U + X; see `SurveyedDepth`."""
    return SurveyedDepth(surveyed_mm, uncertainty_mm, excess)
