"""The page Shop: every section draws, saves what was typed, refuses what cannot be, keeps what was not saved."""

from __future__ import annotations

import dataclasses
from datetime import date, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import InputError
from planner.screens.shop import SECTION
from planner.screens.shop_records import NEW, hour_values, read_hours
from planner.shop import Cutter, Face, Family, Gasket, Machine, Person, Window
from planner.store import Kind, open_kind, places
from planner.store.backup import list_backups
from tests.screens.conftest import fill
from tests.screens.shop_page import SECTIONS, field, only, press, said, show
from tests.tiny import MONDAY, tiny_shop


@pytest.mark.parametrize("section", SECTIONS)
@pytest.mark.parametrize("system", ["inch", "metric"])
def test_every_section_draws_on_the_tiny_shop(app, go, section, system):
    app.session_state["units"] = system
    show(app, go, section)
    assert [t.value for t in app.title] == ["Shop"]


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_draws_on_an_empty_shop(empty_app, go, section):
    show(empty_app, go, section)
    assert any("What to enter first" in m.value for m in empty_app.markdown)


def small_sample() -> None:
    """A sample shop of one family and one gasket, so that the real one need not be loaded."""
    sample = open_kind(places(), Kind.SAMPLE, MONDAY)
    sample.add(Family("sample head", "aluminium", (Face("deck", 300, 180),)))
    sample.add(Gasket("sample gasket", 1.0))


# -- families ----------------------------------------------------------------------------------------------------------
def test_a_family_needs_only_name_material_and_face_size_and_takes_a_typed_unit(empty_app, empty_own, go):
    at = show(empty_app, go, "Families")
    field(at, "Name").set_value("long head").run()
    field(at, "Material", "selectbox").set_value("grey_iron").run()
    field(at, "Length of the face").set_value("26").run()
    field(at, "Width of the face").set_value("132.6 mm").run()
    press(at, "Save family")
    assert "long head added" in said(at)
    # said where it is seen from the foot of a long form, too
    assert any("long head added" in t.value for t in at.toast)
    (family,) = empty_own.load_all(Family).values()
    (face,) = family.faces
    assert (family.name, family.material, face.name) == ("long head", "grey_iron", "deck")
    assert face.length_mm == pytest.approx(26 * 25.4) and face.width_mm == pytest.approx(132.6)
    # nothing was made up
    assert face.net_share is None and face.new_height_mm is None and not face.limit.known and face.flatness_mm is None
    # the new family is the one shown now
    assert any("Faces of long head" in s.value for s in at.subheader)


def test_what_is_missing_is_told_beside_its_field_and_nothing_is_stored(empty_app, empty_own, go):
    at = show(empty_app, go, "Families")
    field(at, "Name").set_value("long head").run()
    field(at, "Length of the face").set_value("long").run()
    press(at, "Save family")
    assert empty_own.load_all(Family) == {}
    # everything at once: nobody mends a form field by field
    shown = [e.value for e in at.error]
    assert any("Needed: “Material” cannot" in e for e in shown) and any("“long” will not do" in e for e in shown)
    assert any("Needed: “Width of the face” cannot" in e for e in shown)
    assert "Nothing was stored: see the fields marked in red." in shown
    field(at, "Material", "selectbox").set_value("aluminium").run()
    press(at, "Save family")
    assert any("“long” will not do" in e.value for e in at.error)
    assert empty_own.load_all(Family) == {}


def test_a_size_out_of_reach_is_refused_with_what_was_typed(empty_app, empty_own, go):
    at = show(empty_app, go, "Families")
    field(at, "Name").set_value("giant").run()
    field(at, "Material", "selectbox").set_value("aluminium").run()
    field(at, "Length of the face").set_value("500").run()
    field(at, "Width of the face").set_value("7").run()
    press(at, "Save family")
    assert any("“500” will not do. Accepted: a number from 0.0394 to 393.7008 in" in e.value for e in at.error)
    assert empty_own.load_all(Family) == {}


def test_saving_an_untouched_face_keeps_the_exact_metric_figures_in_an_inch_shop(app, store, go):
    before = only(store.load_all(Family), "small head").faces
    at = show(app, go, "Families")
    at.selectbox(key="shop/own/family").set_value(only(store.load_all(Family), "small head").id).run()
    assert field(at, "Length").value == "11.811"
    press(at, "Save face")
    assert "saved" in said(at)
    assert only(store.load_all(Family), "small head").faces == before


def face_of(store):
    return only(store.load_all(Family), "iron head").faces[0]


def open_iron_face(app, store, go):
    at = show(app, go, "Families")
    at.selectbox(key="shop/own/family").set_value(only(store.load_all(Family), "iron head").id).run()
    return at


def test_a_limit_is_a_height_a_removal_or_unknown(app, store, go):
    at = open_iron_face(app, store, go)
    assert any("no limit known, ask" in str(df.value["Its limit"].tolist()) for df in at.dataframe)
    field(at, "Limit", "selectbox").set_value("removal").run()
    press(at, "Save face")
    assert any("Needed: the greatest removal" in e.value for e in at.error)
    assert not face_of(store).limit.known
    field(at, "Greatest total removal").set_value("15").run()
    press(at, "Save face")
    assert face_of(store).limit.greatest_removal_mm == pytest.approx(15 * 0.0254)
    field(at, "Limit", "selectbox").set_value("height").run()
    field(at, "Least height").set_value("5.86").run()
    press(at, "Save face")
    assert face_of(store).limit.least_height_mm == pytest.approx(5.86 * 25.4)
    assert face_of(store).limit.greatest_removal_mm is None
    field(at, "Limit", "selectbox").set_value("unknown").run()
    press(at, "Save face")
    assert not face_of(store).limit.known


def test_the_usual_points_follow_the_size_and_named_ones_are_kept(app, store, go):
    at = open_iron_face(app, store, go)
    field(at, "Length").set_value("20").run()
    press(at, "Save face")
    assert max(p.x_mm for p in face_of(store).points) == pytest.approx(20 * 25.4 - 5)
    field(at, "Measuring points: name; x; y", "text_area").set_value("one; 1; 1\ntwo; 50 mm; 2").run()
    press(at, "Save places")
    assert [(p.name, round(p.x_mm, 3)) for p in face_of(store).points] == [("one", 25.4), ("two", 50.0)]
    field(at, "Length").set_value("19").run()
    press(at, "Save face")
    assert [p.name for p in face_of(store).points] == ["one", "two"]


def test_openings_zones_and_depths_are_read_a_line_each(app, store, go):
    at = open_iron_face(app, store, go)
    field(at, "Openings: x; y; diameter", "text_area").set_value("4; 3; 3").run()
    zones = next(w for w in at.text_area if w.label.startswith("Sealing zones"))
    zones.set_value("ring 1; fire ring; 4; 3; 3; 0.2; yes").run()
    depths = next(w for w in at.text_area if w.label.startswith("Depths"))
    depths.set_value("valve; ; -1; 0.01; ; cut the seat").run()
    press(at, "Save places")
    face = face_of(store)
    assert face.openings[0].radius_mm == pytest.approx(38.1)
    assert face.zones[0].kind.value == "fire ring" and face.zones[0].land_mm == pytest.approx(5.08)
    assert face.depths[0].present_mm is None and face.depths[0].least_mm == pytest.approx(0.254)
    press(at, "Save places")
    assert face_of(store) == face
    zones = next(w for w in at.text_area if w.label.startswith("Sealing zones"))
    zones.set_value("ring 1; fire ring; 4; 3").run()
    press(at, "Save places")
    assert any("“ring 1; fire ring; 4; 3” will not do" in e.value for e in at.error)
    assert face_of(store) == face


def test_a_family_with_parts_is_not_deleted(app, store, go):
    at = open_iron_face(app, store, go)
    press(at, "Delete family iron head")
    assert "used by" in said(at)
    assert only(store.load_all(Family), "iron head")


# -- two people, drafts ------------------------------------------------------------------------------------------------
def test_a_save_over_somebody_elses_is_refused_and_shown(app, store, go):
    at = show(app, go, "Cutters")
    cutter = only(store.load_all(Cutter), "fly 300")
    at.selectbox(key="shop/own/cutter").set_value(cutter.id).run()
    field(at, "Marked maximum rpm").set_value("1000").run()
    store.save(dataclasses.replace(cutter, max_rpm=800), by="cd", at=MONDAY)
    # pressed before the screen was drawn anew: the store refuses
    press(at, "Save cutter")
    assert "changed by cd" in said(at) and "Different: Marked maximum rpm" in said(at)
    assert store.load(Cutter, cutter.id).max_rpm == 800
    # drawn anew: what was typed stands, what they stored is told, and another press alone does not overwrite it
    assert field(at, "Marked maximum rpm").value == "1000"
    assert "was “1200”, now “800”" in said(at)
    press(at, "Save cutter")
    assert store.load(Cutter, cutter.id).max_rpm == 800
    press(at, "Go on with mine")
    press(at, "Save cutter")
    assert store.load(Cutter, cutter.id).max_rpm == 1000


def test_theirs_can_be_kept(app, store, go):
    at = show(app, go, "Cutters")
    cutter = only(store.load_all(Cutter), "fly 300")
    at.selectbox(key="shop/own/cutter").set_value(cutter.id).run()
    field(at, "Marked maximum rpm").set_value("1000").run()
    store.save(dataclasses.replace(cutter, max_rpm=800), by="cd", at=MONDAY)
    at.run()
    press(at, "Drop mine, keep theirs")
    assert field(at, "Marked maximum rpm").value == "800"
    assert store.draft_keys() == ()


def test_what_was_typed_outlives_page_and_session(app, store, go):
    from streamlit.testing.v1 import AppTest

    from tests.screens.conftest import APP

    at = show(app, go, "Gaskets")
    at.selectbox(key="shop/own/gasket").set_value(NEW).run()
    field(at, "Name").set_value("thick one").run()
    go(at, "week")
    go(at, "shop")
    assert field(at, "Name").value == "thick one"
    other = AppTest.from_file(str(APP), default_timeout=60)
    show(other, go, "Gaskets")
    other.selectbox(key="shop/own/gasket").set_value(NEW).run()
    assert field(other, "Name").value == "thick one"
    assert any("what you typed is kept" in c.value for c in other.caption)
    press(other, "Discard")
    assert field(other, "Name").value == "" and store.draft_keys() == ()


def test_two_people_have_a_draft_each(app, store, go):
    from streamlit.testing.v1 import AppTest

    from tests.screens.conftest import APP

    first = only(store.load_all(Person), "A. Bell")
    second = store.add(Person("C. Dean", "cd"))
    app.session_state["who"] = first.id
    at = show(app, go, "Gaskets")
    field(at, "Name").set_value("typed by ab").run()
    other = AppTest.from_file(str(APP), default_timeout=60)
    other.session_state["who"] = second.id
    show(other, go, "Gaskets")
    assert field(other, "Name").value == "layered steel"
    field(other, "Ra at most").set_value("40").run()
    press(other, "Save gasket")
    # the other one's save is told before anything of it is lost
    at.run()
    assert "Changed meanwhile: Ra at most" in said(at) and field(at, "Name").value == "typed by ab"
    press(at, "Go on with mine")
    press(at, "Save gasket")
    (gasket,) = store.load_all(Gasket).values()
    assert gasket.name == "typed by ab" and gasket.ra_greatest_um == pytest.approx(40 * 0.0254)


def test_a_typed_figure_follows_the_unit_switch(app, store, go):
    at = show(app, go, "Gaskets")
    at.selectbox(key="shop/own/gasket").set_value(NEW).run()
    field(at, "Crushed thickness").set_value("0.05").run()
    at.session_state["units"] = "metric"
    at.run()
    assert field(at, "Crushed thickness").value == "1.27"


def test_a_draft_of_the_sample_does_not_show_in_ones_own_shop(app, store, go):
    small_sample()
    app.session_state["open shop"] = Kind.SAMPLE
    at = show(app, go, "Gaskets")
    assert field(at, "Name").value == "sample gasket"
    field(at, "Name").set_value("typed in the sample").run()
    at.session_state["open shop"] = Kind.OWN
    at.run()
    assert field(at, "Name").value == "layered steel"
    press(at, "Save gasket")
    assert [g.name for g in store.load_all(Gasket).values()] == ["layered steel"]


# -- calendar, settings ------------------------------------------------------------------------------------------------
def test_closures_and_overtime_are_entered_and_deleted(app, store, go):
    at = show(app, go, "Calendar")
    press(at, "Add closure")
    assert store.load_shop().closures == ()
    field(at, "First day", "date_input").set_value(date(2026, 3, 9)).run()
    field(at, "Reason").set_value("service").run()
    mill = only(store.load_all(Machine), "the mill").id
    field(at, "Who or what", "selectbox").set_value(f"machine {mill}").run()
    press(at, "Add closure")
    (closure,) = store.load_shop().closures
    assert (closure.first, closure.last, closure.machine_id) == (date(2026, 3, 9), date(2026, 3, 9), mill)
    field(at, "From", "datetime_input").set_value(datetime(2026, 3, 7, 8, 0)).run()
    field(at, "To", "datetime_input").set_value(datetime(2026, 3, 7, 12, 0)).run()
    field(at, "Price per hour on top").set_value("30").run()
    press(at, "Add overtime offer")
    (offer,) = store.load_shop().overtime
    assert (offer.start, offer.price_per_hour) == (datetime(2026, 3, 7, 8, 0), 30)
    press(at, "Delete")
    press(at, "Delete")
    assert store.load_shop().closures == () and store.load_shop().overtime == ()


def test_settings_are_saved_in_the_persons_units_and_the_shops_units_are_shown_at_once(app, store, go):
    at = show(app, go, "Settings")
    before = store.settings()
    field(at, "Feeler paper").set_value("3.5").run()
    field(at, "Risk taken with an edge").set_value("4").run()
    field(at, "Shim leaves: thickness × count").set_value("1 x 8, 0.05 mm × 4").run()
    field(at, "Feelers in the drawer").set_value("2, 1.5, 3").run()
    field(at, "Learn from cuts since", "date_input").set_value(date(2025, 9, 1)).run()
    field(at, "Unit system", "selectbox").set_value("metric").run()
    press(at, "Save settings")
    after = store.settings()
    assert after.paper_mm == pytest.approx(3.5 * 0.0254) and after.risk_limit == pytest.approx(0.04)
    assert after.leaves_mm == ((pytest.approx(0.0254), 8), (pytest.approx(0.05), 4))
    assert after.feelers_mm == tuple(pytest.approx(t * 0.0254) for t in (1.5, 2, 3))
    assert after.learn_from == "2025-09-01" and after.hourly_rate == before.hourly_rate
    assert field(at, "Feeler paper").label.endswith("(mm)") and field(at, "Feeler paper").value == "0.0889"


def test_an_owner_s_value_of_a_rebuild_and_the_wear_land_are_kept(app, store, go):
    part = next(iter(store.load_shop().parts.values()))
    store.save(dataclasses.replace(part, owner="Quay boats"), by="ab", at=MONDAY)
    at = show(app, go, "Settings")
    field(at, "An edge is worn at a wear land of").set_value("0.25 mm").run()
    press(at, "Save settings")
    assert store.settings().flank_wear_mm == pytest.approx(0.25)
    field(at, "Owner", "selectbox").set_value("Quay boats").run()
    field(at, "A rebuild left is worth").set_value("260").run()
    press(at, "Save for this owner")
    assert store.settings().owner_values == (("Quay boats", 260.0),) and "Quay boats" in said(at)
    assert store.settings().flank_wear_mm == pytest.approx(0.25)
    field(at, "Owner", "selectbox").set_value("Quay boats").run()
    press(at, "Save for this owner")
    assert store.settings().owner_values == ()


def test_an_owner_s_value_below_nothing_is_refused(app, store, go):
    part = next(iter(store.load_shop().parts.values()))
    store.save(dataclasses.replace(part, owner="Quay boats"), by="ab", at=MONDAY)
    at = show(app, go, "Settings")
    field(at, "Owner", "selectbox").set_value("Quay boats").run()
    field(at, "A rebuild left is worth").set_value("-1").run()
    press(at, "Save for this owner")
    assert "Nothing was stored" in said(at) and store.settings().owner_values == ()


def test_a_risk_of_nothing_is_refused(app, store, go):
    at = show(app, go, "Settings")
    field(at, "Risk taken with an edge").set_value("0").run()
    press(at, "Save settings")
    assert "Nothing was stored" in said(at)
    assert store.settings().risk_limit == 0.05


def test_a_shop_with_everything_but_parts_is_sent_on_to_them(empty_app, empty_own, go):
    fill(empty_own, dataclasses.replace(tiny_shop(), parts={}, jobs={}, sets={}))
    at = show(empty_app, go, "Machines")
    assert any("Next: the parts" in m.value for m in at.markdown)


# -- data --------------------------------------------------------------------------------------------------------------
def test_ones_own_shop_starts_in_one_click_and_leads_on(data_home, go):
    from streamlit.testing.v1 import AppTest

    from tests.screens.conftest import APP

    small_sample()
    at = AppTest.from_file(str(APP), default_timeout=60)
    show(at, go, "Gaskets")
    press(at, "Start my own shop")
    assert any("What to enter first" in m.value for m in at.markdown)
    assert (data_home / "surfacing-planner" / "shop.db").exists()
    press(at, "Machines")
    assert at.session_state[SECTION] == "Machines"
    field(at, "Name").set_value("mine").run()
    press(show(at, go, "Data"), "Look at the sample again")
    show(at, go, "Gaskets")
    assert field(at, "Name").value == "sample gasket"


def test_backup_and_restore(app, store, go):
    at = show(app, go, "Data")
    press(at, "Back up now")
    assert "Backed up to own-20260302-070000.db" in said(at)
    (made,) = list_backups(places().backups, Kind.OWN)
    store.add(Gasket("added later", 1.0))
    assert next(b for b in at.button if b.label == "Put it back").disabled
    at.selectbox(key="data/own/which").set_value(made.path.name).run()
    at.checkbox(key="data/own/sure").check().run()
    press(at, "Put it back")
    assert "is put back" in said(at)
    assert [b.why for b in list_backups(places().backups, Kind.OWN)].count("before-restore") == 1
    show(at, go, "Gaskets")
    assert at.dataframe[0].value["Gasket"].tolist() == ["layered steel"]


def test_a_backup_that_was_carried_off_is_brought_back_and_a_foreign_file_refused(app, store, go):
    at = show(app, go, "Data")
    press(at, "Back up now")
    (made,) = list_backups(places().backups, Kind.OWN)
    carried = made.path.read_bytes()
    made.path.unlink()
    store.add(Gasket("added later", 1.0))
    for content, expected in ((b"no database", "mine.db is not a readable backup"), (carried, "mine.db is put back")):
        at.file_uploader[0].upload("mine.db", content, "application/vnd.sqlite3").run()
        at.checkbox(key="data/own/sure").check().run()
        press(at, "Put it back")
        assert expected in said(at)
    assert [g.name for g in store.load_all(Gasket).values()] == ["layered steel"]


def test_the_page_says_where_the_data_lies(app, data_home, go):
    at = show(app, go, "Data")
    assert any(str(data_home / "surfacing-planner" / "shop.db") in m.value for m in at.markdown)


# -- hours -------------------------------------------------------------------------------------------------------------
def windows_of_a_day(day: int):
    """Up to two shifts, with breaks inside them."""
    cuts = st.lists(st.integers(0, 24 * 60), min_size=2, max_size=8, unique=True).map(sorted)

    def build(marks: list[int]) -> tuple[Window, ...]:
        if len(marks) >= 6:
            a, b, c, d, e, f = marks[:6]
            return (Window(day, a, d, ((b, c),)), Window(day, e, f))
        return (Window(day, marks[0], marks[1]),)

    return st.one_of(st.just(()), cuts.map(build))


@settings(max_examples=60, deadline=None)
@given(st.tuples(*(windows_of_a_day(d) for d in range(7))))
def test_hours_shown_are_read_back_as_they_were(days):
    windows = tuple(w for day in days for w in day)
    assert read_hours(hour_values(windows)) == windows


def test_hours_stand_as_they_are_worked_with_the_break_between_them():
    early = Window(0, 7 * 60, 11 * 60 + 45, ((9 * 60 + 30, 9 * 60 + 45),))
    assert hour_values((early,))["day0"] == "7:00-9:30, 9:45-11:45"
    at_the_end = Window(0, 7 * 60, 12 * 60, ((11 * 60 + 30, 12 * 60),))
    assert hour_values((at_the_end,))["day0"] == "7:00-12:00, 11:30-12:00"
    assert read_hours(hour_values((at_the_end,))) == (at_the_end,)


@pytest.mark.parametrize(
    "said",
    [
        "same",  # Monday has no day before it
        "7",  # no end
        "15:00-7:00",  # ends before it starts
        "7:00-24:30",  # no such time
        "7:70-8:00",
        "7:00-15:00, 14:30-16:30",  # a break that outlasts the shift
        "7:00-15:00, 12:00-12:30, 9:00-9:15",  # breaks out of order
        "7:00-11:30, 12:00-15:30, 15:00-18:00",  # hours worked that overlap
        "7:00-15:00; 14:00-18:00",  # two shifts at once
    ],
)
def test_hours_that_cannot_be_are_refused_naming_the_day(said):
    with pytest.raises(InputError) as refused:
        read_hours({"day0": said})
    assert refused.value.field == "day0"


def test_hours_worked_with_a_gap_between_are_a_shift_with_a_break():
    worked = read_hours({"day0": "7:00-11:30, 12:00-14, 14:15 to 16:00", "day1": "7-12, 12:00-15:30"})
    assert worked == (Window(0, 420, 960, ((690, 720), (840, 855))), Window(1, 420, 930))
    # the two ways of saying it mean the same
    assert read_hours({"day0": "7:00-15:30, 11:30-12:00"}) == read_hours({"day0": "7:00-11:30, 12:00-15:30"})
