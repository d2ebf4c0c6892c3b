"""The whole record put together: edges of a simulated shop, thin ledgers, and the date the shop learns from."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from planner.cut.knowledge import Knowledge, edge_life_mm
from planner.edge import Cut, End, Fitted, Ledger, Mounted, Received, Replaced, ends_by_reason
from planner.edge.wear import CutSpend
from planner.shop.starting import CAPACITY_PATH_MM, LIFE_SHAPE
from planner.week.learning import chip_range, learn
from tests.tiny import tiny_shop

BEGIN = datetime(2025, 1, 6, 8)
ALUMINIUM = CAPACITY_PATH_MM["aluminium"]


def used_up(lives, ends, last_runs=0.0):
    """A ledger of the tiny shop's diamond cutter: edges that each cut so far (mm) and ended so, the last still in."""
    ledger = Ledger.start({"diamond": 1, "boron nitride": 4}, {"fly 300": 1, "fly 350": 1})
    ledger = ledger.apply(Received(grade="diamond", inserts=len(lives) + 1, at=BEGIN))
    at = BEGIN
    ledger = ledger.apply(Mounted(cutter="fly 300", machine="the mill", at=at))
    ledger = ledger.apply(Fitted(cutter="fly 300", pocket=1, insert="D-0", position=1, grade="diamond", at=at))
    for i, (path, end) in enumerate(zip(lives, ends, strict=True)):
        at += timedelta(days=10)
        ledger = ledger.apply(cut(f"c{i}", path, at))
        ledger = ledger.apply(
            Replaced(
                cutter="fly 300",
                pocket=1,
                insert=f"D-{i}",
                end=end,
                new_insert=f"D-{i + 1}",
                new_position=1,
                grade="diamond",
                at=at + timedelta(hours=1),
            )
        )
    if last_runs:
        ledger = ledger.apply(cut("last", last_runs, at + timedelta(days=3)))
    return ledger


def cut(number, path, at):
    spend = CutSpend(path, path, path, path * 0.1, 100.0)
    return Cut(cut_id=number, cutter="fly 300", material="aluminium", spend=spend, part=number, at=at)


def test_without_an_edge_nothing_is_learned():
    shop = tiny_shop()
    ledger = Ledger.start({"diamond": 1}, {"fly 300": 1})
    found = learn(shop, None, ledger).knowledge
    assert learn(shop, None, ledger).edges == ()
    assert found.life == {} and found.life_shape == LIFE_SHAPE
    assert edge_life_mm(shop, found, "aluminium", 1)[1].words == "starting value"


def test_an_edge_that_still_cuts_leaves_the_starting_value():
    shop = tiny_shop()
    found = learn(shop, None, used_up([], [], last_runs=0.1 * ALUMINIUM))
    assert found.knowledge.life == {}
    assert edge_life_mm(shop, found.knowledge, "aluminium", 1) == edge_life_mm(shop, Knowledge(), "aluminium", 1)
    assert "starting value" in found.knowledge.edge_lives[1].verdict()


def test_many_edges_teach_life_and_shape():
    shop, rng = tiny_shop(), np.random.default_rng(7)
    truth, shape = 0.4 * ALUMINIUM, 3.0
    found = learn(shop, None, used_up(truth * rng.weibull(shape, 80), [End.WORN] * 80)).knowledge
    path, origin = edge_life_mm(shop, found, "aluminium", 1)
    assert path == pytest.approx(truth, rel=0.12)
    assert found.life_shape == pytest.approx(shape, rel=0.25)
    assert origin.words == "learned from 80 records, each an ended edge"


def test_one_edge_lies_between_record_and_starting_value_and_says_so():
    shop = tiny_shop()
    found = learn(shop, None, used_up([0.3 * ALUMINIUM], [End.WORN])).knowledge
    path, origin = edge_life_mm(shop, found, "aluminium", 1)
    assert 0.3 * ALUMINIUM < path < ALUMINIUM
    assert origin.words == "learned from 1 record, each an ended edge"
    assert "leans on the starting value" in found.edge_lives[1].verdict()


def test_ends_are_kept_apart_and_chips_stay_out_of_the_life():
    shop = tiny_shop()
    lives = [0.5 * ALUMINIUM] * 12
    ends = [End.WORN] * 3 + [End.FINISH_LOST] * 2 + [End.CHIPPED] * 6 + [End.BY_RULE]
    found = learn(shop, None, used_up(lives, ends))
    life = found.knowledge.edge_lives[1].life
    assert life.worn.failures.tolist() == [3] and life.finish.failures.tolist() == [2]
    assert ends_by_reason(found.edges)[End.CHIPPED] == 6
    middle, low, high = chip_range(life.chips)
    assert low < middle < high
    # six chips over twelve half lives
    assert low < 12 * 0.5 * ALUMINIUM / 6 < high
    all_worn = learn(shop, None, used_up(lives, [End.WORN] * 12)).knowledge.edge_lives[1].life
    assert life.worn.capacities[0] > all_worn.worn.capacities[0]


def test_edges_from_before_the_change_are_left_out():
    shop = tiny_shop()
    ledger = used_up([0.2 * ALUMINIUM] * 10 + [0.8 * ALUMINIUM] * 10, [End.WORN] * 20)
    since = (BEGIN + timedelta(days=100)).date().isoformat()
    later = replace(shop, settings=replace(shop.settings, learn_from=since))
    whole, part = learn(shop, None, ledger), learn(later, None, ledger)
    assert len(whole.edges) == 20 and len(part.edges) == 10
    assert part.knowledge.life["aluminium", 1][0] > 1.2 * whole.knowledge.life["aluminium", 1][0]
