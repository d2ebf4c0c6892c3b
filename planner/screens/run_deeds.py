"""What the buttons of the run sheet do: every tap is on disk when its callback returns, and can be taken back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

import streamlit as st

from planner import InputError
from planner.cut.estimate import JobEstimate
from planner.cut.running import RunState, fold
from planner.cut.setups import CutSetup
from planner.edge import Chipped, EdgeState, End, Indexed, Replaced, Reversed
from planner.screens import access, run_gang
from planner.screens.edge_choices import Choice, changes
from planner.shop import Face, Family, Hold, Job, JobState, Part, Shop, Tap, TapKind
from planner.store import StaleRecord
from planner.units import Units, as_read
from planner.week.gang import GangCourse

JOB = "run job"
"""The chooser of the sheet."""


@dataclass(frozen=True)
class Sheet:
    """One job on the screen: the nouns, its estimate, its state, and the last entry this session saw (``seen``).

    ``mates``: the sheets of those that lie on the table with it as a gang, whose ``course`` it follows.
    """

    shop: Shop
    job: Job
    part: Part
    family: Family
    face: Face
    estimate: JobEstimate
    state: RunState
    taps: tuple[Tap, ...]
    seen: int
    units: Units
    mates: tuple[Sheet, ...] = ()
    course: GangCourse | None = None

    @property
    def together(self) -> tuple[Sheet, ...]:
        """It and what is cut with it."""
        return (self, *self.mates)

    @property
    def dial(self):
        return self.estimate.setup.machine.instrument

    @property
    def at_zero_mm(self) -> float:
        return self.state.zero.at_zero_mm if self.state.zero else 0.0

    def standing(self, below_mm: float) -> str:
        """What the instrument shows with the cutter so far below its zero, in the person's unit."""
        value = self.units.depth(self.dial.standing_mm(below_mm, self.at_zero_mm))
        turns = self.dial.whole_turns(below_mm)
        raised = " above the zero" if below_mm < -1e-9 and self.dial.per_turn_mm else ""
        return (f"{turns} turn{'s' if turns > 1 else ''} + " if turns else "") + value + raised

    @property
    def limit_mm(self) -> float | None:
        """Deepest depth anybody may set: what is in hand above the limit, or what the customer agreed to."""
        known = [x for x in (self.estimate.room.in_hand_mm, self.part.agreed_depth_mm) if x is not None]
        return min(known) if known else None


@dataclass(frozen=True)
class Planned:
    """What the record of a job is held against: depth likely and allowed, mm, passes, minutes at the machine."""

    depth_mm: float
    allowed_mm: float
    passes: int
    machine_minutes: float

    @classmethod
    def of(cls, estimate: JobEstimate) -> Planned:
        return cls(
            estimate.stop_likely_mm, estimate.stop_allow_mm, len(estimate.passes_likely), estimate.machine_minutes
        )


def turn_to(job_id: int) -> None:
    """Show another job's sheet."""
    st.session_state[JOB] = job_id


def clock() -> datetime:
    """The time of an entry."""
    return datetime.now().replace(microsecond=0)


def typed(name: str) -> str:
    """What stands in a field of the run sheet."""
    return str(st.session_state.get(name) or "").strip()


def tap(sheet: Sheet, kind: TapKind, payload: Mapping[str, Any] | None = None) -> str:
    """Store one entry; on the sheets of a gang's other members, too, where it is theirs as well. Said by the line of
    the last entry, so nothing more to say."""
    store, told, at, who = access.repository(), dict(payload or {}), clock(), access.who()
    sheets = sheet.together if run_gang.is_joint(kind, told) else (sheet,)
    own = {one.job.id: told for one in sheets}
    if len(sheets) > 1:
        own = {one.job.id: run_gang.as_its_own(one, sheet, kind, told) for one in sheets}
        told = own[sheet.job.id]
    try:
        with store.transaction() as together:
            for one in sheets:
                together.add_tap(one.job.id, kind, own[one.job.id], at, who, one.seen)
    except StaleRecord:
        last = store.taps_of(sheet.job.id)[-1:]
        # a finger that came down twice on one button is one entry
        if not (last and last[0].seq == sheet.seen + 1 and (last[0].kind, last[0].payload) == (kind, told)):
            raise
    return ""


def begin(sheet: Sheet, machine_id: int, gang: GangCourse | None = None) -> str:
    """The job goes on a machine; with it the other members of its ``gang``."""
    sheets, at, who, payload = (sheet,), clock(), access.who(), {"machine_id": machine_id}
    planned: dict[int, dict[str, Any]] = {}
    if gang is not None:
        sheets = tuple(sheet if j == sheet.job.id else open_sheet(sheet.shop, j) for j in gang.job_ids)
        lying = {str(one.job.id): one.part.tag for one in sheets}
        payload |= {"gang": gang.set_id, "shared": len(sheets), "with": lying}
        # when the first of them is recorded, the others' plan is another
        estimates = access.queue().by_machine
        planned = {one.job.id: {"planned": asdict(Planned.of(estimates[one.job.id, machine_id]))} for one in sheets}
        for one in sheets:
            if one.part.waits_for or one.state.begun:
                why = "; ".join(one.part.waits_for) or "it is on the machine already"
                raise InputError("gang", one.part.tag, f"members that can all be put on the table now ({why})")
    with access.repository().transaction() as together:
        for one in sheets:
            if one.job.state is not JobState.RUNNING:
                together.save(replace(one.job, state=JobState.RUNNING), by=who, at=at)
            together.add_tap(one.job.id, TapKind.START, payload | planned.get(one.job.id, {}), at, who, one.seen)
    return ""


def open_sheet(shop: Shop, job_id: int) -> Sheet:
    """The run sheet of a job as it stands, with those of its gang."""
    own = _alone(shop, job_id)
    matched = shop.set_of(job_id)
    if own.state.gang is None or matched is None or matched.id != own.state.gang:
        return own
    others = [_alone(shop, j) for j in matched.job_ids if j != job_id and j in access.queue().estimates]
    mates = tuple(one for one in others if one.state.gang == matched.id)
    return replace(own, mates=mates, course=run_gang.course_of(job_id, own.state.machine_id))


def _alone(shop: Shop, job_id: int) -> Sheet:
    job = shop.jobs[job_id]
    part, taps = shop.part_of(job), shop.taps.get(job_id, ())
    estimate = access.queue().estimates[job_id]
    seen = access.repository().last_tap_seq(job_id)
    units = access.units()
    state = as_they_sit(fold(taps), taps, estimate.setup)
    return Sheet(shop, job, part, shop.family_of(part), shop.face_of(job), estimate, state, taps, seen, units)


def stop_for(sheet: Sheet, kind: TapKind, waiting_for: str = "", reason: str = "") -> str:
    """Pause to another day, or hold and call: the job waits, what was done stays. What lies on the table with it waits,
    too."""
    who, at = access.who(), clock()
    with access.repository().transaction() as together:
        if kind is TapKind.HOLD:
            hold = Hold(waiting_for, reason, at.date())
            together.save(replace(sheet.part, holds=(*sheet.part.holds, hold)), by=who, at=at)
        together.save(replace(sheet.job, state=JobState.WAITING), by=who, at=at)
        payload = {"waiting_for": waiting_for, "reason": reason}
        together.add_tap(sheet.job.id, kind, payload, at, who, sheet.seen)
        for one in sheet.mates:
            together.save(replace(one.job, state=JobState.WAITING), by=who, at=at)
            together.add_tap(one.job.id, TapKind.PAUSE, {"reason": reason}, at, who, one.seen)
    return f"Held, {waiting_for} to be called: {reason}." if kind is TapKind.HOLD else "Paused; what was done is kept."


def go_on(sheet: Sheet, moved: bool) -> str:
    """After a pause or a hold."""
    who, at = access.who(), clock()
    held = [one.part.tag for one in sheet.mates if one.state.held]
    if held:
        raise InputError("go on", sheet.part.tag, f"a gang nobody waits for: go on from the sheet of {held[0]}")
    with access.repository().transaction() as together:
        if sheet.state.held:
            together.save(_hold_ended(sheet, at), by=who, at=at)
        for one in sheet.together:
            together.save(replace(one.job, state=JobState.RUNNING), by=who, at=at)
            together.add_tap(one.job.id, TapKind.RESUME, {"moved": moved}, at, who, one.seen)
    return ""


def _hold_ended(sheet: Sheet, at: datetime) -> Part:
    holds = tuple(
        replace(h, ended=at.date()) if h.ended is None and h.reason == sheet.state.held else h for h in sheet.part.holds
    )
    return replace(sheet.part, holds=holds)


def undo(sheet: Sheet) -> str:
    """Take the last entry back, with what it changed beside the sheet."""
    last, who, at = sheet.taps[-1], access.who(), clock()
    mates = sheet.mates if run_gang.is_joint(last.kind, last.payload) else ()
    for one in mates:
        if one.taps[-1].at != last.at or not run_gang.is_joint(one.taps[-1].kind, one.taps[-1].payload):
            accepted = f"the last entry of all: {one.part.tag} has one since, take it back first"
            raise InputError("undo", words_of(last), accepted)
    if run_gang.is_joint(last.kind, last.payload) and (kept := run_gang.recorded_in(sheet, last)):
        accepted = (
            f"an entry of the run sheets still open: the record of {' and '.join(kept)} has it, reverse that first"
        )
        raise InputError("undo", words_of(last), accepted)
    with access.repository().transaction() as together:
        for one in mates:
            if last.kind in run_gang.MOVES:
                on = JobState.RUNNING if last.kind in (TapKind.PAUSE, TapKind.HOLD) else JobState.WAITING
                if one.taps[-1].kind == TapKind.HOLD:
                    together.save(_hold_ended(one, at), by=who, at=at)
                together.save(replace(one.job, state=on), by=who, at=at)
            together.undo_tap(one.job.id, at, who, one.seen)
        if last.kind == TapKind.EDGE:
            for number in _events_of(last):
                together.add_edge_event(Reversed(at=at, by=who, number=number))
        elif last.kind in (TapKind.START, TapKind.RESUME):
            together.save(replace(sheet.job, state=JobState.WAITING), by=who, at=at)
        elif last.kind in (TapKind.PAUSE, TapKind.HOLD):
            if last.kind == TapKind.HOLD:
                together.save(_hold_ended(sheet, at), by=who, at=at)
            together.save(replace(sheet.job, state=JobState.RUNNING), by=who, at=at)
        together.undo_tap(sheet.job.id, at, who, sheet.seen)
    return "Taken back: " + as_read(words_of(last), sheet.units) + "."


def _events_of(entry: Tap) -> list[int]:
    """Numbers of the edge changes stored with an entry, the last first."""
    cutter = entry.payload.get("cutter")
    changes = (Indexed, Replaced, Chipped)
    log = access.repository().ledger().log
    found = [i for i, e in enumerate(log) if isinstance(e, changes) and e.at == entry.at and e.cutter == cutter]
    return found[::-1]


# -- edges -------------------------------------------------------------------------------------------------------------
def as_they_sit(state: RunState, taps: tuple[Tap, ...], setup: CutSetup | None) -> RunState:
    """What the entries say, and what was done to the cutter elsewhere since: a chipped edge that still sits in a pocket,
    an edge changed after the touch-off."""
    held = () if setup is None else access.ledger().pockets.get(setup.cutter.name, ())
    if not state.begun or not any(held):
        return state
    state = replace(state, chipped=bool(chipped_pockets(setup.cutter.name)))
    touched = max((t.at for t in taps if t.kind == TapKind.TOUCH), default=None)
    if touched is not None and any(p is not None and p.since > touched for p in held):
        state = replace(state, touch_again=state.touch_again or "the edge was changed")
    return state


def chipped_pockets(cutter: str) -> list[int]:
    """Pockets with an edge that chipped and was not changed yet."""
    ledger = access.ledger()
    edges = {i + 1: ledger.edge_in(cutter, i + 1) for i in range(len(ledger.pockets.get(cutter, ())))}
    return [pocket for pocket, edge in edges.items() if edge is not None and edge.state is EdgeState.RETIRED]


def edges_now(sheet: Sheet) -> list[tuple[int, int]]:
    """(insert id, position) of the edges in the cutter of this job."""
    if sheet.estimate.setup is None:
        return []
    cutter = sheet.estimate.setup.cutter.id
    return [(e.insert_id, e.position) for e in sheet.shop.edges if e.cutter_id == cutter]


def change_edges(sheet: Sheet, choices: Mapping[int, Choice], end: End) -> str:
    """By pocket: turn its insert to another position, or put another one in. One act with one touch-off after it; the
    part's depth stays as it is."""
    ledger, at, who = access.ledger(), clock(), access.who()
    cutter = sheet.estimate.setup.cutter.name
    events = changes(ledger, cutter, choices, end, at, who)
    payload = {"what": "indexed", "cutter": cutter, "before": [list(e) for e in edges_now(sheet)], "end": str(end)}
    with access.repository().transaction() as together:
        for number, event in enumerate(events):
            together.add_edge_event(event, len(ledger.log) + number)
        for one in sheet.together:
            together.add_tap(one.job.id, TapKind.EDGE, payload, at, who, one.seen)
    which = "Edge changed. The old one keeps" if len(events) == 1 else f"{len(events)} edges changed. The old ones keep"
    return f"{which} what was cut so far; touch off again on the cut face."


def chip_edge(sheet: Sheet, pocket: int) -> str:
    """The edge in a pocket chipped: nothing is cut until it is indexed."""
    ledger, at, who = access.ledger(), clock(), access.who()
    cutter = sheet.estimate.setup.cutter.name
    held = ledger.pockets[cutter][pocket - 1]
    if held is None:
        raise InputError("pocket", pocket, "a pocket with an insert")
    with access.repository().transaction() as together:
        together.add_edge_event(
            Chipped(at=at, by=who, cutter=cutter, pocket=pocket, insert=held.insert), len(ledger.log)
        )
        payload = {"what": "chipped", "cutter": cutter}
        for one in sheet.together:
            together.add_tap(one.job.id, TapKind.EDGE, payload, at, who, one.seen)
    return "Chipped edge noted. Index it before the next pass; look at the face for a mark."


AFTER_WORDS = {
    "unload": "Off the machine",
    "measure": "Measured at the bench",
    "edges": "Edges and chamfers done",
    "wash": "Washed and protected",
}
_SAID = {
    TapKind.START: "on the machine",
    TapKind.STEP: "done",
    TapKind.TOUCH: "paper grips",
    TapKind.MARK: "first mark",
    TapKind.PASS: "pass set",
    TapKind.PLACE: "place of the dye",
    TapKind.INDEX_STEP: "index step",
    TapKind.CHECK: "height while clamped",
    TapKind.PAUSE: "paused",
    TapKind.RESUME: "going on",
    TapKind.HOLD: "held",
}


def words_of(entry: Tap) -> str:
    """An entry in a few words."""
    told = entry.payload
    if entry.kind == TapKind.LOOK:
        if told.get("looks"):
            return f"looks {told['looks']}"
        return "clean" if told.get("clean") else f"not clean, dye left: {told.get('dye') or 'not said'}"
    if entry.kind == TapKind.EDGE:
        return f"edge {told['what']}"
    if entry.kind == TapKind.CONFIRM:
        return "magnesium confirmed" if told.get("what") == "magnesium" else "set up as listed"
    if entry.kind == TapKind.STEP and told.get("name") in AFTER_WORDS:
        return AFTER_WORDS[told["name"]].lower()
    more = told.get("reading") or str(told.get("name") or told.get("place") or "").replace("_", " ")
    return _SAID.get(entry.kind, str(entry.kind)) + (f", {more}" if more else "")
