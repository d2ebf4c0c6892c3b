"""The shop: families, machines, people, tooling, recipes, gaskets, calendar, settings, data."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from planner.screens import (
    access,
    shop_data,
    shop_engines,
    shop_families,
    shop_machines,
    shop_people,
    shop_recipes,
    shop_settings,
    shop_tooling,
)
from planner.screens.said import say
from planner.shop import Shop
from planner.store import Kind
from planner.units import Units

SECTION = "shop section"
_SECTIONS: dict[str, Callable[[Shop, Units], None]] = {
    "Families": shop_families.draw,
    "Engines": shop_engines.draw,
    "Machines": shop_machines.draw,
    "People": shop_people.draw,
    "Cutters": shop_tooling.draw_cutters,
    "Insert grades": shop_tooling.draw_grades,
    "Recipes": shop_recipes.draw,
    "Gaskets": shop_tooling.draw_gaskets,
    "Calendar": shop_people.draw_calendar,
    "Settings": shop_settings.draw,
    "Data": lambda shop, units: shop_data.draw(),
}


def draw() -> None:
    st.title("Shop")
    shop, units = access.shop(), access.units()
    say(far=True)
    following = None
    if access.kind() is Kind.SAMPLE:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.caption("This is the invented sample shop. Change what you like: it lies in a file of its own.")
            if st.session_state.get(SECTION) != "Data":
                shop_data.switch_buttons("top")
    else:
        following = _first_steps(shop)
    section = st.pills(
        "Section",
        list(_SECTIONS),
        default=following or "Families",
        required=True,
        key=SECTION,
        persist_state="session",
        label_visibility="collapsed",
    )
    _SECTIONS[section](shop, units)


def _first_steps(shop: Shop) -> str | None:
    """What a new shop needs before anything can be planned, in the order in which one thing asks for another.

    Returns the section to enter next, None when nothing is missing.
    """
    steps = (
        ("Machines", bool(shop.machines), "the surfacing machine: speeds, hours, how its depth instrument counts"),
        ("People", bool(shop.people), "who runs it, with shifts"),
        ("Insert grades", bool(shop.grades), "the inserts you buy"),
        ("Cutters", any(c.max_rpm for c in shop.cutters.values()), "the cutter, with the rpm marked on its body"),
        ("Recipes", any(r.active for r in shop.recipes.values()), "how a material is cut with a grade"),
        ("Families", bool(shop.families), "a drawing: name, material, size of the face (not needed for a quick job)"),
    )
    if all(done for _, done, _ in steps):
        if not shop.parts:
            with st.container(border=True, horizontal=True, vertical_alignment="center"):
                st.markdown("Everything a plan needs is entered. Next: the parts.", width="content")
                st.page_link(st.session_state["pages"]["parts"], label="Go to Parts", icon=":material/arrow_forward:")
        return None
    following = next(name for name, done, _ in steps if not done)
    with st.container(border=True):
        st.markdown("**What to enter first**, in this order")
        for name, done, what in steps:
            with st.container(horizontal=True, vertical_alignment="center"):
                st.button(
                    name,
                    key=f"first/{name}",
                    type="primary" if name == following else "secondary",
                    icon=":material/check:" if done else None,
                    on_click=_show,
                    args=(name,),
                    width=160,
                )
                st.markdown(f"{what}{' (done)' if done else ''}")
        st.caption("Then the parts: by form, as a quick job, or from a spreadsheet, on the page Parts.")
    return following


def _show(section: str) -> None:
    st.session_state[SECTION] = section
