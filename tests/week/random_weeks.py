"""Random small weeks with every rule in play. Minutes are quarters, so that sums are exact however they are ordered."""

from __future__ import annotations

import numpy as np

from planner.week import Edge, Job, JobSet, Machine, Person, Prices, Step, Week, Where, Window
from planner.week.search import Decision


def quarter(rng, low, high):
    return float(rng.integers(int(low * 4), int(high * 4) + 1)) / 4


def random_windows(rng, days, *, overtime):
    windows, t, shift = [], quarter(rng, 0, 60), 0
    for day in range(days):
        parts = int(rng.integers(1, 4))
        for _ in range(parts):
            length = quarter(rng, 30, 150)
            windows.append(Window(t, t + length, shift))
            t += length + quarter(rng, 5, 30)
        if overtime and rng.random() < 0.4:
            last = windows[-1]
            price = quarter(rng, 0.25, 3)
            extra = quarter(rng, 20, 90)
            name = f"evening {day}"
            if rng.random() < 0.5:
                windows.append(Window(last.end_min, last.end_min + extra, shift, name, price))
            else:
                shift += 1
                windows.append(Window(last.end_min + 10, last.end_min + 10 + extra, shift, name, price))
            t = windows[-1].end_min
        t += quarter(rng, 60, 300)
        shift += 1
    return tuple(windows)


def random_steps(rng, edges):
    steps = [Step("load", quarter(rng, 1, 10))]
    if rng.random() < 0.5:
        steps.append(Step("dye", quarter(rng, 0.5, 2)))
        steps.append(Step("drying", quarter(rng, 1, 6), Where.WAIT))
    if rng.random() < 0.6:
        steps.append(Step("touch-off", quarter(rng, 1, 5)))
    for _ in range(int(rng.integers(0, 5))):
        use = float(rng.integers(1, 9)) / 64 if edges else 0.0
        steps.append(Step("cut pass", quarter(rng, 1, 20), Where.TRAVERSE, use))
        if rng.random() < 0.8:
            steps.append(Step("look", quarter(rng, 0.5, 3)))
    steps.append(Step("unload", quarter(rng, 1, 6)))
    return tuple(steps)


def random_week(rng, most_jobs=8, most_machines=3):
    machines_n = int(rng.integers(1, most_machines + 1))
    people_n = int(rng.integers(1, machines_n + 1))
    jobs_n = int(rng.integers(1, most_jobs + 1))
    edges = rng.random() < 0.6
    bench = rng.random() < 0.6
    plain = rng.random() < 0.15
    days = int(rng.integers(4, 9))
    names = [f"m{k}" for k in range(machines_n)]
    kinds = ("al", "iron", "mg")
    machines = []
    for name in names:
        horizon = days * 600.0
        windows = (Window(0.0, horizon + 1e5),)
        if rng.random() < 0.4:
            a = quarter(rng, 50, 600)
            b = a + quarter(rng, 10, 200)
            windows = (Window(0.0, a, 0), Window(b, horizon + 1e5, 1))
        machines.append(
            Machine(
                name,
                windows,
                rate_per_min=quarter(rng, 0, 2),
                fixture="a",
                material="al",
                grade="cbn",
                fixture_minutes=quarter(rng, 0, 12),
                insert_minutes=quarter(rng, 0, 8),
                cleanout={("al", "iron"): quarter(rng, 0, 12), ("iron", "al"): 12.0, ("al", "mg"): 30.0},
                index_minutes=quarter(rng, 1, 10),
                edges={g: Edge(float(rng.integers(0, 24)) / 64, 0.4375, quarter(rng, 0, 40)) for g in ("cbn", "pcd")}
                if edges
                else {},
            )
        )
    people = []
    for k in range(people_n):
        runs = frozenset(name for i, name in enumerate(names) if i % people_n == k or rng.random() < 0.4)
        windows = random_windows(rng, days, overtime=rng.random() < 0.5) if not plain else (Window(0.0, 1e4),)
        people.append(Person(f"p{k}", runs, windows, bench=True))
    if bench and rng.random() < 0.3:
        for k in range(int(rng.integers(1, 3))):
            people.append(Person(f"w{k}", frozenset(), random_windows(rng, days, overtime=rng.random() < 0.3)))
    jobs = []
    for i in range(jobs_n):
        attended = rng.random() < 0.1
        jobs.append(
            Job(
                f"j{i}",
                {name: random_steps(rng, edges) for name in names if rng.random() < 0.85} or
                {names[0]: random_steps(rng, edges)},
                due_min=quarter(rng, 100, days * 400),
                weight_per_min=float(rng.integers(1, 6)),
                fixture=str(rng.choice(["a", "b"])),
                material=str(rng.choice(kinds[:2])) if not attended else "mg",
                grade=str(rng.choice(["cbn", "pcd"])),
                before_minutes=(pre := quarter(rng, 1, 20) if rng.random() < 0.3 else 0.0),
                cool_minutes=quarter(rng, 1, 60) if pre and rng.random() < 0.3 else 0.0,
                after=tuple((kind, quarter(rng, 1, 25)) for kind in ("edges", "wash")[: int(rng.integers(0, 3))])
                if bench
                else (),
                not_before_min=quarter(rng, 0, 500) if rng.random() < 0.2 else 0.0,
                touch_off_minutes=quarter(rng, 1, 6),
                always_attended=attended,
                watch_minutes=quarter(rng, 0, 20) if attended else 0.0,
                edge_limit=0.3125 if rng.random() < 0.1 else None,
                edge_age_price=quarter(rng, 0, 10) if rng.random() < 0.2 else 0.0,
                pin_start_min=quarter(rng, 0, 800) if rng.random() < 0.08 else None,
            )
        )  # fmt: skip
    sets = []
    if jobs_n >= 2 and rng.random() < 0.4:
        sets.append(JobSet(("j0", "j1"), measuring_minutes=quarter(rng, 0, 10), split_price=50.0))
    if jobs_n >= 5 and rng.random() < 0.4:
        sets.append(JobSet(("j4", "j2", "j3"), measuring_minutes=quarter(rng, 0, 10), split_price=20.0))
    return Week(tuple(jobs), tuple(machines), tuple(people), tuple(sets), Prices(move=3.0, pin_per_min=10.0))


def random_decision(tables, rng):
    """Any decision that keeps the members of a set in order in the whole list of jobs."""
    jobs = list(rng.permutation(tables.n))
    for one in tables.week.sets:
        known = [tables.job_index[i] for i in one.members if i in tables.job_index]
        places = sorted(jobs.index(j) for j in known)
        for place, j in zip(places, known, strict=True):
            jobs[place] = j
    order = {m: [] for m in tables.machine_ids}
    person = {}
    for j in jobs:
        pairs = np.argwhere(tables.may[j])
        m, p = pairs[rng.integers(len(pairs))]
        order[tables.machine_ids[m]].append(tables.jobs[j].id)
        person[tables.jobs[j].id] = tables.person_ids[p]
    first = frozenset(tables.jobs[j].id for j in range(tables.n) if rng.random() < 0.3)
    opened = frozenset(name for name in tables.overtime_names if rng.random() < 0.5)
    return Decision({m: tuple(ids) for m, ids in order.items()}, person, first, opened)
