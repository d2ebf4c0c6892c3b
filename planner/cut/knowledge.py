"""What the planner believes before it looks at one part: depths, minutes, edge life, finish, each with its origin.

Built once from the shop's record (fits are the slow part) and handed to the estimates.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from statistics import median
from typing import Any

import numpy as np

from planner.cut.depths import LogNormalDepth
from planner.cut.finish import FinishModel
from planner.cut.minutes import LearnedMinutes
from planner.cut.stock import DepthPrior, DepthRecords, PooledDepth, pool_depths
from planner.cut.work import (
    ENOUGH,
    STARTING_STRETCH,
    UNATTENDED,
    WorkMinutes,
    WorkRecords,
    learn_finishes,
    learn_work_minutes,
    start_of,
)
from planner.shop import Condition, Face, FaceKind, Family, Origin, Shop, Source, starting
from planner.shop.origin import STARTING, learned


@dataclass(frozen=True)
class Depth:
    """A clean-up depth as a frozen distribution (mm), and where it comes from."""

    distribution: Any
    origin: Origin

    @property
    def likely_mm(self) -> float:
        return float(self.distribution.ppf(0.5))

    @property
    def allow_mm(self) -> float:
        """The one-sided 80 % bound."""
        return float(self.distribution.ppf(0.8))


@dataclass(frozen=True)
class Minutes:
    """Minutes of the steps around the traverses, and where they come from."""

    steps: starting.StepMinutes
    origin: Origin
    stretch: float = 1.0
    """How many times the likely minutes are allowed for: four of five jobs take no longer."""
    index: Origin = STARTING
    """Where the minutes of an index come from: clocked on run sheets, or not yet."""

    @property
    def allowed(self) -> starting.StepMinutes:
        """The minutes to allow for. Drying takes as long as it takes, and rounds of shims are counted, not timed."""
        kept = (*UNATTENDED, "shim_rounds")
        longer = {f.name: getattr(self.steps, f.name) * self.stretch for f in fields(self.steps) if f.name not in kept}
        return replace(self.steps, **longer)


@dataclass(frozen=True)
class Missed:
    """What a survey of a few points misses of the clean-up depth, log-normal, and the surveyed cuts it was learned from
    (0: a starting value)."""

    median_mm: float
    sigma: float
    records: int = 0


@dataclass(frozen=True)
class SkinWear:
    """How many times as fast a harsh skin wears an edge: likely, range, and where it comes from."""

    factor: float
    low: float
    high: float
    origin: Origin


@dataclass(frozen=True)
class Knowledge:
    """Beliefs by family, face and condition; ``minutes`` by family id, ``finish`` by (material, grade id), ``life`` the
    path an edge lasts (mm, origin) by (material, grade id), ``edge_lives`` the fitted lives by grade id
    (`planner.week.edge_lives`), ``skin`` the wear in harsh skin by its kind, ``missed`` what surveys miss. What is
    missing falls back to starting values."""

    depths: Mapping[tuple[int, int | None, Condition], Depth] = field(default_factory=dict)
    minutes: Mapping[int, Minutes] = field(default_factory=dict)
    finish: Mapping[tuple[str, int], FinishModel] = field(default_factory=dict)
    life: Mapping[tuple[str, int], tuple[float, Origin]] = field(default_factory=dict)
    life_shape: float = starting.LIFE_SHAPE
    edge_lives: Mapping[int, Any] = field(default_factory=dict)
    skin: Mapping[str, SkinWear] = field(default_factory=dict)
    missed: Missed | None = None

    def depth(self, family: Family, face: Face, condition: Condition) -> Depth:
        """The clean-up depth of a face of this family in this condition, before it is measured."""
        known = self.depths.get((family.id, face.id, condition))
        return known if known is not None else starting_depth(family, face, condition)

    def steps(self, family: Family) -> Minutes:
        known = self.minutes.get(family.id)
        return known if known else Minutes(start_of(family), STARTING, STARTING_STRETCH)

    def index_minutes(self) -> tuple[float, Origin]:
        """Minutes of an index with its touch-off: as clocked, every family borrows from the others, so their middle is
        the shop's."""
        known = sorted(self.minutes.values(), key=lambda m: m.steps.index)
        if not known:
            return starting.INDEX_MINUTES, STARTING
        middle = known[len(known) // 2]
        return median(m.steps.index for m in known), middle.index

    def rebuild_mm(self, family: Family, face: Face) -> tuple[float, Origin]:
        """What one more rebuild takes: the family's normal clean-up depth (median) and half a thou."""
        normal = self.depth(family, face, Condition.NORMAL)
        return normal.likely_mm + starting.REBUILD_EXTRA_MM, normal.origin


def edge_life_mm(shop: Shop, knowledge: Knowledge, material: str, grade_id: int) -> tuple[float, Origin]:
    """Path (mm) one edge of a grade lasts in a material: learned, from its recipe, or a starting value."""
    known = knowledge.life.get((material, grade_id))
    if known:
        return known
    for recipe in shop.recipes.values():
        if recipe.material == material and recipe.grade_id == grade_id and recipe.capacity_path_mm:
            return recipe.capacity_path_mm, Origin(Source.STARTING, note="from the recipe")
    # a material without a figure of its own is taken for the hardest on the edge
    return starting.CAPACITY_PATH_MM.get(material, starting.CAPACITY_PATH_MM["grey_iron"]), STARTING


def skin_wear(shop: Shop, knowledge: Knowledge, skin: str) -> SkinWear:
    """How many times as fast a kind of skin wears an edge: as the shop set it, learned, or a starting value."""
    told = shop.settings.skin_wear.get(skin)
    if told is not None:
        return SkinWear(told, told, told, Origin(Source.TYPED, note="page Shop, settings"))
    known = knowledge.skin.get(skin)
    if known is not None:
        return known
    factor, doubt = starting.SKIN_FACTOR[skin], math.exp(1.96 * starting.SKIN_LOG_SD)
    return SkinWear(factor, factor / doubt, factor * doubt, STARTING)


def skin_factor(shop: Shop, knowledge: Knowledge, condition: Condition) -> float:
    """How many times as fast a cut in this condition wears the edge; 1 where its skin is not harsh."""
    skin = starting.SKIN_OF.get(Condition(condition))
    return 1.0 if skin is None else skin_wear(shop, knowledge, skin).factor


def starting_depth(family: Family, face: Face, condition: Condition) -> Depth:
    start = starting.clean_up_depth(family.material, family.kind, condition, face.kind is FaceKind.PARTING)
    return Depth(LogNormalDepth(start.median_mm, start.sigma), STARTING)


def learn_depths(shop: Shop) -> dict[tuple[int, int | None, Condition], Depth]:
    """Fit every family, face and condition that the open jobs name, and their normal condition; thin records borrow
    from their kind and the shop."""
    wanted: dict[tuple[int, int, Condition], None] = {}
    for job in shop.open_jobs():
        part = shop.parts.get(job.part_id)
        if part is not None and part.family_id in shop.families:
            wanted[part.family_id, job.face_id, part.condition] = None
            wanted[part.family_id, job.face_id, Condition.NORMAL] = None
    rows = _rows(shop)
    return {key: learn_depth(shop, *key, rows=rows) for key in wanted}


def learn_depth(shop: Shop, family_id: int, face_id: int, condition: Condition, rows: list | None = None) -> Depth:
    """Fit one family's face in one condition. Raises `InputError` for a face the family does not have."""
    family = shop.families[family_id]
    pooled = _pool(_rows(shop) if rows is None else rows, family, family.face(face_id), condition)
    return Depth(pooled.distribution, origin_of(pooled))


def _rows(shop: Shop) -> list:
    found = []
    for record in shop.depth_records:
        family = shop.families.get(record.family_id)
        if family is not None:
            face = next((f for f in family.faces if f.id == record.face_id), family.faces[0])
            found.append((record, family, face, _start(family, face, record.condition)))
    return found


def know(shop: Shop, work: WorkRecords | None = None) -> Knowledge:
    """What the cuts of a shop teach. ``work``: their minutes and roughness; without it those stay starting values.

    How long edges last is learned where the ledger is known: `planner.week.learning`.
    """
    if work is None:
        return Knowledge(depths=learn_depths(shop))
    minutes = {i: minutes_of(m) for i, m in learn_work_minutes(shop, work).items()}
    return Knowledge(depths=learn_depths(shop), minutes=minutes, finish=learn_finishes(shop, work))


def minutes_of(found: WorkMinutes) -> Minutes:
    """Learned minutes as the plan uses them."""
    origin = origin_of(found.total)
    if found.clocked:
        timed = max(learned.records.family for learned in found.clocked.values())
        if timed:
            note = f"{timed} timed step by step"
            origin = replace(origin, note=f"{origin.note}; {note}" if origin.note else note)
    clocked = found.clocked.get("index")
    index = STARTING
    if clocked is not None and clocked.records.learned:
        behind = clocked.records
        index = learned(behind.family + behind.kind + behind.shop, "clocked")
    return Minutes(found.steps, origin, found.stretch, index)


def origin_of(pooled: PooledDepth | LearnedMinutes) -> Origin:
    """The origin of a pooled figure: own records, borrowed ones, or the starting value."""
    behind = pooled.records
    if behind.family:
        lent = [whose for n, whose in ((behind.kind, "its kind"), (behind.shop, "the shop")) if n and behind.borrowed]
        return learned(behind.family, f"borrowing from {' and '.join(lent)}" if lent else "")
    if behind.learned:
        return Origin(Source.LEARNED, behind.kind + behind.shop, "of the shop's other families")
    return STARTING


def _start(family: Family, face: Face, condition: Condition) -> starting.DepthStart:
    return starting.clean_up_depth(family.material, family.kind, condition, face.kind is FaceKind.PARTING)


def _pool(rows, family: Family, face: Face, condition: Condition) -> PooledDepth:
    group = starting.group(family.material, family.kind)
    own, kind, shop = [], [], []
    for record, other, other_face, start in rows:
        if record.condition is not condition:
            continue
        if other.id == family.id and other_face.id == face.id:
            own.append((record, start))
        elif starting.group(other.material, other.kind) == group and other_face.kind is face.kind:
            kind.append((record, start))
        else:
            shop.append((record, start))
    begin = _start(family, face, condition)
    mine, near = _joined(own), _joined(kind)
    # what lies farther away is worth five records: it is not asked where the nearer ones are many
    if len(mine) >= ENOUGH:
        near, shop = DepthRecords.none(), []
    elif len(near) >= ENOUGH:
        shop = []
    return pool_depths(DepthPrior(begin.median_mm, begin.sigma), mine, near, _joined(shop))


def _joined(found: list) -> DepthRecords:
    if not found:
        return DepthRecords.none()
    return DepthRecords(
        np.concatenate([r.lower_mm for r, _ in found]),
        np.concatenate([r.upper_mm for r, _ in found]),
        np.concatenate([np.full(len(r.lower_mm), s.median_mm) for r, s in found]),
    )
