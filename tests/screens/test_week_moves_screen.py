"""The week on screen: moving, pinning, holding, rushing a job; what if; versions; files; what outlives a session."""

import time
from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest
from streamlit.testing.v1 import AppTest

from planner.screens.week_whatif import figures
from planner.shop import Window
from tests.screens.conftest import APP
from tests.screens.test_week_screen import as_ab, press, texts
from tests.tiny import MONDAY


def job_of(store, tag):
    shop = store.load_shop()
    return next(j for j in shop.open_jobs() if shop.part_of(j).tag == tag)


def pick(at, store, tag):
    next(s for s in at.selectbox if s.label == "Job").set_value(job_of(store, tag).id).run()
    assert not at.exception, [e.value for e in at.exception]


def until(at, there, runs=200):
    """Work beside the page ends in its own time: draw the page anew until what is awaited is there; not so often that
    drawing takes the work's own time."""
    for _ in range(runs):
        if there():
            return
        time.sleep(0.2)
        at.run()
    raise AssertionError("it never came")


def words_of(at):
    return " ".join([m.value for m in at.markdown] + [c.value for c in at.caption])


@pytest.fixture
def accepted(app, go, store):
    as_ab(app, store)
    go(app, "week")
    press(app, "Accept this plan")
    return app


def test_a_picked_job_says_why_it_stands_there(accepted, store):
    pick(accepted, store, "T-3")
    said = words_of(accepted)
    assert "Why it stands there" in said and "on the mill" in said
    assert any(m.label == "Depth, likely" for m in accepted.metric)


def test_a_move_is_a_proposal_that_outlives_the_session_and_moves_nothing(accepted, go, store):
    board = store.current_plan()
    pick(accepted, store, "T-3")
    placed = [j for j in board.payload["order"]["1"] if j in board.payload["jobs"]]
    first = placed[0] == str(job_of(store, "T-3").id)
    press(accepted, "Later" if first else "Earlier")
    assert any("stays until you accept" in t for t in texts(accepted))
    assert store.current_plan().id == board.id
    again = AppTest.from_file(str(APP), default_timeout=60)
    as_ab(again, store)
    go(again, "week")
    assert any("It holds" in t for t in texts(again))  # elsewhere the board stands still
    assert "A proposal is kept: T-3 one place" in words_of(again)
    press(again, "Look at it")
    assert any("T-3 one place" in t for t in texts(again))
    press(again, "Accept this plan")
    order = [j for j in store.current_plan().payload["order"]["1"] if j in board.payload["jobs"]]
    assert order != placed and sorted(order) == sorted(placed)
    assert store.draft_keys("week proposal") == ()


def test_a_set_is_never_cut_in_the_wrong_order(accepted, store):
    board = store.current_plan().payload
    placed = [j for j in board["order"]["1"] if j in board["jobs"]]
    pair = [str(job_of(store, tag).id) for tag in ("T-1", "T-2")]
    second = max(pair, key=placed.index)
    shop = store.load_shop()
    pick(accepted, store, shop.part_of(shop.jobs[int(second)]).tag)
    press(accepted, "Earlier")
    assert any("Nothing was stored" in t and "order of its set" in t for t in texts(accepted))
    assert store.draft_keys("week proposal") == ()


def test_a_set_that_is_never_parted_moves_as_one(store):
    from types import SimpleNamespace

    from planner.screens.week_job import NEVER, _blocks
    from planner.week import JobSet

    shop = store.load_shop()
    one, two, *others = sorted(map(str, shop.jobs))
    jobs = [SimpleNamespace(id=j, started=False) for j in (one, two, *others)]

    def blocks(price, placed):
        week = SimpleNamespace(jobs=jobs, sets=(JobSet((one, two), 0.0, price),))
        return _blocks(SimpleNamespace(week=week), shop, placed)

    assert blocks(NEVER, [others[0], one, two, others[1]]) == [[others[0]], [one, two], [others[1]]]
    assert blocks(NEVER, [one, others[0], two]) == [[one], [others[0]], [two]]
    assert blocks(200.0, [one, two]) == [[one], [two]]


def test_a_pin_is_kept_with_the_plan(accepted, store):
    pick(accepted, store, "T-3")
    press(accepted, "Keep its time")
    press(accepted, "Accept this plan")
    assert list(store.current_plan().payload["pins"]) == [str(job_of(store, "T-3").id)]
    press(accepted, "Free its time")
    press(accepted, "Accept this plan")
    assert store.current_plan().payload["pins"] == {}


def test_rush_and_hold_are_stored_and_the_board_says_so(accepted, store):
    pick(accepted, store, "T-3")
    press(accepted, "Rush")
    assert job_of(store, "T-3").rush
    fields = {t.label: t for t in accepted.text_input}
    fields["Waits for"].input("owner").run()
    {t.label: t for t in accepted.text_input}["For what"].input("go on at 12 thou?").run()
    press(accepted, "Hold it")
    shop = store.load_shop()
    hold = shop.part_of(job_of(store, "T-3")).open_holds[0]
    assert (hold.waiting_for, hold.reason) == ("owner", "go on at 12 thou?")
    assert any("1 job now waits" in t for t in texts(accepted))


def test_chances_come_by_themselves(accepted):
    until(accepted, lambda: "From a thousand such weeks" in words_of(accepted))
    assert "on time in at least 8 of 10" in words_of(accepted) or "of 10 on time" in words_of(accepted)
    ends = next(d.value for d in accepted.dataframe if "Done, likely" in d.value)
    assert set(ends["Who"]) == {"the mill", "A. Bell"}


def test_a_chance_is_told_where_it_bears_on_a_decision(accepted, store):
    name = "T-3"
    until(accepted, lambda: "From a thousand such weeks" in words_of(accepted))
    assert f"**{name}**, rush" not in words_of(accepted)
    # of the job somebody picks, since moving it is the question
    pick(accepted, store, name)
    assert "As such weeks turn out:" in words_of(accepted)
    # of one that is rushed, whatever its chance
    press(accepted, "Rush")
    until(accepted, lambda: f"**{name}**, rush: " in words_of(accepted))
    # beside a proposal: of every job whose chance the accepted plan gives differently, or that there is none
    press(accepted, "Keep its time")
    until(accepted, lambda: "in the accepted plan" in words_of(accepted))
    assert f"**{name}**, rush and its time is kept: " in words_of(accepted)


def test_the_first_plan_is_searched_once_and_kept(app, go, store):
    go(app, "week")
    until(app, lambda: store.get_draft("week first plan") is not None)
    kept = store.get_draft("week first plan")
    app.run()
    assert store.get_draft("week first plan") == kept


def test_an_overload_is_said_first_with_what_would_cure_it(app, go, store):
    as_ab(app, store)
    # two short days of shift: the work runs over into the week after, and a Saturday holds it
    shop = store.load_shop()
    short = tuple(Window(day, 7 * 60, 9 * 60 + 30) for day in (0, 1))
    store.save(replace(shop.machines[1], hours=short), by="ab", at=MONDAY)
    store.save(replace(shop.people[1], shifts=short), by="ab", at=MONDAY)
    for job in shop.jobs.values():
        store.save(replace(job, due=MONDAY.replace(day=7, hour=15)), by="ab", at=MONDAY)
    go(app, "week")
    assert any("More work than hours" in t and "late" in t for t in texts(app))
    until(app, lambda: any(b.label == "Offer it" for b in app.button))
    assert "**What would help**" in words_of(app)
    press(app, "Offer it")
    assert len(store.load_shop().overtime) == 1


def test_a_job_behind_the_accepted_order_is_no_want_of_hours(accepted, go, store):
    late = job_of(store, "T-3")
    part = store.load_shop().part_of(late)
    twin = store.add(replace(part, id=None, version=0, tag="T-9"), by="ab", at=MONDAY)
    store.add(replace(late, id=None, version=0, part_id=twin.id, due=late.due.replace(year=2020)), by="ab", at=MONDAY)
    go(accepted, "week")
    said = next(t for t in texts(accepted) if "1 job late" in t and "min in all" in t)
    assert said.startswith("**With what came since, in the accepted order:**") and "Re-plan first" in said
    assert not any("More work than hours" in t for t in texts(accepted))


def test_a_change_is_what_lies_between_the_figures_beside_it(store):
    frame = pd.DataFrame({"now": [1.0, 34.44, 3.0, 1726.4], "then": [0.0, 35.76, 3.0, 519.6]})
    frame.index = ["late jobs", "hours", "edges", "cost"]
    frame["change"] = frame["then"] - frame["now"]
    shown = figures(SimpleNamespace(figures=frame), store.load_shop()).set_index("")
    assert list(shown.loc["Hours of people"]) == ["34.4 h", "35.8 h", "+1.4 h"]
    assert shown.loc["Cost, lateness counted", "Change"].endswith("1206") and shown.loc["Late jobs", "Change"] == "−1"
    assert shown.loc["Edges to index", "Change"] == "no change"


def test_what_would_not_help_against_an_overload_is_not_offered(app, go, store):
    as_ab(app, store)
    for tag in ("T-1", "T-2", "T-3"):
        job = job_of(store, tag)
        store.save(replace(job, due=job.due.replace(year=2020)), by="ab", at=job.due)
    go(app, "week")
    assert any("More work than hours" in t and "3 jobs late" in t for t in texts(app))
    until(app, lambda: "Would not help: " in words_of(app))
    assert "A. Bell works Sat" in words_of(app).split("Would not help: ")[1]
    assert not any(b.label == "Offer it" for b in app.button)


@pytest.mark.parametrize(
    "asked", ["a rush job arrives", "a machine is down", "somebody works Saturday", "one more person"]
)
def test_what_if_puts_two_plans_side_by_side(accepted, asked, monkeypatch, store):
    from planner.screens import week_whatif

    monkeypatch.setattr(week_whatif, "STEPS", 2)
    accepted.session_state["what if open"] = True
    accepted.session_state["what if"] = asked
    accepted.run()
    press(accepted, "Work it out")
    table = next(d.value for d in accepted.dataframe if "What if" in d.value)
    assert table[""].tolist() == ["Late jobs", "Hours of people", "Edges to index", "Cost, lateness counted"]
    assert ("**the rush job**: " in words_of(accepted)) == (asked == "a rush job arrives")
    if asked == "somebody works Saturday":
        assert "does not take these hours" in words_of(accepted)
    before = store.load_shop()
    if asked == "a machine is down":
        press(accepted, "Store the closure")
        assert len(store.load_shop().closures) == len(before.closures) + 1


def test_versions_with_who_and_when(accepted, store):
    pick(accepted, store, "T-3")
    press(accepted, "Keep its time")
    press(accepted, "Accept this plan")
    accepted.session_state["week versions"] = True
    accepted.run()
    table = next(d.value for d in accepted.dataframe if "Accepted" in d.value)
    assert table["By"].tolist() == ["ab", "ab"]
    assert "Since" in words_of(accepted)


def test_the_plan_as_files(accepted, store):
    import icalendar

    from planner.screens import plans, week_accept
    from planner.week.board import board_of
    from planner.week.queue import estimate_queue

    shop = store.load_shop()
    board = board_of(store.current_plan().payload, shop, estimate_queue(shop), plans.access.now())
    text = week_accept.plan_file(board.today, shop).decode("utf-8-sig")
    lines = text.splitlines()
    assert lines[0].startswith("machine,place,person,tag,face")
    assert sum("T-" in line for line in lines) == 4 and "pressure test not done" in text
    calendar = icalendar.Calendar.from_ical(week_accept.calendar_file(board.today, shop, 3))
    events = list(calendar.walk("VEVENT"))
    assert events and {str(e["LOCATION"]) for e in events} <= {"the mill", "bench"}
    assert any("T-3" in str(e["SUMMARY"]) for e in events) and all(int(e["SEQUENCE"]) == 3 for e in events)


def test_an_assembly_that_starts_is_said_so(accepted, store):
    from planner.shop import DueKind

    job = job_of(store, "T-3")
    store.save(replace(job, due_kind=DueKind.ASSEMBLY), by="ab", at=job.due)
    accepted.run()
    pick(accepted, store, "T-3")
    assert "for the assembly that starts" in words_of(accepted)


def test_a_partner_of_a_held_part_waits_for_it_by_name_and_is_no_error(accepted, store):
    pair = [job_of(store, tag) for tag in ("T-1", "T-2")]
    placed = store.current_plan().payload["order"]["1"]
    first, second = sorted(pair, key=lambda j: placed.index(str(j.id)))
    shop = store.load_shop()
    tags = [shop.part_of(job).tag for job in (first, second)]
    pick(accepted, store, tags[0])
    fields = {t.label: t for t in accepted.text_input}
    fields["Waits for"].input("owner").run()
    {t.label: t for t in accepted.text_input}["For what"].input("go on?").run()
    press(accepted, "Hold it")
    assert any(f"{tags[0]} waits for owner" in t for t in texts(accepted))
    assert f"{tags[1]}: waits for {tags[0]}, the member to be cut before it" in words_of(accepted)
    assert "**1 ready to cut, 3 waiting**" in words_of(accepted)
    assert not any("cannot be placed" in t for t in texts(accepted))


def test_what_a_button_led_to_is_still_said_when_the_page_is_drawn_anew_by_itself(accepted, store):
    from planner.screens import said

    pick(accepted, store, "T-3")
    press(accepted, "Rush")
    told = "T-3 is a rush job now"
    assert any(told in t for t in texts(accepted))
    state = accepted.session_state
    state[said._SAID] = state[said._SHOWN]  # what `say_again` does in the fragment that looks out for news
    accepted.run()
    assert any(told in t for t in texts(accepted))
    accepted.run()
    assert not any(told in t for t in texts(accepted))
