"""A survey entered by taps on a tablet, a reload in the middle; nothing is lost, and the estimate on *Week* follows."""

from __future__ import annotations

import re

import pytest

from tests.browser.conftest import settle

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PART = "T3205"
# half thou counts, in sweeping order; the face stands far from flat, so that the estimate must change
SWEEP = [0, -4, -8, -6, -11, -5, 2, -3, -10]


def tap(page, label):
    page.get_by_role("button", name=re.compile(label)).first.click()
    settle(page)


def enter(page, halves):
    """A reading by the keys of 5, 1 and ½ thou, then on."""
    sign, word = (r"\+", "over") if halves > 0 else ("−", "under")
    left = abs(halves)
    for size, key in ((10, "5"), (2, "1"), (1, "½")):
        while left >= size:
            tap(page, rf"^{sign}{key}\s*{word}$")
            left -= size
    tap(page, r"next point")


def queue_words(page):
    """What the week's tables say, row by row: a table is drawn on a canvas, what is in view stands beside it for readers
    of the screen."""
    said = ""
    for frame in page.locator("[data-testid=stDataFrame]").all():
        frame.scroll_into_view_if_needed()
        frame.hover()
        for _ in range(6):
            page.wait_for_timeout(300)
            said += frame.inner_html()
            page.mouse.wheel(0, 250)
    return said


def test_a_survey_by_taps_survives_a_reload_and_moves_the_week(server, browser):
    page = browser.new_page(viewport={"width": 1024, "height": 768}, has_touch=True)
    page.goto(server.url + "/survey")
    settle(page, 90)
    page.get_by_role("combobox", name="Part and face").click()
    page.get_by_role("option", name=re.compile(rf"^{PART}\b")).first.click()
    settle(page)
    for halves in SWEEP[:4]:
        enter(page, halves)
    # a fifth reading begun, not confirmed: the tablet sleeps here
    tap(page, r"^−5\s*under$")
    before = page.locator("[data-testid=stMetricValue]").first.inner_text()
    assert before == "under 5.0 thou"
    page.reload()
    settle(page, 90)
    assert page.get_by_role("combobox", name="Part and face").input_value().startswith(PART)
    assert page.locator("[data-testid=stMetricValue]").first.inner_text() == before
    assert page.get_by_role("button", name=re.compile(r": under 3\.0$")).count() == 1  # the fourth reading
    enter(page, SWEEP[4] + 10)
    for halves in SWEEP[5:]:
        enter(page, halves)
    # the keys lie under a thumb: large, and on the screen with the picture
    key = page.get_by_role("button", name=re.compile(r"sweep done")).first.bounding_box()
    assert key["height"] >= 44
    tap(page, r"sweep done")
    page.get_by_text("closes on its zero", exact=False).first.wait_for(timeout=60_000)
    tap(page, r"Store: level it first")
    page.get_by_text("Survey stored", exact=False).first.wait_for(timeout=90_000)
    stored = page.get_by_text("Survey stored", exact=False).first.inner_text()
    cut = re.search(r"cut (likely [\d.]+, allow [\d.]+ thou|[\d.]+ thou)", stored)
    assert cut, stored
    page.set_viewport_size({"width": 1900, "height": 1000})
    page.get_by_role("link", name="Week", exact=False).first.click()
    settle(page, 90)
    assert cut.group(1) in queue_words(page), cut.group(1)
