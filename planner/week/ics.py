"""The plan as an iCalendar text (RFC 5545): one event per stretch of work on a job. A pure function."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pandas as pd

from planner.errors import InputError

from .search import Plan

__all__ = ["calendar_text"]

FOLD_OCTETS = 75
GAP_MIN = 0.5


def _escape(text: str) -> str:
    """TEXT values (section 3.3.11): backslash, semicolon, comma and line breaks."""
    text = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    return text.replace("\r\n", "\\n").replace("\n", "\\n").replace("\r", "\\n")


def _fold(line: str) -> str:
    """Lines of at most 75 octets, continued after a space, never inside a character (section 3.1)."""
    out, size = [], 0
    for character in line:
        width = len(character.encode("utf-8"))
        if size + width > FOLD_OCTETS:
            out.append("\r\n ")
            size = 1
        out.append(character)
        size += width
    return "".join(out)


def _stretches(rows: pd.DataFrame) -> list[pd.DataFrame]:
    """Rows of one job in one place, split where nothing happens for more than half a minute."""
    rows = rows.sort_values("start_min")
    cut = (rows.start_min - rows.end_min.cummax().shift()).fillna(0.0) > GAP_MIN
    return [part for _, part in rows.groupby(cut.cumsum())]


def calendar_text(
    plan: Plan,
    stamp: datetime,
    *,
    machine: str | None = None,
    person: str | None = None,
    title: Callable[[str], str] = str,
    place: Callable[[str], str] = str,
    who: Callable[[str], str] = str,
    domain: str = "surfacing-planner.invalid",
    version: int = 0,
) -> str:
    """The plan's work as an iCalendar object with CRLF line ends.

    ``stamp`` is the aware instant of writing. Times are local without a zone (form 1 of section 3.3.5), as the shop's
    clock shows them. ``machine``, ``person``: only the work of one. ``title``, ``place``
    and ``who`` turn ids of jobs, machines and people into words; ``version``
    becomes SEQUENCE, so that a calendar replaces what an earlier version said. Raises `InputError` for a plan without
    a start.
    """
    if plan.start is None:
        raise InputError("plan.start", None, "a plan with an instant of start")
    if stamp.tzinfo is None:
        raise InputError("stamp", stamp, "an instant with a time zone")
    now = stamp.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    rows = plan.timeline[plan.timeline["where"] != "cool-down"]
    if machine is not None:
        rows = rows[rows.machine == machine]
    if person is not None:
        rows = rows[rows.runner == person]
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//surfacing planner//week//EN", "CALSCALE:GREGORIAN"]
    for job, mine in rows.groupby("job", sort=False):
        number = 0
        for spot, work in mine.groupby("machine", sort=True):
            for part in _stretches(work):
                number += 1
                kinds = ", ".join(dict.fromkeys(part.kind))
                hands = ", ".join(who(one) for one in dict.fromkeys(part.runner))
                where = spot or "bench"
                said = place(spot) if spot else "bench"
                lines += [
                    "BEGIN:VEVENT",
                    f"UID:{_escape(str(job))}-{where}-{number}@{domain}".replace(" ", "-"),
                    f"DTSTAMP:{now}",
                    f"SEQUENCE:{version}",
                    f"DTSTART:{part.start.min():%Y%m%dT%H%M%S}",
                    f"DTEND:{part.end.max():%Y%m%dT%H%M%S}",
                    f"SUMMARY:{_escape(title(str(job)))} ({_escape(said)})",
                    f"LOCATION:{_escape(said)}",
                    f"DESCRIPTION:{_escape(hands)}: {_escape(kinds)}",
                    "END:VEVENT",
                ]
    lines.append("END:VCALENDAR")
    return "".join(_fold(line) + "\r\n" for line in lines)
