"""One evaluated plan as a table: a row per piece of work, exactly as `planner.week.timeline` found it."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from .calendar import EPS, Clock
from .course import BEFORE, INDEX, SETUP, TOUCH, Evaluation
from .model import Where
from .tables import ATTENDED, TRAVERSE, Tables

__all__ = ["COLUMNS", "timeline_frame"]

COLUMNS = ("job", "machine", "person", "runner", "kind", "where", "start_min", "end_min", "start", "end")
AWAY, COOL = "away", "cool-down"


def _spans(clock: Clock, c: int, start: float, minutes: float):
    """Working stretches from ``start`` until ``minutes`` are done."""
    left, t = minutes, start
    calendar = np.array([c])
    while left > EPS:
        w = int(clock.window(calendar, np.array([t]))[0])
        begin = max(t, clock.start[w])
        piece = min(left, clock.end[w] - begin)
        yield begin, begin + piece
        left -= piece
        t = clock.end[w]


def timeline_frame(
    tables: Tables, clock: Clock, ev: Evaluation, start: datetime | None, which: int = 0
) -> pd.DataFrame:
    """Rows of candidate ``which`` in order of start.

    Columns: job, machine ("" for away work and cool-down), person (busy with it; "" when nobody is), runner (who runs
    the job), kind, where ("attended", "traverse", "wait", "away", "cool-down"), start_min, end_min, and start, end as
    instants (minutes when ``start`` is None). Setups and away work that pause at a break have a row per stretch. Jobs
    that do not end within the calendar are left out.
    """
    rows: list[tuple] = []
    runs, pc, P = ev.runs, tables.pieces, tables.p
    prior: dict[int, int] = {}
    now: dict[int, int] = {}
    names = [person.id for person in tables.week.people]
    busy: dict[int, list[tuple[float, float]]] = {q: [] for q in range(P)}
    mine = np.flatnonzero(runs.b == which) if runs is not None else []
    measuring = {member: one.measuring_minutes for one in tables.week.sets for member in one.members[1:]}

    def add(j, m, q, kind, where, a, z, attended):
        if ev.placed[which, j]:
            machine = "" if where in (AWAY, COOL) else tables.machine_ids[m]
            rows.append((tables.jobs[j].id, machine, names[q] if attended else "", names[q], kind, where, a, z))
        if attended:
            busy[q].append((a, z))

    for i in mine:
        m, j, q, kind = (int(a[i]) for a in (runs.m, runs.j, runs.p, runs.kind))
        if now.get(m) != j:
            prior[m], now[m] = now.get(m, -1), j
        job, machine = tables.jobs[j], tables.week.machines[m]
        pair = P + m * P + q
        if kind == BEFORE:
            t = runs.start[i]
            first = min(measuring.get(job.id, 0.0), runs.preamble[i])
            for name, minutes in (("measure for target", first), ("before-work", runs.preamble[i] - first)):
                for a, z in _spans(clock, q, t, minutes):
                    add(j, m, q, name, AWAY, a, z, True)
                    t = z
            if job.cool_minutes:
                add(j, m, q, COOL, COOL, t, t + job.cool_minutes, False)
            continue
        if kind in (INDEX, TOUCH):
            name = "index stop" if kind == INDEX else "touch-off again"
            add(j, m, q, name, str(Where.ATTENDED), runs.start[i], runs.end[i], True)
            continue
        if kind == SETUP and runs.preamble[i] > 0:
            t = runs.start[i]
            stands = tables.jobs[prior[m]] if prior[m] >= 0 else machine
            grade = stands.grade_on(machine.id) if prior[m] >= 0 else machine.grade
            pieces = list(machine.setup_pieces((stands.fixture, stands.material, grade), job))
            if runs.indexed[i]:
                pieces.append(("index", machine.index_minutes))
            for name, minutes in pieces:
                for a, z in _spans(clock, pair, t, minutes):
                    add(j, m, q, name, str(Where.ATTENDED), a, z, True)
                    t = z
        row = runs.row[i]
        for k in range(runs.k[i], runs.e[i]):
            a = runs.first[i] + pc.begin[row, k] - pc.begin[row, runs.k[i]]
            z = runs.first[i] + pc.begin[row, k + 1] - pc.begin[row, runs.k[i]]
            step = job.steps[tables.machine_ids[m]][k]
            code = ATTENDED if pc.needs_person[row, k] else TRAVERSE
            where = str(Where.ATTENDED) if code == ATTENDED else str(step.where)
            add(j, m, q, step.kind, where, a, z, code == ATTENDED)
    _bench_rows(tables, clock, ev, which, busy, add)
    frame = pd.DataFrame(rows, columns=list(COLUMNS[:-2]))
    frame = frame.sort_values(["start_min", "machine", "end_min"], kind="stable", ignore_index=True)
    for name in ("start", "end"):
        minutes = frame[f"{name}_min"]
        frame[name] = minutes if start is None else [start + timedelta(minutes=float(x)) for x in minutes]
    if start is not None and not len(frame):
        frame["start"], frame["end"] = pd.Series(dtype="datetime64[ns]"), pd.Series(dtype="datetime64[ns]")
    return frame


def _bench_rows(tables: Tables, clock: Clock, ev: Evaluation, which: int, busy, add) -> None:
    """After-work in the minutes its person is on shift and not needed at a machine."""
    lane = {}
    if ev.runs is not None:
        mine = ev.runs.b == which
        lane = dict(zip(ev.runs.j[mine].tolist(), ev.runs.m[mine].tolist(), strict=True))
    for q in range(tables.p):
        items = [j for j in range(tables.n) if ev.bench_person[which, j] == q]
        items.sort(key=lambda j: (ev.end[which, j], ev.ready[which, j]))
        taken = sorted(busy[q])
        t = 0.0
        for j in items:
            t = max(t, float(ev.end[which, j]))
            for kind, minutes in tables.jobs[j].after:
                left = minutes
                while left > EPS:
                    w = int(clock.window(np.array([q]), np.array([t]))[0])
                    t = max(t, float(clock.start[w]))
                    until = float(clock.end[w])
                    hit = next(((a, z) for a, z in taken if z > t + EPS and a < until), None)
                    if hit and hit[0] <= t + EPS:
                        t = hit[1]
                        continue
                    if hit:
                        until = hit[0]
                    piece = min(left, until - t)
                    add(j, lane.get(j, 0), q, kind, AWAY, t, t + piece, True)
                    left -= piece
                    t += piece
