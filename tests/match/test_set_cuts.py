"""Closed-form least removal, rounding, guard, refusals."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.match import match_set, round_cut, set_guard

HEIGHTS = st.lists(st.floats(99, 101), min_size=2, max_size=6)


@st.composite
def sets(draw):
    heights = draw(HEIGHTS)
    n = len(heights)
    cleanup = draw(st.lists(st.one_of(st.just(0.0), st.floats(0.001, 0.5)), min_size=n, max_size=n))
    least = draw(st.lists(st.floats(98, 100), min_size=n, max_size=n))
    return heights, cleanup, least, draw(st.floats(0, 0.2))


@given(sets())
def test_the_plain_case_is_the_closed_form(one):
    heights, cleanup, least, tolerance = one
    found = match_set(heights, cleanup, least, tolerance)
    natural = np.array(heights) - cleanup
    finals = np.minimum(natural, natural.min() + tolerance)
    np.testing.assert_allclose(found.finals_mm, finals, atol=1e-9)
    np.testing.assert_allclose(found.cuts_mm, np.array(heights) - finals, atol=2e-9)
    np.testing.assert_allclose(found.extra_mm, natural - finals, atol=2e-9)
    assert found.feasible == bool((finals >= np.array(least) - 1e-9).all())
    assert bool(found.problems) != found.feasible


@settings(max_examples=300)
@given(sets(), st.sampled_from([0.0, 0.0127, 0.0254]), st.sampled_from([0.0, 0.0127, 0.03]), st.floats(0, 0.05))
def test_what_is_called_feasible_is(one, step, least_pass, guard):
    heights, cleanup, least, tolerance = one
    found = match_set(heights, cleanup, least, tolerance, guard, step, least_pass)
    np.testing.assert_allclose(found.finals_mm, np.array(heights) - found.cuts_mm, atol=1e-12)
    if not found.feasible:
        assert found.problems
        return
    assert (found.finals_mm >= np.array(least) - 1e-8).all()
    assert (found.cuts_mm >= np.array(cleanup) - 1e-8).all()
    assert np.ptp(found.finals_mm) <= max(0.0, tolerance - guard) + 1e-8
    cut = found.cuts_mm[found.cuts_mm > 0]
    assert (cut >= least_pass - 1e-8).all()
    if step:
        np.testing.assert_allclose(cut / step, np.round(cut / step), atol=1e-6)


@settings(max_examples=100)
@given(sets(), st.sampled_from([0.0127, 0.05]))
def test_no_settable_set_of_cuts_takes_less(one, step):
    """Against every combination of whole steps up to one more than ours on each of two members."""
    heights, cleanup, least, tolerance = (one[0][:2], one[1][:2], one[2][:2], one[3])
    found = match_set(heights, cleanup, least, tolerance, step_mm=step)
    if not found.feasible:
        return
    most = np.ceil(found.cuts_mm / step + 1e-6).astype(int) + 1
    best = math.inf
    for a in range(most[0] + 1):
        for b in range(most[1] + 1):
            cuts = step * np.array([a, b])
            finals = np.array(heights) - cuts
            if (cuts >= np.array(cleanup) - 1e-9).all() and np.ptp(finals) <= tolerance + 1e-9:
                best = min(best, cuts.sum())
    assert found.cuts_mm.sum() == pytest.approx(best, abs=1e-7)


def test_two_heads_by_hand():
    """100.00 needs 0.30, 99.90 needs 0.10, within 0.05: low is 99.70, the other follows to 99.75."""
    found = match_set([100.0, 99.9], [0.3, 0.1], [99.5, 99.5], 0.05)
    assert found.finals_mm == pytest.approx([99.70, 99.75])
    assert found.extra_mm == pytest.approx([0.0, 0.05])
    assert found.feasible and found.problems == ()


def test_guard_narrows_the_window_and_too_doubtful_heights_are_said():
    found = match_set([100.0, 99.9], [0.3, 0.1], [99.5, 99.5], 0.05, guard_mm=0.02)
    assert found.finals_mm == pytest.approx([99.70, 99.73])
    doubtful = match_set([100.0, 99.9], [0.3, 0.1], [99.5, 99.5], 0.05, guard_mm=0.06)
    assert doubtful.finals_mm == pytest.approx([99.70, 99.70])
    assert not doubtful.feasible and "too doubtful" in doubtful.problems[0]


def test_guard_of_the_two_most_doubtful():
    assert set_guard([0.003, 0.004]) == pytest.approx(0.010)
    assert set_guard([0.003, 0.001, 0.004]) == pytest.approx(0.010)


def test_problems_say_which_and_by_how_much():
    found = match_set([100.0, 99.9], [0.3, 0.1], [99.5, 99.8], 0.05, names=["left", "right"])
    assert not found.feasible
    assert found.short_mm == pytest.approx([0.0, 0.05])
    assert "right" in found.problems[0] and "match left" in found.problems[0] and "0.0500 mm below" in found.problems[0]
    alone = match_set([100.0, 99.9], [0.3, 0.1], [99.75, 99.0], 0.05)
    assert "member 0" in alone.problems[0] and "to clean up" in alone.problems[0]
    # what would let it pass is the tolerance that does let it pass
    assert "a tolerance of 0.1000 mm or more" in found.problems[0]
    assert match_set([100.0, 99.9], [0.3, 0.1], [99.5, 99.8], 0.1).feasible
    assert "no tolerance helps" in alone.problems[0]
    both = match_set([100.0, 100.2, 100.1], [0.1, 0.5, 0.0], [99.95, 99.0, 99.0], 0.0)
    assert "to match member 1" in both.problems[0] and "alone already takes it 0.0500 mm below" in both.problems[0]
    thou = match_set([100.0, 99.9], [0.3, 0.1], [99.5, 99.8], 0.05, show=lambda mm: f"{mm / 0.0254:.1f} thou")
    assert "2.0 thou below" in thou.problems[0]


def test_heights_are_written_as_heights_and_a_hair_is_never_nothing():
    """A height in thou is read by nobody, and "0.0 thou below its window" contradicts itself."""
    words = {"show": lambda mm: f"{mm / 0.0254:.1f} thou", "show_height": lambda mm: f"{mm / 25.4:.4f} in"}
    found = match_set([100.0, 99.9], [0.3, 0.1], [99.5, 99.75001], 0.05, names=["left", "right"], **words)
    assert found.problems == (
        "right must end at 3.9272 in to match left, which ends at 3.9252 in: a hair below its least height of 3.9272 in; "
        "a tolerance of 2.0 thou or more would let it stay above",
    )


def test_rounding_goes_deeper_unless_that_breaks_the_least_height():
    deeper = match_set([100.0, 100.0], [0.101, 0.2], [99.0, 99.0], 0.2, step_mm=0.0127)
    assert deeper.cuts_mm == pytest.approx([8 * 0.0127, 16 * 0.0127])
    kept = match_set([100.0, 100.0], [0.101, 0.2], [99.8985, 99.0], 0.2, step_mm=0.0127)
    assert kept.cuts_mm[0] == pytest.approx(7 * 0.0127)
    assert kept.finals_mm[0] >= 99.8985
    assert not kept.feasible and "short" in kept.problems[0]


def test_least_pass_applies_to_cuts_that_are_made():
    """A member 0.002 above the window loses a whole least pass; one inside it loses nothing."""
    found = match_set([100.0, 99.948, 99.96], [0.102, 0.0, 0.0], [99.0] * 3, 0.05, least_mm=0.0127)
    assert found.cuts_mm == pytest.approx([0.102, 0.0, 0.0127])


def test_a_step_above_the_window_is_told():
    found = match_set([100.0, 100.013], [0.1, 0.1], [99.0, 99.0], 0.0, step_mm=0.05)
    assert not found.feasible and "step of depth" in found.problems[0]
    # no member is cut down to its limit for a match that the step does not allow
    assert found.cuts_mm == pytest.approx([0.1, 0.15])
    assert "a tolerance of 0.0370 mm" in found.problems[0]


@pytest.mark.parametrize("seed", range(4))
def test_settable_cuts_against_every_choice_of_them(seed):
    """Every settable depth of two to eight members tried out: the same sets can be matched, with the same removal."""
    rng = np.random.default_rng(seed)
    matched = 0
    for _ in range(60):
        count = int(rng.integers(2, 9))
        heights, cleanup = 100 + rng.normal(0, 3, count).round(1), rng.exponential(2, count).round(1)
        limits = np.where(rng.random(count) < 0.2, -np.inf, heights - rng.uniform(1, 14, count))
        tolerance = float(rng.choice([0, 1, 2, 3, 5]))
        step, least = float(rng.choice([0.5, 0.7, 1.0])), float(rng.choice([0, 0.5, 1.3]))
        found = match_set(heights, cleanup, limits, tolerance, 0.0, step, least)
        depths = [0.0, *(k * step for k in range(1, 60) if k * step >= least - 1e-9)]
        allowed = [
            [h - d for d in depths if d >= q - 1e-9 and h - d >= m - 1e-9]
            for h, q, m in zip(heights, cleanup, limits, strict=True)
        ]
        sums = []
        for low in {final for finals in allowed for final in finals}:
            kept = [[f for f in finals if low - 1e-9 <= f <= low + tolerance + 1e-9] for finals in allowed]
            if all(kept):
                sums.append(float(sum(heights)) - sum(max(finals) for finals in kept))
        assert found.feasible == bool(sums)
        if sums:
            matched += 1
            assert found.cuts_mm.sum() == pytest.approx(min(sums))
    assert matched > 10


def test_round_cut():
    assert round_cut(0.0, 0.0127, 0.0127) == 0
    assert round_cut(0.001, 0.0127, 0.0254) == pytest.approx(0.0254)
    assert round_cut(0.0381, 0.0127) == pytest.approx(0.0381)
    assert round_cut(0.04, 0.0127, deeper=False) == pytest.approx(0.0381)
    assert round_cut(0.01, 0.0, 0.0127, deeper=False) == 0


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"heights_mm": [100.0]}, "heights_mm"),  # a set has two members
        ({"heights_mm": [100.0, None]}, "heights_mm[1]"),  # a height is missing
        ({"heights_mm": [100.0, math.nan]}, "heights_mm[1]"),
        ({"cleanup_mm": [0.1]}, "cleanup_mm"),  # unequal lengths
        ({"cleanup_mm": [0.1, -0.1]}, "cleanup_mm[1]"),
        ({"cleanup_mm": "deep"}, "cleanup_mm"),
        ({"min_heights_mm": [99.0]}, "min_heights_mm"),
        ({"min_heights_mm": [99.0, math.nan]}, "min_heights_mm[1]"),
        ({"min_heights_mm": [99.0, math.inf]}, "min_heights_mm[1]"),
        ({"tolerance_mm": -0.01}, "tolerance_mm"),
        ({"tolerance_mm": math.nan}, "tolerance_mm"),
        ({"guard_mm": -0.01}, "guard_mm"),
        ({"step_mm": -0.01}, "step_mm"),
        ({"least_mm": -0.01}, "least_mm"),
        ({"names": ["one"]}, "names"),
        ({"names": 2}, "names"),
        ({"names": "ab"}, "names"),  # a word, not two names
        ({"heights_mm": ["100", "99.9"]}, "heights_mm"),  # text is no number
        ({"heights_mm": [True, False]}, "heights_mm"),
        ({"heights_mm": [1 + 2j, 1]}, "heights_mm"),
        ({"heights_mm": [10**400, 1]}, "heights_mm"),  # more than a float holds
        ({"heights_mm": [1e200, 1]}, "heights_mm[0]"),
        ({"min_heights_mm": ["99", "99"]}, "min_heights_mm"),
        ({"tolerance_mm": 10**400}, "tolerance_mm"),
    ],
)
def test_wrong_input_is_refused(change, field):
    good = {"heights_mm": [100.0, 99.9], "cleanup_mm": [0.1, 0.1], "min_heights_mm": [99.0, -math.inf]}
    good["tolerance_mm"] = 0.05
    assert match_set(**good).feasible
    with pytest.raises(InputError) as caught:
        match_set(**{**good, **change})
    assert caught.value.field == field and caught.value.accepted
