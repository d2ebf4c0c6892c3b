"""Search for the cheapest week: dispatch starts, then local search over insertion, swap and block moves within and
between machines, people, bench-first marks and opened overtime, whole batches of neighbours evaluated exactly at once.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from planner.errors import InputError

from .model import Job, JobSet, Machine, Person, Prices, Week
from .result import Decision, Plan, State, evaluate_decision, plan_of, state_of
from .single import check_budget, dispatch_orders, good_orders
from .space import Space
from .tables import Tables

__all__ = ["Decision", "Plan", "Progress", "evaluate_decision", "plan_week", "search_week"]

BATCH = 192
SAMPLE = 2_000
STALE = 3
KICK = (2, 5)
SLICES = 300
ORDERS = 64
SMALL = 14
BEYOND = 1e6


@dataclass(frozen=True)
class Progress:
    """What the progress callback gets: steps done, share of the budget spent, cost of the best plan, and a function
    that makes that plan (called only when wanted)."""

    steps: int
    share: float
    cost: float
    best: Callable[[], Plan]


def _starts(space: Space, rng: np.random.Generator) -> list[State]:
    """Dispatch plans: jobs by due time, weight, slack or at random, each put where it can start first."""
    tables = space.tables
    n, m = tables.n, tables.m
    if not n:
        empty = np.full(m - 1, -1)
        return [State(empty, np.zeros((0, m), int), np.zeros(0, bool), frozenset())]
    minutes = tables.pieces.begin[np.arange(n * m), tables.pieces.count].reshape(n, m)
    minutes = np.where(space.can, minutes + tables.before[:, None], np.inf)
    least = minutes.min(1) if n else np.zeros(0)
    due = np.minimum(tables.due, 1e7)
    person = np.where(tables.may.any(2), tables.may.argmax(2), 0)
    clock = tables.clock(frozenset())
    due_work = np.zeros(n)
    if n:
        k0 = np.array([int(np.flatnonzero(space.can[j])[0]) for j in range(n)])
        p0 = person[np.arange(n), k0]
        due_work = clock.worked(tables.p + k0 * tables.p + p0, np.minimum(due, clock.horizon_min))
    ranks = [
        due_work,
        due_work - least - tables.after,
        -tables.weight / np.maximum(least, 1e-9),
        due_work - 3 * tables.weight / max(1e-9, tables.weight.mean() if n else 1.0) * least,
        tables.release,
    ]
    ranks += [due_work + rng.normal(0, 0.3 * (due_work.std() + 1), n) for _ in range(3)]
    urgency = list(ranks)
    pool: list[State] = []
    fixed = {j: k for k, _, j in space.fixed}
    for rank in urgency:
        for with_setups in (False, True):
            lanes: list[list[int]] = [[] for _ in range(m)]
            load = np.zeros(m)
            for k, _, j in space.fixed:
                lanes[k].append(j)
                load[k] += minutes[j, k]
            left = [int(j) for j in np.argsort(rank, kind="stable") if j not in fixed]
            done = set(fixed)
            while left:
                window = left[: 1 if not with_setups else 6]
                best = None
                for j in window:
                    first = tables.set_before[j]
                    if first >= 0 and first not in done:
                        continue
                    for k in np.flatnonzero(space.can[j]):
                        last = lanes[k][-1] if lanes[k] else -1
                        cost = load[k] + tables.setup[k, last + 1, j] + minutes[j, k]
                        cost += 2 * tables.setup[k, last + 1, j] if with_setups else 0.0
                        if first >= 0 and last != first:
                            cost += 1e4
                        if best is None or cost < best[0] - EPS_TIE:
                            best = (cost, j, int(k))
                if best is None:
                    j = next(j for j in left if tables.set_before[j] < 0 or tables.set_before[j] in done)
                    window = [j]
                    k = int(np.flatnonzero(space.can[j])[0])
                    best = (0.0, j, k)
                _, j, k = best
                last = lanes[k][-1] if lanes[k] else -1
                load[k] += tables.setup[k, last + 1, j] + minutes[j, k]
                lanes[k].append(j)
                done.add(j)
                left.remove(j)
                follower = np.flatnonzero(tables.set_before == j)
                for f in follower:
                    if int(f) in left:
                        left.remove(int(f))
                        left.insert(0, int(f))
            tour = [j for k, lane in enumerate(lanes) for j in ([-1] if k else []) + lane]
            pool.append(State(np.array(tour, int), person.copy(), np.zeros(n, bool), frozenset()))
    return pool


EPS_TIE = 1e-9


def _better(new: float, old: float) -> bool:
    return new < old - 1e-7 * max(1.0, abs(old))


def search_week(
    tables: Tables,
    seconds: float = 1.0,
    seed: int = 0,
    *,
    steps: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    opened: frozenset[str] | None = None,
    start: datetime | None = None,
    begin_with: Iterable[Decision] = (),
    target: float | None = None,
) -> Plan:
    """The best plan found in ``seconds``, or in ``steps`` batches of neighbours (then the same for the same seed).

    ``opened`` fixes the overtime; None lets the search open it. ``begin_with``: plans to start from as well.
    ``target``: stop at this cost.
    """
    rng = np.random.default_rng(seed)
    began = time.perf_counter()
    space = Space(tables)
    done = 0

    def spent() -> float:
        if steps is not None:
            return done / steps if steps else 1.0
        return (time.perf_counter() - began) / max(seconds, 1e-9)

    names = tables.overtime_names if opened is None else ()
    base = frozenset() if opened is None else frozenset(opened)
    pool = _starts(space, rng)
    pool = [state for state in pool if space.valid(state.tour[None])[0]] or pool
    for state in pool:
        state.opened = base
    for decision in begin_with:
        state = state_of(tables, decision, base if opened is not None else None)
        if space.valid(state.tour[None])[0]:
            pool.append(state)
    space.price(pool)
    best = min(pool, key=lambda state: state.cost)
    goal = -np.inf if target is None else target + 1e-9
    if tables.n == 0 or (tables.n == 1 and tables.m == 1 and not (names or space.choices or space.drains)):
        return plan_of(tables, best, start, space.evaluations, 0)
    small = space.size <= SMALL
    if not small:
        for state in sorted(pool, key=lambda state: state.cost)[:2]:
            found = _lane_orders(space, state, rng, fresh=True)
            if found.cost < best.cost:
                best = found
    every = space.all_moves() if small else None
    current, stale = best, 0
    while spent() < 1.0 and best.cost > goal:
        done += 1
        found = _best_neighbour(space, current, every, rng, names)
        if found is not None and _better(found.cost, current.cost):
            current, stale = found, 0
        else:
            stale += 1
        if _better(current.cost, best.cost):
            best = current
        if stale >= (1 if small else STALE):
            current, stale = best if rng.random() < 0.7 else current, 0
            if small or rng.random() < 0.5:
                current = _kick(space, current, rng, names)
            else:
                current = _lane_orders(space, current, rng, fresh=False)
                if _better(current.cost, best.cost):
                    best = current
        if progress is not None:

            def make(state: State = best, count: int = done) -> Plan:
                return plan_of(tables, state, start, space.evaluations, count)

            progress(Progress(done, min(1.0, spent()), best.cost, make))
    return plan_of(tables, best, start, space.evaluations, done)


def _lane_orders(space: Space, state: State, rng, *, fresh: bool) -> State:
    """Each machine's jobs put in order on working minutes by the search for one machine; of its good orders the
    cheapest plan. ``fresh``: begin with dispatch orders as well as with the present one."""
    tables = space.tables
    surrogate = space.surrogate(state)
    lane = np.cumsum(state.tour < 0)
    fixed = {j for _, _, j in space.fixed}
    lanes: list[list[list[int]]] = []
    for k in range(tables.m):
        jobs = state.tour[(lane == k) & (state.tour >= 0)]
        head = [int(j) for j in jobs if int(j) in fixed]
        free = np.array([int(j) for j in jobs if int(j) not in fixed], int)
        orders = [free]
        if len(free) > 2:
            at = head[-1] + 1 if head else 0
            begin = sum(surrogate.minutes[j, k] for j in head)
            setups = np.vstack([tables.setup[k, at, free], tables.setup[k][np.ix_(free + 1, free)]])
            due = np.where(np.isfinite(tables.due[free]), surrogate.due_worked[free, k] - begin, BEYOND)
            minutes, weights = surrogate.minutes[free, k], tables.weight[free]
            first = [np.arange(len(free))]
            if fresh:
                first += dispatch_orders(minutes, weights, due, setups)
            found = good_orders(minutes, weights, due, setups, first, SLICES, int(rng.integers(1 << 30)), ORDERS)
            orders = [free[order] for order in found]
        lanes.append([_together(tables, head + [int(j) for j in order]) for order in orders])
    states = []
    for i in range(max(len(orders) for orders in lanes)):
        picks = [orders[i % len(orders)] for orders in lanes]
        tour = np.array([j for k, jobs in enumerate(picks) for j in ([-1] if k else []) + jobs], int)
        if space.valid(tour[None])[0]:
            states.append(State(tour, state.person, state.drain, state.opened))
    if not states:
        return state
    space.price(states)
    return min(states, key=lambda one: one.cost)


def _together(tables: Tables, jobs: list[int]) -> list[int]:
    """Members of a set side by side, where the first of them stands."""
    after = {int(tables.set_before[j]): j for j in jobs if tables.set_before[j] >= 0}
    here, out = set(jobs), []
    for j in jobs:
        if tables.set_before[j] in here:
            continue
        while True:
            out.append(j)
            if j not in after:
                break
            j = after[j]
    return out


def _best_neighbour(space: Space, state: State, every, rng, names) -> State | None:
    """The cheapest of the neighbours by moves, by person, by bench-first mark and by overtime. ``every``: all moves
    of a small week; None: a sample, of which those the estimate likes are evaluated."""
    tables = space.tables
    if every is None:
        tours = _promising(space, state, rng)
    else:
        tours = state.tour[every]
        tours = tours[space.valid(tours)]
    best: State | None = None
    if len(tours):
        costs = np.concatenate(
            [
                space.costs(tours[i : i + 1024], state.person[None], state.drain[None], state.opened)
                for i in range(0, len(tours), 1024)
            ]
        )
        i = int(costs.argmin())
        best = State(tours[i], state.person, state.drain, state.opened, float(costs[i]))
    others: list[State] = []
    for j, k in space.choices if len(space.choices) <= 24 else _some(rng, space.choices, 24):
        for q in np.flatnonzero(tables.may[j, k]):
            if q != state.person[j, k]:
                person = state.person.copy()
                person[j, k] = q
                others.append(State(state.tour, person, state.drain, state.opened))
    if space.drains:
        for j in range(tables.n) if tables.n <= 16 else rng.choice(tables.n, 8, replace=False):
            drain = state.drain.copy()
            drain[j] = ~drain[j]
            others.append(State(state.tour, state.person, drain, state.opened))
    if others:
        costs = space.costs(
            np.tile(state.tour, (len(others), 1)),
            np.stack([one.person for one in others]),
            np.stack([one.drain for one in others]),
            state.opened,
        )
        i = int(costs.argmin())
        others[i].cost = float(costs[i])
        if best is None or others[i].cost < best.cost:
            best = others[i]
    for name in names:
        opened = state.opened ^ {name}
        cost = float(space.costs(state.tour[None], state.person[None], state.drain[None], opened)[0])
        if best is None or cost < best.cost:
            best = State(state.tour, state.person, state.drain, opened, cost)
    return best


def _promising(space: Space, state: State, rng) -> np.ndarray:
    """Of a sample of neighbours those the estimate likes best."""
    tours = state.tour[space.some_moves(rng, SAMPLE)]
    tours = tours[space.valid(tours)]
    if len(tours) > BATCH:
        tours = tours[np.argpartition(space.surrogate(state).costs(tours), BATCH)[:BATCH]]
    return tours


def _some(rng, things, count):
    return [things[i] for i in rng.choice(len(things), count, replace=False)]


def _kick(space, state, rng, names) -> State:
    """A few random moves at once; people, marks and overtime now and then."""
    tables = space.tables
    tour = state.tour
    for _ in range(int(rng.integers(*KICK))):
        for _ in range(20):
            trial = tour[space.some_moves(rng, 1)[0]]
            if space.valid(trial[None])[0]:
                tour = trial
                break
    person, drain, opened = state.person, state.drain, state.opened
    if space.choices and rng.random() < 0.5:
        person = person.copy()
        for j, k in _some(rng, space.choices, min(2, len(space.choices))):
            person[j, k] = rng.choice(np.flatnonzero(tables.may[j, k]))
    if space.drains and rng.random() < 0.3:
        drain = drain.copy()
        drain[rng.integers(tables.n)] ^= True
    if names and rng.random() < 0.5:
        opened = opened ^ {names[int(rng.integers(len(names)))]}
    cost = float(space.costs(tour[None], person[None], drain[None], opened)[0])
    return State(tour, person, drain, opened, cost)


def plan_week(
    jobs: Iterable[Job],
    machines: Iterable[Machine],
    start: datetime | None = None,
    seconds: float = 1.0,
    seed: int = 0,
    *,
    people: Iterable[Person] = (),
    sets: Iterable[JobSet] = (),
    prices: Prices | None = None,
    accepted: Mapping[str, tuple[str, ...]] | None = None,
    steps: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    opened: frozenset[str] | None = None,
    begin_with: Iterable[Decision] = (),
    target: float | None = None,
) -> Plan:
    """Plan a week: the cheapest order of ``jobs`` on ``machines`` and ``people`` found within the budget.

    ``start``: the instant of minute 0 (naive local), for the timeline's ``start`` and ``end``; None leaves minutes
    there. ``seconds`` of search, or ``steps`` batches of neighbours (same seed and steps: same plan). ``people``
    empty: each machine has its own hands. ``accepted``: machine id -> job ids, what moves are counted against.
    ``opened``: names of overtime to open; None lets the search decide. ``progress`` gets a `Progress` after every
    batch; ``begin_with``: decisions to start from as well; ``target``: stop at this cost. `Job`, `Machine`, `Person`
    and `Window` say what each of their fields means.

    Returns a `Plan` with ``timeline``, ``cost`` and ``late_minutes``. Raises `InputError` for an impossible week.

    >>> from planner.week import Job, Machine, Person, Step, Where, Window
    >>> cut = (Step("load", 10), Step("cut pass", 20, Where.TRAVERSE), Step("unload", 5))
    >>> jobs = [Job("head", {"mill": cut}), Job("rush", {"mill": cut}, due_min=35, weight_per_min=2)]
    >>> plan = plan_week(jobs, [Machine("mill")], steps=5)
    >>> plan.order["mill"], float(plan.late_minutes["rush"])
    (('rush', 'head'), 0.0)

    With hours: a shift with a break from 60 to 75, then the next day's. A pass ends before a break, and after a shift's
    end the cutter is touched off anew.

    >>> passes = (Step("cut pass", 20, Where.TRAVERSE), Step("look", 3)) * 3
    >>> steps = (Step("load", 10), Step("touch-off", 5), *passes, Step("unload", 5))
    >>> hours = (Window(0, 60, shift=0), Window(75, 90, shift=0), Window(1440, 1530, shift=1))
    >>> case = Job("case half", {"mill": steps}, due_min=90)
    >>> plan = plan_week([case], [Machine("mill")], people=[Person("ann", {"mill"}, hours)], steps=5)
    >>> for row in plan.timeline.iloc[4:].itertuples():
    ...     print(f"{row.kind}: {row.start_min:.0f} to {row.end_min:.0f}")
    cut pass: 38 to 58
    look: 75 to 78
    touch-off again: 1440 to 1445
    cut pass: 1445 to 1465
    look: 1465 to 1468
    unload: 1468 to 1473
    >>> float(plan.late_minutes["case half"]), plan.cost
    (1383.0, 1383.0)
    """
    seconds = check_budget(seconds, seed, steps, target, progress)
    if start is not None and (not isinstance(start, datetime) or start != start):  # NaT is no instant
        raise InputError("start", start, "a datetime, or None")
    if opened is not None and (isinstance(opened, str) or not isinstance(opened, Iterable)):
        raise InputError("opened", opened, "names of overtime, or None")
    begin_with = tuple(begin_with) if isinstance(begin_with, Iterable) else (begin_with,)
    for one in begin_with:
        if not isinstance(one, Decision):
            raise InputError("begin_with", one, "several planner.week.Decision")
    prices, accepted = Prices() if prices is None else prices, {} if accepted is None else accepted
    week = Week(jobs, machines, people, sets, prices, accepted)
    return search_week(
        Tables(week),
        seconds,
        seed,
        steps=steps,
        progress=progress,
        opened=opened,
        start=start,
        begin_with=begin_with,
        target=target,
    )
