"""The taps of a run sheet folded into its state, and the passes that follow from it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.cut.closing import compare_heights, weld_or_go_on
from planner.cut.estimate import estimate_job
from planner.cut.running import DYE_LEFT, INDEX_STEPS, Zeroed, fold, standing_below_mm
from planner.shop import Counts, DepthInstrument, PassReason, Tap, TapKind
from planner.units import MM_PER_THOU
from tests.tiny import MONDAY, tiny_shop

THOU = MM_PER_THOU


def sheet(*entries, minutes=2.0):
    """Taps of job 1, one every two minutes; an entry is a kind or (kind, payload)."""
    pairs = [e if isinstance(e, tuple) else (e, {}) for e in entries]
    return [Tap(1, i + 1, MONDAY + timedelta(minutes=minutes * i), k, p, "ab") for i, (k, p) in enumerate(pairs)]


def touch(place="middle", paper=4 * THOU, below=0.0, **more):
    return TapKind.TOUCH, {"place": place, "paper_mm": paper, "below_first_mm": below, **more}


def mark(below=4 * THOU):
    return TapKind.MARK, {"below_mm": below}


def a_pass(below, reason="search", finishing=True, traverse=1.0):
    return TapKind.PASS, {"below_mm": below, "reason": reason, "finishing": finishing, "traverse_minutes": traverse}


def look(clean, dye=""):
    return TapKind.LOOK, {"clean": clean, "dye": dye}


TOUCHED = (TapKind.START, touch(), mark())


def test_depths_count_from_the_mark_and_looks_bound_the_clean_up_depth():
    state = fold(
        sheet(
            *TOUCHED,
            a_pass(4 * THOU, "kiss"),
            look(False, "half"),
            a_pass(6 * THOU),
            look(False, "one spot"),
            a_pass(7 * THOU),
            look(True),
        )
    )
    assert [p.total_mm / THOU for p in state.passes] == pytest.approx([0, 2, 3])
    assert state.not_clean_mm == pytest.approx(2 * THOU) and state.clean_mm == pytest.approx(3 * THOU)
    assert state.ready_to_cut and not state.waits_for_look


@given(
    delta=st.floats(0, 0.2),
    paper=st.floats(0, 0.15),
    total=st.floats(0, 2),
    counts=st.sampled_from(Counts),
    turn=st.sampled_from((None, 1.0, 2.54)),
    at_zero=st.floats(0, 0.9),
)
def test_the_figure_set_on_the_instrument_lands_exactly_on_the_plan(delta, paper, total, counts, turn, at_zero):
    """d - delta + t stands on it (design), whatever the dial's direction, turns and reading at the zero."""
    zero = Zeroed("middle", paper, delta, at_zero)
    below = zero.below_mm(total)
    assert below == pytest.approx(total - delta + paper, abs=1e-12)
    dial = DepthInstrument("dial", counts, per_turn_mm=turn)
    shown = dial.standing_mm(below, at_zero)
    # read back from the figure alone, the whole turn being the one next to the plan
    back = standing_below_mm(dial, shown, below, at_zero)
    assert zero.total_mm(back) == pytest.approx(total, abs=1e-9)


def test_a_figure_the_dial_cannot_show_is_refused():
    with pytest.raises(InputError, match="as_set"):
        standing_below_mm(DepthInstrument(per_turn_mm=2.54), 3.0, 0.1)


def test_coming_down_through_the_air_finds_first_contact():
    """No survey: a raised traverse that leaves all dye cut nothing; the one that marks is at first contact."""
    taps = sheet(
        TapKind.START,
        touch(below=None),
        mark(),
        a_pass(1 * THOU, "kiss"),
        look(False, "all"),
        a_pass(2.5 * THOU, "kiss"),
        look(False, "half"),
    )
    state = fold(taps)
    assert state.removed_mm == 0 and state.raised_mm is None
    assert state.zero.below_mm(0.0) == pytest.approx(2.5 * THOU)
    assert state.zero.below_first_mm == pytest.approx(1.5 * THOU)
    # its error is the step it came down: not good enough to learn from
    assert not state.first_contact_known
    assert fold(taps[:5]).raised_mm == pytest.approx(3 * THOU)


def test_the_plan_comes_down_step_by_step_while_nothing_marks():
    shop = tiny_shop()
    shop = replace(shop, taps={1: tuple(sheet(TapKind.START, touch(below=None), mark()))})
    first = estimate_job(shop, shop.jobs[1], run=fold(shop.taps[1])).passes[0]
    assert first.reason is PassReason.KISS and first.below_zero_mm == pytest.approx(1 * THOU)
    taps = sheet(TapKind.START, touch(below=None), mark(), a_pass(1 * THOU, "kiss"), look(False, "all"))
    following = estimate_job(shop, shop.jobs[1], run=fold(taps)).passes[0]
    assert following.reason is PassReason.KISS and following.below_zero_mm == pytest.approx(2.5 * THOU)


def test_a_new_edge_keeps_the_depth_and_splits_the_passes():
    before = [[7, 1]]
    state = fold(
        sheet(
            *TOUCHED,
            a_pass(4 * THOU, "kiss"),
            look(False, "half"),
            a_pass(6 * THOU),
            look(False, "quarter"),
            (TapKind.EDGE, {"what": "indexed", "before": before}),
        )
    )
    assert not state.ready_to_cut and state.index_left == INDEX_STEPS and state.removed_mm == pytest.approx(2 * THOU)
    taps = sheet(
        *TOUCHED,
        a_pass(4 * THOU, "kiss"),
        look(False, "half"),
        a_pass(6 * THOU),
        look(False, "quarter"),
        (TapKind.EDGE, {"what": "indexed", "before": before}),
        *((TapKind.INDEX_STEP, {"name": name}) for name in INDEX_STEPS),
        touch("cut face", on_cut_face=True),
        a_pass(5 * THOU),
        look(True),
    )
    state = fold(taps)
    # 5 thou on paper of 4, from the cut face 2 thou deep: 3 thou
    assert state.clean_mm == pytest.approx(3 * THOU) and state.not_clean_mm == pytest.approx(2 * THOU)
    by_edge = state.passes_by_edge(((7, 2),))
    assert [(edges, len(made)) for edges, made in by_edge] == [(((7, 1),), 2), (((7, 2),), 1)]


def test_an_edge_changed_after_the_kiss_pass_is_touched_off_down_to_a_new_mark():
    """Nothing is cut yet, so the zero is found as at first, by paper and mark."""
    taps = sheet(
        *TOUCHED,
        a_pass(4 * THOU, "kiss"),
        look(False, "half"),
        (TapKind.EDGE, {"what": "chipped"}),
        (TapKind.EDGE, {"what": "indexed", "before": [[7, 1]]}),
        *((TapKind.INDEX_STEP, {"name": name}) for name in INDEX_STEPS),
        touch(),
    )
    assert not fold(taps).ready_to_cut
    state = fold([*taps, replace(taps[0], seq=len(taps) + 1, kind=TapKind.MARK, payload=mark(4.5 * THOU)[1])])
    assert state.ready_to_cut and not state.ignored and state.first_zero == state.zero
    assert state.zero.below_mm(2 * THOU) == pytest.approx(6.5 * THOU)


def test_minutes_go_to_the_step_they_belong_to():
    taps = sheet(
        TapKind.START,
        (TapKind.STEP, {"name": "load"}),
        (TapKind.STEP, {"name": "sweep"}),
        (TapKind.STEP, {"name": "shim_round", "rounds": 2}),
        (TapKind.STEP, {"name": "clamp"}),
        (TapKind.STEP, {"name": "dye"}),
        (TapKind.STEP, {"name": "dry"}),
        touch(),
        mark(),
        a_pass(4 * THOU, "kiss", traverse=1.5),
        look(False, "half"),
        a_pass(6 * THOU, traverse=1.5),
        look(True),
        minutes=2.0,
    )
    state = fold(taps)
    told = state.step_minutes
    assert told["load"] == told["sweep"] == told["clamp"] == told["dye"] == told["dry"] == 2
    assert told["shim_round"] == 1 and told["touch_off"] == 4
    # after the first look two minutes of wiping and setting, after the second none yet
    assert told["look"] == pytest.approx((0.5 + 2 + 0.5) / 2)
    assert state.unattended_minutes == pytest.approx(2 + 1.5 + 1.5)
    assert state.total_minutes == 24 and state.attended_minutes == pytest.approx(19)


def test_a_step_nobody_tapped_is_not_charged_to_the_next_one():
    told = fold(sheet(TapKind.START, (TapKind.STEP, {"name": "clamp"}), (TapKind.STEP, {"name": "dye"}))).step_minutes
    assert told == {"dye": 2}


def test_unloading_and_bench_work_are_clocked_apart():
    after = [(TapKind.STEP, {"name": name}) for name in ("unload", "measure", "wash")]
    state = fold(sheet(*TOUCHED, a_pass(4 * THOU, "kiss"), look(True), *after))
    # nobody tapped the edges: their minutes are not charged to the washing
    assert state.step_minutes["unload"] == state.step_minutes["measure"] == 2 and "wash" not in state.step_minutes
    assert state.away_minutes == 4 and state.total_minutes == 14
    assert state.attended_minutes == pytest.approx(14 - 4 - 1)


def test_an_index_is_clocked_from_the_old_edge_out_to_the_new_zero():
    steps = [(TapKind.INDEX_STEP, {"name": name}) for name in INDEX_STEPS]
    edge = TapKind.EDGE, {"what": "indexed", "before": [[7, 1]]}
    on_cut = touch(below=4 * THOU, on_cut_face=True)
    told = fold(sheet(*TOUCHED, a_pass(4 * THOU), look(False, "half"), edge, *steps, on_cut)).step_minutes
    assert told["index"] == 2 * (len(INDEX_STEPS) + 1) and told["touch_off"] == 4


def test_a_job_that_must_stop_says_so():
    shop = tiny_shop()
    job = next(iter(shop.jobs.values()))
    part = replace(shop.part_of(job), agreed_depth_mm=4.5 * THOU)
    shop = replace(shop, parts={**shop.parts, part.id: part})
    below = 4 * THOU + 4.4 * THOU
    run = fold(sheet(*TOUCHED, a_pass(below), look(False, "half")))
    flags = estimate_job(shop, job, run=run).flags
    assert any("stop and call the customer" in f.text for f in flags)
    assert not any("beginning" in f.text for f in flags)


def test_a_gangs_minutes_are_shared_and_teach_no_step():
    taps = sheet(
        (TapKind.START, {"machine_id": 1, "gang": 3, "shared": 4}), touch(), mark(), a_pass(4 * THOU), look(True)
    )
    alone = fold(sheet((TapKind.START, {"machine_id": 1}), touch(), mark(), a_pass(4 * THOU), look(True)))
    state = fold(taps)
    assert (state.gang, state.shared, alone.gang, alone.shared) == (3, 4, None, 1)
    assert state.total_minutes == alone.total_minutes / 4 and state.unattended_minutes == alone.unattended_minutes / 4
    assert alone.step_minutes and not state.step_minutes


def test_a_pause_is_nobodys_time():
    taps = sheet(TapKind.START, (TapKind.STEP, {"name": "load"}), TapKind.PAUSE, TapKind.RESUME)
    late = [*taps[:3], replace(taps[3], at=taps[3].at + timedelta(hours=15))]
    state = fold(late)
    assert state.total_minutes == 4 and not state.paused
    assert fold(late[:3]).paused


# -- any order ---------------------------------------------------------------------------------------------------------
_ANY = st.one_of(
    st.sampled_from([TapKind.START, TapKind.PAUSE, TapKind.RESUME]).map(lambda k: (k, {})),
    st.sampled_from(["load", "sweep", "nonsense"]).map(lambda n: (TapKind.STEP, {"name": n})),
    st.tuples(st.floats(0, 0.2), st.one_of(st.none(), st.floats(0, 0.2)), st.booleans()).map(
        lambda t: touch(paper=t[0], below=t[1], on_cut_face=t[2])
    ),
    st.floats(0, 0.2).map(mark),
    st.tuples(st.floats(-0.2, 1.0), st.sampled_from(["kiss", "search", "finish", "match"])).map(lambda t: a_pass(*t)),
    st.tuples(st.booleans(), st.sampled_from(DYE_LEFT)).map(lambda t: look(*t)),
    st.just((TapKind.EDGE, {"what": "indexed", "before": [[1, 1]]})),
    st.sampled_from(INDEX_STEPS).map(lambda n: (TapKind.INDEX_STEP, {"name": n})),
    st.just((TapKind.HOLD, {"reason": "x"})),
    st.just((TapKind.LOOK, {})),
    st.just(("no such kind", {})),
    st.just((TapKind.PASS, {})),
)


@settings(deadline=None)
@given(st.lists(_ANY, max_size=25))
def test_no_order_of_entries_breaks_the_fold(entries):
    state = fold(sheet(*entries))
    totals = [p.total_mm for p in state.passes]
    assert totals == sorted(totals) and (not totals or state.removed_mm == totals[-1])
    assert state.not_clean_mm <= state.removed_mm and state.unattended_minutes <= state.total_minutes + 1e-9
    assert sum(len(made) for _, made in state.passes_by_edge(())) == len(state.passes)
    assert state.clean_mm is None or state.clean_mm in totals


@settings(deadline=None)
@given(st.lists(_ANY, max_size=15), _ANY)
def test_taking_the_last_entry_back_is_as_if_it_never_was(entries, last):
    taps = sheet(*entries, last)
    assert fold(taps[:-1]) == fold(sheet(*entries))


@settings(max_examples=60, deadline=None)
@given(
    agreed=st.one_of(st.none(), st.floats(0.02, 0.4)),
    below=st.floats(0, 0.1),
    dye=st.sampled_from(DYE_LEFT),
    offs=st.lists(st.floats(-0.01, 0.02), max_size=12),
    clean_after=st.integers(1, 14),
)
def test_no_pass_is_ever_planned_past_the_limit_or_the_agreed_depth(agreed, below, dye, offs, clean_after):
    """Follow the plan with whatever was set instead, till clean or till it says stop."""
    shop = tiny_shop()
    part = replace(shop.parts[1], agreed_depth_mm=agreed)
    shop = replace(shop, parts={**shop.parts, 1: part})
    limit = min(x for x in (estimate_job(shop, shop.jobs[1]).room.in_hand_mm, agreed) if x is not None)
    entries = [TapKind.START, touch(below=below), mark()]
    for turn in range(14):
        state = fold(sheet(*entries))
        ahead = estimate_job(shop, shop.jobs[1], run=state)
        assert all(p.total_mm <= limit + 1e-6 for p in ahead.passes)
        assert ahead.stop_likely_mm >= state.removed_mm - 1e-9
        if not ahead.passes:
            break
        planned = ahead.passes[0]
        assert planned.below_zero_mm == pytest.approx(state.zero.below_mm(planned.total_mm))
        off = offs[turn] if turn < len(offs) else 0.0
        set_to = min(planned.below_zero_mm + off, state.zero.below_mm(limit))
        entries.append(a_pass(set_to, str(planned.reason), planned.finishing))
        entries.append(look(turn + 1 >= clean_after, dye))
    else:
        assert fold(sheet(*entries)).removed_mm <= limit + 1e-6


def test_magnesium_is_not_kissed_and_begins_a_thou_below_the_mark():
    shop = tiny_shop()
    family = replace(shop.families[1], material="magnesium")
    recipe = replace(shop.recipes[1], material="magnesium", least_pass_mm=0.5 * THOU, signed_by="ab")
    shop = replace(shop, families={**shop.families, 1: family}, recipes={1: recipe})
    first = estimate_job(shop, shop.jobs[1], run=fold(sheet(*TOUCHED))).passes[0]
    assert first.reason is PassReason.SEARCH and first.total_mm >= 1 * THOU - 1e-9


def test_what_was_seen_moves_the_estimate():
    shop = tiny_shop()
    plain = estimate_job(shop, shop.jobs[1])
    taps = sheet(*TOUCHED, a_pass(4 * THOU, "kiss"), look(False, "half"), a_pass(7.5 * THOU), look(False, "spots"))
    seen = estimate_job(shop, shop.jobs[1], run=fold(taps))
    assert seen.cleanup_likely_mm > max(plain.cleanup_likely_mm, 3.5 * THOU)
    assert seen.depth.distribution.sf(3.5 * THOU) == pytest.approx(1)
    assert seen.machine_minutes < plain.machine_minutes
    # the edge at work has already made one cutting pass, and its path stays counted
    assert seen.path_likely_mm > sum(p.minutes * 0 for p in seen.passes_likely)
    deep = sheet(*TOUCHED, a_pass(34 * THOU), look(False, "spots"))
    # far beyond anything believed: no crash, and a way on or a stop
    assert math.isfinite(estimate_job(shop, shop.jobs[1], run=fold(deep)).stop_allow_mm)


# -- the end -----------------------------------------------------------------------------------------------------------
def test_heights_are_held_against_the_instrument():
    before = {"a": 100.0, "b": 100.0, "c": 99.95}
    after = {"a": 99.9, "b": 99.98, "c": 99.9}
    rows = {r.point: r for r in compare_heights(before, after, 0.1, out_of_flat_mm=0.06, doubt_mm=0.005)}
    # a lost the whole depth; b lost 0.02 where levelling explains 0.04 to 0.1; c lost 0.05
    assert rows["a"].off_mm == 0 and rows["c"].off_mm == 0
    assert rows["b"].off_mm == pytest.approx(-0.02)
    exact = compare_heights(before, after, 0.1, gaps_mm={"a": 0.0, "b": 0.08, "c": 0.05}, doubt_mm=0.005)
    assert [r.off_mm for r in exact] == [0, 0, 0]
    more = compare_heights({"a": 100.0}, {"a": 99.8}, 0.1, gaps_mm={"a": 0.0}, doubt_mm=0.005)
    assert more[0].off_mm == pytest.approx(0.1)


def test_a_weld_beside_the_rebuilds_it_saves():
    lost, worth, gain = weld_or_go_on(9 * THOU, 3 * THOU, 100.0, 120.0, 3.0)
    assert (lost, worth, gain) == (pytest.approx(3), pytest.approx(300), pytest.approx(180))
    with pytest.raises(InputError):
        weld_or_go_on(0.1, 0.07, 100.0, -1.0, 0.0)
