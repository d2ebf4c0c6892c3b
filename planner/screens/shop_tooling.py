"""Cutters, insert grades, gaskets."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping

import streamlit as st

from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.shop_records import delete_button, money, pick, store_noun, table
from planner.shop import CornerKind, Cutter, Gasket, InsertGrade, Shop
from planner.units import Units

NOT_MARKED = "not marked: refused for planning"


def edit(kind: str, nouns: Mapping[int, object], make: Callable, fields: list[Field], units: Units) -> object | None:
    """Pick one of flat nouns, draw its form with Save and Delete; returns the one picked."""
    word = kind.capitalize()
    with st.container(border=True):
        noun = nouns.get(pick(kind, word, {i: n.name for i, n in nouns.items()}, f"a new {kind}"))
        values = {} if noun is None else {f.name: getattr(noun, f.name) for f in fields}
        form = Form(
            kind, noun.id if noun else None, fields, values, units, access.repository(), noun.version if noun else 0
        )
        form.draw(columns=4)
        form.say()

        def save(found: dict) -> str:
            new = make(**found) if noun is None else dataclasses.replace(noun, **found)
            return store_noun(kind, noun, new, f"{word} {new.name}")

        with st.container(horizontal=True):
            form.button(f"Save {kind}", save)
            if noun is not None:
                delete_button(noun, f"{kind} {noun.name}")
    return noun


def draw_cutters(shop: Shop, units: Units) -> None:
    machines = {i: m.name for i, m in shop.machines.items()}
    grades = {i: g.name for i, g in shop.grades.items()}
    table(
        [
            {
                "Cutter": c.name,
                "Diameter": units.length(c.diameter_mm),
                "Inserts": c.inserts,
                "Marked maximum": NOT_MARKED if c.max_rpm is None else f"{c.max_rpm:g} rpm",
                "Goes on": machines.get(c.machine_id, "any machine"),
                "Sits on now": _sits(shop, c),
                "Carries": grades.get(c.grade_id, "any grade"),
            }
            for c in shop.cutters.values()
        ],
        "No cutter yet. Enter the fly cutter or face mill, with the greatest rpm marked on its body.",
    )
    for cutter in shop.cutters.values():
        if cutter.max_rpm is None:
            st.warning(f"{cutter.name} carries no marked maximum rpm: it is refused for planning until it is entered.")
    edit(
        "cutter",
        shop.cutters,
        Cutter,
        [
            Field("name", "Name", required=True),
            Field("diameter_mm", "Cutting diameter", "length", required=True, help="Across the edges as they run."),
            Field("inserts", "Inserts", "whole", required=True, help="1 for a fly cutter."),
            Field(
                "max_rpm",
                "Marked maximum rpm",
                "number",
                placeholder="not marked",
                help="As marked on the body. Empty: not marked, refused for planning.",
            ),
            Field(
                "machine_id",
                "Goes on",
                "choice",
                options={None: "any machine"} | machines,
                help="The machine it fits. Where it sits now follows from the cuts recorded, or is said on the page Inserts.",
            ),
            Field("grade_id", "Carries the grade", "choice", options={None: "any grade"} | grades),
        ],
        units,
    )


def _sits(shop: Shop, cutter: Cutter) -> str:
    place = shop.cutter_places.get(cutter.id)
    if place is None:
        return "not on record"
    where = shop.machines[place.machine_id].name if place.machine_id in shop.machines else "the shelf"
    return f"{where}, since {place.since:%d %b %Y}"


def draw_grades(shop: Shop, units: Units) -> None:
    currency = shop.settings.currency
    table(
        [
            {
                "Grade": g.name,
                "Corner": f"{g.corner.value} {units.height(g.radius_mm)}"
                + (f", flat {units.height(g.flat_mm)}" if g.flat_mm else ""),
                "Edges": g.positions,
                "Price": money(g.price, currency),
                "Unopened": g.stock,
                "Edges ready": shop.ready_edges.get(i, 0),
                "Lead time": "unknown" if g.lead_days is None else f"{g.lead_days} days",
                "Regrind": money(g.regrind_price, currency),
                "Iron in the face": "may meet it" if shop.meets_iron(i) else "kept from it",
            }
            for i, g in shop.grades.items()
        ],
        "No insert grade yet. Enter what you buy: its corner, how many edges it has, its price.",
    )
    fields = [
        Field("name", "Name", required=True),
        Field("corner", "Corner", "choice", options=CornerKind, required=True),
        Field("radius_mm", "Corner radius", "length", help="Of the arc that makes the face; 1/32 may be typed."),
        Field("flat_mm", "Length of the flat", "length", help="For a wiper."),
        Field("positions", "Usable edges", "whole", required=True, help="Positions before the insert is spent."),
        Field("price", f"Price ({currency})", "number"),
        Field("lead_days", "Lead time (days)", "whole"),
        Field("regrind_price", f"Price of a regrind ({currency})", "number", placeholder="not reground"),
        Field(
            "may_meet_iron",
            "May meet iron in a face",
            "flag",
            help="Iron or steel standing in an aluminium face: seats, fire rings, dowels. Not for diamond. A grade with a "
            "recipe in use for iron may anyway.",
        ),
    ]
    edit("insert grade", shop.grades, InsertGrade, fields, units)
    st.caption("Unopened inserts are received, counted and opened on the page Inserts, so that the ledger knows why.")


def draw_gaskets(shop: Shop, units: Units) -> None:
    table(
        [
            {
                "Gasket": g.name,
                "Crushed": units.height(g.crushed_mm),
                "Bore": units.length(g.bore_mm),
                "Ra": band_words(g.ra_least_um, g.ra_greatest_um, units),
                "Stacked": "may be" if g.may_be_stacked else "no",
            }
            for g in shop.gaskets.values()
        ],
        "No gasket yet. Entered here, a gasket brings its roughness band to the job and its thickness to the engine.",
    )
    edit(
        "gasket",
        shop.gaskets,
        Gasket,
        [
            Field("name", "Name", required=True),
            Field("crushed_mm", "Crushed thickness", "length", required=True),
            Field("bore_mm", "Bore", "length"),
            Field("ra_least_um", "Ra at least", "ra"),
            Field("ra_greatest_um", "Ra at most", "ra"),
            Field("may_be_stacked", "May be stacked", "flag"),
        ],
        units,
    )


def band_words(least_um: float | None, greatest_um: float | None, units: Units) -> str:
    """The roughness band in words."""
    if least_um is None and greatest_um is None:
        return "unknown"
    if least_um is None:
        return f"up to {units.ra(greatest_um)}"
    if greatest_um is None:
        return f"from {units.ra(least_um)}"
    return f"{units.ra(least_um, unit=False)} to {units.ra(greatest_um)}"
