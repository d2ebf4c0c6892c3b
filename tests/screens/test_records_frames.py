"""The tables behind the page Records, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.screens import records_frames as frames
from planner.shop import Outcome
from tests.tiny import tiny_shop


def cuts(**columns):
    """A frame of finished cuts of one part of the tiny shop; columns given as lists of the same length."""
    n = len(next(iter(columns.values())))
    row = {
        "id": range(1, n + 1),
        "part_id": 1,
        "face_id": 1,
        "family": "small head",
        "condition": "normal",
        "machine": "the mill",
        "machine_id": 1,
        "by": "ab",
        "material": "aluminium",
        "outcome": Outcome.FINISHED.value,
        "ended": pd.date_range("2026-01-05", periods=n, freq="30D"),
        "stop_depth_mm": 0.1,
        "planned_depth_mm": 0.1,
        "allowed_depth_mm": 0.12,
        "pass_count": 3,
        "planned_passes": 3,
        "planned_minutes": 60.0,
        "attended_minutes": 60.0,
        "unattended_minutes": 30.0,
        "tag": "T-1",
        "face": "deck",
        "work_order": "W1",
        "owner": "Quay",
        "engine_serial": "E-1",
        "looks": "",
    }
    return frames.with_totals(pd.DataFrame({**row, **columns}))


def details(frame, agreed=np.nan, reasons=("kiss", "search"), uses=()):
    told = pd.DataFrame({"agreed_mm": agreed, "reasons": [reasons] * len(frame), "uses": [uses] * len(frame)})
    return told.set_index(frame["id"])


def test_differences_are_actual_less_planned_and_the_bound_is_counted():
    frame = cuts(stop_depth_mm=[0.10, 0.12, 0.15], pass_count=[3, 4, 5])
    found = frames.plan_against_actual(frame)
    assert found.depth_mm == pytest.approx([0, 0.02, 0.05])
    assert found.passes.tolist() == [0, 1, 2] and found.minutes.tolist() == [30, 30, 30]
    # just at the bound is inside
    assert (found.inside, found.bounded) == (2, 3)


def test_unplanned_and_unfinished_cuts_are_not_compared():
    frame = cuts(allowed_depth_mm=[np.nan, 0.12], outcome=["finished", "scrapped"])
    assert frames.plan_against_actual(frame).bounded == 0


def test_bins_hold_every_cut():
    found = frames.binned(np.array([-1.2, 0.0, 0.1, 0.4, 7.0]), 0.5)
    assert found["cuts"].sum() == 5 and (np.diff(found["at"]) == pytest.approx(0.5))


def test_the_depth_over_what_was_agreed_is_charged_once():
    frame = cuts(stop_depth_mm=[0.2, 0.2])
    lines = frames.charge_lines(frame, details(frame, agreed=0.3), tiny_shop(), frames.Knowledge())
    # newest first: the second cut goes from 0.2 to 0.4 mm, 0.1 of it over the agreed 0.3
    assert lines["over_mm"].tolist() == pytest.approx([0.1, 0.0])
    assert lines["work_money"].tolist() == pytest.approx([1.5 * 110] * 2)


@pytest.mark.parametrize(
    ("first", "looks", "reasons", "cause"),
    [
        ("paused", "", ("search",), ""),
        ("finished", "", ("kiss", "match"), "to the partner's height"),
        ("finished", "", ("tool mark",), "tool mark"),
        ("stopped before clean", "", ("search",), "was not clean at the agreed depth"),
        ("sent to weld", "", ("search",), "after welding"),
        ("finished", "torn", ("search",), "face looked torn"),
    ],
)
def test_a_second_cut_names_its_cause(first, looks, reasons, cause):
    frame = cuts(outcome=[first, "finished"], looks=[looks, ""])
    lines = frames.charge_lines(frame, details(frame, reasons=reasons), tiny_shop(), frames.Knowledge())
    assert lines["recut"].tolist() == [cause, ""]


def test_the_share_of_an_edge_by_hand():
    # starting value for aluminium: 600 km; skin of a corroded face counts 1.3; a diamond edge costs 90 / 2
    share, money = frames.edge_share([(1, 6e6)], "aluminium", "corroded", tiny_shop(), frames.Knowledge())
    assert share == pytest.approx(0.013) and money == pytest.approx(0.013 * 45)
    assert frames.edge_share((), "aluminium", "normal", tiny_shop(), frames.Knowledge()) == (None, None)


def test_rebuilds_left_along_a_course():
    face = tiny_shop().families[1].faces[0]  # least height 99.0
    course = pd.DataFrame({"at": [1, 2], "height": [99.35, 99.05], "what": ["", ""]})
    assert frames.rebuild_course(course, face, 0.1)["left"].tolist() == [3, 0]


def test_filters_take_the_last_day_whole():
    frame = cuts(ended=pd.to_datetime(["2026-01-05 15:00", "2026-01-06 00:00"]))
    day = frame["ended"].iloc[0].date()
    assert len(frames.Filters(last=day).of(frame)) == 1
    assert len(frames.Filters(condition=("corroded",)).of(frame)) == 0
    assert len(frames.Filters(text="quay").of(frame)) == 2
