"""A survey entered by taps on a tablet, a reload in the middle; nothing is lost, and the estimate on *Week* follows."""

from __future__ import annotations

import re
import time

import pytest

from tests.browser.conftest import low_keys, pick, settle

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PART = "T3205"
# half thou counts, in sweeping order; the face stands far from flat, so that the estimate must change
SWEEP = [0, -4, -8, -6, -11, -5, 2, -3, -10]


PATIENCE = 180  # seconds: a loaded machine is slow, not wrong


def tap(page, label):
    page.get_by_role("button", name=re.compile(label)).first.click(timeout=PATIENCE * 1000)


def shows(page, label, value):
    """Wait until the pad answered: which point it stands on, and what is read there."""
    from playwright.sync_api import expect

    pad = page.locator("[data-testid=stMetric]").first
    expect(pad.locator("[data-testid=stMetricLabel]")).to_contain_text(label, timeout=PATIENCE * 1000)
    expect(pad.locator("[data-testid=stMetricValue]")).to_have_text(value, timeout=PATIENCE * 1000)


def said(halves):
    return "0 thou" if halves == 0 else f"{'over' if halves > 0 else 'under'} {abs(halves) / 2:.1f} thou"


def enter(page, point, halves, begun=0):
    """A reading by the keys of 5, 1 and ½ thou, then on; every tap is answered before the next."""
    left = halves - begun
    sign, word, way = (r"\+", "over", 1) if left > 0 else ("−", "under", -1)
    for size, key in ((10, "5"), (2, "1"), (1, "½")):
        while abs(left) >= size:
            tap(page, rf"^{sign}{key}\s*{word}$")
            left -= way * size
            shows(page, f"point {point} of 9", said(halves - left))
    tap(page, r"next point")
    if point < len(SWEEP):
        shows(page, f"point {point + 1} of 9", "not read")
    else:
        shows(page, "back at", "not read")


def in_a_table(page, words) -> bool:
    """Whether one of the week's tables says so, row by row: a table is drawn on a canvas, what is in view stands beside
    it for readers of the screen."""
    for frame in page.locator("[data-testid=stDataFrame]").all():
        frame.scroll_into_view_if_needed()
        frame.hover()
        page.mouse.wheel(0, -5000)
        frame.scroll_into_view_if_needed()
        frame.hover()
        before = ""
        for _ in range(10):
            page.wait_for_timeout(400)
            seen = frame.inner_html()
            if words in seen:
                return True
            if seen == before:  # the end of the table
                break
            before = seen
            page.mouse.wheel(0, 200)
    return False


def test_a_survey_by_taps_survives_a_reload_and_moves_the_week(server, browser):
    from playwright.sync_api import expect

    page = browser.new_page(viewport={"width": 1024, "height": 768}, has_touch=True)
    page.goto(server.url + "/survey")
    settle(page, PATIENCE)
    pick(page, "Part and face", re.compile(rf"^{PART}\b"), PATIENCE)
    shows(page, "point 1 of 9", "not read")
    for point, halves in enumerate(SWEEP[:4], 1):
        enter(page, point, halves)
    # a fifth reading begun, not confirmed: the tablet sleeps here
    tap(page, r"^−5\s*under$")
    shows(page, "point 5 of 9", "under 5.0 thou")
    page.reload()
    settle(page, PATIENCE)
    assert page.get_by_role("combobox", name="Part and face").input_value().startswith(PART)
    shows(page, "point 5 of 9", "under 5.0 thou")
    # the fourth reading, in the row of points that is drawn after the pad
    expect(page.get_by_role("button", name=re.compile(r":\s*under 3\.0 thou$"))).to_have_count(
        1, timeout=PATIENCE * 1000
    )
    enter(page, 5, SWEEP[4], begun=-10)
    for point, halves in enumerate(SWEEP[5:], 6):
        enter(page, point, halves)
    # the keys lie under a thumb: large, and on the screen with the picture
    settle(page, PATIENCE)
    assert low_keys(page) == []
    tap(page, r"sweep done")
    page.get_by_text("closes on its zero", exact=False).first.wait_for(timeout=PATIENCE * 1000)
    tap(page, r"Store:\s*level it first")
    page.get_by_text("Survey stored", exact=False).first.wait_for(timeout=PATIENCE * 1000)
    stored = page.get_by_text("Survey stored", exact=False).first.inner_text()
    cut = re.search(r"cut (likely [\d.]+, allow [\d.]+ thou|[\d.]+ thou)", stored)
    assert cut, stored
    for section in ("What must come off", "Pits by gauge", "Level it", "Read again", "After the cut"):
        tap(page, section)
        settle(page, PATIENCE)
        assert low_keys(page) == [], section
    page.set_viewport_size({"width": 1900, "height": 1000})
    page.get_by_role("link", name="Week", exact=False).first.click()
    settle(page, PATIENCE)
    end = time.time() + PATIENCE
    while not (there := in_a_table(page, cut.group(1))) and time.time() < end:
        settle(page, PATIENCE)
    assert there, cut.group(1)
