"""One tiny shop that can be checked by hand."""

from __future__ import annotations

from datetime import date, datetime

from planner.shop import (
    Condition,
    Counts,
    Cutter,
    DepthInstrument,
    EndOfPass,
    Face,
    Family,
    Gasket,
    Gate,
    GateKind,
    GateState,
    HeightReading,
    InsertGrade,
    Job,
    Limit,
    Machine,
    MatchedSet,
    Part,
    Person,
    Recipe,
    Settings,
    Shop,
    Window,
)

MONDAY = datetime(2026, 3, 2, 7, 0)
DONE = (GateState.DONE, "ab", date(2026, 2, 27))


def tiny_shop() -> Shop:
    """One machine, one person, two aluminium heads of one engine, an iron head and one that waits.

    Cutter 300 mm, recipe 750 m/min: n = 1000 × 750 / (π 300) = 796 rpm, the machine's list gives 700.
    Finishing feed 0.1 mm: 70 mm/min. Face 300 × 180: R = 150, y* = 0, ym = 90: travel when cut
    300 + 150 − 120 = 330 mm, clear 600 mm; with 3 + 3 mm clearances 606 mm / 70 = 8.657 min.
    """
    hours = tuple(Window(d, 7 * 60, 16 * 60, ((12 * 60, 12 * 60 + 30),)) for d in range(5))
    deck = Face(
        "deck",
        300,
        180,
        id=1,
        net_share=0.6,
        new_height_mm=100.0,
        limit=Limit(least_height_mm=99.0),
        ra_least_um=0.5,
        ra_greatest_um=1.6,
    )
    iron_deck = Face("deck", 600, 200, id=2)
    heads = Family("small head", "aluminium", (deck,), id=1, fixture="blocks A")
    iron = Family("iron head", "grey_iron", (iron_deck,), id=2, fixture="plate")

    def head(i: int, tag: str, low: float, **more) -> Part:
        heights = tuple(
            HeightReading(1, p.name, low + 0.01 * k, MONDAY, repeatability_mm=0.005) for k, p in enumerate(deck.points)
        )
        route = (Gate(GateKind.CLEAN, *DONE), Gate(GateKind.MEASURE, *DONE))
        return Part(tag, 1, id=i, condition=Condition.NORMAL, heights=heights, route=route, **more)

    parts = {
        1: head(1, "T-1", 99.80, position="left", engine_serial="E-1"),
        2: head(2, "T-2", 99.75, position="right", engine_serial="E-1"),
        3: Part("T-3", 2, id=3, condition=Condition.CORRODED),
        4: Part("T-4", 1, id=4, route=(Gate(GateKind.PRESSURE_TEST),)),
    }
    jobs = {
        1: Job(1, 1, id=1, due=MONDAY.replace(day=4, hour=15)),
        2: Job(2, 1, id=2, due=MONDAY.replace(day=4, hour=15)),
        3: Job(3, 2, id=3, due=MONDAY.replace(day=5, hour=12)),
        4: Job(4, 1, id=4, due=MONDAY.replace(day=6, hour=12)),
    }
    machine = Machine(
        "the mill",
        id=1,
        speeds_rpm=(200, 300, 400, 500, 700, 900),
        least_feed_mm_min=10,
        greatest_feed_mm_min=400,
        travel_mm=1500,
        return_minutes=0.5,
        end_of_pass=EndOfPass.RUN_CLEAR,
        instrument=DepthInstrument("dial", Counts.UP, per_turn_mm=2.54),
        hours=hours,
    )
    aluminium_grade = InsertGrade("diamond", radius_mm=1.2, positions=2, price=90, stock=2, id=1)
    iron_grade = InsertGrade("boron nitride", radius_mm=1.2, positions=4, price=70, stock=3, id=2)
    return Shop(
        settings=Settings(),
        families={1: heads, 2: iron},
        parts=parts,
        jobs=jobs,
        sets={1: MatchedSet("engine E-1", (1, 2), id=1)},
        machines={1: machine},
        people={1: Person("A. Bell", "ab", id=1, shifts=hours)},
        cutters={
            1: Cutter("fly 300", 300, 1, max_rpm=1200, id=1, machine_id=1, grade_id=1),
            2: Cutter("fly 350", 350, 1, max_rpm=900, id=2, machine_id=1, grade_id=2),
        },
        grades={1: aluminium_grade, 2: iron_grade},
        recipes={
            1: Recipe("aluminium", 1, 750, 0.15, 0.1, 0.0127, 0.0381, 0.1016, id=1, rough_greatest_mm=0.2032),
            2: Recipe("grey_iron", 2, 365, 0.2, 0.125, 0.0254, 0.0635, 0.1524, id=2, rough_greatest_mm=0.254),
        },
        gaskets={1: Gasket("layered steel", 1.0, ra_least_um=0.3, ra_greatest_um=0.76, id=1)},
    )
