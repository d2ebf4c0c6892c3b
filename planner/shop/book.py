"""The shop as it stands: one frozen picture of every noun, with look-ups. The pure rooms read it, nobody writes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime

import numpy as np

from planner.errors import InputError
from planner.shop.engines import EngineFamily, MeasuredEngine
from planner.shop.faces import Face
from planner.shop.machines import Closure, Machine, Overtime
from planner.shop.materials import MATERIALS
from planner.shop.measured import FaceSurvey, IntakeCheck
from planner.shop.parts import Condition, Family, Job, MatchedSet, Part
from planner.shop.people import Person
from planner.shop.settings import Settings
from planner.shop.taps import Tap
from planner.shop.tooling import Cutter, Gasket, Insert, InsertGrade, Recipe


@dataclass(frozen=True)
class EdgeInUse:
    """The edge that sits in a pocket of a cutter, and what it has cut so far, by material. ``wear_mm``: the path at the
    recipe's speed; ``skin_mm``: what of that ran in harsh skin, by (material, skin), which wears an edge faster."""

    cutter_id: int
    pocket: int
    insert_id: int
    position: int
    grade_id: int
    since: datetime | None = None
    path_mm: Mapping[str, float] = field(default_factory=dict)
    swept_mm2: Mapping[str, float] = field(default_factory=dict)
    wear_mm: Mapping[str, float] = field(default_factory=dict)
    skin_mm: Mapping[tuple[str, str], float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.wear_mm:
            object.__setattr__(self, "wear_mm", self.path_mm)


@dataclass(frozen=True)
class CutterPlace:
    """Where a cutter sits, as the ledger has it: on a machine (None: on the shelf), since when."""

    machine_id: int | None
    since: datetime


@dataclass(frozen=True)
class LastCut:
    """The last recorded cut on a machine that stands: what was set up for it and has not been taken down by any record
    since. ``material`` as it was when cut."""

    family_id: int
    material: str
    ended: datetime
    cutter_id: int | None = None
    grade_id: int | None = None


@dataclass(frozen=True)
class DepthRecord:
    """Learning intervals of one family's face under one condition: shape (n,) each, mm; upper may be inf."""

    family_id: int
    face_id: int
    condition: Condition
    lower_mm: np.ndarray
    upper_mm: np.ndarray


@dataclass(frozen=True, eq=False)
class WorkRecords:
    """Finished cuts, arrays of shape (n,): ids (0 = not recorded), traverses and those at finishing feed, minutes and
    mean Ra (NaN = not recorded), feed per insert of the last pass (mm, NaN = not recorded) and whether it was at
    finishing feed; ``in_set``: the part belonged to a matched set. ``step_minutes``: minutes of single steps where they
    were clocked, index of the cut -> step -> minutes."""

    family_id: np.ndarray
    face_id: np.ndarray
    machine_id: np.ndarray
    cutter_id: np.ndarray
    grade_id: np.ndarray
    passes: np.ndarray
    finishing_passes: np.ndarray
    last_finishing: np.ndarray
    in_set: np.ndarray
    attended_minutes: np.ndarray
    unattended_minutes: np.ndarray
    ra_um: np.ndarray
    feed_mm: np.ndarray
    step_minutes: Mapping[int, Mapping[str, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        shape = np.shape(self.family_id)
        for item in fields(self):
            if item.name == "step_minutes":
                continue
            values = np.asarray(getattr(self, item.name))
            if values.shape != shape or values.ndim != 1:
                raise InputError(f"records.{item.name}", values.shape, f"one value a cut, shape {shape}")
            object.__setattr__(self, item.name, values)

    @classmethod
    def none(cls) -> WorkRecords:
        return cls(*(np.empty(0) for _ in range(13)))

    def __len__(self) -> int:
        return len(self.family_id)


@dataclass(frozen=True)
class CutOn:
    """What a job was cut on: ids of the machine, the cutter and the insert grade; None where the record does not say."""

    machine_id: int | None = None
    cutter_id: int | None = None
    grade_id: int | None = None


@dataclass(frozen=True)
class Shop:
    """Everything the planner knows at one moment. ``removed_mm`` maps (part id, face id) to the depth recorded cuts
    took so far; ``checks`` and ``surveys`` map it to the last intake check and to the last survey since the face was last
    cut; ``ready_edges`` counts unused positions of opened inserts by grade; ``last_cuts`` maps machine id to the last cut
    recorded on it; ``cutter_places`` maps cutter id to where it sits, where that is on record; ``taps`` maps job id to the
    entries that stand on its run sheet since its last recorded cut; ``cut_on`` maps the job of a set's finished member to
    what it was cut on."""

    settings: Settings = Settings()
    families: Mapping[int, Family] = field(default_factory=dict)
    parts: Mapping[int, Part] = field(default_factory=dict)
    jobs: Mapping[int, Job] = field(default_factory=dict)
    sets: Mapping[int, MatchedSet] = field(default_factory=dict)
    machines: Mapping[int, Machine] = field(default_factory=dict)
    people: Mapping[int, Person] = field(default_factory=dict)
    cutters: Mapping[int, Cutter] = field(default_factory=dict)
    grades: Mapping[int, InsertGrade] = field(default_factory=dict)
    recipes: Mapping[int, Recipe] = field(default_factory=dict)
    inserts: Mapping[int, Insert] = field(default_factory=dict)
    gaskets: Mapping[int, Gasket] = field(default_factory=dict)
    engines: Mapping[int, EngineFamily] = field(default_factory=dict)
    measured_engines: Mapping[int, MeasuredEngine] = field(default_factory=dict)
    closures: tuple[Closure, ...] = ()
    overtime: tuple[Overtime, ...] = ()
    edges: tuple[EdgeInUse, ...] = ()
    ready_edges: Mapping[int, int] = field(default_factory=dict)
    last_cuts: Mapping[int, LastCut] = field(default_factory=dict)
    cutter_places: Mapping[int, CutterPlace] = field(default_factory=dict)
    depth_records: tuple[DepthRecord, ...] = ()
    removed_mm: Mapping[tuple[int, int], float] = field(default_factory=dict)
    checks: Mapping[tuple[int, int], IntakeCheck] = field(default_factory=dict)
    surveys: Mapping[tuple[int, int], FaceSurvey] = field(default_factory=dict)
    taps: Mapping[int, tuple[Tap, ...]] = field(default_factory=dict)
    cut_on: Mapping[int, CutOn] = field(default_factory=dict)
    data_version: int = 0

    def family_of(self, part: Part) -> Family:
        """The family of a part; `InputError` when it is not there."""
        try:
            return self.families[part.family_id]
        except KeyError:
            raise InputError("part.family_id", part.family_id, "a family of the shop") from None

    def part_of(self, job: Job) -> Part:
        try:
            return self.parts[job.part_id]
        except KeyError:
            raise InputError("job.part_id", job.part_id, "a part of the shop") from None

    def face_of(self, job: Job) -> Face:
        return self.family_of(self.part_of(job)).face(job.face_id)

    def meets_iron(self, grade_id: int) -> bool:
        """Whether iron or steel standing in an aluminium face does a grade no harm: its word, or a recipe in use for an
        iron."""
        grade = self.grades.get(grade_id)
        if grade is not None and grade.may_meet_iron:
            return True
        used = (r for r in self.recipes.values() if r.grade_id == grade_id and r.active)
        return any(MATERIALS[r.material].ferrous for r in used)

    def has_edge_in(self, cutter_id: int, grade_id: int) -> bool:
        """Whether the ledger knows an edge of this grade in the cutter."""
        return any((e.cutter_id, e.grade_id) == (cutter_id, grade_id) for e in self.edges)

    def cutter_on(self, machine_id: int) -> int | None:
        """The cutter that sits on a machine, as the ledger has it; None where nothing is on record."""
        return next((c for c, place in self.cutter_places.items() if place.machine_id == machine_id), None)

    def machine_of(self, cutter_id: int) -> int | None:
        """The machine a cutter sits on, as the ledger has it, else the only one it goes on."""
        place = self.cutter_places.get(cutter_id)
        return place.machine_id if place and place.machine_id in self.machines else self.cutters[cutter_id].machine_id

    def set_of(self, job_id: int | None) -> MatchedSet | None:
        """The matched set a job belongs to, if any."""
        for matched in self.sets.values():
            if job_id in matched.job_ids:
                return matched
        return None

    def engine_of(self, part: Part) -> EngineFamily | None:
        """The kind of engine a part belongs to: as its engine's serial was entered, else the only one that takes the
        part's family; None where neither says."""
        measured = self.measured_engine(part.engine_serial)
        if measured is not None:
            return self.engines.get(measured.engine_id)
        fits = [e for e in self.engines.values() if part.family_id in (*e.head_family_ids, *e.case_family_ids)]
        return fits[0] if len(fits) == 1 else None

    def measured_engine(self, serial: str) -> MeasuredEngine | None:
        """What was measured on the engine with this serial number, if anything."""
        wanted = serial.strip().casefold()
        return next((m for m in self.measured_engines.values() if wanted and m.serial.casefold() == wanted), None)

    def open_jobs(self) -> tuple[Job, ...]:
        """Jobs still to be cut, by id."""
        return tuple(j for _, j in sorted(self.jobs.items()) if j.state.is_open)
