"""Working hours: from shifts, breaks, closures, holidays and overtime to windows, and windows to exact clock
arithmetic.

Instants are naive local `datetime`; windows are minutes since ``start``. A day with a change of clocks is counted as
the wall clock shows it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np

from planner.errors import InputError, not_negative

from .model import Window

__all__ = [
    "Clock",
    "Overtime",
    "Shift",
    "intersect",
    "machine_windows",
    "minutes_since",
    "person_windows",
    "usable",
    "without",
]

EPS = 1e-7


@dataclass(frozen=True)
class Shift:
    """Weekly working hours: ``weekdays`` (0 = Monday), from ``start`` to ``end`` (past midnight if end <= start),
    breaks as (start, end) times of day."""

    weekdays: frozenset[int]
    start: time
    end: time
    breaks: tuple[tuple[time, time], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "weekdays", frozenset(self.weekdays))
        object.__setattr__(self, "breaks", tuple(self.breaks))
        if not self.weekdays <= set(range(7)):
            raise InputError("weekdays", sorted(self.weekdays), "numbers from 0 (Monday) to 6")


@dataclass(frozen=True)
class Overtime:
    """Hours outside the shifts that the plan may open at ``price_per_min``, under a ``name`` ("Saturday")."""

    name: str
    start: datetime
    end: datetime
    price_per_min: float = 0.0

    def __post_init__(self) -> None:
        if not self.name:
            raise InputError("name", self.name, "a text that is not empty")
        if not self.end > self.start:
            raise InputError("end", self.end, f"an instant after {self.start}")
        not_negative("price_per_min", self.price_per_min)


def minutes_since(start: datetime, instant: datetime) -> float:
    """Minutes from ``start`` to ``instant``."""
    return (instant - start) / timedelta(minutes=1)


def _stretches(day: date, shift: Shift) -> list[tuple[datetime, datetime]]:
    begin = datetime.combine(day, shift.start)
    end = datetime.combine(day, shift.end)
    if end <= begin:
        end += timedelta(days=1)
    stretches, at = [], begin
    pauses = []
    for one, other in shift.breaks:
        pause_from, pause_to = datetime.combine(day, one), datetime.combine(day, other)
        if pause_from < begin:
            pause_from += timedelta(days=1)
            pause_to += timedelta(days=1)
        if pause_to <= pause_from:
            pause_to += timedelta(days=1)
        pauses.append((pause_from, pause_to))
    for pause_from, pause_to in sorted(pauses):
        if pause_from > at:
            stretches.append((at, min(pause_from, end)))
        at = max(at, pause_to)
    if at < end:
        stretches.append((at, end))
    return stretches


def person_windows(
    start: datetime,
    days: int,
    shifts: Iterable[Shift],
    *,
    holidays: Iterable[date] = (),
    absences: Iterable[tuple[datetime, datetime]] = (),
    overtime: Iterable[Overtime] = (),
) -> tuple[Window, ...]:
    """Windows of one person from ``start`` for ``days`` calendar days.

    A shift that begins on a holiday is dropped; absences (closures of the shop, leave) are cut out; overtime that
    touches a shift continues it, other overtime is a shift of its own, also on a holiday.
    """
    if days < 1:
        raise InputError("days", days, "a whole number of 1 or more")
    holidays = set(holidays)
    shifts = tuple(shifts)
    spans: list[tuple[datetime, datetime, str, float]] = []
    groups: list[list[tuple[datetime, datetime, str, float]]] = []
    for offset in range(-1, days):
        day = start.date() + timedelta(days=offset)
        if day in holidays:
            continue
        for shift in sorted(shifts, key=lambda one: one.start):
            if day.weekday() in shift.weekdays:
                groups.append([(a, b, "", 0.0) for a, b in _stretches(day, shift)])
    for one in overtime:
        touching = [g for g in groups if any(one.start == b or one.end == a for a, b, *_ in g)]
        span = (one.start, one.end, one.name, one.price_per_min)
        if touching:
            touching[0].append(span)
        else:
            groups.append([span])
    groups = sorted((sorted(g) for g in groups if g), key=lambda g: g[0])
    windows: list[Window] = []
    for number, spans in enumerate(groups):
        for a, b, name, price in spans:
            pieces = [(max(a, start), min(b, start + timedelta(days=days)))]
            for away_from, away_to in absences:
                pieces = [
                    piece
                    for p, q in pieces
                    for piece in ((p, min(q, away_from)), (max(p, away_to), q))
                    if piece[1] > piece[0]
                ]
            windows += [
                Window(minutes_since(start, p), minutes_since(start, q), number, name, price)
                for p, q in sorted(set(pieces))
                if q > p
            ]
    windows.sort(key=lambda w: w.start_min)
    for one, other in zip(windows, windows[1:], strict=False):
        if other.start_min < one.end_min:
            raise InputError("shifts", (one, other), "shifts and overtime that do not overlap")
    return tuple(windows)


def machine_windows(
    start: datetime, days: int, closures: Iterable[tuple[datetime, datetime]] = ()
) -> tuple[Window, ...]:
    """Windows of a machine that is open day and night except for ``closures`` (repair, tram check, shop closed)."""
    whole = (Window(0.0, days * 1440.0),)
    return without(whole, [(minutes_since(start, a), minutes_since(start, b)) for a, b in closures])


def without(windows: Sequence[Window], closed: Iterable[tuple[float, float]]) -> tuple[Window, ...]:
    """``windows`` with the minutes in ``closed`` cut out; what lies after a cut counts as a new shift."""
    closed = sorted(closed)
    result: list[Window] = []
    for window in windows:
        pieces = [(window.start_min, window.end_min)]
        for a, b in closed:
            pieces = [piece for p, q in pieces for piece in ((p, min(q, a)), (max(p, b), q)) if piece[1] > piece[0]]
        result += [Window(p, q, window.shift, window.overtime, window.price_per_min) for p, q in pieces]
    numbered: list[Window] = []
    shift = 0
    for index, window in enumerate(result):
        if index:
            last = result[index - 1]
            cut = any(last.end_min <= a + EPS and b <= window.start_min + EPS for a, b in closed)
            shift += window.shift != last.shift or cut
        numbered.append(Window(window.start_min, window.end_min, shift, window.overtime, window.price_per_min))
    return tuple(numbered)


def usable(windows: Sequence[Window], opened: frozenset[str]) -> list[tuple[float, float, int]]:
    """Usable (start, end, shift), touching windows of one shift joined."""
    spans: list[tuple[float, float, int]] = []
    for window in windows:
        if window.overtime and window.overtime not in opened:
            continue
        if spans and spans[-1][1] >= window.start_min - EPS and spans[-1][2] == window.shift:
            spans[-1] = (spans[-1][0], window.end_min, window.shift)
        else:
            spans.append((window.start_min, window.end_min, window.shift))
    return [(max(a, 0.0), b, s) for a, b, s in spans if b > max(a, 0.0)]


def intersect(
    person: Sequence[Window], machine: Sequence[Window], opened: frozenset[str] = frozenset()
) -> list[tuple[float, float, int]]:
    """(start, end, shift) in which both are there, with the overtime named in ``opened``.

    The shift number changes where the person's shift or the machine's does.
    """
    spans: list[tuple[float, float, tuple[int, int]]] = []
    for a, b, shift in usable(person, opened):
        for c, d, machine_shift in usable(machine, opened):
            if min(b, d) - max(a, c) > EPS:
                spans.append((max(a, c), min(b, d), (shift, machine_shift)))
    numbers = {pair: number for number, pair in enumerate(dict.fromkeys(pair for *_, pair in spans))}
    return [(a, b, numbers[pair]) for a, b, pair in spans]


class Clock:
    """Several calendars side by side; every method takes arrays ``c`` (calendar) and ``t`` (minutes) of one length.

    After its last window each calendar has one more, starting at ``horizon_min`` and longer than any week's work: what
    falls into it does not fit the calendar. So every question has a finite answer.
    """

    def __init__(self, calendars: Sequence[Sequence[tuple[float, float, int]]], work_minutes: float) -> None:
        last = max((span[1] for spans in calendars for span in spans), default=0.0)
        self.horizon_min = float(np.ceil(last)) + 1.0
        past = 2.0 * self.horizon_min + 4.0 * work_minutes + 1e4
        self._base = float(2 ** int(np.ceil(np.log2(4.0 * past))))
        start, end, shift, shift_end, calendar, worked = [], [], [], [], [], []
        for number, spans in enumerate(calendars):
            spans = [*spans, (self.horizon_min, self.horizon_min + past, 1 + max((s for *_, s in spans), default=0))]
            closing = {s: b for _, b, s in spans}
            total = 0.0
            for a, b, s in spans:
                start.append(a)
                end.append(b)
                shift.append(s)
                shift_end.append(closing[s])
                calendar.append(number)
                worked.append(total)
                total += b - a
        self.start = np.array(start)
        self.end = np.array(end)
        self.shift = np.array(shift)
        self.shift_end = np.array(shift_end)
        self.worked_before = np.array(worked)
        of = np.array(calendar) * self._base
        self._end_key = of + self.end - EPS
        self._worked_key = of + self.worked_before + (self.end - self.start) + EPS
        self._first = np.searchsorted(np.array(calendar), np.arange(len(calendars)))

    def window(self, c: np.ndarray, t: np.ndarray) -> np.ndarray:
        """Index of the first window that ends after ``t``."""
        return np.searchsorted(self._end_key, c * self._base + t, side="right")

    def next_on(self, c: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The first working instant at or after ``t``, and the working minutes before it."""
        w = self.window(c, t)
        start = self.start[w]
        instant = np.maximum(t, start)
        return instant, self.worked_before[w] + (instant - start)

    def worked(self, c: np.ndarray, t: np.ndarray) -> np.ndarray:
        """Working minutes before ``t``."""
        w = self.window(c, t)
        return self.worked_before[w] + np.maximum(0.0, t - self.start[w])

    def reach(self, c: np.ndarray, minutes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The first instant by which so many working minutes have passed, and its window."""
        w = np.searchsorted(self._worked_key, c * self._base + minutes, side="left")
        return self.start[w] + np.maximum(0.0, minutes - self.worked_before[w]), w

    def fit(
        self, c: np.ndarray, t: np.ndarray, minutes: np.ndarray, watch: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """First start at or after ``t`` of ``minutes`` without a pause, and its window; with ``watch``, ending at
        least so many minutes before the shift's end."""
        w = self.window(c, t)
        while True:
            begin = np.maximum(t, self.start[w])
            end = self.end[w] if watch is None else np.minimum(self.end[w], self.shift_end[w] - watch)
            short = begin + minutes > end + EPS
            if not short.any():
                return begin, w
            w = w + short
