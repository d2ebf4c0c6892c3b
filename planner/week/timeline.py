"""Exact evaluation of any sequence on any number of machines and people, many candidates or samples at a time.

The rules
---------
A plan gives each machine a sequence of jobs, each job a person, opens some overtime, and may say for a job that the
person finishes all bench work before loading it. Then everything follows, always as early as the rules allow:

1.  A job on its machine is: away work before (person), a cool-down (nobody), the change of setup with an index where
    one is due (machine and person), then its steps. Away work before and setup may pause where the hours pause; a
    step may not.
2.  An attended step needs machine and person and lies inside one window of both; a traverse needs the machine and
    lies inside one window (it starts only if it ends before the break); a wait needs only the machine and goes
    straight on.
3.  When the next step can only start in another shift than the last one ended in, and it lies after the first setting
    and not after the last pass, a new touch-off (attended) comes first, in that new shift.
4.  Index. Before a job: when the edge is used, and the job would pass the planning limit but fits on a fresh edge.
    Between passes: when the edge is used and the next pass would pass the limit. An unused edge is never indexed. The
    index brings its own touch-off, so none is added for a new shift.
5.  A job that may not be left (`always_attended`) runs from its first to its last step in one window, all attended,
    and ends `watch_minutes` before the shift's end.
6.  One person at several machines goes to the one that can start first; ties: who asked first, then machine order.
    The person stays from an attended step through the attended steps that follow it and sets going what is unattended
    after.
7.  After-work: where somebody does nothing but bench work, such people take it in the order in which jobs leave the
    machines, each whoever finishes it first. Otherwise the job's person does it in minutes not spent at a machine, in
    the order in which jobs came off, pausing whenever a machine needs the person. Before loading a job, the person
    finishes all of it but the last part's (all of it where the plan says so).
8.  A set's member waits for the one before it to leave its machine.
9.  Nothing starts before `not_before_min` or a pinned start. `due_min` is compared with *ready*: the end of the
    after-work.
10. Overtime is paid from the window's start to the end of the person's last work, or of the last traverse, in it.

What does not end within the calendar is not placed.
"""

from __future__ import annotations

import numpy as np

from .calendar import Clock
from .course import COST_TERMS, Course, Evaluation, Runs
from .tables import Pieces, Tables

__all__ = ["COST_TERMS", "Evaluation", "Runs", "evaluate"]


def evaluate(
    tables: Tables,
    clock: Clock,
    tours: np.ndarray,
    persons: np.ndarray,
    drain: np.ndarray,
    *,
    opened: frozenset[str] = frozenset(),
    pieces: Pieces | None = None,
    before: np.ndarray | None = None,
    after: np.ndarray | None = None,
    life: np.ndarray | None = None,
    keep_runs: bool = False,
) -> Evaluation:
    """Evaluate B plans exactly.

    tours (B, n + m - 1): job numbers machine after machine, -1 between machines. persons (B or 1, n, m): who runs job
    j if it is on machine m. drain (B or 1, n): bench work finished before loading. ``clock`` must be made with
    ``opened``. For sampled weeks: pieces with a row per (b, j); before, after (B, n) minutes; life (B, m, grades, E):
    edge use at which the e-th edge of a grade on a machine really ends (an unplanned index stop before the pass that
    would pass it).
    """
    run = Course(tables, clock, np.asarray(tours, int), persons, drain, pieces, before, after, life)
    run.log = [] if keep_runs or run.any_after or opened else None
    while run.lanes.size and run.advance():
        pass
    return run.result(opened, keep_runs)
