"""What every edge did, cut by cut, and how much work the shop brings its edges."""

from __future__ import annotations

import math
from datetime import datetime

import pandas as pd
from sqlalchemy import func, select

from planner.store import tables
from planner.store.base import Base
from planner.store.edge_log import all_events, standing
from planner.store.rows import standing_cuts
from planner.store.spent import SKIN_BY_NAME, ran_at, read_speed_wear

__all__ = ["EdgeHistory"]


class EdgeHistory(Base):
    """Uses of edges: `edge_cuts`, `edge_load`."""

    def edge_cuts(self) -> pd.DataFrame:
        """Every use of an edge by a cut that stands, in order of time. Columns cut (id), at, insert (label), position,
        life (0 = first grind), grade, material, part (tag), part_id, condition, path_mm, wear_mm (path at the
        recipe's speed, not weighed by skin), speed_m_min (NaN = not recorded), swept_mm2, ra_um (mean of the readings,
        NaN without), face_id, cutter_id (None = not recorded)."""
        uses, cuts, inserts, grades, parts = (
            tables.edge_uses,
            tables.cuts,
            tables.inserts,
            tables.grades,
            tables.parts,
        )
        query = (
            select(
                cuts.c.id,
                cuts.c.ended,
                uses.c.insert_id,
                inserts.c.label,
                uses.c.position,
                grades.c.name,
                uses.c.material,
                parts.c.tag,
                cuts.c.part_id,
                cuts.c.condition,
                uses.c.path_mm,
                uses.c.swept_mm2,
                cuts.c.ra_um,
                inserts.c.grade_id,
                *ran_at(cuts)[1:],
                cuts.c.face_id,
            )
            .join(cuts, cuts.c.id == uses.c.cut_id)
            .join(inserts, inserts.c.id == uses.c.insert_id)
            .join(grades, grades.c.id == inserts.c.grade_id)
            .join(parts, parts.c.id == cuts.c.part_id)
            .where(standing_cuts())
            .order_by(cuts.c.ended, cuts.c.id)
        )
        with self.reading() as connection:
            speeds = read_speed_wear(connection)
            begun: dict[tuple[int, int], list[datetime]] = {}
            for event in standing(all_events(connection)):
                if event.kind == "back from regrind":
                    for position in event.payload.get("positions", (1,)):
                        begun.setdefault((event.insert_id, position), []).append(event.at)
            rows = [
                (
                    *(row[0], row[1], row[3], row[4]),
                    sum(at <= row[1] for at in begun.get((row[2], row[4]), ())),
                    *row[5:11],
                    row[10] * speeds.of(row[6], row[13], *row[14:17]),
                    math.nan if row[14] is None else row[14],
                    row[11],
                    sum(row[12]) / len(row[12]) if row[12] else math.nan,
                    row[17],
                    row[16],
                )
                for row in connection.execute(query)
            ]
        columns = ["cut", "at", "insert", "position", "life", "grade", "material", "part", "part_id", "condition"]
        return pd.DataFrame(
            rows, columns=[*columns, "path_mm", "wear_mm", "speed_m_min", "swept_mm2", "ra_um", "face_id", "cutter_id"]
        )

    def edge_load(self, since: datetime, until: datetime) -> dict[tuple[int, str, str], float]:
        """(grade id, material, skin; "" = clean metal) -> path at the recipe's speed, mm, of all its edges together over a
        stretch of time."""
        uses, cuts, inserts = tables.edge_uses, tables.cuts, tables.inserts
        keys = (inserts.c.grade_id, uses.c.material, *ran_at(cuts))
        query = (
            select(*keys, func.sum(uses.c.path_mm))
            .join(cuts, cuts.c.id == uses.c.cut_id)
            .join(inserts, inserts.c.id == uses.c.insert_id)
            .where(cuts.c.ended > since, cuts.c.ended <= until, standing_cuts())
            .group_by(*keys)
        )
        found: dict[tuple[int, str, str], float] = {}
        with self.reading() as connection:
            speeds = read_speed_wear(connection)
            for grade_id, material, condition, *ran, path in connection.execute(query):
                key = (grade_id, material, SKIN_BY_NAME.get(condition, ""))
                found[key] = found.get(key, 0.0) + path * speeds.of(material, grade_id, *ran)
        return found
