"""What the page How it learned draws of finish, edge life and cutting speed: figures in, frames out, in the person's
units."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.cut.depths import LogNormalDepth, hermite
from planner.cut.finish import Corner, FinishModel
from planner.cut.kinematics import choose_speed, spindle_speed, surface_speed
from planner.cut.knowledge import Knowledge, Missed, edge_life_mm, skin_wear
from planner.cut.setups import CutSetup
from planner.cut.work import AWAY, STEPS, UNATTENDED, FinishReadings, WorkMinutes
from planner.edge import Edge, SpeedWhatIf
from planner.shop import Shop, starting
from planner.shop.starting import StepMinutes
from planner.units import Units
from planner.week.edge_lives import GradeLife
from planner.week.learning import chip_range
from planner.week.measured import SurveysCut

__all__ = [
    "Settable",
    "finish_frames",
    "left_out_words",
    "life_frame",
    "missed_frame",
    "settable",
    "skin_table",
    "speed_frames",
    "step_tables",
    "wear_table",
]

AS_FAST_AS_IT_GOES = 1e6
_CHIPS = "the record and a starting value"


STEP_WORDS = {
    "load": "clean, block, load",
    "sweep": "sweep",
    "shim_round": "one round of shims",
    "clamp": "clamp, re-read, shake",
    "dye": "dye",
    "touch_off": "touch off",
    "look": "look, wipe, set the next",
    "partner_check": "check against the partner",
    "unload": "unload, blow off",
    "index": "index an edge, touch off again",
    "dry": "dye dries",
    "measure": "measure at the bench",
    "edges": "edges, chamfers, grooves",
    "wash": "wash, protect, tag",
    "intake": "intake",
}


def step_tables(start: StepMinutes, told: WorkMinutes | None) -> tuple[tuple[str, ...], tuple[pd.DataFrame, ...]]:
    """Minutes of every step of one family, beside its starting values: a table each for a person at the machine, the
    machine alone, and the bench."""
    kinds = {"A person at the machine": [], "The machine alone": [], "A person at the bench": []}
    for step in STEPS:
        kind = 1 if step in UNATTENDED else 2 if step in AWAY else 0
        begin = getattr(start, step)
        known = told.clocked.get(step) if told else None
        likely = begin if told is None else getattr(told.steps, step)
        # beside six other columns a tablet has no room for more
        origin = known.origin.replace("no record of this family yet, b", "b") if known else "starting value"
        if told is not None and known is None and abs(likely - begin) > 1e-9:
            origin = "the whole job's minutes"
        kinds[tuple(kinds)[kind]].append(
            {
                "Step": STEP_WORDS.get(step, step.replace("_", " ")),
                "Start (min)": f"{begin:.1f}",
                "Likely (min)": f"{likely:.1f}",
                "Least (min)": f"{known.least:.1f}" if known else "",
                "Allow (min)": f"{known.allow:.1f}" if known else "",
                "Clocked": known.records.family if known else 0,
                "From": origin,
            }
        )
    return tuple(kinds), tuple(pd.DataFrame(rows) for rows in kinds.values())


def left_out_words(left_out: Mapping[str, int]) -> str:
    """How many clocked minutes were not taken, by step ("" = a whole job's)."""
    told = [f"{n} of {STEP_WORDS[step]}" for step in STEPS if (n := left_out.get(step))]
    whole = left_out.get("")
    if whole:
        told.append("1 of a whole job" if whole == 1 else f"{whole} of whole jobs")
    return "; ".join(told) or "none"


def missed_frame(known: SurveysCut, missed: Missed, units: Units) -> pd.DataFrame:
    """Shares of surveyed faces clean by a depth beyond their survey: depth, fitted, surely, possibly."""
    low, high = known.lower_mm - known.surveyed_mm, known.upper_mm - known.surveyed_mm
    ends = high[np.isfinite(high)]
    most = max(float(ends.max()) if ends.size else 0.0, 4 * missed.median_mm)
    places = np.linspace(min(float(low.min()), 0.0), 1.1 * most, 120)
    shift, weight = hermite(0.0, known.doubt_mm)
    excess = LogNormalDepth(missed.median_mm, missed.sigma)
    return pd.DataFrame(
        {
            "depth": places / units.depth_factor,
            "fitted": excess.cdf(places[:, None] - shift) @ weight,
            "surely": (high[None, :] <= places[:, None]).mean(axis=1),
            "possibly": (low[None, :] < places[:, None]).mean(axis=1),
        }
    )


def finish_frames(found: FinishReadings, model: FinishModel, units: Units) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Readings gathered where they coincide (feed, ra, cuts), and the lines beside them (feed, ra, kind)."""
    step = 0.0254 if units.inch else 0.02
    read = pd.DataFrame({"feed": np.round(found.feed_mm, 4), "ra": np.round(found.ra_um / step) * step})
    points = read.groupby(["feed", "ra"]).size().reset_index(name="cuts")
    points = points.assign(feed=points["feed"] / units.length_factor, ra=points["ra"] / units.ra_factor)
    corner = Corner(found.radius_mm, found.wiper_mm)
    low, high = 0.75 * found.feed_mm.min(), 1.25 * found.feed_mm.max()
    # beyond the corner's radius the formula no longer holds
    feeds = np.linspace(low, min(high, max(found.radius_mm, found.feed_mm.max())), 60)
    models = {"learned": model, "starting value": FinishModel()}
    if not found.wiper_mm:
        models["theory alone"] = FinishModel(1.0, 0.0)
    rows = [
        (feed / units.length_factor, each.ra_um(float(feed), corner) / units.ra_factor, kind)
        for kind, each in models.items()
        for feed in feeds
    ]
    return points, pd.DataFrame(rows, columns=["feed", "ra", "kind"])


def life_frame(shop: Shop, lives: Mapping[int, GradeLife], units: Units) -> pd.DataFrame:
    """Path an edge lasts (thousands of feet or km) by grade, material and end, with its range, its starting value (NaN =
    none) and source: grade, material, end, name, value, low, high, start, source."""
    rows = []
    for grade_id, known in lives.items():
        grade = shop.grades[grade_id].name
        for end, life in (("worn", known.life.worn), ("finish lost", known.life.finish)):
            for i, material in enumerate(known.materials if life is not None else ()):
                start = edge_life_mm(shop, Knowledge(), material, grade_id)[0]
                low, high = life.intervals[i]
                rows.append((grade, material, end, life.capacities[i], low, high, start, life.sources[i]))
        if known.life.chips is not None:
            rows.append((grade, "all", "chipped", *chip_range(known.life.chips), float("nan"), _CHIPS))
    frame = pd.DataFrame(rows, columns=["grade", "material", "end", "value", "low", "high", "start", "source"])
    for column in ("value", "low", "high", "start"):
        frame[column] = frame[column].astype(float) / units.way_factor
    frame["material"] = frame["material"].str.replace("_", " ")
    several = frame["grade"].nunique() > 1
    frame["name"] = (frame["grade"] + ", " if several else "") + frame["material"] + ", " + frame["end"]
    return frame


def skin_table(shop: Shop, knowledge: Knowledge) -> pd.DataFrame:
    """How many times as fast each harsh skin wears an edge, with its range, its starting value and where it is from."""
    rows = []
    for skin, start in starting.SKIN_FACTOR.items():
        told = skin_wear(shop, knowledge, skin)
        rows.append(
            {
                "Skin": skin,
                "Wears an edge": f"{told.factor:.1f} times as fast",
                "Range": f"{told.low:.1f} to {told.high:.1f}" if told.low < told.high else "as set",
                "Starting value": f"{start:.1f}",
                "From": told.origin.words,
            }
        )
    return pd.DataFrame(rows)


def wear_table(edges: tuple[Edge, ...], units: Units) -> pd.DataFrame:
    """Wear lands as read, newest first."""
    rows = [
        {
            "When": reading.at,
            "Insert": edge.insert,
            "Position": edge.position,
            "Grade": edge.grade,
            f"Wear land ({units.depth_unit})": units.depth(reading.wear_mm, unit=False),
            f"Path by then ({units.way_unit})": f"{sum(reading.path_mm.values()) / units.way_factor:.1f}",
            "The edge": edge.end.value if edge.end is not None else "still at work",
        }
        for edge in edges
        for reading in edge.readings
    ]
    return pd.DataFrame(sorted(rows, key=lambda row: row["When"], reverse=True))


@dataclass(frozen=True)
class Settable:
    """The speed (m/min) that machine and cutter can be set to for a wanted one; ``held_by`` says what keeps it from
    that, "" = nothing."""

    speed_m_min: float
    held_by: str


def settable(setup: CutSetup, wanted_m_min: float) -> Settable:
    """The speed nearest a wanted one within the machine's speeds and the rpm marked on the cutter."""
    machine, cutter = setup.machine, setup.cutter
    choice = choose_speed(
        spindle_speed(wanted_m_min, cutter.diameter_mm),
        cutter.max_rpm,
        machine.speeds_rpm,
        machine.least_rpm or 0.0,
        machine.greatest_rpm or float("inf"),
    )
    held = "" if choice.limited_by == "recipe" else choice.limited_by
    return Settable(surface_speed(choice.rpm, cutter.diameter_mm), held)


def speed_frames(
    setup: CutSetup, what_if: Callable[[np.ndarray], SpeedWhatIf], units: Units
) -> tuple[SpeedWhatIf, dict[str, Settable], pd.DataFrame, pd.DataFrame]:
    """The curve over the speeds that can be set (speed, life in hours in the metal, minutes, cost), and on it where the
    cut is now, the cheapest and the fastest, each as near as machine and cutter allow (with kind)."""
    now = setup.speed_m_min
    best = what_if(np.array([now]))
    marks = {
        "now": Settable(now, ""),
        "cheapest": settable(setup, best.cheapest_m_min),
        "fastest": settable(setup, best.fastest_m_min),
    }
    top = settable(setup, AS_FAST_AS_IT_GOES).speed_m_min
    shown = [m.speed_m_min for m in marks.values()]
    curve = np.linspace(0.6 * min(shown), max(*shown, min(top, 1.6 * max(shown))), 80)

    def frame(speeds: np.ndarray) -> pd.DataFrame:
        found = what_if(speeds)
        return pd.DataFrame(
            {
                "speed": speeds / units.speed_factor,
                "life": found.life_minutes / 60,
                "minutes": found.minutes,
                "cost": found.cost,
            }
        )

    return best, marks, frame(curve), frame(np.array(shown)).assign(kind=list(marks))
