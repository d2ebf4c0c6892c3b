"""Natural final heights: where a member will end when it is cut just until it is done, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy

from planner.errors import InputError
from planner.match.members import Member, MemberState

# Half-width of the pair of nodes laid around a jump, mm: it puts the whole jump into one cell of its own.
EDGE_MM = 1e-9
_TAIL = 1e-7
_LEVELS = np.concatenate(
    [np.geomspace(_TAIL, 1e-3, 40), np.linspace(1e-3, 1 - 1e-3, 900)[1:-1], 1 - np.geomspace(1e-3, _TAIL, 40)]
)


@dataclass(frozen=True)
class Natural:
    """Distribution of N = height − removal of one member, on compared heights.

    above(t) = P(N > t), for arrays. nodes: heights, ascending, fine enough to integrate over. jumps: heights at which
    N has a probability of its own. least_mm: least final height (-inf where unknown). fixed: finished, N is a fact.
    """

    name: str
    above: Callable[[np.ndarray], np.ndarray]
    nodes: np.ndarray
    jumps: tuple[float, ...]
    least_mm: float
    fixed: bool

    @property
    def mean_mm(self) -> float:
        """Mean of N."""
        t = self.nodes
        above = self.above(t)
        return float(t[0] + np.trapezoid(above, t))


def natural_final(member: Member, offset_mm: float = 0.0) -> Natural:
    """Natural final height of a member less ``offset_mm``.

    A removal is conditioned on being more than what is already taken (``member.removed_mm``). Height and removal are
    taken as independent, the height as normal. Raises `InputError` for a member without height or removal.
    """
    if member.height_mm is None:
        raise InputError("heights_mm", (), f"a measured or an assumed height for {member.name}")
    height = member.height_mm - offset_mm
    least = member.least_mean_mm - offset_mm
    if member.state is MemberState.FINISHED:
        return _fixed(member.name, height, least, fixed=True)
    likely = member.likely_removal_mm
    doubt = member.height_sd_mm
    if isinstance(member.removal_mm, (int, float, np.floating, np.integer)):
        if doubt == 0:
            return _fixed(member.name, height - likely, least, fixed=False)
        middle = height - likely
        return _continuous(
            member.name,
            lambda t: scipy.special.ndtr((middle - np.asarray(t)) / doubt),
            middle - doubt * scipy.special.ndtri(_LEVELS[::-1]),
            least,
        )
    more, removals = _conditioned(member.removal_mm, member.removed_mm)
    if doubt == 0:
        return _continuous(member.name, lambda t: 1.0 - more(height - np.asarray(t)), height - removals, least)
    width = float(np.ptp(removals[[40, -41]]))
    if doubt <= 0.25 * width:
        # The removal is wide enough for the averaging points: average its distribution over the height's doubt.
        points, weights = np.polynomial.legendre.leggauss(64)
        points = 7.0 * points
        weights = weights * np.exp(-(points**2) / 2)
        at, share = doubt * points, weights / weights.sum()

        def above(t: np.ndarray) -> np.ndarray:
            return (1.0 - more(height + at - np.asarray(t)[..., None])) @ share
    else:
        taken = 0.5 * (removals[1:] + removals[:-1])
        part = np.diff(_LEVELS)[::-1] / np.ptp(_LEVELS)

        def above(t: np.ndarray) -> np.ndarray:
            return scipy.special.ndtr((height - taken - np.asarray(t)[..., None]) / doubt) @ part

    lowest = height - removals.max() - 7 * doubt
    highest = height - removals.min() + 7 * doubt
    middle = np.linspace(height - removals[-41] - 4 * doubt, height - removals[40] + 4 * doubt, 1200)
    tails = np.concatenate([height - removals[-41:], np.linspace(lowest, highest, 200)[1:-1]])
    middle = np.unique(np.concatenate([middle, tails]))
    nodes = np.concatenate([[lowest], middle, [highest]])
    # Averaging is slow and its result smooth: tabulate it once.
    table = scipy.interpolate.PchipInterpolator(nodes, np.concatenate([[1.0], above(middle), [0.0]]))
    return _continuous(member.name, lambda t: table(np.clip(t, lowest, highest)), nodes, least)


def lowered(natural: Natural, by_mm: float) -> Natural:
    """The same member cut ``by_mm`` lower than just done, but not below its least height."""
    if by_mm == 0:
        return natural
    least = natural.least_mm

    def above(t: np.ndarray) -> np.ndarray:
        t = np.asarray(t)
        shifted = natural.above(t + by_mm)
        if least == -math.inf:
            return shifted
        # A member that would end below the limit on its own stays there; the rest stop at the limit at the lowest.
        return np.where(t <= least - EDGE_MM, natural.above(t), shifted)

    jumps = tuple(j - by_mm for j in natural.jumps)
    if least > -math.inf:
        jumps = (*(max(j, least) for j in jumps), least)
    nodes = np.unique(np.concatenate([natural.nodes - by_mm, natural.nodes]))
    return Natural(natural.name, above, nodes, jumps, least, natural.fixed)


def _conditioned(removal: Any, removed: float) -> tuple[Callable[[np.ndarray], np.ndarray], np.ndarray]:
    """P(removal > x) given that it is more than ``removed``, and its quantiles at the levels (ascending)."""
    left = float(removal.sf(removed)) if removed > 0 else 1.0

    def more(x: np.ndarray) -> np.ndarray:
        return np.where(np.asarray(x) <= removed, 1.0, np.minimum(1.0, removal.sf(x) / left))

    return more, np.asarray(removal.isf(_LEVELS[::-1] * left), dtype=float)


def _fixed(name: str, height: float, least: float, *, fixed: bool) -> Natural:
    return Natural(
        name=name,
        above=lambda t: (np.asarray(t) < height).astype(float),
        nodes=np.array([height - 1e-3, height + 1e-3]),
        jumps=(height,),
        least_mm=least,
        fixed=fixed,
    )


def _continuous(name: str, above: Callable, nodes: np.ndarray, least: float) -> Natural:
    nodes = np.unique(np.asarray(nodes, dtype=float))
    if not np.isfinite(nodes).all():
        raise InputError("removal_mm", name, "a removal whose distribution is finite")
    return Natural(name, above, nodes, (), least, fixed=False)
