"""Edge changes as they are stored, and as the ledger of `planner.edge` understands them.

A stored event points to cutters, grades and inserts by id, so that a new name does not change the past; the ledger
speaks of names and labels. What is impossible is decided by the ledger alone.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Any

from sqlalchemy import Connection, select

from planner.edge import (
    BackFromRegrind,
    Chipped,
    Cleaned,
    Counted,
    End,
    Event,
    Fitted,
    Indexed,
    Ledger,
    Mounted,
    Received,
    Replaced,
    Scrapped,
    SentForRegrind,
    TakenOut,
    WearRead,
)
from planner.errors import InputError
from planner.shop import CutterPlace
from planner.shop.checks import text
from planner.store import tables

KINDS = (
    "received",
    "counted",
    "opened",
    "mounted",
    "fitted",
    "taken out",
    "indexed",
    "replaced",
    "chipped",
    "cleaned",
    "wear read",
    "to regrind",
    "back from regrind",
    "scrapped",
    "reversed",
)
INTO_POCKET = ("fitted", "indexed", "replaced")
# more than any drawer holds: the past is replayed without asking whether the stock was typed in at the time
_PLENTY = 10**9

Pocket = tuple[int, int]
EdgeKey = tuple[int, int]


@dataclass(frozen=True)
class EdgeEvent:
    """One stored event. ``insert_id`` and ``position`` are as they are after it; ``payload`` holds ``from_insert_id``
    and ``from_position`` (what was in the pocket before), ``end`` (how that edge ended), ``positions`` (reground),
    ``machine_id`` (of a mounted cutter), ``wear_mm`` (of a reading). ``cost`` is for all ``count`` inserts together."""

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
        object.__setattr__(self, "by", text("event.by", self.by, longest=60))
        object.__setattr__(self, "note", text("event.note", self.note, longest=500))
        if self.kind == "reversed" and self.reverses_id is None:
            raise InputError("event.reverses_id", None, "the event that is taken back")
        if self.kind in INTO_POCKET:
            for name in ("insert_id", "position", "cutter_id", "pocket"):
                if getattr(self, name) is None:
                    raise InputError(f"event.{name}", None, f"insert, position, cutter and pocket for {self.kind}")


@dataclass(frozen=True)
class Names:
    """Names by id and ids by name of what the ledger speaks of."""

    cutters: Mapping[int, tuple[str, int]]  # name, pockets
    grades: Mapping[int, tuple[str, int, int]]  # name, positions, unopened
    inserts: Mapping[int, tuple[str, int]]  # label, grade id
    machines: Mapping[int, str]

    @classmethod
    def read(cls, connection: Connection) -> Names:
        def rows(table, *columns):
            query = select(table.c.id, *(table.c[name] for name in columns))
            return {row[0]: tuple(row[1:]) for row in connection.execute(query)}

        return cls(
            rows(tables.cutters, "name", "inserts"),
            rows(tables.grades, "name", "positions", "stock"),
            rows(tables.inserts, "label", "grade_id"),
            {key: name for key, (name,) in rows(tables.machines, "name").items()},
        )

    @property
    def stock(self) -> dict[str, int]:
        """Unopened inserts by name of the grade."""
        return {name: stock for name, _, stock in self.grades.values()}


@dataclass(frozen=True)
class EdgeLog:
    """The ledger of all standing events, and for each entry of its log the id of the stored event."""

    ledger: Ledger
    event_ids: tuple[int, ...]


def all_events(connection: Connection) -> tuple[EdgeEvent, ...]:
    """Every stored event in order."""
    rows = connection.execute(select(tables.edge_events).order_by(tables.edge_events.c.id)).mappings()
    return tuple(EdgeEvent(**row) for row in rows)


def standing(events: Iterable[EdgeEvent]) -> tuple[EdgeEvent, ...]:
    """Events that were not taken back, without the entries that take back."""
    events = tuple(events)
    undone = {e.reverses_id for e in events}
    return tuple(e for e in events if e.reverses_id is None and e.id not in undone)


def replay(names: Names, events: Iterable[EdgeEvent]) -> EdgeLog:
    """The ledger after standing events; its drawer is the stock of the grades as it stands now.

    Raises `InputError` naming the stored event that cannot have happened.
    """
    grades = {name: positions for name, positions, _ in names.grades.values()}
    plenty = MappingProxyType(dict.fromkeys(grades, _PLENTY))
    ledger = Ledger.start(grades, dict(names.cutters.values()))
    ids = []
    for event in events:
        spoken = spoken_event(event, names, ledger)
        if spoken is None:
            continue
        try:
            ledger = dataclasses.replace(ledger, drawer=plenty).apply(spoken)
        except InputError as problem:
            raise InputError(f"edge event {event.id}: {problem.field}", problem.value, problem.accepted) from problem
        ids.append(event.id)
    return EdgeLog(dataclasses.replace(ledger, drawer=MappingProxyType(names.stock)), tuple(ids))


def spoken_event(event: EdgeEvent, names: Names, ledger: Ledger) -> Event | None:
    """A stored event in the ledger's words; None for the opening of an insert, which the ledger sees when the insert
    is first fitted."""
    when = {"at": event.at, "by": event.by}
    kind, told = event.kind, event.payload
    if kind in ("received", "counted"):
        grade, count = names.grades[event.grade_id][0], event.count or 0
        if kind == "counted":
            return Counted(grade=grade, inserts=count, **when)
        return Received(grade=grade, inserts=count, price_each=_each(event), **when)
    if kind == "opened":
        return None
    if kind == "mounted":
        machine = names.machines.get(told.get("machine_id"), "")
        return Mounted(cutter=names.cutters[event.cutter_id][0], machine=machine, **when)
    label, grade_id = names.inserts[event.insert_id]
    if kind == "to regrind":
        return SentForRegrind(insert=label, **when)
    if kind == "back from regrind":
        positions = tuple(told.get("positions", (1,)))
        return BackFromRegrind(insert=label, cost=event.cost or 0.0, positions=positions, **when)
    if kind == "scrapped":
        return Scrapped(insert=label, **when)
    place = when | {"cutter": names.cutters[event.cutter_id][0], "pocket": event.pocket}
    if kind == "wear read":
        return WearRead(insert=label, wear_mm=told["wear_mm"], **place)
    if kind in ("chipped", "cleaned"):
        return (Chipped if kind == "chipped" else Cleaned)(insert=label, **place)
    end = End(told["end"]) if told.get("end") else None
    if kind == "taken out":
        return TakenOut(insert=label, end=end, **place)
    if kind == "indexed":
        return Indexed(
            insert=label, from_position=told.get("from_position"), to_position=event.position, end=end, **place
        )
    grade = "" if label in ledger.inserts else names.grades[grade_id][0]
    if kind == "fitted":
        return Fitted(insert=label, position=event.position, grade=grade, **place)
    before = names.inserts[told["from_insert_id"]][0]
    return Replaced(insert=before, end=end, new_insert=label, new_position=event.position, grade=grade, **place)


def stored_event(event: Event, names: Names) -> EdgeEvent:
    """An event in the ledger's words as it is stored. The ledger has checked it, so every name is known; a new insert
    must have its row by now."""
    cutters = {name: key for key, (name, _) in names.cutters.items()}
    grades = {row[0]: key for key, row in names.grades.items()}
    inserts = {label: key for key, (label, _) in names.inserts.items()}
    machines = {name: key for key, name in names.machines.items()}
    row: dict[str, Any] = {"at": event.at, "by": event.by}
    told: dict[str, Any] = {}
    if hasattr(event, "cutter"):
        row["cutter_id"] = cutters[event.cutter]
    if hasattr(event, "pocket"):
        row["pocket"] = event.pocket
    if getattr(event, "end", None) is not None:
        told["end"] = End(event.end).value
    if isinstance(event, (Received, Counted)):
        row |= {"kind": "counted", "grade_id": grades[event.grade], "count": event.inserts}
        if isinstance(event, Received):
            row["kind"] = "received"
            row["cost"] = None if event.price_each is None else event.price_each * event.inserts
    elif isinstance(event, Mounted):
        if event.machine and event.machine not in machines:
            raise InputError("machine", event.machine, "a machine of the shop")
        row["kind"] = "mounted"
        told["machine_id"] = machines.get(event.machine)
    elif isinstance(event, Replaced):
        row |= {"kind": "replaced", "insert_id": inserts[event.new_insert], "position": event.new_position}
        told["from_insert_id"] = inserts[event.insert]
    elif isinstance(event, Indexed):
        row |= {"kind": "indexed", "insert_id": inserts[event.insert], "position": event.to_position}
        told |= {"from_insert_id": inserts[event.insert], "from_position": event.from_position}
    else:
        kinds = {
            Fitted: "fitted",
            TakenOut: "taken out",
            Chipped: "chipped",
            Cleaned: "cleaned",
            WearRead: "wear read",
            SentForRegrind: "to regrind",
            BackFromRegrind: "back from regrind",
            Scrapped: "scrapped",
        }
        if type(event) not in kinds:
            raise InputError("event", event, "an edge change; cuts are recorded with record_cut")
        row |= {"kind": kinds[type(event)], "insert_id": inserts[event.insert]}
        if isinstance(event, Fitted):
            row["position"] = event.position
        if isinstance(event, WearRead):
            told["wear_mm"] = event.wear_mm
        if isinstance(event, BackFromRegrind):
            row["cost"] = event.cost
            told["positions"] = list(event.positions)
    return EdgeEvent(**row, payload=told)


@dataclass(frozen=True)
class Stay:
    """An edge's stay in a pocket; ``until`` None = it is there now."""

    edge: EdgeKey
    pocket: Pocket
    since: datetime
    until: datetime | None = None


def stays(events: Iterable[EdgeEvent]) -> tuple[Stay, ...]:
    """Every stay of an edge in a pocket, from standing events."""
    done: list[Stay] = []
    now: dict[Pocket, Stay] = {}
    for event in events:
        if event.kind not in (*INTO_POCKET, "taken out"):
            continue
        pocket = (event.cutter_id, event.pocket)
        if pocket in now:
            done.append(dataclasses.replace(now.pop(pocket), until=event.at))
        if event.kind in INTO_POCKET:
            now[pocket] = Stay((event.insert_id, event.position), pocket, event.at)
    return (*done, *now.values())


def cutter_places(events: Iterable[EdgeEvent]) -> dict[int, CutterPlace]:
    """Cutter id -> where it sits and since when, from standing events; cutters nobody mounted are left out."""
    return {
        e.cutter_id: CutterPlace(e.payload.get("machine_id"), e.at)
        for e in sorted((e for e in events if e.kind == "mounted"), key=lambda e: e.at)
    }


def _each(event: EdgeEvent) -> float | None:
    return None if event.cost is None or not event.count else event.cost / event.count
