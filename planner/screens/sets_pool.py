"""Loose parts on the shelf: their heights, the pairing that takes least, and making sets of a pair."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from planner import InputError
from planner.match import PoolPlan, pair_parts
from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.kept import kept
from planner.screens.refusals import refused
from planner.screens.said import act, tell
from planner.shop import Shop
from planner.store import set_changes
from planner.units import Units
from planner.week.loose import Pool, PoolChoices, pool_of

_ROW = "pool choices"


def draw(shop: Shop, units: Units) -> None:
    choices = PoolChoices.of(access.repository().get_draft(_ROW))
    pool = _pool(access.kind(), *access.versions(), choices)
    if not pool.tags:
        st.info(
            "No loose part is on the shelf. A part whose state is “on the shelf” and that is in no set comes here: its "
            "best partner is the one whose height after clean-up is nearest."
        )
        return
    tolerance = shop.settings.set_tolerance_mm
    try:
        plan = _plan(access.kind(), *access.versions(), choices, tolerance)
    except InputError as wrong:
        st.error(f"These choices cannot be paired. {refused(wrong, units)}")
        plan = PoolPlan((), 0.0, (), 0.0, (), ())
    _saving(plan, units)
    _pairs(shop, pool, plan, units)
    for tag, why in pool.without.items():
        st.caption(f"{tag} is not paired: {why}.")
    _choices(pool, choices)
    with st.expander("All loose parts", expanded=not plan.pairs):
        st.dataframe(_parts(shop, pool, units), hide_index=True, width="stretch")


@kept(8)
def _pool(which, version: int, records: int, choices: PoolChoices) -> Pool:
    return pool_of(access.shop(), access.knowledge(), choices)


@kept(8, show_spinner="Pairing the loose parts …")
def _plan(which, version: int, records: int, choices: PoolChoices, tolerance_mm: float) -> PoolPlan:
    return pair_parts(_pool(which, version, records, choices).parts, tolerance_mm)


def _saving(plan: PoolPlan, units: Units) -> None:
    if not plan.pairs:
        st.write("No two loose parts go together.")
        return
    cells = st.columns(3)
    unit = units.depth_unit
    cells[0].metric(f"Cut away to match, this pairing ({unit})", units.depth(plan.extra_mm, unit=False), border=True)
    first = units.depth(plan.arrival_extra_mm, unit=False)
    cells[1].metric(f"… paired as they came in ({unit})", first, border=True)
    cells[2].metric(f"Saved ({unit})", units.depth(plan.saved_mm, unit=False), border=True)


def _pairs(shop: Shop, pool: Pool, plan: PoolPlan, units: Units) -> None:
    for pair in plan.pairs:
        with st.container(border=True):
            first, second = pool.tags[pair.first], pool.tags[pair.second]
            stays = " :blue-badge[stays together]" if pair.together else ""
            st.markdown(f"**{pair.first} with {pair.second}** · {shop.family_of(first).name}{stays}")
            heights = " and ".join(units.height(pool.heights_mm[t]) for t in (pair.first, pair.second))
            st.write(
                f"Heights {heights}; after clean-up likely {units.depth(abs(pair.difference_mm))} apart; "
                f"{units.depth(pair.extra_mm)} to be cut away on average to match them."
            )
            fields = (Field("engine_serial", "For engine", required=True), Field("due", "Due", "moment"))
            values = {"engine_serial": first.engine_serial or second.engine_serial}
            form = Form("pair", f"{first.id}+{second.id}", fields, values, units, access.repository())
            form.draw(columns=2)
            form.say()
            form.button("Make a matched set of them", lambda v, p=pair: _make(shop, p, v), primary=False)


def _make(shop: Shop, pair, values: dict) -> str:
    tags = (pair.first, pair.second)
    serial, due = values["engine_serial"], values["due"]
    matched = set_changes.pair_loose(access.repository(), shop, tags, serial, due, access.who(), access.now())
    tell(f"{matched.name}: {pair.first} and {pair.second} are a set, their jobs are in the queue.")
    return ""


# -- what the lead asks of the pairing ---------------------------------------------------------------------------------
def _choices(pool: Pool, choices: PoolChoices) -> None:
    st.markdown("**Your choices**")
    tags = sorted(pool.tags)
    left, right = st.columns(2)
    left.multiselect(
        "Leave out",
        tags,
        default=[t for t in choices.leave_out if t in pool.tags],
        key=f"pool out/{hash(choices)}",
        on_change=_leave_out,
        args=(choices, f"pool out/{hash(choices)}"),
    )
    with right:
        for a, b in choices.together:
            st.button(
                f"{a} and {b} stay together: part them", key=f"part/{a}/{b}", on_click=_part, args=(choices, (a, b))
            )
        free = [t for t in tags if all(t not in pair for pair in choices.together)]
        pair = st.multiselect("Must stay together", free, max_selections=2, key=f"pool pair/{hash(choices)}")
        st.button(
            "Keep these two together",
            disabled=len(pair) != 2,
            on_click=act,
            args=(_together, pool, choices, tuple(pair)),
        )


def _keep(choices: PoolChoices) -> None:
    access.repository().put_draft(_ROW, choices.payload(), access.now())


def _leave_out(choices: PoolChoices, key: str) -> None:
    _keep(PoolChoices(choices.together, tuple(st.session_state[key])))


def _part(choices: PoolChoices, pair: tuple[str, str]) -> None:
    _keep(PoolChoices(tuple(p for p in choices.together if p != pair), choices.leave_out))


def _together(pool: Pool, choices: PoolChoices, pair: tuple[str, str]) -> str:
    wanted = PoolChoices((*choices.together, pair), choices.leave_out)
    pair_parts(pool_of(access.shop(), access.knowledge(), wanted).parts, access.shop().settings.set_tolerance_mm)
    _keep(wanted)
    return f"{pair[0]} and {pair[1]} stay together."


def _parts(shop: Shop, pool: Pool, units: Units) -> pd.DataFrame:
    rows = []
    finals = {p.name: p for p in pool.parts}
    for tag, part in pool.tags.items():
        loose = finals.get(tag)
        rows.append(
            {
                "Part": tag,
                "Family": shop.family_of(part).name,
                "Side": (loose.side if loose else None) or "either",
                "Condition": part.condition.value,
                "Height": units.height(pool.heights_mm.get(tag)),
                "Likely clean-up": units.depth(pool.removals_mm.get(tag)),
                "Height after it": units.height(loose.final_mm if loose else None),
                "Left above the limit": "no limit known, ask"
                if loose is None or loose.least_mm is None
                else units.depth(loose.final_mm - loose.least_mm, down=True),
            }
        )
    return pd.DataFrame(rows)
