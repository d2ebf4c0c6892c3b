"""The page Records: filters, plan against actual, a part's course, charge lines, taking a cut back."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from planner.screens.records import after_scrapping, sets_again
from planner.shop import Cut, Outcome, PassReason, PassRecord
from tests.tiny import MONDAY

SECTION = "records section"


@pytest.fixture
def recorded(store):
    """Two finished cuts of T-1's engine, planned for 0.08 and allowed 0.10 mm: one held, one did not."""
    shop = store.load_shop()
    for i, (tag, stop) in enumerate((("T-1", 0.09), ("T-2", 0.12))):
        part = next(p for p in shop.parts.values() if p.tag == tag)
        job = next(j for j in shop.jobs.values() if j.part_id == part.id)
        ended = MONDAY - timedelta(days=2 - i)
        store.record_cut(
            Cut(
                job.id,
                part.id,
                job.face_id,
                ended,
                stop,
                started=ended - timedelta(hours=1),
                machine_id=next(iter(shop.machines)),
                by="ab",
                outcome=Outcome.FINISHED,
                passes=(
                    PassRecord(0.05, PassReason.SEARCH, clean=False),
                    PassRecord(stop - 0.01, PassReason.SEARCH, clean=True),
                    PassRecord(stop, PassReason.MATCH, finishing=True),
                ),
                clean_lower_mm=0.05,
                clean_upper_mm=stop - 0.01,
                planned_depth_mm=0.08,
                allowed_depth_mm=0.10,
                planned_passes=3,
                planned_minutes=60,
                attended_minutes=45,
                unattended_minutes=15,
            )
        )
    return store


def test_without_a_cut_the_page_says_where_they_come_from(app, go):
    go(app, "records")
    assert any("No finished cut" in i.value for i in app.info)


def test_cuts_are_listed_newest_first_and_filtered(app, go, recorded):
    go(app, "records")
    table = app.dataframe[0].value
    assert list(table["Part"]) == ["T-2", "T-1"]
    app.multiselect(key="records filter condition").set_value(["corroded"])
    app.run()
    assert not app.exception
    assert any("Take a filter off" in i.value for i in app.info)


def test_how_many_stayed_inside_is_said(app, go, recorded):
    go(app, "records")
    app.session_state[SECTION] = "Plan against actual"
    app.run()
    assert not app.exception
    assert app.metric[0].value == "50%"
    assert any("1 of 2 finished cuts" in m.value for m in app.markdown)


def test_a_part_shows_its_heights_and_rebuilds(app, go, recorded):
    go(app, "records")
    app.session_state[SECTION] = "One part"
    app.run()
    app.text_input(key="records part text").set_value("T-1")
    app.run()
    assert not app.exception
    assert any("rebuild" in c.value and "limit" in c.value for c in app.caption)


def test_charge_lines_hold_hours_and_extra_passes(app, go, recorded):
    go(app, "records")
    app.session_state[SECTION] = "Charge lines"
    app.run()
    assert not app.exception
    table = app.dataframe[0].value
    assert list(table["Hours + alone"]) == ["0.75 + 0.25"] * 2
    assert set(table["Again, extra"]) == {"1 to the partner's height"}
    assert next(m.value for m in app.metric if m.label == "At the machine") == "2.0 h"


def test_a_cut_is_taken_back_only_with_a_reason(app, go, recorded):
    go(app, "records")
    cut = recorded.cuts_frame().iloc[0]
    app.session_state["records cut"] = int(cut["id"])
    app.session_state[f"records back/{cut['id']}"] = True
    app.run()
    back = next(b for b in app.button if b.label == "Take it back")
    back.click()
    app.run()
    assert any("Nothing was stored" in e.value for e in app.error)
    assert len(recorded.cuts_frame()) == 2
    app.text_input(key=f"records why/{cut['id']}").set_value("typed for the wrong part")
    app.run()
    next(b for b in app.button if b.label == "Take it back").click()
    app.run()
    assert not app.exception
    assert len(recorded.cuts_frame()) == 1
    assert any("waits again" in s.value for s in app.success)


def test_taking_a_scrapping_back_says_what_became_of_its_set(store, data_home):
    matched = next(iter(store.load_shop().sets.values()))
    first, second = (store.load_shop().jobs[j] for j in matched.job_ids)
    cut = Cut(first.id, first.part_id, first.face_id, MONDAY, 0.1, by="ab", outcome=Outcome.SCRAPPED)
    stored = store.record_cut(cut)
    entry = store.reverse_cut(stored.id, "the other head", "ab", MONDAY)
    shop = store.load_shop()
    said = sets_again(shop, entry, store.came_of_taking_back(stored.id))
    assert "is in the shop again" in said and f"{matched.name} is together again" in said
    assert shop.part_of(second).tag in said and shop.part_of(first).tag in said
    told = sets_again(shop, entry, ((matched.name, matched.job_ids, "T-2 is scrapped"),))
    assert "not together again: T-2 is scrapped" in told
    # a scrapping recorded by an older program, of which nothing was kept: what is left to do by hand
    by_hand = after_scrapping(replace(shop, sets={}), entry)
    assert "New set" in by_hand and shop.part_of(second).tag in by_hand
