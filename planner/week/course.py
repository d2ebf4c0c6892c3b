"""Plans under way: the machinery behind `planner.week.timeline.evaluate`, whose rules it follows."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .after import bench_of_its_own, bench_people, overtime_money
from .calendar import EPS
from .tables import Tables

__all__ = ["BEFORE", "COST_TERMS", "INDEX", "SETUP", "STEPS", "TOUCH", "Course", "Evaluation", "Runs"]

COST_TERMS = ("late", "setups", "overtime", "edges", "split sets", "moves", "pins", "unplaced", "flow")
BEFORE, SETUP, STEPS, INDEX, TOUCH = range(5)


@dataclass
class Runs:
    """What was done, in the order found; arrays of one length. ``kind``: BEFORE (away work before a job), SETUP
    (preamble [start, first) then steps), STEPS, INDEX or TOUCH ([start, end)). Steps ``k`` up to, not including,
    ``e``."""

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
    preamble: np.ndarray
    free: np.ndarray
    free_end: np.ndarray
    attended_after: np.ndarray
    hands: np.ndarray


@dataclass
class Evaluation:
    """Results for B candidates or samples of n jobs.

    cost (B,), terms (B, len(COST_TERMS)), start (B, n) first work at or for the machine, end (B, n) off the machine,
    ready (B, n), late (B, n) minutes, placed (B, n), edges (B, m, grades) indexes, setup_minutes (B,) setups, index
    stops and new touch-offs, machine_end (B, m), person_end (B, people) end of work, bench_person (B, n) who does the
    after-work (-1 none), runs when asked for.
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
    if m == 1 or not tables.n:
        return np.zeros((B, m), bool)
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


class Course:
    """B plans under way. A lane is one machine of one plan; each `advance` lets every lane take its next run of steps,
    machines that share a person or a set one at a time in order of start."""

    def __init__(self, tables, clock, tours, persons, drain, pieces, before, after, life) -> None:
        self.tables, self.clock, self.persons, self.drain, self.life = tables, clock, persons, drain, life
        B, n, m, P = len(tours), tables.n, tables.m, tables.p
        self.B, self.n, self.m, self.P = B, n, m, P
        self.pc = tables.pieces if pieces is None else pieces
        self.sampled = pieces is not None
        self.before = tables.before if before is None else before
        self.after = tables.after if after is None else after
        self.width = self.pc.fits.shape[1]
        self.columns = np.arange(self.width)
        self.one_person, self.one_drain = persons.shape[0] == 1, drain.shape[0] == 1
        self.any_after, self.any_before = bool((self.after > 0).any()), bool((self.before > 0).any())
        self.any_sets, self.any_whole = bool((tables.set_before >= 0).any()), bool(tables.whole.any())
        self.any_move = bool((tables.accepted_machine >= 0).any()) and tables.week.prices.move > 0
        self.contended = contended_lanes(tables, tours, persons).ravel()
        self.any_contended = bool(self.contended.any())
        self.log: list[tuple] | None = None
        L = B * m
        self.lane_b, self.lane_m = np.repeat(np.arange(B), m), np.tile(np.arange(m), B)
        padded = np.concatenate([tours, np.full((B, 1), -1)], axis=1)
        self.flat = padded.ravel()
        self.ptr = np.empty(L, int)
        self.ptr[self.lane_m == 0] = np.arange(B) * padded.shape[1]
        self.ptr[self.lane_m > 0] = np.flatnonzero(self.flat < 0).reshape(B, m)[:, :-1].ravel() + 1
        self.job = self.flat[self.ptr]
        self.lanes = np.flatnonzero(self.job >= 0)
        # By lane: when the machine is ready for its next step, how far its job is, what stands on it.
        self.ready = np.zeros(L)
        self.step = np.zeros(L, int)
        self.stage = np.full(L, SETUP)
        if self.any_before:
            a = self.lanes
            self.stage[a] = np.where(_of(self.before, self.lane_b[a], self.job[a]) > 0, BEFORE, SETUP)
        self.previous = np.full(L, -1)
        self.last_accepted = np.full(L, -1)
        self.last_shift = np.full(L, -1)
        self.used = np.tile(tables.edge_used, (B, 1))
        self.indexes = np.zeros((L, max(1, len(tables.grades))), int)
        self.setup_minutes, self.edge_money = np.zeros(L), np.zeros(L)
        self.split_money, self.moved, self.lane_end = np.zeros(L), np.zeros(L), np.zeros(L)
        # By person: free from, minutes at machines, and how far bench work reaches, in minutes on shift and away
        # from the machines ("level"), with and without the last part.
        self.free_at, self.attended = np.zeros(B * P), np.zeros(B * P)
        self.level, self.level_before = np.zeros(B * P), np.zeros(B * P)
        self.person_end = np.zeros(B * P)
        # By job.
        self.start_of, self.end_of = np.full(B * n, np.nan), np.full(B * n, np.inf)
        self.after_level = np.full(B * n, np.nan)

    def advance(self) -> bool:
        """Let the lanes take their next run; False when none can (the rest waits for what never comes)."""
        tables, clock, pc, lanes = self.tables, self.clock, self.pc, self.lanes
        n, m, P, width = self.n, self.m, self.P, self.width
        b, machine, j = self.lane_b[lanes], self.lane_m[lanes], self.job[lanes]
        stage, k = self.stage[lanes], self.step[lanes]
        who = self.persons[0 if self.one_person else b, j, machine]
        bp = b * P + who
        pair = P + machine * P + who
        row = b * n + j if self.sampled else j * m + machine
        loading = stage < STEPS
        t = self.ready[lanes]
        t = np.where(loading, np.maximum(t, tables.release[j]), t)
        waiting = None
        if self.any_sets:
            first = tables.set_before[j]
            t = np.where(loading & (first >= 0), np.maximum(t, self.end_of[b * n + first]), t)
            waiting = np.isinf(t)
            if waiting.any():
                t = np.where(waiting, 0.0, t)
            else:
                waiting = None
        asked = t
        if self.any_after:
            t = self._bench_first(t, b, j, who, bp, stage, k)
        kind = stage.copy()
        size = pc.begin[row, np.minimum(k + 1, width)] - pc.begin[row, k]
        preamble = np.where(stage == SETUP, tables.setup[machine, self.previous[lanes] + 1, j], 0.0)
        fresh = None
        if tables.has_edges:
            fresh, stop = self._edge_due(lanes, b, machine, j, row, stage, k)
            kind[stop] = INDEX
            size = np.where(stop, tables.index_minutes[machine], size)
            preamble += np.where(fresh, tables.index_minutes[machine], 0.0)
        if self.any_before:
            preamble = np.where(stage == BEFORE, _of(self.before, b, j), preamble)
        watch = None
        if self.any_whole:
            block = tables.whole[j] & (k == 0) & (stage != BEFORE)
            size = np.where(block, pc.begin[row, -1], size)
            watch = np.where(block, tables.watch[j], 0.0)
        person_free = self.free_at[bp]
        needs = loading | (kind == INDEX) | pc.needs_person[row, np.minimum(k, width - 1)]
        earliest = np.where(needs, np.maximum(t, person_free), t)
        start, first_step, w = self._place(earliest, preamble, size, watch, stage, who, pair)
        # A new shift between passes: touch off again (rule 3).
        retouch = (kind == STEPS) & (k > pc.set_at[row]) & (k <= pc.last_pass[row])
        if retouch.any():
            last = self.last_shift[lanes]
            retouch &= (last >= 0) & (clock.shift[w] != last)
            r = np.flatnonzero(retouch)
            if r.size:
                kind[r] = TOUCH
                size[r] = tables.touch[j[r]]
                from_then = np.maximum(np.maximum(t[r], person_free[r]), clock.start[w[r]])
                start[r], w[r] = clock.fit(pair[r], from_then, size[r])
                first_step[r] = start[r]
        chosen = self._choose(lanes, b, machine, asked, start, waiting)
        if chosen is not None:
            if not chosen.size:
                return False
            lanes, b, machine, j, k, who, bp, row, kind, start, first_step, w, size, preamble = (
                x[chosen] for x in (lanes, b, machine, j, k, who, bp, row, kind, start, first_step, w, size, preamble)
            )
            fresh = None if fresh is None else fresh[chosen]
        indexed = np.zeros(len(b), bool) if fresh is None else fresh | (kind == INDEX)
        e, used_now = self._reach(lanes, b, machine, j, row, k, kind, first_step, w, indexed)
        self._commit(
            lanes, b, machine, j, k, who, bp, row, kind, start, first_step, w, size, preamble, indexed, e, used_now
        )
        return True

    def _bench_first(self, t, b, j, who, bp, stage, k):
        """Who loads a job first finishes bench work (rule 7): the instants by which that is done."""
        arriving = (stage < STEPS) & (k == 0) & ~self.tables.started[j]
        if self.any_before:
            arriving &= (stage == BEFORE) | (_of(self.before, b, j) <= 0)
        level = np.where(self.drain[0 if self.one_drain else b, j], self.level[bp], self.level_before[bp])
        owed = np.flatnonzero(arriving & (level > 0))
        if owed.size:
            done, _ = self.clock.reach(who[owed], level[owed] + self.attended[bp[owed]])
            t = t.copy()
            t[owed] = np.maximum(t[owed], done)
        return t

    def _edge_due(self, lanes, b, machine, j, row, stage, k):
        """Whether an index comes first: with the setup, or as a stop before the next pass (rule 4)."""
        tables, use = self.tables, self.pc.use
        g = tables.grade[machine, j]
        used = self.used[lanes, g]
        limit = np.minimum(tables.limit[machine, g], tables.job_limit[j])
        job_use = use[row, -1]
        worn = (used > EPS) & (job_use > 0)
        fresh = worn & (stage == SETUP) & ~tables.started[j]
        fresh &= (used + job_use > limit + EPS) & (job_use <= limit + EPS)
        use_k = use[row, np.minimum(k + 1, self.width)] - use[row, k]
        stop = worn & (stage == STEPS) & (use_k > 0)
        if stop.any():
            if self.life is not None:
                number = np.minimum(self.indexes[lanes, g], self.life.shape[3] - 1)
                limit = np.minimum(limit, self.life[b, machine, g, number])
            stop &= used + use_k > limit + EPS
            if self.any_whole:
                stop &= ~tables.whole[j]
        return fresh, stop

    def _place(self, earliest, preamble, size, watch, stage, who, pair):
        """(start, instant of the first step, window): a pausing preamble goes ahead at once, a step where it fits."""
        clock = self.clock
        pauses = preamble > 0
        if not pauses.any():
            start, w = clock.fit(pair, earliest, size, watch)
            return start, start.copy(), w
        a, z = np.flatnonzero(pauses), np.flatnonzero(~pauses)
        start, first, w = np.empty(len(pair)), np.empty(len(pair)), np.empty(len(pair), int)
        c = pair[a] if not self.any_before else np.where(stage[a] == BEFORE, who[a], pair[a])
        start[a], worked = clock.next_on(c, earliest[a])
        first[a], w[a] = clock.reach(c, worked + preamble[a])
        if z.size:
            start[z], w[z] = clock.fit(pair[z], earliest[z], size[z], None if watch is None else watch[z])
            first[z] = start[z]
        return start, first, w

    def _choose(self, lanes, b, machine, asked, start, waiting):
        """Places in ``lanes`` that go ahead now; None: all (rule 6)."""
        if not self.any_contended and waiting is None:
            return None
        contended = self.contended[lanes]
        go = ~contended if waiting is None else ~contended & ~waiting
        if self.any_contended:
            sharing = np.flatnonzero(contended if waiting is None else contended & ~waiting)
            if sharing.size:
                bs = b[sharing]
                order = np.lexsort((machine[sharing], asked[sharing], start[sharing], bs))
                bs = bs[order]
                first = np.empty(len(bs), bool)
                first[0] = True
                np.not_equal(bs[1:], bs[:-1], out=first[1:])
                go[sharing[order[first]]] = True
        return np.flatnonzero(go)

    def _reach(self, lanes, b, machine, j, row, k, kind, first_step, w, indexed):
        """The step before which the run pauses, and the edge use it starts with."""
        tables, pc, clock, width = self.tables, self.pc, self.clock, self.width
        room = clock.end[w] - first_step
        base = pc.begin[row, k]
        if self.any_whole:
            block = tables.whole[j] & (k == 0)
            room = np.where(block, np.minimum(room, clock.shift_end[w] - tables.watch[j] - first_step), room)
        e = (pc.fits[row] <= (base + room + EPS)[:, None]).sum(1)
        if self.any_contended:
            together = np.where(self.contended[lanes], pc.group_end[row, np.minimum(k, width - 1)], width)
            if self.any_whole:
                together = np.where(tables.whole[j], width, together)
            e = np.minimum(e, together)
        if self.any_whole:
            e = np.where(block & (pc.begin[row, -1] > room + EPS), k, e)
        used_now = None
        if tables.has_edges:
            g = tables.grade[machine, j]
            used_now = np.where(indexed, 0.0, self.used[lanes, g])
            cap = np.minimum(tables.limit[machine, g], tables.job_limit[j])
            if self.life is not None:
                number = np.minimum(self.indexes[lanes, g] + indexed, self.life.shape[3] - 1)
                cap = np.minimum(cap, self.life[b, machine, g, number])
            at_k = pc.use[row, k]
            over = used_now + pc.use[row, e] - at_k > cap + EPS
            if self.any_whole:
                over &= ~tables.whole[j]
            o = np.flatnonzero(over & (e > k))
            if o.size:
                spent = (used_now - at_k)[o, None] + pc.use[row[o]]
                hit = (
                    (spent[:, 1:] > cap[o, None] + EPS)
                    & (spent[:, 1:] > spent[:, :-1])
                    & (spent[:, :-1] > EPS)
                    & (self.columns >= k[o, None])
                )
                e[o] = np.where(hit.any(1), np.minimum(e[o], hit.argmax(1)), e[o])
        return np.where((kind == STEPS) | (kind == SETUP), np.maximum(e, k), k), used_now

    def _commit(
        self, lanes, b, machine, j, k, who, bp, row, kind, start, first_step, w, size, preamble, indexed, e, used_now
    ) -> None:
        tables, clock, pc, n = self.tables, self.clock, self.pc, self.n
        running = (kind == STEPS) | (kind == SETUP)
        single = kind >= INDEX
        base = pc.begin[row, k]
        end = first_step + np.where(running, pc.begin[row, e] - base, np.where(single, size, 0.0))
        item = b * n + j
        arrived = np.isnan(self.start_of[item])
        self.start_of[item[arrived]] = start[arrived]
        held = preamble
        if tables.machines_close:
            # The person stays with a setup that waits for the machine to open again.
            held = clock.worked(who, first_step) - clock.worked(who, start)
            held = np.where(preamble > 0, held, 0.0)
        hands = held + np.where(single, size, pc.attended[row, e] - pc.attended[row, k])
        self.attended[bp] += hands
        free = np.where(running & (preamble <= 0), self.free_at[bp], first_step)
        attends = running & (pc.last_attended_step[row, e] >= k)
        free = np.where(attends, first_step + pc.last_attended[row, e] - base, np.where(single, end, free))
        self.free_at[bp] = np.maximum(self.free_at[bp], free)
        self.person_end[bp] = np.maximum(self.person_end[bp], end)
        if self.log is not None:
            self.log.append(
                (
                    b,
                    machine,
                    j,
                    who,
                    kind,
                    start,
                    first_step,
                    end,
                    k,
                    e,
                    row,
                    indexed,
                    preamble,
                    hands,
                    self.attended[bp],
                )
            )
        if self.any_before:
            away = kind == BEFORE
            self.ready[lanes] = np.where(away, end + tables.cool[j], end)
            self.stage[lanes] = np.where(away, SETUP, STEPS)
            self.last_shift[lanes] = np.where(away, -1, clock.shift[w])
        else:
            self.ready[lanes], self.stage[lanes], self.last_shift[lanes] = end, STEPS, clock.shift[w]
        self.step[lanes] = e
        self.setup_minutes[lanes] += np.where(kind == SETUP, preamble, np.where(single, size, 0.0))
        if tables.has_edges:
            g = tables.grade[machine, j]
            self.edge_money[lanes] += np.where(indexed, tables.edge_price[machine, g], 0.0)
            self.edge_money[lanes] += np.where(kind == SETUP, tables.age_price[j] * used_now, 0.0)
            self.indexes[lanes, g] += indexed
            self.used[lanes, g] = used_now + pc.use[row, e] - pc.use[row, k]
        f = np.flatnonzero(running & (e >= pc.count[row]))
        if f.size:
            self._leave(lanes[f], b[f], machine[f], j[f], who[f], bp[f], end[f])

    def _leave(self, lanes, b, machine, j, who, bp, end) -> None:
        """Jobs off their machines: bench work to do, the next job's turn."""
        tables, n = self.tables, self.n
        self.end_of[b * n + j] = end
        self.lane_end[lanes] = end
        if self.any_after:
            minutes = _of(self.after, b, j)
            a = np.flatnonzero(tables.bench_own[who] & (minutes > 0))
            if a.size:
                q = bp[a]
                now = self.clock.worked(who[a], end[a]) - self.attended[q]
                self.level_before[q] = self.level[q]
                self.level[q] = np.maximum(now, self.level[q]) + minutes[a]
                self.after_level[b[a] * n + j[a]] = self.level[q]
        if self.any_sets:
            first = tables.set_before[j]
            split = (first >= 0) & (self.previous[lanes] != first)
            self.split_money[lanes] += np.where(split, tables.split_price[j], 0.0)
        if self.any_move:
            known = tables.accepted_machine[j] >= 0
            elsewhere = tables.accepted_machine[j] != machine
            self.moved[lanes] += known & (elsewhere | (tables.accepted_before[j] != self.last_accepted[lanes]))
            self.last_accepted[lanes[known]] = j[known]
        self.previous[lanes] = j
        self.ptr[lanes] += 1
        following = self.flat[self.ptr[lanes]]
        self.job[lanes] = following
        self.step[lanes] = 0
        if self.any_before:
            away = _of(self.before, b, np.maximum(following, 0)) > 0
            self.stage[lanes] = np.where(away, BEFORE, SETUP)
        else:
            self.stage[lanes] = SETUP
        if (following < 0).any():
            self.lanes = self.lanes[self.job[self.lanes] >= 0]

    def result(self, opened: frozenset[str], keep_runs: bool) -> Evaluation:
        """Bench work, lateness and money, when all machines are done."""
        tables, clock, B, n, m = self.tables, self.clock, self.B, self.n, self.m
        runs = self._runs()
        end = np.where(np.isinf(self.end_of), 3.0 * clock.horizon_min, self.end_of).reshape(B, n)
        ready = end.copy()
        bench_who = np.full((B, n), -1)
        if self.any_after and tables.bench_only:
            minutes = np.broadcast_to(self.after, (B, n))
            bench_who = bench_people(tables, clock, end, minutes, ready, self.person_end)
        elif self.any_after:
            bench_who = bench_of_its_own(clock, runs, self.after_level, ready, self.person_end, self.pc, B, n, self.P)
        prices = tables.week.prices
        late = np.maximum(0.0, ready - tables.due)
        placed = ready <= clock.horizon_min - 0.5
        start = self.start_of.reshape(B, n)
        setup = self.setup_minutes.reshape(B, m)
        terms = np.zeros((B, len(COST_TERMS)))
        terms[:, 0] = late @ tables.weight
        terms[:, 1] = setup @ tables.rate
        if opened and runs is not None:
            terms[:, 2] = overtime_money(tables, runs, opened, bench_who, end, ready)
        terms[:, 3] = self.edge_money.reshape(B, m).sum(1)
        terms[:, 4] = self.split_money.reshape(B, m).sum(1)
        terms[:, 5] = self.moved.reshape(B, m).sum(1) * prices.move
        pinned = np.flatnonzero(~np.isnan(tables.pin))
        if pinned.size:
            slip = np.nan_to_num(start[:, pinned], nan=3.0 * clock.horizon_min) - tables.pin[pinned]
            terms[:, 6] = np.maximum(0.0, slip).sum(1) * prices.pin_per_min
        terms[:, 7] = (~placed).sum(1) * prices.unplaced
        terms[:, 8] = ready.sum(1) * prices.flow_per_min
        return Evaluation(
            cost=terms.sum(1),
            terms=terms,
            start=start,
            end=end,
            ready=ready,
            late=late,
            placed=placed,
            edges=self.indexes.reshape(B, m, -1),
            setup_minutes=setup.sum(1),
            machine_end=self.lane_end.reshape(B, m),
            person_end=self.person_end.reshape(B, self.P),
            bench_person=bench_who,
            runs=runs if keep_runs else None,
        )

    def _runs(self) -> Runs | None:
        if not self.log:
            return None
        (b, machine, j, who, kind, start, first, end, k, e, row, indexed, preamble, hands, attended) = (
            np.concatenate(column) for column in zip(*self.log, strict=True)
        )
        free = self.clock.worked(who, start) - (attended - hands)
        free_end = self.clock.worked(who, end) - attended
        return Runs(
            b,
            machine,
            j,
            who,
            kind,
            start,
            first,
            end,
            k,
            e,
            row,
            indexed,
            preamble,
            free,
            free_end,
            attended,
            hands > 0,
        )


def _of(table: np.ndarray, b: np.ndarray, j: np.ndarray) -> np.ndarray:
    """Values by job, or by candidate and job."""
    return table[j] if table.ndim == 1 else table[b, j]
