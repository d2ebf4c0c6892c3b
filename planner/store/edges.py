"""The ledger of edge changes: append-only events, checked against the state the caller saw."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from planner.errors import InputError
from planner.shop import Cut, EdgeInUse, Insert
from planner.store import tables
from planner.store.base import SHOP, Base, require
from planner.store.codec import plain
from planner.store.errors import StaleRecord

KINDS = (
    "received",
    "opened",
    "fitted",
    "indexed",
    "replaced",
    "chipped",
    "cleaned",
    "to regrind",
    "back from regrind",
    "counted",
    "scrapped",
    "retired",
    "reversed",
)
_INTO_POCKET = ("fitted", "indexed", "replaced")
_OUT_OF_POCKET = ("chipped", "retired", "scrapped", "to regrind")

Pocket = tuple[int, int]
Edge = tuple[int, int]


@dataclass(frozen=True)
class EdgeEvent:
    """One change of an insert, an edge or the stock. Which fields matter depends on the kind."""

    kind: str
    at: datetime
    by: str = ""
    insert_id: int | None = None
    position: int | None = None
    cutter_id: int | None = None
    pocket: int | None = None
    grade_id: int | None = None
    count: int | None = None
    cost: float | None = None
    note: str = ""
    cut_id: int | None = None
    reverses_id: int | None = None
    payload: Mapping[str, Any] = field(default_factory=dict)
    id: int | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError("event.kind", self.kind, "one of " + ", ".join(KINDS))
        if self.kind == "reversed" and self.reverses_id is None:
            raise InputError("event.reverses_id", None, "the event that is taken back")
        if self.kind in _INTO_POCKET:
            for name in ("insert_id", "position", "cutter_id", "pocket"):
                if getattr(self, name) is None:
                    raise InputError(f"event.{name}", None, f"insert, position, cutter and pocket for {self.kind}")


@dataclass(frozen=True)
class EdgeState:
    """Where the edges are: pocket -> (edge, since), and every edge that was ever fitted."""

    pockets: Mapping[Pocket, tuple[Edge, datetime]]
    fitted_ever: frozenset[Edge]


class Edges(Base):
    """Edge events and what follows from them."""

    def add_edge_event(self, event: EdgeEvent, seen: Mapping[Pocket, Edge | None] | None = None) -> EdgeEvent:
        """Store one event; see `add_edge_events`."""
        return self.add_edge_events((event,), seen)[0]

    def add_edge_events(
        self, events: Iterable[EdgeEvent], seen: Mapping[Pocket, Edge | None] | None = None
    ) -> tuple[EdgeEvent, ...]:
        """Store events together, or none. ``seen``: (cutter id, pocket) -> (insert id, position) or None for an empty
        pocket, as the caller saw them; `StaleRecord` when one holds another edge by now. Raises `InputError` for what
        cannot happen: an edge in two pockets, a position the insert does not have, stock below 0."""
        with self.writing(SHOP) as connection:
            return self.insert_edge_events(connection, events, seen)

    def insert_edge_events(self, connection: Connection, events: Iterable[EdgeEvent], seen: Any) -> tuple:
        """As `add_edge_events`, within a transaction."""
        state = _fold(_standing_events(connection))
        for pocket, edge in (seen or {}).items():
            now = state.pockets.get(pocket, (None, None))[0]
            if now != edge:
                raise _stale_pocket(connection, pocket)
        stored = []
        for event in events:
            _check_event(connection, event)
            values = {name: getattr(event, name) for name in EdgeEvent.__dataclass_fields__ if name != "id"}
            values["payload"] = plain(event.payload, "event.payload")
            key = connection.execute(insert(tables.edge_events).values(values)).inserted_primary_key[0]
            _move_stock(connection, event)
            stored.append(EdgeEvent(**{**values, "id": key}))
        _fold(_standing_events(connection))
        return tuple(stored)

    def open_insert(self, grade_id: int, label: str, at: datetime, by: str = "") -> Insert:
        """Open one insert from the stock of a grade: the insert, the event, the stock one lower."""
        with self.writing(SHOP) as connection:
            require(connection, tables.grades, grade_id, "grade_id", "an insert grade of the shop")
            positions = connection.execute(
                select(tables.grades.c.positions).where(tables.grades.c.id == grade_id)
            ).scalar_one()
            new = Insert(label, grade_id, positions=positions)
            table = tables.inserts
            if connection.execute(select(table.c.id).where(func.lower(table.c.label) == new.label.lower())).first():
                raise InputError("insert.label", label, "a label no other insert has")
            query = insert(table).values(label=new.label, grade_id=grade_id, positions=positions, scrapped=False)
            key = connection.execute(query).inserted_primary_key[0]
            self.insert_edge_events(connection, (EdgeEvent("opened", at, by, insert_id=key, grade_id=grade_id),), None)
            return Insert(new.label, grade_id, key, positions)

    def edge_events(
        self, insert_id: int | None = None, cutter_id: int | None = None, everything: bool = False
    ) -> tuple[EdgeEvent, ...]:
        """Events in the order they were stored; ``everything``: with those taken back and the entries that do it."""
        with self.reading() as connection:
            events = _all_events(connection) if everything else _standing_events(connection)
        return tuple(
            e
            for e in events
            if (insert_id is None or e.insert_id == insert_id) and (cutter_id is None or e.cutter_id == cutter_id)
        )

    def pockets(self) -> dict[Pocket, Edge]:
        """(cutter id, pocket) -> (insert id, position) of every edge that sits in a pocket now."""
        with self.reading() as connection:
            state = _fold(_standing_events(connection))
        return {pocket: edge for pocket, (edge, _) in state.pockets.items()}

    def edge_work(self, insert_id: int | None = None) -> dict[Edge, dict[str, tuple[float, float]]]:
        """(insert id, position) -> material -> (path mm, swept mm²) of every edge, reversed cuts taken off."""
        with self.reading() as connection:
            uses = tables.edge_uses
            return edge_work(connection, None if insert_id is None else uses.c.insert_id == insert_id)


def edge_work(connection: Connection, condition: Any = None) -> dict[Edge, dict[str, tuple[float, float]]]:
    """Path and swept area by edge and material."""
    uses = tables.edge_uses
    query = select(
        uses.c.insert_id, uses.c.position, uses.c.material, func.sum(uses.c.path_mm), func.sum(uses.c.swept_mm2)
    ).group_by(uses.c.insert_id, uses.c.position, uses.c.material)
    if condition is not None:
        query = query.where(condition)
    work: dict[Edge, dict[str, tuple[float, float]]] = {}
    for insert_id, position, material, path, swept in connection.execute(query):
        # a sum of entries that cancel may end a hair below zero
        work.setdefault((insert_id, position), {})[material] = (max(path, 0.0), max(swept, 0.0))
    return work


def edges_in_use(connection: Connection, inserts: Mapping[int, Insert]) -> tuple[tuple[EdgeInUse, ...], dict[int, int]]:
    """Edges in pockets with their work by material, and unused positions of opened inserts by grade."""
    state = _fold(_standing_events(connection))
    wanted = {edge[0] for edge, _ in state.pockets.values()}
    work = edge_work(connection, tables.edge_uses.c.insert_id.in_(wanted)) if wanted else {}
    edges = tuple(
        EdgeInUse(
            cutter_id,
            pocket,
            edge[0],
            edge[1],
            inserts[edge[0]].grade_id,
            since,
            {m: p for m, (p, _) in work.get(edge, {}).items()},
            {m: s for m, (_, s) in work.get(edge, {}).items()},
        )
        for (cutter_id, pocket), (edge, since) in sorted(state.pockets.items())
    )
    ready: dict[int, int] = {}
    for key, item in inserts.items():
        if not item.scrapped:
            unused = sum((key, p) not in state.fitted_ever for p in range(1, item.positions + 1))
            if unused:
                ready[item.grade_id] = ready.get(item.grade_id, 0) + unused
    return edges, ready


def check_uses(connection: Connection, cut: Cut) -> None:
    """Raise `InputError` for an edge use of a position the insert does not have, or of an edge never fitted."""
    if not cut.uses:
        return
    positions = dict(connection.execute(select(tables.inserts.c.id, tables.inserts.c.positions)).all())
    fitted = _fold(_standing_events(connection)).fitted_ever
    for i, use in enumerate(cut.uses):
        if use.position > positions.get(use.insert_id, 0):
            raise InputError(f"cut.uses[{i}]", (use.insert_id, use.position), "an edge of an opened insert")
        if (use.insert_id, use.position) not in fitted:
            raise InputError(f"cut.uses[{i}]", (use.insert_id, use.position), "an edge that was fitted to a cutter")


def _all_events(connection: Connection) -> tuple[EdgeEvent, ...]:
    rows = connection.execute(select(tables.edge_events).order_by(tables.edge_events.c.id)).mappings()
    return tuple(EdgeEvent(**row) for row in rows)


def _standing_events(connection: Connection) -> tuple[EdgeEvent, ...]:
    events = _all_events(connection)
    undone = {e.reverses_id for e in events}
    return tuple(e for e in events if e.reverses_id is None and e.id not in undone)


def _fold(events: Iterable[EdgeEvent]) -> EdgeState:
    pockets: dict[Pocket, tuple[Edge, datetime]] = {}
    ever: set[Edge] = set()
    for event in events:
        if event.kind in _INTO_POCKET:
            edge, pocket = (event.insert_id, event.position), (event.cutter_id, event.pocket)
            pockets.pop(pocket, None)
            for other, ((insert_id, _), _since) in pockets.items():
                if insert_id == event.insert_id:
                    raise InputError("event.pocket", pocket, f"an insert in no other pocket (it is in {other})")
            pockets[pocket] = (edge, event.at)
            ever.add(edge)
        elif event.kind in _OUT_OF_POCKET and event.insert_id is not None:
            for pocket in [p for p, (edge, _) in pockets.items() if edge[0] == event.insert_id]:
                del pockets[pocket]
    return EdgeState(pockets, frozenset(ever))


def _check_event(connection: Connection, event: EdgeEvent) -> None:
    require(connection, tables.inserts, event.insert_id, "event.insert_id", "an opened insert")
    require(connection, tables.cutters, event.cutter_id, "event.cutter_id", "a cutter of the shop")
    require(connection, tables.grades, event.grade_id, "event.grade_id", "an insert grade of the shop")
    if event.position is not None:
        table = tables.inserts
        positions = connection.execute(select(table.c.positions).where(table.c.id == event.insert_id)).scalar() or 0
        if not 1 <= event.position <= positions:
            raise InputError("event.position", event.position, f"a position from 1 to {positions}")
    if event.pocket is not None:
        table = tables.cutters
        pockets = connection.execute(select(table.c.inserts).where(table.c.id == event.cutter_id)).scalar() or 0
        if not 1 <= event.pocket <= pockets:
            raise InputError("event.pocket", event.pocket, f"a pocket from 1 to {pockets}")
    if event.reverses_id is not None:
        standing = {e.id for e in _standing_events(connection)}
        if event.reverses_id not in standing:
            raise InputError("event.reverses_id", event.reverses_id, "an event that stands")


def _move_stock(connection: Connection, event: EdgeEvent) -> None:
    table = tables.grades
    if event.kind == "scrapped" and event.insert_id is not None:
        query = update(tables.inserts).where(tables.inserts.c.id == event.insert_id)
        connection.execute(query.values(scrapped=True))
    if event.kind not in ("received", "opened", "counted") or event.grade_id is None:
        return
    stock = connection.execute(select(table.c.stock).where(table.c.id == event.grade_id)).scalar_one()
    after = {
        "received": stock + (event.count or 0),
        "opened": stock - 1,
        "counted": stock if event.count is None else event.count,
    }[event.kind]
    if after < 0:
        raise InputError("event.count", event.count, f"no more than the stock, {stock}")
    values = {"stock": after, "version": table.c.version + 1, "changed_by": event.by, "changed_at": event.at}
    connection.execute(update(table).where(table.c.id == event.grade_id).values(values))


def _stale_pocket(connection: Connection, pocket: Pocket) -> StaleRecord:
    table = tables.edge_events
    query = select(table.c.by, table.c.at).where(table.c.cutter_id == pocket[0], table.c.pocket == pocket[1])
    last = connection.execute(query.order_by(table.c.id.desc()).limit(1)).first()
    by, at = (last.by, last.at) if last else ("", None)
    return StaleRecord(f"pocket {pocket[1]} of cutter {pocket[0]}", by=by, at=at)
