"""Which leaves to put under which support so that the face comes level to the travel, or parallel to its datum.

Lifting raises a reading, so leaves go under low places. The part is rigid: with the new stacks its face rises by
lift = plane through the new stacks less plane through the present ones. Every seat the part may take is predicted, and
the worst of them minimised.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planner.errors import finite_array, not_negative, whole
from planner.face.shim_search import Search, Task
from planner.face.stacks import open_box


@dataclass(frozen=True, eq=False)
class ShimPlan:
    """stacks: per support {thickness_mm: count}, all that shall lie there (not what to add). heights_mm (m,).

    residual_mm: max reading less min (reading - pit), against the goal, in the worst seat; before_mm: the same now.
    predicted (n,): what the indicator will read in the worst seat. predictions (s, n): in every seat, worst first;
    seats: the supports of each. rock_mm: widest gap under the part in any seat. leaves_used: number of leaves.
    """

    stacks: tuple[dict[float, int], ...]
    heights_mm: np.ndarray
    residual_mm: float
    before_mm: float
    predicted: np.ndarray
    predictions: np.ndarray
    seats: tuple[tuple[int, int, int], ...]
    rock_mm: float
    leaves_used: int


def choose_shims(
    supports: object,
    check_points: object,
    readings: object,
    leaves: object,
    rock_mm: float = 0.0,
    zero: int | None = 0,
    pits: object = None,
    present: object = None,
    max_leaves: int = 3,
    goal_slopes: object = (0, 0),
    *,
    centre_of_gravity: object = None,
) -> ShimPlan:
    """Stacks that leave the least range of readings; then the fewest leaves; then the least height.

    supports (m, 2) mm, 3 to 8, not on one line; check_points (n, 2) mm; readings (n,) mm, true, positive where the
    surface stands high; leaves {thickness_mm: count}, all the leaves there are, those under the part included.
    rock_mm: widest gap allowed between the part and a stack in any seat (0: every stack carries). zero: index of the
    check point where the indicator is set to zero for the re-reading; None: dial left alone. pits (n,) mm. present:
    per support the stack the readings were taken on, {thickness_mm: count} or a height; None: none. goal_slopes: slopes
    the face shall end with, (0, 0) level to the travel. For a cut parallel to the datum see `beside_datum`.
    At least one support stays empty. Raises `InputError`. Derived: a rigid part on three of its stacks; the search is
    exact.

    >>> corners = [[0, 0], [300, 0], [300, 120], [0, 120]]
    >>> plan = choose_shims(corners, corners, [0.1, 0.0, 0.0, 0.1], {0.05: 4})
    >>> plan.stacks, round(plan.residual_mm, 9)
    (({}, {0.05: 2}, {0.05: 2}, {}), 0.0)
    """
    task = Task.read(supports, check_points, readings, rock_mm, pits, present, goal_slopes, centre_of_gravity)
    n = len(task.readings)
    zero = zero_point(zero, n)
    box = open_box(leaves, max_leaves)
    search = Search(task, box)
    indices, ways = search.best()
    heights = box.heights[indices]
    seats, lifts, worst = task.outcomes(heights)
    order = np.argsort(-worst, kind="stable")
    predictions = task.readings + lifts[order]
    if zero is not None:
        predictions = predictions - predictions[:, [zero]]
    taken, gap = task.seating.seats(heights[None, :])
    return ShimPlan(
        stacks=tuple({float(s): int(c) for s, c in zip(box.sizes, way, strict=True) if c} for way in ways),
        heights_mm=heights,
        residual_mm=float(worst.max()),
        before_mm=float(task.span(task.target)),
        predicted=predictions[0],
        predictions=predictions,
        seats=tuple(seats[i] for i in order),
        rock_mm=float(max(0.0, gap[taken].max())),
        leaves_used=int(sum(map(sum, ways))),
    )


def zero_point(zero: object, points: int) -> int | None:
    """Index of the check point where the indicator is set to zero; None: the dial is left alone. Raises `InputError`."""
    return None if zero is None else whole("zero", zero, 0, points - 1)


@dataclass(frozen=True, eq=False)
class JackPlan:
    """moves_mm (m,): how far to turn each jack, up positive; residual_mm, before_mm and predicted as for shims."""

    moves_mm: np.ndarray
    residual_mm: float
    before_mm: float
    predicted: np.ndarray


def set_jacks(
    supports: object,
    check_points: object,
    readings: object,
    zero: int | None = 0,
    pits: object = None,
    goal_slopes: object = (0, 0),
    step_mm: float = 0.0,
) -> JackPlan:
    """How far to turn jack screws, three to eight all in contact, so that the face comes level; arguments as for shims.

    One jack stays as it is: the one that makes the greatest move smallest. With ``step_mm`` moves are whole steps; with
    more than three jacks rounding leaves gaps of about a step, and the figures are for the worst seat. Raises
    `InputError`.
    """
    task = Task.read(supports, check_points, readings, 0.0, pits, None, goal_slopes, None)
    n = len(task.readings)
    zero = zero_point(zero, n)
    step = not_negative("step_mm", step_mm)
    free = open_box({1e3 * max(1e-3, float(np.ptp(task.readings)) + float(task.pits.max())): 6}, 6)
    slopes, _ = Search(task, free).ideal()
    rise = task.seating.supports @ slopes
    moves = min((rise - pivot for pivot in rise), key=lambda m: np.abs(m).max())
    if step:
        moves = np.round(moves / step) * step
    _, lifts, worst = task.outcomes(moves)
    lift = lifts[int(np.argmax(worst))]
    predicted = task.readings + lift
    if zero is not None:
        predicted = predicted - predicted[zero]
    return JackPlan(moves + 0.0, float(worst.max()), float(task.span(task.target)), predicted)


def datum_readings(check_points: object, slopes: object) -> np.ndarray:
    """What an indicator would read on the datum itself at check_points (n, 2), for its slopes in survey coordinates (2,):
    with these as readings `choose_shims` and `set_jacks` bring the datum, not the face, level to the travel, so that
    the cut comes out parallel to it. Raises `InputError`."""
    return finite_array("check_points", check_points, (None, 2)) @ finite_array("datum_slopes", slopes, (2,))


def beside_datum(
    plan: ShimPlan | JackPlan,
    check_points: object,
    readings: object,
    slopes: object,
    zero: int | None = 0,
    pits: object = None,
) -> ShimPlan | JackPlan:
    """A plan made for `datum_readings`, told of the face: what the indicator will read on it, and its range now and then.

    check_points, readings (n,), zero and pits as given to `choose_shims`; slopes (2,): the datum's. Raises `InputError`.
    """
    values = finite_array("readings", readings, (len(plan.predicted),))
    depth = np.zeros(len(values)) if pits is None else finite_array("pits", pits, values.shape)
    stand_in = datum_readings(check_points, slopes)
    off = values - stand_in
    zero = zero_point(zero, len(values))
    if zero is not None:
        off = off - off[zero]

    def span(heights: np.ndarray) -> np.ndarray:
        return heights.max(axis=-1) - (heights - depth).min(axis=-1)

    if isinstance(plan, JackPlan):
        told = plan.predicted + off
        return replace(plan, predicted=told, residual_mm=float(span(told)), before_mm=float(span(values)))
    rows = plan.predictions + off
    worst = span(rows)
    order = np.argsort(-worst, kind="stable")
    return replace(
        plan,
        predicted=rows[order[0]],
        predictions=rows[order],
        seats=tuple(plan.seats[k] for k in order),
        residual_mm=float(worst.max()),
        before_mm=float(span(values)),
    )
