"""What the screens show of one plan, computed once: tables and charts are kept as long as plan and shop stand still."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, TypeVar

import pandas as pd
import streamlit as st

from planner.screens import access
from planner.week.board import edge_course, edge_needs
from planner.week.search import Plan

Shown = TypeVar("Shown")


class Picture:
    """One plan beside the shop it was made for. Shared by every session: what it gives must not be changed."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._kept: dict[Hashable, Any] = {}

    def once(self, key: Hashable, make: Callable[[], Shown]) -> Shown:
        """What ``make`` gives, made only when first asked for under this key."""
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    def course(self) -> pd.DataFrame:
        """What each edge does along the plan."""
        return self.once("course", lambda: edge_course(self.plan, access.shop(), access.queue(), access.knowledge()))

    def needs(self) -> pd.DataFrame:
        """Edges to index against edges at hand."""
        return self.once("needs", lambda: edge_needs(self.plan, access.shop()))


def picture(plan: Plan) -> Picture:
    """The picture of a plan on the shop as it stands, in the units of this session."""
    return _picture(access.kind(), *access.versions(), access.units().system, plan)


# a plan is known by the object it is: the picture holds it, so that no other can take its place while it is kept
@st.cache_resource(max_entries=8, show_spinner=False, hash_funcs={Plan: id})
def _picture(which, version: int, records: int, system, plan: Plan) -> Picture:
    return Picture(plan)
