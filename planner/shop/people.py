"""People: a resource beside the machines, with shifts."""

from __future__ import annotations

from dataclasses import dataclass

from planner.errors import not_negative
from planner.shop.checks import all_of, maybe, setter, text
from planner.shop.machines import Window


@dataclass(frozen=True)
class Person:
    """Somebody who runs machines. ``machine_ids`` empty = any machine."""

    name: str
    initials: str = ""
    id: int | None = None
    shifts: tuple[Window, ...] = ()
    machine_ids: tuple[int, ...] = ()
    hourly_rate: float | None = None
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("person.name", self.name, required=True, longest=60))
        put("initials", text("person.initials", self.initials, longest=8))
        put("shifts", all_of("person.shifts", self.shifts, Window))
        put("machine_ids", tuple(self.machine_ids))
        put("hourly_rate", maybe(not_negative, "person.hourly_rate", self.hourly_rate))
