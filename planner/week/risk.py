"""How sure a plan is: the same order run a thousand times with sampled passes, minutes and edge ends.

The order, people, bench-first marks and opened overtime stay as decided; everything else follows by the exact timeline.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from planner.errors import InputError, finite_array, not_negative, positive

from .result import Decision, State, state_of
from .space import Space
from .tables import ATTENDED, TRAVERSE, Pieces, Tables
from .timeline import Evaluation, evaluate

__all__ = ["Doubt", "Measuring", "Risk", "measuring_first", "passes_from_depths", "risk_of"]

SHOWN_BELOW = 0.8


@dataclass(frozen=True)
class Doubt:
    """What is not known about one job. Each field is a number (known), an array of samples (drawn from with equal
    chance), or a frozen `scipy.stats` distribution.

    passes           how many passes it will need (rounded to whole passes, at least 0); None: as planned.
    attended_factor  true over planned minutes of the steps with somebody there.
    pass_factor      the same for the unattended ones.
    away_factor      the same for before-work and after-work.
    """

    passes: Any = None
    attended_factor: Any = 1.0
    pass_factor: Any = 1.0
    away_factor: Any = 1.0


@dataclass(frozen=True)
class Measuring:
    """Whether measuring the threatening job before deciding its place would pay.

    ``saves`` is the expected money saved by knowing its passes before placing it, ``costs`` the price of the minutes it
    takes; ``sentence`` says it in one sentence.
    """

    job: str
    saves: float
    costs: float
    pays: bool
    sentence: str


@dataclass(frozen=True)
class Risk:
    """jobs: frame by job id with chance_on_time (NaN without a due time), shown (below 80 %), ready_likely_min
    (median), ready_allow_min (80 % bound), late_mean_min. people, machines: frames by id with end_early_min,
    end_likely_min, end_late_min (10, 50, 90 % of the end of work). edges: frame by (machine, grade) with likely and
    allow (80 %) indexes. cost_mean, cost_allow (80 % bound). threat: the job whose passes and minutes move the week's
    cost most ("" if none). samples: number. late (S, n) minutes by sample, for charts.
    """

    jobs: pd.DataFrame
    people: pd.DataFrame
    machines: pd.DataFrame
    edges: pd.DataFrame
    cost_mean: float
    cost_allow: float
    threat: str
    samples: int
    late: np.ndarray = field(repr=False)
    measuring: Measuring | None = None


def passes_from_depths(depths_mm: np.ndarray, stops_mm: np.ndarray, finishing: int = 0) -> np.ndarray:
    """Passes until clean for sampled clean-up depths: (S,) depths, (P,) rising depths after each pass.

    ``finishing`` passes come after the one that shows clean. A depth beyond the last stop takes passes as deep as the
    last.
    """
    depths = finite_array("depths_mm", depths_mm, (None,))
    stops = finite_array("stops_mm", stops_mm, (None,))
    if not len(stops) or (np.diff(stops) < 0).any():
        raise InputError("stops_mm", stops_mm, "rising depths, at least one")
    count = np.searchsorted(stops, depths, side="left") + 1
    last = stops[-1] - (stops[-2] if len(stops) > 1 else 0.0)
    beyond = depths > stops[-1]
    more = np.ceil((depths - stops[-1]) / max(last, 1e-6) - 1e-9)
    return np.where(beyond, len(stops) + more, count).astype(int) + finishing


def _draw(name: str, given: Any, count: int, rng: np.random.Generator) -> np.ndarray:
    if hasattr(given, "rvs"):
        return np.asarray(given.rvs(size=count, random_state=rng), float)
    values = np.atleast_1d(np.asarray(given, float))
    if values.ndim != 1 or not values.size or not np.isfinite(values).all():
        raise InputError(name, given, "a number, an array of samples or a frozen distribution")
    return values[rng.integers(len(values), size=count)] if len(values) > 1 else np.full(count, values[0])


def _pass_layout(where: np.ndarray, use: np.ndarray, count: int) -> tuple[np.ndarray, int]:
    """Steps of a job in blocks: block number per step (-1 before the first pass, -2 after the last block), block count.

    A pass takes the steps up to the next pass with it; the last pass as many as the one before it (one, if alone,
    when at least one more step follows).
    """
    passes = np.flatnonzero(((where == TRAVERSE) | (use > 0)) & (np.arange(len(where)) < count))
    block = np.full(len(where), -1)
    if not passes.size:
        return block, 0
    for number, (a, z) in enumerate(zip(passes, [*passes[1:], count], strict=True)):
        block[a:z] = number
    a = passes[-1]
    tail = passes[-1] - passes[-2] if passes.size > 1 else 2
    tail = max(1, min(tail, count - a - 1))
    block[a + tail :] = -2
    return block, int(passes.size)


class Sampled:
    """Sampled steps and minutes for one decision: what `evaluate` needs beside the plan, S samples."""

    def __init__(
        self,
        tables: Tables,
        person_machine: np.ndarray,
        doubts: Mapping[str, Doubt],
        samples: int,
        rng: np.random.Generator,
        edge_shape: float | None,
    ) -> None:
        n, m = tables.n, tables.m
        minutes, where, use, touches, _ = tables.step_arrays
        rows = np.arange(n) * m + person_machine
        drawn = {}
        widest = minutes.shape[1]
        plans = []
        for j, job in enumerate(tables.jobs):
            doubt = doubts.get(job.id)
            row = rows[j]
            count = int((minutes[row] > 0).sum())
            block, planned = _pass_layout(where[row], use[row], count)
            passes = np.full(samples, planned)
            if doubt is not None and doubt.passes is not None and planned:
                name = f"doubts[{job.id}].passes"
                passes = np.maximum(0, np.rint(_draw(name, doubt.passes, samples, rng))).astype(int)
            most = max(planned, int(passes.max(initial=0)))
            last = np.flatnonzero(block == planned - 1) if planned else np.zeros(0, int)
            columns = list(np.flatnonzero(block[:count] != -2))
            numbers = [int(block[c]) for c in columns]
            for extra in range(planned, most):
                columns += list(last)
                numbers += [extra] * len(last)
            tail = list(np.flatnonzero(block[:count] == -2))
            columns += tail
            numbers += [-1] * len(tail)
            plans.append((row, np.array(columns, int), np.array(numbers, int), passes))
            widest = max(widest, len(columns))
            drawn[j] = passes
        shape = (samples, n, widest)
        out_minutes, out_where = np.zeros(shape), np.zeros((n, widest), int)
        out_use, out_touch = np.zeros((n, widest)), np.zeros((n, widest), bool)
        before, after = np.tile(tables.before, (samples, 1)), np.tile(tables.after, (samples, 1))
        for j, (row, columns, numbers, passes) in enumerate(plans):
            width = len(columns)
            doubt = doubts.get(tables.jobs[j].id, Doubt())
            base = minutes[row, columns]
            out_where[j, :width], out_use[j, :width] = where[row, columns], use[row, columns]
            out_touch[j, :width] = touches[row, columns]
            name = f"doubts[{tables.jobs[j].id}]"
            attended = _positive(f"{name}.attended_factor", doubt.attended_factor, samples, rng)
            spindle = _positive(f"{name}.pass_factor", doubt.pass_factor, samples, rng)
            away = _positive(f"{name}.away_factor", doubt.away_factor, samples, rng)
            is_attended = out_where[j, :width] == ATTENDED
            if tables.whole[j]:
                is_attended = np.array([s.where == "attended" for s in tables.jobs[j].steps[
                    tables.machine_ids[person_machine[j]]]])[columns]  # fmt: skip
            factor = np.where(is_attended, attended[:, None], spindle[:, None])
            done = numbers[None, :] < passes[:, None]
            out_minutes[:, j, :width] = np.where(done, base * factor, 0.0)
            before[:, j] *= away
            after[:, j] *= away
        full = samples * n
        self.pieces = Pieces.of(
            out_minutes.reshape(full, widest),
            np.broadcast_to(out_where, shape).reshape(full, widest),
            np.broadcast_to(out_use, shape).reshape(full, widest),
            np.broadcast_to(out_touch, shape).reshape(full, widest),
            np.tile(tables.started, samples),
        )
        self.before, self.after = before, after
        self.passes = np.stack([drawn[j] for j in range(n)], axis=1) if n else np.zeros((samples, 0), int)
        self.minutes = out_minutes.sum(2) + before + after
        self.life = None
        if edge_shape is not None and tables.has_edges:
            shape_k = positive("edge_shape", edge_shape)
            most = 3 + int(np.ceil(tables.pieces.use[rows, -1].sum() * 4))
            hazard = rng.exponential(size=(samples, m, max(1, len(tables.grades)), most))
            hazard[..., 0] += tables.edge_used**shape_k
            self.life = hazard ** (1.0 / shape_k)

    def evaluate(self, tables: Tables, state: State, *, rows: np.ndarray | None = None) -> Evaluation:
        """Run the samples through one plan."""
        size = len(self.before)
        return evaluate(
            tables,
            tables.clock(state.opened),
            np.tile(state.tour, (size, 1)),
            state.person[None],
            state.drain[None],
            opened=state.opened,
            pieces=self.pieces,
            before=self.before,
            after=self.after,
            life=self.life,
        )


def _positive(name: str, given: Any, samples: int, rng: np.random.Generator) -> np.ndarray:
    values = _draw(name, given, samples, rng)
    if (values <= 0).any():
        raise InputError(name, given, "numbers above 0")
    return values


def _machine_of(tables: Tables, state: State) -> np.ndarray:
    lane = np.cumsum(state.tour < 0)
    machine = np.zeros(tables.n, int)
    real = state.tour >= 0
    machine[state.tour[real]] = lane[real]
    return machine


def risk_of(
    tables: Tables,
    decision: Decision,
    doubts: Mapping[str, Doubt],
    *,
    samples: int = 1000,
    seed: int = 0,
    edge_shape: float | None = None,
    measuring_minutes: float | None = None,
    rate_per_min: float = 0.0,
    name: Callable[[str], str] = str,
    money: str = "",
) -> Risk:
    """Sample the week ``samples`` times under one decision.

    ``doubts``: job id -> `Doubt`; a job without one runs as planned. ``edge_shape``: Weibull shape of edge life (use
    1 = its scale); edges then also end by themselves between passes, the one in the machine no earlier than its use
    so far. None: edges end only by the planning limit. ``measuring_minutes`` (with ``rate_per_min``): also say
    whether measuring the threatening job first would pay; ``name`` turns its id into words there, ``money`` is the
    currency's sign. The same seed gives the same figures. Raises `InputError`
    on factors not above 0.
    """
    if samples < 2:
        raise InputError("samples", samples, "2 or more")
    rng = np.random.default_rng(seed)
    state = state_of(tables, decision, None)
    machine = _machine_of(tables, state)
    sampled = Sampled(tables, machine, doubts, samples, rng, edge_shape)
    ev = sampled.evaluate(tables, state)
    ids = [job.id for job in tables.jobs]
    due = np.isfinite(tables.due)
    on_time = (ev.ready <= tables.due + 1e-6) & ev.placed
    chance = np.where(due, on_time.mean(0), np.nan) if tables.n else np.zeros(0)
    likely, allow = np.quantile(ev.ready, (0.5, 0.8), axis=0) if tables.n else (np.zeros(0), np.zeros(0))
    jobs = pd.DataFrame(
        {
            "chance_on_time": chance,
            "shown": chance < SHOWN_BELOW,
            "ready_likely_min": likely,
            "ready_allow_min": allow,
            "late_mean_min": ev.late.mean(0),
        },
        index=pd.Index(ids, name="job"),
    )
    edge_rows = {}
    for k, one in enumerate(tables.week.machines):
        for grade in one.edges:
            count = ev.edges[:, k, tables.grades.index(grade)]
            edge_rows[one.id, grade] = (int(np.median(count)), int(np.ceil(np.quantile(count, 0.8))))
    edges = pd.DataFrame.from_dict(edge_rows, orient="index", columns=["likely", "allow"])
    if edge_rows:
        edges.index = pd.MultiIndex.from_tuples(list(edge_rows), names=["machine", "grade"])
    threat = _threat(sampled.minutes, ev.cost)
    measuring = None
    if measuring_minutes is not None and threat >= 0:
        not_negative("measuring_minutes", measuring_minutes)
        measuring = measuring_first(
            tables, decision, ids[threat], doubts, minutes=measuring_minutes, rate_per_min=rate_per_min, seed=seed,
            samples=min(samples, 600), edge_shape=edge_shape, name=name, money=money,
        )  # fmt: skip
    return Risk(
        jobs=jobs,
        people=_ends(tables.person_ids, ev.person_end, "person"),
        machines=_ends(tables.machine_ids, ev.machine_end, "machine"),
        edges=edges,
        cost_mean=float(ev.cost.mean()),
        cost_allow=float(np.quantile(ev.cost, 0.8)),
        threat=ids[threat] if threat >= 0 else "",
        samples=samples,
        late=ev.late,
        measuring=measuring,
    )


def _ends(ids: list[str], ends: np.ndarray, name: str) -> pd.DataFrame:
    early, likely, late = np.quantile(ends, (0.1, 0.5, 0.9), axis=0)
    columns = {"end_early_min": early, "end_likely_min": likely, "end_late_min": late}
    return pd.DataFrame(columns, index=pd.Index(ids, name=name))


def _threat(minutes: np.ndarray, cost: np.ndarray) -> int:
    """The job whose minutes explain most of the spread of the cost (least squares, one job at a time);
    -1: none."""
    spread = minutes.std(0)
    if not minutes.shape[1] or cost.std() <= 1e-9 or spread.max(initial=0.0) <= 1e-9:
        return -1
    off = minutes - minutes.mean(0)
    slope_by_spread = off.T @ (cost - cost.mean()) / len(cost) / np.maximum(spread, 1e-12)
    slope_by_spread[spread <= 1e-9] = 0.0
    threat = int(slope_by_spread.argmax())
    if slope_by_spread[threat] <= 1e-9:
        return -1
    return threat


def measuring_first(
    tables: Tables,
    decision: Decision,
    job: str,
    doubts: Mapping[str, Doubt],
    *,
    minutes: float,
    rate_per_min: float = 0.0,
    samples: int = 600,
    seed: int = 0,
    edge_shape: float | None = None,
    places: int = 12,
    name: Callable[[str], str] = str,
    money: str = "",
) -> Measuring:
    """What knowing a job's passes before placing it is worth: the best place on its machine for each number of passes,
    against the one best place for all. Places are chosen on one half of the samples and priced on the other."""
    rng = np.random.default_rng(seed + 1)
    j = tables.job_index[job]
    state = state_of(tables, decision, None)
    space = Space(tables)
    at = int(np.flatnonzero(state.tour == j)[0])
    lane = np.cumsum(state.tour < 0)
    same = np.flatnonzero((lane == lane[at]) & (state.tour >= 0))
    rest = np.delete(state.tour, at)
    first = int(same[0])
    spots = np.unique(np.linspace(first, first + len(same) - 1, min(places, len(same))).round().astype(int))
    tours = [state.tour] + [np.insert(rest, spot, j) for spot in spots if spot != at]
    tours = [tour for tour in tours if space.valid(tour[None])[0]]
    sampled = Sampled(tables, _machine_of(tables, state), doubts, samples, rng, edge_shape)
    costs = np.stack(
        [
            sampled.evaluate(tables, State(tour, state.person, state.drain, state.opened)).cost
            for tour in tours
        ]
    )  # fmt: skip
    passes = sampled.passes[:, j]
    half = np.arange(samples) % 2 == 0
    without = costs[int(costs[:, half].mean(1).argmin())][~half].mean()
    known = np.zeros(samples)
    for value in np.unique(passes):
        mine = passes == value
        pick = costs[:, mine & half]
        place = int(pick.mean(1).argmin()) if pick.shape[1] else int(costs[:, half].mean(1).argmin())
        known[mine] = costs[place, mine]
    saves = max(0.0, float(without - known[~half].mean()))
    price = minutes * rate_per_min
    pays = saves > price and saves > 0
    verb = "would pay" if pays else "would not pay"
    sentence = (
        f"Measuring {name(job)} first {verb}: it takes {minutes:.0f} min ({money}{price:.0f}) and saves about "
        f"{money}{saves:.0f} on average."
    )
    return Measuring(job, saves, price, pays, sentence)
