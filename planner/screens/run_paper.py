"""Typing in a whole paper sheet that was filled at the machine."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from itertools import pairwise

import streamlit as st

from planner import InputError
from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.run_before import survey_gaps
from planner.screens.run_deeds import Sheet, clock, edges_now
from planner.screens.run_end import minutes_fields, result_fields
from planner.screens.run_record import Done, store_cut
from planner.screens.said import tell
from planner.shop import Aim, Outcome, PassReason, PassRecord
from planner.units import Units

NOT_NOTED = "?"
"""Typed where the sheet does not say after which pass the face was clean."""
TOO_DEEP = 3.0
"""Times the recipe's greatest pass that a typed pass may be deep."""


def draw(sheet: Sheet) -> None:
    """The paper sheet as one form: from field to field with the tabulator, so no field has a help mark to stop at."""
    units, points = sheet.units, [p.name for p in sheet.face.points]
    planned = " ".join(units.depth(p.total_mm, unit=False) for p in sheet.estimate.passes_likely)
    fields = [
        Field(
            "passes",
            f"Depth after each pass ({units.depth_unit}), kiss pass as 0",
            required=True,
            placeholder=planned,
        ),
        Field("clean_at", f"First clean after pass no., the kiss pass counted ({NOT_NOTED} = not noted, empty: never)"),
        Field("finishing", "Last one: finishing pass", "flag"),
        Field("attended_minutes", "Minutes at the machine", "minutes"),
        Field(
            "heights",
            f"Heights after ({units.length_unit}), with blanks between, – where none: {', '.join(points)}",
        ),
        Field("ra", f"Ra ({units.ra_unit}), up to three"),
        *(f for f in result_fields(sheet) if f.name in ("outcome", "looks", "rpm", "note")),
        *minutes_fields(),
    ]
    start = {"outcome": Outcome.FINISHED, "looks": "good"}
    form = Form("cut", sheet.job.id, fields, start, units, access.repository())
    form.draw("passes", "clean_at", "finishing", columns=3)
    form.draw("heights", columns=1)
    form.draw("ra", "attended_minutes", "looks", "outcome", "rpm", columns=5)
    form.draw(*(f.name for f in minutes_fields()), "note", columns=5)
    form.say()
    form.button("Record the cut", lambda values: _store(sheet, values))


def read_clean_at(text: str, outcome: Outcome, aim: Aim) -> int | str | None:
    """The number of the first clean pass, `NOT_NOTED`, or None: looked at and never clean. Raises `InputError` for a
    face that was cut till clean and finished, where nothing says when: left empty it would teach that it never was."""
    typed = text.strip()
    if typed == NOT_NOTED:
        return NOT_NOTED
    if typed:
        if not typed.isdigit():
            raise InputError("clean_at", text, f"the number of a pass, or {NOT_NOTED} where nobody noted it")
        return int(typed)
    if outcome is not Outcome.FINISHED:
        return None
    if aim is Aim.TILL_CLEAN:
        accepted = f"the pass after which no dye was left, the kiss pass counted; {NOT_NOTED} where nobody noted it"
        raise InputError("clean_at", "", accepted)
    # cut to its depth: nobody has to look
    return NOT_NOTED


def read_passes(text: str, clean_at: int | str | None, finishing: bool, units: Units) -> tuple[PassRecord, ...]:
    """Passes as typed. ``clean_at`` as of `read_clean_at`. Raises `InputError` for depths that do not grow or a clean
    pass that is not there."""
    totals = [units.read_depth_mm("passes", piece) for piece in text.replace(";", " ").split()]
    if not totals:
        raise InputError("passes", text, "the depth after each pass, such as 0 2.5 3.5")
    if any(b < a for a, b in zip(totals, totals[1:], strict=False)) or totals[0] < 0:
        raise InputError("passes", text, "depths from 0 up that never become less")
    noted = clean_at != NOT_NOTED
    # nobody noted it: the finishing pass, if any, is the last one
    last = clean_at if noted else len(totals) - finishing
    if noted and last is not None and not 1 <= last <= len(totals):
        raise InputError("clean_at", last, f"a pass from 1 to {len(totals)}, or nothing")
    if finishing and (not last or last >= len(totals)):
        raise InputError("finishing", finishing, "a clean pass before the last one")
    found = []
    for number, total in enumerate(totals, start=1):
        after = last is not None and number > last
        reason = PassReason.KISS if total == 0 else PassReason.FINISH if after else PassReason.SEARCH
        clean = None if after or not noted else number == last
        found.append(PassRecord(total, reason, finishing=after or number == len(totals), clean=clean))
    return tuple(found)


def read_line(
    field: str, text: str, names: list[str], read_one: Callable[[str, str], float]
) -> dict[str, float | None]:
    """A line of figures in the order of ``names``; a dash stands for one that is missing. Raises `InputError` naming
    ``field`` for more figures than names, or one that is no figure."""
    pieces = text.replace(";", " ").split()
    if len(pieces) > len(names):
        raise InputError(field, text, f"at most {len(names)} figures, with blanks between and no units")
    found: dict[str, float | None] = dict.fromkeys(names)
    for name, piece in zip(names, pieces, strict=False):
        if piece not in ("-", "–"):
            found[name] = read_one(field, piece)
    return found


def _steps_that_can_be(sheet: Sheet, text: str, passes: tuple[PassRecord, ...]) -> None:
    """A slip of the finger is no pass: nobody takes several times the recipe's greatest at once."""
    setup, units = sheet.estimate.setup, sheet.units
    if setup is None:
        return
    most = TOO_DEEP * (setup.recipe.rough_greatest_mm or setup.recipe.greatest_pass_mm)
    totals = [0.0, *(p.total_mm for p in passes)]
    if any(b - a > most for a, b in pairwise(totals)):
        raise InputError("passes", text, f"depths that grow by at most {units.depth(most)} from pass to pass")


def _store(sheet: Sheet, values: dict) -> str:
    units = sheet.units
    points = [f"height {p.name}" for p in sheet.face.points]
    values |= read_line("heights", values["heights"], points, units.read_length_mm)
    values |= read_line("ra", values["ra"], ["ra 1", "ra 2", "ra 3"], units.read_ra_um)
    # the depths first: which pass was clean says nothing while they are wrong
    _steps_that_can_be(sheet, values["passes"], read_passes(values["passes"], None, False, units))
    clean_at = read_clean_at(values["clean_at"] or "", Outcome(values["outcome"]), sheet.job.aim)
    passes = read_passes(values["passes"], clean_at, bool(values["finishing"]), units)
    touch, attended = sheet.estimate.touch_off, values["attended_minutes"]
    edges = tuple(edges_now(sheet))
    done = Done(
        passes,
        ((edges, passes),) if edges else (),
        touch.place,
        touch.delta_mm,
        touch.paper_mm,
        # a paper sheet counts its depths from the mark
        first_contact_known=True,
        started=clock() - timedelta(minutes=attended) if attended else None,
        attended_minutes=attended,
    )
    try:
        store_cut(sheet, done, values, survey_gaps(sheet))
    except InputError as wrong:
        if wrong.field in points:
            raise InputError("heights", f"{wrong.field}: {values['heights']}", wrong.accepted) from wrong
        raise
    said = f"{sheet.part.tag} recorded: {sheet.units.depth(passes[-1].total_mm)} taken."
    # the page stays where it was scrolled to, and the next job's empty sheet comes there: said in sight as well
    st.toast(said)
    tell(f"{said} Heights, edge and queue are up to date.")
    return ""
