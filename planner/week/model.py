"""The week's own nouns: jobs, machines, people, hours, edges, sets and prices, as plain frozen dataclasses.

Time is minutes since the start instant of the plan (``start`` of `plan_week`); minute 0 is that instant. Money is in
the shop's currency. Identifiers are strings, unique within their kind. Nothing here reads a clock or a database.

The rules by which these nouns become a timeline are stated once, in `planner.week.timeline`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from planner.errors import InputError, finite, not_negative, positive

__all__ = ["ALWAYS", "Edge", "Job", "JobSet", "Machine", "Person", "Prices", "Step", "Week", "Where", "Window"]


def _text(name: str, value: object) -> str:
    if not isinstance(value, str) or not value:
        raise InputError(name, value, "a text that is not empty")
    return value


def _all(name: str, given: object, kind: type, accepted: str) -> tuple:
    """``given`` as a tuple of one kind of thing."""
    try:
        found = None if isinstance(given, str | Mapping) else tuple(given)
    except TypeError:  # also an array of no axis, which says that it can be gone through
        found = None
    if found is None:
        raise InputError(name, given, accepted)
    for one in found:
        if not isinstance(one, kind):
            raise InputError(name, one, accepted)
    return found


def _mapping(name: str, given: object, accepted: str) -> Mapping:
    if not isinstance(given, Mapping):
        raise InputError(name, given, accepted)
    return given


class Where(StrEnum):
    """What a step needs: machine and person, the machine in working hours, or only the machine and time."""

    ATTENDED = "attended"
    """Machine and person, without interruption: load, touch-off, look, unload."""
    TRAVERSE = "traverse"
    """Machine only, but started only when it ends before the person's break or shift end: a cut pass."""
    WAIT = "wait"
    """Machine only; may run on through breaks and nights: dye drying."""


@dataclass(frozen=True)
class Step:
    """One uninterruptible piece of a job on its machine.

    ``kind`` is what the timeline shows ("load", "touch-off", "cut pass", "look", "drying", "unload").
    ``edge_use`` is the share of an edge the step spends, in units of edge use (a pass; 0 for everything else).
    """

    kind: str
    minutes: float
    where: Where = Where.ATTENDED
    edge_use: float = 0.0

    def __post_init__(self) -> None:
        _text("kind", self.kind)
        positive("minutes", self.minutes)
        not_negative("edge_use", self.edge_use)
        if self.where not in tuple(Where):
            raise InputError("where", self.where, "attended, traverse or wait")


@dataclass(frozen=True)
class Window:
    """A stretch of working time [start_min, end_min).

    Windows of one shift share ``shift`` (a gap between them is a break); a change of ``shift`` is a shift's end. Hours
    with an ``overtime`` name are used only when the plan opens that name, and cost ``price_per_min`` from their start
    until the person's last work in them. Windows with the same name open together. Overtime that touches a shift
    continues it (same ``shift``).
    """

    start_min: float
    end_min: float
    shift: int = 0
    overtime: str = ""
    price_per_min: float = 0.0

    def __post_init__(self) -> None:
        finite("start_min", self.start_min)
        if not finite("end_min", self.end_min) > self.start_min:
            raise InputError("end_min", self.end_min, f"a number above start_min ({self.start_min:g})")
        not_negative("price_per_min", self.price_per_min)
        if self.price_per_min and not self.overtime:
            raise InputError("price_per_min", self.price_per_min, "0 for regular hours, or a name in `overtime`")


ALWAYS = (Window(0.0, 60 * 24 * 365.0),)
"""Open day and night for a year."""


def _windows(name: str, windows: tuple[Window, ...]) -> tuple[Window, ...]:
    windows = _all(name, windows, Window, "several Window")
    for before, after in zip(windows, windows[1:], strict=False):
        if after.start_min < before.end_min:
            raise InputError(name, (before, after), "windows in order of time that do not overlap")
        if after.shift < before.shift:
            raise InputError(name, (before, after), "shift numbers that do not fall")
    return windows


@dataclass(frozen=True)
class Edge:
    """The edge now in a cutter for one insert grade, and what the next ones cost.

    ``used`` and ``limit`` (the planning limit) are edge use; ``price`` is money per index; ``stock`` counts the fresh
    edges at hand, None when unknown. It is only reported against, never enforced.
    """

    used: float = 0.0
    limit: float = 0.45
    price: float = 0.0
    stock: int | None = None

    def __post_init__(self) -> None:
        not_negative("used", self.used)
        positive("limit", self.limit)
        not_negative("price", self.price)


@dataclass(frozen=True)
class Job:
    """One cut of one face (or of a gang on the table together) with everything that must happen around it.

    Required: ``id``; ``steps``: machine id -> the steps there, first and last of them attended (load, unload).
    A machine missing from ``steps`` cannot take the job; ``refused`` may say why (machine id -> reason).

    due_min, weight_per_min  due as *ready* (after-work done); money per minute late. ``inf``: no due time.
    fixture, material, grade setups are counted when these change on a machine ("" = whatever is there).
    grades                   machine id -> grade, where a machine cuts it with another one than ``grade``.
    before_minutes           away work by the same person right before the machine (intake check); may pause at breaks.
    cool_minutes             rest between that and the machine: clock time, needs nobody.
    after                    (kind, minutes) of away work before the part is ready; may pause at breaks and for the
                             machine.
    not_before_min           gates, holds with a date, part not in: nothing of the job starts earlier.
    blocked                  a gate or hold without a date: the reason the job cannot be placed ("" = free).
    touch_off_minutes        the new touch-off after a shift's end between passes.
    always_attended          magnesium: person stays for every minute, in one uninterrupted block inside one window, ...
    watch_minutes            ... that ends at least so long before the shift's end (never last before closing).
    edge_limit               a tighter planning limit for this job (little left on the part, finest finish), or None.
    edge_age_price           money per unit of edge use already on the edge when the job starts (fine faces early).
    pin_machine, pin_person  the only machine / person allowed ("" = any).
    pin_start_min            nothing before it, and each minute later costs ``Prices.pin_per_min``; None = not pinned.
    started                  running now: no before-work, setup or index before it; `steps` are what remains.
    """

    id: str
    steps: Mapping[str, tuple[Step, ...]]
    due_min: float = math.inf
    weight_per_min: float = 1.0
    fixture: str = ""
    material: str = ""
    grade: str = ""
    before_minutes: float = 0.0
    cool_minutes: float = 0.0
    after: tuple[tuple[str, float], ...] = ()
    not_before_min: float = 0.0
    blocked: str = ""
    refused: Mapping[str, str] = field(default_factory=dict)
    touch_off_minutes: float = 5.0
    always_attended: bool = False
    watch_minutes: float = 0.0
    edge_limit: float | None = None
    edge_age_price: float = 0.0
    grades: Mapping[str, str] = field(default_factory=dict)
    pin_machine: str = ""
    pin_person: str = ""
    pin_start_min: float | None = None
    started: bool = False

    def __post_init__(self) -> None:
        _text("id", self.id)
        by_machine = _mapping(f"{self.id}.steps", self.steps, "machine id -> several Step")
        steps = {m: _all(f"{self.id}.steps[{m}]", given, Step, "several Step") for m, given in by_machine.items()}
        for machine, given in steps.items():
            name = f"{self.id}.steps[{machine}]"
            if not given or not all(isinstance(step, Step) for step in given):
                raise InputError(name, given, "at least one Step")
            if not given[-1].where == Where.ATTENDED:
                raise InputError(name, given[-1], "a last step with somebody at the machine (unload)")
            if not given[0].where == Where.ATTENDED and not self.started:
                raise InputError(name, given[0], "a first step with somebody at the machine (load)")
            if given[0].where == Where.WAIT:
                raise InputError(name, given[0], "a first step that is no wait")
        object.__setattr__(self, "steps", steps)
        object.__setattr__(self, "refused", dict(_mapping(f"{self.id}.refused", self.refused, "machine id -> reason")))
        object.__setattr__(self, "grades", dict(_mapping(f"{self.id}.grades", self.grades, "machine id -> grade")))
        pairs = _all(f"{self.id}.after", self.after, tuple | list, "pairs (kind, minutes)")
        for pair in pairs:
            if len(pair) != 2:
                raise InputError(f"{self.id}.after", pair, "pairs (kind, minutes)")
        after = tuple((kind, float(finite(f"{self.id}.after[{kind}]", minutes))) for kind, minutes in pairs)
        object.__setattr__(self, "after", after)
        if self.due_min != math.inf:
            finite(f"{self.id}.due_min", self.due_min)
        for name in ("weight_per_min", "before_minutes", "cool_minutes", "not_before_min", "touch_off_minutes"):
            not_negative(f"{self.id}.{name}", getattr(self, name))
        for name in ("watch_minutes", "edge_age_price"):
            not_negative(f"{self.id}.{name}", getattr(self, name))
        if self.cool_minutes and not self.before_minutes:
            raise InputError(f"{self.id}.cool_minutes", self.cool_minutes, "0 without before-work: use not_before_min")
        for kind, minutes in self.after:
            positive(f"{self.id}.after[{kind}]", minutes)
        if self.edge_limit is not None:
            positive(f"{self.id}.edge_limit", self.edge_limit)
        if self.pin_start_min is not None:
            not_negative(f"{self.id}.pin_start_min", self.pin_start_min)

    @property
    def after_minutes(self) -> float:
        return sum(minutes for _, minutes in self.after)

    def grade_on(self, machine: str) -> str:
        """The grade it is cut with on a machine."""
        return self.grades.get(machine, self.grade)


@dataclass(frozen=True)
class Machine:
    """A surfacing machine: its own closures, how it stands now, what changes of setup take.

    windows          when the machine itself may run; `ALWAYS` unless it is down or closed.
    rate_per_min     money per setup minute.
    fixture, material, grade   what is on it now.
    fixture_minutes  one figure, or (from, to) -> minutes; counted when the job's fixture differs.
    insert_minutes   counted when the job's grade differs.
    cleanout         (from material, to material) -> minutes; missing = none.
    index_minutes    index an edge, trial and new touch-off included.
    edges            grade -> Edge. A grade without one is not counted.
    fixed            job ids that stay first, in this order: the running job and the next.
    """

    id: str
    windows: tuple[Window, ...] = ALWAYS
    rate_per_min: float = 0.0
    fixture: str = ""
    material: str = ""
    grade: str = ""
    fixture_minutes: float | Mapping[tuple[str, str], float] = 0.0
    insert_minutes: float = 0.0
    cleanout: Mapping[tuple[str, str], float] = field(default_factory=dict)
    index_minutes: float = 10.0
    edges: Mapping[str, Edge] = field(default_factory=dict)
    fixed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _text("id", self.id)
        object.__setattr__(self, "windows", _windows(f"{self.id}.windows", self.windows))
        for name in ("rate_per_min", "insert_minutes"):
            not_negative(f"{self.id}.{name}", getattr(self, name))
        positive(f"{self.id}.index_minutes", self.index_minutes)
        if isinstance(self.fixture_minutes, Mapping):
            object.__setattr__(self, "fixture_minutes", dict(self.fixture_minutes))
            for pair, minutes in self.fixture_minutes.items():
                not_negative(f"{self.id}.fixture_minutes[{pair}]", minutes)
        else:
            not_negative(f"{self.id}.fixture_minutes", self.fixture_minutes)
        pairs = _mapping(f"{self.id}.cleanout", self.cleanout, "(from material, to material) -> minutes")
        object.__setattr__(self, "cleanout", dict(pairs))
        for pair, minutes in self.cleanout.items():
            not_negative(f"{self.id}.cleanout[{pair}]", minutes)
        edges = dict(_mapping(f"{self.id}.edges", self.edges, "grade -> Edge"))
        _all(f"{self.id}.edges", edges.values(), Edge, "grade -> Edge")
        object.__setattr__(self, "edges", edges)
        object.__setattr__(self, "fixed", _all(f"{self.id}.fixed", self.fixed, str, "ids of jobs"))

    def setup_pieces(self, before: tuple[str, str, str], job: Job) -> tuple[tuple[str, float], ...]:
        """(kind, minutes) of the changes from (fixture, material, grade) to ``job``, zero ones left out."""
        fixture, material, grade = before
        pieces = []
        if job.material and material and job.material != material:
            pieces.append(("cleanout", self.cleanout.get((material, job.material), 0.0)))
        if job.fixture and job.fixture != fixture:
            if isinstance(self.fixture_minutes, dict):
                minutes = self.fixture_minutes.get((fixture, job.fixture), 0.0)
            else:
                minutes = self.fixture_minutes
            pieces.append(("fixture change", minutes))
        wanted = job.grade_on(self.id)
        if wanted and wanted != grade:
            pieces.append(("insert change", self.insert_minutes))
        return tuple((kind, minutes) for kind, minutes in pieces if minutes > 0)


@dataclass(frozen=True)
class Person:
    """Somebody with hours: the machines he or she may run, and whether he or she does bench (away) work."""

    id: str
    machines: frozenset[str] = frozenset()
    windows: tuple[Window, ...] = ALWAYS
    bench: bool = True

    def __post_init__(self) -> None:
        _text("id", self.id)
        machines = _all(f"{self.id}.machines", self.machines, str, "ids of machines")
        object.__setattr__(self, "machines", frozenset(machines))
        object.__setattr__(self, "windows", _windows(f"{self.id}.windows", self.windows))


@dataclass(frozen=True)
class JobSet:
    """Members of a matched set in cutting order. A member starts only after the one before it has left the machine;
    ``measuring_minutes`` (away, by the person who runs the later member) come first, because only then its target is
    known. ``split_price``: money for each member that does not directly follow the one before it on the same machine.
    """

    members: tuple[str, ...]
    measuring_minutes: float = 0.0
    split_price: float = 200.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "members", _all("members", self.members, str, "ids of jobs in cutting order"))
        if len(self.members) < 2 or len(set(self.members)) < len(self.members):
            raise InputError("members", self.members, "two or more different job ids")
        not_negative("measuring_minutes", self.measuring_minutes)
        not_negative("split_price", self.split_price)


@dataclass(frozen=True)
class Prices:
    """What else a plan costs: ``move`` per job that changed its machine or the job before it against the accepted plan,
    ``unplaced`` per job that does not end inside the calendar, ``pin_per_min`` per minute after a pinned start,
    ``flow_per_min`` per minute until ready (0; a small figure makes plans finish early when nothing else matters)."""

    move: float = 0.0
    unplaced: float = 10_000.0
    pin_per_min: float = 1_000.0
    flow_per_min: float = 0.0

    def __post_init__(self) -> None:
        for name in ("move", "unplaced", "pin_per_min", "flow_per_min"):
            not_negative(name, getattr(self, name))


def _unique(kind: str, things: tuple) -> None:
    ids = [thing.id for thing in things]
    for one in ids:
        if ids.count(one) > 1:
            raise InputError(kind, one, "every id once")


@dataclass(frozen=True)
class Week:
    """The whole problem. ``people`` empty: each machine has its own hands, always there while the machine is open.

    ``accepted``: machine id -> job ids in the order of the accepted plan, what moves are counted against.
    """

    jobs: tuple[Job, ...]
    machines: tuple[Machine, ...]
    people: tuple[Person, ...] = ()
    sets: tuple[JobSet, ...] = ()
    prices: Prices = Prices()
    accepted: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "jobs", _all("jobs", self.jobs, Job, "several planner.week.Job"))
        machines = _all("machines", self.machines, Machine, "several planner.week.Machine")
        object.__setattr__(self, "machines", machines)
        people = _all("people", self.people, Person, "several planner.week.Person") or tuple(
            Person(f"at {machine.id}", frozenset({machine.id}), machine.windows) for machine in self.machines
        )
        object.__setattr__(self, "people", people)
        object.__setattr__(self, "sets", _all("sets", self.sets, JobSet, "several planner.week.JobSet"))
        if not isinstance(self.prices, Prices):
            raise InputError("prices", self.prices, "a planner.week.Prices")
        accepted = _mapping("accepted", self.accepted, "machine id -> job ids in order").items()
        accepted = {m: _all(f"accepted[{m}]", ids, str, "job ids in order") for m, ids in accepted}
        object.__setattr__(self, "accepted", accepted)
        if not self.machines:
            raise InputError("machines", self.machines, "at least one machine")
        for kind, things in (("jobs", self.jobs), ("machines", self.machines), ("people", self.people)):
            _unique(kind, things)
        known = {job.id for job in self.jobs}
        machines = {machine.id for machine in self.machines}
        member_of: set[str] = set()
        for one in self.sets:
            for member in one.members:
                if member not in known:
                    raise InputError("sets", member, "ids of jobs in this week")
                if member in member_of:
                    raise InputError("sets", member, "each job in one set at most")
                member_of.add(member)
        fixed: list[str] = []
        for machine in self.machines:
            fixed.extend(machine.fixed)
        for one in fixed:
            if one not in known or fixed.count(one) > 1:
                raise InputError("fixed", one, "ids of jobs in this week, each once")
        for job in self.jobs:
            for machine in (*job.steps, *job.refused, *([job.pin_machine] if job.pin_machine else [])):
                if machine not in machines:
                    raise InputError(f"{job.id}.steps", machine, "ids of machines in this week")
