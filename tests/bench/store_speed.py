"""How fast the store answers on a shop of five years (20 000 cuts). Run by hand; prints, asserts nothing.

    python tests/bench/store_speed.py [cuts]

The yardstick is SQLite itself: the same rows read by the bare driver in the same run.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from planner.edge import End, Fitted, Indexed, Replaced
from planner.shop import (
    Condition,
    Cut,
    Cutter,
    EdgeUse,
    Face,
    Family,
    Gate,
    GateKind,
    HeightReading,
    InsertGrade,
    Job,
    Machine,
    Part,
    PartState,
    PassRecord,
    Person,
    Recipe,
)
from planner.store import Kind, Repository, open_database

BEGAN = datetime(2021, 3, 1, 7, 0)


def build(shop: Repository, cuts: int) -> None:
    """20 families, 60 live parts with jobs, a quarter as many gone parts as cuts, an edge change every 80 cuts."""
    rng = np.random.default_rng(7)
    families = shop.add_all(Family(f"family {i}", "aluminium", (Face("deck", 300, 180),)) for i in range(20))
    machine = shop.add(Machine("mill", speeds_rpm=(200, 400, 700)))
    shop.add(Person("A. Bell", "ab"))
    grade = shop.add(InsertGrade("diamond", positions=2, stock=cuts // 80 + 9))
    cutter = shop.add(Cutter("fly", 300, 1, max_rpm=1200, machine_id=machine.id, grade_id=grade.id))
    shop.add(Recipe("aluminium", grade.id, 750, 0.15, 0.1, 0.0127, 0.0381, 0.1016))
    route = (Gate(GateKind.CLEAN), Gate(GateKind.CUT))
    conditions = list(Condition)
    gone = shop.add_all(
        Part(
            f"G-{i}", families[i % 20].id, state=PartState.GONE, condition=conditions[i % 8], engine_serial=f"S{i:06d}"
        )
        for i in range(cuts // 4)
    )
    live = shop.add_all(
        Part(
            f"L-{i}",
            family.id,
            route=route,
            heights=tuple(HeightReading(family.faces[0].id, p.name, 99.8, BEGAN) for p in family.faces[0].points),
        )
        for i in range(60)
        for family in (families[i % 20],)
    )
    shop.add_all(Job(p.id, families[i % 20].faces[0].id) for i, p in enumerate(live))
    events = [Fitted(at=BEGAN, by="ab", cutter="fly", pocket=1, insert="D-0", position=1, grade="diamond")]
    for i in range(1, cuts // 80):
        at = BEGAN + timedelta(hours=80 * i)
        place = {"at": at, "by": "ab", "cutter": "fly", "pocket": 1, "insert": f"D-{(i - 1) // 2}", "end": End.BY_RULE}
        if i % 2:
            events.append(Indexed(from_position=1, to_position=2, **place))
        else:
            events.append(Replaced(new_insert=f"D-{i // 2}", grade="diamond", **place))
    shop.add_edge_events(events)
    inserts = {item.label: key for key, item in shop.load_shop().inserts.items()}
    depths = rng.lognormal(np.log(0.06), 0.4, cuts)
    shop.add_history(
        Cut(
            None,
            (part := gone[i % len(gone)]).id,
            families[(i % len(gone)) % 20].faces[0].id,
            BEGAN + timedelta(hours=i),
            float(depths[i]),
            machine_id=machine.id,
            cutter_id=cutter.id,
            grade_id=grade.id,
            by="ab",
            passes=(PassRecord(float(depths[i]) / 2, clean=False), PassRecord(float(depths[i]), clean=True)),
            clean_lower_mm=float(depths[i]) / 2,
            clean_upper_mm=float(depths[i]),
            heights_mm={"middle": 99.5, "front left": 99.5},
            uses=(EdgeUse(inserts[f"D-{min(i // 80, cuts // 80 - 1) // 2}"], i // 80 % 2 + 1, 2e6, 1e5),),
            note=part.tag,
        )
        for i in range(cuts)
    )


def milliseconds(call: Callable[[], object], times: int = 7) -> float:
    """Median of several runs."""
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        call()
        taken.append((time.perf_counter() - began) * 1000)
    return statistics.median(taken)


def main(cuts: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.db"
        shop = open_database(path, Kind.OWN, at=BEGAN)
        began = time.perf_counter()
        build(shop, cuts)
        print(f"{cuts} cuts stored in {time.perf_counter() - began:.1f} s, {path.stat().st_size / 1e6:.0f} MB")
        jobs = iter(shop.load_shop().open_jobs())
        drafts = iter(range(1000))

        def record() -> None:
            job = next(jobs)
            shop.record_cut(Cut(job.id, job.part_id, job.face_id, BEGAN, 0.1, by="ab", clean_upper_mm=0.1))

        def changed(what: str) -> Callable[[], object]:
            def load() -> None:
                with shop._lock:
                    shop._cache.pop("shop", None)
                    if what == "record":
                        shop._cache.pop("depth_records", None)
                shop.load_shop()

            return load

        def bare() -> None:
            with sqlite3.connect(path) as connection:
                connection.execute(
                    "SELECT family_id, face_id, condition, clean_lower_mm, clean_upper_mm FROM cuts"
                ).fetchall()

        yardstick = milliseconds(bare)
        print(f"{'yardstick: five columns of every cut, bare driver':58}{yardstick:9.1f} ms")
        for name, call in (
            ("the number that says whether anything changed", shop.data_version),
            ("the picture of the shop, nothing changed", shop.load_shop),
            ("the picture of the shop, a noun changed", changed("shop")),
            ("the picture of the shop, a cut was recorded", changed("record")),
            ("recording a cut (with its fsync)", record),
            ("a tap (with its fsync)", lambda: shop.add_tap(1, "pass", {"clean": False}, BEGAN, "ab")),
            ("a draft (with its fsync)", lambda: shop.put_draft(f"d{next(drafts)}", {"a": 1}, BEGAN)),
            ("find by the last four of a serial", lambda: shop.find("0017")),
            ("all cuts as a frame", shop.cuts_frame),
            ("the newest 200 cuts as a frame", lambda: shop.cuts_frame(limit=200)),
            ("the ledger with the work of every edge", shop.ledger),
        ):
            taken = milliseconds(call)
            print(f"{name:58}{taken:9.1f} ms  {taken / yardstick:6.2f} x")
        shop.engine.dispose()


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
