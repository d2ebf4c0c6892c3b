"""Which machine, cutter, insert grade and recipe can cut a face, and why the others cannot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from planner.cut.finish import Corner, FinishModel, feed_window
from planner.cut.kinematics import (
    choose_speed,
    lanes,
    path_in_material,
    spindle_speed,
    surface_speed,
    table_feed,
    traverse,
)
from planner.errors import InputError
from planner.shop import CornerKind, Cutter, EndOfPass, Face, Family, InsertGrade, Machine, Recipe, Shop
from planner.shop.materials import MATERIALS

LANE_OVERLAP_MM = 5.0


@dataclass(frozen=True)
class Feed:
    """One feed on one machine: per insert mm, table feed mm/min, one traverse of the face in minutes and edge path.

    ``minutes`` follow the machine's end-of-pass rule and include the return; both rules are kept beside it.
    """

    feed_mm: float
    table_feed_mm_min: float
    minutes: float
    when_cut_minutes: float
    run_clear_minutes: float
    path_mm: float
    lanes: int


@dataclass(frozen=True)
class CutSetup:
    """A machine with a cutter, an insert grade and a recipe, worked out for one face."""

    machine: Machine
    cutter: Cutter
    grade: InsertGrade
    recipe: Recipe
    rpm: float
    speed_m_min: float
    rough: Feed
    finish: Feed
    ra_least_um: float | None
    ra_greatest_um: float | None
    notes: tuple[str, ...] = ()

    @property
    def hourly_rate(self) -> float | None:
        return self.machine.hourly_rate

    @property
    def speed_wear(self) -> float:
        """How many times as fast the path wears the edge as at the recipe's own speed."""
        return taylor_wear(self.speed_m_min, self.recipe)


def taylor_wear(speed_m_min: float, recipe: Recipe) -> float:
    """How many times as fast a path wears the edge at a speed as at the recipe's: (V / V_ref)^(1/n - 1).

    From Taylor's V T^n = C with path = V T (F. W. Taylor, On the art of cutting metals, 1907); 1 at the neutral n = 1.
    """
    return (speed_m_min / recipe.speed_m_min) ** (1.0 / recipe.taylor_n - 1.0)


class SpeedWear:
    """`taylor_wear` of recorded cuts: how many times as fast as at the recipe's speed each wore its edge."""

    def __init__(
        self, recipes: Mapping[int, Recipe], machines: Mapping[int, Machine], cutters: Mapping[int, Cutter]
    ) -> None:
        self._machines, self._cutters = machines, cutters
        self._recipes: dict[tuple[str, int], Recipe] = {}
        for recipe in _in_order(recipes):
            self._recipes.setdefault((recipe.material, recipe.grade_id), recipe)
        self._known: dict[tuple, float] = {}

    def of(
        self, material: str, grade_id: int, speed_m_min: float | None, machine_id: int | None, cutter_id: int | None
    ) -> float:
        """The factor of one cut. A cut without a recorded speed ran at what its machine and cutter make of the recipe; 1
        where neither is known, and at the neutral exponent."""
        key = (material, grade_id, speed_m_min, machine_id, cutter_id)
        if key not in self._known:
            self._known[key] = self._factor(*key)
        return self._known[key]

    def _factor(self, material, grade_id, speed_m_min, machine_id, cutter_id) -> float:
        recipe = self._recipes.get((material, grade_id))
        if recipe is None or recipe.taylor_n == 1.0:
            return 1.0
        machine, cutter = self._machines.get(machine_id), self._cutters.get(cutter_id)
        if speed_m_min is None and machine is not None and cutter is not None and cutter.max_rpm is not None:
            speed_m_min = surface_speed(_speed(machine, cutter, recipe).rpm, cutter.diameter_mm)
        return 1.0 if speed_m_min is None else taylor_wear(speed_m_min, recipe)


def corner_of(grade: InsertGrade) -> Corner | None:
    """What shapes the finish; None where the grade's corner is not known."""
    if grade.corner is CornerKind.WIPER:
        return Corner(grade.radius_mm or grade.flat_mm, grade.flat_mm)
    return Corner(grade.radius_mm) if grade.radius_mm is not None else None


def band_of(shop: Shop, face: Face, gasket_id: int | None) -> tuple[float | None, float | None]:
    """The band for Ra (µm): the job's gasket's where it has one, else the face's."""
    gasket = shop.gaskets.get(gasket_id)
    if gasket is not None and (gasket.ra_least_um is not None or gasket.ra_greatest_um is not None):
        return gasket.ra_least_um, gasket.ra_greatest_um
    return face.ra_least_um, face.ra_greatest_um


def setups_for(
    shop: Shop, family: Family, face: Face, band: tuple[float | None, float | None], finish: dict | None = None
) -> tuple[list[CutSetup], list[str]]:
    """Every way the shop can cut this face, one per machine and cutter, and the reasons against the rest, in words.

    ``finish``: learned finish models by (material, grade id).
    """
    found: list[CutSetup] = []
    against: list[str] = []
    for machine in _in_order(shop.machines):
        if machine.materials and family.material not in machine.materials:
            against.append(f"{machine.name} does not cut {family.material.replace('_', ' ')}")
            continue
        cutters = [c for c in _in_order(shop.cutters) if c.machine_id in (None, machine.id)]
        if not cutters:
            against.append(f"{machine.name} has no cutter")
        for cutter in cutters:
            recipe, why = _recipe(shop, family.material, face, cutter)
            if recipe is None:
                against.append(f"{cutter.name}: {why}")
                continue
            grade = shop.grades[recipe.grade_id]
            model = (finish or {}).get((family.material, grade.id)) or FinishModel()
            try:
                found.append(_work_out(machine, cutter, grade, recipe, face, band, model))
            except InputError as wrong:
                against.append(f"{machine.name}, {cutter.name}: {wrong.field} {wrong.value}: {wrong.accepted}")
    return found, list(dict.fromkeys(against))


def _in_order(nouns) -> list:
    return [noun for _, noun in sorted(nouns.items())]


def _recipe(shop: Shop, material: str, face: Face, cutter: Cutter) -> tuple[Recipe | None, str]:
    fitting = [r for r in _in_order(shop.recipes) if r.material == material and r.grade_id in shop.grades]
    if cutter.grade_id is not None:
        fitting = [r for r in fitting if r.grade_id == cutter.grade_id]
    if not fitting:
        return None, f"no recipe for {material.replace('_', ' ')} with its inserts"
    active = [r for r in fitting if r.active]
    if not active:
        return None, f"the {material.replace('_', ' ')} recipe is not signed yet"
    if face.ferrous_inserts and not MATERIALS[material].ferrous:
        # iron in the face ruins a diamond edge, and nicks many others: only a grade the shop vouches for
        active = [r for r in active if shop.meets_iron(r.grade_id)]
        if not active:
            return (
                None,
                "iron stands in the face and its inserts may not meet iron (tick the grade on Shop if they may)",
            )
    return active[0], ""


def _work_out(
    machine: Machine,
    cutter: Cutter,
    grade: InsertGrade,
    recipe: Recipe,
    face: Face,
    band: tuple[float | None, float | None],
    model: FinishModel,
) -> CutSetup:
    if machine.table_width_mm is not None and face.width_mm > machine.table_width_mm:
        raise InputError("face.width_mm", face.width_mm, f"at most {machine.table_width_mm:g} mm, what the table takes")
    choice = _speed(machine, cutter, recipe)
    notes = []
    corner = corner_of(grade)
    wanted = recipe.finish_feed_mm
    if corner is not None and band != (None, None):
        window = feed_window(model, cutter.inserts, corner, *band)
        if window.possible:
            # a little inside the band, where it is wide enough
            low, high = window.least_mm * 1.05, window.greatest_mm * 0.95
            if low > high:
                low, high = window.least_mm, window.greatest_mm
            kept = min(max(wanted, low), high)
            kept = min(kept, max(recipe.rough_feed_mm, wanted))
            if abs(kept - wanted) > 1e-9:
                notes.append("finishing feed moved toward the Ra band")
            wanted = kept
    rough, rough_note = _feed(machine, cutter, face, recipe.rough_feed_mm, choice.rpm)
    finish, finish_note = _feed(machine, cutter, face, wanted, choice.rpm)
    notes += [n for n in dict.fromkeys((rough_note, finish_note)) if n]
    ra_least = ra_greatest = None
    if corner is not None:
        ra_least, ra_greatest = model.bounds_um(finish.feed_mm, cutter.inserts, corner)
    return CutSetup(
        machine,
        cutter,
        grade,
        recipe,
        choice.rpm,
        surface_speed(choice.rpm, cutter.diameter_mm),
        rough,
        finish,
        ra_least,
        ra_greatest,
        tuple(notes),
    )


def _speed(machine: Machine, cutter: Cutter, recipe: Recipe):
    return choose_speed(
        spindle_speed(recipe.speed_m_min, cutter.diameter_mm),
        cutter.max_rpm,
        machine.speeds_rpm,
        machine.least_rpm or 0.0,
        machine.greatest_rpm or math.inf,
    )


# the same pass is worked out for every job on a face, for every machine and unit system anew: a pure function of sizes
_traverse = lru_cache(maxsize=4096)(traverse)


def turns_of_path(face: Face, cutter: Cutter, path_mm: float) -> float:
    """Turns of the cutter over the face in which each edge goes so far in its metal, whatever the feed: every pass gives
    L / f turns a lane and the path of `planner.cut.path_in_material`."""
    strips = lanes(face.width_mm, cutter.diameter_mm, 0.0, LANE_OVERLAP_MM)
    share = face.net_share if face.net_share is not None else 1.0
    a_turn = sum(path_in_material(1.0, s.width_mm, cutter.diameter_mm, 1.0, s.offset_mm, share) for s in strips)
    return len(strips) * path_mm / a_turn


def _feed(machine: Machine, cutter: Cutter, face: Face, feed_mm: float, rpm: float) -> tuple[Feed, str]:
    asked = table_feed(feed_mm, cutter.inserts, rpm)
    table = min(max(asked, machine.least_feed_mm_min or 0.0), machine.greatest_feed_mm_min or math.inf)
    note = ""
    if abs(table - asked) > 1e-9 * asked:
        note = f"table feed kept to the machine's {'least' if table > asked else 'greatest'}"
        feed_mm = table / (rpm * cutter.inserts)
    done = _traverse(
        face.length_mm,
        face.width_mm,
        cutter.diameter_mm,
        feed_mm,
        cutter.inserts,
        rpm,
        run_clear=machine.end_of_pass is EndOfPass.RUN_CLEAR,
        approach_mm=machine.approach_mm,
        runout_mm=machine.overrun_mm,
        overlap_mm=LANE_OVERLAP_MM,
        net_share=face.net_share if face.net_share is not None else 1.0,
        travel_mm=machine.travel_mm or math.inf,
    )
    back = machine.return_minutes * done.lanes
    return (
        Feed(
            feed_mm,
            table,
            done.minutes + back,
            done.when_cut_minutes + back,
            done.run_clear_minutes + back,
            done.path_mm,
            done.lanes,
        ),
        note,
    )
