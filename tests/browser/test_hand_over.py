"""From two unmeasured heads to a printed hand-over sheet, in the real server."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.browser.conftest import go, import_parts, main_text, pick, sample_database, settle, sit_down, wait_for

pytestmark = [pytest.mark.browser, pytest.mark.slow]

IMPORT = """tag,family,work_order,engine_serial,position,condition,due,set,set_tolerance_thou
HO-1,Brackle boat head,W9901,BK99001,left,normal,{due},HO pair,3
HO-2,Brackle boat head,W9901,BK99001,right,normal,{due},HO pair,3
"""


CORNERS = ("front left", "back right")


def fill(page, label, value, nth=0):
    field = page.get_by_role("textbox", name=label).nth(nth)
    field.fill(value)
    field.press("Tab")
    settle(page)


def press(page, name):
    page.get_by_role("button", name=name).filter(has_text=name).first.click()
    settle(page)


@dataclass(frozen=True)
class Typed:
    """What is typed and read in one system of units: heights before and after by part and point, depths after each pass
    by part, the difference of the means as the sheet says it."""

    unit: str
    before: dict[str, dict[str, str]]
    after: dict[str, dict[str, str]]
    passes: dict[str, str]
    difference: str


# the same two heads: 4.7500 and 4.7490 in, cut to means of 4.7460 and 4.7461 in
SYSTEMS = {
    "inch": Typed(
        "in",
        {"HO-1": dict.fromkeys(CORNERS, "4.7500"), "HO-2": dict.fromkeys(CORNERS, "4.7490")},
        {"HO-1": dict.fromkeys(CORNERS, "4.7460"), "HO-2": dict(zip(CORNERS, ("4.7460", "4.7462"), strict=True))},
        {"HO-1": "0 2 4", "HO-2": "0 2 3"},
        r"0\.1 thou",
    ),
    "metric": Typed(
        "mm",
        {"HO-1": dict.fromkeys(CORNERS, "120.650"), "HO-2": dict.fromkeys(CORNERS, "120.625")},
        {"HO-1": dict.fromkeys(CORNERS, "120.548"), "HO-2": dict(zip(CORNERS, ("120.548", "120.554"), strict=True))},
        {"HO-1": "0 0.05 0.1", "HO-2": "0 0.05 0.075"},
        r"0\.003 mm",
    ),
}


def measure(page, tag, heights, unit):
    """Heights of a part, on its page."""
    go(page, "Parts")
    page.get_by_label("Find a part").fill(tag)
    page.get_by_label("Find a part").press("Enter")
    settle(page)
    press(page, "Open")
    for point, value in heights.items():
        fill(page, re.compile(rf"{point}.*\({unit}\)", re.I), value)
    press(page, "Add the readings")


def record(page, tag, passes, clean, heights):
    """A finished cut, typed from its paper sheet."""
    go(page, "Run sheet")
    pick(page, "Job", re.compile(tag), typed=tag)
    # it stays open from one sheet to the next
    if not page.get_by_role("textbox", name="Depth after each pass").count():
        page.get_by_text("Type in a finished paper sheet", exact=False).first.click()
        settle(page)
    fill(page, "Depth after each pass", passes)
    fill(page, "First clean after pass no.", clean)
    # one line in the order of the points, a dash where nothing was measured
    fill(page, "Heights after", " ".join(heights.get(p, "–") for p in ("front left", "front right", "back right")))
    press(page, "Record the cut")
    wait_for(page, "are up to date")


@pytest.mark.parametrize("system", SYSTEMS)
def test_from_two_unmeasured_heads_to_a_printed_hand_over_sheet(server, browser, tmp_path, system):
    typed = SYSTEMS[system]
    page = browser.new_page(viewport={"width": 1400, "height": 1000}, accept_downloads=True)
    page.goto(server.url)
    settle(page, 120)
    sit_down(page)
    if system != "inch":
        page.get_by_test_id("stButtonGroup").get_by_text(system, exact=True).first.click()
        settle(page)

    # two heads of one engine arrive, nothing measured
    import_parts(page, tmp_path / "pair.csv", IMPORT.format(due="2030-01-04 15:00"), 2)
    go(page, "Matched sets")
    pick(page, "Set", "HO pair")
    said = main_text(page)
    assert "Brackle vee six, BK99001" in said and "nothing is measured on this engine yet" in said

    # each is measured at two corners, then cut; the second to the first's height
    for tag, heights in typed.before.items():
        measure(page, tag, heights, typed.unit)
    go(page, "Matched sets")
    pick(page, "Set", "HO pair")
    assert re.search(r"Cut HO-\d first: it ", main_text(page))
    record(page, "HO-1", typed.passes["HO-1"], "3", typed.after["HO-1"])
    # the second is re-estimated from the first one's height, and the week says so
    go(page, "Week")
    said = main_text(page)
    assert re.search(r"HO-1 is cut and measured at .*: HO-2 to ", said), said
    record(page, "HO-2", typed.passes["HO-2"], "3", typed.after["HO-2"])
    with sample_database(server) as shop:
        states = shop.execute(
            "select jobs.state from jobs join parts on parts.id = jobs.part_id where tag like 'HO-%'"
        ).fetchall()
    assert states == [("cut",), ("cut",)]

    # the set is done: found among the cut ones, what the bench did typed in, the sheet printed
    go(page, "Matched sets")
    page.get_by_text("Sets that are cut", exact=False).first.click()
    settle(page)
    pick(page, "Cut set", "HO pair")
    bench = page.get_by_text("What was done at the bench", exact=True).last
    bench.click()
    settle(page)
    fill(page, "Plugs", "all 6 out, counted", -1)
    fill(page, "Goes on with it", "assembly bench", -1)
    page.get_by_role("button", name=re.compile("Keep for HO-2")).last.click()
    settle(page)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Print hand-over sheet").last.click()
    html = Path(waiting.value.path()).read_text(encoding="utf-8")
    assert "Hand-over sheet: HO pair" in html and "Brackle vee six" in html
    for heights in (*typed.before.values(), *typed.after.values()):
        for figure in heights.values():
            assert figure in html
    assert re.search(f"Difference of final heights.*?{typed.difference}", html, re.S)
    # manifold and end rails follow the cut heads: due on the sheet, and on each head's route
    assert "intake correction not done" in html and "manifold and end rails" in html
    assert "all 6 out, counted" in html and "assembly bench" in html
    assert 'class="blank"' in html and "Not cut yet" not in html

    # on paper: Letter and A4, nothing wider than the sheet
    (tmp_path / "sheet.html").write_text(html, encoding="utf-8")
    paper = browser.new_page()
    paper.goto((tmp_path / "sheet.html").as_uri())
    for size, width_px in (("Letter", 816), ("A4", 794)):
        assert paper.pdf(format=size, print_background=True)[:5] == b"%PDF-"
        paper.set_viewport_size({"width": width_px, "height": 1056})
        assert paper.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
