"""The page of one part: what a press led to is said where it was pressed."""

from __future__ import annotations

import pytest

from tests.browser.conftest import settle, sit_down

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_the_answer_to_an_intake_check_is_in_sight(server, browser):
    """The page grows a line above the entry once a check is stored: the section with the answer stays open."""
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    page.goto(server.url + "/parts?units=metric")
    settle(page, 90)
    sit_down(page)
    search = page.get_by_label("Find a part")
    search.fill("T3203")
    search.press("Enter")
    page.locator("button", has_text="Open").filter(has=page.get_by_text("Open", exact=True)).last.click(timeout=30_000)
    page.get_by_text("Enter an intake check").click(timeout=30_000)
    settle(page)
    pit = page.get_by_role("textbox", name="Deepest pit (mm)")
    pit.fill("0.05")
    pit.press("Tab")
    settle(page)
    page.get_by_role("button", name="Store the intake check").click()
    settle(page)
    told = page.get_by_text("Stored. Clean-up depth now")
    told.wait_for(timeout=20_000)
    assert told.is_visible() and "at least by pit" in told.inner_text()
