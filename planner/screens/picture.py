"""What the screens show of one plan, computed once: tables and charts are kept as long as plan and shop stand still."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Any, TypeVar

import pandas as pd
import streamlit as st

from planner.screens import access
from planner.screens.kept import kept
from planner.shop import Face
from planner.week.edge_course import edge_course, edge_needs, empty_pockets
from planner.week.search import Plan

if TYPE_CHECKING:  # a start shows its first page before the chart library is there
    import altair as alt

Shown = TypeVar("Shown")


class Picture:
    """One plan beside the shop it was made for. Shared by every session: what it gives must not be changed."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._kept: dict[Hashable, tuple[Hashable, Any]] = {}

    def once(self, key: Hashable, make: Callable[[], Shown], at: Hashable = None) -> Shown:
        """What ``make`` gives, made when first asked for under this key, and anew when ``at`` (the minute, say) is
        another one: what was kept for the last one is let go."""
        if key not in self._kept or self._kept[key][0] != at:
            self._kept[key] = (at, make())
        return self._kept[key][1]

    def chart(self, key: Hashable, make: Callable[[], alt.TopLevelMixin], at: Hashable = None) -> dict[str, Any]:
        """The specification of the chart that ``make`` gives."""
        return dict(self.once(("chart", key), lambda: specification(make()), at))

    def course(self) -> pd.DataFrame:
        """What each edge does along the plan."""
        return self.once("course", lambda: edge_course(self.plan, access.shop(), access.queue()))

    def unfitted(self) -> set[tuple[str, str]]:
        """Names of cutters and grades of the plan's jobs where no such edge is known to be in the cutter."""
        shop = access.shop()
        found = self.once("unfitted", lambda: empty_pockets(self.plan, shop, access.queue()))
        return {(shop.cutters[cutter].name, shop.grades[grade].name) for cutter, grade in found}

    def needs(self) -> pd.DataFrame:
        """Edges to fit and to index against edges at hand."""
        return self.once("needs", lambda: edge_needs(self.plan, access.shop(), access.queue()))


def specification(chart: alt.TopLevelMixin) -> dict[str, Any]:
    """What `st.vega_lite_chart` draws, data as frames. Working it out of a chart takes longer than all the rest of a
    rerun, so it is kept where the data is."""
    spec = chart.to_dict()
    datasets = spec.setdefault("datasets", {})
    _carry(chart, spec, datasets)
    spec["datasets"] = {name: pd.DataFrame(rows) for name, rows in datasets.items()}
    # the size of a chart is said by chart and page, not by the library's own theme
    spec.get("config", {}).pop("view", None)
    return spec


def empty_chart(name: str) -> dict[str, Any]:
    """The specification of ``charts.<name>``, drawn from the data set "rows" that is still to be put beside it. Kept on
    disk: the first page of a start need not wait for the chart library."""
    return copy.deepcopy(_empty_chart(name))


@kept(16)
def _empty_chart(name: str) -> dict[str, Any]:
    return access.keep(_empty_specification, name)


def _empty_specification(name: str) -> dict[str, Any]:
    import altair as alt

    from planner.screens import charts

    return specification(getattr(charts, name)(alt.NamedData(name="rows")))


def drawn(chart: Callable[..., alt.TopLevelMixin], *inputs: Any) -> dict[str, Any]:
    """The specification of ``chart(*inputs)``, a pure function of the module that holds it, kept while its inputs are
    equal: for a chart that hangs on what was entered and not on the store's counters."""
    return dict(_drawn(f"{chart.__module__}.{chart.__qualname__}", inputs, chart))


# a face written out tells it apart as surely, and much faster than field by field
@st.cache_resource(max_entries=64, show_spinner=False, hash_funcs={Face: repr})
def _drawn(name: str, inputs: tuple, _chart: Callable[..., alt.TopLevelMixin]) -> dict[str, Any]:
    return specification(_chart(*inputs))


_PARTS = ("layer", "hconcat", "vconcat", "concat", "spec")


def _carry(chart: Any, spec: dict[str, Any], datasets: dict[str, list[dict]]) -> None:
    """Put into ``datasets`` what a chart and the charts it is made of refer to and do not carry: how the library hands
    data over is a switch for all threads, and while another session draws a chart Streamlit turns it aside."""
    import altair as alt

    data = chart._get("data")
    if isinstance(data, pd.DataFrame) and spec["data"].get("name") not in datasets:
        rows = alt.to_values(data)["values"]
        name = "data-" + hashlib.sha256(repr(rows).encode()).hexdigest()[:32]
        spec["data"], datasets[name] = {"name": name}, rows
    for part in _PARTS:
        held = chart._get(part)
        if isinstance(held, alt.TopLevelMixin):
            _carry(held, spec[part], datasets)
        elif isinstance(held, list):
            for own, told in zip(held, spec[part], strict=True):
                _carry(own, told, datasets)


def picture(plan: Plan) -> Picture:
    """The picture of a plan on the shop as it stands, in the units of this session."""
    return _picture(access.kind(), *access.versions(), access.units().system, id(plan), plan)


# a plan is known by the object it is: the picture holds it, so that no other can take its place while it is kept
@kept(8)
def _picture(which, version: access.Version, records: int, system, known_by: int, _plan: Plan) -> Picture:
    return Picture(_plan)
