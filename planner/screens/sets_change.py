"""The habits of one set, and what leaves it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from planner.screens import access, words
from planner.screens.forms import Field, Form
from planner.screens.said import act
from planner.shop import MatchedSet, PartState, Shop
from planner.store import set_changes
from planner.units import Units
from planner.week.set_view import SetView

FIELDS = (
    Field("name", "Name", required=True),
    Field("tolerance_mm", "Heights within", "depth", required=True, help="What counts as matched."),
    Field("aim_mm", "Aim", "depth", help="What is planned for; empty: the shop's aim."),
    Field("stop_mm", "Greatest mismatch", "depth", help="More than this nobody can agree to; empty: the shop's."),
    Field("relative_to_nominal", "Compare with each family's new height", "flag", help="Where left and right differ."),
    Field("gang", "On the table together", "flag", help="Levelled one by one, cut by the same traverse."),
    Field("same_blocks", "Same blocks, same zero", "flag", help="The second is cut to the reading of the first."),
    Field("accepted_mismatch_mm", "Mismatch agreed to", "depth", placeholder="none"),
    Field("accepted_by", "Agreed by"),
    Field("split_agreed_by", "May go to different machines: agreed by", help="Empty: machine, cutter and edge stay."),
)


def draw(shop: Shop, view: SetView, units: Units) -> None:
    matched = view.matched
    scrapped = [j for j in matched.job_ids if shop.part_of(shop.jobs[j]).state is PartState.SCRAPPED]
    if scrapped:
        st.error(f"{', '.join(words.job_name(shop, j) for j in scrapped)} is scrapped.")
        st.button("Free its partner for another", on_click=act, args=(_free, shop, matched), type="primary")
    with st.expander("Change this set", on_change="rerun", key=f"change/{matched.id}") as opened:
        if not opened.open:
            return
        values = {f.name: getattr(matched, f.name) for f in FIELDS}
        usual = {"aim_mm": shop.settings.set_aim_mm, "stop_mm": shop.settings.set_stop_mm}
        fields = [
            replace(f, placeholder=f"the shop's: {units.depth(usual[f.name])}" if f.name in usual else f.placeholder)
            for f in FIELDS
        ]
        form = Form("set", matched.id, fields, values, units, access.repository(), version=matched.version)
        form.draw("name", "tolerance_mm", "aim_mm", "stop_mm", columns=4)
        form.draw("relative_to_nominal", "gang", "same_blocks", columns=3)
        form.draw("accepted_mismatch_mm", "accepted_by", "split_agreed_by", columns=3)
        form.say()
        form.button("Store the set", lambda v: _store(matched, v))


def _store(matched: MatchedSet, values: dict[str, Any]) -> str:
    access.repository().save(replace(matched, **values), by=access.who(), at=access.now())
    return "The set is stored. Its cuts are planned anew."


def _free(shop: Shop, matched: MatchedSet) -> str:
    freed = set_changes.free_partners(access.repository(), shop, matched, access.who(), access.now())
    if not freed:
        return "The scrapped member left the set; the others stay together."
    return f"{', '.join(freed)} is with the loose parts, held until it has a partner."
