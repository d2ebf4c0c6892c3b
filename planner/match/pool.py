"""Loose parts on the shelf: which to pair so that the least is cut away to make them match."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import ArrayLike

from planner.errors import InputError, each, finite, finite_array, not_negative

# A total this small is lost in a height's last figure; within it equal totals are told apart by Σ (l − r)².
_TIE_MM = 1e-8
# Largest family without sides whose pairing is solved among all its pairs where neighbours are not known to be best.
_EXACT_UP_TO = 60
_NEAR = 12


class PoolPairing(NamedTuple):
    """Index pairs (k, 2) into left and right, ascending by left, and their total extra removal, mm."""

    pairs: np.ndarray
    extra_mm: float


def pair_pool(left_mm: Sequence[float], right_mm: Sequence[float], tolerance_mm: float) -> PoolPairing:
    """Pair natural final heights with the least total extra removal Σ max(0, |l − r| − tolerance).

    left_mm (n,), right_mm (m,): the smaller side is paired completely. Equal totals: the least Σ (l − r)².
    Solved as an assignment (`scipy.optimize.linear_sum_assignment`). Raises `InputError`.

    >>> pairs, extra_mm = pair_pool([100.00, 100.20], [100.21, 100.07], 0.05)
    >>> pairs.tolist(), round(extra_mm, 3)
    ([[0, 1], [1, 0]], 0.02)
    """
    left = finite_array("left_mm", left_mm, (None,))
    right = finite_array("right_mm", right_mm, (None,))
    tolerance = not_negative("tolerance_mm", tolerance_mm)
    apart = np.abs(left[:, None] - right[None, :])
    extra = np.maximum(0.0, apart - tolerance)
    rows, columns = _assign(extra, apart**2)
    return PoolPairing(np.column_stack([rows, columns]), float(extra[rows, columns].sum()))


@dataclass(frozen=True)
class PoolPart:
    """A loose part. side None: either side (then for its whole family).

    final_mm, final_sd_mm: likely natural final height (compared height less likely removal) and its doubt;
    least_mm: least final height, None where unknown. together: name of the part it must stay with. leave_out: not to
    be paired. Parts are in order of arrival.
    """

    name: str
    family: str
    final_mm: float
    final_sd_mm: float = 0.0
    side: str | None = None
    least_mm: float | None = None
    together: str | None = None
    leave_out: bool = False

    def __post_init__(self) -> None:
        if not self.name:
            raise InputError("name", self.name, "a name")
        finite("final_mm", self.final_mm)
        not_negative("final_sd_mm", self.final_sd_mm)
        if self.least_mm is not None:
            finite("least_mm", self.least_mm)
        if self.side is not None and self.side not in ("left", "right"):
            raise InputError("side", self.side, "left, right, or None where either will do")


@dataclass(frozen=True)
class PartPair:
    """Two parts to go together: names, likely difference, expected extra removal, and whether they had to stay."""

    first: str
    second: str
    difference_mm: float
    extra_mm: float
    together: bool


@dataclass(frozen=True)
class PoolPlan:
    """A pairing of the pool. arrival_extra_mm: expected extra removal of pairing in order of arrival (parts that must
    stay together stay there too); saved_mm: what this pairing saves against it. single: parts left over."""

    pairs: tuple[PartPair, ...]
    extra_mm: float
    arrival_extra_mm: float
    single: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def saved_mm(self) -> float:
        return self.arrival_extra_mm - self.extra_mm


def expected_extra(difference_mm: ArrayLike, doubt_mm: ArrayLike, tolerance_mm: float) -> np.ndarray:
    """E[(|X| − tolerance)+] for X normal with this mean and standard deviation, mm; sd 0 gives the plain excess.

    Numbers, or arrays that go together; the doubt and the tolerance 0 or more, else `InputError`.

    Each tail is s φ(a) − (excess) Φ(−a), the normal loss function (Silver, Pyke & Peterson, Inventory Management and
    Production Planning and Scheduling, appendix on the unit normal loss function, from memory).
    """
    difference, doubt, tolerance = each(
        difference_mm=(finite, difference_mm),
        doubt_mm=(not_negative, doubt_mm),
        tolerance_mm=(not_negative, tolerance_mm),
    )
    difference, doubt = np.abs(difference), np.asarray(doubt)
    plain = np.maximum(0.0, difference - tolerance)
    safe = np.where(doubt > 0, doubt, 1.0)

    def tail(beyond: np.ndarray) -> np.ndarray:  # E[(Y)+], Y normal around ``beyond``
        a = beyond / safe
        return safe * (np.exp(-0.5 * a**2) / math.sqrt(2 * math.pi) + a * scipy.special.ndtr(a))

    return np.where(doubt > 0, tail(difference - tolerance) + tail(-difference - tolerance), plain)


def pair_parts(parts: Sequence[PoolPart], tolerance_mm: float) -> PoolPlan:
    """Pair the parts of a pool, family by family, left with right, for the least expected total extra removal.

    As many pairs as can be made come first. A pair whose higher part would have to go below its least height is not
    made. Families without sides are paired by neighbours in height, best for any cost that grows with the difference
    ever faster (derived by exchanging partners), and of an odd number the part is left over whose absence saves most;
    where limits forbid pairs or the doubts differ, by an integer programme (with more than 60 parts: their doubts are
    pooled, or only partners near in height are offered). Raises `InputError` for names
    twice, a family with and without sides, a ``together`` that is not mutual, of one side or of two families.
    """
    tolerance = not_negative("tolerance_mm", tolerance_mm)
    parts = tuple(parts)
    by_name = {p.name: p for p in parts}
    if len(by_name) < len(parts):
        raise InputError("parts", [p.name for p in parts], "a different name for each part")
    stay = _staying(parts, by_name)
    out = tuple(p.name for p in parts if p.leave_out)
    staying = {name for pair in stay for name in pair}
    free = [p for p in parts if p.name not in staying and not p.leave_out]
    chosen: list[tuple[str, str]] = []
    arrival: list[tuple[str, str]] = []
    for family in dict.fromkeys(p.family for p in free):
        group = [p for p in free if p.family == family]
        sides = {p.side for p in group}
        if None in sides and len(sides) > 1:
            odd = next(p for p in group if p.side is None)
            raise InputError("side", None, f"left or right for {odd.name}: other parts of {family} have a side")
        if None in sides:
            chosen += _without_sides(group, tolerance)
            arrival += [(a.name, b.name) for a, b in zip(group[::2], group[1::2], strict=False)]
        else:
            left = [p for p in group if p.side == "left"]
            right = [p for p in group if p.side == "right"]
            chosen += _left_with_right(left, right, tolerance)
            arrival += [(a.name, b.name) for a, b in zip(left, right, strict=False)]

    def pair(first: str, second: str, together: bool) -> PartPair:
        a, b = by_name[first], by_name[second]
        doubt = math.hypot(a.final_sd_mm, b.final_sd_mm)
        difference = a.final_mm - b.final_mm
        return PartPair(first, second, difference, float(expected_extra(difference, doubt, tolerance)), together)

    pairs = [pair(*names, True) for names in stay] + [pair(*names, False) for names in chosen]
    kept = sum(p.extra_mm for p in pairs if p.together)
    paired = {name for p in pairs for name in (p.first, p.second)}
    return PoolPlan(
        pairs=tuple(pairs),
        extra_mm=sum(p.extra_mm for p in pairs),
        arrival_extra_mm=kept + sum(pair(*names, False).extra_mm for names in arrival),
        single=tuple(p.name for p in parts if p.name not in paired and not p.leave_out),
        left_out=out,
    )


def _staying(parts: tuple[PoolPart, ...], by_name: dict[str, PoolPart]) -> list[tuple[str, str]]:
    pairs = []
    for p in parts:
        if p.together is None:
            continue
        other = by_name.get(p.together)
        if other is None or other is p:
            raise InputError("together", p.together, f"another part of the pool, for {p.name}")
        if other.together not in (None, p.name):
            raise InputError("together", p.together, f"a part that does not stay with {other.together}")
        if other.family != p.family or (p.side is not None and p.side == other.side):
            raise InputError("together", p.together, f"a part of the other side and of family {p.family}, for {p.name}")
        if p.leave_out or other.leave_out:
            continue
        names = (p.name, other.name) if p.side != "right" else (other.name, p.name)
        if names not in pairs and names[::-1] not in pairs:
            if any(name in pair for pair in pairs for name in names):
                raise InputError("together", p.together, "each part in one pair")
            pairs.append(names)
    return pairs


def _left_with_right(left: list[PoolPart], right: list[PoolPart], tolerance: float) -> list[tuple[str, str]]:
    if not left or not right:
        return []
    l_sd, r_sd = (np.array([p.final_sd_mm for p in side]) for side in (left, right))
    difference = _differences(left, right)
    extra = expected_extra(difference, np.hypot(l_sd[:, None], r_sd[None, :]), tolerance)
    allowed = _above_limits(left, right, difference, tolerance)
    # One pair more is worth more than any removal.
    dear = 10.0 * (float(extra.max()) + 1.0) * min(extra.shape)
    rows, columns = _assign(np.where(allowed, extra, dear), difference**2)
    return [(left[i].name, right[j].name) for i, j in zip(rows, columns, strict=True) if allowed[i, j]]


def _above_limits(left: list[PoolPart], right: list[PoolPart], difference: np.ndarray, tolerance: float) -> np.ndarray:
    """Whether both parts stay above their limits when the higher follows the lower down."""
    l_mm, r_mm = (np.array([p.final_mm for p in side]) for side in (left, right))
    l_least, r_least = (
        np.array([-math.inf if p.least_mm is None else p.least_mm for p in side]) for side in (left, right)
    )
    l_final = np.where(difference > tolerance, r_mm[None, :] + tolerance, l_mm[:, None])
    r_final = np.where(-difference > tolerance, l_mm[:, None] + tolerance, r_mm[None, :])
    return (l_final >= l_least[:, None] - 1e-9) & (r_final >= r_least[None, :] - 1e-9)


def _without_sides(group: list[PoolPart], tolerance: float) -> list[tuple[str, str]]:
    order = sorted(group, key=lambda p: p.final_mm)
    if len(order) < 2:
        return []
    limits_bind = not _above_limits(order, order, _differences(order, order), tolerance).all()
    doubts_differ = float(np.ptp([p.final_sd_mm for p in order])) > 1e-9
    if limits_bind or (doubts_differ and len(order) <= _EXACT_UP_TO):
        return _matching(order, tolerance)
    return _neighbours(order, tolerance)


def _neighbours(order: list[PoolPart], tolerance: float) -> list[tuple[str, str]]:
    """Pair an ascending family by neighbours in height, leaving out the one whose absence saves most."""
    heights = np.array([p.final_mm for p in order])
    doubt = math.sqrt(2.0) * math.sqrt(float(np.mean([p.final_sd_mm**2 for p in order])))
    cost = expected_extra(np.diff(heights), np.array(doubt), tolerance)
    if len(order) % 2:
        # Leaving out place k (even): pairs (0, 1) … (k−2, k−1), then (k+1, k+2) …
        totals = []
        for each in (cost, np.diff(heights) ** 2):
            before = np.concatenate([[0.0], np.cumsum(each[0::2])])
            after = np.concatenate([np.cumsum(each[1::2][::-1])[::-1], [0.0]])
            totals.append(before + after)
        k = min(range(totals[0].size), key=lambda i: (round(totals[0][i], 9), totals[1][i]))
        order = order[: 2 * k] + order[2 * k + 1 :]
    return [(a.name, b.name) for a, b in zip(order[::2], order[1::2], strict=True)]


def _matching(order: list[PoolPart], tolerance: float) -> list[tuple[str, str]]:
    """Best matching of an ascending family as an integer programme, each part taken at most once.

    Beyond `_EXACT_UP_TO` parts only partners near in height are offered to each. Odd groups of which every part is
    half taken are cut off first (Edmonds' odd-set inequalities, J. Res. NBS 69B, 1965): without them branching on a
    family with an odd number of parts takes very long.
    """
    count = len(order)
    reach = count if count <= _EXACT_UP_TO else _NEAR
    difference = _differences(order, order)
    allowed = _above_limits(order, order, difference, tolerance)
    edges = np.array([(i, j) for i in range(count) for j in range(i + 1, min(count, i + 1 + reach))])
    edges = edges[allowed[edges[:, 0], edges[:, 1]]]
    if not len(edges):
        return []
    doubts = np.array([p.final_sd_mm for p in order])
    apart = difference[edges[:, 0], edges[:, 1]]
    cost = expected_extra(apart, np.hypot(doubts[edges[:, 0]], doubts[edges[:, 1]]), tolerance)
    cost = cost + apart**2 * (_TIE_MM / max(1e-12, float((apart**2).max()) * count))
    gain = cost - (float(cost.max()) + 1.0) * count  # one pair more is worth more than any removal
    takes = scipy.sparse.coo_array(
        (np.ones(2 * len(edges)), (edges.T.ravel(), np.tile(np.arange(len(edges)), 2))), shape=(count, len(edges))
    ).tocsr()
    # Of an odd family one part stays single: said at once, as the relaxation would share that out in many ways.
    takes = scipy.sparse.vstack([takes, scipy.sparse.csr_array(np.ones((1, len(edges))))]).tocsr()
    most = np.concatenate([np.ones(count), [count // 2]])
    for _ in range(100):
        relaxed = scipy.optimize.milp(
            gain, bounds=scipy.optimize.Bounds(0, 1), constraints=scipy.optimize.LinearConstraint(takes, ub=most)
        )
        odd = _odd_groups(edges, relaxed.x, count)
        if not odd:
            break
        inside = [np.isin(edges, group).all(axis=1).astype(float) for group in odd]
        takes = scipy.sparse.vstack([takes, scipy.sparse.csr_array(np.array(inside))]).tocsr()
        most = np.concatenate([most, [(len(group) - 1) / 2 for group in odd]])
    found = scipy.optimize.milp(
        gain,
        integrality=1,
        bounds=scipy.optimize.Bounds(0, 1),
        constraints=scipy.optimize.LinearConstraint(takes, ub=most),
    )
    return [(order[i].name, order[j].name) for (i, j), x in zip(edges, found.x, strict=True) if x > 0.5]


def _odd_groups(edges: np.ndarray, share: np.ndarray, count: int) -> list[np.ndarray]:
    """Connected odd groups of parts whose pairs are taken in part, more than their odd-set inequality allows."""
    part = (share > 1e-6) & (share < 1 - 1e-6)
    graph = scipy.sparse.coo_array((np.ones(part.sum()), edges[part].T), shape=(count, count))
    groups, label = scipy.sparse.csgraph.connected_components(graph, directed=False)
    found = []
    for group in range(groups):
        members = np.flatnonzero(label == group)
        inside = float(share[np.isin(edges, members).all(axis=1)].sum())
        if len(members) % 2 and len(members) > 1 and inside > (len(members) - 1) / 2 + 1e-6:
            found.append(members)
    return found


def _differences(left: list[PoolPart], right: list[PoolPart]) -> np.ndarray:
    return np.array([p.final_mm for p in left])[:, None] - np.array([p.final_mm for p in right])[None, :]


def _assign(cost: np.ndarray, tie: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if not cost.size:
        return np.empty(0, dtype=int), np.empty(0, dtype=int)
    scale = float(tie.max()) * min(cost.shape)
    weighted = cost if scale == 0 else cost + tie * (_TIE_MM / scale)
    rows, columns = scipy.optimize.linear_sum_assignment(weighted)
    return rows, columns
