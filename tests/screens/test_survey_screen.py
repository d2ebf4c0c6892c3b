"""The screen *Face survey* and the intake check: entry by taps, by figures, and what follows from them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from planner.shop import FaceSurvey, Gate, GateKind, GateState, Goal, SurveyPoint
from planner.units import MM_PER_THOU
from tests.tiny import MONDAY

THOU = MM_PER_THOU
SWEEP = [0, -1, -2, -1, -3, -1, -2, -1, -1.5]


def clean(at):
    assert not at.exception, [e.value for e in at.exception]
    return at


def press(at, label):
    """Press the button whose key ends with this label."""
    found = [b for b in at.button if b.key and b.key.endswith(label)]
    assert found, (label, [b.key for b in at.button])
    found[0].click()
    return clean(at.run())


def turn(at, section):
    return press(at, f"/section/{section}")


def section_of(at):
    """The section whose key is lit."""
    (lit,) = [b.key for b in at.button if b.key and "/section/" in b.key and b.proto.type == "primary"]
    return lit.rpartition("/")[2]


def sweep(at, readings, which="read"):
    """Enter a sweep by the pad's keys, closing on its zero."""
    for thou in readings:
        for size, word in ((5, "5"), (2, "2"), (1, "1"), (0.5, "½")):
            while abs(thou) >= size - 1e-9:
                sign = "+" if thou > 0 else "−"
                press(at, f"/{which}/**{sign}{word}**  \n{'over' if thou > 0 else 'under'}")
                thou -= size if thou > 0 else -size
        press(at, f"/{which}/**▶**  \nnext point")
    press(at, f"/{which}/**✓**  \nsweep done")
    return at


@pytest.fixture
def survey(app, go):
    return go(app, "survey")


def test_the_screen_opens_on_a_part_with_an_open_job(survey):
    assert [t.value for t in survey.title] == ["Face survey"]
    assert survey.metric[0].value == "not read"


def test_a_sweep_entered_by_taps_is_stored_and_moves_the_estimate(survey, store):
    before = store.load_shop()
    assert not before.surveys
    sweep(survey, SWEEP)
    assert any("closes on its zero" in s.value for s in survey.success)
    press(survey, f"/store/{Goal.LEVEL.value}")
    (swept,) = store.load_shop().surveys.values()
    assert [round(p.z_mm / THOU, 6) for p in swept.points] == SWEEP
    assert any("Survey stored" in s.value for s in survey.success)


def test_every_press_is_kept_and_a_new_session_comes_back_to_the_same_place(survey, app, store, go):
    press(survey, "/read/**+2**  \nover")
    press(survey, "/read/**▶**  \nnext point")
    press(survey, "/read/**−½**  \nunder")
    turn(survey, "What must come off")
    from streamlit.testing.v1 import AppTest

    from tests.screens.conftest import APP

    again = go(AppTest.from_file(str(APP), default_timeout=60).run(), "survey")
    assert section_of(again) == "What must come off"
    turn(again, "Sweep")
    assert again.metric[0].value == "under 0.5 thou"


def test_a_survey_stored_elsewhere_is_shown_though_a_section_was_turned_before(survey, store):
    """Turning a section leaves a draft without a reading; what another tablet stored since goes before it."""
    turn(survey, "Pits")
    assert survey.session_state["survey part"].split("/")[0] == "1"
    points = tuple(
        SurveyPoint(n, x, y, z * THOU)
        for n, x, y, z in (("left front", 5, 5, 0), ("right front", 290, 5, -2), ("left back", 5, 170, -4))
    )
    kept = FaceSurvey(1, store.load_shop().families[1].faces[0].id, MONDAY, points)
    store.add_survey(1, kept.face_id, MONDAY, kept.payload(), "ab")
    turn(survey, "Sweep")
    assert any(b.label == "left back:  \nunder 4.0 thou" for b in survey.button)


def test_a_sweep_that_does_not_close_is_refused(survey, store):
    for _ in range(9):
        press(survey, "/read/**▶**  \nnext point")
    press(survey, "/read/**+1**  \nover")
    assert any("Something moved" in e.value for e in survey.error)
    press(survey, f"/store/{Goal.LEVEL.value}")
    assert any("Nothing was stored" in e.value for e in survey.error)
    assert not store.load_shop().surveys


def test_levelling_says_leaves_and_the_rereading_is_judged(survey, store):
    tilted = [0, -1, -2, -2, -3, -4, -5, -6, -7]
    sweep(survey, tilted)
    turn(survey, "Level it")
    said = [m.value for m in survey.markdown if "Support 1" in m.value]
    assert said and "thou" in said[0]
    press(survey, "/shimmed")
    assert section_of(survey) == "Read again"
    draft = store.get_draft(store.draft_keys("survey/")[0])
    # read what was predicted, to the half thou
    predicted = [round(v / THOU * 2) / 2 for v in draft["predicted"][0]]
    sweep(survey, predicted, "reread")
    assert any("moved as predicted" in s.value for s in survey.success)
    press(survey, "/good")
    (swept,) = store.load_shop().surveys.values()
    assert swept.goal is Goal.AS_IT_LIES and swept.datum_slopes != (0.0, 0.0)


def test_levelling_past_the_limit_of_parallelism_is_warned_of(survey, store):
    """A face that stands 6 thou high at one end, levelled by its own points: the face then ends about that far out of
    parallel to the datum it was shimmed off; aimed at the datum nothing is lifted."""
    family = next(f for f in store.load_shop().families.values() if any(x.name == "deck" for x in f.faces))
    faces = tuple(replace(f, parallel_limit_mm=2 * THOU) if f.name == "deck" else f for f in family.faces)
    store.save(replace(family, faces=faces))
    clean(survey.run())
    draft = store.get_draft(next(iter(store.draft_keys("survey/")), "")) or {}
    assert not draft
    turn(survey, "From paper or file")
    names = survey.text_area[0].label
    assert "front left" in names
    order = [n.strip() for n in names.partition(":")[2].split(",")]
    survey.text_area[0].set_value("\n".join("6" if "right" in n else "0" if "left" in n else "3" for n in order)).run()
    press(survey, "/paper/in")
    turn(survey, "Level it")
    assert any("out of parallel to its datum; its limit is 2.0 thou" in w.value for w in survey.warning)
    press(survey, "/goal/Parallel to the datum")
    assert not any("out of parallel" in w.value for w in survey.warning)


def test_a_pasted_column_is_read_and_bad_rows_are_all_named(survey, store):
    turn(survey, "From paper or file")
    survey.text_area[0].set_value("0\nx\n1 in\n2").run()
    press(clean(survey), "/paper/in")
    said = " ".join(e.value for e in survey.error)
    assert "row 2" in said and "row 3" in said and "4 readings for 9 points" in said
    survey.text_area[0].set_value("\n".join(str(v) for v in SWEEP)).run()
    press(clean(survey), "/paper/in")
    assert not survey.error
    turn(survey, "Sweep")
    press(survey, f"/store/{Goal.LEVEL.value}")
    (swept,) = store.load_shop().surveys.values()
    assert [round(p.z_mm / THOU, 6) for p in swept.points] == SWEEP


@pytest.mark.parametrize("section", ["Sweep", "What must come off", "Pits", "Level it", "Read again", "After the cut"])
@pytest.mark.parametrize("units", ["inch", "metric"])
def test_every_section_draws_with_and_without_readings(survey, units, section):
    survey.session_state["units"] = units
    clean(survey.run())
    turn(survey, section)
    turn(survey, "From paper or file")
    survey.text_area[0].set_value("\n".join(f"{v} thou" for v in SWEEP)).run()
    press(survey, "/paper/in")
    turn(survey, section)


def test_a_pit_is_measured_and_what_it_costs_is_said(survey):
    turn(survey, "From paper or file")
    survey.text_area[0].set_value("\n".join(str(v) for v in SWEEP)).run()
    press(survey, "/paper/in")
    turn(survey, "Pits")
    press(survey, "/pit at/middle")
    press(survey, "/pit/middle/+5")
    (said,) = (m.value for m in survey.markdown if "With all of them left" in m.value)
    turn(survey, "Sweep")  # one figure on both sections
    assert f"**{next(m.value for m in survey.metric if m.label.startswith('To come off'))} thou**" in said
    turn(survey, "Pits")
    press(survey, "/pit/middle/accept")
    assert any("initials" in e.value for e in survey.error)


def test_the_intake_check_narrows_the_estimate_and_says_by_what(app, go, store):
    app.run()
    shop = store.load_shop()
    part = next(p for p in shop.parts.values() if p.tag == "T-1")
    app.session_state["part"] = part.id
    at = go(app, "parts")

    def choose(label, text):
        box = next(s for s in at.selectbox if s.label == label)
        option = next(o for o in box.options if o == text)
        box.select(option).run()

    for label in ("Along the length", "Diagonal, front left to back right", "Diagonal, back left to front right"):
        choose(label, "4.0 thou")
    choose("Across the width", "none enters")
    next(b for b in at.button if (b.key or "").endswith("/save/Store the intake check")).click()
    clean(at.run())
    check = store.load_shop().checks[part.id, shop.families[part.family_id].faces[0].id]
    assert check.least_mm == pytest.approx(2 * THOU, abs=1e-4)
    assert check.greatest_mm is not None and check.greatest_from
    assert any("measured, intake check" in s.value for s in at.success)


def test_a_warm_part_is_refused_with_how_long_to_wait(app, go, store):
    app.run()
    part = next(p for p in store.load_shop().parts.values() if p.tag == "T-4")
    app.session_state["part"] = part.id
    at = go(app, "parts")
    for label, figure in (("Height, front left", "3.93"), ("Part's temp", "95"), ("Gauge's temp", "68")):
        next(t for t in at.text_input if t.label.startswith(label) and "heights/" in t.key).set_value(figure).run()
    next(b for b in at.button if b.label == "Add the readings").click()
    clean(at.run())
    assert any("Wait about" in e.value for e in [*at.error, *at.caption, *at.markdown])
    assert not store.load_shop().parts[part.id].heights


def test_a_warm_part_is_kept_off_the_machine_until_it_has_cooled(app, go, store):
    """Aluminium of 99.84 mm against 0.0762 mm: 8.3 C are allowed; from 50 C above, 60 min x ln(50 / 8.3) = 108 min."""
    app.run()
    part = next(p for p in store.load_shop().parts.values() if p.tag == "T-1")
    app.session_state["units"] = "metric"
    app.session_state["part"] = part.id
    at = go(app, "parts")
    for label, figure in (("Part's temp", "70"), ("Gauge's temp", "20")):
        next(t for t in at.text_input if t.label.startswith(label) and "cool/" in t.key).set_value(figure).run()
    next(b for b in at.button if (b.key or "").endswith("/save/Let the plan know")).click()
    clean(at.run())
    (job,) = (j for j in store.load_shop().open_jobs() if j.part_id == part.id)
    assert (job.not_before - MONDAY).total_seconds() / 60 == pytest.approx(108, abs=1.5)


def test_a_washed_part_waits_until_it_is_found_cool(app, go, store):
    from planner.week.cooling import cooling

    app.run()
    part = next(p for p in store.load_shop().parts.values() if p.tag == "T-1")
    washed = Gate(GateKind.CLEAN, GateState.OPEN)
    store.save(replace(part, route=(washed,)))
    app.session_state["part"] = part.id
    at = go(app, "parts")
    next(t for t in at.text_input if t.label.startswith("Initials") and "gate" in t.key).set_value("wt").run()
    at.button(key=f"gate/{part.id}/clean/done").click()
    clean(at.run())
    shop = store.load_shop()
    (job,) = (j for j in shop.open_jobs() if j.part_id == part.id)
    found = cooling(shop, shop.parts[part.id], MONDAY, job)
    assert (found.until - MONDAY).total_seconds() == 180 * 60
    assert [i.value for i in at.info if "It cools after washing" in i.value]  # at the head of the page, once
    for label, figure in (("Part's temp", "70"), ("Gauge's temp", "69")):
        next(t for t in at.text_input if t.label.startswith(label) and "cool/" in t.key).set_value(figure).run()
    next(b for b in at.button if (b.key or "").endswith("/save/Let the plan know")).click()
    clean(at.run())
    shop = store.load_shop()
    assert cooling(shop, shop.parts[part.id], MONDAY, shop.jobs[job.id]) is None
    assert not any("It cools after" in i.value for i in at.info)


def test_the_finished_face_is_stored_with_its_verdicts_and_shown_with_the_part(survey, store, go):
    turn(survey, "After the cut")
    for _ in range(9):
        press(survey, "/finished/read/**▶**  \nnext point")
    next(t for t in survey.text_input if t.label.startswith("Ra, place 1")).set_value("80").run()
    next(b for b in survey.button if (b.key or "").endswith("/save/Store the finished face")).click()
    clean(survey.run())
    key = survey.session_state["survey part"].split("/")[0]
    (kept,) = (s for s in store.surveys_of(int(key)) if s.stage == "finished")
    verdicts = {v["name"]: v["holds"] for v in kept.payload["verdicts"]}
    # 80 microinch are rougher than the deck's 1.6 um = 63 microinch
    assert verdicts["roughest Ra"] is False and verdicts["flatness"] is None
    assert not store.load_shop().surveys
    survey.session_state["part"] = int(key)
    at = go(survey, "parts")
    assert any("Finished deck, unclamped" in m.value for m in at.markdown)


def test_the_indicator_is_set_once_counts_in_the_depth_and_is_remembered(survey, store):
    """A lever at 37 degrees reads 1 / cos 37 too much; 1 thou of division doubts the depth more than half a thou."""
    import math

    def told():
        return next(m for m in survey.metric if m.label.startswith("Readings allow")).value

    turn(survey, "From paper or file")
    survey.text_area[0].set_value("\n".join(f"{v} thou" for v in SWEEP)).run()
    press(survey, "/paper/in")
    turn(survey, "Sweep")
    before = told()
    survey.session_state[f"{store.draft_keys('survey/')[0]}/setup"] = True
    clean(survey.run())
    press(survey, "/division_mm/1.0 thou")
    assert told() != before
    press(survey, "/noise_mm/±1.0 thou")
    next(n for n in survey.number_input if n.label.startswith("or another angle")).set_value(37.0).run()
    clean(survey)
    press(survey, f"/store/{Goal.LEVEL.value}")
    (swept,) = store.load_shop().surveys.values()
    assert (swept.division_mm, swept.repeatability_mm) == pytest.approx((THOU, THOU / 2))
    assert [p.z_mm for p in swept.points] == pytest.approx([v * THOU * math.cos(math.radians(37)) for v in SWEEP])
    # another part begins with it
    survey.selectbox(key="survey part").select_index(1)
    clean(survey.run())
    press(survey, "/read/**+1**  \nover")
    other = store.get_draft(store.draft_keys("survey/")[0])
    assert (other["angle"], other["division_mm"]) == (37.0, pytest.approx(THOU))


def test_the_ring_stands_at_the_pit_that_is_looked_at(survey):
    turn(survey, "Pits")
    press(survey, "/pit at/middle")
    assert any("Amber ring: the pit told here" in c.value for c in survey.caption)
    turn(survey, "Sweep")
    assert any("Amber ring: the indicator stands here" in c.value for c in survey.caption)


@pytest.mark.parametrize(
    ("begun", "read_in", "lit"),
    [("inch", "inch", "0.5 thou"), ("metric", "metric", "0.010 mm"), ("inch", "metric", "0.013 mm")],
)
def test_the_division_that_holds_is_lit_in_either_unit(survey, store, begun, read_in, lit):
    survey.session_state["units"] = begun
    clean(survey.run())
    press(survey, "/read/**▶**  \nnext point")
    survey.session_state["units"] = read_in
    survey.session_state[f"{store.draft_keys('survey/')[0]}/setup"] = True
    clean(survey.run())
    keys = [b for b in survey.button if b.key and "/division_mm/" in b.key]
    assert [b.label.replace("  \n", " ") for b in keys if b.proto.type == "primary"] == [lit]


def test_a_probes_point_off_the_face_is_named_by_its_place(survey, store):
    """The points are numbered without the rows that cannot be read: a number would lead to another row."""
    turn(survey, "From paper or file")
    survey.text_area[0].set_value("x,y,z\n0 in,0 in,0\n1 in,,1\n90 in,1 in,1\n2 in,1 in,0").run()
    press(clean(survey), "/paper/in")
    told = [e.value for e in survey.error]
    assert any(t.startswith("row 3, y: it is empty") for t in told)
    assert any(t.startswith("x 90.00 in, y 1.00 in lies outside the face") for t in told)
    # and the first of it says what is wanted
    assert told[0].startswith("Nothing was taken over. 2 things in it are wrong, told below row by row")
    assert "Each row wants one reading, or a point's name and its reading, or x, y and z." in told[0]


def test_a_paper_sheet_is_typed_point_by_point_and_kept_while_typing(survey, store):
    turn(survey, "From paper or file")
    fields = [t for t in survey.text_input if "sheet/" in t.key]
    assert len(fields) == 10 and fields[-1].label.startswith("back at")
    keys = [f.key for f in fields]
    for key, thou in zip(keys[:8], SWEEP, strict=False):
        survey.text_input(key=key).set_value(str(thou)).run()
    next(b for b in survey.button if b.label == "Take the sheet in").click()
    clean(survey.run())
    assert any("every point" in e.value for e in [*survey.error, *survey.caption, *survey.markdown])
    # a new session finds what was typed
    turn(survey, "Sweep")
    turn(survey, "From paper or file")
    assert survey.text_input(key=keys[4]).value == str(SWEEP[4])
    survey.text_input(key=keys[8]).set_value("-1.5").run()
    survey.text_input(key=keys[9]).set_value("2").run()
    next(b for b in survey.button if b.label == "Take the sheet in").click()
    clean(survey.run())
    turn(survey, "Sweep")
    assert any("Something moved" in e.value for e in survey.error)  # the sheet says that it did not close
    press(survey, f"/store/{Goal.LEVEL.value}")
    assert not store.load_shop().surveys


def test_the_centre_of_gravity_is_entered_and_refused_beyond_the_supports(survey, store):
    turn(survey, "From paper or file")
    survey.text_area[0].set_value("\n".join(str(v) for v in SWEEP)).run()
    press(survey, "/paper/in")
    turn(survey, "Level it")
    survey.session_state[f"{store.draft_keys('survey/')[0]}/supports box"] = True
    clean(survey.run())
    field = next(t for t in survey.text_input if t.key.endswith("/gravity"))
    field.set_value("5 3").run()
    press(survey, "/use places")
    assert store.get_draft(store.draft_keys("survey/")[0])["gravity"] == pytest.approx([127, 76.2])
    assert any("Support 1" in m.value for m in survey.markdown)
    next(t for t in survey.text_input if t.key.endswith("/gravity")).set_value("50 3").run()
    press(survey, "/use places")
    assert any("tip" in e.value for e in survey.error)


def test_a_survey_that_was_stored_elsewhere_is_shown_as_it_stands(app, go, store):
    shop = store.load_shop()
    job = next(j for j in shop.open_jobs() if shop.part_of(j).tag == "T-1")
    places = [("a", 5, 5), ("b", 295, 5), ("c", 295, 175), ("d", 5, 175)]
    points = tuple(SurveyPoint(name, x, y, -0.0254 * k) for k, (name, x, y) in enumerate(places))
    taken = FaceSurvey(job.part_id, job.face_id, MONDAY, points, goal=Goal.AS_IT_LIES)
    store.add_survey(job.part_id, job.face_id, MONDAY, taken.payload(), "ab", "clamped", job.id)
    app.session_state["survey go"] = f"{job.part_id}/{job.face_id}"
    at = go(app.run(), "survey")
    assert any("This sweep is stored" in c.value for c in at.caption)
    turn(at, "What must come off")
    assert {m.label: m.value for m in at.metric}["As it lies (thou)"] == "3.0"
