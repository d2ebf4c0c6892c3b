"""Before which job to index, on each machine and why; what the edge has spent and may still cut."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import pandas as pd
import streamlit as st

from planner.edge import Allowed, EdgeState, IndexForecast
from planner.edge.life import ENDS_TO_CALL_LEARNED
from planner.screens import access, inserts_charts
from planner.screens.inserts_view import EdgeView, view
from planner.screens.kept import kept
from planner.screens.picture import specification
from planner.screens.said import act
from planner.shop import EdgeInUse, MatchedSet, Shop
from planner.store import set_changes
from planner.units import Units
from planner.week.edge_advice import EdgeAdvice
from planner.week.edge_lives import grade_life
from planner.week.edge_outlook import EdgeOutlook


def draw() -> None:
    shop, units, seen = access.shop(), access.units(), view()
    if not seen.advice:
        st.info("No edge is fitted. Fit one below, so that what it cuts is counted.")
        return
    _orders(shop, seen)
    for advice, outlook in zip(seen.advice, seen.outlook, strict=True):
        _card(shop, units, advice, outlook)
    _spent(shop, seen)


def edge_name(shop: Shop, edge: EdgeInUse) -> str:
    insert = shop.inserts.get(edge.insert_id)
    several = shop.cutters[edge.cutter_id].inserts > 1
    pocket = f", pocket {edge.pocket}" if several else ""
    return f"{insert.label if insert else '?'} position {edge.position}{pocket}"


def _orders(shop: Shop, seen: EdgeView) -> None:
    """What must be ordered now, before anything else on the page."""
    for grade_id, drawer in seen.drawers.items():
        if drawer.order.inserts and drawer.order.order_day < 1:
            grade = shop.grades[grade_id]
            st.warning(f"**Order {drawer.order.inserts} × {grade.name} now**: {_why_order(drawer, grade)}")


def _why_order(drawer, grade) -> str:
    lead = f"{grade.lead_days} days" if drawer.lead_known else "14 days, taken while the lead time is unknown,"
    return (
        f"{drawer.at_hand} fresh edge{'' if drawer.at_hand == 1 else 's'} at hand; a delivery takes {lead} "
        "and more may be used by then."
    )


def _card(shop: Shop, units: Units, advice: EdgeAdvice, outlook: EdgeOutlook) -> None:
    machine, cutter = shop.machines[advice.machine_id], shop.cutters[advice.cutter_id]
    grade = shop.grades[advice.grade_id]
    head, _, why = advice.words.partition(": ")
    with st.container(border=True):
        left, right = st.columns([5, 6], gap="medium")
        with left:
            st.caption(f"{machine.name} · {cutter.name} · {grade.name}")
            st.markdown(f"### {head[:1].upper()}{head[1:]}")
            if why:
                st.write(f"{why[:1].upper()}{why[1:]}.")
            _split(shop, advice)
        with right:
            st.markdown("\n".join(f"- {line}" for line in _facts(shop, units, advice, outlook)))


def _split(shop: Shop, advice: EdgeAdvice) -> None:
    """An index inside a matched set: agreed to by name, or not at all."""
    inside = [job for job, step in zip(advice.job_ids, advice.steps, strict=True) if step.splits_set]
    for matched in {s.id: s for s in map(shop.set_of, inside) if s is not None}.values():
        st.warning(f"An index falls inside the set {matched.name}: the lead has to agree, or order the set anew.")
        key = f"split/{matched.id}/{matched.version}"
        with st.container(horizontal=True, vertical_alignment="bottom"):
            st.text_input("Who agreed", key=key, persist_state="session", width=200)
            st.button(
                "Agree to split it",
                key=f"{key}/do",
                on_click=act,
                args=(_agree, matched, key),
                help="Its members may then be cut on different edges, cutters and machines. Taken back on the page Sets.",
            )


def _agree(matched: MatchedSet, key: str) -> str:
    who = (st.session_state.get(key) or "").strip()
    set_changes.agree_to_split(access.repository(), matched, who, access.who(), access.now())
    return f"{who} agreed: {matched.name} may be split."


def _facts(shop: Shop, units: Units, advice: EdgeAdvice, outlook: EdgeOutlook) -> list[str]:
    if not advice.fitted:
        return ["No edge is in it: fit one below before the first job."]
    lines = [_machined(shop, units, edge) for edge in advice.fitted]
    lines += _not_ready(shop, advice)
    likely, _, high = advice.spent
    lines.append(f"Life spent: **likely {percent(likely)}, allow {percent(high)}** ({origin(shop, advice)})")
    if advice.job_ids:
        lines.append(
            f"Chance to lose it: **{percent(advice.chance_next)}** in the next job as planned, "
            f"**{percent(advice.chance_week_kept)}** in these {len(advice.job_ids)} jobs were it never indexed"
        )
    first = advice.first
    ahead = f"**before {first.job}**; by wear alone " if first is not None and first.index_before else ""
    lines.append(f"Next index: {ahead}{_dates(outlook.index, access.now())}")
    return lines


def _machined(shop: Shop, units: Units, edge: EdgeInUse) -> str:
    """One edge, since when it sits there, and what it has machined of each material."""
    areas = "; ".join(f"{m.replace('_', ' ')} {units.swept(a)}" for m, a in edge.swept_mm2.items()) or "nothing yet"
    since = f", since {edge.since:%d %b %Y}" if edge.since else ""
    return f"{edge_name(shop, edge)}{since}: {areas}"


def _not_ready(shop: Shop, advice: EdgeAdvice) -> list[str]:
    """Pockets without an edge that cuts."""
    ledger, cutter = access.ledger(), shop.cutters[advice.cutter_id].name
    lines, empty = [], []
    for i, held in enumerate(ledger.pockets.get(cutter, ())):
        edge = ledger.edge_in(cutter, i + 1)
        if held is None:
            empty.append(str(i + 1))
        elif edge.state is EdgeState.RETIRED:
            where = f" in pocket {i + 1}" if len(ledger.pockets[cutter]) > 1 else ""
            lines.append(f":red[**{held.insert}{where} is {edge.end}**]: nothing is cut until it is changed")
    if empty:
        what = f"pockets {' and '.join(empty)} are" if len(empty) > 1 else f"pocket {empty[0]} is"
        lines.append(f":red[**{what.capitalize()} empty**]: fill before the first job, a cut takes all of them")
    return lines


def origin(shop: Shop, advice: EdgeAdvice) -> str:
    ended = grade_life(shop, access.knowledge(), advice.grade_id).ended
    edges = f"{ended} ended edge{'' if ended == 1 else 's'}"
    if ended < ENDS_TO_CALL_LEARNED:
        return f"starting values and {edges}" if ended else "starting values"
    return f"learned from {edges}"


def percent(chance: float) -> str:
    if chance < 0.001:
        return "under 0.1\u202f%"
    digits = 1 if chance < 0.1 and round(100 * chance, 1) % 1 else 0
    return f"{100 * chance:.{digits}f}\u202f%"


def _dates(index: IndexForecast, now: datetime) -> str:
    def day(value: float) -> str:
        return "not in sight" if math.isinf(value) or value > 730 else f"{now + timedelta(days=value):%d %b %Y}"

    if index.likely_day <= 0:
        return "**due now**"
    early = "now" if index.early_day <= 0 else day(index.early_day)
    if day(index.likely_day) == early:
        return early
    return f"likely **{day(index.likely_day)}**, perhaps {early}"


def _spent(shop: Shop, seen: EdgeView) -> None:
    """Share spent, so far and by this week's jobs, with its range, against the planning limit."""
    rows = []
    for advice, outlook in zip(seen.advice, seen.outlook, strict=True):
        if advice.fitted:
            name = f"{shop.cutters[advice.cutter_id].name}"
            likely, low, high = advice.spent
            rows += [
                (name, "so far", likely, low, high, advice.limit_use, 0),
                (name, "this week", outlook.planned, low, high, advice.limit_use, 1),
            ]
    if not rows:
        return
    st.vega_lite_chart(spec=_bars(tuple(rows)), width="stretch", alt="Share of life spent by edge, with its range")
    risk = shop.settings.risk_limit
    dear = sorted({round(price) for price in seen.limit_prices.values() if price >= 1})
    money = shop.settings.currency
    ends = f"{money}{dear[0]}" + (f" to {money}{dear[-1]}" if len(dear) > 1 else "") if dear else ""
    cost = f" Keeping to it costs {ends} more an edge than indexing where it is cheapest." if dear else ""
    st.caption(
        f"Red mark: the planning limit, where {percent(risk)} of edges are gone; an index comes before it, sooner where a "
        f"spoiled face would cost more, or where less than one rebuild is left.{cost} "
        "The thin line is the range that holds the share four times out of five."
    )


@kept(8)
def _bars(rows: tuple) -> dict:
    columns = ["edge", "part", "use", "low", "high", "limit", "step"]
    return specification(inserts_charts.spent(pd.DataFrame(rows, columns=columns)))


# -- what edges may cut ------------------------------------------------------------------------------------------------
_SHORT = {Allowed.FINISH: "finish", Allowed.ROUGH: "rough only", Allowed.NONE: "nothing"}


def permits() -> None:
    """What every edge at work may still cut, and why not more."""
    shop, seen = access.shop(), view()
    rows = []
    for advice, outlook in zip(seen.advice, seen.outlook, strict=True):
        if not advice.fitted:
            continue
        many = len(advice.fitted) > 1
        what = f"{len(advice.fitted)} edges" if many else edge_name(shop, advice.fitted[0])
        edge = f"{shop.cutters[advice.cutter_id].name}: {what}"
        told = [(m.replace("_", " "), p) for m, p in outlook.may.items()]
        told += [(f"{m.replace('_', ' ')}, iron in the face", p) for m, p in outlook.may_with_iron.items()]
        rows += [(edge, what, _SHORT[p.allowed], p.reason) for what, p in told]
    if not rows:
        st.info("No edge is fitted.")
        return
    frame = pd.DataFrame(rows, columns=["Edge", "Material", "May still", "Because"])
    st.dataframe(frame, hide_index=True, width="stretch", height="content")
    st.caption(
        "An edge that cut iron never finishes aluminium; iron or steel in an aluminium face takes a grade that may "
        "meet it; magnesium takes a keen edge and a person's confirmation. Common practice; the lead decides."
    )
