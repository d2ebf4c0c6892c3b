"""What a person must be told about a job before it is cut. Each flag is words with lengths to be shown in the
person's units, and how serious it is: "stop" = do not cut before somebody decides, "look" = know it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from planner.cut.running import RunState
from planner.shop import Aim, Face, Family, Job, Part, Shop, starting
from planner.shop.materials import MATERIALS
from planner.units import Units

if TYPE_CHECKING:
    from planner.cut.estimate import JobEstimate

STOP, LOOK = "stop", "look"
NOT_BEGUN = ("agreed", "below limit", "not worth")
"""Codes of the flags that say why a job is not begun."""


@dataclass(frozen=True)
class Flag:
    """``text`` may hold {0}, {1}: depths mm from ``depths_mm``, or roughness µm from ``ra_um`` as {r0}, {r1}."""

    code: str
    level: str
    text: str
    depths_mm: tuple[float, ...] = ()
    ra_um: tuple[float, ...] = ()

    def words(self, units: Units) -> str:
        """The flag as a sentence in the person's units."""
        named = {f"r{i}": units.ra(value) for i, value in enumerate(self.ra_um)}
        said = self.text.format(*(units.depth(d) for d in self.depths_mm), **named)
        return said[:1].upper() + said[1:]


def job_flags(
    estimate: JobEstimate,
    shop: Shop,
    job: Job,
    part: Part,
    family: Family,
    face: Face,
    normal_allow_mm: float,
    run: RunState | None = None,
) -> tuple[Flag, ...]:
    """All flags of an estimate, the serious ones first. ``run``: its run sheet so far."""
    found: list[Flag] = []
    if estimate.setup is None:
        why = "; ".join(estimate.against) or "no machine can take this face"
        found.append(Flag("no recipe", STOP, why.replace("{", "(").replace("}", ")")))
    if run is not None and run.passes and not estimate.worth_cutting:
        found.append(_stop_and_call(estimate, part, run))
    else:
        found += _limit_flags(estimate, part, family)
    found += _roughness_flags(estimate)
    material = MATERIALS[family.material]
    if material.never_unattended:
        text = "{}: dry, sharp edge, chips kept dry, class D powder at hand, never unattended; a person confirms first"
        found.append(Flag("magnesium", STOP, text.format(material.name)))
    # a one-off has no normal of its own
    if job.aim is Aim.TILL_CLEAN and not family.one_off and estimate.stop_likely_mm > normal_allow_mm * 1.001:
        text = "deeper than this family's normal: likely {0}, normally at most {1}"
        found.append(Flag("deep", LOOK, text, (estimate.stop_likely_mm, normal_allow_mm)))
    if face.ferrous_inserts and not material.ferrous:
        found.append(Flag("ferrous", LOOK, "iron or steel stands in the face: only a grade that may meet it"))
    if face.cover_bolted:
        found.append(Flag("cover", LOOK, "cut with its cover bolted on"))
    if estimate.setup is not None:
        found += [Flag("feed", LOOK, note) for note in estimate.setup.notes]
    order = {STOP: 0, LOOK: 1}
    return tuple(sorted(found, key=lambda f: order[f.level]))


def _stop_and_call(estimate: JobEstimate, part: Part, run: RunState) -> Flag:
    """A job under way that is not clean and must not go on."""
    room, agreed = estimate.room.in_hand_mm, part.agreed_depth_mm
    if agreed is not None and (room is None or agreed <= room + 1e-9):
        text = "not clean at {0}, the next pass would go past the agreed {1}: stop and call the customer"
        return Flag("agreed", STOP, text, (run.removed_mm, agreed))
    if room is not None:
        text = "not clean at {0}, the next pass would go past the {1} in hand: stop and call; weld, thicker gasket or replace"
        return Flag("below limit", STOP, text, (run.removed_mm, room))
    return Flag(
        "stop and call", STOP, "not clean at {0}, no further pass is worth it: stop and call", (run.removed_mm,)
    )


def _limit_flags(estimate: JobEstimate, part: Part, family: Family) -> list[Flag]:
    found, room = [], estimate.room
    agreed = part.agreed_depth_mm
    if not estimate.worth_cutting and estimate.setup is not None:
        found.append(_not_begun(estimate, agreed))
    if room.before_mm is None:
        if "limit" in room.basis:
            found.append(Flag("no limit", LOOK, "no limit known, ask"))
            usual = starting.GREATEST_TOTAL_MM.get(family.material)
            total = room.removed_mm + estimate.stop_likely_mm
            if usual is not None and total > usual:
                text = "{0} in total is more than the {1} usually taken where no limit is known"
                found.append(Flag("much", STOP, text, (total, usual)))
        else:
            found.append(Flag("not measured", LOOK, "no height measured yet: what is left above the limit is unknown"))
    elif estimate.worth_cutting:
        if estimate.left_likely_mm < -1e-9:
            found.append(Flag("below limit", STOP, "likely to end {0} below the limit", (-estimate.left_likely_mm,)))
        elif estimate.left_allow_mm < -1e-9:
            text = "may end {0} below the limit if it needs the allowed depth"
            found.append(Flag("below limit", LOOK, text, (-estimate.left_allow_mm,)))
        elif estimate.rebuilds_left == 0:
            found.append(Flag("last", LOOK, "less than one rebuild left after this cut"))
    if room.earlier_unknown and room.before_mm is not None:
        found.append(Flag("earlier", LOOK, "cuts before this shop's record are unknown"))
    if agreed is not None and estimate.stop_allow_mm > agreed + 1e-9:
        text = "may need {0}, the customer agreed to {1}: stop there and call"
        likely = estimate.stop_likely_mm > agreed + 1e-9
        found.append(Flag("agreed", STOP if likely else LOOK, text, (estimate.stop_allow_mm, agreed)))
    if estimate.chance_uncleaned > 0.2 and estimate.worth_cutting:
        found.append(Flag("uncleaned", STOP, "may well reach the limit before it is clean"))
    return found


def _not_begun(estimate: JobEstimate, agreed: float | None) -> Flag:
    in_hand = estimate.room.in_hand_mm
    if agreed is not None and (in_hand is None or agreed < in_hand):
        text = "hardly clean within the agreed {0}: call the customer before beginning"
        return Flag("agreed", STOP, text, (agreed,))
    if in_hand is not None:
        text = "only {0} in hand above the limit: not worth beginning; thicker gasket, weld, or replace"
        return Flag("below limit", STOP, text, (in_hand,))
    return Flag("not worth", STOP, "no pass is worth beginning: thicker gasket, weld, or replace")


def _roughness_flags(estimate: JobEstimate) -> list[Flag]:
    least, greatest = estimate.band_um
    low, high = estimate.ra_least_um, estimate.ra_greatest_um
    if estimate.setup is None or (least is None and greatest is None):
        return []
    if low is None:
        return [Flag("ra", LOOK, "the insert's corner is not entered: Ra cannot be foreseen")]
    found = []
    if greatest is not None and high > greatest * 1.000001:
        text = "Ra not reachable: {r0} expected, the gasket allows {r1}"
        found.append(Flag("ra rough", STOP, text, ra_um=(high, greatest)))
    if least is not None and low < least * 0.999999:
        text = "too smooth: {r0} expected, the gasket wants at least {r1}"
        found.append(Flag("ra smooth", LOOK, text, ra_um=(low, least)))
    return found
