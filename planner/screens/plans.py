"""The plan that screens show: the accepted one as it would run today, a proposal somebody works on, or the first one
of a shop that accepted none.

A proposal is a draft of the store: it outlives a reload, a restart and the end of a session, and moves nothing on the
board until somebody accepts it.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import pandas as pd
import streamlit as st

from planner.screens import access, background
from planner.screens.kept import kept
from planner.store import AcceptedPlan
from planner.week.board import Board, board_of, decision_of, pins_of, plan_of_decision, plan_shop, settled_plan
from planner.week.search import Decision, Plan

PROPOSALS, FIRST = "week proposal", "week first plan"
_OPEN = "open proposal"

SEARCHED = "re-planned"
"""What is said of a proposal that a search made."""

_BETTER = "Looking for a better order; the one below is good enough to start with"

FIRST_STEPS = 60
"""Steps of search of a shop's first plan, and of a re-plan: the same steps give the same plan on any machine."""


@dataclass(frozen=True)
class Proposal:
    """A plan somebody works on: what it decides, ``pins`` (job id -> instant), who made it of what, and the accepted
    plan it was made beside (0 = none)."""

    decision: Decision
    pins: Mapping[int, datetime]
    by: str
    at: datetime
    what: str
    base: int

    def payload(self) -> dict[str, Any]:
        d = self.decision
        return {
            "order": {m: list(ids) for m, ids in d.order.items()},
            "person": dict(d.person),
            "bench_first": sorted(d.bench_first),
            "opened": sorted(d.opened),
            "pins": {str(j): at.isoformat() for j, at in self.pins.items()},
            "by": self.by,
            "at": self.at.isoformat(),
            "what": self.what,
            "base": self.base,
        }

    @classmethod
    def of(cls, payload: Mapping[str, Any]) -> Proposal:
        pins = {int(j): datetime.fromisoformat(at) for j, at in payload["pins"].items()}
        at = datetime.fromisoformat(payload["at"])
        return cls(decision_of(payload), pins, payload["by"], at, payload["what"], payload["base"])


@dataclass(frozen=True)
class View:
    """What the page Week shows: the ``plan`` and the ``rows`` of its timeline. ``board``: the accepted plan beside
    today; ``proposal``: what is worked on, shown in its place; ``offered``: a kept proposal that is not open here.
    ``forward``: jobs brought forward because sets wait for each other in what was decided."""

    accepted: AcceptedPlan | None
    board: Board | None
    proposal: Proposal | None
    offered: Proposal | None
    plan: Plan
    rows: pd.DataFrame
    searching: background.Work | None = None
    forward: tuple[int, ...] = ()

    @property
    def proposed(self) -> bool:
        return self.proposal is not None or self.board is None

    @property
    def pins(self) -> Mapping[int, datetime]:
        if self.proposal is not None:
            return self.proposal.pins
        return {} if self.accepted is None else pins_of(self.accepted.payload)


def look() -> View:
    """What the page Week shows in this session."""
    accepted = access.repository().current_plan()
    base = accepted.id if accepted else 0
    proposal, offered = _open_proposal(base)
    board = accepted_board(accepted) if accepted else None
    if proposal is not None:
        plan, forward = proposal_plan(proposal, accepted)
        return View(accepted, board, proposal, None, plan, plan.timeline, forward=forward)
    if board is not None:
        return View(accepted, board, None, offered, board.today, board.rows, forward=board.forward)
    work = _first_search()
    plan = first_plan()
    return View(None, None, None, offered, plan, plan.timeline, work)


def present_plan() -> Plan | None:
    """What is still to be cut, as planned; None when there is nothing to plan."""
    shop = access.shop()
    if not shop.machines or not shop.jobs:
        return None
    accepted = access.repository().current_plan()
    return first_plan() if accepted is None else accepted_board(accepted).today


def turns() -> dict[int, tuple[int, int]]:
    """Job id -> (its place in time among all planned jobs, its machine's id): what the plan says comes next."""
    shop = access.shop()
    if not shop.machines or not shop.jobs:
        return {}
    accepted = access.repository().current_plan()
    if accepted is None:
        frame = first_plan().jobs
        planned = sorted((float(row.start_min), int(job), int(row.machine)) for job, row in frame.iterrows())
    else:
        # as it was accepted: nothing is run anew
        planned = sorted((row["start"], int(job), int(row["machine"])) for job, row in accepted.payload["jobs"].items())
    return {job: (place, machine) for place, (_, job, machine) in enumerate(planned)}


# -- the accepted plan -------------------------------------------------------------------------------------------------
def accepted_board(accepted: AcceptedPlan) -> Board:
    """The accepted plan beside the shop as it stands now."""
    return _board(access.kind(), *access.versions(), accepted.id, access.now(), accepted)


@kept(8)
def _board(which, version: access.Version, records: int, plan_id: int, now: datetime, _accepted: AcceptedPlan) -> Board:
    return board_of(_accepted.payload, access.shop(), access.queue(), now, access.knowledge())


# -- proposals ---------------------------------------------------------------------------------------------------------
def propose(decision: Decision, pins: Mapping[int, datetime], what: str) -> None:
    """Keep a proposal and show it in this session. To be called where the page is drawn anew after it."""
    store = access.repository()
    key = _opened()
    if key is None:
        key = f"{PROPOSALS}@{access.who() or uuid.uuid4().hex[:8]}"
    accepted = store.current_plan()
    made = Proposal(decision, pins, access.who(), access.now(), what, accepted.id if accepted else 0)
    store.put_draft(key, made.payload(), access.now())
    st.session_state[_OPEN] = (access.kind(), key)


def drop_proposal() -> None:
    """Let go of the proposal open in this session."""
    key = _opened()
    if key is not None:
        access.repository().drop_draft(key)
    st.session_state.pop(_OPEN, None)


def close_proposal() -> None:
    """Show the board again; the proposal stays kept."""
    st.session_state.pop(_OPEN, None)


def open_offered() -> None:
    """Show the kept proposal in this session."""
    accepted = access.repository().current_plan()
    for key, _ in _kept(accepted.id if accepted else 0)[:1]:
        st.session_state[_OPEN] = (access.kind(), key)


def proposal_plan(proposal: Proposal, accepted: AcceptedPlan | None) -> tuple[Plan, tuple[int, ...]]:
    """The plan of a proposal, run from now on, and the jobs brought forward because sets wait for each other in it."""
    key = json.dumps(proposal.payload(), sort_keys=True)
    return _proposal_plan(access.kind(), *access.versions(), access.now(), key, proposal, accepted)


@kept(8)
def _proposal_plan(
    which, version: access.Version, records: int, now: datetime, key: str, _proposal: Proposal, _accepted
) -> tuple[Plan, tuple[int, ...]]:
    payload = _accepted.payload if _accepted else None
    return settled_plan(
        access.shop(),
        access.queue(),
        now,
        _proposal.decision,
        access.knowledge(),
        accepted=payload,
        pins=_proposal.pins,
    )


def _opened() -> str | None:
    kind, key = st.session_state.get(_OPEN, (None, None))
    return key if kind is access.kind() else None


def _open_proposal(base: int) -> tuple[Proposal | None, Proposal | None]:
    """The proposal open in this session, and one that is kept and not open. What was made beside another accepted
    plan than the present one is over."""
    key = _opened()
    if key is not None:
        kept = access.repository().get_draft(key)
        if kept is not None and kept["base"] == base:
            return Proposal.of(kept), None
        st.session_state.pop(_OPEN, None)
    kept = _kept(base)
    return None, kept[0][1] if kept else None


def _kept(base: int) -> list[tuple[str, Proposal]]:
    store = access.repository()
    found = [(key, store.get_draft(key)) for key in store.draft_keys(PROPOSALS)]
    return [(key, Proposal.of(kept)) for key, kept in found if kept is not None and kept["base"] == base]


# -- the first plan of a shop ------------------------------------------------------------------------------------------
def first_plan() -> Plan:
    """The plan a shop meets before anybody accepted one, the same for everybody for a quarter of an hour: dispatched
    at once, and the searched one as soon as it is there."""
    now = _quarter()
    kept = access.repository().get_draft(FIRST)
    searched = kept is not None and kept.get("stamp") == _stamp(now)
    key = json.dumps(kept, sort_keys=True) if kept else ""
    return _first_plan(access.kind(), *access.versions(), now, key, searched, kept)


@kept(4, show_spinner="Planning the week …")
def _first_plan(
    which, version: access.Version, records: int, start: datetime, key: str, searched: bool, _kept: dict | None
) -> Plan:
    shop, queue, knowledge = access.shop(), access.queue(), access.knowledge()
    if searched:
        return plan_of_decision(shop, queue, start, decision_of(_kept), knowledge)
    begin = [decision_of(_kept)] if _kept else []
    return plan_shop(shop, queue, start, knowledge, begin_with=begin, steps=0)


def _stamp(now: datetime) -> str:
    """What the first plan's search was made for; entries on run sheets don't start it anew."""
    version, records = access.versions()
    return f"{version[0]}/{records}/{now:%Y-%m-%d}"


def _first_search() -> background.Work | None:
    """The search of the first plan, going on; None once its outcome for the shop as it stands today is kept."""
    store, now = access.repository(), _quarter()
    stamp, kept = _stamp(now), store.get_draft(FIRST)
    if kept is not None and kept.get("stamp") == stamp:
        return None
    shop, queue, knowledge = access.shop(), access.queue(), access.knowledge()
    begin = [decision_of(kept)] if kept else []

    def search(tell) -> Decision:
        def step(progress) -> None:
            tell(progress.share)

        return plan_shop(shop, queue, now, knowledge, begin_with=begin, steps=FIRST_STEPS, progress=step).decision

    work = background.ask(("first plan", access.kind()), stamp, _BETTER, search)
    if not work.over:
        return work
    if work.result is not None:
        made = replace(_nobodys(now), decision=work.result).payload() | {"stamp": stamp}
        store.put_draft(FIRST, made, access.now())
    return None


def _nobodys(now: datetime) -> Proposal:
    return Proposal(Decision({}, {}), {}, "", now, "searched", 0)


def _quarter() -> datetime:
    now = access.now()
    return now.replace(minute=now.minute // 15 * 15)
