"""What the edges did: area by material, how they ended, finish against use, cost, every use, every entry."""

from __future__ import annotations

import numpy as np
import pandas as pd
import streamlit as st

from planner import InputError
from planner.cut.knowledge import skin_factor
from planner.cut.setups import turns_of_path
from planner.edge import LEANING, LEARNED, STARTING, EdgeCost, FinishTrend, edge_costs, finish_trend
from planner.screens import access, inserts_charts
from planner.screens.kept import kept
from planner.screens.picture import specification
from planner.shop import Condition, Shop
from planner.units import Units, counted
from planner.week.edge_lives import grade_life, weighed

LATEST_EDGES = 16
LATEST_USES = 200
IN2_PER_M2 = 1550.0031


def draw() -> None:
    shown = st.segmented_control(
        "Show",
        list(_PARTS),
        default="Area machined",
        required=True,
        key="inserts/history",
        persist_state="session",
        label_visibility="collapsed",
    )
    _PARTS[shown or "Area machined"](access.shop(), access.units())


@kept(4, show_spinner="Reading what every edge did …")
def _uses(which, version: int) -> pd.DataFrame:
    frame = access.repository().edge_cuts()
    regrind = frame["life"].map(lambda n: f", grind {n}" if n else "")
    frame["edge"] = frame["insert"] + " position " + frame["position"].astype(str) + regrind
    return frame


def uses() -> pd.DataFrame:
    """Every use of an edge, with a name for the edge."""
    return _uses(access.kind(), access.data_version())


def _areas(shop: Shop, units: Units) -> None:
    frame = uses()
    if frame.empty:
        st.info("No cut is recorded on an edge yet.")
        return
    ended = {}
    for edge in access.ledger().edges():
        name = f"{edge.insert} position {edge.position}" + (f", grind {edge.grind}" if edge.grind else "")
        ended[name] = str(edge.end) if edge.end else "still cutting"
    latest = frame.groupby("edge")["at"].max().sort_values(ascending=False).index[:LATEST_EDGES]
    sums = frame[frame["edge"].isin(latest)].groupby(["edge", "material"], as_index=False)["swept_mm2"].sum()
    sums["order"] = sums["edge"].map({name: i for i, name in enumerate(latest)})
    rows = tuple(
        (r.edge, r.material.replace("_", " "), r.swept_mm2 / units.swept_factor, ended.get(r.edge, ""))
        for r in sums.sort_values("order").itertuples()
    )
    st.vega_lite_chart(
        spec=_area_chart(rows, units.swept_unit), width="stretch", alt="Area machined by edge and material"
    )
    st.caption(f"The {len(latest)} edges used last, newest on top: face area times passes.")


@kept(8)
def _area_chart(rows: tuple, unit: str) -> dict:
    frame = pd.DataFrame(rows, columns=["edge", "material", "area", "ended"])
    return specification(inserts_charts.areas(frame, unit))


def _ends(shop: Shop, units: Units) -> None:
    counts: dict[tuple[str, str], int] = {}
    for edge in access.ledger().edges():
        if edge.end is not None:
            counts[edge.grade, str(edge.end)] = counts.get((edge.grade, str(edge.end)), 0) + 1
    if not counts:
        st.info("No edge has ended yet.")
        return
    rows = tuple((grade, end, n) for (grade, end), n in sorted(counts.items()))
    st.vega_lite_chart(spec=_end_chart(rows), width="stretch", alt="How edges ended, by grade")
    lives = access.knowledge()
    for grade_id, grade in shop.grades.items():
        known = grade_life(shop, lives, grade_id)
        first = known.life.ruling
        lasts = "; ".join(
            f"{m.replace('_', ' ')} about {units.way(path)} of path"
            f"{_area_of(grade.name, m, path, units)} ({_from(source, int(ends))})"
            for m, path, source, ends in zip(
                known.materials, first.capacities, first.sources, first.failures, strict=True
            )
        )
        st.markdown(f"- **{grade.name}** lasts in {lasts}")
    st.caption("More on the page How it learned.")


def _area_of(grade: str, material: str, path_mm: float, units: Units) -> str:
    """The area that much path machines, as cut so far; nothing where that was never cut."""
    frame = uses()
    mine = frame[(frame["grade"] == grade) & (frame["material"] == material)]
    path = mine["path_mm"].sum()
    return f", some {units.swept(path_mm * mine['swept_mm2'].sum() / path)} as cut here" if path > 0 else ""


def _from(source: str, ends: int) -> str:
    """Where a life comes from: learned from its ended edges, or the starting value."""
    edges = f"{ends} ended edge{'' if ends == 1 else 's'}"
    return {LEARNED: f"learned from {edges}", LEANING: f"starting value and {edges}"}.get(source, STARTING)


@kept(8)
def _end_chart(rows: tuple) -> dict:
    return specification(inserts_charts.ends(pd.DataFrame(rows, columns=["grade", "end", "count"])))


def _finish(shop: Shop, units: Units) -> None:
    frame = uses()
    frame = frame[frame["ra_um"].notna()]
    pairs = sorted({(g, m) for g, m in zip(frame["grade"], frame["material"], strict=True)})
    if not pairs:
        st.info("No cut with a roughness reading is recorded on an edge yet.")
        return
    grade, material = st.selectbox(
        "Grade and material",
        pairs,
        format_func=lambda p: f"{p[0]}, {p[1].replace('_', ' ')}",
        key="inserts/finish",
        persist_state="session",
    )
    points, trend = _fading(shop, grade, material)
    rows = tuple(zip(points["use"], points["ra_um"] / units.ra_factor, points["part"], points["at"], strict=True))
    line = ()
    if trend is not None:
        ends = (float(points["use"].min()), float(points["use"].max()))
        middle = float((points["ra_um"] - trend.ra_um_per_use * points["use"]).median())
        line = tuple((u, (middle + trend.ra_um_per_use * u) / units.ra_factor) for u in ends)
    st.vega_lite_chart(
        spec=_finish_chart(rows, line, units.ra_unit),
        width="stretch",
        alt="Roughness of cuts against the use of the edge",
    )
    st.markdown(_finish_words(trend, units))


@kept(8)
def _finish_chart(rows: tuple, line: tuple, unit: str) -> dict:
    points = pd.DataFrame(rows, columns=["use", "ra", "part", "at"])
    return specification(inserts_charts.finish(points, pd.DataFrame(line, columns=["use", "ra"]), unit))


def _fading(shop: Shop, grade: str, material: str) -> tuple[pd.DataFrame, FinishTrend | None]:
    """Ra readings against the use of the edge before the cut, the last 400, and their trend."""
    frame = uses()
    frame = frame[frame["grade"] == grade].copy()
    known = grade_life(shop, access.knowledge(), next(i for i, g in shop.grades.items() if g.name == grade))
    capacity = dict(zip(known.materials, known.life.ruling.capacities, strict=True))
    skin = {c.value: skin_factor(shop, access.knowledge(), c) for c in Condition}
    wear = frame["wear_mm"] * frame["condition"].map(skin)
    share = wear / frame["material"].map(capacity).fillna(np.inf)
    frame["use"] = share.groupby(frame["edge"]).cumsum() - share
    points = frame[(frame["material"] == material) & frame["ra_um"].notna()].tail(400)
    try:
        return points, finish_trend(points["use"].to_numpy(), points["ra_um"].to_numpy())
    except InputError:
        return points, None


def _finish_words(trend: FinishTrend | None, units: Units) -> str:
    if trend is None:
        return "Too few readings to tell whether the finish fades: three at differing use of the edge."
    step = 0.1 * trend.ra_um_per_use / units.ra_factor
    low, high = (0.1 * v / units.ra_factor for v in (trend.low, trend.high))
    if trend.fades:
        return (
            f"**The finish fades as the edge is used**: about {step:+.1f} {units.ra_unit} for every tenth of its life "
            f"({_signed(low)} to {_signed(high)})."
        )
    return (
        f"**No fading to be seen yet**: for every tenth of the edge's life Ra changes by {_between(low, high, units.ra_unit)}. "
        "Wear and lost finish are two separate ends."
    )


def _between(low: float, high: float, unit: str) -> str:
    """A range of change; one too small to be read off says so."""
    said = _signed(low), _signed(high)
    return f"less than 0.01 {unit}" if said == ("0", "0") else f"{said[0]} to {said[1]} {unit}"


def _signed(change: float) -> str:
    """A change with its sign, to 0.1 or finer where it is small; nothing is "-0.0"."""
    places = 1 if abs(change) >= 0.05 or change == 0 else 2
    said = f"{change:+.{places}f}"
    return "0" if float(said) == 0 else said


def _cost(shop: Shop, units: Units) -> None:
    frame, money = uses(), shop.settings.currency
    ledger = weighed(shop, access.knowledge(), access.ledger())
    cuts = {str(c): (m, p) for c, m, p in zip(frame["cut"], frame["material"], frame["part"], strict=True)}
    prices = {g.name: g.price for g in shop.grades.values() if g.price is not None}
    minutes, told = access.knowledge().index_minutes()
    index = minutes * shop.settings.hourly_rate / 60
    capacities = {
        (grade.name, m): float(c)
        for grade_id, grade in shop.grades.items()
        for known in [grade_life(shop, access.knowledge(), grade_id)]
        for m, c in zip(known.materials, known.life.ruling.capacities, strict=True)
    }
    capacities |= {(e.grade, m): 1e8 for e in ledger.edges() for m in e.work if (e.grade, m) not in capacities}
    try:
        costs = edge_costs(ledger, index, capacities_mm=capacities, cuts=cuts, prices=prices)
    except InputError as wrong:
        st.warning(f"The cost needs {wrong.accepted}: {wrong.field}. Enter it on the page Shop.")
        return
    if not costs:
        st.info("No edge has ended yet: the cost of an edge is known when it is used up.")
        return
    st.dataframe(_cost_table(costs, units, money), hide_index=True, width="stretch")
    st.caption(
        f"Of edges that ended: their share of the insert's price and regrinds, and {minutes:.0f} minutes for "
        f"each index ({money}{index:.0f}; {told.words}). Where an edge cut more than one material, by the wear each brought."
    )


def _cost_table(costs: tuple[EdgeCost, ...], units: Units, money: str) -> pd.DataFrame:
    area, each = ("1000 in²", 1000 / IN2_PER_M2) if units.inch else ("m²", 1.0)
    return pd.DataFrame(
        {
            "Grade": c.grade,
            "Material": c.material.replace("_", " "),
            "Edges used up": round(c.edges, 1),
            "Parts": c.parts,
            "Area": units.swept(c.swept_mm2),
            f"Cost ({money})": round(c.cost),
            f"A part ({money})": round(c.per_part, 2),
            f"{area} ({money})": round(c.per_m2 * each, 2),
        }
        for c in costs
    )


def _every_use(shop: Shop, units: Units) -> None:
    frame = uses()
    if frame.empty:
        st.info("No cut is recorded on an edge yet.")
        return
    latest = list(frame.groupby("edge")["at"].max().sort_values(ascending=False).index)
    edge = st.selectbox("Edge", latest, key="inserts/edge", persist_state="session")
    mine = frame[frame["edge"] == edge].tail(LATEST_USES).iloc[::-1]
    table = pd.DataFrame(
        {
            "When": mine["at"],
            "Cut no.": mine["cut"],
            "Part": mine["part"],
            "Material": mine["material"].str.replace("_", " "),
            "Condition": mine["condition"],
            "Area": [units.swept(a) for a in mine["swept_mm2"]],
            f"Path ({units.way_unit})": (mine["path_mm"] / units.way_factor).round(2),
            "Turns": [_turns(shop, row) for row in mine.itertuples()],
            "Speed": ["not recorded" if np.isnan(v) else units.speed(v) for v in mine["speed_m_min"]],
            "Ra": ["not read" if np.isnan(r) else units.ra(r) for r in mine["ra_um"]],
        }
    )
    st.dataframe(
        table,
        hide_index=True,
        width="stretch",
        column_config={"When": st.column_config.DatetimeColumn(format="DD MMM YYYY HH:mm")},
    )
    total = frame[frame["edge"] == edge]
    st.caption(f"{counted(len(total), 'cut')}, {units.swept(total['swept_mm2'].sum())} machined in all.")


def _turns(shop: Shop, row) -> str:
    """Turns of the cutter while it cut, from the path and the sizes of face and cutter."""
    faces = {f.id: f for family in shop.families.values() for f in family.faces}
    face, cutter = faces.get(row.face_id), shop.cutters.get(row.cutter_id)
    if face is None or cutter is None:
        return "unknown"
    return f"{turns_of_path(face, cutter, row.path_mm):,.0f}"


def _entries(shop: Shop, units: Units) -> None:
    events = access.repository().edge_events(everything=True)[-200:][::-1]
    if not events:
        st.info("Nothing happened yet.")
        return
    gone = {e.reverses_id for e in events}
    rows = [
        {
            "When": e.at,
            "What": e.kind + (" (taken back)" if e.id in gone else ""),
            "Insert": shop.inserts[e.insert_id].label if e.insert_id in shop.inserts else "",
            "Position": str(e.position or ""),
            "Cutter": shop.cutters[e.cutter_id].name if e.cutter_id in shop.cutters else "",
            "How it ended": str(e.payload.get("end") or ""),
            "Wear land": units.depth(e.payload["wear_mm"]) if "wear_mm" in e.payload else "",
            "By": e.by,
            "Note": e.note,
        }
        for e in events
    ]
    st.dataframe(
        pd.DataFrame(rows),
        hide_index=True,
        width="stretch",
        # left to itself the note is cut off
        column_config={
            "When": st.column_config.DatetimeColumn(format="DD MMM YYYY HH:mm", width=145),
            **{name: st.column_config.TextColumn(width=80) for name in ("Insert", "Position", "Wear land", "By")},
            "Note": st.column_config.TextColumn(width=260),
        },
    )


_PARTS = {
    "Area machined": _areas,
    "How edges ended": _ends,
    "Finish": _finish,
    "Cost": _cost,
    "Every use": _every_use,
    "Entries": _entries,
}
