"""A matched set stays on one machine and cutter: which, why, and where it cannot, the reason."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from planner.cut.estimate import preferred
from planner.cut.knowledge import Knowledge
from planner.cut.running import fold
from planner.cut.setups import CutSetup, band_of, setups_for
from planner.shop import CutOn, Job, JobState, MatchedSet, Shop
from planner.week import model
from planner.week.set_view import DONE, SetView

# members of which one comes later than this are not made to follow each other directly
DAY_MINUTES = 24 * 60.0


@dataclass(frozen=True)
class Stay:
    """What a set keeps to. ``ways``: machine id -> cutter id that every member still waiting may take, the first is the
    best for all; empty: nothing is asked of them. ``tag``: the member already cut, or on the machine, that binds the
    others. ``broken``: why the habit cannot be kept, in words; ``agreed_by``: who agreed that it need not be."""

    ways: Mapping[int, int] = field(default_factory=dict)
    tag: str = ""
    broken: str = ""
    agreed_by: str = ""


def stay_of(shop: Shop, matched: MatchedSet, knowledge: Knowledge) -> Stay:
    """Where the members of a set that are still waiting are cut.

    A member that is cut, or lies on the machine, binds the others to its machine and cutter. Before that every machine
    is left that takes all members with one cutter. Nobody is asked to stay where somebody agreed otherwise.
    """
    jobs = [shop.jobs[j] for j in matched.job_ids if j in shop.jobs]
    waiting = [j for j in jobs if j.state is JobState.WAITING and j.id not in shop.taps]
    if matched.split_agreed_by:
        return Stay(agreed_by=matched.split_agreed_by)
    if not waiting or len(jobs) < 2:
        return Stay()
    setups = {j.id: _setups(shop, j, knowledge) for j in waiting}
    if any(not found for found in setups.values()):
        return Stay()  # such a member waits with its own reason
    bound, at = _bound(shop, jobs)
    common = set.intersection(*({_way(s) for s in found} for found in setups.values()))
    broken = ""
    if at is not None:
        kept = {way for way in common if way == (at.machine_id, at.cutter_id)}
        if not kept:
            broken = _not_there(shop, bound, at, waiting, setups)
            # another cutter, but at least the same machine
            kept = {way for way in common if way[0] == at.machine_id}
        common = kept
    if broken and not common:
        return Stay(tag=bound, broken=broken)
    if not common:
        return Stay(broken=_no_common(shop, waiting, setups))
    minutes = {
        way: math.fsum(min(s.finish.minutes for s in found if _way(s) == way) for found in setups.values())
        for way in common
    }
    ways: dict[int, int] = {}
    for machine_id, cutter_id in sorted(common, key=lambda way: (minutes[way], way)):
        ways.setdefault(machine_id, cutter_id)
    return Stay(ways, bound, broken)


def stay_words(shop: Shop, stay: Stay) -> str:
    """What a set keeps to, as the screens say it; empty where nothing is asked."""
    if stay.agreed_by:
        return f"May go to different machines and cutters: {stay.agreed_by} agreed."
    if stay.broken:
        kept = ""
        if stay.ways:
            machine_id, cutter_id = next(iter(stay.ways.items()))
            kept = f" It goes on {shop.machines[machine_id].name} with {shop.cutters[cutter_id].name}."
        return f"It cannot stay on one machine and cutter: {stay.broken}.{kept}"
    if not stay.ways:
        return ""
    machine_id, cutter_id = next(iter(stay.ways.items()))
    where = f"{shop.machines[machine_id].name} with {shop.cutters[cutter_id].name}"
    if stay.tag:
        return f"Stays on {where}, where {stay.tag} was put."
    if len(stay.ways) > 1:
        return f"Stays on one machine, cutter and edge: {' or '.join(shop.machines[m].name for m in stay.ways)}."
    return f"Stays on one machine, cutter and edge: {where}."


# -- in the week's problem ---------------------------------------------------------------------------------------------
def keep_together(
    jobs: tuple[model.Job, ...],
    sets: Mapping[int, SetView],
    stays: Mapping[int, Stay],
    fixed: Mapping[int, tuple[int, ...]],
) -> tuple[tuple[model.Job, ...], frozenset[int]]:
    """The week's jobs, and the ids of the sets whose members are never parted.

    The search finds the machine of a set whose members can lie on it one after the other. Where they cannot, because
    one comes a day later or the board keeps one where it is, they are kept to one machine beforehand.
    """
    by_id = {job.id: job for job in jobs}
    first = {str(j): m for m, ids in fixed.items() for j in ids}
    together = set()
    for set_id, view in sets.items():
        ways = stays[set_id].ways if set_id in stays else {}
        own = [by_id[str(j)] for j in view.order if str(j) in by_id and not by_id[str(j)].started]
        own = [job for job in own if job.steps]
        if view.gang or len(ways) < 2 or len(own) < 2:
            continue
        begin = [job.not_before_min for job in own if not job.blocked]
        kept = next((first[job.id] for job in own if first.get(job.id) in ways), None)
        if kept is None and (not begin or max(begin) - min(begin) < DAY_MINUTES):
            together.add(set_id)
            continue
        machine = str(next(iter(ways)) if kept is None else kept)
        for job in own:
            if machine in job.steps:
                by_id[job.id] = replace(job, steps={machine: job.steps[machine]})
    return tuple(by_id[job.id] for job in jobs), frozenset(together)


# -- which way ---------------------------------------------------------------------------------------------------------
def _setups(shop: Shop, job: Job, knowledge: Knowledge) -> list[CutSetup]:
    part, face = shop.part_of(job), shop.face_of(job)
    found, _ = setups_for(shop, shop.family_of(part), face, band_of(shop, face, job.gasket_id), dict(knowledge.finish))
    return [s for s in found if job.machine_id in (None, s.machine.id)]


def _way(setup: CutSetup) -> tuple[int, int]:
    return setup.machine.id, setup.cutter.id


def _bound(shop: Shop, jobs: list[Job]) -> tuple[str, CutOn | None]:
    """The member that binds the others, and what it was cut on: the last one cut, else the one on the machine."""
    for job in reversed([j for j in jobs if j.id in shop.cut_on and j.state in DONE]):
        if shop.cut_on[job.id].machine_id is not None:
            at = shop.cut_on[job.id]
            if at.cutter_id is None:
                own = [c.id for c in shop.cutters.values() if c.machine_id in (None, at.machine_id)]
                at = CutOn(at.machine_id, own[0] if len(own) == 1 else None)
            return shop.part_of(job).tag, at
    for job in jobs:
        run = fold(shop.taps[job.id]) if job.id in shop.taps else None
        if run is not None and run.machine_id is not None:
            setups = [s for s in _setups(shop, job, Knowledge()) if s.machine.id == run.machine_id]
            chosen = preferred(setups)
            if chosen is not None:
                return shop.part_of(job).tag, CutOn(*_way(chosen))
    return "", None


def _not_there(shop: Shop, tag: str, at: CutOn, waiting: list[Job], setups: Mapping[int, list[CutSetup]]) -> str:
    machine, cutter = shop.machines.get(at.machine_id), shop.cutters.get(at.cutter_id)
    if machine is None:
        return f"the machine {tag} was cut on is no longer there"
    if cutter is None:
        return f"the cutter {tag} was cut with on {machine.name} is not known, or no longer there"
    if cutter.machine_id not in (None, machine.id):
        return f"{cutter.name}, which {tag} was cut with, is not on {machine.name} any more"
    out = [shop.part_of(j).tag for j in waiting if (at.machine_id, at.cutter_id) not in {_way(s) for s in setups[j.id]}]
    pinned = [shop.part_of(j).tag for j in waiting if j.machine_id not in (None, at.machine_id)]
    if pinned:
        return f"{tag} was cut on {machine.name}, and {' and '.join(pinned)} is pinned to another machine"
    return f"{tag} was cut on {machine.name} with {cutter.name}, which cannot take {' and '.join(out)}"


def _no_common(shop: Shop, waiting: list[Job], setups: Mapping[int, list[CutSetup]]) -> str:
    if len({j.machine_id for j in waiting if j.machine_id is not None}) > 1:
        return "its members are pinned to different machines"
    said = [
        f"{shop.part_of(j).tag} goes on "
        + " or ".join(
            f"{shop.machines[m].name} with {shop.cutters[c].name}" for m, c in dict.fromkeys(map(_way, setups[j.id]))
        )
        for j in waiting
    ]
    return "no machine takes all its members with one cutter (" + "; ".join(said) + ")"
