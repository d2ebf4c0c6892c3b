"""Machines with their depth instrument, tram readings and end-of-pass rule."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from planner.errors import InputError, finite, not_negative, positive
from planner.shop.checks import all_of, choice, maybe, setter, text


class EndOfPass(StrEnum):
    """When a traverse ends: as soon as all metal is cut, or when the cutter is clear of the part."""

    WHEN_CUT = "stop when cut"
    RUN_CLEAR = "run clear"


class Counts(StrEnum):
    """Which way the depth instrument's figure goes as the cutter goes deeper."""

    UP = "up"
    DOWN = "down"


@dataclass(frozen=True)
class DepthInstrument:
    """The dial, bar indicator or readout that shows depth. ``per_turn_mm`` None = it does not turn (a readout).

    The approach is always from above, so ``backlash_mm`` never enters a reading that is set going down.
    """

    name: str = "dial"
    counts: Counts = Counts.UP
    per_turn_mm: float | None = None
    zeroable: bool = True
    step_mm: float = 0.0127
    backlash_mm: float = 0.0

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("instrument.name", self.name, required=True, longest=60))
        put("counts", choice("instrument.counts", self.counts, Counts))
        put("per_turn_mm", maybe(positive, "instrument.per_turn_mm", self.per_turn_mm))
        put("step_mm", positive("instrument.step_mm", self.step_mm))
        put("backlash_mm", not_negative("instrument.backlash_mm", self.backlash_mm))
        if self.per_turn_mm is not None and self.step_mm > self.per_turn_mm:
            raise InputError("instrument.step_mm", self.step_mm, "at most one turn")

    def standing_mm(self, below_zero_mm: float, at_zero_mm: float = 0.0) -> float:
        """The figure that stands on the instrument, mm along its count, with the cutter ``below_zero_mm`` lower than
        where it stood at touch-off (negative = raised). ``at_zero_mm`` is what it read there (0 once zeroed).

        A turning dial shows the figure within its turn: 0 ≤ result < ``per_turn_mm``.
        """
        below = finite("below_zero_mm", below_zero_mm)
        value = finite("at_zero_mm", at_zero_mm) + (below if self.counts is Counts.UP else -below)
        if self.per_turn_mm is not None:
            value = math.fmod(value, self.per_turn_mm)
            if value < -1e-9:
                value += self.per_turn_mm
            if abs(value - self.per_turn_mm) < 1e-9 or abs(value) < 1e-9:
                value = 0.0
        return value

    def whole_turns(self, below_zero_mm: float) -> int:
        """How many whole turns down from touch-off the figure lies (0 for a readout, 0 within the first turn)."""
        if self.per_turn_mm is None:
            return 0
        return int(math.floor(abs(below_zero_mm) / self.per_turn_mm + 1e-9))


@dataclass(frozen=True)
class TramReading:
    """A spindle check: indicator difference over ``sweep_mm``. Positive ``along_mm``: the trailing side is high;
    positive ``across_mm``: the far side is high."""

    on: date
    sweep_mm: float
    along_mm: float
    across_mm: float
    by: str = ""

    def __post_init__(self) -> None:
        put = setter(self)
        if not isinstance(self.on, date):
            raise InputError("tram.on", self.on, "a date")
        put("sweep_mm", positive("tram.sweep_mm", self.sweep_mm))
        put("along_mm", finite("tram.along_mm", self.along_mm))
        put("across_mm", finite("tram.across_mm", self.across_mm))


@dataclass(frozen=True)
class Window:
    """A stretch of time a week repeats: ``weekday`` 0 = Monday, minutes after midnight; breaks inside it."""

    weekday: int
    start_minute: int
    end_minute: int
    breaks: tuple[tuple[int, int], ...] = ()

    def __post_init__(self) -> None:
        put = setter(self)
        if self.weekday not in range(7):
            raise InputError("window.weekday", self.weekday, "0 (Monday) to 6 (Sunday)")
        if not 0 <= self.start_minute < self.end_minute <= 24 * 60:
            raise InputError("window.end_minute", self.end_minute, "a time after the start, on the same day")
        put("breaks", tuple((int(a), int(b)) for a, b in self.breaks))
        last = self.start_minute
        for a, b in self.breaks:
            if not last <= a < b <= self.end_minute:
                raise InputError("window.breaks", self.breaks, "breaks in order, inside the shift")
            last = b

    @property
    def minutes(self) -> int:
        """Working minutes, breaks taken off."""
        return self.end_minute - self.start_minute - sum(b - a for a, b in self.breaks)


@dataclass(frozen=True)
class Closure:
    """A day (or days) on which the shop, one machine or one person is away. Both ids None = the whole shop."""

    first: date
    last: date
    reason: str
    machine_id: int | None = None
    person_id: int | None = None
    id: int | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        if self.last < self.first:
            raise InputError("closure.last", self.last, f"a date from {self.first} on")
        put("reason", text("closure.reason", self.reason, required=True, longest=120))


@dataclass(frozen=True)
class Overtime:
    """A stretch of overtime offered at a price per hour on top; None ids = everybody, every machine."""

    start: datetime
    end: datetime
    price_per_hour: float
    person_id: int | None = None
    machine_id: int | None = None
    id: int | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        if self.end <= self.start:
            raise InputError("overtime.end", self.end, "a time after the start")
        put("price_per_hour", not_negative("overtime.price_per_hour", self.price_per_hour))


@dataclass(frozen=True)
class Machine:
    """A surfacing machine. Speeds: a list (``speeds_rpm``) or a range (``least_rpm``/``greatest_rpm``).

    ``travel_mm`` is the greatest traverse; ``table_width_mm`` the greatest face width it can reach (lanes included).
    ``return_minutes`` is spent after each traverse, cutter clear. ``approach_mm`` and ``overrun_mm`` are clearances.
    """

    name: str
    id: int | None = None
    speeds_rpm: tuple[float, ...] = ()
    least_rpm: float | None = None
    greatest_rpm: float | None = None
    least_feed_mm_min: float | None = None
    greatest_feed_mm_min: float | None = None
    travel_mm: float | None = None
    table_width_mm: float | None = None
    approach_mm: float = 3.0
    overrun_mm: float = 3.0
    return_minutes: float = 0.5
    hourly_rate: float | None = None
    end_of_pass: EndOfPass = EndOfPass.RUN_CLEAR
    instrument: DepthInstrument = DepthInstrument()
    tram: tuple[TramReading, ...] = ()
    hours: tuple[Window, ...] = ()
    materials: tuple[str, ...] = ()
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("machine.name", self.name, required=True, longest=60))
        speeds = tuple(sorted(positive("machine.speeds_rpm", s) for s in self.speeds_rpm))
        put("speeds_rpm", speeds)
        for name in (
            "least_rpm",
            "greatest_rpm",
            "least_feed_mm_min",
            "greatest_feed_mm_min",
            "travel_mm",
            "table_width_mm",
        ):
            put(name, maybe(positive, f"machine.{name}", getattr(self, name)))
        if not speeds and (self.least_rpm is None or self.greatest_rpm is None):
            raise InputError("machine.speeds_rpm", self.speeds_rpm, "a list of speeds, or a least and a greatest rpm")
        if self.least_rpm is not None and self.greatest_rpm is not None and self.least_rpm > self.greatest_rpm:
            raise InputError("machine.greatest_rpm", self.greatest_rpm, f"at least the least rpm, {self.least_rpm:g}")
        low, high = self.least_feed_mm_min, self.greatest_feed_mm_min
        if low is not None and high is not None and low > high:
            raise InputError("machine.greatest_feed_mm_min", high, f"at least the least feed, {low:g} mm/min")
        for name in ("approach_mm", "overrun_mm", "return_minutes"):
            put(name, not_negative(f"machine.{name}", getattr(self, name)))
        put("hourly_rate", maybe(not_negative, "machine.hourly_rate", self.hourly_rate))
        put("end_of_pass", choice("machine.end_of_pass", self.end_of_pass, EndOfPass))
        put("tram", all_of("machine.tram", self.tram, TramReading))
        put("hours", all_of("machine.hours", self.hours, Window))
        if not isinstance(self.instrument, DepthInstrument):
            raise InputError("machine.instrument", self.instrument, "a DepthInstrument")
