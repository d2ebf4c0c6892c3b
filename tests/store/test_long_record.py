"""A shop of five years, 20 000 cuts: the sums are right and the live picture reads sums, not the record."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import numpy as np
import pytest
from sqlalchemy import event

from planner.shop import Condition, EdgeUse, Part, PartState

BEGAN = datetime(2021, 3, 1, 7, 0)
CUTS = 20_000


@pytest.fixture
def long_record(repository, stored, make_cut):
    """800 parts long gone with 25 cuts each, in every condition, on the two faces."""
    conditions = list(Condition)
    gone = repository.add_all(
        Part(f"G-{i}", stored.family.id, state=PartState.GONE, condition=conditions[i % 8]) for i in range(CUTS // 25)
    )
    rng = np.random.default_rng(5)
    depths = rng.lognormal(np.log(0.06), 0.4, CUTS)
    faces = (stored.deck.id, stored.intake.id)
    repository.add_history(
        make_cut(
            job_id=None,
            part_id=gone[i % len(gone)].id,
            face_id=faces[i % 7 == 0],
            started=None,
            ended=BEGAN + timedelta(minutes=60 * i),
            stop_depth_mm=float(depths[i]),
            clean_lower_mm=float(depths[i]) / 2,
            clean_upper_mm=float(depths[i]),
            heights_mm={},
            uses=(EdgeUse(stored.insert_id, 1, 1000.0, 50.0),),
        )
        for i in range(CUTS)
    )
    return depths


@pytest.mark.slow
def test_the_live_picture_of_a_long_record(repository, second, stored, make_cut, long_record):
    repository.record_cut(make_cut())
    shop = second.load_shop()
    # the gone parts stay out, their cuts come in as sums and intervals
    assert set(shop.parts) == {stored.left.id, stored.right.id}
    assert sum(len(r.lower_mm) for r in shop.depth_records) == CUTS + 1
    assert len(shop.depth_records) == 16  # eight conditions on two faces; the new cut joins one of them
    total = sum(float(r.upper_mm.sum()) for r in shop.depth_records)
    assert total == pytest.approx(float(long_record.sum()) + 0.1)
    (edge,) = shop.edges
    assert edge.path_mm["aluminium"] == pytest.approx(CUTS * 1000.0 + 2.0e6)
    assert edge.swept_mm2["aluminium"] == pytest.approx(CUTS * 50.0 + 108_000.0)
    assert shop.removed_mm == {(stored.left.id, stored.deck.id): pytest.approx(0.1)}
    assert len(second.cuts_frame()) == CUTS + 1
    assert len(second.find("G-17")[0].cuts) == 25
    _reads_no_cut_one_by_one(second, stored)


def _reads_no_cut_one_by_one(second, stored):
    """After a change of the shop alone the rows fetched do not grow with the record."""
    fetched = []

    def count(_connection, _cursor, statement, _parameters, _context, _many):
        fetched.append(statement)

    second.add_heights(stored.right.id, [])
    event.listen(second.engine, "before_cursor_execute", count)
    second.load_shop()
    event.remove(second.engine, "before_cursor_execute", count)
    # where the rows of a statement come from; a look whether a later cut exists fetches none
    sources = {s: s.split("\nFROM ", 1)[-1].split("WHERE")[0] for s in fetched}
    over_cuts = [s for s, source in sources.items() if re.search(r"\b(cuts|edge_uses)\b", source)]
    # sums; the last cut of a machine; the cuts of sets that are still open: none has more rows for a longer record
    bounded = ("sum(", "distinct", "\n limit ", "cuts.job_id in (select")
    assert over_cuts and all(any(b in s.lower() for b in bounded) for s in over_cuts)
