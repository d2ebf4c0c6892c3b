"""Where a figure comes from. Every figure a person reads says so."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from planner.errors import whole
from planner.shop.checks import choice, setter, text


class Source(StrEnum):
    MEASURED = "measured"
    LEARNED = "learned"
    STARTING = "starting value"
    TYPED = "entered by the shop"
    COMPUTED = "computed"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Origin:
    """The source of a figure, with the number of records it was learned from and a word more where it helps."""

    source: Source
    records: int = 0
    note: str = ""

    def __post_init__(self) -> None:
        put = setter(self)
        put("source", choice("origin.source", self.source, Source))
        put("records", whole("origin.records", self.records))
        put("note", text("origin.note", self.note, longest=300))

    @property
    def words(self) -> str:
        """As the screens say it: "learned from 23 records"."""
        said = self.source.value
        if self.source is Source.LEARNED:
            said = f"learned from {self.records} record{'' if self.records == 1 else 's'}"
        return f"{said}, {self.note}" if self.note else said


MEASURED = Origin(Source.MEASURED)
STARTING = Origin(Source.STARTING)
TYPED = Origin(Source.TYPED)
COMPUTED = Origin(Source.COMPUTED)
UNKNOWN = Origin(Source.UNKNOWN)


def learned(records: int, note: str = "") -> Origin:
    return Origin(Source.LEARNED, records, note)
