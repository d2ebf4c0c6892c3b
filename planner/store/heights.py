"""Height readings: append-only, corrected by entries that reverse them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, insert, select

from planner.errors import InputError
from planner.shop import HeightReading, Part
from planner.store import tables
from planner.store.base import SHOP, Base, add_row, require, signed
from planner.store.references import check_face
from planner.store.rows import load_nouns, noun_of, standing_heights, values_of


class Heights(Base):
    """Readings of a part's heights, beside the part itself."""

    def add_heights(self, part_id: int, readings: Iterable[HeightReading]) -> Part:
        """Add height readings to a part (append-only; the part's version stays, so an open form is not refused)."""
        with self.writing(SHOP) as connection:
            require(connection, tables.parts, part_id, "part_id", "a part of the shop")
            insert_heights(connection, part_id, readings)
            return load_nouns(connection, Part, tables.parts.c.id == part_id)[part_id]

    def height_ids(self, part_id: int) -> tuple[tuple[int, HeightReading], ...]:
        """The part's standing readings with their ids, oldest first."""
        with self.reading() as connection:
            return standing_height_rows(connection, tables.height_readings.c.part_id == part_id)

    def reverse_height(self, reading_id: int, reason: str, by: str, at: datetime) -> None:
        """Correct a mistaken reading by an entry that reverses it; both stay in the record."""
        with self.writing(SHOP) as connection:
            if not reverse_heights(connection, tables.height_readings.c.id == reading_id, reason, by, at):
                raise InputError("reading_id", reading_id, "a reading that stands")


def missing(wanted: Iterable[HeightReading], stored: Iterable[HeightReading]) -> list[HeightReading]:
    """Readings of ``wanted`` that are not among ``stored`` (each counted as often as it stands)."""
    left = list(stored)
    new = []
    for reading in wanted:
        if reading in left:
            left.remove(reading)
        else:
            new.append(reading)
    return new


def insert_heights(
    connection: Connection, part_id: int, readings: Iterable[HeightReading], cut_id: int | None = None
) -> None:
    """Append readings of a part; raises `InputError` for a face that is not its family's."""
    readings = tuple(readings)
    for face_id in sorted({r.face_id for r in readings}):
        check_face(connection, part_id, face_id, "height.face_id")
    rows = [values_of(r, tables.height_readings) | {"part_id": part_id, "cut_id": cut_id} for r in readings]
    if rows:
        connection.execute(insert(tables.height_readings), rows)


def standing_height_rows(connection: Connection, condition: ColumnElement) -> tuple[tuple[int, HeightReading], ...]:
    """Readings that stand, with their ids, oldest first."""
    table = tables.height_readings
    query = select(table).where(condition, standing_heights()).order_by(table.c.at, table.c.id)
    rows = connection.execute(query).mappings()
    return tuple((row["id"], noun_of(HeightReading, table, row)) for row in rows)


def reverse_heights(connection: Connection, condition: ColumnElement, reason: str, by: str, at: datetime) -> int:
    """Append an entry that reverses each standing reading that meets ``condition``; returns how many."""
    if not reason.strip():
        raise InputError("reason", reason, "why the reading is taken back")
    by, at = signed(by, at)
    table = tables.height_readings
    rows = connection.execute(select(table).where(condition, standing_heights())).mappings().all()
    for row in rows:
        entry = dict(row) | {"id": None, "reverses_id": row["id"], "correction": reason, "by": by, "at": at}
        del entry["id"]
        add_row(connection, table, entry)
    return len(rows)
