"""Taylor's tool life and the classical economics of machining: how fast to cut, and what another speed would cost.

V T^n = C (F. W. Taylor, On the Art of Cutting Metals, 1907), V in m/min, T in minutes of cutting, C the speed for a
life of one minute. n and C belong to one wear criterion. Cheapest and fastest speed: W. W. Gilbert, Economics of
Machining (1950), as given in Groover, Fundamentals of Modern Manufacturing, ch. 23.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from planner.errors import InputError, between, each, finite_array, not_negative, positive

__all__ = ["SpeedWhatIf", "TaylorLine", "economic_speed", "fastest_speed", "speed_what_if", "taylor_fit"]


class TaylorLine(NamedTuple):
    """V T^n = C."""

    n: float
    c: float  # m/min

    def life_minutes(self, speed_m_min: ArrayLike):
        """Minutes of cutting at a speed, or at an array of speeds."""
        (speed,) = each(speed_m_min=(positive, speed_m_min))
        return (self.c / speed) ** (1.0 / self.n)

    def speed_m_min(self, life_minutes: ArrayLike):
        """Speed, m/min, for a life in minutes of cutting, or for an array of lives."""
        (life,) = each(life_minutes=(positive, life_minutes))
        return self.c / life**self.n


def taylor_fit(speeds, lives) -> TaylorLine:
    """n and C (m/min) of V T^n = C through two or more (speed m/min, life min) pairs.

    With more than two, least squares of log life on log speed: the speed is set, the life scatters.
    Raises `InputError` for fewer than two different speeds or when life does not fall with speed.

    >>> n, c = taylor_fit([160, 100], [5, 41])
    >>> round(n, 3), round(c)
    (0.223, 229)
    """
    v = finite_array("speeds", speeds, (None,))
    t = finite_array("lives", lives, (None,))
    if t.shape != v.shape:
        raise InputError("lives", lives, f"one life per speed: {v.size}")
    for name, values in (("speeds", v), ("lives", t)):
        for i, value in enumerate(values):
            positive(f"{name}[{i}]", float(value))
    if v.size < 2 or np.ptp(v) == 0:
        raise InputError("speeds", speeds, "at least two different speeds")
    log_v, log_t = np.log(v), np.log(t)
    centred = log_v - log_v.mean()
    slope = float(centred @ (log_t - log_t.mean()) / (centred @ centred))
    if slope >= 0:
        raise InputError("lives", lives, "lives that fall as the speed rises")
    n = -1.0 / slope
    return TaylorLine(n, float(np.exp(log_v.mean() + n * log_t.mean())))


def fastest_speed(n: ArrayLike, c: ArrayLike, change_minutes: ArrayLike):
    """Speed of the greatest output, m/min: C / [(1/n - 1) Tt]^n.

    n above 0 and below 1, c and change_minutes above 0, else `InputError`; a number for numbers, an array for arrays.
    """
    exponent, constant, change = each(n=(_below_one, n), c=(positive, c), change_minutes=(positive, change_minutes))
    return constant / ((1.0 / exponent - 1.0) * change) ** exponent


def economic_speed(
    n: ArrayLike, c: ArrayLike, change_minutes: ArrayLike, rate_per_minute: ArrayLike, edge_cost: ArrayLike
):
    """Speed of the least cost, m/min: C [n/(1-n) Co / (Co Tt + Ct)]^n.

    Co the shop's rate per minute, Tt the minutes of an edge change, Ct the price of an edge. n above 0 and below 1,
    c and rate above 0, the others 0 or more and not both 0, else `InputError`; a number for numbers, an array for
    arrays.

    >>> round(economic_speed(0.125, 70, 2, 0.50, 3))
    42
    """
    exponent, constant, change, rate, price = each(
        n=(_below_one, n),
        c=(positive, c),
        change_minutes=(not_negative, change_minutes),
        rate_per_minute=(positive, rate_per_minute),
        edge_cost=(not_negative, edge_cost),
    )
    change_cost = rate * change + price
    if np.any(change_cost <= 0):
        raise InputError("edge_cost", edge_cost, "a price above 0, or change_minutes above 0")
    return constant * (exponent / (1.0 - exponent) * rate / change_cost) ** exponent


@dataclass(frozen=True, eq=False)
class SpeedWhatIf:
    """Life, minutes and cost against surface speed; arrays of the same length, and the two speeds that stand out."""

    speeds_m_min: np.ndarray
    life_minutes: np.ndarray  # of an edge, in the material
    minutes: np.ndarray  # per cut, edge changes included
    cost: np.ndarray  # per cut
    cheapest_m_min: float
    fastest_m_min: float


def speed_what_if(
    speeds,
    cutting_minutes: float,
    at_speed_m_min: float,
    n: float,
    c: float,
    change_minutes: float,
    rate_per_minute: float,
    edge_cost: float,
    in_material: float = 1.0,
) -> SpeedWhatIf:
    """Life, minutes and cost of a cut at other surface speeds, feed per revolution unchanged.

    The cut takes ``cutting_minutes`` at ``at_speed_m_min``. ``in_material`` is the share of the turn an edge spends in
    the material, 1 for turning; an intermittent cut wears the edge that much less per minute, so the two speeds that
    stand out shift: an edge change is then paid 1/``in_material`` times as rarely.
    """
    v = finite_array("speeds", speeds, (None,))
    if v.size == 0 or (v <= 0).any():
        raise InputError("speeds", speeds, "one or more speeds above 0")
    line = TaylorLine(_below_one("n", n), positive("c", c))
    contact = between("in_material", in_material, 0.0, 1.0)
    if contact == 0:
        raise InputError("in_material", in_material, "a share above 0")
    rate = positive("rate_per_minute", rate_per_minute)
    at_table = positive("cutting_minutes", cutting_minutes) * positive("at_speed_m_min", at_speed_m_min) / v
    life = (line.c / v) ** (1.0 / line.n)
    changes = at_table * contact / life
    change = positive("change_minutes", change_minutes)
    price = not_negative("edge_cost", edge_cost)
    # the life in minutes at the table is T / contact: the same line with C / contact^n
    c_at_table = line.c / contact**line.n
    return SpeedWhatIf(
        speeds_m_min=v,
        life_minutes=life,
        minutes=at_table + changes * change,
        cost=rate * at_table + changes * (rate * change + price),
        cheapest_m_min=economic_speed(line.n, c_at_table, change, rate, price),
        fastest_m_min=fastest_speed(line.n, c_at_table, change),
    )


def _below_one(field: str, n: float) -> float:
    value = positive(field, n)
    if value >= 1:
        raise InputError(field, n, "a number above 0 and below 1 (from 1 on, faster is always cheaper)")
    return value
