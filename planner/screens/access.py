"""What every screen reads: the open shop, its picture, what was learned, the estimates, units, who sits here.

Heavy things are cached on the store's own counters, which every write moves: nothing is stale, nothing computed twice.
All cached values are frozen and shared by every session.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import datetime

import streamlit as st

from planner.cut.knowledge import Knowledge
from planner.edge import Ledger
from planner.screens.drawing import once
from planner.screens.kept import kept
from planner.shop import Person, Shop
from planner.store import Kind, Places, Repository, open_kind, own_shop_exists, places
from planner.store.computed import Computed
from planner.store.edge_log import EdgeEvent
from planner.units import System, Units
from planner.week.edge_advice import edge_limits
from planner.week.following import follow_runs
from planner.week.learning import Learned, learn
from planner.week.measured import measured_jobs
from planner.week.queue import Measured, Queue, estimate_queue

Version = tuple[int, int]
"""Counters of the shop's picture and of its run sheets."""

_KIND, _UNITS, _WHO = "open shop", "units", "who"


def now() -> datetime:
    """The shop's clock, to the minute."""
    return datetime.now().replace(second=0, microsecond=0)


@st.cache_resource(show_spinner=False)
def _places() -> Places:
    return places()


@st.cache_resource(show_spinner=False)
def _computed() -> Computed:
    return Computed(_places().computed)


def keep(function, *inputs):
    """``function(*inputs)``, a pure function of what it is given, from the disk when it was computed before."""
    return _computed().call(function, *inputs)


@kept(2, show_spinner="Opening the shop; the very first start fills the sample …", show_time=True)
def _open(wanted: Kind) -> Repository:
    store = open_kind(_places(), wanted, datetime.now())
    if wanted is Kind.SAMPLE and store.is_empty():
        from planner.store.sample import load_sample

        load_sample(store, now())
    return store


def own_exists() -> bool:
    """Whether the user's own shop was ever started."""
    return own_shop_exists(_places())


def where() -> Places:
    """Where the shops lie."""
    return _places()


def kind() -> Kind:
    """Which shop this session looks at: the own one once there is one, else the sample."""
    return once("kind", _kind)


def _kind() -> Kind:
    chosen = st.session_state.get(_KIND)
    if chosen is None:
        chosen = st.session_state[_KIND] = Kind.OWN if own_exists() else Kind.SAMPLE
    return chosen


def choose(wanted: Kind) -> None:
    """Look at the other shop; its own file is opened (and made) when first asked for. To be called in a callback.

    Who sits here and which part was looked at belong to the shop that was left; its unit system does, too.
    """
    store = _open(wanted)
    st.session_state[_KIND] = wanted
    st.session_state[_WHO] = None
    st.session_state.pop("part", None)
    read_in(store.settings().units)


def read_in(system: System) -> None:
    """Show figures in this unit system from now on. To be called in a callback."""
    st.session_state[_UNITS] = System(system).value


def reopen() -> None:
    """Forget open databases, after one was put back from a backup."""
    _open.clear()
    _shop.clear()
    _learned.clear()
    _learned_by_now.clear()
    _wanted.clear()
    _queue.clear()
    _queue_untouched.clear()
    _measured.clear()
    _edges.clear()


def repository() -> Repository:
    return _open(kind())


@kept(4)
def _shop(which: Kind, version: Version) -> Shop:
    return _open(which).load_shop()


@kept(4)
def _learned(which: Kind, records: int, edges: int, wanted: tuple) -> Learned:
    store = _open(which)
    picture, followed = _bare(store.load_shop()), store.followed_surveys()
    return keep(learn, picture, store.work_records(), store.ledger(), followed)


@kept(8)
def _queue_untouched(which: Kind, version: int, records: int, system: System, _picture: Shop) -> Queue:
    """The queue without regard to run sheets: a tap at a machine does not estimate the whole shop anew."""
    return keep(_estimates, _bare(_picture), knowledge(), system)


def _estimates(picture: Shop, learned: Knowledge, system: System) -> Queue:
    queue = estimate_queue(picture, learned, measured_jobs(picture, learned), units=Units(system))
    return replace(queue, edge_limits=edge_limits(picture, queue, learned))


def _bare(picture: Shop) -> Shop:
    """The shop without what moves while nothing it is estimated from does: the data's counter, the run sheets."""
    return replace(picture, data_version=0, taps={})


@kept(8, show_spinner="Estimating the queue …", show_time=True)
def _queue(which: Kind, version: Version, records: int, system: System) -> Queue:
    picture = _shop(which, version)
    untouched = _queue_untouched(which, version[0], records, system, picture)
    if not picture.taps:
        return untouched
    return follow_runs(untouched, picture, knowledge(), _measured(which, version[0], records, picture), Units(system))


@kept(4)
def _measured(which: Kind, version: int, records: int, _picture: Shop) -> dict[int, Measured]:
    """What was measured of the open jobs; no entry on a run sheet changes it."""
    return measured_jobs(_picture, knowledge())


def versions() -> tuple[Version, int]:
    """Counters of the shop's picture (with its run sheets) and of its record; they move with every write."""
    store = repository()
    return once(("versions", store.written), store.versions)


def edge_version() -> int:
    """The counter of what happened to inserts and edges."""
    store = repository()
    return once(("edge version", store.written), store.edge_version)


def data_version() -> int:
    """The counter of everything: somebody stored something since it was read when it has moved."""
    store = repository()
    return once(("data version", store.written), store.data_version)


def shop() -> Shop:
    """The shop as it stands."""
    return _shop(kind(), versions()[0])


@kept(4)
def _wanted(which: Kind, version: Version) -> tuple[frozenset, str]:
    """Families, faces and conditions that the open jobs name; and what stands beside the record when it is read."""
    now_open = _shop(which, version)
    named = frozenset(
        (part.family_id, job.face_id, part.condition)
        for job in now_open.open_jobs()
        if (part := now_open.parts.get(job.part_id)) is not None
    )
    beside = repr(
        (now_open.recipes, now_open.grades, now_open.cutters, now_open.machines, now_open.families)
        + (now_open.settings.skin_wear,)
    )
    return named, hashlib.sha256(beside.encode()).hexdigest()


# what goes on is told by the outermost of kept functions that call each other: one inside another stays silent
@kept(4, show_spinner="Learning from the record …", show_time=True)
def _learned_by_now(which: Kind, version: Version, records: int, edges: int) -> Learned:
    return _learned(which, records, edges, _wanted(which, version))


def learned() -> Learned:
    """What was learned from the record; learned anew when it changed, or when the queue names something new."""
    return _learned_by_now(kind(), *versions(), edge_version())


def knowledge() -> Knowledge:
    """The beliefs that estimates rest on."""
    return learned().knowledge


@kept(4)
def _edges(which: Kind, version: int) -> tuple[Ledger, tuple[EdgeEvent, ...]]:
    store = _open(which)
    return store.ledger(), store.edge_events()


def ledger() -> Ledger:
    """Where every insert is and what its edges have cut."""
    return _edges(kind(), data_version())[0]


def edge_events() -> tuple[EdgeEvent, ...]:
    """What happened to inserts and edges, in order."""
    return _edges(kind(), data_version())[1]


def queue() -> Queue:
    """Estimates of all open jobs and plans of all sets."""
    version, records = versions()
    # asked for here, not from inside, so that learning is told while it goes on
    _learned_by_now(kind(), version, records, edge_version())
    return _queue(kind(), version, records, units().system)


def queue_untouched() -> Queue:
    """As `queue`, without regard to run sheets: what was planned before the first tap."""
    version, records = versions()
    return _queue_untouched(kind(), version[0], records, units().system, _shop(kind(), version))


def units() -> Units:
    """The unit system this session reads in; the shop's own until switched."""
    chosen = st.session_state.get(_UNITS)
    return Units(System(chosen) if chosen else shop().settings.units)


def who() -> str:
    """Initials or name of the person at this screen; empty = nobody said."""
    person: Person | None = shop().people.get(st.session_state.get(_WHO))
    return (person.initials or person.name) if person else ""
