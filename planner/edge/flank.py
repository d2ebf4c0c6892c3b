"""Flank-wear readings, where a shop takes them: when the criterion was reached, and where a worn edge is heading.

The width of the wear land grows about in proportion to the path once the edge has run in: VB = B x^p with p near 1.
Which VB ends an edge is the shop's setting: ISO 8688-1 (face milling) and ISO 8688-2 (end milling) differ, and the
localised figure is larger than the uniform one. Real readings are not monotone; single readings may fall.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from planner.errors import InputError, finite_array, not_negative, positive

__all__ = ["FlankWear", "fit_flank_wear", "projected_life", "use_at_wear"]


@dataclass(frozen=True, eq=False)
class FlankWear:
    """One edge's wear curve: ``scale_mm`` at ``last_use``, growing as use^``exponent``; ``covariance`` of the logs."""

    last_use: float
    scale_mm: float
    exponent: float
    covariance: np.ndarray
    growth_log_sd: float

    def wear_mm(self, use) -> np.ndarray | float:
        """Wear land expected at a use (same measure as the readings)."""
        x = np.asarray(use, dtype=float)
        if not np.isfinite(x).all() or (x < 0).any():
            raise InputError("use", use, "use of 0 or more")
        out = self.scale_mm * (x / self.last_use) ** self.exponent
        return float(out) if out.ndim == 0 else out

    def life_at(self, criterion_mm: float) -> tuple[float, float]:
        """Use at which the criterion is expected, and its log standard deviation.

        The spread holds the readings' own scatter, the exponent's, and that wear may speed up or slow down from here.
        """
        ratio = np.log(positive("criterion_mm", criterion_mm) / self.scale_mm) / self.exponent
        slope = np.array([-1.0 / self.exponent, -ratio])
        log_sd = np.sqrt(slope @ self.covariance @ slope + (self.growth_log_sd * ratio) ** 2)
        return float(self.last_use * np.exp(ratio)), float(max(log_sd, 1e-3))


def fit_flank_wear(
    use,
    wear_mm,
    reading_sd_mm: float = 0.03,
    exponent: float = 1.0,
    exponent_log_sd: float = 0.15,
    growth_log_sd: float = 0.3,
) -> FlankWear:
    """Wear curve of one edge from readings: ``use`` (n,) above 0 in any measure of work, ``wear_mm`` (n,).

    ``reading_sd_mm``: repeatability of a reading. The exponent starts at ``exponent`` and moves as far as the readings
    say against ``exponent_log_sd``, so two early readings give a straight line and many give a curve.
    """
    x = finite_array("use", use, (None,))
    y = finite_array("wear_mm", wear_mm, (None,))
    if x.shape != y.shape:
        raise InputError("wear_mm", wear_mm, f"one reading per use: {x.size}")
    if x.size < 2 or np.unique(x).size < 2:
        raise InputError("use", use, "readings at two or more uses")
    if (x <= 0).any():
        raise InputError("use", float(x.min()), "use above 0")
    if (y < 0).any() or not (y > 0).any():
        raise InputError("wear_mm", wear_mm, "readings of 0 or more, not all 0")
    noise, spread = positive("reading_sd_mm", reading_sd_mm), positive("exponent_log_sd", exponent_log_sd)
    start, last = np.log(positive("exponent", exponent)), float(x.max())
    ratio = x / last

    def off(t: np.ndarray) -> np.ndarray:
        return np.append((np.exp(t[0]) * ratio ** np.exp(t[1]) - y) / noise, (t[1] - start) / spread)

    found = scipy.optimize.least_squares(
        off, [np.log(max(float(y[np.argmax(x)]), noise)), start], xtol=1e-12, ftol=1e-12
    )
    # readings that scatter more than stated widen the answer
    excess = max(1.0, float((found.fun[:-1] ** 2).sum()) / max(1, x.size - 1))
    covariance = np.linalg.inv(found.jac.T @ found.jac) * excess
    scale, power = np.exp(found.x)
    return FlankWear(last, float(scale), float(power), covariance, not_negative("growth_log_sd", growth_log_sd))


def projected_life(use: float, curve: FlankWear, criterion_mm: float) -> tuple[float, float]:
    """What `fit_life` takes of an edge still cutting: its life as a multiple of its use (1 or more), log sd."""
    life, log_sd = curve.life_at(criterion_mm)
    return max(1.0, life / positive("use", use)), log_sd


def use_at_wear(use, wear_mm, criterion_mm: float) -> float:
    """Use at which the readings first reach the criterion, straight between readings; inf when they never do."""
    x = finite_array("use", use, (None,))
    y = finite_array("wear_mm", wear_mm, (x.size,))
    limit = positive("criterion_mm", criterion_mm)
    if x.size == 0 or (np.diff(x) <= 0).any():
        raise InputError("use", use, "one or more readings in order of use")
    reached = np.flatnonzero(y >= limit)
    if reached.size == 0:
        return float("inf")
    i = int(reached[0])
    if i == 0:
        return float(x[0])
    return float(x[i - 1] + (x[i] - x[i - 1]) * (limit - y[i - 1]) / (y[i] - y[i - 1]))
