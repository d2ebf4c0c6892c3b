"""The board in the real server: accept a plan, a rush job arrives, the board says out of date, re-plan, print; a second
browser sees the new version without anybody touching it."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path

import pytest

from tests.browser.conftest import go, import_parts, main_text, pick, settle, sit_down, wait_for

pytestmark = [pytest.mark.browser, pytest.mark.slow]

RUSH = """tag,family,condition,due,rush
RUSH-1,Brackle boat head,normal,,yes
"""


def test_a_rush_job_arrives_and_a_second_browser_sees_the_new_version(server, browser, tmp_path):
    desk = browser.new_page(viewport={"width": 1400, "height": 900}, accept_downloads=True)
    desk.goto(server.url)
    settle(desk, 120)
    sit_down(desk)
    desk.get_by_role("button", name="Accept this plan").click()
    wait_for(desk, "It holds")

    tablet = browser.new_page(viewport={"width": 1024, "height": 768})
    tablet.goto(server.url)
    settle(tablet, 120)
    assert "It holds" in main_text(tablet)

    # a rush job is entered at the desk: the tablet, untouched, says that its board is out of date
    import_parts(desk, tmp_path / "rush.csv", RUSH, 1)
    tablet.get_by_text("1 job not on it").first.wait_for(timeout=30_000)

    go(desk, "Week")
    wait_for(desk, "out of date")
    desk.get_by_role("button", name="Re-plan from now").click()
    wait_for(desk, "stays until you accept")
    settle(desk)
    # nothing moved on the tablet while the desk was trying out
    assert "1 job not on it" in main_text(tablet)
    desk.get_by_role("button", name="Accept this plan").click()
    wait_for(desk, "Plan accepted by")
    tablet.get_by_text("It holds").first.wait_for(timeout=30_000)
    with sqlite3.connect(server.home / "surfacing-planner" / "sample.db") as shop:
        assert "RUSH-1" in shop.execute("select group_concat(tag) from parts").fetchone()[0]
        assert shop.execute("select count(*) from plans").fetchone()[0] == 2

    # the chances of the new plan come by themselves, and draw the page anew
    wait_for(desk, "From a thousand such weeks")
    desk.get_by_text("Being worked out").wait_for(state="detached", timeout=240_000)
    desk.wait_for_timeout(2_000)
    settle(desk)
    with desk.expect_download() as waiting:
        desk.get_by_role("button", name="Week sheet, North surfacer").click()
    sheet = Path(waiting.value.path()).read_text(encoding="utf-8")
    assert "Week sheet: North surfacer" in sheet and "Rotating cutter" in sheet
    with desk.expect_download() as waiting:
        desk.get_by_role("button", name="Plan for a calendar").click()
    assert Path(waiting.value.path()).read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")

    # a job moved by the keyboard is a proposal; a reload keeps it, the board does not move
    settle(desk)
    pick(desk, "Job", re.compile("T3223"), typed="T3223")
    desk.get_by_role("button", name="Later", exact=False).first.wait_for(timeout=30_000)
    desk.keyboard.press("Alt+ArrowDown")
    wait_for(desk, "T3223 one place later")
    desk.reload()
    settle(desk, 120)
    wait_for(desk, "A proposal is kept: T3223 one place later")
    assert "It holds" in main_text(tablet)
    desk.close()
    tablet.close()


def test_a_click_on_a_bar_picks_its_job(server, browser):
    page = browser.new_page(viewport={"width": 1400, "height": 900})
    page.goto(server.url)
    settle(page, 120)
    bar = page.locator("[data-testid=stVegaLiteChart] path[aria-label*='work: cut']").first
    tag = bar.get_attribute("aria-label").split("what: ")[1].split(";")[0].split()[0]
    bar.scroll_into_view_if_needed()
    bar.click()
    wait_for(page, "Why it stands there")
    assert tag in page.get_by_role("combobox", name="Job").input_value()
    page.close()
