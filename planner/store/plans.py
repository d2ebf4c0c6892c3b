"""Accepted plans: versions with who and when. What was accepted stays as it was; a newer one stands beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select

from planner.errors import InputError
from planner.store import tables
from planner.store.base import Base, add_row, signed
from planner.store.errors import StaleRecord
from planner.store.runs import checked_payload


@dataclass(frozen=True)
class AcceptedPlan:
    """One accepted plan. ``payload`` holds order, assignment, timeline rows and totals as the planner gave them;
    ``data_version`` is that of the shop it was made from, ``stored_version`` the one its acceptance made."""

    id: int
    at: datetime
    by: str
    note: str
    data_version: int
    stored_version: int
    payload: Mapping[str, Any]


class Plans(Base):
    """Accepting plans and looking them up."""

    def accept_plan(
        self,
        payload: Mapping[str, Any],
        by: str,
        at: datetime,
        data_version: int,
        note: str = "",
        seen_plan_id: int | None = None,
    ) -> AcceptedPlan:
        """Store an accepted plan. ``data_version``: of the shop the plan was made from. ``seen_plan_id``: the current
        plan the caller saw (0 = none); `StaleRecord` when somebody accepted another one meanwhile."""
        if not by:
            raise InputError("by", by, "who accepts the plan")
        by, at = signed(by, at)
        held = checked_payload(payload)
        with self.writing() as connection:
            table = tables.plans
            current = connection.execute(select(table).order_by(table.c.id.desc()).limit(1)).mappings().first()
            if seen_plan_id is not None and seen_plan_id != (current["id"] if current else 0):
                raise StaleRecord(
                    "the plan", by=current["by"] if current else "", at=current["at"] if current else None
                )
            now = connection.execute(select(tables.meta.c.data_version)).scalar_one()
            values = {
                "at": at,
                "by": by,
                "note": note,
                "data_version": data_version,
                "stored_version": now,
                "payload": held,
            }
            return AcceptedPlan(add_row(connection, table, values), **values)

    def current_plan(self) -> AcceptedPlan | None:
        """The plan accepted last, or None."""
        with self.reading() as connection:
            table = tables.plans
            row = connection.execute(select(table).order_by(table.c.id.desc()).limit(1)).mappings().first()
        return None if row is None else AcceptedPlan(**row)

    def plan_history(self, limit: int = 50) -> tuple[AcceptedPlan, ...]:
        """Accepted plans, newest first."""
        with self.reading() as connection:
            table = tables.plans
            rows = connection.execute(select(table).order_by(table.c.id.desc()).limit(limit)).mappings()
            return tuple(AcceptedPlan(**row) for row in rows)
