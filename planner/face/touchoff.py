"""What stands on the depth instrument: touch-off beside the highest place, on feeler paper, count up or down.

delta = height of first contact less height of the touch-off place, from the survey as now shimmed. With the zero set at
the touch-off place on paper of thickness t, the depth d below first contact reads d - delta + t.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from planner.errors import InputError, finite, finite_array, not_negative, positive


def touch_off_delta(points: object, touch: object, slopes: object = (0, 0)) -> float:
    """How far the touch-off place stands below first contact, mm, 0 or more.

    ``points`` (n, 3) mm, the survey as now shimmed and clamped: a re-shim or re-clamp makes it void. ``touch``: index
    of the surveyed point touched, or its (x, y, z). A touch above every surveyed point is first contact itself: 0.
    """
    survey = finite_array("points", points, (None, 3))
    tilt = finite_array("slopes", slopes, (2,))
    if not len(survey):
        raise InputError("points", points, "at least one point")
    if isinstance(touch, (int, np.integer)) and not isinstance(touch, bool):
        if not 0 <= touch < len(survey):
            raise InputError("touch", touch, f"0 to {len(survey) - 1}")
        place = survey[touch]
    else:
        place = finite_array("touch", touch, (3,))
    level = survey[:, 2] - survey[:, :2] @ tilt
    return max(0.0, float(level.max() - (place[2] - place[:2] @ tilt)))


@dataclass(frozen=True)
class TouchOff:
    """A zero of the depth instrument.

    delta_mm: `touch_off_delta`, or None without a survey. paper_mm: feeler paper under the cutter, 0 if it touches.
    at_touch_mm: what the instrument showed there, 0 if it was zeroed. counts_up: deeper reads more. per_turn_mm: of a
    dial, None for a readout or bar. step_mm: least step that can be set, 0 for none.
    """

    delta_mm: float | None
    paper_mm: float = 0.0
    at_touch_mm: float = 0.0
    counts_up: bool = True
    per_turn_mm: float | None = None
    step_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.delta_mm is not None:
            not_negative("delta_mm", self.delta_mm)
        not_negative("paper_mm", self.paper_mm)
        finite("at_touch_mm", self.at_touch_mm)
        not_negative("step_mm", self.step_mm)
        if self.per_turn_mm is not None:
            positive("per_turn_mm", self.per_turn_mm)

    def down_mm(self, depth_mm: float, usual_out_of_flat_mm: float | None = None) -> float:
        """Travel down from the touch-off setting to ``depth_mm`` below first contact; negative: a raised setting."""
        return finite("depth_mm", depth_mm) - self._delta(usual_out_of_flat_mm) + self.paper_mm

    def reading_mm(self, depth_mm: float, usual_out_of_flat_mm: float | None = None) -> float:
        """What the instrument shows at ``depth_mm`` below first contact."""
        down = self.down_mm(depth_mm, usual_out_of_flat_mm)
        return self.at_touch_mm + (down if self.counts_up else -down)

    def depth_mm(self, reading_mm: float) -> float | None:
        """Depth below first contact at a reading; None while delta is unknown."""
        if self.delta_mm is None:
            return None
        travel = finite("reading_mm", reading_mm) - self.at_touch_mm
        return (travel if self.counts_up else -travel) + self.delta_mm - self.paper_mm

    def to_go_mm(self, reading_mm: float, depth_mm: float, usual_out_of_flat_mm: float | None = None) -> float:
        """How far down is still to go from a reading to ``depth_mm``."""
        ahead = self.reading_mm(depth_mm, usual_out_of_flat_mm) - finite("reading_mm", reading_mm)
        return ahead if self.counts_up else -ahead

    def settable_depth_mm(self, depth_mm: float, deeper: bool = True) -> float:
        """``depth_mm`` moved to the next reading that can be set, deeper or shallower; as it is without a step."""
        if not self.step_mm:
            return finite("depth_mm", depth_mm)
        reading = self.reading_mm(depth_mm, 0.0)
        up = deeper == self.counts_up
        steps = reading / self.step_mm
        near = round(steps)
        whole = near if abs(steps - near) < 1e-9 * max(1.0, abs(steps)) else (math.ceil if up else math.floor)(steps)
        shift = whole * self.step_mm - reading
        return depth_mm + (shift if self.counts_up else -shift)

    def dial(self, reading_mm: float) -> tuple[int, float]:
        """Whole turns of the dial, and what its hand shows within the turn, mm; turns 0 without a dial."""
        reading = finite("reading_mm", reading_mm)
        if self.per_turn_mm is None:
            return 0, reading
        turns = math.floor(reading / self.per_turn_mm + 1e-9)
        return turns, max(0.0, reading - turns * self.per_turn_mm)

    def height_lost_at_touch_mm(self, reading_mm: float) -> float:
        """Height lost at the touch-off place itself, whatever delta was: why to measure the height there."""
        travel = finite("reading_mm", reading_mm) - self.at_touch_mm
        return max(0.0, (travel if self.counts_up else -travel) - self.paper_mm)

    def first_traverse(self, pass_mm: float, greatest_mm: float, usual_out_of_flat_mm: float | None = None):
        """The first traverse, ``pass_mm`` (0 to ``greatest_mm``) below first contact: a `FirstTraverse`."""
        greatest = positive("greatest_mm", greatest_mm)
        depth = not_negative("pass_mm", pass_mm)
        if depth > greatest:
            raise InputError("pass_mm", pass_mm, f"0 to the greatest pass, {greatest:g} mm")
        delta = self._delta(usual_out_of_flat_mm)
        down = depth - delta + self.paper_mm
        return FirstTraverse(
            reading_mm=self.reading_mm(depth, usual_out_of_flat_mm),
            raised_mm=max(0.0, -down),
            may_traverse_at_zero=delta - self.paper_mm <= greatest,
            assumed=self.delta_mm is None,
        )

    def _delta(self, usual_out_of_flat_mm: float | None) -> float:
        if self.delta_mm is not None:
            return float(self.delta_mm)
        if usual_out_of_flat_mm is None:
            accepted = "the family's usual out-of-flat while delta is unknown, or touch off again where it first marks"
            raise InputError("usual_out_of_flat_mm", None, accepted)
        return not_negative("usual_out_of_flat_mm", usual_out_of_flat_mm)


@dataclass(frozen=True)
class FirstTraverse:
    """reading_mm to set; raised_mm above the touch-off setting (0: not raised); may_traverse_at_zero: whether a
    traverse at the touch-off setting would stay within the greatest pass; assumed: delta is the family's, not surveyed.
    """

    reading_mm: float
    raised_mm: float
    may_traverse_at_zero: bool
    assumed: bool
