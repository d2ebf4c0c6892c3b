"""Find: one box that takes any mark of a part and shows it with all earlier cuts and the total removed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

from sqlalchemy import Connection, select

from planner.shop import Cut, Family, Part
from planner.store import tables
from planner.store.base import Base
from planner.store.references import mark_key, same_part
from planner.store.rows import load_nouns, standing_cuts

MOST_FOUND = 50


@dataclass(frozen=True)
class Found:
    """A part with its past.

    ``earlier``: other records of the same physical part (same engine serial and position in the family), oldest
    first. ``cuts``: standing cuts of all of them, oldest first. ``removed_mm``: face id -> depth those cuts took.
    ``removed_before_mm``: what was taken before the oldest of these records, None = unknown.
    """

    part: Part
    family: Family
    marks: tuple[str, ...] = ()
    earlier: tuple[Part, ...] = ()
    cuts: tuple[Cut, ...] = ()
    removed_mm: Mapping[int, float] = field(default_factory=dict)
    removed_before_mm: float | None = None


class Finding(Base):
    """Parts by their marks."""

    def find(self, text: str, limit: int = MOST_FOUND) -> tuple[Found, ...]:
        """Parts whose tag, work order, engine serial, casting or part number or second mark is ``text``, or ends with
        it (four characters or more); capitals, blanks and dashes do not matter. Newest records first."""
        key = mark_key(text or "")
        if not key:
            return ()
        marks = tables.part_marks
        if len(key) >= 4:
            # the index narrows by the last four characters, what stands before them is compared here
            condition = (marks.c.tail == key[-4:]) & marks.c.mark.endswith(key, autoescape=True)
        elif len(text.strip()) >= 4:
            condition = marks.c.mark.endswith(key, autoescape=True)
        else:
            condition = marks.c.mark == key
        with self.reading() as connection:
            hits: dict[int, set[str]] = defaultdict(set)
            query = select(marks.c.part_id, marks.c.kind).where(condition).order_by(marks.c.part_id.desc())
            for part_id, kind in connection.execute(query):
                if part_id in hits or len(hits) < limit:
                    hits[part_id].add(kind.replace("_", " "))
            return _with_past(connection, hits)

    def history_of(self, part_id: int) -> Found | None:
        """One part with its past, or None."""
        with self.reading() as connection:
            found = _with_past(connection, {part_id: set()})
        return found[0] if found else None


def _with_past(connection: Connection, hits: Mapping[int, set[str]]) -> tuple[Found, ...]:
    table = tables.parts
    parts = load_nouns(connection, Part, table.c.id.in_(list(hits)))
    keys = {same_part(p) for p in parts.values()} - {""}
    related = parts | (load_nouns(connection, Part, table.c.same_part.in_(keys)) if keys else {})
    groups: dict[str, list[Part]] = defaultdict(list)
    for part in related.values():
        groups[same_part(part) or f"part {part.id}"].append(part)
    cuts: dict[int, list[Cut]] = defaultdict(list)
    for cut in load_nouns(connection, Cut, tables.cuts.c.part_id.in_(list(related)) & standing_cuts()).values():
        cuts[cut.part_id].append(cut)
    families = load_nouns(connection, Family, tables.families.c.id.in_({p.family_id for p in parts.values()}))
    found = []
    for part_id in sorted(parts, reverse=True):
        part = parts[part_id]
        group = sorted(groups[same_part(part) or f"part {part_id}"], key=lambda p: p.id)
        earlier = tuple(p for p in group if p.id < part_id)
        past = sorted((c for p in (*earlier, part) for c in cuts[p.id]), key=lambda c: (c.ended, c.id))
        removed: dict[int, float] = defaultdict(float)
        for cut in past:
            removed[cut.face_id] += cut.stop_depth_mm
        oldest = earlier[0] if earlier else part
        found.append(
            Found(
                part,
                families[part.family_id],
                tuple(sorted(hits[part_id])),
                earlier,
                tuple(past),
                dict(removed),
                oldest.removed_before_mm,
            )
        )
    return tuple(found)
