"""Gangs on the tiny shop, and what is tapped of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from planner.shop import Condition, HeightReading, HeightStage, Job, JobState, MatchedSet, Shop, Tap, TapKind
from tests.tiny import MONDAY, tiny_shop


def gang_of_three(offsets_mm=(0.0, -0.05, -0.02), shop: Shop | None = None) -> Shop:
    """T-1, T-2 and T-5 of one engine on the table together: mean heights above that of T-1 by these offsets."""
    shop = shop or tiny_shop()
    like, faces = shop.parts[1], shop.families[1].faces
    parts = dict(shop.parts)
    for part_id, tag, offset in zip((1, 2, 5), ("T-1", "T-2", "T-5"), offsets_mm, strict=True):
        heights = tuple(
            HeightReading(1, p.name, 99.80 + offset + 0.01 * k, MONDAY, repeatability_mm=0.005)
            for k, p in enumerate(faces[0].points)
        )
        parts[part_id] = replace(like, id=part_id, tag=tag, position=tag, heights=heights, condition=Condition.NORMAL)
    jobs = {**shop.jobs, 5: Job(5, 1, id=5, due=shop.jobs[1].due)}
    sets = {1: MatchedSet("engine E-1", (1, 2, 5), id=1, gang=True)}
    return replace(shop, parts=parts, jobs=jobs, sets=sets)


def taps(*entries) -> tuple[Tap, ...]:
    return tuple(Tap(0, i + 1, MONDAY + timedelta(minutes=5 * i), kind, told) for i, (kind, told) in enumerate(entries))


def cut_so_far(shop: Shop, total_mm: float, looks: dict[int, bool], below_mm: dict[int, float]) -> Shop:
    """The gang kissed and cut once to so deep below first contact with the highest; ``looks``: clean or not, by job."""
    found = {}
    for job_id, clean in looks.items():
        below = below_mm[job_id]
        found[job_id] = taps(
            (TapKind.START, {"machine_id": 1, "gang": 1, "shared": len(looks)}),
            (TapKind.TOUCH, {"place": "middle", "paper_mm": 0.1 + below, "below_first_mm": 0.0}),
            (TapKind.MARK, {"below_mm": 0.1 + below}),
            (TapKind.PASS, {"below_mm": 0.1, "reason": "kiss"}),
            (TapKind.LOOK, {"clean": False, "dye": "all"}),
            (TapKind.PASS, {"below_mm": 0.1 + total_mm, "reason": "search", "finishing": True}),
            (TapKind.LOOK, {"clean": clean, "dye": "half"}),
        )
    jobs = {j: replace(job, state=JobState.RUNNING) if j in found else job for j, job in shop.jobs.items()}
    return replace(shop, taps=found, jobs=jobs)


def ended(shop: Shop, job_id: int, state: JobState = JobState.CUT, lost_mm: float | None = None) -> Shop:
    """One member's job ended, measured after the cut where ``lost_mm`` is told: it has left the gang."""
    job = shop.jobs[job_id]
    part = shop.part_of(job)
    if lost_mm is not None:
        at = MONDAY + timedelta(hours=2)
        after = tuple(
            replace(h, height_mm=h.height_mm - lost_mm, at=at, stage=HeightStage.FINISHED) for h in part.heights
        )
        part = replace(part, heights=(*part.heights, *after))
    return replace(
        shop,
        parts={**shop.parts, part.id: part},
        jobs={**shop.jobs, job_id: replace(job, state=state)},
        taps={j: t for j, t in shop.taps.items() if j != job_id},
    )
