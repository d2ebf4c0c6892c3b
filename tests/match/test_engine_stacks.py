"""From the shop's nouns to the stacks of an engine."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from planner import InputError
from planner.match import bank_effects, depth_table, engine_effects, part_lines, stacks_of
from planner.shop import (
    CamDrive,
    ChamberReading,
    Cut,
    DepthLine,
    DepthReading,
    EngineFamily,
    EngineLimits,
    Face,
    FaceKind,
    Family,
    HeightReading,
    HeightStage,
    MeasuredBank,
    MeasuredEngine,
    Part,
    PartKind,
    PartState,
    ReportedCut,
    StackFace,
)
from tests.tiny import MONDAY, tiny_shop

TWIN = EngineFamily(
    "twin",
    90.0,
    80.0,
    id=1,
    head_family_ids=(1,),
    banks=("left", "right"),
    cylinders=2,
    chamber_cm3=50.0,
    chamber_height_mm=100.0,
    chamber_area_mm2=5000.0,
    piston_cm3=0.0,
    pad_recess_mm=0.0,
    cam_drive=CamDrive.PUSHROD,
    limits=EngineLimits(exhaust_least_mm=2.5),
)


TWIN_IN_LINE = replace(TWIN, banks=("the row",))


def shop_with(*banks: MeasuredBank, family: EngineFamily = TWIN, since: date | None = None, **more):
    measured = MeasuredEngine("E-1", 1, id=1, banks=banks, measured_on=since)
    return replace(tiny_shop(), engines={1: family}, measured_engines={1: measured}, **more)


def cut(part_id=1, depth=0.1, at=MONDAY + timedelta(hours=3), heights=None, face_id=1) -> Cut:
    return Cut(None, part_id, face_id, at, depth, heights_mm=heights or {}, by="ab")


def test_nothing_measured_stays_unknown_whatever_the_drawing_says():
    shop = replace(tiny_shop(), engines={1: TWIN})
    found = stacks_of(shop, TWIN, "e-1", {}, {1: 0.1, 2: 0.2})
    effects = engine_effects(found.engine, found.banks)
    for bank in effects.banks:
        for name in ("squish", "intake valve clearance", "exhaust valve clearance", "preload", "compression ratio"):
            assert bank[name].before is None and bank[name].after is None
    # the chamber may be drawn: at the head's height on arrival (mean 99.82), less 5000 mm² a millimetre, and it says so
    assert [c.origin for c in found.chambers["left"]] == ["as drawn", "as drawn"]
    assert found.chambers["left"][0].volume_cm3 == pytest.approx(50 - 5.0 * (100 - 99.82))


def test_planned_and_recorded_cuts_go_to_the_bank_of_their_part():
    shop = shop_with(MeasuredBank("left", exhaust_mm=3.0, same_gasket=True))
    found = stacks_of(shop, TWIN, "E-1", {1: (cut(),)}, {2: 0.25})
    assert {(c.part, c.bank, c.removed_mm, c.planned) for c in found.cuts} == {
        ("T-1", "left", 0.1, False),
        ("T-2", "right", 0.25, True),
    }
    left, right = found.banks
    assert (left.head_cut_mm, right.head_cut_mm) == (pytest.approx(0.1), pytest.approx(0.25))
    exhaust = bank_effects(found.engine, left)["exhaust valve clearance"]
    # pushrods, valve along the bore: the head comes 0.1 mm nearer; 0.4 mm are left, 15 thou when rounded down
    assert exhaust.after == pytest.approx(2.9) and exhaust.headroom_head_mm == pytest.approx(15 * 0.0254)


def test_cuts_before_the_engine_was_measured_stand_in_the_measurement_already():
    shop = shop_with(since=MONDAY.date())
    old, new = cut(depth=0.3, at=MONDAY - timedelta(days=40)), cut(depth=0.1)
    assert [c.removed_mm for c in stacks_of(shop, TWIN, "E-1", {1: (old, new)}, {}).cuts] == [0.1]


def test_the_height_lost_goes_before_the_stop_depth():
    """Stopped 0.10 below first contact, but the measured points lay 0.03 low and lost 0.07 only."""
    shop = shop_with()
    middle = shop.parts[1].latest_heights_mm(1)["middle"].height_mm
    found = stacks_of(shop, TWIN, "E-1", {1: (cut(heights={"middle": middle - 0.07}),)}, {})
    assert found.cuts[0].removed_mm == pytest.approx(0.07)


def test_a_measured_chamber_overrides_the_drawing_and_two_heights_give_the_area():
    readings = (ChamberReading(1, 47.0, 99.82), ChamberReading(1, 46.4, 99.72))
    found = stacks_of(shop_with(MeasuredBank("left", readings)), TWIN, "E-1", {}, {})
    assert found.chambers["left"][0].origin == "measured" and found.chambers["left"][1].origin == "as drawn"
    assert found.chambers["left"][0].volume_cm3 == pytest.approx(47.0)
    assert found.engine.chamber_area_mm2 == pytest.approx(6000.0)  # 0.6 cm³ in 0.1 mm
    assert found.area_origin == "measured at two heights"


def test_chamber_without_a_known_height_of_the_head_is_unknown_as_drawn_but_known_as_measured():
    family = replace(TWIN, chamber_height_mm=None)
    found = stacks_of(shop_with(MeasuredBank("left", (ChamberReading(1, 47.0),)), family=family), family, "E-1", {}, {})
    first, second = found.chambers["left"]
    assert (first.volume_cm3, first.origin) == (47.0, "measured")
    assert second.volume_cm3 is None


def opposed(parting_mm: float | None):
    """An opposed engine: a case half and a head on each bank, every deck measured."""
    faces = (Face("deck", 300, 180, id=11), Face("parting", 320, 200, FaceKind.PARTING, id=12))
    case = Family("case", "aluminium", faces, id=3, kind=PartKind.CASE_HALF)
    shop = tiny_shop()
    halves = {
        i: Part(
            f"C-{side}", 3, id=i, engine_serial="E-1", position=side,
            heights=(HeightReading(11, "middle", 180.0, MONDAY - timedelta(days=1)),),
        )
        for i, side in ((11, "left"), (12, "right"))
    }  # fmt: skip
    family = replace(TWIN, case_family_ids=(3,), bank_angle_deg=180)
    measured = MeasuredEngine(
        "E-1",
        1,
        id=1,
        banks=tuple(
            MeasuredBank(n, deck_clearance_mm=0.5, gasket_before_mm=1.0, gasket_after_mm=1.0) for n in TWIN.banks
        ),
    )
    shop = replace(
        shop,
        families={**shop.families, 3: case},
        parts={**shop.parts, **halves},
        engines={1: family},
        measured_engines={1: measured},
    )
    cuts = {} if parting_mm is None else {11: (cut(11, parting_mm, face_id=12),)}
    return stacks_of(shop, family, "E-1", cuts, {1: 0.1, 2: 0.05})


def test_each_bank_of_an_opposed_engine_stacks_case_half_gasket_and_head():
    found = opposed(None)
    assert [p.tag for p in found.parts["left"]] == ["T-1", "C-left"]
    # heads arrive at means of 99.82 and 99.77 and end alike after their cuts, 0.1 and 0.05
    assert found.metal_heights_mm == pytest.approx({"left": 180 + 99.72, "right": 180 + 99.72})
    effects = engine_effects(found.engine, found.banks, found.metal_heights_mm)
    assert effects.stack_difference_mm == pytest.approx(0.0) and not effects.line_bore_due


def test_a_parting_face_cut_lowers_the_deck_of_its_half_and_asks_for_line_bore():
    found = opposed(0.2)
    assert found.line_bore == ("C-left",)
    effects = engine_effects(found.engine, found.banks, found.metal_heights_mm)
    assert effects.line_bore_due and effects.stack_difference_mm == pytest.approx(0.2)
    left, right = effects.banks
    assert left["squish"].after == pytest.approx(0.5 - 0.2 + 1.0) and right["squish"].after == pytest.approx(1.5)


def test_the_gasket_of_the_deck_s_job_counts_until_another_is_chosen():
    shop = shop_with(MeasuredBank("left", gasket_before_mm=0.9))
    shop = replace(shop, jobs={**shop.jobs, 1: replace(shop.jobs[1], gasket_id=1)})
    found = stacks_of(shop, TWIN, "E-1", {}, {})
    assert found.banks[0].gasket_after_mm == 1.0 and found.gaskets["left"] == ("layered steel",)
    assert found.banks[1].gasket_after_mm is None
    chosen = MeasuredBank("left", gasket_before_mm=0.9, gasket_after=("a", "b"), gasket_after_mm=1.7)
    found = stacks_of(
        replace(shop, measured_engines={1: MeasuredEngine("E-1", 1, id=1, banks=(chosen,))}), TWIN, "E-1", {}, {}
    )
    assert found.banks[0].gasket_after_mm == 1.7 and found.gaskets["left"] == ("a", "b")


def test_a_part_of_no_bank_is_told_and_an_engine_without_parts_refused():
    shop = shop_with()
    shop = replace(shop, parts={**shop.parts, 2: replace(shop.parts[2], position="upper")})
    assert any("T-2" in p for p in stacks_of(shop, TWIN, "E-1", {}, {}).problems)
    with pytest.raises(InputError, match="serial"):
        stacks_of(shop, TWIN, "E-999", {}, {})


# -- dimensions that change with the cut, part by part ----------------------------------------------------------------
LINES = (DepthLine("valve recession", 1.5, -1.0, 0.75, None, "recut the seats"), DepthLine("seat metal left"))


def lines_of(part, cuts=(), removed=0.0):
    return part_lines(part, Face("deck", 300, 180, id=1, depths=LINES), cuts, removed)


def test_what_was_measured_on_the_part_goes_before_the_drawing_and_later_cuts_are_taken_off():
    part = Part("X", 1, id=9)
    drawn, unknown = lines_of(part, removed=0.2)
    assert (drawn.present_mm, drawn.measured) == (pytest.approx(1.3), False) and "drawn" in drawn.origin
    assert unknown.present_mm is None
    reading = DepthReading(1, "valve recession", 0.9, MONDAY)
    own, _ = lines_of(replace(part, depths=(reading,)), (cut(9, 0.1), cut(9, 0.3, MONDAY - timedelta(days=9))), 0.4)
    assert own.present_mm == pytest.approx(0.8) and own.measured
    table = depth_table([own], 0.1)
    assert [r.name for r in table.past] == ["valve recession"]
    assert table.first == ("valve recession", pytest.approx(0.05))


def test_a_restored_dimension_starts_anew():
    part = Part("X", 1, id=9, depths=(
        DepthReading(1, "valve recession", 0.9, MONDAY),
        DepthReading(1, "valve recession", 1.4, MONDAY + timedelta(days=1), "recut the seats"),
    ))  # fmt: skip
    own, _ = lines_of(part, (cut(9, 0.1),))
    assert own.present_mm == 1.4 and own.origin == "after: recut the seats"


def test_a_height_taken_after_the_cut_is_not_what_it_was_before():
    shop = shop_with()
    late = HeightReading(1, "middle", 99.0, MONDAY + timedelta(days=2), HeightStage.FINISHED)
    part = replace(shop.parts[1], heights=(*shop.parts[1].heights, late))
    shop = replace(shop, parts={**shop.parts, 1: part})
    found = stacks_of(shop, TWIN, "E-1", {1: (cut(),)}, {})
    assert found.chambers["left"][0].volume_cm3 == pytest.approx(50 - 5.0 * (100 - 99.82))


def test_a_cut_made_elsewhere_counts_as_reported_and_only_since_the_engine_was_measured():
    said = ReportedCut(StackFace.DECK, 0.2, MONDAY.date(), "the owner")
    shop = shop_with(MeasuredBank("left", reported=(said,)))
    found = stacks_of(shop, TWIN, "E-1", {}, {})
    left, right = found.banks
    assert (left.deck_cut_mm, right.deck_cut_mm) == (0.2, 0.0)
    assert [c.reported for c in found.cuts] == ["the owner, 02 Mar 2026"]
    # one before the day it was measured is in what was measured
    later = shop_with(MeasuredBank("left", reported=(said,)), since=MONDAY.date() + timedelta(days=1))
    assert stacks_of(later, TWIN, "E-1", {}, {}).banks[0].deck_cut_mm == 0.0


def test_the_lead_says_on_which_bank_a_part_is():
    plain = stacks_of(shop_with(), TWIN, "E-1", {}, {})
    tag = plain.parts["left"][0].tag
    found = stacks_of(shop_with(MeasuredBank("right", parts=(tag,))), TWIN, "E-1", {}, {})
    assert tag not in [p.tag for p in found.parts["left"]] and tag in [p.tag for p in found.parts["right"]]
    with pytest.raises(InputError, match="tag"):
        shop_with(MeasuredBank("left", parts=(tag,)), MeasuredBank("right", parts=(tag,)))


def test_of_single_heads_beside_each_other_the_one_cut_deepest_counts():
    """Two heads of one bank do not come down by both cuts: each comes down by its own."""
    bank = MeasuredBank("", same_gasket=True)
    shop = shop_with(bank, family=TWIN_IN_LINE)
    found = stacks_of(shop, TWIN_IN_LINE, "E-1", {1: (cut(1, 0.1),), 2: (cut(2, 0.25),)}, {})
    (row,) = found.banks
    assert row.head_cut_mm == pytest.approx(0.25)
    assert any("take the one cut deepest" in said and "T-1" in said and "T-2" in said for said in found.problems)
    # cut twice, a head has lost both
    twice = stacks_of(shop, TWIN_IN_LINE, "E-1", {1: (cut(1, 0.1), cut(1, 0.2, MONDAY + timedelta(hours=5)))}, {})
    assert twice.banks[0].head_cut_mm == pytest.approx(0.3)


def test_a_scrapped_head_is_no_part_of_its_engine_any_more():
    """Its successor takes its place with the same serial and position."""
    shop = shop_with(MeasuredBank("left", same_gasket=True))
    gone = replace(shop.parts[1], state=PartState.SCRAPPED)
    successor = replace(shop.parts[1], id=9, tag="T-9")
    shop = replace(shop, parts={**shop.parts, 1: gone, 9: successor})
    found = stacks_of(shop, TWIN, "E-1", {1: (cut(1, 0.4),), 9: (cut(9, 0.1),)}, {})
    assert [p.tag for p in found.parts["left"]] == ["T-9"]
    assert found.banks[0].head_cut_mm == pytest.approx(0.1) and found.problems == ()
