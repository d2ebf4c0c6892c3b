"""When to index: age replacement priced against a spoiled face, quantised to whole jobs, within the shop's risk limit.

The age a* minimises [c_p R(a) + c_f F(a)] / integral_0^a R (Barlow & Hunter, Operations Research 8, 1960): c_p the
price of an index planned ahead, c_f that of an edge lost in a face. Before a job of work u at age a > 0 the edge is
indexed when

    (c_f - c_p) [R(a) - R(a + u)]  >  g  integral_a^(a+u) R,      g = the least long-run cost per unit of use,

with that job's own c_f, or when [R(a) - R(a + u)] / R(a) exceeds the limit. g equals (c_f - c_p) h(a*). With the jobs
behind it known, the edge is kept when going on to one of those pays in sum: see `index_pays`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from planner.edge.ends import EdgeLife
from planner.edge.life import LifeFit
from planner.errors import InputError, each, finite, finite_array, not_negative, plain, positive

__all__ = [
    "AgeRule",
    "age_rule",
    "edge_price",
    "index_age",
    "index_cost",
    "index_pays",
    "spoiled_face_cost",
    "weibull_survival_integral",
]


def index_age(shape: ArrayLike, scale: ArrayLike, planned_cost: ArrayLike, failure_cost: ArrayLike):
    """Age a* (units of ``scale``) of least long-run cost for a Weibull life; inf if indexing early never pays.

    Root of h(a) integral_0^a R - F(a) = c_p / (c_f - c_p) (Barlow & Hunter, Operations Research 8, 1960). Never pays
    when the chance of failing does not rise with age (shape at most 1) or a failure costs no more than a planned index.
    A number for numbers, an array for arrays that broadcast; raises `InputError` for what is not finite and above 0,
    and for a shape above 1000.

    >>> round(index_age(2.0, 1.0, 1.0, 5.0), 4)
    0.5107
    """
    given = each(
        shape=(_shape, shape),
        scale=(positive, scale),
        planned_cost=(positive, planned_cost),
        failure_cost=(positive, failure_cost),
    )
    found = [_index_age(*(float(v) for v in one)) for one in np.broadcast(*given)]
    return plain(np.reshape(found, np.broadcast(*given).shape))


def _shape(field: str, value) -> float:
    if positive(field, value) > 1000:
        raise InputError(field, value, "at most 1000: beyond, every edge would last alike")
    return float(value)


def _index_age(k: float, size: float, planned: float, failure: float) -> float:
    if k <= 1.0 or failure <= planned:
        return math.inf
    ratio = planned / (failure - planned)

    def excess(log_z: float) -> float:
        hazard = k * math.exp((k - 1) * log_z)
        failed = -math.expm1(-math.exp(k * log_z))
        return hazard * weibull_survival_integral(k, math.exp(log_z)) - failed - ratio

    low, high = -200.0 / k, min(600.0, 690.0 / k)
    if excess(high) < 0:
        # past every edge's life: R = 0, so h(a) = (1 + ratio) / mean
        log_z = (math.log1p(ratio) - math.log(k) - math.lgamma(1 + 1 / k)) / (k - 1)
        return size * math.exp(log_z) if log_z < 700 else math.inf
    while excess(low) > 0:
        low *= 2
    return size * math.exp(scipy.optimize.brentq(excess, low, high, xtol=1e-13, rtol=1e-14))


def weibull_survival_integral(shape, z):
    """integral_0^z exp(-t^k) dt = Gamma(1 + 1/k) P(1/k, z^k); arrays broadcast."""
    k = np.asarray(shape, dtype=float)
    out = scipy.special.gamma(1 + 1 / k) * scipy.special.gammainc(1 / k, np.asarray(z, dtype=float) ** k)
    return float(out) if np.ndim(out) == 0 else out


def index_pays(alive, survival_integral, planned_cost, failure_costs, cost_rate, risk_limits=1.0) -> np.ndarray:
    """Whether to index before the next job, given the jobs queued behind it; leading axes broadcast.

    ``alive`` (..., n + 1): R now and after each of the next n jobs. ``survival_integral`` (..., n): integral of R over
    each. ``failure_costs`` (..., n) and ``risk_limits`` (..., n) of the jobs. Going on to job j gains
    g integral R - (c_f - c_p) dF summed over the jobs up to j: index when no j, not past a job that breaks its limit,
    gains anything. With one job ahead, or prices alike and hazard rising, this is the criterion in the module's head;
    where a dear job comes before cheap ones it keeps an edge that still earns its keep.
    """
    r = np.asarray(alive, dtype=float)
    lost = r[..., :-1] - r[..., 1:]
    gain = cost_rate * np.asarray(survival_integral) - (np.asarray(failure_costs, dtype=float) - planned_cost) * lost
    within = np.logical_and.accumulate(lost <= np.asarray(risk_limits) * r[..., :-1], axis=-1)
    best = np.where(within, np.cumsum(gain, axis=-1), -np.inf).max(axis=-1)
    return best < 0


@dataclass(frozen=True)
class AgeRule:
    """``use``: edge use a* at which to index (inf: never early). ``cost_rate``: g, money per unit of edge use."""

    use: float
    cost_rate: float


def age_rule(life: EdgeLife | LifeFit, planned_cost: float, failure_cost: float, mix=None) -> AgeRule:
    """a* and g of a fitted life, chances averaged over what the record leaves open; chips stay out of it.

    ``mix`` (materials,): shares of the edge use the shop's work brings per material; equal shares when None.
    """
    planned, failure = positive("planned_cost", planned_cost), positive("failure_cost", failure_cost)
    measure = life.measure if isinstance(life, EdgeLife) else life
    shares = np.full(measure.materials, 1.0) if mix is None else finite_array("mix", mix, (measure.materials,))
    if (shares < 0).any() or shares.sum() <= 0:
        raise InputError("mix", mix, "shares of 0 or more, not all 0")
    if not np.isfinite(measure.capacities[shares > 0]).all():
        raise InputError("life", "a material of the mix without a known capacity", "a fit with starting values")
    unit = np.where(shares > 0, shares / shares.sum() * np.where(shares > 0, measure.capacities, 0.0), 0.0)
    exact = measure.draws.weight.size == 1 and (isinstance(life, LifeFit) or len(life.lives) == 1)
    if exact:
        k, edges = measure.shape, life.edges if isinstance(life, EdgeLife) else 1
        first = edges ** (-1.0 / k)  # scale of the first of several edges to go
        use = index_age(k, first, planned, failure)
        if math.isinf(use):
            return AgeRule(use, failure / (first * math.gamma(1 + 1 / k)))
        return AgeRule(use, (failure - planned) * edges * k * use ** (k - 1))
    survive = life.wear_survival if isinstance(life, EdgeLife) else life.survival
    far = 1.0
    while survive(unit * far) > 1e-7 and far < 1e4:
        far *= 2.0

    def rates(use: np.ndarray, spent: float, left: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """R, its integral, and the cost rate along ``use``, from an age of that integral ``spent`` and R ``left``."""
        alive = np.asarray(survive(use[1:, None] * unit))
        steps = np.diff(use) * (alive + np.concatenate([[left], alive[:-1]])) / 2
        time = spent + np.cumsum(steps)
        return alive, time, (planned * alive + failure * (1 - alive)) / time

    # coarse over all ages, then fine about the least: the chances are averages over thousands of draws
    use = np.concatenate([[0.0], np.geomspace(far * 1e-4, far, 160)])
    alive, time, rate = rates(use, 0.0, 1.0)
    best = int(np.argmin(rate))
    if rate[best] >= rate[-1] * (1 - 1e-9):
        return AgeRule(math.inf, float(rate[-1]))
    low, high = max(0, best - 1), best + 1
    fine = np.linspace(use[low + 1], use[high + 1], 65)
    _, _, rate = rates(fine, float(time[low]), float(alive[low]))
    best = int(np.argmin(rate))
    return AgeRule(float(fine[best + 1]), float(rate[best]))


def index_cost(edge_price: float, index_minutes: float, rate_per_minute: float) -> float:
    """Price of an index planned ahead: the edge and the minutes of the change, at the shop's rate."""
    minutes = not_negative("index_minutes", index_minutes) * not_negative("rate_per_minute", rate_per_minute)
    return not_negative("edge_price", edge_price) + minutes


def edge_price(insert_price: float, positions: int, regrinds: int = 0, regrind_price: float = 0.0) -> float:
    """Price of one edge: (insert + its regrinds) / (positions x lives of each)."""
    if finite("positions", positions) < 1 or positions % 1:
        raise InputError("positions", positions, "a whole number from 1")
    if finite("regrinds", regrinds) < 0 or regrinds % 1:
        raise InputError("regrinds", regrinds, "a whole number from 0")
    total = not_negative("insert_price", insert_price) + regrinds * not_negative("regrind_price", regrind_price)
    return total / (int(positions) * (int(regrinds) + 1))


def spoiled_face_cost(
    recut_mm: float,
    value_per_mm: float,
    recut_minutes: float,
    rate_per_minute: float,
    planned_cost: float,
    lost_part_cost: float = 0.0,
) -> float:
    """Price of losing the edge in a face: re-cut depth x value of thickness + minutes + the index itself.

    ``lost_part_cost``: what is lost where no stock is left to re-cut, weighted by its chance.
    """
    metal = not_negative("recut_mm", recut_mm) * not_negative("value_per_mm", value_per_mm)
    minutes = not_negative("recut_minutes", recut_minutes) * not_negative("rate_per_minute", rate_per_minute)
    return metal + minutes + positive("planned_cost", planned_cost) + not_negative("lost_part_cost", lost_part_cost)
