"""Printable pages as self-contained HTML."""

from planner.sheets.cautions import DEFER, cautions
from planner.sheets.printing import render, run_sheet, week_sheet

__all__ = ["DEFER", "cautions", "render", "run_sheet", "week_sheet"]
