"""A job under way: the entries of its run sheet, folded into what is known now. Pure: entries in, state out.

The instrument counts from where it was zeroed: on feeler paper of thickness t (or at the first mark, found t lower) at a
place δ below first contact, depth d below first contact stands at d − δ + t. After an index the zero is set anew on the
cut face: then δ is the depth already removed, and t the paper.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from typing import Any

from planner.errors import InputError
from planner.shop import TIMED_STEPS, PassReason, PassRecord, Tap, TapKind

ALL_LEFT = "all"
DYE_LEFT = (ALL_LEFT, "half", "quarter", "spots", "one spot")
"""How much dye a look still shows."""

BEFORE_TOUCHING = ("load", "sweep", "shim_round", "clamp", "dye", "dry")
_MAY_BE_LEFT_OUT = ("shim_round", "dry")
AFTER_CUTTING = ("unload", "measure", "edges", "wash")
"""What follows the last look; all but the unloading is bench work, away from the machine."""
INDEX_STEPS = ("pocket clean", "screw to torque", "height against its mates")

EdgeKey = tuple[int, int]


@dataclass(frozen=True)
class Zeroed:
    """Where the instrument counts from: ``offset_mm`` it goes down until the cutter touches ``place``, which lies
    ``below_first_mm`` below first contact (None: unknown). ``at_zero_mm``: what it read there, 0 once zeroed.
    ``by_heights``: set on a higher member of its gang, and reckoned from the heights of both."""

    place: str
    offset_mm: float
    below_first_mm: float | None
    at_zero_mm: float = 0.0
    by_heights: bool = False
    marked: bool = False
    on_cut_face: bool = False

    def below_mm(self, total_mm: float) -> float:
        """How far below its zero the cutter stands at this depth d below first contact: d − δ + t, with the touched place δ
        below first contact and t down to it; negative = raised."""
        return total_mm - (self.below_first_mm or 0.0) + self.offset_mm

    def total_mm(self, below_mm: float) -> float:
        """The inverse of `below_mm`; negative above first contact."""
        return below_mm + (self.below_first_mm or 0.0) - self.offset_mm


@dataclass(frozen=True)
class EdgeStretch:
    """The edges (insert id, position) that made the passes up to, and without, number ``until``."""

    edges: tuple[EdgeKey, ...]
    until: int


@dataclass(frozen=True)
class HeightCheck:
    """A height measured while clamped: its place, value and standard doubt, mm."""

    point: str
    height_mm: float
    doubt_mm: float
    after_pass: int


@dataclass(frozen=True)
class RunState:
    """What the entries of a run sheet say.

    ``passes`` were made, the last may wait for its look (``waits_for_look``). ``removed_mm``: depth below first contact
    (below the touched place while δ is unknown). ``not_clean_mm``, ``clean_mm``: greatest depth looked at and not clean,
    least one clean (None: none yet). ``raised_mm``: how far above the touched place the last traverse through the air
    went (None: it marked, or none was made). ``stretches``: passes by the edges taken out since. ``minutes``: each
    step's clocked minutes. ``confirmed``: dry chips and class D powder, for magnesium; ``plugs``: how many are in the
    part. ``gang``: the set that was begun together with it, on the table for all of whose ``shared`` members the minutes
    are spent. ``ignored``: entries that make no sense where they stand.
    """

    started: datetime | None = None
    machine_id: int | None = None
    gang: int | None = None
    shared: int = 1
    confirmed: bool = False
    set_up: bool = False
    plugs: int | None = None
    steps: tuple[str, ...] = ()
    zero: Zeroed | None = None
    touch_again: str = ""
    passes: tuple[PassRecord, ...] = ()
    waits_for_look: bool = False
    removed_mm: float = 0.0
    not_clean_mm: float = 0.0
    clean_mm: float | None = None
    raised_mm: float | None = None
    first_contact_known: bool = True
    dye: str = ""
    place: str = ""
    looks: str = ""
    stretches: tuple[EdgeStretch, ...] = ()
    chipped: bool = False
    index_left: tuple[str, ...] = ()
    checks: tuple[HeightCheck, ...] = ()
    paused: bool = False
    held: str = ""
    first_zero: Zeroed | None = None
    minutes: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    unattended_minutes: float = 0.0
    away_minutes: float = 0.0
    total_minutes: float = 0.0
    ignored: int = 0

    @property
    def begun(self) -> bool:
        return self.started is not None

    @property
    def attended_minutes(self) -> float:
        """Minutes of a person at the machine: neither the machine alone nor the bench."""
        return max(0.0, self.total_minutes - self.unattended_minutes - self.away_minutes)

    @property
    def ready_to_cut(self) -> bool:
        """Zeroed down to the first mark, and nobody waits for anything."""
        return (
            self.zero is not None
            and self.zero.marked
            and not (self.touch_again or self.chipped or self.index_left or self.paused or self.held)
        )

    @property
    def step_minutes(self) -> dict[str, float]:
        """Mean minutes of each clocked step, by the names of `TIMED_STEPS`."""
        return {name: sum(m) / len(m) for name, m in self.minutes.items() if m}

    def passes_by_edge(self, now: tuple[EdgeKey, ...]) -> list[tuple[tuple[EdgeKey, ...], tuple[PassRecord, ...]]]:
        """Passes with the edges that made them; ``now`` the edges in the cutter."""
        found, start = [], 0
        for stretch in (*self.stretches, EdgeStretch(now, len(self.passes))):
            made = self.passes[start : stretch.until]
            if made:
                found.append((stretch.edges, made))
            start = max(start, stretch.until)
        return found


def fold(taps: Iterable[Tap]) -> RunState:
    """The state after these entries, oldest first, those taken back left out. Never raises for an odd order: an entry
    that makes no sense where it stands is left out of the state and counted in ``ignored``."""
    taps = tuple(taps)
    state = RunState()
    for tap in taps:
        try:
            state = _FOLDS[TapKind(tap.kind)](state, tap)
        except (KeyError, ValueError, TypeError):
            # TypeError, KeyError: a payload without what this kind of entry needs; ValueError: an unknown kind
            state = replace(state, ignored=state.ignored + 1)
    return _clocked(state, taps)


def _start(state: RunState, tap: Tap) -> RunState:
    if state.begun:
        raise ValueError("begun before")
    gang, shared = tap.payload.get("gang"), max(1, int(tap.payload.get("shared", 1)))
    return replace(state, started=tap.at, machine_id=tap.payload.get("machine_id"), gang=gang, shared=shared)


def _confirm(state: RunState, tap: Tap) -> RunState:
    if tap.payload["what"] == "magnesium":
        return replace(state, confirmed=True)
    plugs = tap.payload.get("plugs")
    return replace(state, set_up=True, plugs=None if plugs is None else int(plugs))


def _step(state: RunState, tap: Tap) -> RunState:
    name = tap.payload["name"]
    if name not in TIMED_STEPS:
        raise ValueError(name)
    return replace(state, steps=(*state.steps, name))


def _touch(state: RunState, tap: Tap) -> RunState:
    on_cut = bool(tap.payload.get("on_cut_face"))
    if on_cut and not state.passes:
        raise ValueError("nothing cut yet")
    # in a gang the cut face may be another member's: how far it lies below this one's first contact is told
    below = tap.payload.get("cut_face_mm", state.removed_mm) if on_cut else tap.payload.get("below_first_mm")
    offset = float(tap.payload["paper_mm"])
    at_zero = float(tap.payload.get("at_zero_mm") or 0.0)
    zero = Zeroed(
        str(tap.payload.get("place", "")),
        offset,
        None if below is None else float(below),
        at_zero,
        # the cut face is flat and known: the paper will do, and no mark is wanted in it
        marked=on_cut,
        on_cut_face=on_cut,
        by_heights=bool(tap.payload.get("by_heights")),
    )
    # what heights say of first contact is not good enough to learn from
    known = below is not None and not zero.by_heights
    known = state.first_contact_known if on_cut else known
    first = state.first_zero if on_cut else zero
    return replace(state, zero=zero, first_zero=first, touch_again="", first_contact_known=known, waits_for_look=False)


def _mark(state: RunState, tap: Tap) -> RunState:
    # a new zero set while only the kiss pass was made is found by its mark, too
    if state.zero is None or (state.passes and state.zero.marked):
        raise ValueError("nothing touched yet, or cut from this zero")
    zero = replace(state.zero, offset_mm=float(tap.payload["below_mm"]), marked=True)
    return replace(state, zero=zero, first_zero=zero)


def _pass(state: RunState, tap: Tap) -> RunState:
    if state.zero is None or state.waits_for_look:
        raise ValueError("no zero, or the last pass was not looked at")
    below = float(tap.payload["below_mm"])
    reason = PassReason(tap.payload.get("reason", PassReason.SEARCH))
    total = state.zero.total_mm(below)
    done = PassRecord(
        max(0.0, total, state.removed_mm),
        reason,
        finishing=bool(tap.payload.get("finishing")),
        reading=str(tap.payload.get("reading", "")),
        at=tap.at,
    )
    raised = -total if reason is PassReason.KISS and state.zero.below_first_mm is None else None
    return replace(
        state, passes=(*state.passes, done), waits_for_look=True, removed_mm=done.total_mm, raised_mm=raised, looks=""
    )


def _look(state: RunState, tap: Tap) -> RunState:
    if not state.waits_for_look:
        raise ValueError("no pass to look at")
    clean = tap.payload.get("clean")
    dye = str(tap.payload.get("dye", ""))
    looks = str(tap.payload.get("looks", ""))
    last = state.passes[-1]
    after = state.clean_mm is not None
    last = replace(last, clean=None if after or clean is None else bool(clean), dye_left=dye)
    found: dict[str, Any] = {"passes": (*state.passes[:-1], last), "waits_for_look": False, "looks": looks, "dye": dye}
    found["place"] = str(tap.payload.get("place", ""))
    if last.clean is True:
        found["clean_mm"] = last.total_mm
    elif last.clean is False:
        found["not_clean_mm"] = max(state.not_clean_mm, last.total_mm)
    if state.raised_mm is not None and last.clean is not None and (last.clean or dye != ALL_LEFT):
        # the first mark of a traverse: first contact lies here
        found |= _first_contact_here(state)
    return replace(state, **found)


def _first_contact_here(state: RunState) -> dict[str, Any]:
    zero = state.zero
    below = zero.offset_mm - zero.below_mm(-state.raised_mm)
    found = replace(zero, below_first_mm=below)
    return {"zero": found, "first_zero": found, "raised_mm": None}


def _place(state: RunState, tap: Tap) -> RunState:
    if not state.passes or state.waits_for_look:
        raise ValueError("no look to say the place of")
    place = str(tap.payload["place"])
    last = replace(state.passes[-1], dye_left=f"{state.dye}, {place}" if state.dye else place)
    return replace(state, place=place, passes=(*state.passes[:-1], last))


def _edge(state: RunState, tap: Tap) -> RunState:
    if tap.payload["what"] == "chipped":
        return replace(state, chipped=True)
    before = tuple((int(i), int(p)) for i, p in tap.payload["before"])
    return replace(
        state,
        stretches=(*state.stretches, EdgeStretch(before, len(state.passes))),
        chipped=False,
        index_left=INDEX_STEPS,
        touch_again="the edge was changed",
    )


def _index_step(state: RunState, tap: Tap) -> RunState:
    done = tap.payload["name"]
    if done not in state.index_left:
        raise ValueError(done)
    return replace(state, index_left=tuple(s for s in state.index_left if s != done))


def _check(state: RunState, tap: Tap) -> RunState:
    read = HeightCheck(
        str(tap.payload["point"]), float(tap.payload["height_mm"]), float(tap.payload["doubt_mm"]), len(state.passes)
    )
    return replace(state, checks=(*state.checks, read))


def _resume(state: RunState, tap: Tap) -> RunState:
    again = "the part was taken off or re-clamped" if tap.payload.get("moved") else state.touch_again
    return replace(state, paused=False, held="", touch_again=again)


_FOLDS = {
    TapKind.START: _start,
    TapKind.CONFIRM: _confirm,
    TapKind.STEP: _step,
    TapKind.TOUCH: _touch,
    TapKind.MARK: _mark,
    TapKind.PASS: _pass,
    TapKind.LOOK: _look,
    TapKind.PLACE: _place,
    TapKind.EDGE: _edge,
    TapKind.INDEX_STEP: _index_step,
    TapKind.CHECK: _check,
    TapKind.PAUSE: lambda state, tap: replace(state, paused=True),
    TapKind.RESUME: _resume,
    TapKind.HOLD: lambda state, tap: replace(state, held=str(tap.payload["reason"])),
}


def _clocked(state: RunState, taps: tuple[Tap, ...]) -> RunState:
    """Minutes between entries, given to the step they belong to; a pause or a hold is nobody's time."""
    minutes: dict[str, list[float]] = {}
    unattended = away = total = looking = 0.0
    rounds = 1
    indexing: float | None = None
    for before, tap in pairwise(taps):
        gap = max(0.0, (tap.at - before.at).total_seconds() / 60)
        if before.kind in (TapKind.PAUSE, TapKind.HOLD):
            continue
        total += gap
        if before.kind == TapKind.EDGE and before.payload.get("what") != "chipped":
            indexing = indexing or 0.0
        if indexing is not None:
            # from the old edge out to the paper on the cut face
            indexing += gap
            if tap.kind == TapKind.TOUCH:
                minutes.setdefault("index", []).append(indexing)
                indexing = None
            continue
        step = None
        if tap.kind == TapKind.STEP:
            step = tap.payload.get("name")
            rounds = max(1, int(tap.payload.get("rounds", 1))) if step == "shim_round" else 1
            if step in AFTER_CUTTING[1:]:
                away += gap
            if step not in TIMED_STEPS or not _follows(before, step):
                step = None
        elif tap.kind in (TapKind.TOUCH, TapKind.MARK):
            step = "touch_off"
        elif tap.kind == TapKind.CHECK:
            step = "partner_check"
        elif before.kind == TapKind.PASS:
            traverse = min(gap, float(before.payload.get("traverse_minutes") or 0.0))
            unattended += traverse
            looking = gap - traverse
            if tap.kind == TapKind.LOOK:
                minutes.setdefault("look", []).append(looking)
        elif before.kind in (TapKind.LOOK, TapKind.PLACE) and tap.kind in (TapKind.PASS, TapKind.PLACE):
            # wiping and setting the next pass belong to the look before it
            minutes.setdefault("look", [0.0])[-1] += gap
        if step == "dry":
            unattended += gap
        if step == "touch_off" and before.kind == TapKind.TOUCH:
            minutes.setdefault(step, [0.0])[-1] += gap
        elif step == "touch_off" and before.kind not in (TapKind.STEP, TapKind.START, TapKind.CONFIRM):
            continue
        elif step is not None:
            minutes.setdefault(step, []).append(gap / rounds)
    kept = {name: tuple(m) for name, m in minutes.items()}
    if state.shared > 1:
        # spent for all that lay on the table: a share each, and no step's own time
        kept, unattended, total = {}, unattended / state.shared, (total - away) / state.shared + away
    return replace(state, minutes=kept, unattended_minutes=unattended, away_minutes=away, total_minutes=total)


def _follows(before: Tap, step: str) -> bool:
    """Whether the minutes since the entry before are this step's own: nothing untapped lies between."""
    at = TIMED_STEPS.index(step)
    if before.kind in (TapKind.START, TapKind.CONFIRM):
        first = 0
    elif before.kind == TapKind.STEP and before.payload.get("name") in TIMED_STEPS:
        first = TIMED_STEPS.index(before.payload["name"]) + 1
        if before.payload["name"] == step:
            return step == "shim_round"
    elif before.kind in (TapKind.LOOK, TapKind.CHECK):
        # once the last look is over the part comes off
        return step == "unload"
    else:
        return False
    return first <= at and all(s in _MAY_BE_LEFT_OUT for s in TIMED_STEPS[first:at])


def standing_below_mm(instrument: Any, standing_mm: float, near_below_mm: float, at_zero_mm: float = 0.0) -> float:
    """How far below its zero the cutter stands when the instrument shows ``standing_mm``: of the whole turns that could
    be meant, the one nearest to ``near_below_mm``. Raises `InputError` for a figure outside the dial's turn."""
    from planner.shop import Counts

    sign = 1.0 if instrument.counts is Counts.UP else -1.0
    turn = instrument.per_turn_mm
    below = sign * (standing_mm - at_zero_mm)
    if turn is None:
        return below
    if not -1e-9 <= standing_mm <= turn + 1e-9:
        raise InputError("as_set", standing_mm, f"a figure of the {instrument.name}, 0 to {turn:g} mm")
    return below + turn * round((near_below_mm - below) / turn)
