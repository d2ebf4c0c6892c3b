"""What the cuts change, bank by bank: figures, limits, head-room, what stays unknown."""

import math
from dataclasses import replace

import pytest

from planner import InputError
from planner.match import (
    Bank,
    ChainDrive,
    Crown,
    Engine,
    LiftCurve,
    Limits,
    MeasuredChamber,
    PushrodDrive,
    Standing,
    TautRun,
    Valve,
    bank_effects,
    chamber_at,
    engine_effects,
    valve_clearance_after,
)

THOU = 0.0254
LIMITS = Limits(
    compression_greatest=10.0,
    chamber_spread_greatest_cm3=1.0,
    squish_least_mm=0.9,
    intake_least_mm=2.0,
    exhaust_least_mm=2.5,
    preload_greatest_mm=1.5,
    cam_shift_greatest_deg=2.0,
)
ENGINE = Engine(
    bore_mm=90.0,
    stroke_mm=80.0,
    chamber_area_mm2=5000.0,
    piston_cm3=2.0,
    gasket_bore_mm=92.0,
    intake=Valve(20.0, Crown.PARALLEL_POCKET),
    exhaust=Valve(20.0, Crown.FLAT),
    cam=PushrodDrive(10.0),
    limits=LIMITS,
)
BANK = Bank(
    "left",
    head_cut_mm=0.2,
    deck_cut_mm=0.1,
    chambers_cm3=(50.0, 50.6),
    deck_clearance_mm=0.5,
    gasket_before_mm=1.0,
    same_gasket=True,
    intake_mm=2.6,
    exhaust_mm=3.1,
    preload_mm=0.8,
)


def test_every_figure_by_hand():
    found = bank_effects(ENGINE, BANK)
    area, gasket_area = math.pi / 4 * 90**2, math.pi / 4 * 92**2
    swept = area * 80
    before = 50000 + 2000 + area * 0.5 + gasket_area * 1.0
    after = before - 5000 * 0.2 - area * 0.1
    ratio = found["compression ratio"]
    assert ratio.before == pytest.approx(1 + swept / before) and ratio.after == pytest.approx(1 + swept / after)
    assert found["chamber volume"].after == pytest.approx(49.0)
    assert found["chamber spread"].after == pytest.approx(0.6)
    assert found["squish"].before == pytest.approx(1.5) and found["squish"].after == pytest.approx(1.4)
    assert found.drop_mm == pytest.approx(0.3)
    cos = math.cos(math.radians(20))
    assert found["intake valve clearance"].after == pytest.approx(2.6 - 0.3 * cos)
    assert found["exhaust valve clearance"].after == pytest.approx(3.1 - 0.3 / cos)
    assert found["preload"].after == pytest.approx(0.8 + 0.3 * math.cos(math.radians(10)))
    assert found["cam timing change"].after == 0
    assert not found.line_bore_due and found.past == () and found.unknown == ()


def test_head_room_is_rounded_down_and_holds():
    """At the head-room the limit still holds; one step further it does not."""
    found = bank_effects(ENGINE, BANK)
    exhaust = found["exhaust valve clearance"]
    exact = (3.1 - 2.5) * math.cos(math.radians(20)) - 0.3
    assert exhaust.headroom_head_mm == pytest.approx(math.floor(exact / THOU) * THOU)
    assert exhaust.headroom_head_mm == pytest.approx(10 * THOU)  # "10 thou more before the exhaust valve limit"
    for effect in found.effects:
        for room, field in ((effect.headroom_head_mm, "head_cut_mm"), (effect.headroom_case_mm, "deck_cut_mm")):
            if room is None or room == math.inf:
                continue
            at = replace(BANK, **{field: getattr(BANK, field) + room})
            assert bank_effects(ENGINE, at)[effect.name].standing is Standing.WITHIN
            past = replace(BANK, **{field: getattr(BANK, field) + room + THOU})
            assert bank_effects(ENGINE, past)[effect.name].standing is Standing.PAST
    assert found["chamber spread"].headroom_head_mm == math.inf  # each chamber loses the same
    assert found["squish"].headroom_head_mm == math.inf  # the pad is flush and moves with the face
    assert found["squish"].headroom_case_mm == pytest.approx(math.floor(0.5 / THOU) * THOU)
    name, room = found.first_limit_of("head")
    assert room == min(e.headroom_head_mm for e in found.effects if e.headroom_head_mm is not None)
    assert found[name].headroom_head_mm == room


def test_past_its_limit():
    found = bank_effects(ENGINE, replace(BANK, exhaust_mm=2.7))
    assert found.past == ("exhaust valve clearance",)
    assert found["exhaust valve clearance"].headroom_head_mm == 0


def test_parting_face_cut_lowers_the_deck_and_asks_for_line_bore():
    parting = bank_effects(ENGINE, replace(BANK, deck_cut_mm=0.0, parting_cut_mm=0.1))
    deck = bank_effects(ENGINE, BANK)
    assert parting.line_bore_due and not deck.line_bore_due
    for a, b in zip(parting.effects, deck.effects, strict=True):
        assert a.after == b.after


def test_thicker_gasket_gives_back():
    found = bank_effects(ENGINE, replace(BANK, same_gasket=False, gasket_after_mm=1.3))
    assert found.drop_mm == pytest.approx(0.0)
    assert found["exhaust valve clearance"].after == pytest.approx(3.1)
    assert found["squish"].after == pytest.approx(1.7)


@pytest.mark.parametrize(
    ("change", "unknown"),
    [
        ({"intake_mm": None}, {"intake valve clearance"}),
        ({"exhaust_mm": None}, {"exhaust valve clearance"}),
        ({"preload_mm": None}, {"preload"}),
        ({"deck_clearance_mm": None}, {"compression ratio", "squish"}),
        ({"chambers_cm3": ()}, {"compression ratio", "chamber volume", "chamber spread"}),
        ({"chambers_cm3": (50.0, None)}, {"chamber spread"}),
        (
            {"same_gasket": False},
            {
                "compression ratio",
                "squish",
                "intake valve clearance",
                "exhaust valve clearance",
                "preload",
                "cam timing change",
            },
        ),
    ],
)
def test_what_is_not_measured_stays_unknown(change, unknown):
    found = bank_effects(ENGINE, replace(BANK, **change))
    assert set(found.unknown) == unknown
    for name in unknown:
        assert found[name].after is None and found[name].headroom_head_mm is None and found[name].note


def test_unknown_geometry_stays_unknown():
    assert "compression ratio" in bank_effects(replace(ENGINE, piston_cm3=None), BANK).unknown
    assert "chamber volume" in bank_effects(replace(ENGINE, chamber_area_mm2=None), BANK).unknown
    assert "squish" in bank_effects(replace(ENGINE, pad_recess_mm=None), BANK).unknown
    assert "intake valve clearance" in bank_effects(replace(ENGINE, cam=None), BANK).unknown


def test_recessed_pad_takes_up_the_head_cut_until_it_is_flush():
    recessed = replace(ENGINE, pad_recess_mm=0.15)
    found = bank_effects(recessed, BANK)["squish"]
    assert found.before == pytest.approx(1.65) and found.after == pytest.approx(1.4)


def test_no_limit_set():
    found = bank_effects(replace(ENGINE, limits=Limits()), BANK)
    assert {e.standing for e in found.effects} == {Standing.NO_LIMIT}
    assert found.first_limit_of("head") is None


CHAIN = ChainDrive(pitch_radius_mm=50.0, run_angle_deg=5.0)


def test_chain_retards_and_the_exhaust_side_loses():
    engine = replace(ENGINE, cam=CHAIN)
    found = bank_effects(engine, BANK)
    shift = 2 * math.degrees(0.3 * math.cos(math.radians(5)) / 50)
    assert found["cam timing change"].after == pytest.approx(shift)
    cos = math.cos(math.radians(20))
    assert found["exhaust valve clearance"].after == pytest.approx(3.1 - 0.3 / cos - 0.15 * shift)
    assert found["intake valve clearance"].after == pytest.approx(2.6 - 0.3 * cos)
    assert found["preload"].after == 0.8  # the cam moves with the head
    other = bank_effects(replace(ENGINE, cam=replace(CHAIN, taut_run=TautRun.LENGTHENS)), BANK)
    assert other["cam timing change"].after == pytest.approx(-shift)
    assert other["intake valve clearance"].after == pytest.approx(2.6 - 0.3 * cos - 0.15 * shift)
    unsure = bank_effects(replace(ENGINE, cam=replace(CHAIN, taut_run=TautRun.UNKNOWN)), BANK)
    assert unsure["exhaust valve clearance"].after == found["exhaust valve clearance"].after
    assert unsure["intake valve clearance"].after == other["intake valve clearance"].after
    assert "not known" in unsure["cam timing change"].note


def test_a_lift_curve_replaces_the_rule_of_thumb():
    angles = tuple(float(a) for a in range(-40, 41, 2))
    curve = LiftCurve(angles, tuple(max(0.0, 2.0 - 0.05 * (a + 40)) for a in angles))
    engine = replace(ENGINE, cam=CHAIN, rod_mm=140.0, exhaust=Valve(20.0, Crown.FLAT, curve))
    found = bank_effects(engine, BANK)["exhaust valve clearance"]
    rule = bank_effects(replace(engine, exhaust=Valve(20.0, Crown.FLAT)), BANK)["exhaust valve clearance"]
    # The curve falls by 0.05 mm a degree, a third of the rule.
    assert rule.after < found.after < 3.1 - 0.3 / math.cos(math.radians(20))
    assert "no lift curve" in rule.note and found.note == ""


def test_unknown_crown_takes_the_worse():
    both = [
        valve_clearance_after(3.0, d, 25.0, Crown.UNKNOWN, closes_near_tdc=True)
        - min(valve_clearance_after(3.0, d, 25.0, c, closes_near_tdc=True) for c in (Crown.FLAT, Crown.PARALLEL_POCKET))
        for d in (0.3, -0.3)
    ]
    assert both == pytest.approx([0, 0])


def test_banks_of_an_engine_together():
    right = replace(BANK, name="right", head_cut_mm=0.05, chambers_cm3=(50.0, 49.8))
    found = engine_effects(ENGINE, [BANK, right])
    assert found.stack_difference_mm == pytest.approx(0.15)
    assert found.chamber_spread_cm3 == pytest.approx(49.75 - 49.0)
    a, b = (e["compression ratio"].after for e in found.banks)
    assert found.compression_difference == pytest.approx(abs(a - b))
    heights = engine_effects(ENGINE, [BANK, right], {"left": 300.0, "right": 300.1})
    assert heights.stack_difference_mm == pytest.approx(0.1)
    unknown = engine_effects(ENGINE, [BANK, replace(right, same_gasket=False)])
    assert unknown.stack_difference_mm is None and unknown.compression_difference is None
    with pytest.raises(InputError):
        engine_effects(ENGINE, [BANK, BANK])
    with pytest.raises(InputError):
        engine_effects(ENGINE, [BANK, right], {"left": 300.0})


def test_measured_chambers_override_the_drawing():
    drawing = {"drawing_cm3": 48.0, "drawing_area_mm2": 5000.0, "drawing_height_mm": 100.0}
    assert chamber_at(99.8, **drawing).volume_cm3 == pytest.approx(47.0)
    one = chamber_at(99.8, **drawing, measured=[MeasuredChamber(100.0, 49.0)])
    assert one.volume_cm3 == pytest.approx(48.0) and one.volume_measured and not one.area_measured
    two = chamber_at(
        99.6,
        **drawing,
        measured=[MeasuredChamber(100.0, 49.0), MeasuredChamber(99.8, 48.2)],
        volume_doubt_cm3=0.1,
    )
    assert two.area_mm2 == pytest.approx(4000.0) and two.area_measured
    assert two.volume_cm3 == pytest.approx(47.4)
    assert two.area_doubt_mm2 == pytest.approx(1000 * math.hypot(0.1, 0.1) / 0.2)
    repeated = chamber_at(None, measured=[MeasuredChamber(100.0, 49.0), MeasuredChamber(100.0, 49.2)])
    assert repeated.volume_cm3 == pytest.approx(49.1) and repeated.area_mm2 is None
    assert chamber_at(99.8, measured=[MeasuredChamber(100.0, 49.0)]) is None  # no area to carry it there
    assert chamber_at(99.8) is None
    assert chamber_at(99.8, drawing_cm3=48.0, drawing_area_mm2=5000.0) is None  # at which height?
    with pytest.raises(InputError, match="grow with the head"):
        chamber_at(99.8, measured=[MeasuredChamber(100.0, 48.0), MeasuredChamber(99.8, 48.2)])


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: Engine(0, 80), "bore_mm"),
        (lambda: Engine(90, 80, rod_mm=40), "rod_mm"),
        (lambda: Bank("b", head_cut_mm=-0.1), "head_cut_mm"),
        (lambda: Bank("b", chambers_cm3=(0.0,)), "chambers_cm3[0]"),
        (lambda: Bank("b", gasket_before_mm=1.0, gasket_after_mm=1.2, same_gasket=True), "gasket_after_mm"),
        (lambda: ChainDrive(0.0), "pitch_radius_mm"),
        (lambda: ChainDrive(50.0, 90.0), "run_angle_deg"),
        (lambda: ChainDrive(50.0, taut_run="sideways"), "taut_run"),
        (lambda: PushrodDrive(90.0), "pushrod_angle_deg"),
        (lambda: Limits(squish_least_mm=-1), "squish_least_mm"),
        (lambda: LiftCurve((0.0, 0.0), (1.0, 1.0)), "crank_deg"),
        (lambda: LiftCurve((0.0, 1.0), (1.0,)), "lift_mm"),
        (lambda: bank_effects(ENGINE, replace(BANK, head_cut_mm=11.0)), "head_cut_mm"),
        (lambda: valve_clearance_after(2.0, 0.1, 95.0, Crown.FLAT, closes_near_tdc=True), "valve_angle_deg"),
        (lambda: valve_clearance_after(2.0, 0.1, 20.0, "domed", closes_near_tdc=True), "crown"),
    ],
)
def test_refusals(make, field):
    with pytest.raises(InputError) as caught:
        make()
    assert caught.value.field == field


def test_section_six_refusals():
    from planner.match import cam_shift, compression_ratio, milled_clearance, piston_drop, swept_volume

    for bad, field in (
        (lambda: swept_volume(-1, 80), "bore_mm"),
        (lambda: compression_ratio(500, 0), "clearance_cm3"),
        (lambda: milled_clearance(50, 5000, -0.1), "cut_mm"),
        (lambda: milled_clearance(50, 5000, 10.0), "cut_mm"),
        (lambda: piston_drop(10, 40, 40), "rod_mm"),
        (lambda: piston_drop(math.nan, 40, 140), "crank_deg"),
        (lambda: piston_drop([[1], [2, 3]], 40, 140), "crank_deg"),
        (lambda: piston_drop(["10"], 40, 140), "crank_deg"),
        (lambda: swept_volume(10**400, 80), "bore_mm"),
        (lambda: swept_volume(1e200, 80), "bore_mm"),
        (lambda: compression_ratio(1e99, 1e-300), "clearance_cm3"),
        (lambda: cam_shift(0.1, 0), "pitch_radius_mm"),
    ):
        with pytest.raises(InputError) as caught:
            bad()
        assert caught.value.field == field
