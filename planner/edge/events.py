"""What can happen to inserts and their edges: one frozen record per happening, in the order the shop did it.

Every event says when (``at``) and by whom. An event that touches a pocket names the insert and position the person saw
there, so that of two people who act on the same pocket at once the second is told, not obeyed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from planner.edge.ends import End
from planner.edge.wear import CutSpend
from planner.errors import InputError, between, not_negative

__all__ = [
    "BackFromRegrind",
    "Chipped",
    "Cleaned",
    "Counted",
    "Cut",
    "Event",
    "Fitted",
    "Indexed",
    "Mounted",
    "Received",
    "Replaced",
    "Reversed",
    "Scrapped",
    "SentForRegrind",
    "TakenOut",
    "WearRead",
]


def whole(field: str, value: object, least: int = 0) -> int:
    """A whole number of at least ``least``."""
    if isinstance(value, bool) or not isinstance(value, int) or value < least:
        raise InputError(field, value, f"a whole number from {least}")
    return value


def _named(event: Event, *fields: str) -> None:
    for name in fields:
        if not str(getattr(event, name) or "").strip():
            raise InputError(name, getattr(event, name), "a name")


@dataclass(frozen=True, kw_only=True)
class Event:
    """Something that happened."""

    at: datetime
    by: str = ""


@dataclass(frozen=True, kw_only=True)
class Received(Event):
    """New inserts came in."""

    grade: str
    inserts: int
    price_each: float | None = None

    def __post_init__(self) -> None:
        whole("inserts", self.inserts, 1)
        if self.price_each is not None:
            not_negative("price_each", self.price_each)


@dataclass(frozen=True, kw_only=True)
class Counted(Event):
    """The unopened inserts of a grade were counted."""

    grade: str
    inserts: int

    def __post_init__(self) -> None:
        whole("inserts", self.inserts)


@dataclass(frozen=True, kw_only=True)
class Mounted(Event):
    """A cutter went on a machine; ``machine`` "" = on the shelf."""

    cutter: str
    machine: str


@dataclass(frozen=True, kw_only=True)
class Fitted(Event):
    """An insert went into an empty pocket with a position at work; a new label opens an insert of ``grade``."""

    cutter: str
    pocket: int
    insert: str
    position: int
    grade: str = ""

    def __post_init__(self) -> None:
        _named(self, "insert")
        whole("pocket", self.pocket, 1)
        whole("position", self.position, 1)


@dataclass(frozen=True, kw_only=True)
class TakenOut(Event):
    """An insert came out of its pocket; ``end`` of its edge, None where that was already told."""

    cutter: str
    pocket: int
    insert: str
    end: End | None = End.JOB_END


@dataclass(frozen=True, kw_only=True)
class Indexed(Event):
    """The insert in a pocket was turned to another position; ``end`` of the old edge, None where already told."""

    cutter: str
    pocket: int
    insert: str
    from_position: int
    to_position: int
    end: End | None

    def __post_init__(self) -> None:
        if self.from_position == self.to_position:
            raise InputError("to_position", self.to_position, "another position than the present one")


@dataclass(frozen=True, kw_only=True)
class Replaced(Event):
    """The insert in a pocket was exchanged for another, in one go."""

    cutter: str
    pocket: int
    insert: str
    end: End | None
    new_insert: str
    new_position: int = 1
    grade: str = ""

    def __post_init__(self) -> None:
        _named(self, "new_insert")
        whole("new_position", self.new_position, 1)


@dataclass(frozen=True, kw_only=True)
class Chipped(Event):
    """The edge in a pocket chipped: it is spent, and nothing is cut until it is indexed or replaced."""

    cutter: str
    pocket: int
    insert: str


@dataclass(frozen=True, kw_only=True)
class Cleaned(Event):
    """A loaded edge was cleaned and put back: its life goes on."""

    cutter: str
    pocket: int
    insert: str


@dataclass(frozen=True, kw_only=True)
class WearRead(Event):
    """The wear land of the edge in a pocket was measured; ``wear_mm`` is its greatest uniform width."""

    cutter: str
    pocket: int
    insert: str
    wear_mm: float

    def __post_init__(self) -> None:
        between("wear_mm", self.wear_mm, 0.0, 5.0)


@dataclass(frozen=True, kw_only=True)
class SentForRegrind(Event):
    """An insert left for regrinding."""

    insert: str


@dataclass(frozen=True, kw_only=True)
class BackFromRegrind(Event):
    """A reground insert came back; ``positions`` that cut again begin a new life."""

    insert: str
    cost: float
    positions: tuple[int, ...] = (1,)

    def __post_init__(self) -> None:
        not_negative("cost", self.cost)


@dataclass(frozen=True, kw_only=True)
class Scrapped(Event):
    """An opened insert was thrown away."""

    insert: str


@dataclass(frozen=True, kw_only=True)
class Cut(Event):
    """A cut was made: every edge of the cutter spent ``spend``. ``cut_id`` is unique; ``part`` what was cut; ``skin``
    the kind of harsh skin it ran in ("" = clean metal), for which ``spend`` is then unweighed."""

    cut_id: str
    cutter: str
    material: str
    spend: CutSpend
    part: str = ""
    skin: str = ""
    finishing: bool = True
    ra_um: float | None = None

    def __post_init__(self) -> None:
        _named(self, "cut_id", "material")
        if not isinstance(self.spend, CutSpend):
            raise InputError("spend", self.spend, "what the cut spent (CutSpend)")
        if self.ra_um is not None:
            not_negative("ra_um", self.ra_um)


@dataclass(frozen=True, kw_only=True)
class Reversed(Event):
    """An earlier event, by its number in the log (from 0), did not happen."""

    number: int
