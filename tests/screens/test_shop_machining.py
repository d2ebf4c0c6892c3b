"""The page Shop: machines, people, cutters, grades, gaskets, recipes."""

from __future__ import annotations

import pytest

from planner.screens.shop_records import NEW
from planner.shop import Cutter, Gasket, InsertGrade, Machine, Person, Recipe
from tests.screens.shop_page import field, only, press, show
from tests.tiny import MONDAY


# -- machines, people --------------------------------------------------------------------------------------------------
def test_a_machine_with_a_range_a_readout_and_hours(empty_app, empty_own, go):
    at = show(empty_app, go, "Machines")
    field(at, "Name").set_value("south mill").run()
    field(at, "… or from").set_value("150").run()
    field(at, "to (rpm)").set_value("1200").run()
    field(at, "A pass ends", "selectbox").set_value("stop when cut").run()
    field(at, "Depth instrument").set_value("readout").run()
    field(at, "Going deeper, it counts", "selectbox").set_value("down").run()
    field(at, "Monday").set_value("7:00-15:30, 11:30-12").run()
    field(at, "Tuesday").set_value("same").run()
    field(at, "Friday").set_value("from seven").run()
    press(at, "Save machine")
    assert any("“from seven” will not do" in e.value for e in at.error)
    assert empty_own.load_all(Machine) == {}
    field(at, "Friday").set_value("7-11; 12:00-14:00").run()
    press(at, "Save machine")
    (machine,) = empty_own.load_all(Machine).values()
    assert (machine.least_rpm, machine.greatest_rpm, machine.speeds_rpm) == (150, 1200, ())
    assert machine.instrument.counts.value == "down" and machine.instrument.per_turn_mm is None
    assert [(w.weekday, w.start_minute, w.end_minute, w.breaks) for w in machine.hours] == [
        (0, 420, 930, ((690, 720),)),
        (1, 420, 930, ((690, 720),)),
        (4, 420, 660, ()),
        (4, 720, 840, ()),
    ]
    assert machine.travel_mm is None and machine.greatest_feed_mm_min is None


def test_a_tram_reading_is_added_and_taken_off(app, store, go):
    at = show(app, go, "Machines")
    field(at, "Swept over").set_value("12").run()
    field(at, "Along the travel").set_value("0.8").run()
    field(at, "Across the travel").set_value("-0.1").run()
    press(at, "Add reading")
    (reading,) = only(store.load_all(Machine), "the mill").tram
    assert reading.on == MONDAY.date() and reading.sweep_mm == pytest.approx(304.8)
    assert reading.along_mm == pytest.approx(0.02032) and reading.across_mm == pytest.approx(-0.00254)
    press(at, "Take the last entry off")
    assert only(store.load_all(Machine), "the mill").tram == ()


def test_a_person_runs_chosen_machines(app, store, go):
    at = show(app, go, "People")
    at.selectbox(key="shop/own/person").set_value(NEW).run()
    field(at, "Name").set_value("C. Dean").run()
    mill = only(store.load_all(Machine), "the mill").id
    field(at, "Machines", "multiselect").set_value([mill]).run()
    field(at, "Monday").set_value("8:00-12:00").run()
    press(at, "Save person")
    person = only(store.load_all(Person), "C. Dean")
    assert person.machine_ids == (mill,) and person.hourly_rate is None
    assert [(w.start_minute, w.end_minute) for w in person.shifts] == [(480, 720)]


# -- tooling -----------------------------------------------------------------------------------------------------------
def test_a_cutter_without_a_mark_is_refused_for_planning(app, store, go):
    at = show(app, go, "Cutters")
    at.selectbox(key="shop/own/cutter").set_value(only(store.load_all(Cutter), "fly 300").id).run()
    field(at, "Marked maximum rpm").set_value("").run()
    press(at, "Save cutter")
    assert only(store.load_all(Cutter), "fly 300").max_rpm is None
    assert any("refused for planning" in w.value for w in at.warning)
    assert "not marked: refused for planning" in at.dataframe[0].value["Marked maximum"].tolist()


def test_a_grade_takes_a_fraction_and_its_stock_is_not_edited_here(app, store, go):
    at = show(app, go, "Insert grades")
    stock = only(store.load_all(InsertGrade), "diamond").stock
    at.selectbox(key="shop/own/insert grade").set_value(only(store.load_all(InsertGrade), "diamond").id).run()
    field(at, "Corner radius").set_value("1/16").run()
    press(at, "Save insert grade")
    grade = only(store.load_all(InsertGrade), "diamond")
    assert grade.radius_mm == pytest.approx(25.4 / 16) and grade.stock == stock
    assert not [w for w in at.text_input if "stock" in w.label.lower()]


def test_a_gasket_is_added_and_deleted(app, store, go):
    at = show(app, go, "Gaskets")
    at.selectbox(key="shop/own/gasket").set_value(NEW).run()
    field(at, "Name").set_value("thick").run()
    field(at, "Crushed thickness").set_value("0.06").run()
    field(at, "Ra at most").set_value("60").run()
    field(at, "May be stacked", "checkbox").check().run()
    press(at, "Save gasket")
    gasket = only(store.load_all(Gasket), "thick")
    assert (gasket.crushed_mm, gasket.may_be_stacked) == (pytest.approx(1.524), True)
    assert gasket.ra_greatest_um == pytest.approx(1.524) and gasket.bore_mm is None
    # every figure of a column with the same places: a round one is no shorter
    places = {len(shown.split()[0].partition(".")[2]) for shown in at.dataframe[0].value["Crushed"]}
    assert places == {4}, at.dataframe[0].value
    press(at, "Delete gasket thick")
    assert [g.name for g in store.load_all(Gasket).values()] == ["layered steel"]


# -- recipes -----------------------------------------------------------------------------------------------------------
def recipe_form(at, store, material: str):
    recipe = next(r for r in store.load_all(Recipe).values() if r.material == material)
    at.selectbox(key="shop/own/recipe").set_value(recipe.id).run()
    return recipe


def test_a_recipe_typed_as_rpm_and_feed_per_minute(app, store, go):
    app.session_state["units"] = "metric"
    at = show(app, go, "Recipes")
    recipe = recipe_form(at, store, "aluminium")
    at.segmented_control(key=f"shop/own/recipe typed/{recipe.id}").set_value("rpm and feed per minute").run()
    field(at, "For the cutter", "selectbox").set_value(only(store.load_all(Cutter), "fly 300").id).run()
    field(at, "Speed").set_value("1300").run()
    field(at, "Roughing feed").set_value("105").run()
    field(at, "Finishing feed").set_value("70").run()
    press(at, "Save recipe")
    assert any("1200 rpm, what is marked on fly 300" in e.value for e in at.error)
    field(at, "Speed").set_value("700").run()
    assert any("660 m/min, roughing 0.150 mm/rev, finishing 0.100 mm/rev" in c.value for c in at.caption)
    press(at, "Save recipe")
    stored = store.load(Recipe, recipe.id)
    # 3.14159 × 300 mm × 700 / 1000 = 659.73 m/min; 105 and 70 mm/min over 700 turns
    assert stored.speed_m_min == pytest.approx(659.734, abs=0.001)
    assert (stored.rough_feed_mm, stored.finish_feed_mm) == (pytest.approx(0.15), pytest.approx(0.1))
    assert stored.least_pass_mm == recipe.least_pass_mm


def test_a_recipe_is_taken_out_of_use_and_back(app, store, go):
    at = show(app, go, "Recipes")
    recipe = recipe_form(at, store, "aluminium")
    press(at, "Take out of use")
    assert not store.load(Recipe, recipe.id).active
    press(at, "Put in use")
    assert store.load(Recipe, recipe.id).active


def test_magnesium_is_planned_with_only_after_somebody_signed_by_name(app, store, go):
    grade = only(store.load_all(InsertGrade), "diamond").id
    shipped = store.add(Recipe("magnesium", grade, 150, 0.18, 0.127, 0.0254, 0.0762, 0.1524, active=False))
    at = show(app, go, "Recipes")
    recipe_form(at, store, "magnesium")
    assert any("class D powder" in w.value for w in at.warning)
    assert any("Local codes" in c.value for c in at.caption)
    assert not [b for b in at.button if b.label == "Put in use"]
    press(at, "Sign and put in use")
    assert not store.load(Recipe, shipped.id).active
    field(at, "Name of the person who signs").set_value("A. Bell").run()
    press(at, "Sign and put in use")
    assert not store.load(Recipe, shipped.id).active
    next(c for c in at.checkbox if c.label.startswith("I have checked")).check().run()
    press(at, "Sign and put in use")
    signed = store.load(Recipe, shipped.id)
    assert signed.active and signed.signed_by == "A. Bell"
    assert "Signed by A. Bell: the recipe is in use." in [s.value for s in at.success]
    # other figures than the signed ones are a proposal again
    field(at, "Usual pass").set_value("2.5").run()
    press(at, "Save recipe")
    changed = store.load(Recipe, shipped.id)
    assert not changed.active and changed.signed_by == ""
