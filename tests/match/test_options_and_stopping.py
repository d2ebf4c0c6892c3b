"""What would help when a set cannot be matched; whether to stop or go on."""

from dataclasses import dataclass

import pytest

from planner import InputError
from planner.match import Help, Member, MemberSet, PoolPart, stop_or_go_on, what_would_help

THOU = 0.0254


@dataclass(frozen=True)
class Shelf:
    name: str
    crushed_mm: float
    bore_mm: float | None = None
    may_be_stacked: bool = False


def thou(mm):
    return f"{mm / THOU:.1f} thou"


def second_head(aim=2, **more):
    """Both heads came in at 4 in; the first lost 15 thou, the second is on the machine."""
    first = Member("first", "finished", (101.6 - 15 * THOU,))
    second = Member("second", "being cut", (101.6,), 12 * THOU, **more)
    return MemberSet("pair", (first, second), aim * THOU, 5 * THOU)


def advise(one, **more):
    args = {"clean_at_mm": 12 * THOU, "value_per_mm": 300, "pass_cost": 10, "greatest_mm": 4 * THOU}
    args |= {"step_mm": 0.5 * THOU, "least_mm": 0.5 * THOU, "show": thou}
    return stop_or_go_on(one, "second", **{**args, **more})


def test_common_practice_partner_already_cut_15_thou():
    """Common practice, no source: a partner already lost 0.015 in, the second cleans up at 0.012 in. Stopping leaves
    3 thou between them; one thou more brings it within an aim of 2, three make them level."""
    found = advise(second_head(aim=2))
    stop, aim, level = found.choices
    assert [round(c.further_mm / THOU, 6) for c in found.choices] == [0, 1, 3]
    assert stop.mismatch_mm == pytest.approx(3 * THOU) and not stop.within_aim and stop.within_stop
    assert stop.cost == 0
    assert aim.within_aim and aim.cost == pytest.approx(10 + 300 * THOU)
    assert level.mismatch_mm == pytest.approx(0) and level.cost == pytest.approx(10 + 300 * 3 * THOU)
    assert found.advised is aim
    assert found.advice.startswith("Go on by 1.0 thou") and "3.0 thou above first" in found.advice


def test_common_practice_stop_where_three_thou_may_stay():
    found = advise(second_head(aim=3))
    assert found.advised.name == "stop" and found.advice.startswith("Stop")


def test_a_hair_outside_is_a_least_pass_of_the_finished_one_and_its_price_has_the_shop_s_money():
    """Clean 0.02 thou below the window: no instrument sets that, so the finished one would lose a whole least pass."""
    one = second_head(aim=2, min_height_mm=101.6 - 18 * THOU)
    found = advise(one, clean_at_mm=17.02 * THOU, setup_cost=60, show_price=lambda price: f"${price:.0f}")
    assert found.choices[0].recut_mm == pytest.approx(0.5 * THOU)
    assert "2.0 thou apart, a hair more than the window of 2.0 thou; somebody has to agree" in found.advice
    assert "again by 0.5 thou would match, at a cost of $64" in found.advice


def test_common_practice_limit_forbids_going_on():
    """Half a thou above its least height: stopping is all that is left, and somebody has to agree."""
    found = advise(second_head(aim=2, min_height_mm=101.6 - 12.5 * THOU))
    assert [c.above_limit for c in found.choices] == [True, False, False]
    assert found.advised.name == "stop" and "agree" in found.advice


def test_common_practice_second_needs_more_than_the_first_lost():
    found = advise(second_head(aim=2), clean_at_mm=19 * THOU, setup_cost=60)
    assert found.advised.recut_mm == pytest.approx(2 * THOU)
    assert "agree" in found.advice and "again by 2.0 thou" in found.advice
    far = advise(second_head(aim=2), clean_at_mm=25 * THOU)
    assert far.advice.startswith("No depth matches")


def test_stopping_needs_a_finished_member():
    open_pair = MemberSet(
        "p", (Member("first", "checked", (100.0,), 0.1), Member("second", "checked", (100.0,), 0.1)), 0.05, 0.1
    )
    with pytest.raises(InputError):
        advise(open_pair)
    with pytest.raises(InputError):
        stop_or_go_on(second_head(), "first", clean_at_mm=0.1, value_per_mm=1, pass_cost=1, greatest_mm=0.1)


def low_partner(min_first=99.0, min_second=99.0):
    """The first is finished at 99.90; the second will end at 99.70, and the aim is 0.05."""
    first = Member("first", "finished", (99.90,), min_height_mm=min_first)
    second = Member("second", "checked", (100.0,), 0.30, min_height_mm=min_second)
    return MemberSet("pair", (first, second), 0.05, 0.127)


def help_for(one, **more):
    found = what_would_help(one, value_per_mm=300, setup_cost=60, show=thou, **more)
    return {o.kind: o for o in reversed(found)}, found


def test_recutting_the_first():
    by_kind, _ = help_for(low_partner())
    recut = by_kind[Help.RECUT]
    assert recut.possible and recut.members == ("first",)
    assert recut.removal_mm == pytest.approx(0.15) and recut.mismatch_mm == pytest.approx(0.05)
    assert recut.cost == pytest.approx(60 + 300 * 0.15)
    by_kind, _ = help_for(low_partner(min_first=99.8))
    assert not by_kind[Help.RECUT].possible and "below its least height" in by_kind[Help.RECUT].text


def test_accepting_the_mismatch_needs_somebody_to_agree():
    by_kind, _ = help_for(low_partner())
    accept = by_kind[Help.ACCEPT]
    assert accept.mismatch_mm == pytest.approx(0.20) and accept.who_agrees and not accept.possible
    assert "more than the 5.0 thou that may pass" in accept.text


def test_gaskets_make_up_the_difference():
    shelf = [Shelf("thin", 1.0), Shelf("thick", 1.2), Shelf("shim", 0.5, may_be_stacked=True)]
    by_kind, found = help_for(low_partner(), shelf=shelf)
    gasket = by_kind[Help.GASKET]
    assert gasket.possible and gasket.members == ("second",)
    assert gasket.mismatch_mm == pytest.approx(0.0, abs=1e-9) and gasket.cost == 0
    assert "thin" in gasket.text and "thick" in gasket.text and "on second" in gasket.text
    assert found[0].kind is Help.GASKET
    # Only one kind on the shelf: 0.2 apart cannot be made up, unless a shim may be laid under it.
    only = [Shelf("thin", 1.0, may_be_stacked=True), Shelf("shim", 0.2, may_be_stacked=True)]
    by_kind, _ = help_for(low_partner(), shelf=only[:1])
    assert Help.GASKET not in by_kind
    by_kind, _ = help_for(low_partner(), shelf=only, most_stacked=2)
    assert by_kind[Help.GASKET].possible and "thin + shim" in by_kind[Help.GASKET].text


def test_another_partner_from_the_pool():
    pool = [PoolPart("far", "f", 99.5), PoolPart("near", "f", 99.92), PoolPart("kept", "f", 99.9, leave_out=True)]
    _, found = help_for(low_partner(), pool=pool)
    partner = [o for o in found if o.kind is Help.PARTNER]
    assert any(o.members == ("first", "near") and o.removal_mm == pytest.approx(0) for o in partner)
    assert all("kept" not in o.members for o in partner)


def test_welding_the_spot():
    by_kind, _ = help_for(low_partner(), removal_without_spot_mm={"second": 0.12}, weld_cost=80)
    assert by_kind[Help.WELD].possible and by_kind[Help.WELD].cost == pytest.approx(80)
    assert "7.1 thou sooner" in by_kind[Help.WELD].text
    by_kind, _ = help_for(low_partner(), removal_without_spot_mm={"second": 0.25}, weld_cost=80)
    assert not by_kind[Help.WELD].possible and "first would have to be cut again" in by_kind[Help.WELD].text


def test_a_part_that_cannot_come_clean_is_helped_by_welding_or_another_part_only():
    by_kind, found = help_for(
        low_partner(min_second=99.8),
        shelf=[Shelf("thin", 1.0), Shelf("thick", 1.2)],
        pool=[PoolPart("near", "f", 99.92)],
        removal_without_spot_mm={"second": 0.12},
        weld_cost=80,
    )
    assert {o.kind for o in found if o.possible} == {Help.WELD, Help.PARTNER}


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"removal_without_spot_mm": {"second": 0.1}}, "weld_cost"),
        ({"removal_without_spot_mm": {"third": 0.1}, "weld_cost": 1}, "removal_without_spot_mm"),
        ({"shelf": [Shelf("none", 0.0)]}, "shelf[0].crushed_mm"),
        ({"shelf": [Shelf("thin", 1.0)], "most_stacked": 0}, "most"),
    ],
)
def test_refusals(more, field):
    with pytest.raises(InputError) as caught:
        help_for(low_partner(), **more)
    assert caught.value.field == field
