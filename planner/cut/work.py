"""What finished cuts teach beside the clean-up depth: minutes of the steps around the traverses, and the finish.

The record comes as arrays, one entry a cut; times in minutes, roughness in µm.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from planner.cut.finish import FinishModel, learn_finish
from planner.cut.minutes import LearnedMinutes, MinuteRecords, learn_minutes
from planner.cut.setups import corner_of, setups_for
from planner.shop import Family, Shop, WorkRecords, starting
from planner.shop.starting import StepMinutes

ENOUGH = 60
"""Records from which on a level of pooling no longer borrows from the next."""

TOTAL_SPREAD = 0.15
"""Spread of the log of a job's attended minutes from job to job. Common practice, from memory, no source."""

STARTING_STRETCH = math.exp(NormalDist().inv_cdf(0.8) * TOTAL_SPREAD)
"""How many times the likely minutes are allowed for while there is no record: four of five jobs take no longer."""

AWAY = ("measure", "edges", "wash", "intake")
UNATTENDED = ("dry",)
CREDIBLE = 10.0
"""A clock that shows less than a tenth, or more than ten times, of the starting minutes was not on the work: a row of
taps made afterwards, or one left running. Common practice, no source."""
STEPS = tuple(f.name for f in dataclasses.fields(StepMinutes) if f.name != "shim_rounds")


def attended_minutes(steps: StepMinutes, passes, in_set):
    """Minutes a person spends at the machine on a job of so many traverses (the kiss pass counts), arrays or numbers."""
    once = steps.load + steps.sweep + steps.shim_round * steps.shim_rounds + steps.clamp + steps.dye
    once += steps.touch_off + steps.unload
    return once + steps.look * np.asarray(passes) + steps.partner_check * np.asarray(in_set)


def start_of(family: Family) -> StepMinutes:
    """The starting minutes of a family's steps."""
    return starting.STEPS[starting.group(family.material, family.kind)]


@dataclass(frozen=True)
class WorkMinutes:
    """Minutes of one family's steps. ``total`` is the attended time at the machine as a multiple of the starting
    value; ``clocked`` the steps that run sheets timed one by one; ``steps`` what the plan uses; ``stretch`` how many
    times longer four of five jobs take at most."""

    steps: StepMinutes
    total: LearnedMinutes
    clocked: Mapping[str, LearnedMinutes]

    @property
    def stretch(self) -> float:
        return self.total.allow / self.total.likely


class MinuteBook:
    """The minutes of a record, sorted by family and kind once, so that many families are learned quickly.

    A family's kind is what is held by the same fixture, or is of the same group where none is named. Minutes that are
    not credible beside the starting ones are left out, and counted by step in ``left_out`` ("" for whole jobs).
    """

    def __init__(self, shop: Shop, records: WorkRecords) -> None:
        self.shop = shop
        families = shop.families
        self._start = {i: start_of(f) for i, f in families.items()}
        self._kind = {i: self._kind_of(f) for i, f in families.items()}
        kinds = {kind: n for n, kind in enumerate(dict.fromkeys(self._kind.values()))}
        self._kind_number = {i: kinds[k] for i, k in self._kind.items()}
        expected = np.full(len(records), np.nan)
        for i, start in self._start.items():
            mine = records.family_id == i
            expected[mine] = attended_minutes(start, records.passes[mine], records.in_set[mine].astype(float))
        self.left_out: dict[str, int] = {}
        with np.errstate(invalid="ignore"):
            good = (records.attended_minutes > 0) & (expected > 0)
        good = self._credible("", good, records.attended_minutes, expected)
        self._totals = self._column(records.family_id[good], records.attended_minutes[good], expected[good])
        clocked: dict[str, list[tuple[int, float, float]]] = {}
        for index, steps in records.step_minutes.items():
            family = int(records.family_id[index])
            if family not in self._start:
                continue
            for step, minutes in steps.items():
                if step in STEPS and minutes > 0:
                    clocked.setdefault(step, []).append((family, minutes, getattr(self._start[family], step)))
        self._clocked = {}
        for step, rows in clocked.items():
            family_id, minutes, start = np.array(rows).T
            kept = self._credible(step, np.ones(len(rows), dtype=bool), minutes, start)
            if kept.any():
                self._clocked[step] = self._column(family_id[kept], minutes[kept], start[kept])

    def _credible(self, step: str, known: np.ndarray, minutes: np.ndarray, start: np.ndarray) -> np.ndarray:
        """Those of the ``known`` minutes a clock on the work could have shown; the others are counted."""
        with np.errstate(invalid="ignore", divide="ignore"):
            far = known & (np.abs(np.log(minutes / start)) > math.log(CREDIBLE))
        if far.any():
            self.left_out[step] = int(far.sum())
        return known & ~far

    @staticmethod
    def _kind_of(family: Family) -> tuple[str, str]:
        return (starting.group(family.material, family.kind), family.fixture)

    def _column(self, family_id, minutes, start) -> tuple[np.ndarray, ...]:
        kinds = np.array([self._kind_number.get(int(i), -1) for i in family_id], dtype=int)
        return np.asarray(family_id, dtype=int), kinds, np.asarray(minutes), np.asarray(start)

    def _learn(self, column, family_id: int, start: float, scale: float, spread: float) -> LearnedMinutes:
        ids, kinds, minutes, starts = column
        own, kind = ids == family_id, kinds == self._kind_number[family_id]
        levels = [own, kind & ~own, ~kind]
        # what lies farther away is worth five records: it is not asked where the nearer ones are many
        if own.sum() >= ENOUGH:
            levels[1:] = [np.zeros_like(own)] * 2
        elif levels[1].sum() >= ENOUGH:
            levels[2] = np.zeros_like(own)
        return learn_minutes(start, *(MinuteRecords(minutes[m], starts[m] * scale) for m in levels), spread=spread)

    def learn(self, family_id: int) -> WorkMinutes:
        """The minutes of one family of the shop."""
        start = self._start[family_id]
        total = self._learn(self._totals, family_id, 1.0, 1.0, TOTAL_SPREAD)
        clocked = {
            step: self._learn(column, family_id, *self._prior(start, step, total.likely))
            for step, column in self._clocked.items()
        }
        told = {
            step: clocked[step].likely if step in clocked else self._prior(start, step, total.likely)[0]
            for step in STEPS
        }
        return WorkMinutes(dataclasses.replace(start, **told), total, clocked)

    @staticmethod
    def _prior(start: StepMinutes, step: str, factor: float) -> tuple[float, float, float]:
        """Minutes of a step before it is clocked: what the job's total says, for the steps that are in it."""
        scale = 1.0 if step in AWAY + UNATTENDED else factor
        return getattr(start, step) * scale, scale, 0.3


def learn_work_minutes(shop: Shop, records: WorkRecords) -> dict[int, WorkMinutes]:
    """Minutes of every family of the shop that has a record, of its own or of others, by family id."""
    if not len(records):
        return {}
    book = MinuteBook(shop, records)
    found = {family_id: book.learn(family_id) for family_id in shop.families}
    return {
        i: m for i, m in found.items() if m.total.records.learned or any(c.records.learned for c in m.clocked.values())
    }


@dataclass(frozen=True, eq=False)
class FinishReadings:
    """Readings of one material with one grade: acting feed and corner (mm), Ra (µm), arrays of shape (n,)."""

    feed_mm: np.ndarray
    radius_mm: float
    wiper_mm: float
    ra_um: np.ndarray

    def model(self) -> FinishModel:
        return learn_finish(self.feed_mm, self.radius_mm, self.ra_um, wiper_mm=self.wiper_mm)


def finish_readings(shop: Shop, records: WorkRecords) -> dict[tuple[str, int], FinishReadings]:
    """Readings by (material, grade id), with the feed that made them: as recorded, else the recipe's as the machine
    runs it.

    Cutters with several inserts are left out: which of them made the profile is not known.
    """
    feeds: dict[tuple[int, int, int, int], dict[int, tuple[float, float]]] = {}
    sorted_out: dict[tuple[str, int], list[tuple[float, float]]] = {}
    with np.errstate(invalid="ignore"):
        read = np.flatnonzero(records.ra_um > 0)
    for i in read:
        family = shop.families.get(int(records.family_id[i]))
        cutter = shop.cutters.get(int(records.cutter_id[i]))
        grade = shop.grades.get(int(records.grade_id[i]))
        if family is None or cutter is None or grade is None or cutter.inserts != 1 or corner_of(grade) is None:
            continue
        feed = float(records.feed_mm[i])
        if not feed > 0:
            key = (family.id, int(records.face_id[i]), int(records.machine_id[i]), cutter.id)
            if key not in feeds:
                feeds[key] = _recipe_feeds(shop, family, *key[1:])
            if grade.id not in feeds[key]:
                continue
            feed = feeds[key][grade.id][int(bool(records.last_finishing[i]))]
        sorted_out.setdefault((family.material, grade.id), []).append((feed, float(records.ra_um[i])))
    found = {}
    for (material, grade_id), rows in sorted_out.items():
        corner = corner_of(shop.grades[grade_id])
        feed, ra = np.array(rows).T
        if corner.wiper_mm or (feed <= 2 * corner.radius_mm).all():
            found[material, grade_id] = FinishReadings(feed, corner.radius_mm, corner.wiper_mm, ra)
    return found


def _recipe_feeds(
    shop: Shop, family: Family, face_id: int, machine_id: int, cutter_id: int
) -> dict[int, tuple[float, float]]:
    """Roughing and finishing feed (mm per insert) by grade, as the recipe says and the machine runs it."""
    if machine_id not in shop.machines or all(f.id != face_id for f in family.faces):
        return {}
    setups, _ = setups_for(
        dataclasses.replace(
            shop,
            machines={machine_id: shop.machines[machine_id]},
            cutters={cutter_id: dataclasses.replace(shop.cutters[cutter_id], machine_id=None)},
        ),
        family,
        family.face(face_id),
        (None, None),
    )
    return {s.grade.id: (s.rough.feed_mm, s.finish.feed_mm) for s in setups}


def learn_finishes(shop: Shop, records: WorkRecords) -> dict[tuple[str, int], FinishModel]:
    """Ratio and floor by (material, grade id), for those with readings."""
    return {key: readings.model() for key, readings in finish_readings(shop, records).items()}


@dataclass(frozen=True)
class UnattendedCheck:
    """Recorded unattended minutes of one machine's cuts over the computed ones: middle and the range of four in five."""

    machine_id: int
    ratio: float
    low: float
    high: float
    records: int


def unattended_check(shop: Shop, records: WorkRecords, minutes: Mapping[int, WorkMinutes]) -> list[UnattendedCheck]:
    """Do traverses take as long as computed? One entry a machine with records; drying time counted in."""
    known: dict[tuple, tuple[float, float] | None] = {}
    ratios: dict[int, list[float]] = {}
    with np.errstate(invalid="ignore"):
        told = np.flatnonzero(records.unattended_minutes > 0)
    for i in told:
        key = tuple(int(getattr(records, n)[i]) for n in ("family_id", "face_id", "machine_id", "cutter_id"))
        if key not in known:
            known[key] = _traverse_minutes(shop, *key)
        each = known[key]
        if each is None:
            continue
        fine = float(records.finishing_passes[i])
        steps = minutes[key[0]].steps if key[0] in minutes else start_of(shop.families[key[0]])
        computed = steps.dry + (float(records.passes[i]) - fine) * each[0] + fine * each[1]
        ratios.setdefault(key[2], []).append(float(records.unattended_minutes[i]) / computed)
    return [
        UnattendedCheck(machine, *(float(np.quantile(r, q)) for q in (0.5, 0.1, 0.9)), len(r))
        for machine, r in sorted(ratios.items())
    ]


def _traverse_minutes(shop: Shop, family_id: int, face_id: int, machine_id: int, cutter_id: int):
    family = shop.families.get(family_id)
    if family is None or cutter_id not in shop.cutters or machine_id not in shop.machines:
        return None
    if all(f.id != face_id for f in family.faces):
        return None
    cutter = dataclasses.replace(shop.cutters[cutter_id], machine_id=None)
    only = dataclasses.replace(shop, machines={machine_id: shop.machines[machine_id]}, cutters={cutter_id: cutter})
    setups, _ = setups_for(only, family, family.face(face_id), (None, None))
    good = [s for s in setups if math.isfinite(s.finish.minutes)]
    return (good[0].rough.minutes, good[0].finish.minutes) if good else None
