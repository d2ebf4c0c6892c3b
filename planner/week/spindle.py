"""What a machine's last spindle check means for the families queued on it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from planner.cut.estimate import JobEstimate
from planner.errors import InputError
from planner.face import TramEffect, tram_effect
from planner.shop import EndOfPass, Machine, Shop, TramReading
from planner.units import Units, minutes_words


@dataclass(frozen=True)
class FamilyUnderSpindle:
    """One family's face under the spindle as it was last checked: the effect, the face's limits, and one traverse by both
    end-of-pass rules. ``spoils``: hollow or lean alone would break a limit; None where the face has no limit."""

    family: str
    face: str
    effect: TramEffect
    flatness_mm: float | None
    parallel_mm: float | None
    when_cut_minutes: float
    run_clear_minutes: float

    @property
    def spoils(self) -> bool | None:
        hollow = None if self.flatness_mm is None else self.effect.hollow_mm > self.flatness_mm
        lean = None if not self.parallel_mm else abs(self.effect.out_of_parallel_mm) > self.parallel_mm
        known = [verdict for verdict in (hollow, lean) if verdict is not None]
        return any(known) if known else None

    def words(self, units: Units) -> str:
        """The family with its hollow and lean."""
        effect = self.effect
        return (
            f"{self.family} {self.face}: hollow {units.depth(effect.hollow_mm)}, "
            f"{units.depth(abs(effect.out_of_parallel_mm))} out of parallel across"
        )


@dataclass(frozen=True)
class SpindleCheck:
    """A machine's last check and what it does to each family queued on it. ``may_stop_when_cut``: the trailing edge runs
    clear of what was cut (along positive: the trailing side is high); None while there is no check."""

    machine: str
    end_of_pass: EndOfPass
    last: TramReading | None
    families: tuple[FamilyUnderSpindle, ...] = ()

    @property
    def may_stop_when_cut(self) -> bool | None:
        return None if self.last is None else self.last.along_mm > 0

    @property
    def spoiled(self) -> tuple[FamilyUnderSpindle, ...]:
        return tuple(f for f in self.families if f.spoils)

    def date_words(self) -> str:
        return "never checked, no tram reading entered" if self.last is None else f"checked {self.last.on:%d %b %Y}"

    def warnings(self, units: Units) -> tuple[str, ...]:
        """What has to be known before cutting on this machine; empty where nothing is wrong."""
        said = [f"spindle out of tram for {f.words(units)}: tram it first" for f in self.spoiled]
        if self.may_stop_when_cut is False and self.end_of_pass is EndOfPass.WHEN_CUT:
            said.append("the trailing side is not high: the cutter marks the face again, let every pass run clear")
        return tuple(said)

    def pass_words(self) -> str:
        """Whether a pass may stop when cut, with both times of the first family; empty while nothing is known."""
        if self.may_stop_when_cut is None or not self.families:
            return ""
        first = self.families[0]
        both = (
            f"{minutes_words(first.when_cut_minutes)} when cut, {minutes_words(first.run_clear_minutes)} run clear "
            f"({first.family})"
        )
        return ("a pass may stop when cut: " if self.may_stop_when_cut else "passes must run clear: ") + both


def spindle_check(shop: Shop, machine: Machine, estimates: Iterable[JobEstimate]) -> SpindleCheck:
    """The last check of a machine against the faces of the jobs queued on it, each family's face once.

    ``estimates``: of the jobs, with their setup on this machine; others are passed over.
    """
    last = max(machine.tram, key=lambda t: t.on, default=None)
    found: dict[tuple[str, str], FamilyUnderSpindle] = {}
    for estimate in estimates:
        setup = estimate.setup
        if last is None or setup is None or setup.machine.id != machine.id or estimate.job_id not in shop.jobs:
            continue
        job = shop.jobs[estimate.job_id]
        family, face = shop.family_of(shop.part_of(job)), shop.face_of(job)
        if (family.name, face.name) in found:
            continue
        width = face.width_mm / setup.finish.lanes
        try:
            effect = tram_effect(last.along_mm, last.across_mm, last.sweep_mm, setup.cutter.diameter_mm, width)
        except InputError:  # wider than the cutter even in lanes: no such setup is offered
            continue
        found[family.name, face.name] = FamilyUnderSpindle(
            family.name,
            face.name,
            effect,
            face.flatness_mm,
            face.parallel_limit_mm,
            setup.finish.when_cut_minutes,
            setup.finish.run_clear_minutes,
        )
    return SpindleCheck(machine.name, machine.end_of_pass, last, tuple(found.values()))
