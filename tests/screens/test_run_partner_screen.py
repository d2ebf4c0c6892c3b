"""The figure a surveyed member of a set is told to go down to leaves it as high as it is said to end."""

from __future__ import annotations

import numpy as np
import pytest

from planner.cut.knowledge import Knowledge
from planner.shop import FaceSurvey, Goal, SurveyPoint
from planner.week.measured import measured_jobs
from tests.screens.run_sheet import to_the_mark
from tests.tiny import MONDAY


def test_the_dial_of_a_surveyed_member_stands_where_it_ends_at_the_height_told(sheet):
    at, store, job_id = sheet
    shop = store.load_shop()
    job = shop.jobs[job_id]
    places = [("a", 5, 5), ("b", 295, 5), ("c", 295, 175), ("d", 5, 175)]
    points = tuple(SurveyPoint(name, x, y, -0.03 * k) for k, (name, x, y) in enumerate(places))
    taken = FaceSurvey(job.part_id, job.face_id, MONDAY, points, goal=Goal.AS_IT_LIES)
    store.add_survey(job.part_id, job.face_id, MONDAY, taken.payload(), "ab", "clamped", job.id)
    at.run()
    to_the_mark(at)
    shown = {m.label: m.value for m in at.metric}
    depth = float(shown["Dial then shows"].removesuffix(" thou")) * 0.0254 - shop.settings.paper_mm
    # by hand: a cut to so deep below first contact leaves at each point its height and how far it stood below that
    shop = store.load_shop()
    gaps = measured_jobs(shop, Knowledge())[job_id].gaps_mm
    heights = {p: r.height_mm for p, r in shop.part_of(job).latest_heights_mm(job.face_id).items()}
    assert max(gaps.values()) > 0.02
    left = np.mean([heights[p] - max(0.0, depth - gaps[p]) for p in heights])
    assert float(shown["Likely ends at"].removesuffix(" in")) * 25.4 == pytest.approx(left, abs=0.003)
