"""What the ledger tells afterwards."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import numpy as np
import pytest

from planner import InputError
from planner.edge import (
    Chipped,
    Cut,
    CutSpend,
    End,
    Fitted,
    Indexed,
    Ledger,
    LifePrior,
    Mounted,
    Received,
    Reversed,
    WearRead,
    area_by_material,
    edge_costs,
    ends_by_reason,
    finish_trend,
    fit_edge_life,
    life_record,
)

START = datetime(2026, 1, 5, 8)


@pytest.fixture
def ledger() -> Ledger:
    """One insert of four edges: worn in iron after two materials, chipped in aluminium, one still cutting."""
    clock = (START + timedelta(minutes=m) for m in range(1000))
    numbers = iter(range(1000))

    def cut(material, path, part):
        spend = CutSpend(path, 1.5 * path, 2 * path, 100 * path, 10)
        return Cut(at=next(clock), cut_id=f"c{next(numbers)}", cutter="fly", material=material, spend=spend, part=part)

    def turn(start, to, end):
        return Indexed(
            at=next(clock), cutter="fly", pocket=1, insert="A1", from_position=start, to_position=to, end=end
        )

    out = Ledger.start({"round": 4}, {"fly": 1})
    for event in (
        Received(at=next(clock), grade="round", inserts=2, price_each=80.0),
        Fitted(at=next(clock), cutter="fly", pocket=1, insert="A1", position=1, grade="round"),
        Mounted(at=next(clock), cutter="fly", machine="surfacer"),
        cut("aluminium", 100.0, "head 1"),
        cut("grey_iron", 300.0, "head 2"),
        cut("grey_iron", 50.0, "head 2"),
        Reversed(at=next(clock), number=5),
        turn(1, 2, End.WORN),
        cut("aluminium", 60.0, "head 3"),
        Chipped(at=next(clock), cutter="fly", pocket=1, insert="A1"),
        turn(2, 3, None),
        cut("aluminium", 40.0, "head 4"),
    ):
        out = out.apply(event)
    return out


def test_record_for_learning(ledger):
    record = life_record(ledger, "round", ["aluminium", "grey_iron"])
    assert record.use.tolist() == [[150.0, 450.0], [90.0, 0.0], [60.0, 0.0]]
    assert record.ends == (End.WORN, End.CHIPPED, End.STILL_CUTTING)
    assert record.failing.tolist() == [1, 0, -1]
    assert record.chip_paths.tolist() == [800.0, 120.0, 80.0]
    life = fit_edge_life(record.use, record.ends, LifePrior((500.0, 500.0)), failing=record.failing)
    assert life.worn.failed == 1
    with pytest.raises(InputError, match="grey_iron is missing"):
        life_record(ledger, "round", ["aluminium"])
    assert life_record(ledger, "tip", ["aluminium"]).use.shape == (0, 1)


def test_area_and_ends(ledger):
    assert area_by_material(ledger.edges()) == {"aluminium": 20_000.0, "grey_iron": 30_000.0}
    assert ends_by_reason(ledger.edges()) == {End.WORN: 1, End.CHIPPED: 1}


def test_costs_by_hand(ledger):
    # an edge is 80 / 4 + 5 for the index; edge 1 wore a quarter in aluminium; edge 2 all in aluminium
    aluminium, iron = edge_costs(ledger, index_cost=5.0)
    assert (aluminium.material, iron.material) == ("aluminium", "grey_iron")
    assert (aluminium.edges, aluminium.cost) == pytest.approx((1.25, 31.25))
    assert (iron.edges, iron.cost, iron.parts) == pytest.approx((0.75, 18.75, 1))
    assert aluminium.per_part == pytest.approx(31.25 / 2)
    assert iron.per_m2 == pytest.approx(18.75 / 0.03)
    # capacities weigh the wear: aluminium lasts three times as far, so it brought a tenth
    weighed = edge_costs(ledger, 5.0, capacities_mm={("round", "aluminium"): 3.0, ("round", "grey_iron"): 1.0})
    assert weighed[1].edges == pytest.approx(0.9)
    assert sum(row.cost for row in weighed) == pytest.approx(50.0)


def test_a_fading_finish_is_told_from_noise():
    rng = np.random.default_rng(0)
    use = np.linspace(0.05, 0.6, 20)
    fading = finish_trend(use, 0.4 + 0.8 * use + 0.02 * rng.standard_normal(20), limit_um=0.8)
    assert fading.fades
    assert fading.low < 0.8 < fading.high
    assert fading.limit_use == pytest.approx(0.5, abs=0.05)
    steady = finish_trend(use, 0.5 + 0.05 * np.cos(40 * use))
    assert not steady.fades
    with pytest.raises(InputError, match="differing"):
        finish_trend([0.1, 0.1, 0.1], [1, 2, 3])


def test_wear_readings_project_the_life_of_an_edge_that_still_cuts():
    at = datetime(2026, 3, 2, 8)
    spend = CutSpend(1e6, 1e6, 1e6, 1e5, 100.0)
    log = [
        Received(at=at, grade="tip", inserts=1),
        Mounted(at=at, cutter="fly", machine="mill"),
        Fitted(at=at, cutter="fly", pocket=1, insert="T1", position=1, grade="tip"),
    ]
    ledger = Ledger.replay({"tip": 1}, {"fly": 1}, log)
    for i in range(1, 5):
        ledger = ledger.apply(Cut(at=at, cut_id=f"c{i}", cutter="fly", material="aluminium", spend=spend))
        ledger = ledger.apply(WearRead(at=at, cutter="fly", pocket=1, insert="T1", wear_mm=0.05 * i))
    edge = ledger.edge_in("fly", 1)
    assert [r.path_mm["aluminium"] for r in edge.readings] == [1e6, 2e6, 3e6, 4e6]
    # 0.05 mm a cut: 0.3 mm after six cuts, one and a half times the four so far
    record = life_record(ledger, "tip", ["aluminium"], criterion_mm=0.3)
    assert record.projected[0] == pytest.approx(1.5, rel=0.05) and record.projected_log_sd[0] > 0
    assert math.isnan(life_record(ledger, "tip", ["aluminium"]).projected[0])
    with pytest.raises(InputError, match="does not run backwards"):
        ledger.apply(WearRead(at=at, cutter="fly", pocket=1, insert="T1", wear_mm=0.1))
