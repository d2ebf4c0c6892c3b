"""What the ledger tells afterwards: the record lives are learned from, area by material, ends, costs, fading finish."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from planner.edge.decision import edge_price
from planner.edge.ends import End
from planner.edge.events import Cut, Reversed
from planner.edge.flank import fit_flank_wear, projected_life
from planner.edge.ledger import Edge, EdgeState, Ledger
from planner.errors import InputError, between, finite_array, not_negative

__all__ = [
    "EdgeCost",
    "FinishTrend",
    "LifeRecord",
    "area_by_material",
    "edge_costs",
    "ends_by_reason",
    "finish_trend",
    "life_record",
]


@dataclass(frozen=True, eq=False)
class LifeRecord:
    """What `fit_edge_life` takes: ``use`` (n, materials) wear paths, ``ends``, ``failing``, ``chip_paths``.

    ``in_skin`` (n, materials, skins): what of the use ran in each of ``skins``, unweighed; ``failing_skin`` (n,): column
    of the skin an ended edge cut last, -1 for clean metal.
    ``projected`` (n,), ``projected_log_sd`` (n,): life of an edge still cutting as a multiple of its use, from its
    flank-wear readings; NaN where there are fewer than two, or no criterion was given.
    """

    materials: tuple[str, ...]
    edges: tuple[Edge, ...]
    use: np.ndarray
    ends: tuple[End, ...]
    failing: np.ndarray
    chip_paths: np.ndarray
    projected: np.ndarray
    projected_log_sd: np.ndarray
    skins: tuple[str, ...]
    in_skin: np.ndarray
    failing_skin: np.ndarray


@dataclass(frozen=True)
class EdgeCost:
    """Edges' cost of one material with one grade, over ended edges: shares of edges, money, area, distinct parts."""

    grade: str
    material: str
    edges: float
    cost: float
    swept_mm2: float
    parts: int

    @property
    def per_part(self) -> float:
        """Money per part; NaN without parts."""
        return self.cost / self.parts if self.parts else float("nan")

    @property
    def per_m2(self) -> float:
        """Money per square metre of swept area; NaN without area. 1 m2 = 1550 in2."""
        return self.cost / (self.swept_mm2 * 1e-6) if self.swept_mm2 else float("nan")


@dataclass(frozen=True)
class FinishTrend:
    """How Ra moves with edge use: µm per unit of use with its range, and whether the finish fades for certain."""

    ra_um_per_use: float
    low: float
    high: float
    fades: bool
    limit_use: float  # use at which the middle line meets the limit; inf when it never does or no limit was given


def life_record(
    ledger: Ledger,
    grade: str,
    materials: Sequence[str],
    criterion_mm: float | None = None,
    skins: Sequence[str] = (),
) -> LifeRecord:
    """Edges of a grade that have cut, those still cutting included, as arrays. A material not listed is refused.

    ``criterion_mm``: wear land at which an edge is worn, to project lives from flank-wear readings. ``skins``: the kinds
    of harsh skin to tell apart.
    """
    edges = tuple(edge for edge in ledger.edges() if edge.grade == grade and edge.cuts)
    names = tuple(materials)
    for edge in edges:
        missing = set(edge.work) - set(names)
        if missing:
            raise InputError("materials", materials, f"all the materials cut; {', '.join(sorted(missing))} is missing")
    ends = tuple(edge.end or End.STILL_CUTTING for edge in edges)
    heading = np.array([_heading(edge, criterion_mm) for edge in edges], dtype=float).reshape(len(edges), 2)
    failing = [names.index(edge.last_material) if edge.end is not None else -1 for edge in edges]
    return LifeRecord(
        materials=names,
        edges=edges,
        use=np.array([edge.wear_paths(names) for edge in edges], dtype=float).reshape(len(edges), len(names)),
        ends=ends,
        failing=np.array(failing, dtype=int),
        chip_paths=np.array([edge.chip_path_mm for edge in edges], dtype=float),
        projected=heading[:, 0],
        projected_log_sd=heading[:, 1],
        skins=tuple(skins),
        in_skin=np.array(
            [
                [[e.in_skin[m, s].wear_path_mm if (m, s) in e.in_skin else 0.0 for s in skins] for m in names]
                for e in edges
            ],
            dtype=float,
        ).reshape(len(edges), len(names), len(skins)),
        failing_skin=np.array(
            [list(skins).index(e.last_skin) if e.last_skin in skins else -1 for e in edges], dtype=int
        ),
    )


def _heading(edge: Edge, criterion_mm: float | None) -> tuple[float, float]:
    """Projected life as a multiple of the use so far and its log sd; NaN where nothing can be said."""
    nothing = (float("nan"), float("nan"))
    if criterion_mm is None or edge.end is not None:
        return nothing
    latest = {sum(r.path_mm.values()): r.wear_mm for r in edge.readings if sum(r.path_mm.values()) > 0}
    if len(latest) < 2 or not any(latest.values()):
        return nothing
    use = sum(spend.wear_path_mm for spend in edge.work.values())
    return projected_life(use, fit_flank_wear(list(latest), list(latest.values())), criterion_mm)


def area_by_material(edges: Iterable[Edge]) -> dict[str, float]:
    """Swept area, mm2, by material."""
    out: dict[str, float] = {}
    for edge in edges:
        for material, spend in edge.work.items():
            out[material] = out.get(material, 0.0) + spend.swept_mm2
    return out


def ends_by_reason(edges: Iterable[Edge]) -> dict[End, int]:
    """How many lives ended, by reason."""
    return dict(Counter(edge.end for edge in edges if edge.end is not None))


def edge_costs(
    ledger: Ledger,
    index_cost: float = 0.0,
    regrinds: int = 0,
    capacities_mm: Mapping[tuple[str, str], float] | None = None,
    cuts: Mapping[str, tuple[str, str]] | None = None,
    prices: Mapping[str, float] | None = None,
) -> tuple[EdgeCost, ...]:
    """Cost of edges by grade and material over the edges that ended, each edge's price and index shared among its
    materials by the wear they brought.

    ``index_cost``: minutes of an index in money. ``regrinds`` foreseen per insert spread its price further.
    ``capacities_mm`` by (grade, material) weigh the wear; without them wear paths count alike. ``cuts``: cut id ->
    (material, part), where the ledger's log does not hold the cuts; ``prices`` by grade for inserts that came in without
    one. A grade without a price is refused.
    """
    not_negative("index_cost", index_cost)
    gone = {e.number for e in ledger.log if isinstance(e, Reversed)}
    known = dict(cuts or {})
    known |= {e.cut_id: (e.material, e.part) for i, e in enumerate(ledger.log) if isinstance(e, Cut) and i not in gone}
    sums: dict[tuple[str, str], list[float]] = {}
    parts: dict[tuple[str, str], set[str]] = {}
    for edge in ledger.edges():
        if edge.state is not EdgeState.RETIRED or not edge.cuts:
            continue
        insert = ledger.inserts[edge.insert]
        bought = insert.price if insert.price is not None else (prices or {}).get(edge.grade)
        if bought is None:
            raise InputError(f"prices[{edge.grade}]", None, "a price for the grade")
        lives = max(regrinds, insert.regrinds)
        each = insert.regrind_cost / insert.regrinds if insert.regrinds else 0.0
        price = edge_price(bought, len(insert.edges), lives, each) + index_cost
        wear = {
            m: s.wear_path_mm / (1.0 if capacities_mm is None else capacities_mm[edge.grade, m])
            for m, s in edge.work.items()
        }
        total = sum(wear.values())
        for material, spend in edge.work.items():
            share = wear[material] / total if total else 1.0 / len(wear)
            key = (edge.grade, material)
            row = sums.setdefault(key, [0.0, 0.0, 0.0])
            row[0] += share
            row[1] += share * price
            row[2] += spend.swept_mm2
        for cut in edge.cuts:
            material, part = known[cut]
            parts.setdefault((edge.grade, material), set()).add(part or cut)
    return tuple(EdgeCost(*key, *row, parts=len(parts[key])) for key, row in sorted(sums.items()))


def finish_trend(edge_use, ra_um, limit_um: float | None = None, level: float = 0.9) -> FinishTrend:
    """Does finish fade before the edge wears out? Median slope of Ra over edge use (Theil 1950, Sen 1968).

    ``edge_use`` (n,), ``ra_um`` (n,): last cuts' edge use and measured Ra, three or more at differing use.
    """
    x = finite_array("edge_use", edge_use, (None,))
    y = finite_array("ra_um", ra_um, (x.size,))
    if x.size < 3 or np.ptp(x) == 0:
        raise InputError("edge_use", edge_use, "three or more readings at differing edge use")
    slope, start, low, high = (float(v) for v in scipy.stats.theilslopes(y, x, between("level", level, 0.5, 0.999)))
    limit_use = float("inf")
    if limit_um is not None and slope > 0:
        limit_use = max(0.0, (not_negative("limit_um", limit_um) - start) / slope)
    return FinishTrend(slope, low, high, low > 0, limit_use)
