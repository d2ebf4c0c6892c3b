"""One's own shop from nothing, in the real server: what a plan needs, a quick job planned, a backup carried off and
brought back."""

from __future__ import annotations

import sqlite3

import pytest

from tests.browser.conftest import pick, settle

pytestmark = [pytest.mark.browser, pytest.mark.slow]


class Desk:
    """A person at a form."""

    def __init__(self, page) -> None:
        self.page = page

    def fill(self, **typed: str) -> None:
        for label, words in typed.items():
            field = self.page.get_by_role("textbox", name=label.replace("_", " ")).first
            field.fill(words)
            field.press("Tab")
            settle(self.page)

    def choose(self, label: str, option: str) -> None:
        pick(self.page, label, option)

    def press(self, label: str) -> None:
        self.page.get_by_role("button", name=label, exact=True).first.click()
        settle(self.page)

    def said(self, words: str) -> None:
        self.page.get_by_test_id("stMain").get_by_text(words, exact=False).first.wait_for(timeout=30_000)


def test_from_an_empty_shop_to_a_planned_quick_job(first_start, browser, tmp_path):
    server = first_start
    page = browser.new_page(viewport={"width": 1400, "height": 900}, accept_downloads=True)
    page.goto(server.url)
    settle(page, 90)
    desk = Desk(page)
    page.get_by_role("link", name="Shop").first.click()
    settle(page)
    desk.press("Start my own shop")
    desk.said("Your own shop is started, empty")

    desk.press("Machines")
    desk.press("Save machine")
    # everything that is missing, at once
    desk.said("Nothing was stored: see the fields marked in red.")
    desk.fill(Name="Old mill", Table_feed_from="1", Greatest_travel="60", Monday="7:00-12:00, 12:30-16:00")
    desk.fill(**{"or from (rpm)": "100", "to (rpm)": "900", "to (in/min)": "20"})
    for day in ("Tuesday", "Wednesday", "Thursday", "Friday"):
        desk.fill(**{day: "same"})
    desk.choose("A pass ends", "stop when cut")
    desk.fill(Depth_instrument="dial")
    desk.choose("Going deeper, it counts", "up")
    desk.press("Save machine")
    desk.said("Old mill added")

    desk.press("People")
    desk.fill(Name="A. Bell", Initials="ab", Monday="7:00-12:00, 12:30-16:00", Tuesday="same", Wednesday="same")
    desk.press("Save person")
    desk.press("Insert grades")
    desk.fill(Name="Corner", Corner_radius="1/32", Usable_edges="4")
    desk.choose("Corner", "corner radius")
    desk.press("Save insert grade")
    desk.press("Cutters")
    desk.fill(Name="Big fly", Cutting_diameter="300 mm", Inserts="1", Marked_maximum_rpm="800")
    desk.press("Save cutter")
    desk.press("Recipes")
    desk.choose("Material", "aluminium")
    desk.fill(Surface_speed="1500", Roughing_feed="0.006", Finishing_feed="0.003", Least_pass="1", Usual_pass="3")
    desk.fill(Greatest_pass="10", Finishing_pass="1")
    desk.press("Save recipe")
    desk.said("with Corner added")

    page.get_by_role("link", name="Parts").first.click()
    settle(page)
    page.get_by_text("Quick job", exact=True).first.click()
    settle(page)
    desk.fill(Tag="Q-1", Face_length="12.2", Face_width="132.6 mm")
    desk.press("Put it in the queue")
    desk.said("Q-1 is in the queue")
    page.get_by_role("link", name="Week").first.click()
    settle(page)
    desk.said("First: Q-1")

    # a backup is carried off, the shop goes on, the backup is brought back
    page.get_by_role("link", name="Shop").first.click()
    settle(page)
    page.get_by_text("Data", exact=True).first.click()
    settle(page)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Download a backup").click()
    carried = tmp_path / "carried.db"
    waiting.value.save_as(carried)
    own = server.home / "surfacing-planner" / "shop.db"
    with sqlite3.connect(own) as shop:
        shop.execute("update parts set tag = 'Q-2'")
    page.get_by_text("Put a backup back").click()
    page.locator("input[type=file]").set_input_files(str(carried))
    settle(page)
    page.get_by_text("Yes, put it back").click()
    settle(page)
    desk.press("Put it back")
    desk.said("carried.db is put back")
    # the part of the page it was done in is still open
    assert page.get_by_role("button", name="Put it back", exact=True).is_visible()
    with sqlite3.connect(own) as shop:
        assert shop.execute("select tag from parts").fetchall() == [("Q-1",)]
    page.close()
