"""The page Inserts: what it advises, what each button stores, what it refuses, what the second of two sessions reads."""

import math
from dataclasses import replace
from datetime import timedelta

import pytest

from planner.cut.estimate import estimate_job
from planner.cut.setups import turns_of_path
from planner.edge import Chipped, End, Fitted, Indexed, InsertPlace, OrderSuggestion, Received
from planner.screens.inserts_drawer import order_words
from planner.shop import Cut, EdgeUse, InsertGrade, PassRecord
from planner.store import Kind, open_kind, places
from tests.screens.shop_page import press, said
from tests.tiny import MONDAY

LAST_WEEK = MONDAY - timedelta(days=7)


@pytest.fixture
def fitted(store):
    """The tiny shop with D-1 in the aluminium cutter since last week."""
    grade = next(g for g in store.load_shop().grades.values() if g.name == "diamond")
    store.open_insert(grade.id, "D-1", LAST_WEEK, "ab")
    store.add_edge_event(Fitted(cutter="fly 300", pocket=1, insert="D-1", position=1, at=LAST_WEEK, by="ab"))
    return store


def cut_so_far(store, path_mm, ended=MONDAY - timedelta(days=1), ra=()):
    """One recorded cut that took so much path of D-1."""
    shop = store.load_shop()
    part = next(p for p in shop.parts.values() if p.tag == "T-4")
    insert = next(i for i in shop.inserts.values() if i.label == "D-1")
    cutter = next(c for c in shop.cutters.values() if c.name == "fly 300")
    cut = Cut(
        None,
        part.id,
        shop.family_of(part).faces[0].id,
        ended,
        0.05,
        started=ended - timedelta(hours=1),
        cutter_id=cutter.id,
        by="ab",
        passes=(PassRecord(0.05, clean=True),),
        uses=(EdgeUse(insert.id, 1, path_mm, path_mm * 0.1),),
        ra_um=ra,
    )
    store.add_history([cut])


def page(app, go, part=None, history=None):
    if part:
        app.session_state["inserts/part"] = part
    if history:
        app.session_state["inserts/history"] = history
    return go(app, "inserts")


def words(at) -> str:
    return " ".join(m.value for m in (*at.markdown, *at.caption))


def test_a_fresh_edge_needs_no_index_and_the_page_says_what_it_is(app, go, fitted):
    page(app, go)
    assert "No index needed in this plan" in words(app)
    assert "D-1 position 1" in words(app) and "starting values" in words(app)
    assert any("aluminium nothing" in m.value or "nothing yet" in m.value for m in app.markdown)


def test_a_used_edge_is_indexed_before_the_first_job_by_name(app, go, fitted):
    cut_so_far(fitted, 0.449 * 600e6)
    page(app, go)
    assert "Index before T-" in words(app)
    assert "where 5 % of edges are gone" in words(app) or "costs more than the edge" in words(app)


def test_a_split_of_a_set_is_agreed_to_by_name(app, go, fitted):
    """Two heads of one engine, an edge that lasts one of them: the lead agrees on the card, and the card stops asking."""
    shop = fitted.load_shop()
    recipe = next(r for r in shop.recipes.values() if r.material == "aluminium")
    job = shop.jobs[next(iter(shop.sets.values())).job_ids[0]]
    lasts = estimate_job(shop, job).path_likely_mm / 0.15
    fitted.save(replace(recipe, capacity_path_mm=lasts), by="ab", at=MONDAY)
    at = page(app, go)
    assert any("falls inside the set engine E-1" in w.value for w in at.warning)
    press(at, "Agree to split it")
    assert "who agreed" in said(at) and not next(iter(fitted.load_shop().sets.values())).split_agreed_by
    next(w for w in at.text_input if w.label == "Who agreed").set_value("the lead").run()
    press(at, "Agree to split it")
    assert next(iter(fitted.load_shop().sets.values())).split_agreed_by == "the lead"
    assert not any("falls inside" in w.value for w in at.warning)


def test_index_replace_and_taking_it_back(app, go, fitted):
    page(app, go)
    press(app, "Index to position 2")
    assert fitted.load_shop().edges[0].position == 2
    assert fitted.ledger().inserts["D-1"].edges[0].end is End.BY_RULE
    assert "touch off again" in said(app)
    press(app, "Take the last entry back")
    assert fitted.load_shop().edges[0].position == 1
    assert fitted.edge_events(everything=True)[-1].kind == "reversed"


def test_the_reason_of_the_change_is_kept(app, go, fitted):
    page(app, go)
    next(b for b in app.selectbox if b.label == "Why it is changed").set_value("finish lost").run()
    press(app, "Index to position 2")
    assert fitted.ledger().inserts["D-1"].edges[0].end is End.FINISH_LOST


def test_a_chipped_edge_must_be_changed_before_anything_else(app, go, fitted):
    page(app, go)
    press(app, "Chipped")
    assert fitted.ledger().inserts["D-1"].edges[0].end is End.CHIPPED
    assert "nothing is cut until it is changed" in words(app)
    assert not [b for b in app.button if b.label == "Cleaned and put back"]
    press(app, "Index to position 2")
    ledger = fitted.ledger()
    assert ledger.inserts["D-1"].edges[0].end is End.CHIPPED and ledger.edge_in("fly 300", 1).position == 2


def test_cleaned_and_taken_out(app, go, fitted):
    page(app, go)
    press(app, "Cleaned and put back")
    assert fitted.ledger().inserts["D-1"].edges[0].cleanings == 1
    press(app, "Taken out")
    assert fitted.ledger().pockets["fly 300"] == (None,)
    assert "The pocket is empty" in words(app)
    press(app, "Fit it")
    assert fitted.ledger().pockets["fly 300"][0].insert == "D-1"


def test_a_cutter_of_several_pockets(app, go, fitted):
    """The card names each edge with its own area, an empty pocket and a chipped edge; all pockets go in one act."""
    cutter = next(c for c in fitted.load_shop().cutters.values() if c.name == "fly 300")
    cut_so_far(fitted, 50e6)
    fitted.save(replace(cutter, inserts=3), by="ab", at=MONDAY)
    grade = next(g for g in fitted.load_shop().grades.values() if g.name == "diamond")
    fitted.save(replace(grade, stock=5), by="ab", at=MONDAY)
    put = {"cutter": "fly 300", "position": 1, "grade": "diamond", "at": MONDAY, "by": "ab"}
    fitted.add_edge_event(Fitted(pocket=2, insert="D-2", **put))
    page(app, go)
    assert "Pocket 3 is empty" in words(app)
    assert "D-1 position 1, pocket 1" in words(app) and "D-2 position 1, pocket 2" in words(app)
    assert "since 02 Mar 2026: nothing yet" in words(app)
    fitted.add_edge_event(Fitted(pocket=3, insert="D-3", **put))
    fitted.add_edge_event(Chipped(at=MONDAY, by="ab", cutter="fly 300", pocket=2, insert="D-2"))
    app.run()
    assert "is empty" not in words(app) and "D-2 in pocket 2 is chipped" in words(app)
    press(app, "Index all 3 pockets")
    ledger = fitted.ledger()
    assert [ledger.edge_in("fly 300", p).position for p in (1, 2, 3)] == [2, 2, 2]
    ends = [ledger.inserts[f"D-{i}"].edges[0].end for i in (1, 2, 3)]
    assert ends[:2] == [End.BY_RULE, End.CHIPPED]
    assert "chipped" not in words(app).split("Or, without")[0]


def test_two_sessions_index_one_cutter_and_the_second_is_told(app, go, fitted):
    page(app, go)
    other = open_kind(places(), Kind.OWN, MONDAY)
    change = {"at": MONDAY, "by": "cd", "cutter": "fly 300", "pocket": 1, "insert": "D-1", "end": End.WORN}
    other.add_edge_event(Indexed(**change, from_position=1, to_position=2))
    button = next(b for b in app.button if b.label == "Index to position 2")
    button.click().run()
    assert not app.exception
    told = " ".join(e.value for e in app.error)
    assert "Nothing was stored" in told and "cd" in told
    assert fitted.load_shop().edges[0].position == 2 and len(fitted.ledger().log) == 2
    other.engine.dispose()


def test_a_wear_land_is_kept_and_may_not_run_backwards(app, go, fitted):
    cut_so_far(fitted, 50e6)
    page(app, go)
    expander = next(e for e in app.expander if e.label == "Wear land measured")
    assert expander is not None
    from planner.screens import inserts_changes

    seen = len(fitted.ledger().log)
    base = {"cutter": "fly 300", "pocket": 1, "insert": "D-1"}
    from planner.edge import WearRead
    from planner.errors import InputError

    fitted.add_edge_event(WearRead(**base, at=MONDAY, by="ab", wear_mm=0.20), seen)
    with pytest.raises(InputError, match="does not run backwards"):
        fitted.add_edge_event(WearRead(**base, at=MONDAY, by="ab", wear_mm=0.10), seen + 1)
    (reading,) = fitted.ledger().edge_in("fly 300", 1).readings
    assert reading.wear_mm == 0.20 and reading.path_mm == {"aluminium": pytest.approx(50e6)}
    with pytest.raises(InputError, match="with or without a unit"):
        inserts_changes._keep_wear(base, seen, "wide")


def test_received_counted_opened_reground_and_scrapped(app, go, fitted):
    stock = {g.name: g.stock for g in fitted.load_shop().grades.values()}
    app.session_state["drawer/deed"] = "Received"
    page(app, go, "Drawer and orders")
    press(app, "Received")
    # the button stands far below the page's top: said in sight as well
    assert [t.value for t in app.toast] == ["1 received."]
    assert {g.name: g.stock for g in fitted.load_shop().grades.values()}["diamond"] == stock["diamond"] + 1
    app.session_state["drawer/deed"] = "Counted"
    app.run()
    next(n for n in app.number_input if n.label == "Unopened inserts").set_value(5).run()
    press(app, "Counted")
    assert {g.name: g.stock for g in fitted.load_shop().grades.values()}["diamond"] == 5
    app.session_state["drawer/deed"] = "Open an insert"
    app.run()
    press(app, "Open an insert")
    assert "a label to know the insert by" in said(app)
    next(t for t in app.text_input if t.label == "Label to know it by").set_value("D-2").run()
    press(app, "Open an insert")
    assert "D-2" in {i.label for i in fitted.load_shop().inserts.values()}
    page(app, go, "Change an edge")
    press(app, "Taken out")
    app.session_state["drawer/deed"] = "Regrind or scrap"
    page(app, go, "Drawer and orders")
    press(app, "Send for regrind")
    assert fitted.ledger().inserts["D-1"].place is InsertPlace.REGRIND
    press(app, "Back from regrind")
    assert fitted.ledger().inserts["D-1"].regrinds == 1
    # both its positions cut again: it is offered once beside the insert that took its place
    page(app, go, "Change an edge")
    assert app.selectbox(key="fit").value == ("D-2", 1)
    press(app, "Fit it")
    assert [b.label for b in app.button].count("Replace with D-1") == 1
    page(app, go, "Drawer and orders")
    press(app, "Scrap")
    assert fitted.ledger().inserts["D-1"].place is InsertPlace.SCRAPPED


def test_the_drawer_says_when_it_runs_empty_and_what_to_order(app, go, fitted):
    cut_so_far(fitted, 300e6)
    for grade in fitted.load_shop().grades.values():
        fitted.save(replace(grade, stock=0, lead_days=21), by="ab", at=MONDAY)
    page(app, go, "Drawer and orders")
    table = app.dataframe[0].value.set_index("Grade")
    assert "Lead time" in table and table.loc["diamond", "Lead time"] == "21 days"
    assert "now" in table.loc["diamond", "Order"] or "by" in table.loc["diamond", "Order"]
    assert any("Order" in w.value and "diamond" in w.value for w in app.warning)


def test_a_drawer_that_lasts_asks_for_no_date(app, go, fitted):
    page(app, go, "Drawer and orders")
    orders = app.dataframe[0].value["Order"]
    assert not any("by not in sight" in order for order in orders)
    assert drawer_order(2, math.inf) == "nothing in sight" and drawer_order(0, math.inf) == "none used so far"
    assert drawer_order(2, 0.4) == "2 now" and drawer_order(2, 7.0) == f"2 by {MONDAY + timedelta(days=7):%d %b %Y}"


def drawer_order(inserts, day):
    return order_words(OrderSuggestion(inserts, day, ""), MONDAY)


def test_what_an_edge_may_still_cut_with_the_reason(app, go, fitted):
    page(app, go, "What edges may cut")
    table = app.dataframe[0].value
    mine = table[table["Edge"].str.contains("D-1")].set_index("Material")
    assert mine.loc["aluminium", "May still"] == "finish"
    assert mine.loc["grey iron", "May still"] == "nothing" and "no recipe" in mine.loc["grey iron", "Because"]
    assert mine.loc["aluminium, iron in the face", "May still"] == "nothing"


def test_history_traces_every_use_to_its_cut(app, go, fitted):
    for day in range(1, 6):
        cut_so_far(fitted, 20e6, MONDAY - timedelta(days=day), ra=(0.4 + 0.01 * (6 - day),))
    page(app, go, "History", "Every use")
    table = app.dataframe[0].value
    assert len(table) == 5 and set(table["Part"]) == {"T-4"} and table["Cut no."].is_unique
    shop = fitted.load_shop()
    face = shop.family_of(next(p for p in shop.parts.values() if p.tag == "T-4")).faces[0]
    cutter = next(c for c in shop.cutters.values() if c.name == "fly 300")
    assert set(table["Turns"]) == {f"{turns_of_path(face, cutter, 20e6):,.0f}"}
    page(app, go, "History", "Finish")
    assert "finish fades" in words(app)
    for shown in ("Area machined", "How edges ended", "Cost", "Entries"):
        page(app, go, "History", shown)
    assert "fitted" in set(app.dataframe[0].value["What"])


def test_cost_by_part_and_area_of_edges_used_up(app, go, fitted):
    cut_so_far(fitted, 400e6)
    page(app, go)
    press(app, "Index to position 2")
    page(app, go, "History", "Cost")
    row = app.dataframe[0].value.iloc[0]
    # half of a 90 $ insert with two positions, and 10 minutes at 110 $/h
    assert row["Cost ($)"] == round(45 + 110 / 6) and row["Parts"] == 1
    assert row["A part ($)"] == pytest.approx(45 + 110 / 6, abs=0.01)


def test_without_an_edge_the_page_still_helps(app, go, store):
    page(app, go)
    assert "No edge is in it" in words(app) or any("No edge is fitted" in i.value for i in app.info)
    store.add_edge_event(Received(grade="diamond", inserts=1, at=MONDAY))
    assert isinstance(next(iter(store.load_shop().grades.values())), InsertGrade)


def test_an_insert_just_opened_can_be_fitted(app, go, fitted):
    """Received, opened and labelled, but never in a cutter before: it is offered, first of all."""
    fitted.open_insert(1, "D-9", MONDAY, "ab")
    page(app, go)
    assert any("D-9" in b.label for b in app.button if b.label.startswith("Replace with"))


def test_a_last_position_is_replaced_by_a_new_insert_of_the_drawer(app, go, fitted):
    stock = next(g.stock for g in fitted.load_shop().grades.values() if g.name == "diamond")
    fitted.add_edge_event(
        Indexed(
            at=LAST_WEEK,
            cutter="fly 300",
            pocket=1,
            insert="D-1",
            from_position=1,
            to_position=2,
            end=End.WORN,
        )
    )
    page(app, go)
    label = next(b.label for b in app.button if "new insert" in b.label)
    press(app, label)
    held = fitted.ledger().pockets["fly 300"][0]
    assert label.endswith(held.insert) and held.position == 1
    assert next(g.stock for g in fitted.load_shop().grades.values() if g.name == "diamond") == stock - 1


def test_the_week_says_before_which_job_to_index_and_why(app, go, fitted):
    cut_so_far(fitted, 0.449 * 600e6)
    go(app, "inserts")
    said_here = next(m.value for m in app.markdown if "Index before T-" in m.value)
    go(app, "week")
    job = said_here.split("before ")[1].split()[0]
    assert any(f"**index before {job}**. " in m.value and "fly 300" in m.value for m in app.markdown)
