"""Why a job stands where it stands, and what moving it would cost: every other place evaluated exactly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from planner.errors import InputError
from planner.units import minutes_words

from .result import Decision, State, state_of
from .space import Space
from .tables import Tables
from .timeline import COST_TERMS, evaluate

__all__ = ["Explanation", "Move", "explain_job", "explain_week", "moved"]


@dataclass(frozen=True)
class Move:
    """One job put elsewhere, everything else left in order: change of cost (money), of lateness (minutes, all
    jobs together), of setup minutes, of edges, of jobs late; ``text`` says it in words. ``with_it``: jobs of its set that
    go with it, all in their order (none: it goes alone); ``place`` is then the first one's."""

    machine: str
    place: int
    cost: float
    late_minutes: float
    setup_minutes: float
    edges: int
    late_jobs: int
    text: str
    with_it: tuple[str, ...] = ()


@dataclass(frozen=True)
class Explanation:
    """``reasons`` in words, the strongest first; the cheapest move ``earlier`` and ``later`` on its machine and to
    ``elsewhere`` (another machine), None where there is none."""

    job: str
    machine: str
    place: int
    reasons: tuple[str, ...]
    earlier: Move | None
    later: Move | None
    elsewhere: Move | None


def _words(move_late: float, move_setup: float, move_edges: int, cost: float, terms: np.ndarray, money: str) -> str:
    parts = []
    if abs(move_late) >= 0.5:
        parts.append(f"{minutes_words(abs(move_late))} {'more' if move_late > 0 else 'less'} late")
    if abs(move_setup) >= 0.5:
        parts.append(f"{minutes_words(abs(move_setup))} {'more' if move_setup > 0 else 'less'} setup")
    if move_edges:
        count = abs(move_edges)
        parts.append(f"{count} edge{'s' if count > 1 else ''} {'more' if move_edges > 0 else 'fewer'}")
    for term, change in zip(COST_TERMS, terms, strict=True):
        if term in _ALSO and abs(change) >= 0.5:
            parts.append(_ALSO[term][0 if change > 0 else 1])
    if not parts:
        parts.append("nothing in minutes or edges")
    if abs(cost) < 0.5:
        return ", ".join(parts)
    return f"{', '.join(parts)} ({'+' if cost > 0 else '−'}{money}{abs(cost):.0f})"


_SPLIT = COST_TERMS.index("split sets")
_ALSO = {
    "split sets": ("a set cut apart", "a set kept together"),
    "overtime": ("more overtime", "less overtime"),
    "moves": ("a move away from the accepted order", "a move back to the accepted order"),
    "pins": ("a pinned start missed", "a pinned start kept"),
}


def explain_job(
    tables: Tables,
    decision: Decision,
    job: str,
    *,
    name: Callable[[str], str] = str,
    machine_name: Callable[[str], str] = str,
    money: str = "",
    never: float = np.inf,
) -> Explanation:
    """Explain the place of one placed job. ``name`` turns a job's id into words, ``machine_name`` a machine's; ``money`` is
    the currency's sign; a place that would cost ``never`` or more for sets cut apart is none, and members of such a set
    that stand side by side go together. Raises `InputError` for a job that is not in the plan."""
    if job not in tables.job_index:
        raise InputError("job", job, "the id of a job that can be placed")
    j = tables.job_index[job]
    state = state_of(tables, decision, None)
    space = Space(tables)
    at = int(np.flatnonzero(state.tour == j)[0])
    first, end = _block(tables, state.tour, at, never)
    block = state.tour[first:end]
    with_it = tuple(tables.jobs[i].id for i in block) if len(block) > 1 else ()
    rest = np.delete(state.tour, range(first, end))
    spots = [spot for spot in range(len(rest) + 1) if spot != first]
    tours = np.array([state.tour] + [np.insert(rest, spot, block) for spot in spots])
    good = space.valid(tours)
    good[0] = True
    tours, spots = tours[good], [spot for spot, ok in zip(spots, good[1:], strict=True) if ok]
    ev = evaluate(tables, tables.clock(state.opened), tours, state.person[None], state.drain[None], opened=state.opened)
    lane = np.cumsum(tours < 0, axis=1)
    here = int(lane[0, at])
    sort = {"earlier": [], "later": [], "elsewhere": []}
    blocked, parted = [], False
    for i in range(1, len(tours)):
        where = int(np.flatnonzero(tours[i] == block[0])[0])
        machine = int(lane[i, where])
        place = int(where - (np.flatnonzero(tours[i] < 0)[machine - 1] + 1 if machine else 0))
        kind = "elsewhere" if machine != here else "earlier" if where < first else "later"
        if not ev.placed[i].all() and ev.placed[0].all():
            blocked.append(kind)
            continue
        if ev.terms[i][_SPLIT] - ev.terms[0][_SPLIT] >= never:
            parted = True
            continue
        cost = float(ev.cost[i] - ev.cost[0])
        late = float(ev.late[i].sum() - ev.late[0].sum())
        setup = float(ev.setup_minutes[i] - ev.setup_minutes[0])
        edges = int(ev.edges[i].sum() - ev.edges[0].sum())
        jobs = int((ev.late[i] > 1e-6).sum() - (ev.late[0] > 1e-6).sum())
        text = _words(late, setup, edges, cost, ev.terms[i] - ev.terms[0], money)
        sort[kind].append(Move(tables.machine_ids[machine], place, cost, late, setup, edges, jobs, text, with_it))
    best = {kind: min(moves, key=lambda move: move.cost) if moves else None for kind, moves in sort.items()}
    place = at - (int(np.flatnonzero(state.tour < 0)[here - 1]) + 1 if here else 0)
    reasons = _reasons(tables, state, ev, j, here, at, best, blocked, parted, with_it, name, machine_name)
    return Explanation(job, tables.machine_ids[here], place, reasons, **best)


def _reasons(
    tables: Tables, state: State, ev, j: int, here: int, at: int, best, blocked, parted, with_it, name, machine_name
) -> tuple[str, ...]:
    job, machine = tables.jobs[j], tables.week.machines[here]
    reasons = []
    if job.started:
        with_another = tables.set_before[j] >= 0
        reasons.append("it lies on the table with the member before it" if with_another else "it is running")
    elif job.id in machine.fixed:
        reasons.append("it is next on the board and stays there")
    if job.pin_start_min is not None:
        reasons.append("its start is pinned")
    first = tables.set_before[j]
    before = int(state.tour[at - 1]) if at and state.tour[at - 1] >= 0 else -1
    if first >= 0 and not job.started:
        reasons.append(f"it follows {name(tables.jobs[first].id)}, whose finished height sets its target")
    then = np.flatnonzero(tables.set_before == j)
    if then.size:
        after = tables.jobs[int(then[0])]
        reasons.append(f"{name(after.id)} {'lies on the table with it' if after.started else 'waits for it'}")
    if not np.delete(tables.may[j].any(1), here).any():
        reasons.append(f"only {machine_name(machine.id)} can take it")
    if ev.start[0, j] <= tables.release[j] + 1e-6 and tables.release[j] > 0:
        reasons.append("it cannot start earlier")
    if before >= 0 and tables.setup[here, before + 1, j] < 0.5 < tables.setup[here, :, j].max(initial=0.0):
        reasons.append(f"no change of setup after {name(tables.jobs[before].id)}")
    if with_it:
        reasons.append("its set goes with it")
    later, earlier = best["later"], best["earlier"]
    if later is not None and later.cost > 1e-6:
        terms = ("late", later.late_minutes), ("setup", later.setup_minutes), ("edges", later.edges)
        what = [name for name, value in terms if value > 0]
        if "late" in what:
            reasons.append(f"later means {later.text}")
        elif what:
            reasons.append(f"later costs {later.text}")
    if earlier is not None and earlier.cost > 1e-6:
        reasons.append(f"earlier costs {earlier.text}")
    if "earlier" in blocked or "later" in blocked:
        reasons.append("other places would leave a job without room in the hours")
    if parted:
        reasons.append("other places would cut a set apart")
    if not reasons:
        reasons.append("no other place is cheaper")
    return tuple(reasons)


def _block(tables: Tables, tour: np.ndarray, at: int, never: float) -> tuple[int, int]:
    """Where the stretch of a tour begins and ends that is never parted around a place: one job, or members of its set."""
    kept = {one.members for one in tables.week.sets if one.split_price >= never}
    mine = next((members for members in kept if tables.jobs[tour[at]].id in members), ())
    first, end = at, at + 1
    while first and tour[first - 1] >= 0 and tables.jobs[tour[first - 1]].id in mine:
        first -= 1
    while end < len(tour) and tour[end] >= 0 and tables.jobs[tour[end]].id in mine:
        end += 1
    return first, end


def moved(decision: Decision, job: str, move: Move) -> Decision:
    """The decision with one job, and what goes with it, put where a move says."""
    jobs = move.with_it or (job,)
    order = {machine: [one for one in ids if one not in jobs] for machine, ids in decision.order.items()}
    order[move.machine][move.place : move.place] = jobs
    return replace(decision, order={machine: tuple(ids) for machine, ids in order.items()})


def explain_week(tables: Tables, decision: Decision) -> dict[str, Explanation]:
    """`explain_job` for every job that can be placed."""
    return {job.id: explain_job(tables, decision, job.id) for job in tables.jobs}
