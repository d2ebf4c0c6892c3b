"""What a person does in the first week, in the real server: sample, plan, import, record, restart, print."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from tests.browser.conftest import settle, sit_down

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def go(page, name):
    page.get_by_role("link", name=name, exact=False).first.click()
    settle(page)


def choose_who(page):
    sit_down(page)


def database(server):
    return sqlite3.connect(server.home / "surfacing-planner" / "sample.db")


def wait_for(page, text):
    page.get_by_text(text, exact=False).first.wait_for(timeout=90_000)


def main_text(page):
    return page.locator("[data-testid=stMain]").inner_text()


def test_from_first_start_to_a_printed_run_sheet(server, browser, tmp_path):
    page = browser.new_page(viewport={"width": 1400, "height": 900}, accept_downloads=True)
    page.goto(server.url)
    settle(page, 90)
    said = main_text(page)
    assert "sample shop, invented" in said
    assert "not accepted yet" in said and "ready to cut" in said
    assert page.locator("[data-testid=stVegaLiteChart]").count() >= 2

    choose_who(page)
    page.get_by_role("button", name="Accept this plan").click()
    settle(page)
    wait_for(page, "It holds")

    # a file with two heads arrives: stored through the import, the plan is out of date, nothing moved by itself
    go(page, "Parts")
    page.get_by_text("Import a file", exact=True).first.click()
    settle(page)
    sheet = tmp_path / "week.csv"
    sheet.write_text(IMPORT)
    page.locator("input[type=file]").set_input_files(str(sheet))
    settle(page)
    page.get_by_role("button", name="Store 2", exact=False).first.click()
    settle(page)
    with database(server) as shop:
        assert shop.execute("select count(*) from parts where tag in ('NEW-1', 'NEW-2')").fetchone()[0] == 2
        order = shop.execute("select payload from plans order by id desc limit 1").fetchone()[0]
    go(page, "Week")
    wait_for(page, "out of date")

    page.get_by_role("button", name="Re-plan from now").click()
    wait_for(page, "stays until you accept")
    settle(page)
    page.get_by_role("button", name="Accept this plan").click()
    wait_for(page, "Plan accepted by")
    with database(server) as shop:
        plans = shop.execute("select payload from plans order by id").fetchall()
    assert len(plans) == 2 and plans[0][0] == order
    assert "NEW" not in plans[0][0]

    # record a cut from its paper sheet
    go(page, "Run sheet")
    page.get_by_text("Type in a finished paper sheet").click()
    settle(page)
    page.get_by_role("textbox", name="Depth after each pass").fill("0 2.5 4")
    page.get_by_role("textbox", name="Depth after each pass").press("Tab")
    settle(page)
    page.get_by_role("textbox", name="First clean after pass no.").fill("3")
    page.get_by_role("textbox", name="First clean after pass no.").press("Tab")
    settle(page)
    page.get_by_role("button", name="Record the cut").click()
    settle(page)
    wait_for(page, "are up to date")
    with database(server) as shop:
        cuts = shop.execute("select count(*), max(id) from cuts").fetchone()

    # a power cut: nothing that was acknowledged is lost
    server.kill()
    server.start()
    page.goto(server.url)
    settle(page, 90)
    with database(server) as shop:
        assert shop.execute("select count(*), max(id) from cuts").fetchone() == cuts
    assert "Plan accepted" in main_text(page) or "accepted plan is out of date" in main_text(page)

    go(page, "Run sheet")
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Print run sheet").click()
    html = Path(waiting.value.path()).read_text(encoding="utf-8")
    assert "Run sheet:" in html and "Rotating cutter" in html
    page.close()


def test_two_people_and_both_unit_systems(server, browser):
    desk = browser.new_page(viewport={"width": 1400, "height": 900})
    tablet = browser.new_page(viewport={"width": 1024, "height": 768})
    for page in (desk, tablet):
        page.goto(server.url)
        settle(page, 90)
    tablet.get_by_text("metric", exact=True).click()
    settle(tablet)
    for name in ("Parts", "Matched sets", "Run sheet", "Inserts", "Shop", "Week"):
        go(tablet, name)
    go(tablet, "Run sheet")
    assert "mm" in main_text(tablet)
    go(desk, "Run sheet")
    assert "thou" in main_text(desk)
    desk.close()
    tablet.close()


IMPORT = """tag,family,condition,due
NEW-1,Brackle boat head,normal,
NEW-2,Brackle boat head,corroded,
"""
