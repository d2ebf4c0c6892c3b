"""Did the part move as predicted? The re-reading after shimming, against the rigid-part prediction.

Both sweeps carry reading noise, so a difference of the two has twice its variance; where the indicator was set to zero,
that point's own noise is common to all differences and is left out of the judgement. What remains is split into a tilt
(dirt, a burr or a leaf too many under a support) and a bend (clamps, or one reading gone wrong), each tested by its sum
of squares (chi-square). On three supports a burr under one of them can only tilt the part in three ways: those are
looked for by name (one-sided normal tests), which sees a smaller burr.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from planner.errors import InputError, between, finite_array, positive
from planner.face.levelling import zero_point

_SHARES = {"burr": 0.6, "tilt": 0.2, "bend": 0.2}  # of the false alarms allowed, by how often each happens

_ALIKE = 0.75  # of the highest: a support held this high is looked under, too


@dataclass(frozen=True, eq=False)
class RereadCheck:
    """moved_as_predicted: neither tilt nor bend beyond reading noise.

    off_mm (n,): re-read less predicted. tilted, bent: which of the two was found. extra_mm (m,): how much higher than
    predicted each support holds the part, counted from the least (dirt only raises; the common part cannot be seen once
    the indicator is set to zero). suspects: the support held highest and those nearly as high, within a quarter of it,
    highest first; empty unless tilted. bend_mm: range of what no rigid movement explains. worst_point: index of the
    check point where that is largest.
    """

    moved_as_predicted: bool
    off_mm: np.ndarray
    tilted: bool
    bent: bool
    extra_mm: np.ndarray
    suspects: tuple[int, ...]
    bend_mm: float
    worst_point: int


def check_reread(
    supports: object,
    check_points: object,
    predicted: object,
    reread: object,
    noise_mm: float,
    zero: int | None = 0,
    false_alarms: float = 0.028,
) -> RereadCheck:
    """Compare a re-reading (n,) mm with what was predicted, (n,) or (s, n) one row per seat: the nearest row counts.

    supports (m, 2), check_points (n, 2) mm, n >= 3 not on one line; noise_mm: standard deviation of one reading; zero
    as in `choose_shims`; false_alarms: share of true re-readings that may be doubted. For the next correction call
    `choose_shims` with ``reread`` and the present stacks. Raises `InputError`.
    """
    under = finite_array("supports", supports, (None, 2))
    places = finite_array("check_points", check_points, (None, 2))
    n = len(places)
    values = finite_array("reread", reread, (n,))
    expected = np.atleast_2d(np.asarray(predicted, dtype=float))
    expected = finite_array("predicted", expected, (None, n))
    zero = zero_point(zero, n)
    spread = positive("noise_mm", noise_mm) * np.sqrt(2)
    alarms = between("false_alarms", false_alarms, 1e-6, 0.5)
    centre = places.mean(axis=0)
    scale = np.abs(places - centre).max() or 1.0
    columns = np.column_stack([np.ones(n), (places - centre) / scale])
    if np.linalg.matrix_rank(columns, tol=1e-9) < 3:
        raise InputError("check_points", places.tolist(), "at least three points, not on one line")
    if len(under) < 3 or np.linalg.matrix_rank((under - under.mean(axis=0)) / scale, tol=1e-9) < 2:
        raise InputError("supports", under.tolist(), "at least three supports, not on one line")

    checks = []
    for row in expected:
        off = values - row
        fitted = np.linalg.lstsq(columns, off, rcond=None)[0]
        rigid = columns @ fitted
        rest = off - rigid
        seen = rigid if zero is None else rigid - rigid.mean()
        checks.append((float(seen @ seen + rest @ rest), off, fitted, seen, rest))
    _, off, fitted, seen, rest = min(checks, key=lambda check: check[0])
    share = dict(_SHARES)
    if n == 3:
        share["tilt"], share["bend"] = share["tilt"] + share["bend"], 0.0
    burr = False
    if len(under) == 3:
        ways = columns @ np.linalg.pinv(np.column_stack([np.ones(3), (under - centre) / scale]))
        ways = ways if zero is None else ways - ways.mean(axis=0)
        along = ways.T @ seen / np.linalg.norm(ways, axis=0)
        burr = along.max() > spread * scipy.stats.norm.isf(alarms * share["burr"] / 3)
    else:
        share["tilt"] += share["burr"]
    tilt_limit = spread**2 * scipy.stats.chi2.isf(alarms * share["tilt"], 2 if zero is not None else 3)
    tilted = bool(burr or seen @ seen > tilt_limit)
    bent = bool(n > 3 and rest @ rest > spread**2 * scipy.stats.chi2.isf(alarms * share["bend"], n - 3))
    extra = np.column_stack([np.ones(len(under)), (under - centre) / scale]) @ fitted
    extra = extra - extra.min()
    return RereadCheck(
        moved_as_predicted=not tilted and not bent,
        off_mm=off,
        tilted=tilted,
        bent=bent,
        extra_mm=extra,
        suspects=tuple(int(k) for k in np.argsort(-extra) if tilted and extra[k] >= _ALIKE * extra.max()),
        bend_mm=float(np.ptp(rest)),
        worst_point=int(np.argmax(np.abs(rest))) if n > 3 else int(np.argmax(np.abs(off))),
    )
