"""To which unused edges the pockets of a cutter can go, and the changes that take them there."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime

from planner import InputError
from planner.edge import EdgeState, End, Indexed, InsertPlace, Ledger, Replaced

Choice = tuple[str, str, int]
"""Turn or replace, the insert's label, the position."""


def choices(ledger: Ledger, cutter: str, pocket: int, taken: Collection[str] = ()) -> dict[str, Choice]:
    """What one pocket can go to, by words; inserts already ``taken`` left out."""
    held = ledger.pockets[cutter][pocket - 1]
    insert = ledger.inserts[held.insert]
    found: dict[str, Choice] = {}
    for edge in insert.edges:
        if edge.position != held.position and edge.state is not EdgeState.RETIRED:
            used = "" if edge.state is EdgeState.UNUSED else ", part used"
            found[f"turn to position {edge.position}{used}"] = ("turn", held.insert, edge.position)
    for label, other in ledger.inserts.items():
        if other.grade == insert.grade and other.place is InsertPlace.DRAWER and label not in taken:
            for edge in other.edges:
                if edge.state is EdgeState.UNUSED:
                    found[f"insert {label}, position {edge.position}"] = ("replace", label, edge.position)
                    break
    if ledger.drawer.get(insert.grade, 0) > 0:
        label = new_label(ledger, insert.grade, taken)
        found[f"a new insert, labelled {label}"] = ("replace", label, 1)
    return found


def new_label(ledger: Ledger, grade: str, taken: Collection[str] = ()) -> str:
    """What a new insert of a grade is called: its number."""
    number = len(ledger.inserts) + 1
    while f"{grade} {number}" in {*ledger.inserts, *taken}:
        number += 1
    return f"{grade} {number}"


def all_at_once(ledger: Ledger, cutter: str, pockets: Collection[int]) -> dict[str, dict[int, Choice]]:
    """Every pocket to an unused edge: each insert turned where it has one, else another put in; nothing where one pocket
    finds none."""
    found: dict[int, Choice] = {}
    taken: set[str] = set()
    opened = 0
    words = []
    for pocket in pockets:
        held = ledger.pockets[cutter][pocket - 1]
        grade = ledger.inserts[held.insert].grade
        fresh = [
            (said, choice)
            for said, choice in choices(ledger, cutter, pocket, taken).items()
            if not said.endswith("part used") and (choice[1] in ledger.inserts or opened < ledger.drawer.get(grade, 0))
        ]
        if not fresh:
            return {}
        said, choice = fresh[0]
        found[pocket] = choice
        words.append(f"{pocket}: {said}")
        if choice[0] == "replace":
            taken.add(choice[1])
            opened += choice[1] not in ledger.inserts
    return {"; ".join(words): found}


def changes(
    ledger: Ledger, cutter: str, wanted: Mapping[int, Choice], end: End, at: datetime, by: str
) -> list[Indexed | Replaced]:
    """The ledger's events for what each pocket goes to; ``end``: how the old edges ended, where that is not told yet."""
    events: list[Indexed | Replaced] = []
    for pocket, (what, label, position) in wanted.items():
        held = ledger.pockets[cutter][pocket - 1]
        if held is None:
            raise InputError("pocket", pocket, "a pocket with an insert: fit one on the page Inserts")
        told = None if ledger.edge_in(cutter, pocket).end is not None else end
        about = {"at": at, "by": by, "cutter": cutter, "pocket": pocket, "insert": held.insert, "end": told}
        if what == "turn":
            events.append(Indexed(**about, from_position=held.position, to_position=position))
        else:
            grade = ledger.inserts[held.insert].grade
            events.append(Replaced(**about, new_insert=label, new_position=position, grade=grade))
    return events
