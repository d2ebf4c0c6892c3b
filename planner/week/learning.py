"""What the whole record teaches, put together: depths, minutes, finish from the cuts, edge life from the ledger."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime

import scipy

from planner.cut.knowledge import Knowledge, know
from planner.edge import ChipFit, Edge, Ledger
from planner.edge.events import Fitted, Indexed, Replaced
from planner.shop import FollowedSurvey, Shop, WorkRecords, starting
from planner.week.edge_lives import GradeLife, learn_edge_lives, learn_skins, learned_paths, weighed
from planner.week.measured import learn_missed

__all__ = ["Learned", "chip_range", "edges_learned_from", "learn", "shape_of"]

ENDS_FOR_A_SHAPE = 5
"""Worn edges of one grade from which on their scatter replaces the starting value's for grades without a record."""


@dataclass(frozen=True, eq=False)
class Learned:
    """All that was learned, and the record it comes from: minutes and roughness of cuts, and the edges that count."""

    knowledge: Knowledge
    work: WorkRecords = field(default_factory=WorkRecords.none)
    edges: tuple[Edge, ...] = ()


def learn(
    shop: Shop,
    work: WorkRecords | None = None,
    ledger: Ledger | None = None,
    followed: Iterable[FollowedSurvey] = (),
) -> Learned:
    """Learn from the record of a shop. ``work``: minutes and roughness of its cuts; ``ledger``: its edges as stored, wear
    paths not weighed by skin. Edges put to work before the date the shop learns from are
    left out. ``followed``: surveys with what the cut after them showed."""
    work = work if work is not None else WorkRecords.none()
    knowledge = replace(know(shop, work), missed=learn_missed(shop, followed))
    if ledger is None:
        return Learned(knowledge, work)
    ledger = edges_learned_from(ledger, shop.settings.learn_from)
    knowledge = replace(knowledge, skin=learn_skins(shop, ledger))
    ledger = weighed(shop, knowledge, ledger)
    lives = learn_edge_lives(shop, ledger)
    knowledge = replace(knowledge, edge_lives=lives, life=learned_paths(lives), life_shape=shape_of(lives))
    return Learned(knowledge, work, tuple(edge for edge in ledger.edges() if edge.cuts))


def shape_of(lives: Mapping[int, GradeLife]) -> float:
    """How much lives scatter where a grade has no record of its own: as in the grade and end with most ended edges."""
    known = [life for grade in lives.values() for life in grade.life.lives if life.failures.sum() >= ENDS_FOR_A_SHAPE]
    return max(known, key=lambda life: life.failures.sum()).shape if known else starting.LIFE_SHAPE


def chip_range(chips: ChipFit, level: float = 0.95) -> tuple[float, float, float]:
    """Path (mm) from chip to chip: likely and range. The rate's spread is a gamma distribution."""
    rates = scipy.stats.gamma(chips.chips, scale=1 / chips.path)
    low, high = rates.ppf([(1 - level) / 2, (1 + level) / 2])
    return 1 / chips.rate, 1 / float(high), 1 / float(low)


def edges_learned_from(ledger: Ledger, learn_from: str) -> Ledger:
    """The ledger without the work of positions that were put to work before a day ("" = all count); a reground
    insert's later lives go with the first."""
    if not learn_from:
        return ledger
    begin = datetime.combine(date.fromisoformat(learn_from), datetime.min.time())
    old = set()
    for event in ledger.log:
        if event.at >= begin:
            continue
        if isinstance(event, Fitted):
            old.add((event.insert, event.position))
        elif isinstance(event, Indexed):
            old.add((event.insert, event.to_position))
        elif isinstance(event, Replaced):
            old.add((event.new_insert, event.new_position))

    def kept(edges: Iterable[Edge]) -> tuple[Edge, ...]:
        return tuple(replace(e, cuts=(), work={}) if (e.insert, e.position) in old else e for e in edges)

    inserts = {
        label: replace(item, edges=kept(item.edges), past=kept(item.past)) for label, item in ledger.inserts.items()
    }
    return replace(ledger, inserts=inserts)
