"""Four heads on the table together, as a person cuts them: one depth on every page, and who is ended leaves the gang."""

from __future__ import annotations

import re

import pytest

from tests.browser.conftest import pick, settle, sit_down

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def press(page, name, nth=0):
    page.get_by_role("button", name=re.compile(name)).nth(nth).click()
    settle(page)


def text(page) -> str:
    return page.locator("[data-testid=stMain]").inner_text()


def job_of(server, tag) -> int:
    import sqlite3

    with sqlite3.connect(server.home / "surfacing-planner" / "sample.db") as shop:
        query = "select jobs.id from jobs join parts on parts.id = jobs.part_id where parts.tag = ?"
        return shop.execute(query, (tag,)).fetchone()[0]


def open_sheet(server, page, tag) -> None:
    page.goto(f"{server.url}/run?job={job_of(server, tag)}")
    settle(page)


def figure(page, label) -> str:
    """The value of a metric."""
    shown = page.get_by_test_id("stMetric").filter(has_text=label).first
    return shown.get_by_test_id("stMetricValue").inner_text().strip()


def test_four_heads_are_cut_together_and_go_on_when_one_is_ended(server, browser):
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    page.set_default_timeout(60000)
    page.goto(f"{server.url}/sets")
    settle(page)
    pick(page, "Set", re.compile("Pellwick"))
    told = re.search(r"likely (\d+) passes to ([\d.]+) thou.*below first contact with (\w+), the highest", text(page))
    passes, depth, highest = int(told[1]), float(told[2]), told[3]
    # nothing on the page is wider than the window
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    tags = ["T3212", "T3213", "T3214", "T3215"]
    depths = {}
    for tag in tags:
        open_sheet(server, page, tag)
        assert f"likely {passes} passes to {depth:.1f} thou" in text(page)
        depths[tag] = float(figure(page, "Depth, likely").removesuffix(" thou"))
    assert depths[highest] == depth == max(depths.values())
    others = [tag for tag in tags if tag != highest]
    open_sheet(server, page, highest)
    sit_down(page)
    press(page, "All 4 are on")
    dial = page.get_by_role("textbox", name=re.compile("reads there"))
    if dial.count():
        dial.first.fill("0")
        page.keyboard.press("Enter")
        settle(page)
    press(page, "Paper grips")
    press(page, "First mark")
    press(page, "As planned")
    for _ in tags:
        press(page, r"^all\b")
    press(page, "As planned")
    press(page, "Clean")
    for _ in others:
        press(page, r"^spots\b")
    page.get_by_text("End the job: heights, Ra, looks").click()
    settle(page)
    page.get_by_text(re.compile("are out")).first.click()
    settle(page)
    press(page, "Record and end")
    open_sheet(server, page, others[0])
    assert f"{highest} is ended: off the table before the next pass" in text(page)
    assert f"Sheet of\n{highest}" not in text(page)
    # the set's page tells the rest, though who left is not measured yet
    page.goto(f"{server.url}/sets")
    settle(page)
    pick(page, "Set", re.compile("Pellwick"))
    assert f"{', '.join(others[:2])} and {others[2]} are on the table together" in text(page)
    open_sheet(server, page, others[0])
    press(page, "As planned")
    for tag in others:
        assert f"{tag}: not clean" in text(page)
