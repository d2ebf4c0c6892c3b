"""Records: every finished cut, how plans held, a part's course, charge lines, and taking a wrong cut back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import pandas as pd
import pyarrow as pa
import streamlit as st

from planner import InputError
from planner.screens import access, charts_record
from planner.screens import records_frames as frames
from planner.screens.kept import kept
from planner.screens.parts_past import height_course
from planner.screens.picture import specification
from planner.screens.said import act, say
from planner.screens.tables import sent
from planner.screens.words import job_name
from planner.shop import Condition, Cut, Outcome, Shop
from planner.store import Kind
from planner.store.references import mark_key
from planner.units import System, Units, counted

_CUTS, _AGAINST, _PART, _CHARGE = "Cuts", "Plan against actual", "One part", "Charge lines"
_PAGE = 100
_CHOSEN = "records cut"


def draw() -> None:
    st.title("Records")
    say(far=True)
    key, units = _key(), access.units()
    frame = _all(*key)
    if frame.empty:
        st.info("No finished cut is recorded yet: the run sheet stores one when a job ends.")
        return
    section = st.segmented_control(
        "Section",
        (_CUTS, _AGAINST, _PART, _CHARGE),
        default=_CUTS,
        required=True,
        key="records section",
        label_visibility="collapsed",
        persist_state="session",
    )
    if section == _PART:
        _one_part(frame, units)
        return
    wanted = _filters(key)
    shown = _kept(*key, wanted)
    if shown.empty:
        st.info("No cut on record is like that. Take a filter off.")
    elif section == _CUTS:
        _cuts(frame, shown, wanted, units)
    elif section == _AGAINST:
        _against(wanted, units)
    else:
        _charges(wanted, units)


# -- what is read ------------------------------------------------------------------------------------------------------
def _key() -> tuple[Kind, int, int]:
    """What the recorded cuts hang on: their own counter, and the shop's for names. Taps on run sheets do not count."""
    (shop, _), records = access.versions()
    return access.kind(), shop, records


@kept(2, show_spinner="Reading the record …", show_time=True)
def _all(which: Kind, shop: int, records: int) -> pd.DataFrame:
    return frames.with_totals(access.repository().cuts_frame())


def _frame() -> pd.DataFrame:
    """Every standing cut. Shared by every session: it is filtered, never changed."""
    return _all(*_key())


@kept(8)
def _kept(which: Kind, shop: int, records: int, wanted: frames.Filters) -> pd.DataFrame:
    return wanted.of(_all(which, shop, records))


@kept(4)
def _choices(which: Kind, shop: int, records: int) -> dict[str, list[Any]]:
    """What stands on record to choose from: names, and the first and last day."""
    frame = _all(which, shop, records)
    named = ("family", "machine", "by")
    days = [frame["ended"].min().date(), frame["ended"].max().date()]
    return {name: sorted(v for v in frame[name].dropna().unique() if v) for name in named} | {"days": days}


def _filters(key: tuple[Kind, int, int]) -> frames.Filters:
    known = _choices(*key)

    def several(column, label: str, options: list[str], name: str) -> tuple[str, ...]:
        chosen = column.multiselect(
            label, options, key=f"records filter {name}", placeholder="all", persist_state="session"
        )
        return tuple(chosen)

    top, below = st.columns(3), st.columns(3)
    family = several(top[0], "Family", known["family"], "family")
    condition = several(top[1], "Condition", [c.value for c in Condition], "condition")
    outcome = several(top[2], "How it ended", [o.value for o in Outcome], "outcome")
    machine = several(below[0], "Machine", known["machine"], "machine")
    by = several(below[1], "Person", known["by"], "by")
    first, last = known["days"][0], max(known["days"][1], access.now().date())
    days = below[2].date_input(
        "From and to", (), min_value=first, max_value=last, key="records filter days", persist_state="session"
    )
    days = days if isinstance(days, tuple) else (days,)
    return frames.Filters(family, condition, machine, by, outcome, *_span(days))


def _span(days: tuple[date, ...]) -> tuple[date | None, date | None]:
    """First and last day chosen; one alone is the first."""
    return (days[0] if days else None), (days[1] if len(days) > 1 else None)


# -- cuts --------------------------------------------------------------------------------------------------------------
def _cuts(frame: pd.DataFrame, shown: pd.DataFrame, wanted: frames.Filters, units: Units) -> None:
    pages = -(-len(shown) // _PAGE)
    left, middle, right = st.columns([5, 2, 2], vertical_alignment="bottom")
    page = 1
    if pages > 1:
        page = int(middle.number_input(f"Page, of {pages}", 1, pages, 1, key="records page", persist_state="session"))
        page = min(page, pages)
    kind, key = access.kind(), _key()
    table, ids = _table(*key, wanted, page, units)
    left.caption(
        f"{len(shown)} of {counted(len(frame), 'cut')}, newest first{f'; {len(ids)} on this page' if pages > 1 else ''}. "
        "Pick a row to see its part, or to take it back."
    )
    right.download_button(
        "All of them as CSV",
        lambda: _csv_of_cuts(kind, key, wanted, units),
        file_name=f"cuts {access.now():%Y-%m-%d}.csv",
        mime="text/csv",
        icon=":material/download:",
        on_click="ignore",
        width="stretch",
    )
    st.dataframe(
        table,
        hide_index=True,
        width="stretch",
        height=min(560, 38 + 35 * len(ids)),
        on_select=lambda: _pick(ids),
        selection_mode="single-row",
        key="records table",
        column_config={"When": st.column_config.DatetimeColumn(format="DD MMM YYYY HH:mm")},
    )
    _chosen(frame, units)


@kept(8)
def _table(
    which: Kind, shop: int, records: int, wanted: frames.Filters, page: int, units: Units
) -> tuple[pa.Table, list[int]]:
    """One page of the cuts, and their ids in its order."""
    part = _kept(which, shop, records, wanted).iloc[(page - 1) * _PAGE : page * _PAGE]
    return sent(frames.cuts_table(part, units)), [int(i) for i in part["id"]]


def _csv_of_cuts(kind: Kind, key: tuple, wanted: frames.Filters, units: Units) -> bytes:
    from planner.store import export_frame

    return export_frame(frames.export_table(wanted.of(_all(*key)), units))


def _pick(ids: list[int]) -> None:
    rows = st.session_state["records table"]["selection"]["rows"]
    st.session_state[_CHOSEN] = ids[rows[0]] if rows and rows[0] < len(ids) else None


def _chosen(frame: pd.DataFrame, units: Units) -> None:
    """The row picked: its part, and taking it back."""
    chosen = st.session_state.get(_CHOSEN)
    if chosen is None:
        return
    rows = frame[frame["id"] == chosen]
    if rows.empty:
        return
    cut = rows.iloc[0]
    with st.container(border=True):
        st.markdown(
            f"**{cut['tag']} {cut['face']}**, {cut['ended']:%d %b %Y}: {units.depth(cut['stop_depth_mm'])} in "
            f"{counted(int(cut['pass_count']), 'pass', 'passes')}, {cut['outcome']}"
            + (f". {cut['note']}" if cut["note"] else "")
        )
        with st.container(horizontal=True):
            st.button("Heights and rebuilds left", on_click=_show_part, args=(int(cut["part_id"]),))
            st.button("Open the part", on_click=_open_part, args=(int(cut["part_id"]),))
        back = st.expander("Take this cut back", on_change="rerun", key=f"records back/{cut['id']}")
        if back.open:
            with back:
                st.caption(
                    "For a cut recorded by mistake. Its depth, edge use and heights no longer count and its job waits "
                    "again; both entries stay on record."
                )
                why = st.text_input("Why it is taken back", key=f"records why/{cut['id']}", persist_state="session")
                st.button("Take it back", on_click=act, args=(_take_back, int(cut["id"]), why))


def _show_part(part_id: int) -> None:
    st.session_state["records part"] = part_id
    st.session_state["records section"] = _PART


def _open_part(part_id: int) -> None:
    st.session_state["part"] = part_id
    st.session_state["go to"] = "parts"


def _take_back(cut_id: int, why: str) -> str:
    if not why.strip():
        raise InputError("Why it is taken back", why, "a few words")
    store = access.repository()
    entry = store.reverse_cut(cut_id, why.strip(), access.who(), access.now())
    st.session_state[_CHOSEN] = None
    said = "Taken back: its job waits again."
    if entry.outcome is not Outcome.SCRAPPED:
        return said
    shop, undone = store.load_shop(), store.came_of_taking_back(cut_id)
    return said + (sets_again(shop, entry, undone) if undone else after_scrapping(shop, entry))


def sets_again(shop: Shop, entry: Cut, undone: Sequence[tuple[str, tuple[int, ...], str]]) -> str:
    """What became of the sets that a scrapping took apart, once its record is taken back."""
    said = f" {shop.parts[entry.part_id].tag} is in the shop again."
    for name, job_ids, why_not in undone:
        if why_not:
            said += f" Its set {name} is not together again: {why_not}. Make it anew on the page Matched sets."
        else:
            names = " and ".join(job_name(shop, j) for j in job_ids)
            said += f" Its set {name} is together again: {names}."
    return said


def after_scrapping(shop: Shop, entry: Cut) -> str:
    """What is left to do by hand where nothing was kept of the set that a scrapping took apart."""
    part, job = shop.parts[entry.part_id], shop.jobs.get(entry.job_id)
    said = f" {part.tag} is in the shop again."
    if job is None or not part.engine_serial:
        return said
    in_set = {j for s in shop.sets.values() for j in s.job_ids}
    partners = [
        other
        for other in shop.jobs.values()
        if other.part_id != part.id
        and other.id not in in_set
        and mark_key(shop.part_of(other).engine_serial) == mark_key(part.engine_serial)
        and shop.face_of(other).kind is shop.face_of(job).kind
    ]
    if not partners or job.id in in_set:
        return said
    names = ", ".join(job_name(shop, other.id) for other in partners)
    return (
        f"{said} Its set was taken apart with the record: make it again of {job_name(shop, job.id)} and {names} "
        "(page Matched sets, New set), and end the partner's hold on its page."
    )


# -- plan against actual -----------------------------------------------------------------------------------------------
@kept(8, show_spinner="Comparing …")
def _compared(which: Kind, shop: int, records: int, wanted: frames.Filters, system: System) -> dict[str, Any]:
    found, units = frames.plan_against_actual(_kept(which, shop, records, wanted)), Units(system)
    step = 0.5 if units.inch else 0.0125
    told: dict[str, Any] = {"bounded": found.bounded, "inside": found.inside}
    for name, values, width, title in (
        ("depth", found.depth_mm / units.depth_factor, step, f"taken more than likely ({units.depth_unit})"),
        ("passes", found.passes, 1.0, "passes more than planned"),
        ("minutes", found.minutes, 5.0, "minutes longer than planned"),
    ):
        if len(values):
            chart = charts_record.differences(frames.binned(values, width), title, width)
            told[name] = (specification(chart), len(values), float(pd.Series(values).median()))
    if len(found.by_quarter) > 1:
        told["quarters"] = specification(charts_record.held_by_quarter(found.by_quarter))
    return told


def _against(wanted: frames.Filters, units: Units) -> None:
    told = _compared(*_key(), wanted, units.system)
    if not told["bounded"]:
        st.info("None of these cuts was planned before it was made: there is nothing to compare.")
        return
    bounded, inside = told["bounded"], told["inside"]
    left, right = st.columns([2, 3], vertical_alignment="center")
    with left:
        st.metric("Stayed within the depth allowed for", f"{inside / bounded:.0%}")
        st.write(
            f"{inside} of {bounded} finished cuts that were planned. The plan allows for four of five (80 %): "
            + _verdict(inside, bounded)
        )
    with right:
        if "quarters" in told:
            st.vega_lite_chart(spec=told["quarters"], width="stretch", alt="Share inside the allowed depth by quarter")
        else:
            st.caption("All of them lie in one quarter of a year: no course over time yet.")
    for column, name, words in zip(
        st.columns(3), ("depth", "passes", "minutes"), ("Depth", "Passes", "Minutes"), strict=True
    ):
        with column:
            st.subheader(words)
            if name not in told:
                st.caption("Not planned for any of these cuts.")
                continue
            spec, count, middle = told[name]
            st.vega_lite_chart(spec=spec, width="stretch", alt=f"{words}: actual less planned")
            st.caption(f"{counted(count, 'cut')}; {_middle(name, middle, units)}.")


def _verdict(inside: int, bounded: int) -> str:
    """What a share near or far from four of five means, with regard to how few cuts there are."""
    doubt = 2 * (0.8 * 0.2 / bounded) ** 0.5
    share = inside / bounded
    if abs(share - 0.8) <= doubt:
        return "that agrees."
    if share > 0.8:
        return "more held, so the plan allows for more depth than these parts need."
    return "fewer held, so the plan allows for too little depth on these parts."


def _middle(name: str, middle: float, units: Units) -> str:
    unit = {"depth": f" {units.depth_unit}", "minutes": " min", "passes": " passes"}[name]
    places = {"depth": 1 if units.inch else 3, "minutes": 0, "passes": 0}[name]
    if abs(middle) < 0.5 * 10**-places:
        return "in the middle as planned"
    return f"in the middle {abs(middle):.{places}f}{unit} {'more' if middle > 0 else 'less'} than planned"


# -- one part ----------------------------------------------------------------------------------------------------------
def _one_part(frame: pd.DataFrame, units: Units) -> None:
    text = st.text_input(
        "Part",
        key="records part text",
        placeholder="tag, work order, serial or casting number, or its last four",
        on_change=lambda: st.session_state.update({"records part": None}),
        persist_state="session",
    )
    store, part_id = access.repository(), st.session_state.get("records part")
    if part_id is None and text.strip():
        hits = [hit for hit in store.find(text) if hit.cuts or hit.part.heights]
        if not hits:
            st.info("No part with a recorded cut or a height is marked so.")
            return
        if len(hits) > 1:
            # a visit without a height has nothing to draw
            hits.sort(key=lambda h: not h.part.heights)
            names = {h.part.id: f"{h.part.tag}, {h.family.name} {h.part.position}".strip() for h in hits}
            part_id = st.selectbox("Which of them", list(names), format_func=names.get, key="records which")
        else:
            part_id = hits[0].part.id
    if part_id is None:
        counted = frame.groupby("engine_serial")["id"].size()
        often = counted[counted.index != ""].sort_values(ascending=False).index[:1]
        hint = f" The engine cut most often is {often[0]}." if len(often) else ""
        st.info(f"Name a part to see its heights and the rebuilds left, or pick a row of the cuts.{hint}")
        return
    found = store.history_of(part_id)
    if found is None:
        st.info("That part is no longer there.")
        return
    st.subheader(f"{found.part.tag}, {found.family.name} {found.part.position}".strip())
    if found.earlier:
        st.caption("With its earlier visits: " + ", ".join(p.tag for p in found.earlier))
    drawn = False
    for face in found.family.faces:
        course = height_course(found, face)
        if course.empty:
            continue
        drawn = True
        _course(course, face, found, units)
    if not drawn:
        st.info("No height of this part is known: measure it, then each cut shows what is left.")


def _course(course: pd.DataFrame, face, found, units: Units) -> None:
    rebuild, origin = access.knowledge().rebuild_mm(found.family, face)
    told = frames.rebuild_course(course, face, rebuild)
    least = frames.least_height_mm(face)
    factor = units.length_factor
    lines = []
    if least is not None:
        lines.append((least / factor, "limit"))
        top = told["height"].max()
        above = least + rebuild
        while above <= top + 1e-9 and len(lines) < 60:
            lines.append((above / factor, "a rebuild above it"))
            above += rebuild
    said = ["" if left is None else f"{left} rebuild{'' if left == 1 else 's'} left" for left in told["left"]]
    shown = told.assign(height=told["height"] / factor, said=said)
    st.markdown(f"**{face.name.capitalize()}**")
    chart = charts_record.part_course(
        shown[["at", "height", "what", "said"]],
        pd.DataFrame(lines, columns=["height", "kind"]),
        units.length_unit,
    )
    st.vega_lite_chart(spec=specification(chart), width="stretch", alt=f"Heights of the {face.name} and rebuilds left")
    last = told.iloc[-1]
    if least is None:
        st.caption("No limit is known for this face, so the rebuilds left are not known: ask.")
    else:
        room = max(0.0, last["height"] - least)
        st.caption(
            f"Now {units.height(last['height'])}, limit {units.height(least)}: {units.depth(room, down=True)} left, "
            f"{said[-1]}. A rebuild takes {units.depth(rebuild)} ({origin.words}). Mean over the measuring points; "
            "after a cut nobody measured, the height before less its depth."
        )


# -- charge lines ------------------------------------------------------------------------------------------------------
@kept(2, show_spinner="Putting charges together …", show_time=True)
def _all_lines(which: Kind, shop: int, records: int) -> pd.DataFrame:
    details = access.repository().charge_details()
    # of the whole record: whether a face was cut before must not hang on a filter
    return frames.charge_lines(_all(which, shop, records), details, access.shop(), access.knowledge())


@kept(4)
def _lines(which: Kind, shop: int, records: int, wanted: frames.Filters) -> pd.DataFrame:
    every = _all_lines(which, shop, records)
    return every[every["cut"].isin(_kept(which, shop, records, wanted)["id"])]


def _charges(wanted: frames.Filters, units: Units) -> None:
    lines = _lines(*_key(), wanted)
    currency = access.shop().settings.currency
    orders = list(dict.fromkeys(lines["work_order"]))
    chosen = st.selectbox(
        "Work order",
        orders,
        index=None,
        format_func=lambda o: o or "without a number",
        placeholder="all of them",
        key="records order",
        persist_state="session",
    )
    mine = lines if chosen is None or chosen not in orders else lines[lines["work_order"] == chosen]
    totals = frames.order_totals(mine)
    cells = st.columns(5)
    cells[0].metric("Work orders", f"{totals['orders']}")
    cells[1].metric("At the machine", f"{totals['hours']:.1f} h", help="Attended and unattended hours.")
    cells[2].metric(
        "Over the agreed depth",
        units.depth(totals["over_mm"]),
        help="Depth beyond what was agreed with the customer, summed over the faces that had an agreed depth.",
    )
    cells[3].metric(f"Inserts ({currency})", f"{totals['edge_money']:.2f}", help="Share of edges' lives, by price.")
    cells[4].metric("Cut again", f"{totals['recuts']}", help="Faces cut more than once within a visit; why, below.")
    table = frames.charge_table(mine, units, currency)
    st.download_button(
        "Charge lines as CSV",
        lambda: _csv_of(table),
        file_name=f"charge lines {access.now():%Y-%m-%d}.csv",
        mime="text/csv",
        icon=":material/download:",
        on_click="ignore",
    )
    st.dataframe(
        frames.charge_view(mine.head(_PAGE), units, currency),
        hide_index=True,
        width="stretch",
        column_config={"When": st.column_config.DatetimeColumn(format="DD MMM YYYY")},
    )
    more = f"The newest {_PAGE} of {len(mine)} lines; the file holds all. " if len(mine) > _PAGE else ""
    st.caption(
        more
        + "Hours: a person's + the machine's alone. Over agreed is empty where no depth was agreed. Owner and every "
        "figure in a column of its own: in the file. What is charged is yours to decide."
    )


def _csv_of(table: pd.DataFrame) -> bytes:
    from planner.store import export_frame

    return export_frame(table)
