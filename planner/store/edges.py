"""Edge changes in the repository: what the ledger allows is stored, append-only; a second session is told."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Any

from sqlalchemy import Connection, func, select, update

from planner.cut.setups import SpeedWear
from planner.edge import CutSpend, Edge, EdgeState, Event, Fitted, Ledger, Mounted, Replaced, Reversed, WearReading
from planner.errors import InputError
from planner.shop import Cut, EdgeInUse, Insert
from planner.store import tables
from planner.store.base import SHOP, Base, add_row, require, touched
from planner.store.codec import plain
from planner.store.edge_log import (
    INTO_POCKET,
    KINDS,
    EdgeEvent,
    EdgeKey,
    EdgeLog,
    Names,
    Pocket,
    all_events,
    cutter_places,
    replay,
    standing,
    stays,
    stored_event,
)
from planner.store.errors import StaleRecord
from planner.store.rows import standing_cuts
from planner.store.spent import SKIN_BY_NAME, ran_at, read_speed_wear

__all__ = ["KINDS", "EdgeEvent", "Edges", "check_uses", "edge_work", "edges_in_use", "mounts_of_cut"]


class Edges(Base):
    """The ledger of inserts and edges: `ledger`, `add_edge_events`, `open_insert`, `pockets`, `edge_work`."""

    def add_edge_event(self, event: Event, seen: int | None = None) -> Ledger:
        """Store one change; see `add_edge_events`."""
        return self.add_edge_events((event,), seen)

    def add_edge_events(self, events: Iterable[Event], seen: int | None = None) -> Ledger:
        """Store changes (events of `planner.edge`, cutters, grades and inserts by name) together, or none; returns the
        ledger after them. A new label opens an insert: its row is made and the grade's stock goes down.

        Raises `InputError` for what cannot have happened. ``seen``: ``len(ledger.log)`` the caller saw; when the change
        is impossible and somebody changed the ledger since, `StaleRecord` says who and when instead.
        """
        with self.writing(SHOP) as connection:
            self.insert_edge_events(connection, events, seen)
            return _read_log(connection).ledger

    def insert_edge_events(self, connection: Connection, events: Iterable[Event], seen: int | None = None) -> None:
        """As `add_edge_events`, within a transaction."""
        for event in events:
            log = _read_log(connection)
            try:
                if isinstance(event, Reversed):
                    _take_back(connection, log, event)
                else:
                    _append(connection, log, event)
            except InputError as problem:
                if seen is not None and len(log.ledger.log) > seen:
                    raise _stale(log, problem) from problem
                raise
            if seen is not None:
                seen += 1

    def open_insert(self, grade_id: int, label: str, at: datetime, by: str = "") -> Insert:
        """Take one insert of a grade out of the stock and label it, before it is fitted."""
        with self.writing(SHOP) as connection:
            require(connection, tables.grades, grade_id, "grade_id", "an insert grade of the shop")
            name, _, stock = Names.read(connection).grades[grade_id]
            if stock < 1:
                raise InputError("grade", name, "a grade with unopened inserts; none is left")
            opened = _insert_row(connection, label, grade_id)
            _insert_event(connection, EdgeEvent("opened", at, by, insert_id=opened.id, grade_id=grade_id))
            _set_stock(connection, grade_id, stock - 1, by, at)
            return opened

    def ledger(self) -> Ledger:
        """The ledger as it stands, the work of each edge filled in from recorded cuts (reversed ones left out).

        Wear paths are those at the recipe's speed; what of them ran in harsh skin stands apart (`Ledger.weighed` counts
        it as often as the skin wears). Revolutions are 0: they follow from a cut's path (`turns_of_path`). The log holds
        the changes, not the cuts.
        """
        with self.reading() as connection:
            return _with_work(connection, _read_log(connection))

    def edge_events(self, everything: bool = False) -> tuple[EdgeEvent, ...]:
        """Stored events in order; ``everything``: with those taken back and the entries that do it."""
        with self.reading() as connection:
            events = all_events(connection)
        return events if everything else standing(events)

    def edge_version(self) -> int:
        """Moves when an edge change is stored: a cheap read."""
        ((last,),) = self._glance(f"SELECT max(id) FROM {tables.edge_events.name}")
        return last or 0

    def pockets(self) -> dict[Pocket, EdgeKey]:
        """(cutter id, pocket from 1) -> (insert id, position) of every edge that sits in a pocket now."""
        with self.reading() as connection:
            return {s.pocket: s.edge for s in stays(standing(all_events(connection))) if s.until is None}

    def edge_work(self, insert_id: int | None = None) -> dict[EdgeKey, dict[str, tuple[float, float]]]:
        """(insert id, position) -> material -> (path mm, swept mm²), reversed cuts taken off. Lives of a reground
        position are added up; `ledger` keeps them apart."""
        with self.reading() as connection:
            uses = tables.edge_uses
            return edge_work(connection, None if insert_id is None else uses.c.insert_id == insert_id)


def edge_work(connection: Connection, condition: Any = None) -> dict[EdgeKey, dict[str, tuple[float, float]]]:
    """Path and swept area by edge and material."""
    uses = tables.edge_uses
    query = select(
        uses.c.insert_id, uses.c.position, uses.c.material, func.sum(uses.c.path_mm), func.sum(uses.c.swept_mm2)
    ).group_by(uses.c.insert_id, uses.c.position, uses.c.material)
    if condition is not None:
        query = query.where(condition)
    work: dict[EdgeKey, dict[str, tuple[float, float]]] = {}
    for insert_id, position, material, path, swept in connection.execute(query):
        # a sum of entries that cancel may end a hair below zero
        work.setdefault((insert_id, position), {})[material] = (max(path, 0.0), max(swept, 0.0))
    return work


def edges_in_use(
    connection: Connection, inserts: Mapping[int, Insert], speeds: SpeedWear
) -> tuple[tuple[EdgeInUse, ...], dict[int, int]]:
    """Edges in pockets with the work of their present life by material, and unused positions of opened inserts by
    grade (those in a cutter, beside the edge at work, included)."""
    events = standing(all_events(connection))
    held = [s for s in stays(events) if s.until is None]
    uses = tables.edge_uses
    used = {tuple(row) for row in connection.execute(select(uses.c.insert_id, uses.c.position).distinct())}
    used |= {(e.insert_id, e.position) for e in events if e.kind in INTO_POCKET}
    reground: dict[EdgeKey, datetime] = {}
    away = set()
    for event in events:
        if event.kind == "to regrind":
            away.add(event.insert_id)
        elif event.kind == "back from regrind":
            away.discard(event.insert_id)
            for position in event.payload.get("positions", (1,)):
                reground[event.insert_id, position] = event.at
                fitted = (
                    e
                    for e in events
                    if e.kind in INTO_POCKET and (e.insert_id, e.position) == (event.insert_id, position)
                )
                if not any(e.at >= event.at for e in fitted):
                    used.discard((event.insert_id, position))
    wanted = {stay.edge[0] for stay in held}
    work = _present_work(connection, wanted, reground, speeds) if wanted else {}
    edges = tuple(
        EdgeInUse(
            *stay.pocket,
            *stay.edge,
            inserts[stay.edge[0]].grade_id,
            stay.since,
            *work.get(stay.edge, ({}, {}, {}, {})),
        )
        for stay in sorted(held, key=lambda s: s.pocket)
    )
    ready: dict[int, int] = {}
    mistaken = _never_opened(connection, events)
    for key, item in inserts.items():
        if item.scrapped or key in mistaken or key in away:
            continue
        unused = sum((key, position) not in used for position in range(1, item.positions + 1))
        if unused:
            ready[item.grade_id] = ready.get(item.grade_id, 0) + unused
    return edges, ready


def check_uses(connection: Connection, cut: Cut) -> None:
    """Raise `InputError` for a use of an edge that was not in the cutter while it cut, or a cutter with an empty
    pocket. An edge taken out before the cut began does not count; one that is in now does."""
    if not cut.uses:
        return
    began = cut.started or cut.ended
    here = [s for s in stays(standing(all_events(connection))) if s.until is None or s.until >= began]
    if cut.cutter_id is not None:
        here = [s for s in here if s.pocket[0] == cut.cutter_id]
        table = tables.cutters
        count = connection.execute(select(table.c.inserts).where(table.c.id == cut.cutter_id)).scalar_one()
        empty = set(range(1, count + 1)) - {s.pocket[1] for s in here}
        if empty:
            raise InputError("cut.cutter_id", cut.cutter_id, f"a cutter with all pockets filled; {min(empty)} is empty")
    edges = {s.edge for s in here}
    for i, use in enumerate(cut.uses):
        if (use.insert_id, use.position) not in edges:
            raise InputError(
                f"cut.uses[{i}]", (use.insert_id, use.position), "an edge that was in the cutter while it cut"
            )


def mounts_of_cut(connection: Connection, cut: Cut) -> tuple[Mounted, ...]:
    """What a recorded cut says about where its cutter sits, where the ledger has it elsewhere: taken from there, and put
    on its machine in place of the one there. Nothing, where somebody moved a cutter since."""
    if cut.machine_id is None or cut.cutter_id is None:
        return ()
    at, places = cut.started or cut.ended, cutter_places(standing(all_events(connection)))
    here = places.get(cut.cutter_id)
    other = next((c for c, p in places.items() if p.machine_id == cut.machine_id and c != cut.cutter_id), None)
    if here is not None and here.machine_id == cut.machine_id:
        return ()
    if any(place is not None and place.since > at for place in (here, places.get(other))):
        return ()
    names = Names.read(connection)
    down = () if other is None else (Mounted(at=at, by=cut.by, cutter=names.cutters[other][0], machine=""),)
    up = Mounted(at=at, by=cut.by, cutter=names.cutters[cut.cutter_id][0], machine=names.machines[cut.machine_id])
    return (*down, up)


def _may_go_on(connection: Connection, names: Names, event: Mounted) -> None:
    """A cutter kept for one machine goes on no other."""
    cutters = {name: key for key, (name, _) in names.cutters.items()}
    if not event.machine or event.cutter not in cutters:
        return
    query = select(tables.cutters.c.machine_id).where(tables.cutters.c.id == cutters[event.cutter])
    only = connection.execute(query).scalar_one()
    if event.machine not in names.machines.values():
        raise InputError("machine", event.machine, "a machine of the shop")
    if only is not None and names.machines[only] != event.machine:
        raise InputError("machine", event.machine, f"{names.machines[only]}: this cutter goes on no other (page Shop)")


def _read_log(connection: Connection) -> EdgeLog:
    return replay(Names.read(connection), standing(all_events(connection)))


def _append(connection: Connection, log: EdgeLog, event: Event) -> None:
    names = Names.read(connection)
    if isinstance(event, Mounted):
        _may_go_on(connection, names, event)
    event, before = _known_insert(connection, names, log.ledger, event)
    after = before.apply(event)
    ids = {name: key for key, (name, _, _) in names.grades.items()}
    for label in set(after.inserts) - set(before.inserts):
        _opened_by_fitting(connection, names, label, ids[after.inserts[label].grade])
    for grade, count in after.drawer.items():
        if count != names.stock[grade]:
            _set_stock(connection, ids[grade], count, event.by, event.at)
    stored = stored_event(event, Names.read(connection))
    _insert_event(connection, stored)
    if stored.kind == "scrapped":
        _set_scrapped(connection, stored.insert_id, True)


def _known_insert(connection: Connection, names: Names, ledger: Ledger, event: Event) -> tuple[Event, Ledger]:
    """An insert that was labelled before but never fitted brings its grade; unless it went back, it has left the stock
    already, so the ledger, which opens an insert at its first fitting, is shown one more."""
    if not isinstance(event, (Fitted, Replaced)):
        return event, ledger
    label = event.new_insert if isinstance(event, Replaced) else event.insert
    for key, (known, grade_id) in names.inserts.items():
        if known == label and label not in ledger.inserts:
            grade = names.grades[grade_id][0]
            if event.grade and event.grade != grade:
                raise InputError("grade", event.grade, f"the grade insert {label} was labelled with, {grade}")
            event = dataclasses.replace(event, grade=grade)
            if key not in _never_opened(connection, standing(all_events(connection))):
                drawer = {**ledger.drawer, grade: ledger.drawer[grade] + 1}
                ledger = dataclasses.replace(ledger, drawer=MappingProxyType(drawer))
    return event, ledger


def _opened_by_fitting(connection: Connection, names: Names, label: str, grade_id: int) -> None:
    if label not in {known for known, _ in names.inserts.values()}:
        _insert_row(connection, label, grade_id)


def _never_opened(connection: Connection, events: tuple[EdgeEvent, ...]) -> set[int]:
    """Inserts whose only fittings were taken back: they are in the stock again, though their label stays known."""
    table = tables.edge_events
    query = select(table.c.insert_id).where(table.c.kind.in_(INTO_POCKET), table.c.insert_id.is_not(None)).distinct()
    return set(connection.execute(query).scalars()) - {e.insert_id for e in events}


def _take_back(connection: Connection, log: EdgeLog, event: Reversed) -> None:
    if not isinstance(event.number, int) or not 0 <= event.number < len(log.event_ids):
        raise InputError("number", event.number, "the number of an event in the log")
    event_id = log.event_ids[event.number]
    events = standing(all_events(connection))
    gone = next(e for e in events if e.id == event_id)
    if gone.kind == "counted":
        raise InputError("number", event.number, "another event than a count: count again instead")
    names = Names.read(connection)
    try:
        after = replay(names, (e for e in events if e.id != event_id)).ledger
    except InputError as problem:
        raise InputError("number", event.number, f"an event nothing later rests on; {problem}") from problem
    if gone.kind in INTO_POCKET and _cut_with(connection, gone):
        raise InputError(
            "number", event.number, "an event before which nothing was cut with that edge: reverse the cut"
        )
    _insert_event(
        connection,
        EdgeEvent("reversed", event.at, event.by, reverses_id=event_id, insert_id=None, note=f"takes back {gone.kind}"),
    )
    if gone.kind == "received":
        stock = names.grades[gone.grade_id][2] - (gone.count or 0)
        if stock < 0:
            raise InputError("number", event.number, "an event whose inserts are still in the stock")
        _set_stock(connection, gone.grade_id, stock, event.by, event.at)
    if gone.kind == "scrapped":
        _set_scrapped(connection, gone.insert_id, False)
    for label in set(log.ledger.inserts) - set(after.inserts):
        key, grade_id = next((k, g) for k, (known, g) in names.inserts.items() if known == label)
        if key in _never_opened(connection, standing(all_events(connection))):
            _set_stock(connection, grade_id, names.grades[grade_id][2] + 1, event.by, event.at)


def _cut_with(connection: Connection, fitting: EdgeEvent) -> bool:
    uses, cuts = tables.edge_uses, tables.cuts
    query = (
        select(uses.c.id)
        .join(cuts, cuts.c.id == uses.c.cut_id)
        .where(
            standing_cuts(),
            uses.c.insert_id == fitting.insert_id,
            uses.c.position == fitting.position,
            cuts.c.ended >= fitting.at,
        )
    )
    return connection.execute(query.limit(1)).first() is not None


def _insert_event(connection: Connection, event: EdgeEvent) -> None:
    values = {f.name: getattr(event, f.name) for f in dataclasses.fields(event) if f.name != "id"}
    values["payload"] = plain(event.payload, "event.payload")
    add_row(connection, tables.edge_events, values)


def _insert_row(connection: Connection, label: str, grade_id: int) -> Insert:
    grades, table = tables.grades, tables.inserts
    positions = connection.execute(select(grades.c.positions).where(grades.c.id == grade_id)).scalar_one()
    new = Insert(label, grade_id, positions=positions)
    if connection.execute(select(table.c.id).where(func.lower(table.c.label) == new.label.lower())).first():
        raise InputError("insert.label", label, "a label no other insert has")
    values = {"label": new.label, "grade_id": grade_id, "positions": positions, "scrapped": False}
    key = add_row(connection, table, values)
    return dataclasses.replace(new, id=key)


def _set_scrapped(connection: Connection, insert_id: int, scrapped: bool) -> None:
    connection.execute(update(tables.inserts).where(tables.inserts.c.id == insert_id).values(scrapped=scrapped))


def _set_stock(connection: Connection, grade_id: int, stock: int, by: str, at: datetime) -> None:
    table = tables.grades
    values = {"stock": stock} | touched(table, by, at)
    connection.execute(update(table).where(table.c.id == grade_id).values(values))


def _stale(log: EdgeLog, problem: InputError) -> StaleRecord:
    last = log.ledger.log[-1]
    who = last.by or "somebody"
    said = (
        f"{who} changed the inserts on {last.at:%d %b %Y at %H:%M}, after you looked; nothing of yours was stored. "
        f"The {problem.field.replace('_', ' ')} {problem.value} no longer holds: {problem.accepted}."
    )
    return StaleRecord("the inserts", theirs=log.ledger, by=last.by, at=last.at, said=said)


def _present_work(
    connection: Connection, inserts: set[int], reground: Mapping[EdgeKey, datetime], speeds: SpeedWear
) -> dict[EdgeKey, tuple[dict, dict, dict, dict]]:
    """(insert id, position) -> path, swept area and path at the recipe's speed by material, and what of the last ran in
    harsh skin by (material, skin), of the present life."""
    uses, cuts = tables.edge_uses, tables.cuts
    keys = (uses.c.insert_id, uses.c.position, uses.c.material, tables.inserts.c.grade_id, *ran_at(cuts))
    query = (
        select(*keys, func.sum(uses.c.path_mm), func.sum(uses.c.swept_mm2))
        .join(cuts, cuts.c.id == uses.c.cut_id)
        .join(tables.inserts, tables.inserts.c.id == uses.c.insert_id)
        # not the entries that take cuts back: they do not repeat the speed
        .where(standing_cuts())
        .group_by(*keys)
    )
    found: dict[EdgeKey, tuple[dict, dict, dict, dict]] = {}

    def add(rows: Iterable[Any]) -> None:
        for insert_id, position, material, grade_id, condition, speed, machine, cutter, path, swept in rows:
            paths, areas, worn, in_skin = found.setdefault((insert_id, position), ({}, {}, {}, {}))
            wear = path * speeds.of(material, grade_id, speed, machine, cutter)
            paths[material] = paths.get(material, 0.0) + path
            areas[material] = areas.get(material, 0.0) + swept
            worn[material] = worn.get(material, 0.0) + wear
            skin = SKIN_BY_NAME.get(condition)
            if skin:
                in_skin[material, skin] = in_skin.get((material, skin), 0.0) + wear

    add(connection.execute(query.where(uses.c.insert_id.in_(inserts))))
    for edge, since in reground.items():
        found.pop(edge, None)
        here = (uses.c.insert_id == edge[0]) & (uses.c.position == edge[1]) & (cuts.c.ended >= since)
        add(connection.execute(query.where(here)))
    return found


def _with_work(connection: Connection, log: EdgeLog) -> Ledger:
    uses, cuts = tables.edge_uses, tables.cuts
    known = Names.read(connection).inserts
    labels = {key: label for key, (label, _) in known.items()}
    speeds = read_speed_wear(connection)
    query = (
        select(
            uses.c.insert_id,
            uses.c.position,
            uses.c.material,
            uses.c.path_mm,
            uses.c.swept_mm2,
            cuts.c.id,
            cuts.c.ended,
            *ran_at(cuts),
        )
        .join(cuts, cuts.c.id == uses.c.cut_id)
        .where(standing_cuts())
        .order_by(cuts.c.ended, cuts.c.id)
    )
    # a position's lives begin anew when the insert comes back reground
    begins: dict[tuple[str, int], list[datetime]] = {}
    for event in standing(all_events(connection)):
        if event.kind == "back from regrind":
            for position in event.payload.get("positions", (1,)):
                begins.setdefault((labels[event.insert_id], position), []).append(event.at)
    works: dict[tuple[str, int, int], dict[str, list[float]]] = {}
    skins: dict[tuple[str, int, int], dict[tuple[str, str], list[float]]] = {}
    made: dict[tuple[str, int, int], list[str]] = {}
    last: dict[tuple[str, int, int], tuple[str, str]] = {}
    course: dict[tuple[str, int, int], list[tuple[datetime, str, str, float]]] = {}
    for insert_id, position, material, path, swept, cut_id, ended, condition, *ran in connection.execute(query):
        label, grade_id = known[insert_id]
        life = sum(at <= ended for at in begins.get((label, position), ()))
        key = (label, position, life)
        wear, skin = path * speeds.of(material, grade_id, *ran), SKIN_BY_NAME.get(condition, "")
        totals = [works.setdefault(key, {}).setdefault(material, [0.0, 0.0, 0.0])]
        if skin:
            totals.append(skins.setdefault(key, {}).setdefault((material, skin), [0.0, 0.0, 0.0]))
        for total in totals:
            total[0] += path
            total[1] += wear
            total[2] += swept
        made.setdefault(key, []).append(str(cut_id))
        course.setdefault(key, []).append((ended, material, skin, wear))
        last[key] = (material, skin)

    def filled(edge: Edge, life: int) -> Edge:
        key = (edge.insert, edge.position, life)
        if key not in works:
            return edge
        work = {m: CutSpend(p, wear, p, s, 0.0) for m, (p, wear, s) in works[key].items()}
        in_skin = {which: CutSpend(p, wear, p, s, 0.0) for which, (p, wear, s) in skins.get(key, {}).items()}
        state = EdgeState.PART_USED if edge.state is EdgeState.UNUSED else edge.state
        readings = tuple(_read_after(reading, course[key]) for reading in edge.readings)
        return dataclasses.replace(
            edge,
            work=MappingProxyType(work),
            in_skin=MappingProxyType(in_skin),
            cuts=tuple(made[key]),
            last_material=last[key][0],
            last_skin=last[key][1],
            state=state,
            readings=readings,
        )

    inserts = {}
    for label, item in log.ledger.inserts.items():
        lives: dict[int, int] = {}
        past = []
        for edge in item.past:
            past.append(filled(edge, lives.get(edge.position, 0)))
            lives[edge.position] = lives.get(edge.position, 0) + 1
        now = tuple(filled(edge, lives.get(edge.position, 0)) for edge in item.edges)
        inserts[label] = dataclasses.replace(item, past=tuple(past), edges=now)
    cut_ids = frozenset(cut for cuts_made in made.values() for cut in cuts_made)
    return dataclasses.replace(log.ledger, inserts=MappingProxyType(inserts), cut_ids=cut_ids)


def _read_after(reading: WearReading, course: list[tuple[datetime, str, str, float]]) -> WearReading:
    """A wear reading with the path the edge had cut when it was taken."""
    path: dict[str, float] = {}
    in_skin: dict[tuple[str, str], float] = {}
    for ended, material, skin, wear in course:
        if ended <= reading.at:
            path[material] = path.get(material, 0.0) + wear
            if skin:
                in_skin[material, skin] = in_skin.get((material, skin), 0.0) + wear
    return dataclasses.replace(reading, path_mm=MappingProxyType(path), skin_mm=MappingProxyType(in_skin))
