"""What people do to an edge: index, replace, chipped, cleaned, taken out, its wear read, the cutter moved; and undo."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import streamlit as st

from planner.edge import (
    Chipped,
    Cleaned,
    Edge,
    EdgeState,
    End,
    Event,
    Fitted,
    Indexed,
    InsertPlace,
    Ledger,
    Mounted,
    Replaced,
    Reversed,
    TakenOut,
    WearRead,
)
from planner.screens import access
from planner.screens.edge_choices import Choice, all_at_once, changes, new_label
from planner.screens.said import act
from planner.shop import JobState

WHY = {
    "by rule, before it spoils a face": End.BY_RULE,
    "worn": End.WORN,
    "looks worn": End.LOOKED_WORN,
    "finish lost": End.FINISH_LOST,
    "lost": End.LOST,
}
# Common practice, no source: what the minutes of an index go into, as shares of them
INDEXING = (
    ("Stop the spindle and lock it out. Loosen the insert, clean pocket and seat, look for a burr.", 0.2),
    ("Turn to the fresh edge, seat it, tighten to the torque on the cutter.", 0.1),
    ("Several inserts: indicate the height of each against its mates.", 0.2),
    ("Touch off again on the cut face; the depth already taken stays as it is.", 0.3),
    ("First pass at the depth reached, then look: no step, the finish as before.", 0.2),
)


def store(event: Event, seen: int, words: str) -> str:
    """Store one change; the ledger refuses what cannot be, and tells when somebody was first."""
    access.repository().add_edge_event(event, seen)
    return words


def moment() -> dict:
    return {"at": datetime.now().replace(microsecond=0), "by": access.who()}


def loose_edges(ledger: Ledger, grade: str) -> list[tuple[str, int]]:
    """Unused edges of opened inserts that lie in the drawer: (label, position); of those never fitted yet, which the
    ledger meets at their first fitting, the first."""
    shop = access.shop()
    opened = [
        (item.label, 1)
        for item in shop.inserts.values()
        if item.label not in ledger.inserts and not item.scrapped and shop.grades[item.grade_id].name == grade
    ]
    return opened + [
        (insert.label, edge.position)
        for insert in ledger.inserts.values()
        if insert.grade == grade and insert.place is InsertPlace.DRAWER
        for edge in insert.edges
        if edge.state is EdgeState.UNUSED
    ]


def draw() -> None:
    ledger = access.ledger()
    pockets = [(c, i + 1) for c, held in ledger.pockets.items() for i in range(len(held))]
    if not pockets:
        st.info("No cutter is entered yet: see the page Shop.")
        return
    filled = [p for p in pockets if ledger.pockets[p[0]][p[1] - 1] is not None]
    pockets = [*filled, *(p for p in pockets if p not in filled)]
    several = {c for c, held in ledger.pockets.items() if len(held) > 1}
    left, right = st.columns([3, 2], gap="medium")
    with left, st.container(border=True):
        cutter, pocket = st.selectbox(
            "Cutter",
            pockets,
            format_func=lambda k: f"{k[0]}, pocket {k[1]}" if k[0] in several else k[0],
            key="pocket",
            persist_state="session",
        )
        if ledger.pockets[cutter][pocket - 1] is None:
            _fit(ledger, cutter, pocket)
        else:
            _change(ledger, cutter, pocket)
    with right:
        with st.container(border=True):
            total, origin = access.knowledge().index_minutes()
            st.markdown(f"**An index, step by step: {total:.0f} min**", help=origin.words)
            st.markdown("\n".join(f"1. {words} *{share * total:.0f} min*" for words, share in INDEXING))
        _undo(ledger)


def _change(ledger: Ledger, cutter: str, pocket: int) -> None:
    held = ledger.pockets[cutter][pocket - 1]
    insert, edge = ledger.inserts[held.insert], ledger.edge_in(cutter, pocket)
    told = edge.state is EdgeState.RETIRED
    place = ledger.machines[cutter]
    where = f". The cutter has been on {place[0]} since {place[1]:%d %b %Y}" if place else ""
    state = f", **{edge.end}**: nothing is cut until it is changed" if told else ""
    often = "once" if edge.cleanings == 1 else f"{edge.cleanings} times"
    cleaned = f", cleaned {often}" if edge.cleanings else ""
    st.markdown(
        f"In it: **{held.insert} position {held.position}** of {len(insert.edges)}, {insert.grade}, since "
        f"{held.since:%d %b %Y}{cleaned}{state}{where}"
    )
    _under_way(cutter)
    end = None
    if not told:
        end = WHY[st.selectbox("Why it is changed", list(WHY), key="index reason", persist_state="session")]
    same = [e.position for e in insert.edges if e.state is EdgeState.UNUSED and e.position != held.position]
    fresh: dict[str, int] = {}
    for label, position in loose_edges(ledger, insert.grade):
        fresh.setdefault(label, position)  # an insert back from regrind has several: the others come by indexing
    seen, base = len(ledger.log), {"cutter": cutter, "pocket": pocket, "insert": held.insert}
    with st.container(horizontal=True):
        for position in same[:2]:
            _button(
                f"Index to position {position}",
                Indexed(**base, **moment(), from_position=held.position, to_position=position, end=end),
                seen,
                f"Indexed to position {position}: the next cut counts on it; touch off again.",
                first=position == same[0],
            )
        for label, position in list(fresh.items())[:2]:
            _button(
                f"Replace with {label}",
                Replaced(**base, **moment(), end=end, new_insert=label, new_position=position),
                seen,
                f"{label} is in; touch off again.",
                first=not same and label == next(iter(fresh)),
            )
        _all(ledger, cutter, end or End.BY_RULE, seen)
    if not same and not fresh:
        if not ledger.drawer.get(insert.grade):
            st.warning("No fresh edge of this grade is at hand: tell of a delivery under “Drawer and orders”.")
        else:
            label = new_label(ledger, insert.grade)
            wanted = {pocket: ("replace", label, 1)}
            st.button(
                f"Replace with a new insert, labelled {label}",
                type="primary",
                key="edge/new",
                on_click=act,
                args=(_index_all, cutter, wanted, end or End.BY_RULE, seen),
            )
    if told:
        return
    st.caption("Or, without a change of edge:")
    with st.container(horizontal=True):
        _button("Chipped", Chipped(**base, **moment()), seen, f"{held.insert} is marked chipped: change it now.")
        _button("Cleaned and put back", Cleaned(**base, **moment()), seen, "Cleaned: its life goes on.")
        _button("Taken out", TakenOut(**base, **moment(), end=End.JOB_END), seen, "Out: it may go on later.")
    _wear(edge, base, seen)
    _mount(ledger, cutter, seen)


def _under_way(cutter: str) -> None:
    """Where a job is cut with it now, the run sheet is the place: it asks for the touch-off."""
    shop, queue = access.shop(), access.queue()
    for job_id, estimate in queue.estimates.items():
        running = shop.jobs[job_id].state is JobState.RUNNING
        if running and estimate.setup is not None and estimate.setup.cutter.name == cutter:
            tag = shop.part_of(shop.jobs[job_id]).tag
            st.warning(f"{tag} is under way with it: tell of its edge on the run sheet, which asks for the touch-off.")


def _all(ledger: Ledger, cutter: str, end: End, seen: int) -> None:
    """The edges of a cutter wear alike: all of its pockets in one go."""
    pockets = [i + 1 for i, held in enumerate(ledger.pockets[cutter]) if held is not None]
    for words, wanted in all_at_once(ledger, cutter, pockets).items() if len(pockets) > 1 else ():
        st.button(
            f"Index all {len(pockets)} pockets",
            key="edge/all",
            help=f"{words[:1].upper()}{words[1:]}.",
            on_click=act,
            args=(_index_all, cutter, wanted, end, seen),
        )


def _index_all(cutter: str, wanted: Mapping[int, Choice], end: End, seen: int) -> str:
    events = changes(access.ledger(), cutter, wanted, end, **moment())
    access.repository().add_edge_events(events, seen)
    many = f"{len(events)} edges changed: height against their mates, then touch off again."
    return many if len(events) > 1 else "The insert is changed; touch off again."


def _button(label: str, event: Event, seen: int, words: str, first: bool = False) -> None:
    kind = "primary" if first else "secondary"
    st.button(label, type=kind, on_click=act, args=(store, event, seen, words), key=f"edge/{label}")


def _wear(edge: Edge, base: dict, seen: int) -> None:
    with st.expander("Wear land measured", on_change="rerun") as shown:
        if not shown.open:
            return
        units = access.units()
        if edge.readings:
            read = "; ".join(f"{units.depth(r.wear_mm)} on {r.at:%d %b %Y}" for r in edge.readings)
            st.write(f"Read so far: {read}")
        limit = units.depth(access.shop().settings.flank_wear_mm)
        left, right = st.columns([2, 1], vertical_alignment="bottom")
        typed = left.text_input(
            f"Wear land ({units.depth_unit})",
            key=f"wear land/{units.system}",
            placeholder=units.depth(0.12, unit=False),
            help=f"The greatest uniform width on the flank. The shop takes an edge as worn at {limit} (page Shop, "
            "settings): ISO 8688-1 and ISO 8688-2 name different figures. A figure may carry its unit: 0.12 mm.",
        )
        right.button("Keep the reading", on_click=act, args=(_keep_wear, base, seen, typed), key="edge/wear")
        st.caption("Two readings or more on one edge tell where it is heading, and sharpen what is learned.")


def _keep_wear(base: dict, seen: int, typed: str) -> str:
    units = access.units()
    wear = units.read_depth_mm("Wear land", typed)
    said = store(WearRead(**base, **moment(), wear_mm=wear), seen, f"{units.depth(wear)} kept.")
    st.session_state[f"wear land/{units.system}"] = ""
    return said


def _mount(ledger: Ledger, cutter: str, seen: int) -> None:
    with st.expander("Move the cutter to another machine", on_change="rerun") as shown:
        if not shown.open:
            return
        place, shop = ledger.machines[cutter], access.shop()
        st.write(f"On {place[0]} since {place[1]:%d %b %Y}." if place else "On no machine that anybody said.")
        only = next((c.machine_id for c in shop.cutters.values() if c.name == cutter), None)
        with st.container(horizontal=True):
            for key, machine in shop.machines.items():
                if only in (None, key) and (place is None or place[0] != machine.name):
                    there = next((c for c, at in ledger.machines.items() if at and at[0] == machine.name), "")
                    st.button(
                        f"Put on {machine.name}" + (f" in place of {there}" if there else ""),
                        key=f"mount/{machine.name}",
                        on_click=act,
                        args=(_put_on, cutter, machine.name, there, seen),
                    )
            if place is not None:
                _button("On the shelf", Mounted(cutter=cutter, machine="", **moment()), seen, "On the shelf.")
        st.caption("A recorded cut puts its cutter on its machine; say it here when a cutter is changed before that.")


def _put_on(cutter: str, machine: str, there: str, seen: int) -> str:
    down = (Mounted(cutter=there, machine="", **moment()),) if there else ()
    access.repository().add_edge_events((*down, Mounted(cutter=cutter, machine=machine, **moment())), seen)
    return f"{cutter} is on {machine}" + (f", {there} on the shelf." if there else ".")


def _fit(ledger: Ledger, cutter: str, pocket: int) -> None:
    wanted = {g.id: g.name for g in access.shop().grades.values()}
    grade = next((wanted.get(c.grade_id) for c in access.shop().cutters.values() if c.name == cutter), None)
    choices = [c for g in ledger.positions if grade in (None, g) for c in loose_edges(ledger, g)]
    st.write("The pocket is empty.")
    _mount(ledger, cutter, len(ledger.log))
    if not choices:
        st.caption("No loose insert with a fresh edge: open one under “Drawer and orders”.")
        return
    label, position = st.selectbox("Insert", choices, format_func=lambda c: f"{c[0]} position {c[1]}", key="fit")
    event = Fitted(cutter=cutter, pocket=pocket, insert=label, position=position, **moment())
    _button("Fit it", event, len(ledger.log), f"{label} is in.", first=True)


def _undo(ledger: Ledger) -> None:
    """The last change may be taken back, by an entry that reverses it."""
    if not ledger.log:
        return
    last, number = ledger.log[-1], len(ledger.log) - 1
    words = said_of(last)
    st.caption(f"Last entry: {words}, {last.at:%d %b %H:%M}{f' by {last.by}' if last.by else ''}")
    event = Reversed(number=number, **moment())
    st.button("Take the last entry back", on_click=act, args=(store, event, len(ledger.log), f"Taken back: {words}."))


def said_of(event: Event) -> str:
    """An event in a few words."""
    name = getattr(event, "new_insert", "") or getattr(event, "insert", "") or getattr(event, "grade", "")
    name = name or getattr(event, "cutter", "")
    verb = {
        "Received": "received",
        "Counted": "counted",
        "Mounted": "moved",
        "Fitted": "fitted",
        "TakenOut": "taken out",
        "Indexed": "indexed",
        "Replaced": "replaced",
        "Chipped": "chipped",
        "Cleaned": "cleaned and put back",
        "WearRead": "wear land read",
        "SentForRegrind": "sent for regrind",
        "BackFromRegrind": "back from regrind",
        "Scrapped": "scrapped",
    }[type(event).__name__]
    return f"{name} {verb}"
