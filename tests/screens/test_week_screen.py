"""The week on screen: a proposal, accepting it, out of date after a change, re-planning."""

from dataclasses import replace

from planner.shop import Condition, Hold, JobState
from tests.tiny import MONDAY


def texts(at):
    return [e.value for kind in (at.info, at.warning, at.success, at.error) for e in kind]


def as_ab(at, store):
    """Somebody sits here: a plan is accepted by a name."""
    at.session_state["who"] = next(iter(store.load_shop().people))


def press(at, label):
    next(b for b in at.button if b.label == label).click()
    at.run()
    assert not at.exception, [e.value for e in at.exception]


def test_the_first_screen_shows_a_plan_that_nobody_accepted_yet(app, go):
    go(app, "week")
    assert any("not accepted yet" in t for t in texts(app))
    table = app.dataframe[-1].value
    assert set(table["Part"]) == {"T-1", "T-2", "T-3", "T-4"}
    assert "pressure test not done" in " ".join(table["Waits for"])
    # what is ready and what waits, and the first job of the machine
    words = " ".join(m.value for m in app.markdown)
    assert "3 ready to cut, 1 waiting" in words
    assert "the mill" in words


def test_a_job_not_to_be_cut_says_so_and_books_no_minutes(app, go, store):
    part = next(p for p in store.load_shop().parts.values() if p.tag == "T-3")
    store.save(replace(part, agreed_depth_mm=0.0127), by="ab", at=MONDAY)
    go(app, "week")
    table = app.dataframe[-1].value.set_index("Part")
    row = table.loc["T-3"]
    assert row["Cut"].startswith("none: would need ") and row["At the machine"] == "none"
    assert "min" in table.loc["T-1", "At the machine"]
    assert row["Waits for"] == "Hardly clean within the agreed 0.5 thou: call the customer before beginning"
    assert "2 ready to cut, 2 waiting" in " ".join(m.value for m in app.markdown)


def test_an_accepted_plan_stands_still_and_says_when_it_is_out_of_date(app, go, store):
    as_ab(app, store)
    go(app, "week")
    press(app, "Accept this plan")
    plan = store.current_plan()
    assert plan is not None
    assert any("It holds" in t for t in texts(app))
    part = next(p for p in store.load_shop().parts.values() if p.tag == "T-1")
    store.save(replace(part, condition=Condition.HEAVILY_CORRODED), by="ab", at=MONDAY)
    app.run()
    assert any("out of date: +" in t for t in texts(app))
    assert store.current_plan().id == plan.id
    assert store.current_plan().payload["order"] == plan.payload["order"]


def test_a_plan_is_accepted_by_somebody(app, go, store):
    go(app, "week")
    press(app, "Accept this plan")
    assert any("Say who you are" in t for t in texts(app))
    assert store.current_plan() is None


def test_a_shop_without_people_says_what_it_is_planned_as_and_who_has_to_be_entered(app, go, store):
    person = next(iter(store.load_shop().people.values()))
    store.delete(person)
    go(app, "week")
    assert any("as if somebody always stood at each machine" in t for t in texts(app))
    press(app, "Accept this plan")
    assert any("enter the people first" in t for t in texts(app))
    assert store.current_plan() is None

    from planner.screens import week_accept
    from planner.week.board import plan_shop
    from planner.week.queue import estimate_queue

    shop = store.load_shop()
    plan = plan_shop(shop, estimate_queue(shop), MONDAY, steps=0)
    text = week_accept.calendar_file(plan, shop, 1).decode()
    assert "DESCRIPTION:at the mill: " in text and "at 1:" not in text


def test_a_shop_with_everything_on_hold_says_so(app, go, store):
    for part in store.load_shop().parts.values():
        store.save(replace(part, holds=(Hold("owner", "go on?", MONDAY.date()),)), by="ab", at=MONDAY)
    go(app, "week")
    assert any("nothing can be cut by now" in t for t in texts(app))
    words = " ".join(m.value for m in app.markdown)
    assert "0 ready to cut, 4 waiting" in words and "Nothing is placed." in words
    press(app, "Re-plan from now")


def test_replanning_proposes_and_only_accepting_changes_the_board(app, go, store, monkeypatch):
    from planner.screens import week_accept

    monkeypatch.setattr(week_accept, "SEARCH_STEPS", 3)
    as_ab(app, store)
    go(app, "week")
    press(app, "Accept this plan")
    first = store.current_plan()
    press(app, "Re-plan from now")
    assert store.current_plan().id == first.id
    assert any("stays until you accept" in t for t in texts(app))
    press(app, "Accept this plan")
    assert store.current_plan().id != first.id


def test_units_switch_on_the_week(app, go):
    go(app, "week")
    assert any("thou" in str(v) for v in app.dataframe[-1].value["Cut"])
    app.session_state["units"] = "metric"
    app.run()
    assert not app.exception
    assert all("mm" in str(v) for v in app.dataframe[-1].value["Cut"])


def test_an_empty_shop_is_told_what_to_enter_first(empty_app, go):
    go(empty_app, "week")
    assert any("Nothing to plan yet" in t for t in texts(empty_app))
    assert any("a machine, with its speeds" in m.value for m in empty_app.markdown)


def test_recording_a_cut_updates_job_part_and_week(app, go, store):
    as_ab(app, store)
    go(app, "week")
    press(app, "Accept this plan")
    job = next(j for j in store.load_shop().open_jobs() if store.load_shop().part_of(j).tag == "T-1")
    app.session_state["run job"] = job.id
    app.session_state["paper sheet"] = True
    go(app, "run")
    fields = {t.label: t for t in app.text_input}
    fields["Depth after each pass (thou), kiss pass as 0"].input("0 2.5 3.5").run()
    fields = {t.label: t for t in app.text_input}
    fields["First clean after pass no., the kiss pass counted (? = not noted, empty: never)"].input("3").run()
    fields = {t.label: t for t in app.text_input}
    line = next(label for label in fields if label.startswith("Heights after (in), with blanks"))
    fields[line].input("3.9256").run()
    press(app, "Record the cut")
    shop = store.load_shop()
    assert shop.jobs[job.id].state is not JobState.WAITING
    cut = store.cuts_of(job.part_id)[0]
    assert round(cut.stop_depth_mm / 0.0254, 3) == 3.5
    assert (round(cut.clean_lower_mm / 0.0254, 6), round(cut.clean_upper_mm / 0.0254, 6)) == (2.5, 3.5)
    assert abs(shop.removed_mm[job.part_id, job.face_id] - cut.stop_depth_mm) < 1e-9
    assert shop.parts[job.part_id].latest_heights_mm(job.face_id)["front left"].height_mm == 3.9256 * 25.4


def test_a_wrong_depth_is_marked_beside_its_field_and_nothing_is_stored(app, go, store):
    app.session_state["paper sheet"] = True
    go(app, "run")
    fields = {t.label: t for t in app.text_input}
    fields["Depth after each pass (thou), kiss pass as 0"].input("3 2").run()
    press(app, "Record the cut")
    assert any("never become less" in e.value for e in app.error)
    assert store.cuts_frame().empty


def test_what_was_typed_outlives_a_new_session(app, go, store):
    from streamlit.testing.v1 import AppTest

    from tests.screens.conftest import APP

    app.session_state["paper sheet"] = True
    go(app, "run")
    label = "Depth after each pass (thou), kiss pass as 0"
    {t.label: t for t in app.text_input}[label].input("0 1.5").run()
    again = AppTest.from_file(str(APP), default_timeout=60)
    go(again, "run")
    assert {t.label: t for t in again.text_input}[label].value == "0 1.5"


def test_a_job_that_nothing_can_take_is_not_counted_as_ready_and_its_reason_is_told_once(app, go, store):
    shop = store.load_shop()
    for recipe in shop.recipes.values():
        if recipe.material == "grey_iron":
            store.save(replace(recipe, active=False), by="ab", at=MONDAY)
    go(app, "week")
    assert any("**2 ready to cut, 1 waiting**" in m.value for m in app.markdown)
    told = [e.value for e in app.error if "cannot be placed" in e.value]
    assert len(told) == 1 and "T-3" in told[0]


def test_names_on_the_board_know_the_room_up_to_the_next_one(app, store):
    from planner.screens.week_board import board_rows
    from planner.week.board import plan_shop
    from planner.week.queue import estimate_queue

    shop = store.load_shop()
    plan = plan_shop(shop, estimate_queue(shop), MONDAY, steps=1)
    machines = {str(i): m.name for i, m in shop.machines.items()}
    rows = board_rows(shop, plan.timeline, machines, {}, 60, MONDAY, plan)
    names = rows[rows["work"] == "name"].sort_values(["lane", "begin"])
    assert len(names) >= 3
    for _, lane in names.groupby("lane"):
        assert lane["next"].tolist() == [*lane["begin"].tolist()[1:], 24.0]
