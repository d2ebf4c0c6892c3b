"""The censored Weibull likelihood of edge life with one capacity per material, and its exploration by weighted draws.

Parameters are theta = (log k, log C_1, ..., log C_m), C in units of each material's scale. With D_i = sum_m u_im / C_m:

    failed                          log k + k log D_i - D_i^k
    failed in a recorded material   log k + (k - 1) log D_i - log C_m - D_i^k
    not failed                      -D_i^k
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

__all__ = ["Draws", "LifeLikelihood", "explore", "maximise"]

LOG_SHAPE_BOUNDS = (float(np.log(0.02)), float(np.log(500.0)))
LOG_CAPACITY_BOUND = 40.0


@dataclass(frozen=True, eq=False)
class LifeLikelihood:
    """Edges: ``use`` (n, m) scaled, ``failed`` (n,) bool, ``failing`` (n,) column of the failure or -1.

    ``factors`` (n, q) and ``weights`` (n, q), optional: each edge's end lies at factor x its use with that weight
    (a life projected from flank-wear readings); the likelihood is then the weighted mean over q.
    ``centre``, ``spread`` (m + 1,): normal prior on theta; spread None means no prior. Without a prior the draws use
    the weight prod(r_m) / (sum r_m)^m, r = 1/C: flat in log k and in the log of the overall capacity (with one
    material the right-invariant prior, whose predictive chances are exact), uniform in how materials share the wear.
    """

    use: np.ndarray
    failed: np.ndarray
    failing: np.ndarray
    centre: np.ndarray
    spread: np.ndarray | None
    factors: np.ndarray | None = None
    weights: np.ndarray | None = None

    @property
    def materials(self) -> int:
        return self.use.shape[1]

    def _power(self) -> np.ndarray:
        """Coefficient of log D besides k, per edge: 0, or -1 for a failure in a recorded material."""
        return np.where(self.failed & (self.failing >= 0), -1.0, 0.0)

    def negative(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """-log likelihood (with the prior, if any) and its gradient."""
        k, rate = np.exp(theta[0]), np.exp(-theta[1:])
        parts = self.use * rate
        damage = parts.sum(axis=1)
        worked = damage > 0
        log_d = np.log(damage, where=worked, out=np.zeros_like(damage))
        factors = np.ones((damage.size, 1)) if self.factors is None else self.factors
        log_dq = log_d[:, None] + np.log(factors)
        power = np.where(worked[:, None], np.exp(np.minimum(k * log_dq, 600.0)), 0.0)
        failed = self.failed[:, None].astype(float)
        extra = self._power()[:, None]
        term = failed * (theta[0] + (k + extra) * log_dq) - power
        d_log_d = failed * (k + extra) - k * power
        d_log_k = failed * (1.0 + k * log_dq) - k * power * log_dq
        if self.weights is not None:
            # a node without weight must not set the peak: the others would then underflow together
            peak = np.where(self.weights > 0, term, -np.inf).max(axis=1, keepdims=True)
            share = self.weights * np.exp(np.minimum(term - peak, 0.0))
            total = share.sum(axis=1, keepdims=True)
            share /= total
            value = float((peak + np.log(total)).sum())
        else:
            share = np.ones_like(term)
            value = float(term.sum())
        by_damage = (share * d_log_d).sum(axis=1)
        mix = np.divide(parts, damage[:, None], where=worked[:, None], out=np.zeros_like(parts))
        gradient = np.empty_like(theta)
        gradient[0] = (share * d_log_k).sum()
        recorded = np.bincount(self.failing[self.failed & (self.failing >= 0)], minlength=self.materials)
        gradient[1:] = -(mix * by_damage[:, None]).sum(axis=0) - recorded
        value -= float(recorded @ theta[1:])
        if self.spread is not None:
            pull = (theta - self.centre) / self.spread**2
            value -= 0.5 * float(pull @ (theta - self.centre))
            gradient -= pull
        return -value, -gradient

    def log_weight(self, theta: np.ndarray) -> np.ndarray:
        """Log posterior weight of many points, theta (q, m + 1) -> (q,), up to a constant."""
        out = np.empty(theta.shape[0])
        nodes = 1 if self.factors is None else self.factors.shape[1]
        block = max(1, int(2e6 // max(1, self.use.shape[0] * nodes)))
        extra = self._power()
        some_recorded = self.failed & (self.failing >= 0)
        recorded = np.bincount(self.failing[some_recorded], minlength=self.materials)
        for start in range(0, theta.shape[0], block):
            t = theta[start : start + block]
            k = np.exp(t[:, 0])
            rate = np.exp(-t[:, 1:])
            log_d = np.log(np.maximum(self.use @ rate.T, 1e-300))  # (n, q)
            if self.factors is None:
                value = -np.exp(np.minimum(k * log_d, 600.0)).sum(axis=0)
                value += (self.failed.astype(float) @ log_d) * k + (extra @ log_d) + self.failed.sum() * t[:, 0]
            else:
                log_dq = log_d[:, None, :] + np.log(self.factors)[:, :, None]
                term = -np.exp(np.minimum(k * log_dq, 600.0))
                term += self.failed[:, None, None] * (t[:, 0] + (k + extra[:, None, None]) * log_dq)
                value = scipy.special.logsumexp(term, axis=1, b=self.weights[:, :, None]).sum(axis=0)
            value -= t[:, 1:] @ recorded
            if self.spread is not None:
                value -= 0.5 * (((t - self.centre) / self.spread) ** 2).sum(axis=1)
            else:
                value += -t[:, 1:].sum(axis=1) - self.materials * np.log(rate.sum(axis=1))
            out[start : start + block] = value
        return out


def maximise(likelihood: LifeLikelihood, start: np.ndarray, held: np.ndarray | None = None) -> np.ndarray:
    """Theta of the greatest (penalised) likelihood; entries of ``held`` that are not NaN stay put.

    L-BFGS-B, then Newton steps on the differenced exact gradient, which settles the last digits.
    """
    fixed = np.full(start.size, np.nan) if held is None else held
    free = np.isnan(fixed)
    theta = np.where(free, start, fixed)
    if not free.any():
        return theta
    bounds = np.array([LOG_SHAPE_BOUNDS] + [(-LOG_CAPACITY_BOUND, LOG_CAPACITY_BOUND)] * likelihood.materials)[free]

    def whole(x: np.ndarray) -> np.ndarray:
        full = theta.copy()
        full[free] = x
        return full

    def objective(x: np.ndarray) -> tuple[float, np.ndarray]:
        value, gradient = likelihood.negative(whole(x))
        return value, gradient[free]

    result = scipy.optimize.minimize(
        objective,
        np.clip(theta[free], bounds[:, 0], bounds[:, 1]),
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"maxiter": 500, "ftol": 1e-14, "gtol": 1e-9},
    )
    x, value = result.x, result.fun
    for _ in range(8):
        gradient = objective(x)[1]
        hessian = _differenced(lambda y: objective(y)[1], x)
        try:
            step = np.linalg.solve(hessian, gradient)
        except np.linalg.LinAlgError:
            break
        trial = x - step
        if not np.isfinite(trial).all() or (trial < bounds[:, 0]).any() or (trial > bounds[:, 1]).any():
            break
        trial_value = objective(trial)[0]
        if not trial_value <= value + 1e-12 * abs(value):
            break
        x, value = trial, trial_value
        if np.abs(step).max() < 1e-11:
            break
    return whole(x)


def information(likelihood: LifeLikelihood, theta: np.ndarray) -> np.ndarray:
    """Curvature of -log likelihood (with the prior, if any) at theta, (m + 1, m + 1)."""
    return _differenced(lambda t: likelihood.negative(t)[1], theta)


def _differenced(gradient, x: np.ndarray, step: float = 1e-5) -> np.ndarray:
    columns = [(gradient(x + step * e) - gradient(x - step * e)) / (2 * step) for e in np.eye(x.size)]
    hessian = np.array(columns)
    return (hessian + hessian.T) / 2


@dataclass(frozen=True, eq=False)
class Draws:
    """Weighted points standing for what the record leaves open. ``log_theta`` (q, m + 1), ``weight`` (q,) sums to 1."""

    log_theta: np.ndarray
    weight: np.ndarray

    @property
    def effective(self) -> float:
        """Number of equally weighted points these are worth."""
        return float(1.0 / (self.weight**2).sum())

    def quantiles(self, column: np.ndarray, chances) -> np.ndarray:
        """Weighted quantiles of a value per draw, interpolated."""
        order = np.argsort(column)
        reached = np.cumsum(self.weight[order]) - 0.5 * self.weight[order]
        return np.interp(chances, reached, column[order])


def explore(likelihood: LifeLikelihood, mode: np.ndarray, count: int = 2048, rounds: int = 3) -> Draws:
    """Importance draws from a multivariate t (5 degrees of freedom) on scrambled Sobol points, fitted to the target
    over ``rounds`` rounds. The seed is fixed: the same record gives the same answer.
    """
    size = mode.size
    points = np.clip(scipy.stats.qmc.Sobol(size + 1, seed=20).random(count), 1e-9, 1 - 1e-9)
    freedom = 5.0
    stretch = np.sqrt(freedom / (2.0 * scipy.special.gammaincinv(freedom / 2.0, points[:, -1])))
    standard = scipy.special.ndtri(points[:, :-1]) * stretch[:, None]
    log_proposal = -0.5 * (freedom + size) * np.log1p((standard**2).sum(axis=1) / freedom)
    centre, root = mode, np.linalg.cholesky(_covariance(information(likelihood, mode)) * 1.5)
    best: Draws | None = None
    for _ in range(rounds):
        theta = centre + standard @ root.T
        inside = (np.abs(theta[:, 1:]) < 3 * LOG_CAPACITY_BOUND).all(axis=1) & (np.abs(theta[:, 0]) < 20)
        log_weight = np.full(count, -np.inf)
        log_weight[inside] = likelihood.log_weight(theta[inside]) - log_proposal[inside]
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        draws = Draws(theta, weight)
        if best is None or draws.effective > best.effective:
            best = draws
        centre = weight @ theta
        off = theta - centre
        spread = (off * weight[:, None]).T @ off + 1e-10 * np.eye(size)
        root = np.linalg.cholesky(spread * 1.1)
    return best


def _covariance(curvature: np.ndarray) -> np.ndarray:
    """Inverse of the curvature with directions the data leave (nearly) flat limited to a spread of 3."""
    values, vectors = np.linalg.eigh(curvature)
    return (vectors / np.maximum(values, 1.0 / 9.0)) @ vectors.T
