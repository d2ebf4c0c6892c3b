"""Sheets on paper: printed on Letter and on A4, a run sheet is one sheet of two sides, whatever stands on it."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest

from planner.sheets import run_sheet, week_sheet
from planner.units import Units
from planner.week.board import plan_shop
from planner.week.queue import estimate_queue
from tests.tiny import MONDAY, tiny_shop

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def printed(browser):
    """How many pages the browser prints a page of HTML on, on each paper."""
    page = browser.new_page()

    def count(html: str) -> dict[str, int]:
        page.set_content(html)
        return {paper: len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper))) for paper in ("Letter", "A4")}

    yield count
    page.close()


@pytest.mark.parametrize("system", ["inch", "metric"])
def test_a_run_sheet_is_one_sheet_of_two_sides(printed, system):
    shop, two = tiny_shop(), {"Letter": 2, "A4": 2}
    queue = estimate_queue(shop)
    for job in shop.open_jobs():
        estimate = queue.estimates[job.id]
        sheet = run_sheet(shop, job, estimate, Units(system), MONDAY)
        assert printed(sheet) == two
        # what is written after the cut stands overleaf, with the cautions that are not in front
        front, back = sheet.split('<div class="back">')
        assert "Passes:" in front and "Rotating cutter" in front
        assert "After the cut: " in back and "Further cautions" in back
        # many flags and a long course
        full = replace(estimate, flags=(estimate.flags * 5)[:4], passes=(estimate.passes * 5)[:9])
        assert printed(run_sheet(shop, job, full, Units(system), MONDAY)) == two


def test_a_week_of_few_jobs_has_its_cautions_overleaf_a_long_one_goes_on(printed):
    shop = tiny_shop()
    queue = estimate_queue(shop)
    plan = plan_shop(shop, queue, MONDAY, steps=0)
    few = week_sheet(shop, queue, plan, "1", Units(), MONDAY)
    assert printed(few) == {"Letter": 2, "A4": 2}
    day = plan.jobs.iloc[:1]
    many = replace(plan, jobs=day.loc[day.index.repeat(24)])
    long = week_sheet(shop, queue, many, "1", Units(), MONDAY)
    assert long.count('class="back"') == 0 and printed(long) == {"Letter": 2, "A4": 2}


def test_a_short_day_stays_with_its_heading_and_what_runs_over_goes_on_behind(printed):
    """Five days that fill a page and a little: what waits follows at once, on no third page."""
    shop = tiny_shop()
    queue = estimate_queue(shop)
    plan = plan_shop(shop, queue, MONDAY, steps=0)
    day = plan.jobs.iloc[:1]
    days = [day.assign(**{at: day[at] + 1440 * i for at in ("start_min", "end_min")}) for i in range(5)]
    rows = pd.concat([one.loc[one.index.repeat(4)] for one in days])
    sheet = week_sheet(shop, queue, replace(plan, jobs=rows), "1", Units(), MONDAY)
    assert sheet.count('class="back"') == 0 and sheet.count('<div class="together">') == 6
    assert printed(sheet) == {"Letter": 2, "A4": 2}
