"""Records of cuts: passes, edges used, minutes, how it ended. Frozen; construction refuses the impossible."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from planner.errors import InputError, not_negative, positive, whole
from planner.shop.checks import all_of, choice, maybe, moment, setter, text


class PassReason(StrEnum):
    """Why a pass was made. Only searching passes teach the clean-up depth."""

    KISS = "kiss"
    SEARCH = "search"
    FINISH = "finish"
    MATCH = "match"
    TOOL_MARK = "tool mark"


def dye_place(dye_left: str) -> str:
    """The place in what was said of left dye, how much and then where: "one spot, middle" -> "middle"."""
    return dye_left.partition(",")[2].strip()


@dataclass(frozen=True)
class PassRecord:
    """One traverse as it was done. ``total_mm`` is depth below first contact after it (instrument depth if δ is
    unknown); ``clean`` None = nobody looked."""

    total_mm: float
    reason: PassReason = PassReason.SEARCH
    finishing: bool = False
    clean: bool | None = None
    dye_left: str = ""
    reading: str = ""
    at: datetime | None = None

    def __post_init__(self) -> None:
        put = setter(self)
        put("total_mm", not_negative("pass.total_mm", self.total_mm))
        put("reason", choice("pass.reason", self.reason, PassReason))
        put("dye_left", text("pass.dye_left", self.dye_left, longest=60))
        put("reading", text("pass.reading", self.reading, longest=40))
        put("at", maybe(moment, "pass.at", self.at))

    @property
    def dye_place(self) -> str:
        """Where the dye was left, empty when nobody said."""
        return dye_place(self.dye_left)


class Outcome(StrEnum):
    """How a cut ended."""

    FINISHED = "finished"
    NOT_CLEAN = "stopped before clean"
    PAUSED = "paused"
    SCRAPPED = "scrapped"
    TO_WELD = "sent to weld"


@dataclass(frozen=True)
class EdgeUse:
    """What one cut did to one edge."""

    insert_id: int
    position: int
    path_mm: float
    swept_mm2: float

    def __post_init__(self) -> None:
        put = setter(self)
        put("position", whole("use.position", self.position, 1))
        put("path_mm", not_negative("use.path_mm", self.path_mm))
        put("swept_mm2", not_negative("use.swept_mm2", self.swept_mm2))


TIMED_STEPS = (
    "load",
    "sweep",
    "shim_round",
    "clamp",
    "dye",
    "dry",
    "touch_off",
    "look",
    "partner_check",
    "unload",
    "measure",
    "edges",
    "wash",
    "intake",
    "index",
)
"""Steps whose minutes a record may hold, named as in `planner.shop.starting.StepMinutes`."""


@dataclass(frozen=True)
class Cut:
    """The record of a cut: append-only; a mistake is corrected by an entry that reverses it (``reverses_id``).

    ``step_minutes``: what the steps around the traverses took as clocked, by the names of `TIMED_STEPS`; of a step done
    several times (look, shim round) the mean of one. A step nobody clocked is left out. ``feed_mm``: feed per insert of
    the last pass, which made the roughness read. ``speed_m_min``: surface speed it ran at, of which edge wear depends.
    """

    job_id: int | None
    part_id: int
    face_id: int
    ended: datetime
    stop_depth_mm: float
    id: int | None = None
    started: datetime | None = None
    machine_id: int | None = None
    cutter_id: int | None = None
    grade_id: int | None = None
    recipe_id: int | None = None
    by: str = ""
    outcome: Outcome = Outcome.FINISHED
    passes: tuple[PassRecord, ...] = ()
    clean_lower_mm: float | None = None
    clean_upper_mm: float | None = None
    touch_place: str = ""
    delta_mm: float | None = None
    paper_mm: float = 0.0
    heights_mm: dict[str, float] = field(default_factory=dict)
    ra_um: tuple[float, ...] = ()
    feed_mm: float | None = None
    speed_m_min: float | None = None
    uses: tuple[EdgeUse, ...] = ()
    planned_depth_mm: float | None = None
    allowed_depth_mm: float | None = None
    planned_passes: int | None = None
    planned_minutes: float | None = None
    attended_minutes: float | None = None
    unattended_minutes: float | None = None
    step_minutes: Mapping[str, float] = field(default_factory=dict)
    looks: str = ""
    note: str = ""
    reverses_id: int | None = None
    correction: str = ""

    def __post_init__(self) -> None:
        put = setter(self)
        put("ended", moment("cut.ended", self.ended))
        put("started", maybe(moment, "cut.started", self.started))
        if self.started is not None and self.started > self.ended:
            raise InputError("cut.started", self.started, f"a time before its end, {self.ended}")
        for name in ("stop_depth_mm", "paper_mm"):
            put(name, not_negative(f"cut.{name}", getattr(self, name)))
        for name in (
            "clean_lower_mm",
            "delta_mm",
            "feed_mm",
            "planned_depth_mm",
            "allowed_depth_mm",
            "planned_minutes",
            "attended_minutes",
            "unattended_minutes",
        ):
            put(name, maybe(not_negative, f"cut.{name}", getattr(self, name)))
        put("speed_m_min", maybe(positive, "cut.speed_m_min", self.speed_m_min))
        if self.clean_upper_mm is not None and self.clean_upper_mm < (self.clean_lower_mm or 0):
            raise InputError("cut.clean_upper_mm", self.clean_upper_mm, "at least the depth that was not clean")
        put("outcome", choice("cut.outcome", self.outcome, Outcome))
        put("passes", all_of("cut.passes", self.passes, PassRecord))
        put("uses", all_of("cut.uses", self.uses, EdgeUse))
        put("ra_um", tuple(positive("cut.ra_um", r) for r in self.ra_um))
        put(
            "heights_mm",
            {text("cut.heights", k, required=True): positive("cut.heights_mm", v) for k, v in self.heights_mm.items()},
        )
        for step in self.step_minutes:
            if step not in TIMED_STEPS:
                raise InputError("cut.step_minutes", step, "a step of the run sheet: " + ", ".join(TIMED_STEPS))
        put("step_minutes", {k: not_negative(f"cut.step_minutes.{k}", v) for k, v in self.step_minutes.items()})
        for name, longest in (("by", 40), ("touch_place", 60), ("looks", 60), ("note", 2000), ("correction", 500)):
            put(name, text(f"cut.{name}", getattr(self, name), longest=longest))
        if self.reverses_id is not None and not self.correction:
            raise InputError("cut.correction", self.correction, "the reason why the earlier entry is reversed")
