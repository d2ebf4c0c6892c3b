"""The nouns refuse the impossible, by field, value and what is accepted."""

from dataclasses import fields, replace
from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import InputError
from planner.shop import (
    TIMED_STEPS,
    Aim,
    Closure,
    Condition,
    Counts,
    Cut,
    Cutter,
    DepthInstrument,
    DepthReading,
    Face,
    Family,
    Gasket,
    Gate,
    GateKind,
    GateState,
    HeightReading,
    Hold,
    InsertGrade,
    Job,
    Limit,
    Machine,
    MatchedSet,
    MeasuringPoint,
    Origin,
    Overtime,
    Part,
    PartState,
    Recipe,
    Settings,
    Shop,
    Source,
    Window,
    recipe_speeds,
)
from planner.shop.starting import StepMinutes

MONDAY = datetime(2026, 3, 2, 7, 0)
FACE = Face("deck", 300, 180, id=1)
FAMILY = Family("small head", "aluminium", (FACE,), id=1)
PART = Part("T-1", 1, id=1)


def recipe(**changes):
    values = dict(
        material="aluminium",
        grade_id=1,
        speed_m_min=760,
        rough_feed_mm=0.15,
        finish_feed_mm=0.1,
        least_pass_mm=0.0127,
        usual_pass_mm=0.04,
        greatest_pass_mm=0.1,
    )
    return Recipe(**(values | changes))


# field that is named, how the noun is made
IMPOSSIBLE = [
    ("face.length_mm", lambda: Face("deck", 0, 100)),
    ("face.length_mm", lambda: Face("deck", float("nan"), 100)),
    ("face.length_mm", lambda: Face("deck", "300", 100)),  # text is read at the edge, never inside
    ("face.name", lambda: Face(" ", 300, 100)),
    ("face.net_share", lambda: Face("deck", 300, 100, net_share=0)),
    ("face.net_share", lambda: Face("deck", 300, 100, net_share=1.2)),
    ("face.ra_greatest_um", lambda: Face("deck", 300, 100, ra_least_um=1.0, ra_greatest_um=0.5)),
    ("face.limit.least_height_mm", lambda: Face("deck", 300, 100, new_height_mm=100, limit=Limit(101))),
    ("limit.greatest_removal_mm", lambda: Limit(100, 0.5)),  # one or the other
    ("face.points", lambda: Face("deck", 300, 100, points=(MeasuringPoint("a", 301, 5),))),
    ("face.points", lambda: Face("deck", 300, 100, points=(MeasuringPoint("a", 1, 5), MeasuringPoint("a", 2, 5)))),
    ("face.kind", lambda: Face("deck", 300, 100, kind="sideways")),
    ("family.material", lambda: Family("x", "cheese", (FACE,))),
    ("family.faces", lambda: Family("x", "aluminium", ())),
    ("part.tag", lambda: Part("", 1)),
    ("part.tag", lambda: Part("x" * 41, 1)),
    ("part.condition", lambda: Part("T", 1, condition="so-so")),
    ("part.route", lambda: Part("T", 1, route=(Gate(GateKind.CLEAN), Gate(GateKind.CLEAN)))),
    ("gate.initials", lambda: Gate(GateKind.CLEAN, GateState.DONE)),  # done by whom, when?
    ("hold.reason", lambda: Hold("customer", "", date(2026, 3, 2))),
    ("hold.ended", lambda: Hold("customer", "price", date(2026, 3, 2), ended=date(2026, 3, 1))),
    ("height.height_mm", lambda: HeightReading(1, "middle", -5, MONDAY)),
    ("job.depth_mm", lambda: Job(1, 1, aim=Aim.TO_DEPTH)),
    ("job.depth_mm", lambda: Job(1, 1, aim=Aim.TO_DEPTH, depth_mm=-0.1)),
    ("job.due", lambda: Job(1, 1, due="Friday")),
    ("job.weight", lambda: Job(1, 1, weight=0)),
    ("set.job_ids", lambda: MatchedSet("s", (1,))),
    ("set.job_ids", lambda: MatchedSet("s", (1, 1))),
    ("set.tolerance_mm", lambda: MatchedSet("s", (1, 2), tolerance_mm=-0.1)),
    ("set.aim_mm", lambda: MatchedSet("s", (1, 2), tolerance_mm=0.05, aim_mm=0.06)),
    ("set.stop_mm", lambda: MatchedSet("s", (1, 2), tolerance_mm=0.05, stop_mm=0.04)),
    ("set.accepted_by", lambda: MatchedSet("s", (1, 2), accepted_mismatch_mm=0.1)),
    ("machine.speeds_rpm", lambda: Machine("m")),  # neither a list nor a range
    ("machine.speeds_rpm", lambda: Machine("m", speeds_rpm=(0,))),
    ("machine.greatest_rpm", lambda: Machine("m", least_rpm=500, greatest_rpm=100)),
    ("instrument.step_mm", lambda: DepthInstrument(step_mm=0)),
    ("instrument.step_mm", lambda: DepthInstrument(per_turn_mm=1, step_mm=2)),
    ("cutter.inserts", lambda: Cutter("c", 300, 0)),
    ("cutter.diameter_mm", lambda: Cutter("c", -300)),
    ("cutter.max_rpm", lambda: Cutter("c", 300, max_rpm=0)),
    ("grade.stock", lambda: InsertGrade("g", stock=-1)),
    ("grade.positions", lambda: InsertGrade("g", positions=0)),
    ("grade.flat_mm", lambda: InsertGrade("g", corner="wiper flat")),
    ("recipe.usual_pass_mm", lambda: recipe(usual_pass_mm=0.5)),
    ("recipe.speed_m_min", lambda: recipe(speed_m_min=-1)),
    ("recipe.signed_by", lambda: recipe(material="magnesium")),  # never active without a signature
    ("gasket.ra_greatest_um", lambda: Gasket("g", 1, ra_least_um=2, ra_greatest_um=1)),
    ("window.end_minute", lambda: Window(0, 600, 500)),
    ("window.weekday", lambda: Window(7, 400, 500)),
    ("window.breaks", lambda: Window(0, 400, 900, breaks=((850, 950),))),
    ("closure.last", lambda: Closure(date(2026, 3, 3), date(2026, 3, 2), "holiday")),
    ("overtime.end", lambda: Overtime(MONDAY, MONDAY, 10)),
    ("settings.risk_limit", lambda: Settings(risk_limit=0)),
    ("cut.correction", lambda: Cut(1, 1, 1, MONDAY, 0.1, reverses_id=3)),
    ("cut.clean_upper_mm", lambda: Cut(1, 1, 1, MONDAY, 0.1, clean_lower_mm=0.1, clean_upper_mm=0.05)),
    ("cut.stop_depth_mm", lambda: Cut(1, 1, 1, MONDAY, -0.1)),
    ("recipe.rpm", lambda: recipe_speeds(0, 80, 300, 1)),
]


@pytest.mark.parametrize(("field", "make"), IMPOSSIBLE, ids=[f"{i}-{f}" for i, (f, _) in enumerate(IMPOSSIBLE)])
def test_an_impossible_noun_cannot_be_made(field, make):
    with pytest.raises(InputError) as caught:
        make()
    assert caught.value.field == field
    assert caught.value.accepted


def test_a_family_needs_only_name_material_and_face_size():
    family = Family("x", "Grey iron", (Face("deck", 660, 216),))
    assert family.material == "grey_iron"
    face = family.faces[0]
    assert [p.name for p in face.points] == ["front left", "front right", "back right", "back left", "middle"]
    # unknown stays unknown
    assert face.new_height_mm is None and face.least_height_mm is None and not face.limit.known
    assert face.net_share is None and face.ra_greatest_um is None


def test_a_greatest_removal_gives_a_least_height_once_the_new_height_is_known():
    assert Face("d", 300, 100, limit=Limit(greatest_removal_mm=0.5)).least_height_mm is None
    face = Face("d", 300, 100, new_height_mm=100.0, limit=Limit(greatest_removal_mm=0.5))
    assert face.least_height_mm == pytest.approx(99.5)
    assert Face("d", 300, 100, limit=Limit(99.2)).least_height_mm == 99.2


def test_a_part_says_what_it_waits_for():
    route = (
        Gate(GateKind.CLEAN, GateState.DONE, "ab", date(2026, 3, 1)),
        Gate(GateKind.PRESSURE_TEST),
        Gate(GateKind.CRACK_CHECK, GateState.FAILED),
        Gate(GateKind.WELD, GateState.NOT_NEEDED),
        Gate(GateKind.AFTER_WORK),  # after the cut: does not keep it off the machine
    )
    holds = (
        Hold("customer", "agree 8 thou", date(2026, 3, 1)),
        Hold("desk", "old", date(2026, 2, 1), ended=date(2026, 2, 2)),
    )
    part = replace(PART, route=route, holds=holds, state=PartState.EXPECTED, expected_on=date(2026, 3, 4))
    assert part.waits_for == (
        "part expected Wed 04 Mar",
        "pressure test not done",
        "crack check failed",
        "customer: agree 8 thou",
    )
    assert PART.waits_for == ()


def test_the_latest_height_at_each_point_counts():
    readings = (
        HeightReading(1, "middle", 100.0, MONDAY),
        HeightReading(1, "middle", 99.9, MONDAY.replace(hour=9)),
        HeightReading(2, "middle", 50.0, MONDAY.replace(hour=10)),
    )
    latest = replace(PART, heights=readings).latest_heights_mm(1)
    assert latest["middle"].height_mm == 99.9


def test_a_depth_read_again_within_the_minute_replaces_the_slip():
    readings = (DepthReading(1, "valve recession", 14.0, MONDAY), DepthReading(1, "valve recession", 1.4, MONDAY))
    assert replace(PART, depths=readings).latest_depth(1, "valve recession").value_mm == 1.4
    assert replace(PART, depths=readings).latest_depth(1, "deck") is None


@pytest.mark.parametrize(
    ("counts", "turn", "below", "at_zero", "shown", "turns"),
    [
        (Counts.UP, None, 0.1, 0.0, 0.1, 0),
        (Counts.DOWN, None, 0.1, 5.0, 4.9, 0),
        (Counts.UP, 2.54, 2.6, 0.0, 0.06, 1),
        (Counts.UP, 2.54, -0.06, 0.0, 2.48, 0),  # raised: one turn less
        (Counts.DOWN, 2.54, 0.06, 0.0, 2.48, 0),
        (Counts.UP, 2.54, 0.1, 2.5, 0.06, 0),  # a dial that cannot be zeroed reads on from where it stood
    ],
)
def test_the_figure_on_the_instrument(counts, turn, below, at_zero, shown, turns):
    dial = DepthInstrument("dial", counts, turn)
    assert dial.standing_mm(below, at_zero) == pytest.approx(shown, abs=1e-9)
    assert dial.whole_turns(below) == turns


@given(st.floats(-20, 20), st.floats(0, 2.5), st.sampled_from(list(Counts)))
def test_a_dial_always_reads_within_its_turn(below, at_zero, counts):
    dial = DepthInstrument("dial", counts, 2.54)
    value = dial.standing_mm(below, at_zero)
    assert 0 <= value < 2.54
    sign = 1 if counts is Counts.UP else -1
    turns = (at_zero + sign * below - value) / 2.54
    assert turns == pytest.approx(round(turns), abs=1e-6)


def test_a_recipe_may_be_typed_as_rpm_and_table_feed():
    # v = π D n / 1000 and fz = vf / (n z): D 120 mm, 385 rev/min, 415.8 mm/min, 6 teeth
    speed, feed = recipe_speeds(385, 415.8, 120, 6)
    assert speed == pytest.approx(145.1, abs=0.1)
    assert feed == pytest.approx(0.18)


def test_origins_in_words():
    assert Origin(Source.LEARNED, 1).words == "learned from 1 record"
    assert (
        Origin(Source.LEARNED, 23, "shop's aluminium heads").words == "learned from 23 records, shop's aluminium heads"
    )
    assert Origin(Source.STARTING).words == "starting value"


def test_a_shop_finds_the_face_of_a_job():
    job = Job(1, 1, id=7)
    shop = Shop(families={1: FAMILY}, parts={1: PART}, jobs={7: job}, sets={1: MatchedSet("s", (7, 8), id=1)})
    assert shop.face_of(job) is FACE
    assert shop.set_of(7).name == "s" and shop.set_of(9) is None
    with pytest.raises(InputError):
        shop.face_of(replace(job, face_id=99))
    with pytest.raises(InputError):
        shop.part_of(replace(job, part_id=99))


def test_all_conditions_have_starting_depths():
    from planner.shop.starting import DEPTHS, SKIN_FACTOR, SKIN_OF

    for table in DEPTHS.values():
        assert set(table) == set(Condition)
    assert (
        set(SKIN_OF.values())
        == set(SKIN_FACTOR)
        == set(Settings(weld_wear=3, corrosion_wear=1, cast_skin_wear=2).skin_wear)
    )


def test_minutes_of_a_cut_go_by_the_names_of_the_steps():
    assert tuple(f.name for f in fields(StepMinutes) if f.name != "shim_rounds") == TIMED_STEPS
    at = datetime(2026, 3, 2, 9, 0)
    assert Cut(1, 1, 1, at, 0.1, step_minutes={"look": 1.4}).step_minutes == {"look": 1.4}
    for wrong in ({"looking": 1.0}, {"look": -1.0}, {"look": float("nan")}):
        with pytest.raises(InputError):
            Cut(1, 1, 1, at, 0.1, step_minutes=wrong)
