"""Where every insert and edge is and what it has cut: an immutable state moved by events, each possible or refused.

`Ledger.apply` returns a new ledger or raises `InputError` with the reason and changes nothing; what happened stays in
``log``. A reversal replays the log without the reversed event and is refused while a later event depends on it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType

from planner.edge import events as ev
from planner.edge.ends import End
from planner.edge.wear import CutSpend
from planner.errors import InputError

__all__ = ["Edge", "EdgeState", "Insert", "InsertPlace", "Ledger", "Pocket", "WearReading"]


class EdgeState(StrEnum):
    """What an edge is fit for."""

    UNUSED = "unused"
    CUTTING = "in the cutter"
    PART_USED = "part used"
    RETIRED = "retired"


class InsertPlace(StrEnum):
    """Where an opened insert is."""

    DRAWER = "drawer"
    POCKET = "pocket"
    REGRIND = "out for regrind"
    SCRAPPED = "scrapped"


_RETIRING = frozenset({End.WORN, End.LOOKED_WORN, End.FINISH_LOST, End.CHIPPED, End.BY_RULE, End.LOST})


# two readings of one land agree within this: a smaller fall is no fall
READING_SCATTER_MM = 0.05


@dataclass(frozen=True)
class WearReading:
    """The wear land of an edge at some time, and the wear path it had cut by then, by material, mm; ``skin_mm`` what of
    it ran in harsh skin, unweighed, by (material, skin)."""

    at: datetime
    wear_mm: float
    path_mm: Mapping[str, float]
    skin_mm: Mapping[tuple[str, str], float] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True)
class Edge:
    """One life of one position of an insert. ``work`` by material; ``in_skin`` what of it ran in harsh skin, by
    (material, skin), until `weighed`; ``cuts`` the ids of the cuts it made, in order; ``last_material`` and
    ``last_skin`` those of the last."""

    insert: str
    grade: str
    position: int
    grind: int = 0  # how often the insert had been reground
    state: EdgeState = EdgeState.UNUSED
    end: End | None = None
    ended_at: datetime | None = None
    work: Mapping[str, CutSpend] = field(default_factory=lambda: MappingProxyType({}))
    in_skin: Mapping[tuple[str, str], CutSpend] = field(default_factory=lambda: MappingProxyType({}))
    cuts: tuple[str, ...] = ()
    last_material: str = ""
    last_skin: str = ""
    cleanings: int = 0
    readings: tuple[WearReading, ...] = ()

    @property
    def swept_mm2(self) -> float:
        """Area machined on this edge, all materials."""
        return sum(spend.swept_mm2 for spend in self.work.values())

    @property
    def chip_path_mm(self) -> float:
        return sum(spend.chip_path_mm for spend in self.work.values())

    def wear_paths(self, materials: Iterable[str]) -> tuple[float, ...]:
        """Wear path per material, mm, in the order given."""
        return tuple(self.work[m].wear_path_mm if m in self.work else 0.0 for m in materials)

    def weighed(self, wear: Mapping[str, float], chips: Mapping[str, float]) -> Edge:
        """The edge with its paths in harsh skin counted as often as the skin wears (``wear``) and chips (``chips``) as
        readily as clean metal, factors by skin; a skin without one counts once."""
        if not self.in_skin and not any(r.skin_mm for r in self.readings):
            return self
        work = dict(self.work)
        for (material, skin), spend in self.in_skin.items():
            whole = work[material]
            work[material] = replace(
                whole,
                wear_path_mm=whole.wear_path_mm + (wear.get(skin, 1.0) - 1.0) * spend.wear_path_mm,
                chip_path_mm=whole.chip_path_mm + (chips.get(skin, 1.0) - 1.0) * spend.chip_path_mm,
            )
        readings = []
        for reading in self.readings:
            path = dict(reading.path_mm)
            for (material, skin), part in reading.skin_mm.items():
                path[material] += (wear.get(skin, 1.0) - 1.0) * part
            readings.append(replace(reading, path_mm=_view(path), skin_mm=_view({})))
        return replace(self, work=_view(work), in_skin=_view({}), readings=tuple(readings))


@dataclass(frozen=True)
class Insert:
    """An opened insert: the present life of each position in ``edges``, earlier lives in ``past``."""

    label: str
    grade: str
    edges: tuple[Edge, ...]
    place: InsertPlace = InsertPlace.DRAWER
    past: tuple[Edge, ...] = ()
    regrinds: int = 0
    price: float | None = None
    regrind_cost: float = 0.0


@dataclass(frozen=True)
class Pocket:
    """What sits in a pocket: insert, position at work, since when."""

    insert: str
    position: int
    since: datetime


@dataclass(frozen=True)
class Ledger:
    """The inserts of a shop. Begin with `Ledger.start`, go on with `apply`, rebuild with `replay`.

    ``positions``: edges per insert by grade. ``drawer``: unopened inserts by grade. ``pockets``: by cutter, None where
    empty. ``machines``: machine of each cutter and since when, None on the shelf. ``prices``: last price by grade.
    """

    positions: Mapping[str, int]
    drawer: Mapping[str, int]
    pockets: Mapping[str, tuple[Pocket | None, ...]]
    machines: Mapping[str, tuple[str, datetime] | None]
    inserts: Mapping[str, Insert]
    cut_ids: frozenset[str]
    prices: Mapping[str, float]
    log: tuple[ev.Event, ...] = ()

    @classmethod
    def start(cls, grades: Mapping[str, int], cutters: Mapping[str, int]) -> Ledger:
        """An empty ledger for grades (name: positions per insert) and cutters (name: pockets)."""
        for name, count in grades.items():
            ev.whole(f"grades[{name}]", count, 1)
        for name, count in cutters.items():
            ev.whole(f"cutters[{name}]", count, 1)
        return cls(
            positions=_view(grades),
            drawer=_view(dict.fromkeys(grades, 0)),
            pockets=_view({name: (None,) * count for name, count in cutters.items()}),
            machines=_view(dict.fromkeys(cutters)),
            inserts=_view({}),
            cut_ids=frozenset(),
            prices=_view({}),
        )

    @classmethod
    def replay(cls, grades: Mapping[str, int], cutters: Mapping[str, int], log: Iterable[ev.Event]) -> Ledger:
        """The ledger after a whole log; events reversed later are passed over."""
        kept = tuple(log)
        gone = {e.number for e in kept if isinstance(e, ev.Reversed)}
        ledger = cls.start(grades, cutters)
        cut_ids: set[str] = set()
        for number, event in enumerate(kept):
            if number in gone or isinstance(event, ev.Reversed):
                continue
            try:
                if isinstance(event, ev.Cut):
                    _new_cut(event, cut_ids)
                    cut_ids.add(event.cut_id)
                ledger = ledger._moved(event)
            except InputError as problem:
                raise InputError(f"log[{number}].{problem.field}", problem.value, problem.accepted) from problem
        return replace(ledger, log=kept, cut_ids=frozenset(cut_ids))

    def apply(self, event: ev.Event) -> Ledger:
        """The ledger after one more event; `InputError` with the reason when it cannot have happened."""
        if isinstance(event, ev.Reversed):
            return self._without(event)
        cut_ids = self.cut_ids
        if isinstance(event, ev.Cut):
            _new_cut(event, cut_ids)
            cut_ids = cut_ids | {event.cut_id}
        return replace(self._moved(event), log=(*self.log, event), cut_ids=cut_ids)

    def edge_in(self, cutter: str, pocket: int) -> Edge | None:
        """The edge at work in a pocket (from 1), None where the pocket is empty."""
        held = self._cutter(cutter)[self._pocket_number(cutter, pocket)]
        return None if held is None else self.inserts[held.insert].edges[held.position - 1]

    def edges(self) -> tuple[Edge, ...]:
        """Every life of every edge of every opened insert."""
        return tuple(edge for insert in self.inserts.values() for edge in (*insert.past, *insert.edges))

    def weighed(self, wear: Mapping[str, float], chips: Mapping[str, float]) -> Ledger:
        """The ledger with every edge's paths weighed by skin, see `Edge.weighed`."""
        inserts = {
            label: replace(
                item,
                edges=tuple(e.weighed(wear, chips) for e in item.edges),
                past=tuple(e.weighed(wear, chips) for e in item.past),
            )
            for label, item in self.inserts.items()
        }
        return replace(self, inserts=_view(inserts))

    def fresh_edges(self, grade: str) -> int:
        """Unused edges at hand: unopened inserts and unused positions of opened ones, those in cutters included."""
        opened = sum(
            edge.state is EdgeState.UNUSED
            for insert in self.inserts.values()
            if insert.grade == grade and insert.place in (InsertPlace.DRAWER, InsertPlace.POCKET)
            for edge in insert.edges
        )
        return self.drawer[self._grade(grade)] * self.positions[grade] + opened

    # -- events -------------------------------------------------------------------------------------------------

    def _moved(self, event: ev.Event) -> Ledger:
        move = _MOVES.get(type(event))
        if move is None:
            raise InputError("event", event, "an event of the ledger")
        return move(self, event)

    def _without(self, event: ev.Reversed) -> Ledger:
        gone = {e.number for e in self.log if isinstance(e, ev.Reversed)}
        number = event.number
        if not 0 <= number < len(self.log) or isinstance(self.log[number], ev.Reversed):
            raise InputError("number", number, "the number of an event in the log, not itself a reversal")
        if number in gone:
            raise InputError("number", number, "an event not yet reversed")
        pockets = {name: len(held) for name, held in self.pockets.items()}
        try:
            return Ledger.replay(self.positions, pockets, (*self.log, event))
        except InputError as problem:
            later = problem.field.split("]")[0].removeprefix("log[")
            why = f"an event nothing later rests on; event {later} does: {problem}"
            raise InputError("number", number, why) from None

    def _received(self, event: ev.Received) -> Ledger:
        grade = self._grade(event.grade)
        prices = self.prices if event.price_each is None else _view({**self.prices, grade: event.price_each})
        return replace(self, drawer=_view({**self.drawer, grade: self.drawer[grade] + event.inserts}), prices=prices)

    def _counted(self, event: ev.Counted) -> Ledger:
        return replace(self, drawer=_view({**self.drawer, self._grade(event.grade): event.inserts}))

    def _mounted(self, event: ev.Mounted) -> Ledger:
        self._cutter(event.cutter)
        if event.machine:
            for other, place in self.machines.items():
                if place is not None and place[0] == event.machine and other != event.cutter:
                    raise InputError("machine", event.machine, f"a machine without a cutter; it holds {other}")
        place = (event.machine, event.at) if event.machine else None
        return replace(self, machines=_view({**self.machines, event.cutter: place}))

    def _fitted(self, event: ev.Fitted) -> Ledger:
        i = self._pocket_number(event.cutter, event.pocket)
        held = self.pockets[event.cutter][i]
        if held is not None:
            raise InputError("pocket", event.pocket, f"an empty pocket; it holds {held.insert}")
        return self._put(event.cutter, i, event.insert, event.position, event.grade, event.at)

    def _taken_out(self, event: ev.TakenOut) -> Ledger:
        i = self._holding(event.cutter, event.pocket, event.insert, event.at)
        return self._end_edge(event.cutter, i, event.end, event.at)._emptied(event.cutter, i)

    def _indexed(self, event: ev.Indexed) -> Ledger:
        i = self._holding(event.cutter, event.pocket, event.insert, event.at, event.from_position)
        ended = self._end_edge(event.cutter, i, event.end, event.at)._emptied(event.cutter, i)
        return ended._put(event.cutter, i, event.insert, event.to_position, "", event.at)

    def _replaced(self, event: ev.Replaced) -> Ledger:
        if event.new_insert == event.insert:
            raise InputError("new_insert", event.new_insert, "another insert; to turn this one, index it")
        i = self._holding(event.cutter, event.pocket, event.insert, event.at)
        ended = self._end_edge(event.cutter, i, event.end, event.at)._emptied(event.cutter, i)
        return ended._put(event.cutter, i, event.new_insert, event.new_position, event.grade, event.at)

    def _chipped(self, event: ev.Chipped) -> Ledger:
        i = self._holding(event.cutter, event.pocket, event.insert, event.at)
        return self._end_edge(event.cutter, i, End.CHIPPED, event.at)

    def _cleaned(self, event: ev.Cleaned) -> Ledger:
        i = self._holding(event.cutter, event.pocket, event.insert, event.at)
        edge = self._at_work(event.cutter, i)
        if edge.state is EdgeState.RETIRED:
            raise InputError("insert", event.insert, f"an edge that still cuts; this one ended {edge.end}")
        return self._with_edge(replace(edge, cleanings=edge.cleanings + 1))

    def _wear_read(self, event: ev.WearRead) -> Ledger:
        i = self._holding(event.cutter, event.pocket, event.insert, event.at)
        edge = self._at_work(event.cutter, i)
        if edge.state is EdgeState.RETIRED:
            raise InputError("insert", event.insert, f"an edge that still cuts; this one ended: {edge.end}")
        last = edge.readings[-1] if edge.readings else None
        if last is not None and event.wear_mm < last.wear_mm - READING_SCATTER_MM:
            why = (
                f"at least {last.wear_mm - READING_SCATTER_MM:g} mm: wear does not run backwards, {last.wear_mm:g} read"
            )
            raise InputError("wear_mm", event.wear_mm, f"{why} on {last.at:%d %b %Y}; take that back if it was wrong")
        path = _view({m: spend.wear_path_mm for m, spend in edge.work.items()})
        skin = _view({key: spend.wear_path_mm for key, spend in edge.in_skin.items()})
        reading = WearReading(event.at, float(event.wear_mm), path, skin)
        return self._with_edge(replace(edge, readings=(*edge.readings, reading)))

    def _sent(self, event: ev.SentForRegrind) -> Ledger:
        insert = self._loose(event.insert)
        return self._with_insert(replace(insert, place=InsertPlace.REGRIND))

    def _back(self, event: ev.BackFromRegrind) -> Ledger:
        insert = self._insert(event.insert)
        if insert.place is not InsertPlace.REGRIND:
            raise InputError("insert", event.insert, f"an insert out for regrind; this one is: {insert.place}")
        wanted = set(event.positions)
        if not wanted or not wanted <= set(range(1, len(insert.edges) + 1)):
            raise InputError("positions", event.positions, f"positions from 1 to {len(insert.edges)}")
        grinds = insert.regrinds + 1
        past = insert.past + tuple(edge for edge in insert.edges if edge.position in wanted)
        edges = tuple(
            Edge(insert.label, insert.grade, edge.position, grinds) if edge.position in wanted else edge
            for edge in insert.edges
        )
        back = replace(
            insert,
            place=InsertPlace.DRAWER,
            edges=edges,
            past=past,
            regrinds=grinds,
            regrind_cost=insert.regrind_cost + event.cost,
        )
        return self._with_insert(back)

    def _scrapped(self, event: ev.Scrapped) -> Ledger:
        return self._with_insert(replace(self._loose(event.insert), place=InsertPlace.SCRAPPED))

    def _cut(self, event: ev.Cut) -> Ledger:
        place = self.machines[event.cutter] if self._cutter(event.cutter) else None
        if place is None:
            raise InputError("cutter", event.cutter, "a cutter on a machine; this one is on the shelf")
        edges = []
        for number, held in enumerate(self.pockets[event.cutter], start=1):
            if held is None:
                raise InputError("cutter", event.cutter, f"a cutter with all pockets filled; pocket {number} is empty")
            edge = self._at_work(event.cutter, number - 1)
            if edge.state is EdgeState.RETIRED:
                why = f"a cutter with edges that still cut; the one in pocket {number} is {edge.end}"
                raise InputError("cutter", event.cutter, why)
            if event.at < held.since:
                raise InputError("at", event.at, f"a time after pocket {number} was filled, {held.since}")
            edges.append(edge)
        ledger = self
        for edge in edges:
            before = edge.work.get(event.material)
            total = event.spend if before is None else before + event.spend
            in_skin = dict(edge.in_skin)
            if event.skin:
                key = (event.material, event.skin)
                in_skin[key] = in_skin[key] + event.spend if key in in_skin else event.spend
            ledger = ledger._with_edge(
                replace(
                    edge,
                    work=_view({**edge.work, event.material: total}),
                    in_skin=_view(in_skin),
                    cuts=(*edge.cuts, event.cut_id),
                    last_material=event.material,
                    last_skin=event.skin,
                )
            )
        return ledger

    # -- pieces -------------------------------------------------------------------------------------------------

    def _grade(self, name: str) -> str:
        if name not in self.positions:
            raise InputError("grade", name, "one of " + (", ".join(self.positions) or "no grade yet"))
        return name

    def _cutter(self, name: str) -> tuple[Pocket | None, ...]:
        if name not in self.pockets:
            raise InputError("cutter", name, "one of " + (", ".join(self.pockets) or "no cutter yet"))
        return self.pockets[name]

    def _pocket_number(self, cutter: str, pocket: int) -> int:
        count = len(self._cutter(cutter))
        if isinstance(pocket, bool) or not isinstance(pocket, int) or not 1 <= pocket <= count:
            raise InputError("pocket", pocket, f"a pocket from 1 to {count}")
        return pocket - 1

    def _insert(self, label: str) -> Insert:
        if label not in self.inserts:
            raise InputError("insert", label, "an opened insert")
        return self.inserts[label]

    def _loose(self, label: str) -> Insert:
        insert = self._insert(label)
        if insert.place is not InsertPlace.DRAWER:
            raise InputError("insert", label, f"an insert in the drawer; this one is: {insert.place}")
        return insert

    def _holding(self, cutter: str, pocket: int, insert: str, at: datetime, position: int | None = None) -> int:
        """Number of the pocket from 0, once it holds what the person saw there."""
        i = self._pocket_number(cutter, pocket)
        held = self.pockets[cutter][i]
        if held is None:
            raise InputError("pocket", pocket, f"a pocket with an insert; pocket {pocket} of {cutter} is empty")
        if held.insert != insert:
            raise InputError("insert", insert, f"the insert in pocket {pocket} of {cutter}, now {held.insert}")
        if position is not None and held.position != position:
            raise InputError("from_position", position, f"the position at work, now {held.position}")
        if at < held.since:
            raise InputError("at", at, f"a time after the pocket was filled, {held.since}")
        return i

    def _at_work(self, cutter: str, i: int) -> Edge:
        held = self.pockets[cutter][i]
        return self.inserts[held.insert].edges[held.position - 1]

    def _end_edge(self, cutter: str, i: int, end: End | None, at: datetime) -> Ledger:
        edge = self._at_work(cutter, i)
        if edge.state is EdgeState.RETIRED:
            if end is None:
                return self
            raise InputError("end", end, f"no second end; this edge already ended: {edge.end}")
        if end is None:
            raise InputError("end", None, "how the edge ended, one of " + ", ".join(End))
        told = End(end)
        if told in _RETIRING:
            return self._with_edge(replace(edge, state=EdgeState.RETIRED, end=told, ended_at=at))
        return self._with_edge(replace(edge, state=EdgeState.PART_USED if edge.cuts else EdgeState.UNUSED))

    def _emptied(self, cutter: str, i: int) -> Ledger:
        held = self.pockets[cutter][i]
        ledger = self._with_pocket(cutter, i, None)
        return ledger._with_insert(replace(ledger.inserts[held.insert], place=InsertPlace.DRAWER))

    def _put(self, cutter: str, i: int, label: str, position: int, grade: str, at: datetime) -> Ledger:
        ledger = self if label in self.inserts else self._opened(label, grade)
        insert = ledger._loose(label)
        if grade and grade != insert.grade:
            raise InputError("grade", grade, f"the grade of insert {label}, {insert.grade}")
        if isinstance(position, bool) or not isinstance(position, int) or not 1 <= position <= len(insert.edges):
            raise InputError("position", position, f"a position from 1 to {len(insert.edges)}")
        edge = insert.edges[position - 1]
        if edge.state is EdgeState.RETIRED:
            raise InputError("position", position, f"an edge that still cuts; this one ended: {edge.end}")
        ledger = ledger._with_insert(replace(insert, place=InsertPlace.POCKET))
        ledger = ledger._with_edge(replace(edge, state=EdgeState.CUTTING))
        return ledger._with_pocket(cutter, i, Pocket(label, position, at))

    def _opened(self, label: str, grade: str) -> Ledger:
        if not grade:
            raise InputError("insert", label, "an opened insert, or a new label with its grade")
        left = self.drawer[self._grade(grade)]
        if left < 1:
            raise InputError("grade", grade, "a grade with unopened inserts in the drawer; none is left")
        edges = tuple(Edge(label, grade, p + 1) for p in range(self.positions[grade]))
        insert = Insert(label, grade, edges, price=self.prices.get(grade))
        return replace(self, drawer=_view({**self.drawer, grade: left - 1}))._with_insert(insert)

    def _with_insert(self, insert: Insert) -> Ledger:
        return replace(self, inserts=_view({**self.inserts, insert.label: insert}))

    def _with_edge(self, edge: Edge) -> Ledger:
        insert = self.inserts[edge.insert]
        edges = (*insert.edges[: edge.position - 1], edge, *insert.edges[edge.position :])
        return self._with_insert(replace(insert, edges=edges))

    def _with_pocket(self, cutter: str, i: int, held: Pocket | None) -> Ledger:
        old = self.pockets[cutter]
        return replace(self, pockets=_view({**self.pockets, cutter: (*old[:i], held, *old[i + 1 :])}))


def _new_cut(event: ev.Cut, known: frozenset[str] | set[str]) -> None:
    if event.cut_id in known:
        raise InputError("cut_id", event.cut_id, "a cut not yet recorded")


def _view(values: Mapping) -> Mapping:
    return MappingProxyType(dict(values))


_MOVES: Mapping[type, Callable[[Ledger, ev.Event], Ledger]] = MappingProxyType(
    {
        ev.Received: Ledger._received,
        ev.Counted: Ledger._counted,
        ev.Mounted: Ledger._mounted,
        ev.Fitted: Ledger._fitted,
        ev.TakenOut: Ledger._taken_out,
        ev.Indexed: Ledger._indexed,
        ev.Replaced: Ledger._replaced,
        ev.Chipped: Ledger._chipped,
        ev.Cleaned: Ledger._cleaned,
        ev.WearRead: Ledger._wear_read,
        ev.SentForRegrind: Ledger._sent,
        ev.BackFromRegrind: Ledger._back,
        ev.Scrapped: Ledger._scrapped,
        ev.Cut: Ledger._cut,
    }
)
