"""What a person does in the first week, in the real server: sample, plan, import, record, restart, print."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.browser.conftest import go, import_parts, main_text, sample_database, settle, sit_down, wait_for

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_from_first_start_to_a_printed_run_sheet(first_start, browser, tmp_path):
    server = first_start
    page = browser.new_page(viewport={"width": 1400, "height": 900}, accept_downloads=True)
    page.goto(server.url)
    settle(page, 90)
    said = main_text(page)
    assert "sample shop, invented" in said
    assert "not accepted yet" in said and "ready to cut" in said
    assert page.locator("[data-testid=stVegaLiteChart]").count() >= 2

    sit_down(page)
    page.get_by_role("button", name="Accept this plan").click()
    settle(page)
    wait_for(page, "It holds")

    # a file with two heads arrives: stored through the import, the plan is out of date, nothing moved by itself
    import_parts(page, tmp_path / "week.csv", IMPORT, 2)
    with sample_database(server) as shop:
        assert shop.execute("select count(*) from parts where tag in ('NEW-1', 'NEW-2')").fetchone()[0] == 2
        order = shop.execute("select payload from plans order by id desc limit 1").fetchone()[0]
    go(page, "Week")
    wait_for(page, "out of date")

    page.get_by_role("button", name="Re-plan from now").click()
    wait_for(page, "stays until you accept")
    settle(page)
    page.get_by_role("button", name="Accept this plan").click()
    wait_for(page, "Plan accepted by")
    with sample_database(server) as shop:
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
    with sample_database(server) as shop:
        cuts = shop.execute("select count(*), max(id) from cuts").fetchone()

    # a power cut: nothing that was acknowledged is lost
    server.kill()
    server.start()
    page.goto(server.url)
    settle(page, 90)
    with sample_database(server) as shop:
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
