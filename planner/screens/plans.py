"""The plan that screens show: the accepted one as it would run today, or the first one of a shop that accepted none."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from planner.screens import access
from planner.store import AcceptedPlan
from planner.week.board import Board, board_of, plan_shop
from planner.week.search import Plan


def accepted_board(accepted: AcceptedPlan) -> Board:
    """The accepted plan beside the shop as it stands now."""
    return _board(access.kind(), *access.versions(), accepted.id, access.now(), accepted)


def first_plan() -> Plan:
    """The plan a shop meets before anybody accepted one; the same for everybody for a quarter of an hour."""
    now = access.now()
    return _first_plan(access.kind(), *access.versions(), now.replace(minute=now.minute // 15 * 15))


def present_plan() -> Plan | None:
    """What is still to be cut, as planned; None when there is nothing to plan."""
    shop = access.shop()
    if not shop.machines or not shop.jobs:
        return None
    accepted = access.repository().current_plan()
    return first_plan() if accepted is None else accepted_board(accepted).today


@st.cache_resource(max_entries=8, show_spinner=False)
def _board(which, version: access.Version, records: int, plan_id: int, now: datetime, _accepted: AcceptedPlan) -> Board:
    return board_of(_accepted.payload, access.shop(), access.queue(), now, access.knowledge())


@st.cache_resource(max_entries=4, show_spinner="Planning the week …")
def _first_plan(which, version: access.Version, records: int, start: datetime) -> Plan:
    return plan_shop(access.shop(), access.queue(), start, access.knowledge(), steps=0)
