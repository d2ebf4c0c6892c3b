"""Loose parts as the pool sees them."""

from dataclasses import replace

import pytest

from planner.cut.knowledge import Knowledge
from planner.match import pair_parts
from planner.shop import HeightReading, HeightStage, PartState
from planner.week.loose import PoolChoices, loose_parts, pool_of, side_of
from tests.tiny import MONDAY, tiny_shop


def shelf(*parts):
    """The tiny shop with loose small heads: (tag, position, height mm, stage)."""
    shop = tiny_shop()
    points = shop.families[1].faces[0].points
    found = dict(shop.parts)
    for number, (tag, position, height, stage) in enumerate(parts, start=10):
        heights = tuple(
            HeightReading(1, p.name, height, MONDAY, stage, repeatability_mm=0.005) for p in points if height
        )
        base = replace(shop.parts[1], tag=tag, id=number, position=position, engine_serial="", state=PartState.SHELF)
        found[number] = replace(base, heights=heights)
    return replace(shop, parts=found)


ARRIVED, FINISHED = HeightStage.ARRIVED, HeightStage.FINISHED


@pytest.mark.parametrize(
    ("position", "side"), [("left", "left"), ("LH bank", "left"), ("starboard", "right"), ("2", None), ("", None)]
)
def test_the_side_is_read_from_the_position(position, side):
    assert side_of(replace(tiny_shop().parts[1], position=position)) == side


def test_only_parts_on_the_shelf_and_in_no_set_are_loose():
    shop = shelf(("L", "left", 99.8, ARRIVED))
    assert [p.tag for p in loose_parts(shop)] == ["L"]
    in_set = replace(shop, parts={**shop.parts, 1: replace(shop.parts[1], state=PartState.SHELF)})
    assert [p.tag for p in loose_parts(in_set)] == ["L"]


def test_natural_final_height_is_height_less_likely_clean_up_with_its_doubt():
    shop = shelf(("L", "left", 99.8, ARRIVED))
    pool = pool_of(shop, Knowledge())
    (part,) = pool.parts
    depth = Knowledge().depth(shop.families[1], shop.families[1].faces[0], shop.parts[10].condition)
    assert part.final_mm == pytest.approx(99.8 - depth.likely_mm)
    assert part.final_sd_mm == pytest.approx((depth.distribution.std() ** 2 + 0.005**2) ** 0.5)
    assert part.least_mm == pytest.approx(99.0) and part.side == "left"


def test_a_part_that_is_cut_already_stays_as_it_was_measured():
    pool = pool_of(shelf(("L", "left", 99.8, FINISHED)), Knowledge())
    assert pool.parts[0].final_mm == pytest.approx(99.8) and pool.removals_mm["L"] == 0


def test_what_cannot_be_paired_is_told_with_the_reason():
    pool = pool_of(shelf(("A", "left", None, ARRIVED), ("B", "", 99.8, ARRIVED)), Knowledge())
    assert pool.without == {
        "A": "not measured yet",
        "B": "which side it is for is not said, and others of its family are left or right",
    }


def test_choices_survive_their_payload_and_reach_the_pairing():
    choices = PoolChoices((("L1", "R2"),), ("L2",))
    assert PoolChoices.of(choices.payload()) == choices and PoolChoices.of(None) == PoolChoices()
    shop = shelf(
        ("L1", "left", 99.8, ARRIVED), ("R1", "right", 99.8, ARRIVED), ("L2", "left", 99.5, ARRIVED),
        ("R2", "right", 99.5, ARRIVED),
    )  # fmt: skip
    free = pair_parts(pool_of(shop, Knowledge()).parts, 0.0762)
    assert {(p.first, p.second) for p in free.pairs} == {("L1", "R1"), ("L2", "R2")}
    asked = pair_parts(pool_of(shop, Knowledge(), choices).parts, 0.0762)
    assert {(p.first, p.second) for p in asked.pairs} == {("L1", "R2")}
    assert asked.left_out == ("L2",) and asked.single == ("R1",)
    # a partner that is gone binds nobody
    gone = replace(shop, parts={k: p for k, p in shop.parts.items() if p.tag != "R2"})
    assert pool_of(gone, Knowledge(), choices).parts[0].together is None
