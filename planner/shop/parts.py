"""Families, parts, jobs and matched sets. Frozen; construction refuses the impossible."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from planner.errors import InputError, finite, not_negative, positive
from planner.shop.checks import all_of, choice, maybe, moment, setter, text, unique
from planner.shop.faces import Face
from planner.shop.materials import material


class PartKind(StrEnum):
    HEAD = "head"
    CASE_HALF = "case half"


class Condition(StrEnum):
    LIGHT = "light"
    NORMAL = "normal"
    WARPED = "warped"
    CORRODED = "corroded"
    HEAVILY_CORRODED = "heavily corroded"
    DAMAGED = "damaged"
    WELDED = "welded"
    CAST_SKIN = "cast skin"
    UNKNOWN = "unknown"


class GateKind(StrEnum):
    """A step of the route."""

    CLEAN = "clean"
    CRACK_CHECK = "crack check"
    PRESSURE_TEST = "pressure test"
    STRAIGHTEN = "straighten"
    WELD = "weld"
    MEASURE = "measure"
    CUT = "cut"
    AFTER_WORK = "after-work"
    LINE_BORE = "line bore"
    INTAKE_CORRECTION = "intake correction"


BEFORE_THE_CUT = (
    GateKind.CLEAN,
    GateKind.CRACK_CHECK,
    GateKind.PRESSURE_TEST,
    GateKind.STRAIGHTEN,
    GateKind.WELD,
    GateKind.MEASURE,
)


class GateState(StrEnum):
    OPEN = "open"
    DONE = "done"
    FAILED = "failed"
    NOT_NEEDED = "not needed"


class Aim(StrEnum):
    """What a job is for."""

    TILL_CLEAN = "till clean"
    TO_DEPTH = "to a depth"


class DueKind(StrEnum):
    """What the due time means: the part ready on the shelf, or the assembly that starts then."""

    READY = "ready"
    ASSEMBLY = "assembly starts"


class JobState(StrEnum):
    WAITING = "waiting"
    RUNNING = "running"
    CUT = "cut"
    FINISHED = "finished"
    WITHDRAWN = "withdrawn"

    @property
    def is_open(self) -> bool:
        """Still to be cut."""
        return self in (JobState.WAITING, JobState.RUNNING)


class PartState(StrEnum):
    IN_SHOP = "in the shop"
    EXPECTED = "expected"
    SHELF = "on the shelf"
    GONE = "gone"
    SCRAPPED = "scrapped"


@dataclass(frozen=True)
class Family:
    """A drawing: kind of part, material, faces. Only name, material and one face's size are needed."""

    name: str
    material: str
    faces: tuple[Face, ...]
    id: int | None = None
    kind: PartKind = PartKind.HEAD
    fixture: str = ""
    blocks: str = ""
    weight_kg: float | None = None
    replacement_price: float | None = None
    hoist: bool = False
    one_off: bool = False
    notes: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("family.name", self.name, required=True, longest=80))
        put("material", material("family.material", self.material))
        put("kind", choice("family.kind", self.kind, PartKind))
        put("faces", all_of("family.faces", self.faces, Face))
        if not self.faces:
            raise InputError("family.faces", self.faces, "at least one face")
        unique("family.faces", (f.name for f in self.faces), "face's name")
        for name, longest in (("fixture", 80), ("blocks", 120), ("notes", 2000)):
            put(name, text(f"family.{name}", getattr(self, name), longest=longest))
        put("weight_kg", maybe(positive, "family.weight_kg", self.weight_kg))
        put("replacement_price", maybe(not_negative, "family.replacement_price", self.replacement_price))

    def face(self, face_id: int | None) -> Face:
        """The face with this id, or the first one for None; raise `InputError` when it has none such."""
        if face_id is None:
            return self.faces[0]
        for face in self.faces:
            if face.id == face_id:
                return face
        raise InputError("face_id", face_id, f"a face of family {self.name}")


@dataclass(frozen=True)
class Gate:
    """One step of a part's route. Done needs initials and a date; ``at`` its minute, where somebody knows it."""

    kind: GateKind
    state: GateState = GateState.OPEN
    initials: str = ""
    on: date | None = None
    note: str = ""
    at: datetime | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        put("kind", choice("gate.kind", self.kind, GateKind))
        put("at", maybe(moment, "gate.at", self.at))
        put("state", choice("gate.state", self.state, GateState))
        put("initials", text("gate.initials", self.initials, longest=8))
        put("note", text("gate.note", self.note, longest=300))
        if self.state is GateState.DONE and (not self.initials or self.on is None):
            raise InputError("gate.initials", self.initials, "initials and a date for a gate that is done")
        if self.at is not None and (self.on is None or self.at.date() != self.on):
            raise InputError("gate.at", self.at, "a minute of the day it was done")


@dataclass(frozen=True)
class Hold:
    """The part waits for somebody."""

    waiting_for: str
    reason: str
    since: date
    id: int | None = None
    ended: date | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        put("waiting_for", text("hold.waiting_for", self.waiting_for, required=True, longest=60))
        put("reason", text("hold.reason", self.reason, required=True, longest=300))
        if not isinstance(self.since, date):
            raise InputError("hold.since", self.since, "a date")
        if self.ended is not None and self.ended < self.since:
            raise InputError("hold.ended", self.ended, f"a date from {self.since} on")


class HeightStage(StrEnum):
    ARRIVED = "as arrived"
    FINISHED = "finished"
    CHECK = "clamped check"


@dataclass(frozen=True)
class HeightReading:
    """A measured height at a named point of a face. ``repeatability_mm`` comes from the instrument used."""

    face_id: int
    point: str
    height_mm: float
    at: datetime
    stage: HeightStage = HeightStage.ARRIVED
    instrument: str = ""
    repeatability_mm: float | None = None
    temperature_c: float | None = None
    by: str = ""

    def __post_init__(self) -> None:
        put = setter(self)
        put("point", text("height.point", self.point, required=True, longest=40))
        put("height_mm", positive("height.height_mm", self.height_mm))
        put("at", moment("height.at", self.at))
        put("stage", choice("height.stage", self.stage, HeightStage))
        put("instrument", text("height.instrument", self.instrument, longest=60))
        put("repeatability_mm", maybe(not_negative, "height.repeatability_mm", self.repeatability_mm))
        put("temperature_c", maybe(finite, "height.temperature_c", self.temperature_c))
        put("by", text("height.by", self.by, longest=40))


@dataclass(frozen=True)
class DepthReading:
    """A dimension of the part that changes with the cut, as measured: the line's name in the face's table, mm.

    ``how`` empty = measured; otherwise the operation after which it was: the value it was restored to.
    """

    face_id: int
    name: str
    value_mm: float
    at: datetime
    how: str = ""
    by: str = ""

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("depth.name", self.name, required=True, longest=60))
        put("value_mm", finite("depth.value_mm", self.value_mm))
        put("at", moment("depth.at", self.at))
        put("how", text("depth.how", self.how, longest=120))
        put("by", text("depth.by", self.by, longest=40))


@dataclass(frozen=True)
class Part:
    """One physical head or case half. ``depths`` are measured on this very part: parts of one family differ."""

    tag: str
    family_id: int
    id: int | None = None
    work_order: str = ""
    engine_serial: str = ""
    position: str = ""
    casting_number: str = ""
    part_number: str = ""
    owner: str = ""
    source: str = ""
    second_mark: str = ""
    condition: Condition = Condition.UNKNOWN
    state: PartState = PartState.IN_SHOP
    expected_on: date | None = None
    route: tuple[Gate, ...] = ()
    holds: tuple[Hold, ...] = ()
    heights: tuple[HeightReading, ...] = ()
    depths: tuple[DepthReading, ...] = ()
    removed_before_mm: float | None = None
    agreed_depth_mm: float | None = None
    agreed_by: str = ""
    replacement_price: float | None = None
    notes: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("tag", text("part.tag", self.tag, required=True, longest=40))
        if not isinstance(self.family_id, int):
            raise InputError("part.family_id", self.family_id, "a family")
        for name, longest in (
            ("work_order", 40),
            ("engine_serial", 60),
            ("position", 40),
            ("casting_number", 60),
            ("part_number", 60),
            ("owner", 80),
            ("source", 80),
            ("second_mark", 60),
            ("agreed_by", 80),
            ("notes", 2000),
        ):
            put(name, text(f"part.{name}", getattr(self, name), longest=longest))
        put("condition", choice("part.condition", self.condition, Condition))
        put("state", choice("part.state", self.state, PartState))
        put("route", all_of("part.route", self.route, Gate))
        unique("part.route", (g.kind for g in self.route), "gate")
        put("holds", all_of("part.holds", self.holds, Hold))
        put("heights", all_of("part.heights", self.heights, HeightReading))
        put("depths", all_of("part.depths", self.depths, DepthReading))
        put("removed_before_mm", maybe(not_negative, "part.removed_before_mm", self.removed_before_mm))
        put("agreed_depth_mm", maybe(positive, "part.agreed_depth_mm", self.agreed_depth_mm))
        put("replacement_price", maybe(not_negative, "part.replacement_price", self.replacement_price))

    @property
    def open_gates(self) -> tuple[Gate, ...]:
        """Gates before the cut that are not passed yet (open or failed)."""
        return tuple(
            g for g in self.route if g.kind in BEFORE_THE_CUT and g.state in (GateState.OPEN, GateState.FAILED)
        )

    @property
    def open_holds(self) -> tuple[Hold, ...]:
        return tuple(h for h in self.holds if h.ended is None)

    @property
    def waits_for(self) -> tuple[str, ...]:
        """Why the part may not go on the machine, in words; empty when it may."""
        said = []
        if self.state is PartState.EXPECTED:
            said.append(f"part expected {self.expected_on:%a %d %b}" if self.expected_on else "part not in yet")
        for gate in self.open_gates:
            said.append(
                f"{gate.kind.value} failed" if gate.state is GateState.FAILED else f"{gate.kind.value} not done"
            )
        said.extend(f"{h.waiting_for}: {h.reason}" for h in self.open_holds)
        return tuple(said)

    def latest_depth(self, face_id: int | None, name: str) -> DepthReading | None:
        """The last reading of one line of a face's table, of one minute the one told last; None where nobody measured it
        on this part."""
        found = [d for d in self.depths if d.face_id == face_id and d.name == name]
        return max(reversed(found), key=lambda d: d.at, default=None)

    def latest_heights_mm(self, face_id: int | None) -> dict[str, HeightReading]:
        """The last reading at each named point of a face; checks while clamped are left out: the part still changes."""
        latest: dict[str, HeightReading] = {}
        for reading in self.heights:
            if reading.face_id == face_id and reading.stage is not HeightStage.CHECK:
                known = latest.get(reading.point)
                if known is None or reading.at >= known.at:
                    latest[reading.point] = reading
        return latest


@dataclass(frozen=True)
class Job:
    """Cuts one face of one part. ``due`` and ``not_before`` are on the shop's clock."""

    part_id: int
    face_id: int
    id: int | None = None
    aim: Aim = Aim.TILL_CLEAN
    depth_mm: float | None = None
    due: datetime | None = None
    due_kind: DueKind = DueKind.READY
    weight: float = 1.0
    state: JobState = JobState.WAITING
    gasket_id: int | None = None
    not_before: datetime | None = None
    machine_id: int | None = None
    rush: bool = False
    note: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        for name in ("part_id", "face_id"):
            if not isinstance(getattr(self, name), int):
                raise InputError(f"job.{name}", getattr(self, name), "a stored " + name.removesuffix("_id"))
        put("aim", choice("job.aim", self.aim, Aim))
        put("depth_mm", maybe(positive, "job.depth_mm", self.depth_mm))
        if self.aim is Aim.TO_DEPTH and self.depth_mm is None:
            raise InputError("job.depth_mm", None, "a depth for a job cut to a depth")
        put("due", maybe(moment, "job.due", self.due))
        put("due_kind", choice("job.due_kind", self.due_kind, DueKind))
        put("weight", positive("job.weight", self.weight))
        put("state", choice("job.state", self.state, JobState))
        put("not_before", maybe(moment, "job.not_before", self.not_before))
        put("note", text("job.note", self.note, longest=500))


@dataclass(frozen=True)
class MatchedSet:
    """Jobs whose faces must end at a similar height.

    tolerance_mm: greatest difference that counts as matched; aim_mm: what is planned for; stop_mm: greatest mismatch
    that somebody may agree to (both None = the shop's own). gang: members are on the table together, cut by the same
    traverse; same_blocks: on the same blocks with the same zero, so that the second is cut to the first's reading;
    split_agreed_by: who agreed that members may go to different machines ("" = they stay together).
    """

    name: str
    job_ids: tuple[int, ...]
    id: int | None = None
    tolerance_mm: float = 0.0762
    aim_mm: float | None = None
    stop_mm: float | None = None
    relative_to_nominal: bool = False
    gang: bool = False
    same_blocks: bool = False
    accepted_mismatch_mm: float | None = None
    accepted_by: str = ""
    split_agreed_by: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        put = setter(self)
        put("name", text("set.name", self.name, required=True, longest=80))
        put("job_ids", tuple(self.job_ids))
        unique("set.job_ids", self.job_ids, "job")
        if len(self.job_ids) < 2:
            raise InputError("set.job_ids", self.job_ids, "two or more jobs")
        put("tolerance_mm", positive("set.tolerance_mm", self.tolerance_mm))
        put("aim_mm", maybe(not_negative, "set.aim_mm", self.aim_mm))
        put("stop_mm", maybe(not_negative, "set.stop_mm", self.stop_mm))
        if self.aim_mm is not None and self.aim_mm > self.tolerance_mm:
            raise InputError("set.aim_mm", self.aim_mm, f"at most the tolerance, {self.tolerance_mm:g} mm")
        if self.stop_mm is not None and self.stop_mm < self.tolerance_mm:
            raise InputError("set.stop_mm", self.stop_mm, f"at least the tolerance, {self.tolerance_mm:g} mm")
        put("accepted_mismatch_mm", maybe(not_negative, "set.accepted_mismatch_mm", self.accepted_mismatch_mm))
        put("accepted_by", text("set.accepted_by", self.accepted_by, longest=80))
        put("split_agreed_by", text("set.split_agreed_by", self.split_agreed_by, longest=80))
        if self.accepted_mismatch_mm is not None and not self.accepted_by:
            raise InputError("set.accepted_by", self.accepted_by, "who accepted the mismatch")
