"""What differs between the accepted plan and the shop of today, and between two accepted plans."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from planner.shop import Shop
from planner.units import minutes_words
from planner.week.board import LATE_MINUTES, Board
from planner.week.tables import BEHIND

SHIFTED_MINUTES = 10.0
"""Shorter shifts of a job's end are not told."""


@dataclass(frozen=True)
class Change:
    """One job and what became of it, in words; ``bad``: somebody should look at it."""

    job_id: int
    words: str
    bad: bool = False


def since_accepted(board: Board, payload: Mapping[str, Any], shop: Shop) -> tuple[Change, ...]:
    """What changed since a plan was accepted: the worst first."""
    planned = {int(j): row for j, row in payload["jobs"].items()}
    found = [Change(j, "not on the board yet", True) for j in board.unplanned]
    for j in board.blocked:
        why = board.today.unplaceable[str(j)]
        found.append(Change(j, f"now {why}" if why.endswith(BEHIND) else f"waits now: {why}", True))
    why = "has to come sooner: where it stands, sets on several machines wait for each other"
    found += [Change(j, why, True) for j in board.forward]
    shifted = []
    for key, row in board.today.jobs.iterrows():
        j = int(key)
        then = planned.get(j)
        if then is None:
            continue
        late, was = float(row["late_minutes"]), float(then["late_minutes"])
        if late > LATE_MINUTES and was <= LATE_MINUTES:
            found.append(Change(j, f"late now, by {minutes_words(late)}", True))
        elif late <= LATE_MINUTES < was:
            found.append(Change(j, "no longer late"))
        else:
            ready = (board.today.start - datetime.fromisoformat(then["ready"])).total_seconds() / 60 + row["ready_min"]
            if abs(ready) >= SHIFTED_MINUTES:
                shifted.append((-abs(ready), Change(j, _shift(ready))))
    found += [change for _, change in sorted(shifted, key=lambda pair: pair[0])]
    found += [Change(j, "done") for j in board.finished if j in shop.jobs]
    return tuple(found)


def between(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[Change, ...]:
    """What the later of two kept plans does otherwise: jobs on another machine, after another job, new, gone, later."""
    found = []
    follows = [_follows(plan) for plan in (before, after)]
    for key, row in after["jobs"].items():
        j, old = int(key), before["jobs"].get(key)
        if old is None:
            found.append(Change(j, "new on the board"))
            continue
        said = []
        if old["machine"] != row["machine"]:
            said.append("on another machine")
        elif follows[0].get(key) != follows[1].get(key):
            said.append("another place in the order")
        shift = (datetime.fromisoformat(row["ready"]) - datetime.fromisoformat(old["ready"])).total_seconds() / 60
        if abs(shift) >= SHIFTED_MINUTES:
            said.append(_shift(shift))
        if said:
            found.append(Change(j, ", ".join(said), row["late_minutes"] > LATE_MINUTES >= old["late_minutes"]))
    found += [Change(int(key), "no longer on it") for key in before["jobs"] if key not in after["jobs"]]
    return tuple(found)


def _shift(minutes: float) -> str:
    return f"ready {minutes_words(abs(minutes))} {'later' if minutes > 0 else 'earlier'}"


def _follows(payload: Mapping[str, Any]) -> dict[str, str]:
    """Job -> the job before it on its machine, among those placed."""
    found = {}
    for ids in payload["order"].values():
        last = ""
        for one in ids:
            if one in payload["jobs"]:
                found[one] = last
                last = one
    return found
