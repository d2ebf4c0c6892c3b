"""People with their shifts, and the calendar: closures and overtime offers."""

from __future__ import annotations

import dataclasses
from datetime import date

import streamlit as st

from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.said import act
from planner.screens.shop_records import (
    HOURS_BRIEFLY,
    delete_button,
    hour_fields,
    hour_values,
    hours_a_week,
    money,
    pick,
    read_hours,
    store_noun,
    table,
)
from planner.shop import Closure, Overtime, Person, Shop
from planner.units import Units


def draw(shop: Shop, units: Units) -> None:
    people, machines = shop.people, {i: m.name for i, m in shop.machines.items()}
    currency = shop.settings.currency
    table(
        [
            {
                "Name": p.name,
                "Initials": p.initials,
                "Runs": ", ".join(machines.get(i, "?") for i in p.machine_ids) or "any machine",
                "Shifts": hours_a_week(p.shifts),
                "Rate per hour": "the shop's" if p.hourly_rate is None else money(p.hourly_rate, currency),
            }
            for p in people.values()
        ],
        "Nobody entered yet. Somebody must stand at the machine: without a person with shifts nothing can be planned.",
    )
    with st.container(border=True):
        person = people.get(pick("person", "Person", {i: p.name for i, p in people.items()}, "a new person"))
        fields = [
            Field("name", "Name", required=True),
            Field("initials", "Initials", help="Written beside gates, cuts and edge changes."),
            Field("machine_ids", "Machines", "several", options=machines, placeholder="any machine"),
            Field("hourly_rate", f"Rate per hour ({currency})", "number", placeholder="the shop's"),
            *hour_fields(),
        ]
        values = {}
        if person is not None:
            values = {f.name: getattr(person, f.name, None) for f in fields} | hour_values(person.shifts)
        form = Form(
            "person",
            person.id if person else None,
            fields,
            values,
            units,
            access.repository(),
            person.version if person else 0,
        )
        form.draw("name", "initials", "machine_ids", "hourly_rate", columns=4)
        st.markdown(f"**Shifts** :small[{HOURS_BRIEFLY}]")
        form.draw(*(f"day{i}" for i in range(7)), columns=4)
        form.say()
        with st.container(horizontal=True):
            form.button("Save person", lambda v: _save(person, v))
            if person is not None:
                delete_button(person, f"person {person.name}")


def _save(old: Person | None, values: dict) -> str:
    shifts = read_hours(values)
    kept = {k: v for k, v in values.items() if not k.startswith("day")} | {"shifts": shifts}
    new = Person(**kept) if old is None else dataclasses.replace(old, **kept)
    return store_noun("person", old, new, new.name)


# -- calendar ----------------------------------------------------------------------------------------------------------
def draw_calendar(shop: Shop, units: Units) -> None:
    today = access.now().date()
    left, right = st.columns(2, gap="large")
    with left:
        _closures(shop, units, today)
    with right:
        _overtime(shop, units, today)


def _whom(shop: Shop) -> dict[str, str]:
    return (
        {"shop": "the whole shop"}
        | {f"machine {i}": m.name for i, m in shop.machines.items()}
        | {f"person {i}": p.name for i, p in shop.people.items()}
    )


def _whom_words(shop: Shop, noun: Closure | Overtime) -> str:
    parts = []
    if noun.machine_id is not None:
        parts.append(shop.machines[noun.machine_id].name if noun.machine_id in shop.machines else "a machine")
    if noun.person_id is not None:
        parts.append(shop.people[noun.person_id].name if noun.person_id in shop.people else "a person")
    return ", ".join(parts) or "the whole shop"


def _ids(whom: str) -> dict[str, int | None]:
    kind, _, key = whom.partition(" ")
    return {
        "machine_id": int(key) if kind == "machine" else None,
        "person_id": int(key) if kind == "person" else None,
    }


def _listed(noun: Closure | Overtime, words: str, name: str) -> None:
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(words, width="stretch")
        kind = type(noun).__name__.lower()
        st.button(
            "Delete",
            key=f"{kind}/{access.kind()}/{noun.id}/delete",
            on_click=act,
            args=(_delete, noun, name),
            type="tertiary",
        )


def _delete(noun: Closure | Overtime, name: str) -> str:
    access.repository().delete(noun)
    return f"{name} deleted."


def _closures(shop: Shop, units: Units, today: date) -> None:
    st.subheader("Closed, away")
    coming = sorted((c for c in shop.closures if c.last >= today), key=lambda c: c.first)
    for c in coming:
        days = f"{c.first:%a %d %b %Y}" + ("" if c.last == c.first else f" to {c.last:%a %d %b %Y}")
        _listed(c, f"**{days}**: {c.reason} ({_whom_words(shop, c)})", f"Closure {c.reason}")
    past = len(shop.closures) - len(coming)
    if not coming:
        st.caption("Nothing ahead: every week runs by the hours of machines and people.")
    if past:
        st.caption(f"{past} gone by.")
    fields = [
        Field("first", "First day", "date", required=True),
        Field("last", "Last day", "date", help="Empty: that one day."),
        Field("whom", "Who or what", "choice", options=_whom(shop), required=True),
        Field("reason", "Reason", required=True, placeholder="holiday, service, training"),
    ]
    with st.container(border=True):
        form = Form("closure", None, fields, {"whom": "shop"}, units, access.repository())
        form.draw(columns=2)
        form.say()
        form.button("Add closure", _add_closure)


def _add_closure(values: dict) -> str:
    first, last = values["first"], values["last"] or values["first"]
    access.repository().add(
        Closure(first, last, values["reason"], **_ids(values["whom"])), by=access.who(), at=access.now()
    )
    return "Closure added."


def _end(offer: Overtime) -> str:
    return "%H:%M" if offer.end.date() == offer.start.date() else "%a %d %b %H:%M"


def _overtime(shop: Shop, units: Units, today: date) -> None:
    st.subheader("Overtime offered")
    currency = shop.settings.currency
    coming = sorted((o for o in shop.overtime if o.end.date() >= today), key=lambda o: o.start)
    for o in coming:
        _listed(
            o,
            f"**{o.start:%a %d %b %H:%M} to {o.end:{_end(o)}}**, {money(o.price_per_hour, currency)} an hour on top "
            f"({_whom_words(shop, o)})",
            "Overtime offer",
        )
    if not coming:
        st.caption("None offered. An offer is taken in a plan only where it saves more than it costs.")
    fields = [
        Field("start", "From", "moment", required=True),
        Field("end", "To", "moment", required=True),
        Field("whom", "Who or what", "choice", options=_whom(shop), required=True),
        Field("price_per_hour", f"Price per hour on top ({currency})", "number", required=True),
    ]
    with st.container(border=True):
        form = Form("overtime", None, fields, {"whom": "shop"}, units, access.repository())
        form.draw(columns=2)
        form.say()
        form.button("Add overtime offer", _add_overtime)


def _add_overtime(values: dict) -> str:
    access.repository().add(
        Overtime(values["start"], values["end"], values["price_per_hour"], **_ids(values["whom"])),
        by=access.who(),
        at=access.now(),
    )
    return "Overtime offer added."
