"""Exact evaluation of any sequence on any number of machines and people, many candidates or samples at a time.

The rules
---------
A plan gives each machine a sequence of jobs, each job a person, opens some overtime, and may say for a job that the
person finishes all bench work before loading it. Then everything follows, always as early as the rules allow:

1.  A job on its machine is: away work before (person), a cool-down (nobody), the change of setup with an index where one
    is due (machine and person), then its steps. Away work before and setup may pause where the hours pause; a step may not.
2.  An attended step needs machine and person and lies inside one window of both; a traverse needs the machine and lies
    inside one window (it starts only if it ends before the break); a wait needs only the machine and goes straight on.
3.  When the next step can only start in another shift than the last one ended in, and it lies after the first setting and
    not after the last pass, a new touch-off (attended) comes first, in that new shift.
4.  Index. Before a job: when the edge is used, and the job would pass the planning limit but fits on a fresh edge. Between
    passes: when the edge is used and the next pass would pass the limit. An unused edge is never indexed. The index brings
    its own touch-off, so none is added for a new shift.
5.  A job that may not be left (`always_attended`) runs from its first to its last step in one window, all attended, and
    ends `watch_minutes` before the shift's end.
6.  One person at several machines goes to the one that can start first; ties: who asked first, then machine order. The
    person stays from an attended step through the attended steps that follow it and sets going what is unattended after.
7.  After-work: where somebody does nothing but bench work, such people take it in the order in which jobs leave the
    machines, each whoever finishes it first. Otherwise the job's person does it in minutes not spent at a machine, in the
    order in which jobs came off, pausing whenever a machine needs the person. Before loading a job, the person finishes
    all of it but the last part's (all of it where the plan says so).
8.  A set's member waits for the one before it to leave its machine.
9.  Nothing starts before `not_before_min` or a pinned start. `due_min` is compared with *ready*: the end of the after-work.
10. Overtime is paid from the window's start to the end of the person's last work, or of the last traverse, in it.

What does not end within the calendar is not placed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .calendar import EPS, Clock
from .tables import Pieces, Tables

__all__ = ["COST_TERMS", "Evaluation", "Runs", "evaluate"]

COST_TERMS = ("late", "setups", "overtime", "edges", "split sets", "moves", "pins", "unplaced", "flow")
BEFORE, SETUP, STEPS, INDEX, TOUCH = range(5)


@dataclass
class Runs:
    """What was done, in the order found; arrays of one length. ``kind``: BEFORE (away work before a job), SETUP (preamble
    [start, first) then steps), STEPS, INDEX or TOUCH ([start, end)). Steps ``k`` up to, not including, ``e``."""

    b: np.ndarray
    m: np.ndarray
    j: np.ndarray
    p: np.ndarray
    kind: np.ndarray
    start: np.ndarray
    first: np.ndarray
    end: np.ndarray
    k: np.ndarray
    e: np.ndarray
    row: np.ndarray
    indexed: np.ndarray
    before: np.ndarray
    free: np.ndarray
    free_end: np.ndarray
    attended_after: np.ndarray
    hands: np.ndarray


@dataclass
class Evaluation:
    """Results for B candidates or samples of n jobs.

    cost (B,), terms (B, len(COST_TERMS)), start (B, n) first work at or for the machine, end (B, n) off the machine,
    ready (B, n), late (B, n) minutes, placed (B, n), edges (B, m, grades) indexes, setup_minutes (B,) setups, index stops
    and new touch-offs, machine_end (B, m), person_end (B, people) end of work, bench_person (B, n) who does the after-work
    (-1 none), runs when asked for.
    """

    cost: np.ndarray
    terms: np.ndarray
    start: np.ndarray
    end: np.ndarray
    ready: np.ndarray
    late: np.ndarray
    placed: np.ndarray
    edges: np.ndarray
    setup_minutes: np.ndarray
    machine_end: np.ndarray
    person_end: np.ndarray
    bench_person: np.ndarray
    runs: Runs | None = field(default=None, repr=False)


def contended_lanes(tables: Tables, tours, persons) -> np.ndarray:
    """(B, m): machines that share a person, or a set, with another machine in this candidate."""
    B, T = tours.shape
    m, p = tables.m, tables.p
    if m == 1:
        return np.zeros((B, 1), bool)
    lane = np.cumsum(tours < 0, axis=1)
    job = np.maximum(tours, 0)
    rows = np.arange(B)[:, None]
    real = tours >= 0
    who = persons[rows if persons.shape[0] > 1 else 0, job, lane]
    uses = np.zeros((B, m, p), bool)
    uses[np.broadcast_to(rows, real.shape)[real], lane[real], who[real]] = True
    shared = uses.sum(1) > 1
    contended = (uses & shared[:, None, :]).any(2)
    if (tables.set_before >= 0).any():
        lane_of = np.zeros((B, tables.n), int)
        lane_of[np.broadcast_to(rows, real.shape)[real], tours[real]] = lane[real]
        then = np.flatnonzero(tables.set_before >= 0)
        a, z = lane_of[:, tables.set_before[then]], lane_of[:, then]
        for lanes in (a, z):
            np.logical_or.at(contended, (rows, lanes), a != z)
    return contended


def evaluate(
    tables: Tables,
    clock: Clock,
    tours: np.ndarray,
    persons: np.ndarray,
    drain: np.ndarray,
    *,
    opened: frozenset[str] = frozenset(),
    pieces: Pieces | None = None,
    before: np.ndarray | None = None,
    after: np.ndarray | None = None,
    life: np.ndarray | None = None,
    keep_runs: bool = False,
) -> Evaluation:
    """Evaluate B plans exactly.

    tours (B, n + m - 1): job numbers machine after machine, -1 between machines. persons (B or 1, n, m): who runs job j if
    it is on machine m. drain (B or 1, n): bench work finished before loading. ``clock`` must be made with ``opened``.
    For sampled weeks: pieces with a row per (b, j); before, after (B, n) minutes; life (B, m, grades, E): edge use at which
    the e-th edge of a grade on a machine really ends (an unplanned index stop before the pass that would pass it).
    """
    B = len(tours)
    n, m, P = tables.n, tables.m, tables.p
    pc = tables.pieces if pieces is None else pieces
    sampled = pieces is not None
    before_t = tables.before if before is None else before
    after_t = tables.after if after is None else after
    width = pc.fits.shape[1]
    columns = np.arange(width)
    L = B * m
    lane_b, lane_m = np.repeat(np.arange(B), m), np.tile(np.arange(m), B)
    tours = np.asarray(tours, int)
    padded = np.concatenate([tours, np.full((B, 1), -1)], axis=1)
    flat = padded.ravel()
    ends_at = np.flatnonzero(flat < 0)
    ptr = np.empty(L, int)
    ptr[lane_m == 0] = np.arange(B) * padded.shape[1]
    ptr[lane_m > 0] = ends_at.reshape(B, m)[:, :-1].ravel() + 1
    job = flat[ptr]
    alive = job >= 0
    one_person, one_drain = persons.shape[0] == 1, drain.shape[0] == 1
    G = max(1, len(tables.grades))
    ready = np.zeros(L)
    stage = np.zeros(L, int)
    step = np.zeros(L, int)
    previous = np.full(L, -1)
    last_accepted = np.full(L, -1)
    last_shift = np.full(L, -1)
    used = np.tile(tables.edge_used, (B, 1))
    indexes = np.zeros((L, G), int)
    free_at = np.zeros(B * P)
    attended = np.zeros(B * P)
    bench = np.zeros(B * P)
    bench_last = np.zeros(B * P)
    start_of, end_of = np.full(B * n, np.nan), np.full(B * n, np.inf)
    after_free = np.full(B * n, np.nan)
    terms = np.zeros((B, len(COST_TERMS)))
    setup_minutes = np.zeros(B)
    lane_end, person_end = np.zeros(L), np.zeros(B * P)
    log: list[tuple] = []
    contended = contended_lanes(tables, tours, persons).ravel()
    any_contended = bool(contended.any())
    has_edges, any_whole = tables.has_edges, bool(tables.whole.any())
    has_life = life is not None
    any_after = bool((after_t > 0).any())
    bench_who = np.full((B, n), -1)
    any_sets = bool((tables.set_before >= 0).any())
    any_before = bool((before_t > 0).any())
    own_bench = tables.bench_own
    any_move = bool((tables.accepted_machine >= 0).any()) and tables.week.prices.move > 0
    need_log = keep_runs or any_after or bool(opened)

    def value(table, b, j):
        return table[j] if table.ndim == 1 else table[b, j]

    if any_before:
        stage[alive] = np.where(value(before_t, lane_b[alive], job[alive]) > 0, BEFORE, SETUP)
    else:
        stage[:] = SETUP

    lanes = np.flatnonzero(alive)
    while lanes.size:
        b, k_m, j, st, k = lane_b[lanes], lane_m[lanes], job[lanes], stage[lanes], step[lanes]
        who = persons[0 if one_person else b, j, k_m]
        bp = b * P + who
        pair = P + k_m * P + who
        row = b * n + j if sampled else j * m + k_m
        loading = st < STEPS
        asked = ready[lanes]
        t = np.where(loading, np.maximum(asked, tables.release[j]), asked)
        if any_sets:
            first = tables.set_before[j]
            t = np.where(loading & (first >= 0), np.maximum(t, end_of[b * n + first]), t)
        waiting = np.isinf(t)
        if waiting.any():
            t = np.where(waiting, 0.0, t)
        asked = t.copy()
        person_free = free_at[bp]
        # Who loads a job first finishes bench work (rule 7).
        arriving = loading & (step[lanes] == 0) & ~tables.started[j]
        if any_before:
            arriving &= (st == BEFORE) | (value(before_t, b, j) <= 0)
        if any_after:
            level = np.where(drain[0 if one_drain else b, j], bench[bp], bench_last[bp])
            owed = arriving & (level > 0)
            if owed.any():
                done, _ = clock.reach(who[owed], level[owed] + attended[bp[owed]])
                t[owed] = np.maximum(t[owed], done)
        kind = st.copy()
        size = pc.begin[row, np.minimum(k + 1, width)] - pc.begin[row, k]
        if has_edges:
            g = tables.grade[j]
            now_used = used[lanes, g]
            limit = np.minimum(tables.limit[k_m, g], tables.job_limit[j])
            job_use = pc.use[row, -1]
            fresh_first = (
                (st == SETUP)
                & ~tables.started[j]
                & (now_used > EPS)
                & (job_use > 0)
                & (now_used + job_use > limit + EPS)
                & (job_use <= limit + EPS)
            )
            limit_now = limit
            if has_life:
                limit_now = np.minimum(limit, life[b, k_m, g, np.minimum(indexes[lanes, g], life.shape[3] - 1)])
            use_k = pc.use[row, np.minimum(k + 1, width)] - pc.use[row, k]
            stop = (st == STEPS) & (use_k > 0) & (now_used > EPS) & (now_used + use_k > limit_now + EPS)
            if any_whole:
                stop &= ~tables.whole[j]
            kind[stop] = INDEX
            size = np.where(stop, tables.index_minutes[k_m], size)
        setting_up = st == SETUP
        preamble = np.where(setting_up, tables.setup[k_m, previous[lanes] + 1, j], 0.0)
        if has_edges:
            preamble += np.where(fresh_first, tables.index_minutes[k_m], 0.0)
        if any_before:
            preamble = np.where(st == BEFORE, value(before_t, b, j), preamble)
        watch = None
        if any_whole:
            block = tables.whole[j] & (k == 0) & (st != BEFORE)
            size = np.where(block, pc.begin[row, -1], size)
            watch = np.where(block, tables.watch[j], 0.0)
        needs = loading | (kind == INDEX) | pc.needs_person[row, np.minimum(k, width - 1)]
        t_person = np.where(needs, np.maximum(t, person_free), t)
        # The next step, an index stop or a whole block: the first window it fits into.
        begin, w = clock.fit(pair, t_person, size, watch)
        first_step = begin
        s = begin
        paused = preamble > 0
        if paused.any():
            c = np.where(st == BEFORE, who, pair)[paused]
            s_p = clock.next_on(c, t_person[paused])
            reached, w_p = clock.reach(c, clock.worked(c, s_p) + preamble[paused])
            s, first_step = s.copy(), first_step.copy()
            s[paused], first_step[paused], w[paused] = s_p, reached, w_p
        # A new shift between passes: touch off again (rule 3).
        retouch = (
            (kind == STEPS)
            & (k > pc.set_at[row])
            & (k <= pc.last_pass[row])
            & (last_shift[lanes] >= 0)
            & (clock.shift[w] != last_shift[lanes])
        )
        if retouch.any():
            kind[retouch] = TOUCH
            r = np.flatnonzero(retouch)
            size[r] = tables.touch[j[r]]
            earliest = np.maximum(np.maximum(t[r], person_free[r]), clock.start[w[r]])
            begin_r, w_r = clock.fit(pair[r], earliest, size[r])
            s[r], first_step[r], w[r] = begin_r, begin_r, w_r
        chosen = slice(None)
        if waiting.any() or any_contended:
            s_try = np.where(waiting, np.inf, s)
            go = ~contended[lanes] & ~waiting
            if any_contended:
                sharing = np.flatnonzero(contended[lanes] & ~waiting)
                order = sharing[np.lexsort((k_m[sharing], asked[sharing], s_try[sharing], b[sharing]))]
                best = order[np.r_[True, b[order][1:] != b[order][:-1]]] if order.size else order
                go[best] = True
            chosen = np.flatnonzero(go)
            if not chosen.size:
                break
        lanes_c = lanes[chosen]
        b, k_m, j, st, k, who, bp, pair, row, kind = (x[chosen] for x in (b, k_m, j, st, k, who, bp, pair, row, kind))
        s, first_step, w, size, preamble = s[chosen], first_step[chosen], w[chosen], size[chosen], preamble[chosen]
        # How many steps go ahead without a pause.
        room = clock.end[w]
        if any_whole:
            block = tables.whole[j] & (k == 0)
            room = np.where(block, np.minimum(room, clock.shift_end[w] - tables.watch[j]), room)
        base = pc.begin[row, k]
        e = (pc.fits[row] <= (base + (room - first_step) + EPS)[:, None]).sum(1)
        if any_contended:
            together = np.where(contended[lanes_c], pc.group_end[row, np.minimum(k, width - 1)], width)
            if any_whole:
                together = np.where(tables.whole[j], width, together)
            e = np.minimum(e, together)
        if any_whole:
            e = np.where(block & (pc.begin[row, -1] > room - first_step + EPS), k, e)
        running = (kind == STEPS) | (kind == SETUP)
        indexed = np.zeros(len(b), bool)
        if has_edges:
            g = tables.grade[j]
            indexed = fresh_first[chosen] | (kind == INDEX)
            used_now = np.where(indexed, 0.0, used[lanes_c, g])
            if has_life:
                lives = life[b, k_m, g, np.minimum(indexes[lanes_c, g] + indexed, life.shape[3] - 1)]
                cap = np.minimum(np.minimum(tables.limit[k_m, g], tables.job_limit[j]), lives)
            else:
                cap = limit[chosen]
            spent = used_now[:, None] + pc.use[row] - pc.use[row, k][:, None]
            over = (
                (spent[:, 1:] > cap[:, None] + EPS)
                & (spent[:, 1:] > spent[:, :-1])
                & (spent[:, :-1] > EPS)
                & (columns >= k[:, None])
            )
            if any_whole:
                over &= ~tables.whole[j][:, None]
            e = np.where(over.any(1), np.minimum(e, over.argmax(1)), e)
        e = np.where(running, np.maximum(e, k), k)
        length = np.where(running, pc.begin[row, e] - base, np.where(kind == BEFORE, 0.0, size))
        end = first_step + length
        # The books.
        arrived = np.isnan(start_of[b * n + j])
        if arrived.any():
            start_of[(b * n + j)[arrived]] = s[arrived]
        if need_log:
            shift_now = clock.worked(who, s)
            paid = clock.worked(who, first_step) - shift_now
            free_before = shift_now - attended[bp]
        else:
            paid = preamble
        extra = np.where((kind == INDEX) | (kind == TOUCH), size, pc.attended[row, e] - pc.attended[row, k])
        attended[bp] += np.where(preamble > 0, paid, 0.0) + extra
        last_e = pc.last_attended[row, e]
        held = np.where(
            running & (pc.last_attended_step[row, e] >= k),
            first_step + last_e - base,
            np.where(running & (preamble <= 0), free_at[bp], first_step),
        )
        held = np.where((kind == INDEX) | (kind == TOUCH), end, held)
        free_at[bp] = np.maximum(free_at[bp], held)
        person_end[bp] = np.maximum(person_end[bp], end)
        if need_log:
            free_after = clock.worked(who, end) - attended[bp]
            log.append(
                (b, k_m, j, who, kind, s, first_step, end, k, e, row, indexed, preamble, free_before, free_after,
                 attended[bp], (extra > 0) | (preamble > 0))
            )  # fmt: skip
        cool = value(tables.cool, b, j)
        ready[lanes_c] = np.where(kind == BEFORE, end + cool, end)
        stage[lanes_c] = np.where(kind == BEFORE, SETUP, STEPS)
        step[lanes_c] = e
        last_shift[lanes_c] = np.where(kind == BEFORE, -1, clock.shift[w])
        setup = np.where(kind == SETUP, preamble, np.where((kind == INDEX) | (kind == TOUCH), size, 0.0))
        np.add.at(terms[:, 1], b, setup * tables.rate[k_m])
        np.add.at(setup_minutes, b, setup)
        if has_edges:
            fresh_price = np.where(indexed, tables.edge_price[k_m, g], 0.0)
            age = np.where((kind == SETUP), tables.age_price[j] * used_now, 0.0)
            np.add.at(terms[:, 3], b, fresh_price + age)
            indexes[lanes_c, g] += indexed
            used[lanes_c, g] = used_now + pc.use[row, e] - pc.use[row, k]
        over_now = running & (e >= pc.count[row])
        if over_now.any():
            f = np.flatnonzero(over_now)
            l_f, b_f, j_f, m_f = lanes_c[f], b[f], j[f], k_m[f]
            end_of[b_f * n + j_f] = end[f]
            lane_end[l_f] = end[f]
            if any_after:
                minutes = value(after_t, b_f, j_f)
                mine = own_bench[who[f]] & (minutes > 0)
                a = f[mine]
                if a.size:
                    q = bp[a]
                    free_now = free_after[a]
                    bench_last[q] = bench[q]
                    bench[q] = np.maximum(free_now, bench[q]) + minutes[mine]
                    after_free[b[a] * n + j[a]] = bench[q]
            if any_sets:
                split = (tables.set_before[j_f] >= 0) & (previous[l_f] != tables.set_before[j_f])
                np.add.at(terms[:, 4], b_f, np.where(split, tables.split_price[j_f], 0.0))
            if any_move:
                known = tables.accepted_machine[j_f] >= 0
                moved = known & (
                    (tables.accepted_machine[j_f] != m_f) | (tables.accepted_before[j_f] != last_accepted[l_f])
                )
                np.add.at(terms[:, 5], b_f, moved * tables.week.prices.move)
                last_accepted[l_f[known]] = j_f[known]
            previous[l_f] = j_f
            ptr[l_f] += 1
            nxt = flat[ptr[l_f]]
            job[l_f] = nxt
            step[l_f] = 0
            if any_before:
                stage[l_f] = np.where(value(before_t, b_f, np.maximum(nxt, 0)) > 0, BEFORE, SETUP)
            else:
                stage[l_f] = SETUP
            if (nxt < 0).any():
                alive[l_f[nxt < 0]] = False
                lanes = lanes[alive[lanes]]
    runs = None
    if need_log:
        runs = Runs(*(np.concatenate(column) for column in zip(*log, strict=True))) if log else None
    # Bench work, lateness, money.
    placed_end = np.where(np.isinf(end_of), 3.0 * clock.horizon_min, end_of).reshape(B, n)
    ready_at = placed_end.copy()
    if any_after:
        after_bn = np.broadcast_to(after_t, (B, n))
        if tables.bench_only:
            bench_who = _bench_people(tables, clock, placed_end, after_bn, ready_at, person_end)
        else:
            bench_who = _bench_own(clock, runs, after_free, ready_at, person_end, pc, B, n, P)
    if opened and runs is not None:
        terms[:, 2] = _overtime(tables, runs, opened, bench_who, placed_end, ready_at)
    late = np.maximum(0.0, ready_at - tables.due)
    placed = ready_at <= clock.horizon_min - 0.5
    prices = tables.week.prices
    terms[:, 0] = late @ tables.weight
    pinned = ~np.isnan(tables.pin)
    starts = start_of.reshape(B, n)
    if pinned.any():
        slip = np.nan_to_num(starts[:, pinned], nan=3.0 * clock.horizon_min) - tables.pin[pinned]
        terms[:, 6] = np.maximum(0.0, slip).sum(1) * prices.pin_per_min
    terms[:, 7] = (~placed).sum(1) * prices.unplaced
    terms[:, 8] = ready_at.sum(1) * prices.flow_per_min
    return Evaluation(
        terms.sum(1),
        terms,
        starts,
        placed_end,
        ready_at,
        late,
        placed,
        indexes.reshape(B, m, G),
        setup_minutes,
        lane_end.reshape(B, m),
        person_end.reshape(B, P),
        bench_who,
        runs if keep_runs else None,
    )


def _bench_people(tables, clock, end, minutes, ready_at, person_end) -> np.ndarray:
    """After-work by the people who do nothing else: in order of leaving the machine, whoever finishes first.
    Returns (B, n) who, -1 without after-work."""
    who = np.full(end.shape, -1)
    B, n = end.shape
    P = tables.p
    order = np.argsort(end, axis=1, kind="stable")
    rows = np.arange(B)
    free = {q: np.zeros(B) for q in tables.bench_only}
    for column in order.T:
        work = minutes[rows, column]
        best, chosen = np.full(B, np.inf), np.full(B, -1)
        for q in tables.bench_only:
            c = np.full(B, q)
            begin = clock.next_on(c, np.maximum(end[rows, column], free[q]))
            done, _ = clock.reach(c, clock.worked(c, begin) + work)
            better = done < best
            best, chosen = np.where(better, done, best), np.where(better, q, chosen)
        has = work > 0
        ready_at[rows[has], column[has]] = best[has]
        who[rows[has], column[has]] = chosen[has]
        for q in tables.bench_only:
            mine = has & (chosen == q)
            free[q] = np.where(mine, best, free[q])
    for q in tables.bench_only:
        person_end[rows * P + q] = np.maximum(person_end[rows * P + q], free[q])
    return who


def bench_instants(clock, runs, b, p, level, pc, P) -> np.ndarray:
    """Instants at which person ``p`` of candidate ``b`` has had ``level`` minutes on shift and away from the machines."""
    hands = np.flatnonzero(runs.hands)
    of = runs.b * P + runs.p
    order = hands[np.argsort(of[hands], kind="stable")]
    scale = float(2 ** int(np.ceil(np.log2(8.0 * clock.horizon_min + 1e6))))
    keys = of[order] * scale + runs.free[order]
    want = (b * P + p) * scale
    i = order[np.maximum(0, np.searchsorted(keys, want + level - EPS, side="left") - 1)]
    inside = level <= runs.free_end[i] + EPS
    gap, _ = clock.reach(p, level + runs.attended_after[i])
    row, k, e = runs.row[i], runs.k[i], runs.e[i]
    free = pc.begin[row] - pc.attended[row]
    away = level - runs.free[i]
    base = free[np.arange(len(i)), k]
    column = np.arange(free.shape[1] - 1)
    hit = (free[:, 1:] - base[:, None] >= (away - EPS)[:, None]) & (column >= k[:, None]) & (column < e[:, None])
    inside &= hit.any(1)
    q = np.where(inside, hit.argmax(1), 0)
    at = runs.first[i] + pc.begin[row, q] - pc.begin[row, k]
    rest = away - (free[np.arange(len(i)), q] - base)
    within, _ = clock.reach(p, clock.worked(p, at) + rest)
    return np.where(inside, within, gap)


def _bench_own(clock, runs, after_free, ready_at, person_end, pc, B, n, P) -> np.ndarray:
    """After-work by who ran the job; returns (B, n) who, -1 without after-work."""
    items = np.flatnonzero(~np.isnan(after_free))
    doing = np.full(B * n, -1)
    if items.size:
        who = np.full(B * n, -1)
        who[runs.b * n + runs.j] = runs.p
        doing[items] = who[items]
        done = bench_instants(clock, runs, items // n, who[items], after_free[items], pc, P)
        ready_at.ravel()[items] = done
        np.maximum.at(person_end, items // n * P + who[items], done)
    return doing.reshape(B, n)


def _overtime(tables, runs, opened, bench_who, off_at, ready_at) -> np.ndarray:
    """Money for opened overtime per candidate (rule 10)."""
    total = np.zeros(len(off_at))
    for q, person in enumerate(tables.week.people):
        for window in person.windows:
            if window.overtime not in opened or not window.price_per_min:
                continue
            a, z = window.start_min, window.end_min
            until = np.zeros(len(off_at))
            hit = (runs.p == q) & (runs.start < z - EPS) & (runs.end > a + EPS)
            np.maximum.at(until, runs.b[hit], np.minimum(runs.end[hit], z) - a)
            # From the moment a job is at the bench until it is ready its person is never idle.
            bench = (bench_who == q) & (ready_at > a + EPS) & (off_at < z - EPS)
            until = np.maximum(until, np.where(bench, np.minimum(ready_at, z) - a, 0.0).max(1, initial=0.0))
            total += until * window.price_per_min
    return total
