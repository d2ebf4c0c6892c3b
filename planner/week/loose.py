"""Loose parts on the shelf as the pool sees them: natural final height, doubt, side, what must stay together."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from planner.cut.knowledge import Knowledge
from planner.match.pool import PoolPart
from planner.shop import HeightStage, Part, PartState, Shop

_LEFT, _RIGHT = {"left", "l", "lh", "port"}, {"right", "r", "rh", "starboard"}


@dataclass(frozen=True)
class PoolChoices:
    """What the lead asked of the pool: pairs of tags that stay together, tags to leave out."""

    together: tuple[tuple[str, str], ...] = ()
    leave_out: tuple[str, ...] = ()

    def payload(self) -> dict:
        return {"together": [list(pair) for pair in self.together], "leave_out": list(self.leave_out)}

    @classmethod
    def of(cls, payload: Mapping | None) -> PoolChoices:
        found = payload or {}
        return cls(tuple((a, b) for a, b in found.get("together", ())), tuple(found.get("leave_out", ())))


@dataclass(frozen=True)
class Pool:
    """Loose parts: those that can be paired, by tag what they are, and why the others cannot be."""

    parts: tuple[PoolPart, ...] = ()
    tags: Mapping[str, Part] = field(default_factory=dict)
    heights_mm: Mapping[str, float] = field(default_factory=dict)
    removals_mm: Mapping[str, float] = field(default_factory=dict)
    without: Mapping[str, str] = field(default_factory=dict)


def side_of(part: Part) -> str | None:
    """The side a part's position names: "left", "right", or None where it names neither."""
    words = set(re.split(r"[\W_]+", part.position.lower()))
    if words & _LEFT:
        return "left"
    return "right" if words & _RIGHT else None


def loose_parts(shop: Shop) -> tuple[Part, ...]:
    """Parts on the shelf that are in no set, in order of arrival."""
    in_set = {shop.jobs[j].part_id for s in shop.sets.values() for j in s.job_ids if j in shop.jobs}
    found = [p for p in shop.parts.values() if p.state is PartState.SHELF and p.id not in in_set]
    return tuple(sorted(found, key=lambda p: p.id))


def pool_of(shop: Shop, knowledge: Knowledge, choices: PoolChoices | None = None) -> Pool:
    """The pool: natural final height is the mean measured height of the family's first face less its likely clean-up
    depth; the doubt of that depth and of the height goes with it."""
    choices = choices or PoolChoices()
    parts, tags, heights, removals, without = [], {}, {}, {}, {}
    loose = loose_parts(shop)
    sided = _sided(loose)
    partner = dict(choices.together) | {b: a for a, b in choices.together}
    known = {p.tag for p in loose}
    for part in loose:
        family = shop.family_of(part)
        face = family.faces[0]
        standing = part.latest_heights_mm(face.id)
        tags[part.tag] = part
        if not standing:
            without[part.tag] = "not measured yet"
            continue
        side = side_of(part)
        if side is None and sided.get(part.family_id):
            without[part.tag] = "which side it is for is not said, and others of its family are left or right"
            continue
        values = [h.height_mm for h in standing.values()]
        doubts = [h.repeatability_mm for h in standing.values() if h.repeatability_mm is not None]
        depth = knowledge.depth(family, face, part.condition)
        mean = float(np.mean(values))
        least = face.least_height_mm
        stays = partner.get(part.tag)
        # one that was cut already stays as it was measured after the cut
        done = all(h.stage is HeightStage.FINISHED for h in standing.values())
        removal, spread = (0.0, 0.0) if done else (depth.likely_mm, float(depth.distribution.std()))
        heights[part.tag], removals[part.tag] = mean, removal
        parts.append(
            PoolPart(
                part.tag,
                family.name,
                mean - removal,
                math.hypot(spread, max(doubts, default=shop.settings.height_repeatability_mm)),
                side,
                None if least is None else least + mean - min(values),
                together=stays if stays in known else None,
                leave_out=part.tag in choices.leave_out,
            )
        )
    measured = {p.name for p in parts}
    kept = tuple(p if p.together in measured else replace(p, together=None) for p in parts)
    return Pool(kept, tags, heights, removals, without)


def _sided(parts: Iterable[Part]) -> dict[int, bool]:
    found: dict[int, bool] = {}
    for part in parts:
        found[part.family_id] = found.get(part.family_id, False) or side_of(part) is not None
    return found
