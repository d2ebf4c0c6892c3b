"""What the sections of the page Shop share: picking a record, storing it, deleting it, hours of the week."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from planner import InputError
from planner.screens import access
from planner.screens.forms import Field
from planner.screens.said import act, tell
from planner.screens.tables import rows_table
from planner.shop import Window

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


# -- records -----------------------------------------------------------------------------------------------------------
def pick_key(kind: str) -> str:
    """State key of the record chosen in a section; each of the two shops has its own."""
    return f"shop/{access.kind()}/{kind}"


NEW = 0


def pick(kind: str, label: str, names: Mapping[int, str], new: str) -> int | None:
    """Choose a record by name; None for a new one. A new one is what is shown where there is none yet."""
    key = pick_key(kind)
    if st.session_state.get(key, NEW) not in (NEW, *names):
        st.session_state[key] = NEW
    chosen = st.selectbox(
        label,
        [NEW, *names],
        format_func=lambda i: new if i == NEW else names.get(i, "deleted"),
        key=key,
        persist_state="session",
        width=420,
        # a widget whose value was put into the state must not be given one, too
        **({} if key in st.session_state else {"index": 1 if names else 0}),
    )
    return chosen or None


def store_noun(kind: str, old: Any, new: Any, name: str, more: str = "") -> str:
    """Store a new or changed noun and choose it; returns what the form is to say. For use in a form's callback."""
    store = access.repository()
    if old is None:
        stored = store.add(new, by=access.who(), at=access.now())
        st.session_state[pick_key(kind)] = stored.id
        # the form of the new record gives way to the stored one's: the page says it
        tell(f"{name} added.{more}")
        return ""
    store.save(new, by=access.who(), at=access.now())
    return f"{name} saved.{more}"


def delete_button(noun: Any, name: str) -> None:
    """Delete after a second press; refused in words while anything refers to it."""
    with st.popover("Delete …", type="tertiary"):
        st.write(f"Delete {name} for good? Refused while parts, jobs or records refer to it.")
        st.button(
            f"Delete {name}", key=f"delete/{access.kind()}/{name}/{noun.id}", on_click=act, args=(_delete, noun, name)
        )


def _delete(noun: Any, name: str) -> str:
    access.repository().delete(noun)
    return f"{name} deleted."


def table(rows: Sequence[Mapping[str, Any]], empty: str) -> None:
    """An overview; what to do where there is nothing to show."""
    if not rows:
        st.info(empty)
        return
    st.dataframe(rows_table(rows), hide_index=True, width="stretch", height=min(420, 38 + 35 * len(rows)))


def money(value: float | None, currency: str) -> str:
    return (
        "unknown" if value is None else f"{currency}{value:,.0f}" if value == int(value) else f"{currency}{value:,.2f}"
    )


# -- hours of the week -------------------------------------------------------------------------------------------------
HOURS_HELP = (
    "From and to, breaks after it: “7:00-15:30, 11:30-12:00”, or the hours worked: “7:00-11:30, 12:00-15:30”. A second "
    "shift after a semicolon. “same” repeats the day before. Empty: not working."
)
HOURS_BRIEFLY = "Such as “7:00-11:30, 12:00-15:30”; “same” repeats the day before; empty: not working."
_SPAN = re.compile(r"^(\d{1,2})(?::?(\d{2}))?\s*(?:-|–|to)\s*(\d{1,2})(?::?(\d{2}))?$")


def hour_fields() -> list[Field]:
    """One field a weekday."""
    return [Field(f"day{i}", day, help=HOURS_HELP, placeholder="not working") for i, day in enumerate(DAYS)]


def hour_values(windows: Sequence[Window]) -> dict[str, str]:
    """The text of each weekday's field."""
    found = {}
    for day in range(7):
        own = [w for w in windows if w.weekday == day]
        found[f"day{day}"] = "; ".join(", ".join(_span(a, b) for a, b in _spans(w)) for w in own)
    for day in range(6, 0, -1):
        if found[f"day{day}"] and found[f"day{day}"] == found[f"day{day - 1}"]:
            found[f"day{day}"] = "same"
    return found


def read_hours(values: Mapping[str, Any]) -> tuple[Window, ...]:
    """The week's windows from the fields' texts; raises `InputError` naming the day's field."""
    found: list[Window] = []
    before: list[Window] = []
    for day in range(7):
        name = f"day{day}"
        said = (values.get(name) or "").strip()
        if said.lower() == "same":
            if day == 0:
                raise InputError(name, said, "Monday's own hours, such as 7:00-15:30")
            own = [Window(day, w.start_minute, w.end_minute, w.breaks) for w in before]
        else:
            own = [_window(name, day, piece) for piece in said.split(";") if piece.strip()]
        for first, second in zip(own, own[1:], strict=False):
            if second.start_minute < first.end_minute:
                raise InputError(name, said, "shifts in order, not overlapping")
        found += own
        before = own
    return tuple(found)


def _window(name: str, day: int, piece: str) -> Window:
    spans = [_minutes(name, part) for part in piece.split(",") if part.strip()]
    if len(spans) > 1 and spans[1][0] >= spans[0][1]:
        # hours worked, one after the other: the breaks are what lies between them
        breaks = tuple((first[1], second[0]) for first, second in zip(spans, spans[1:], strict=False))
        spans = [(spans[0][0], spans[-1][1]), *(b for b in breaks if b[0] != b[1])]
    try:
        return Window(day, *spans[0], tuple(spans[1:]))
    except InputError:
        raise InputError(
            name,
            piece.strip(),
            "from and to on one day, then its breaks in order and inside it (7:00-15:30, 11:30-12:00), or the hours "
            "worked in order (7:00-11:30, 12:00-15:30)",
        ) from None


def _minutes(name: str, said: str) -> tuple[int, int]:
    match = _SPAN.match(said.strip())
    if not match:
        raise InputError(name, said.strip(), "hours such as 7:00-15:30, 11:30-12:00 (the break)")
    a, b, c, d = (int(g or 0) for g in match.groups())
    if max(b, d) > 59 or max(a * 60 + b, c * 60 + d) > 24 * 60:
        raise InputError(name, said.strip(), "a time of day from 0:00 to 24:00")
    return a * 60 + b, c * 60 + d


def _spans(window: Window) -> list[tuple[int, int]]:
    """The hours worked, as the fields' example has them. A break that touches an end of the shift has none on its far
    side: such a window is told by its ends and its breaks."""
    ends = [window.start_minute, *(minute for one in window.breaks for minute in one), window.end_minute]
    worked = list(zip(ends[::2], ends[1::2], strict=True))
    if all(a < b for a, b in worked):
        return worked
    return [(window.start_minute, window.end_minute), *window.breaks]


def _span(start: int, end: int) -> str:
    return f"{start // 60}:{start % 60:02d}-{end // 60}:{end % 60:02d}"


def hours_a_week(windows: Sequence[Window]) -> str:
    """Working hours a week, breaks taken off."""
    minutes = sum(w.minutes for w in windows)
    return f"{minutes / 60:.1f} h a week" if windows else "no hours entered: nothing can be planned"
