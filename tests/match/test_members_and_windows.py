"""Members as they stand, plans that follow, the partner's window, the checks at the machine, gang setups."""

import math

import pytest
from scipy import stats

from planner import InputError
from planner.match import (
    Member,
    MemberSet,
    PassRule,
    SetupMinutes,
    advise_order,
    check_parts_once,
    clamped_check,
    gang_setup,
    match_set,
    partner_target,
    plan_members,
    same_blocks_target,
)

THOU = 0.0254


def member(name="A", state="checked", heights=(100.0,), removal=0.1, **more):
    return Member(name, state, heights, removal, **more)


def pair(first=None, second=None, **more):
    return MemberSet("one", (first or member(), second or member("B")), 2 * THOU, 5 * THOU, **more)


def test_members_match_on_the_mean_and_keep_their_lowest_point_above_the_limit():
    tapered = member(heights=(100.02, 99.98), removal=0.1, min_height_mm=99.88)
    assert tapered.height_mm == pytest.approx(100.0)
    assert tapered.spread_mm == pytest.approx(0.04)
    assert tapered.least_mean_mm == pytest.approx(99.90)
    plan = plan_members(pair(tapered, member("B", removal=0.16)))
    # B ends at 99.84, so A would follow to 99.8908: above 99.88 on the mean, yet its lowest point would be below.
    assert not plan.meets_aim
    assert plan.aim.short_mm[0] == pytest.approx(99.90 - (99.84 + 2 * THOU))
    assert plan.stop.feasible and plan.cuts.feasible  # within 5 thou it need not be cut further than clean
    assert plan.spreads_mm[0] == pytest.approx(0.04)


def test_relative_to_nominal():
    left = member("L", heights=(120.0,), nominal_mm=120.1, removal=0.1)
    right = member("R", heights=(118.1,), nominal_mm=118.1, removal=0.1)
    plan = plan_members(pair(left, right, relative=True))
    assert plan.finals_mm == pytest.approx([119.9, 118.1 - 0.2 + 2 * THOU])


def test_a_finished_member_stays_where_it_is():
    done = Member("A", "finished", (99.80,))
    plan = plan_members(pair(done, member("B", removal=0.1)))
    assert plan.cuts.cuts_mm == pytest.approx([0.0, 0.20 - 2 * THOU])


def test_likely_removal_knows_what_is_already_taken():
    depth = stats.lognorm(0.4, scale=0.1)
    cutting = member(state="being cut", removal=depth, removed_mm=0.12)
    expected = depth.isf(0.5 * depth.sf(0.12))
    assert cutting.likely_removal_mm == pytest.approx(expected)
    assert cutting.likely_removal_mm > 0.12


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: pair(member(engine="E1"), member("B", engine="E2")), "members"),  # of different engines
        (lambda: pair(member(nominal_mm=100), member("B"), relative=True), "members[1].nominal_mm"),
        (lambda: MemberSet("one", (member(), member("B")), -0.01, 0.1), "aim_mm"),
        (lambda: MemberSet("one", (member(), member("B")), 0.1, -0.1), "stop_mm"),
        (lambda: MemberSet("one", (member(), member("B")), 0.1, 0.05), "stop_mm"),
        (lambda: MemberSet("one", (member(),), 0.05, 0.1), "members"),
        (lambda: pair(member(), member()), "members"),  # the same name twice
        (lambda: Member("A", "finished"), "heights_mm"),  # a finished member without a height
        (lambda: Member("A", "finished", (100.0,), 0.1), "removal_mm"),
        (lambda: Member("A", "checked", (), 0.1), "heights_mm"),
        (lambda: Member("A", "lost", (100.0,), 0.1), "state"),
        (lambda: member(heights=(100.0, math.nan)), "heights_mm[1]"),
        (lambda: member(removal=-0.1), "removal_mm"),
        (lambda: member(height_sd_mm=-1), "height_sd_mm"),
        (lambda: plan_members(pair(member(state="not measured", heights=()))), "members[0].heights_mm"),
        (lambda: plan_members(pair(member(removal=None))), "members[0].removal_mm"),
        (lambda: pair(member(part="P1"), member("B", part="P1")), "members"),
        (lambda: advise_order(pair(), value_per_mm=-1, setup_cost=1), "value_per_mm"),
        (lambda: advise_order(pair(), value_per_mm=1, setup_cost={"A": 1}), "setup_cost"),
    ],
)
def test_refusals(make, field):
    with pytest.raises(InputError) as caught:
        make()
    assert caught.value.field == field


def test_a_part_in_two_sets_is_refused():
    one = pair(member(part="P1"), member("B", part="P2"))
    other = MemberSet("other", (member(part="P3"), member("B", part="P2")), 0.05, 0.1)
    check_parts_once([one])
    with pytest.raises(InputError, match="already in set one"):
        check_parts_once([one, other])


RULE = PassRule(least_mm=0.5 * THOU, greatest_mm=4 * THOU, step_mm=0.5 * THOU, finish_mm=THOU)


def test_partner_follows_the_finished_one():
    done = Member("A", "finished", (99.80, 99.80))
    target = partner_target(pair(done, member("B", heights=(100.01, 99.99), removal=0.1)), "B", rule=RULE)
    assert target.low_mm == pytest.approx(99.80 - 2 * THOU)
    assert target.high_mm == pytest.approx(99.80 + 2 * THOU)
    # 0.1492 mm is 5.87 thou: rounded deeper to 6
    assert target.removal_mm == pytest.approx(6 * THOU)
    assert sum(target.passes_mm) == pytest.approx(6 * THOU)
    assert target.passes_mm[-1] == pytest.approx(THOU)
    assert target.point_finals_mm == pytest.approx((100.01 - 6 * THOU, 99.99 - 6 * THOU))
    assert target.problems == () and target.open and target.chance == 1.0


def test_partner_window_moves_when_the_heights_are_doubtful():
    done = Member("A", "finished", (99.80,))
    target = partner_target(pair(done), "B", doubts_mm={"A": 0.003, "B": 0.004})
    assert target.high_mm == pytest.approx(99.80 + 2 * THOU - 0.010)


def test_partner_that_will_end_below_says_that_the_first_must_be_cut_again():
    done = Member("A", "finished", (99.95,))
    depth = stats.lognorm(0.3, scale=0.2)
    target = partner_target(pair(done, member("B", removal=depth)), "B")
    assert "A would have to be cut again" in target.problems[0]
    assert target.chance == pytest.approx(depth.cdf(100 - (99.95 - 2 * THOU)), abs=1e-6)


def test_partner_without_a_window():
    done = Member("A", "finished", (99.80,))
    target = partner_target(pair(done, member("B", min_height_mm=99.9)), "B")
    assert not target.open and target.chance == 0 and "least height" in target.problems[0]
    with pytest.raises(InputError):
        partner_target(pair(done), "A")
    with pytest.raises(InputError):
        partner_target(pair(done), "C")


def test_same_blocks_same_instrument():
    same = same_blocks_target(12.40, 0.05)
    assert (same.reading_mm, same.low_mm, same.high_mm) == pytest.approx((12.40, 12.35, 12.45))
    # A second that has to stand 0.3 mm higher: the cutter stays higher, a smaller figure where the count goes up.
    assert same_blocks_target(12.40, 0.05, higher_by_mm=0.3).reading_mm == pytest.approx(12.10)
    assert same_blocks_target(12.40, 0.05, higher_by_mm=0.3, counts_up=False).reading_mm == pytest.approx(12.70)
    assert same.void == ()
    assert len(same_blocks_target(12.4, 0.05, rezeroed=True, edge_changed=True, blocks_moved=True).void) == 3


@pytest.mark.parametrize(
    ("height", "verdict"),
    [
        (99.83, "inside"),
        (99.87, "above"),
        (99.79, "below"),
        (99.851, "too close to tell"),
        (99.842, "too close to tell"),
    ],
)
def test_clamped_check(height, verdict):
    check = clamped_check(height, 0.005, 99.81, 99.85)
    assert check.verdict == verdict
    assert check.surely_in_mm == pytest.approx(max(0, height + 0.01 - 99.85))
    assert check.at_most_mm == pytest.approx(height - 0.01 - 99.81)


def test_gang_setup_shares_minutes_and_costs_material():
    minutes = [SetupMinutes(8, 10, 5, 4.3, 1.5, 4), SetupMinutes(8, 12, 5, 4.3, 1.5, 3)]
    heights, cleanup, least, tolerance = [100.0, 100.0], [0.15, 0.08], [99.5, 99.5], 0.05
    gang = gang_setup(
        heights,
        cleanup,
        least,
        tolerance,
        minutes,
        gang_traverse_minutes=7.0,
        gang_passes=4,
        rate_per_minute=2.0,
        value_per_mm=300,
    )
    assert gang.final_mm == pytest.approx(99.85)
    assert gang.cuts_mm == pytest.approx([0.15, 0.15])
    # one by one the second would stop at 99.90
    assert gang.more_mm == pytest.approx(0.05)
    assert gang.minutes == pytest.approx(13 + 6.5 + 22 + 4 * 8.5)
    assert gang.minutes_apart == pytest.approx(23 + 4 * 5.8 + 25 + 3 * 5.8)
    assert gang.shares_minutes.sum() == pytest.approx(gang.minutes)
    assert gang.saving == pytest.approx(2.0 * gang.minutes_saved - 300 * 0.05)
    assert gang.feasible == match_set(heights, cleanup, least, 0.0).feasible


def test_reasons_in_words():
    def advice(*members):
        return advise_order(MemberSet("s", members, 2 * THOU, 5 * THOU), value_per_mm=300, setup_cost=50)

    def depth(median):
        return stats.lognorm(0.4, scale=median)

    worst = advice(member(removal=depth(0.2)), member("B", removal=depth(0.1)))
    assert worst.best.order == ("A", "B")
    assert worst.reason.startswith("Cut A first: it will probably") and "worst face" in worst.reason
    alike = advice(member(removal=depth(0.1)), member("B", removal=depth(0.1)))
    assert alike.reason.startswith("Either order")
    assert "Only B" in advice(Member("A", "finished", (99.9,)), member("B", removal=depth(0.1))).reason
    cutting = advice(member(removal=depth(0.3)), member("B", "being cut", removal=depth(0.1), removed_mm=0.05))
    assert cutting.best.order == ("B", "A") and "on the machine" in cutting.reason
    dear = advise_order(
        MemberSet("s", (member(removal=depth(0.12)), member("B", removal=depth(0.1))), 2 * THOU, 5 * THOU),
        value_per_mm=300,
        setup_cost={"A": 500, "B": 10},
    )
    assert dear.best.order == ("B", "A") and "cost less" in dear.reason
    assert sum(dear.lowest_chance.values()) == pytest.approx(1)


def test_five_members_are_refused():
    five = MemberSet("s", tuple(member(n) for n in "ABCDE"), 0.05, 0.1)
    with pytest.raises(InputError):
        advise_order(five, value_per_mm=1, setup_cost=1)


def test_window_between_two_finished_members():
    """Within 2 thou of both: not above the lower one + 2, not below the higher one - 2."""
    three = MemberSet(
        "three", (Member("A", "finished", (99.80,)), Member("B", "finished", (99.82,)), member("C")), 2 * THOU, 5 * THOU
    )
    target = partner_target(three, "C")
    assert (target.low_mm, target.high_mm) == pytest.approx((99.82 - 2 * THOU, 99.80 + 2 * THOU))
    assert target.final_mm == pytest.approx(99.80 + 2 * THOU)
