"""Minutes of the steps around the traverses, learned from run sheets: robust medians with partial pooling."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from planner.cut.pooling import PRIOR_RECORDS, PooledFrom
from planner.errors import InputError, finite_array, positive

STARTING_SPREAD = 0.3
"""Spread of the log of one step's minutes from job to job. Common practice, from memory, no source."""

_ONE_SIDED_80 = NormalDist().inv_cdf(0.8)
_NORMAL_MAD = 1 / NormalDist().inv_cdf(0.75)


@dataclass(frozen=True)
class MinuteRecords:
    """Minutes one step took, shape (n,), with the starting minutes of each one's family and fixture (n,), or one."""

    minutes: np.ndarray
    start_minutes: np.ndarray

    def __post_init__(self) -> None:
        minutes = finite_array("records.minutes", self.minutes, (None,))
        start = np.broadcast_to(np.asarray(self.start_minutes, dtype=float), minutes.shape)
        for name, values in (("minutes", minutes), ("start_minutes", start)):
            if not (np.isfinite(values) & (values > 0)).all():
                raise InputError(f"records.{name}", values.tolist()[:4], "finite minutes above 0")
            object.__setattr__(self, name, values)

    @classmethod
    def none(cls) -> MinuteRecords:
        return cls(np.empty(0), np.empty(0))

    def __len__(self) -> int:
        return len(self.minutes)


@dataclass(frozen=True)
class LearnedMinutes:
    """Minutes of one step: likely (median), the one-sided 80 % bounds below and above, and the records behind them."""

    likely: float
    least: float
    allow: float
    records: PooledFrom

    @property
    def origin(self) -> str:
        return self.records.words


def learn_minutes(
    start_minutes: float,
    family: MinuteRecords | None = None,
    kind: MinuteRecords | None = None,
    shop: MinuteRecords | None = None,
    spread: float = STARTING_SPREAD,
) -> LearnedMinutes:
    """Minutes of a step for one family on one fixture, from its own records, those of its kind, and the shop's.

    The three exclude one another. Each level's median of log(minutes / starting minutes) is drawn toward the level
    above with the worth of five records; spreads (from the median absolute deviation) likewise. A clock left running
    over lunch is one record among others and moves the median little.
    """
    start = positive("start_minutes", start_minutes)
    centre, width = 0.0, positive("spread", spread)
    counts = []
    for records in (shop, kind, family):
        own = records if records is not None else MinuteRecords.none()
        counts.append(len(own))
        if not len(own):
            continue
        logs = np.log(own.minutes / own.start_minutes)
        middle = float(np.median(logs))
        mad = _NORMAL_MAD * float(np.median(np.abs(logs - middle)))
        # one record says nothing about spread
        seen = len(logs) - 1
        width = math.sqrt((seen * mad**2 + PRIOR_RECORDS * width**2) / (seen + PRIOR_RECORDS))
        centre = (len(logs) * middle + PRIOR_RECORDS * centre) / (len(logs) + PRIOR_RECORDS)
    reach = math.exp(_ONE_SIDED_80 * width)
    likely = start * math.exp(centre)
    return LearnedMinutes(likely, likely / reach, likely * reach, PooledFrom(counts[2], counts[1], counts[0]))
