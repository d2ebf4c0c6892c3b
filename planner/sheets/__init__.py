"""Printable pages as self-contained HTML."""

from planner.sheets.cautions import DEFER, cautions
from planner.sheets.hand_over import HandOverMember, hand_over_sheet
from planner.sheets.printing import render, run_sheet, week_sheet

__all__ = ["DEFER", "HandOverMember", "cautions", "hand_over_sheet", "render", "run_sheet", "week_sheet"]
