"""The shop's own habits and prices."""

from __future__ import annotations

import dataclasses
from datetime import date

import pandas as pd
import streamlit as st

from planner.screens import access
from planner.screens.forms import Field, Form
from planner.shop import Settings, Shop
from planner.units import System, Units


def draw(shop: Shop, units: Units) -> None:
    settings = shop.settings
    money = f"({settings.currency})"
    fields = [
        Field("shop_name", "Name of the shop", required=True),
        Field("units", "Unit system", "choice", options=System, required=True, help="Of screens, sheets and files."),
        Field("currency", "Currency sign", required=True),
        Field("hourly_rate", f"Shop's rate per hour {money}", "number", required=True),
        Field("rebuild_value", f"A rebuild left in a part is worth {money}", "number", required=True, help=_REBUILD),
        Field("late_price_per_hour", f"An hour late costs {money}", "number", required=True),
        Field("uncleaned_cost", f"A face that cannot be cleaned costs {money}", "number", required=True),
        Field("risk_limit", "Risk taken with an edge", "share", required=True, help=_RISK),
        Field("risk_limit_last", "… on a part's last rebuild", "share", required=True),
        Field("flank_wear_mm", "An edge is worn at a wear land of", "depth", required=True, help=_WORN),
        Field("corrosion_wear", "Corroded skin wears an edge, times", "number", help=_SKIN),
        Field("cast_skin_wear", "Cast skin, times", "number", help=_SKIN),
        Field("weld_wear", "Weld, times", "number", help=_SKIN),
        Field("depth_step_mm", "Depth step", "depth", required=True, help="Depths are shown and planned in this step."),
        Field("paper_mm", "Feeler paper", "depth", required=True, help="Measure yours: ordinary sheets differ."),
        Field("fixed_pass_mm", "The shop's fixed rule, a pass", "depth", required=True, help=_FIXED),
        Field("set_aim_mm", "Heights within a set: aim", "depth", required=True, help="What sets are planned for."),
        Field("set_tolerance_mm", "Heights within a set alike within", "depth", required=True),
        Field("set_stop_mm", "Greatest mismatch in a set", "depth", required=True, help=_STOP),
        Field("height_repeatability_mm", "A height reading repeats within", "depth", required=True),
        Field("wash_cool_minutes", "Cool-down after washing (minutes)", "number", required=True, help=_COOL),
        Field("weld_cool_minutes", "… after weld or straightening (minutes)", "number", required=True, help=_COOL),
        Field("feelers_mm", "Feelers in the drawer", "depths"),
        Field("leaves_mm", "Shim leaves: thickness × count", "depth_counts"),
        Field("learn_from", "Learn from cuts since", "date", help="Empty: from the whole record."),
    ]
    values = {f.name: getattr(settings, f.name) for f in fields}
    values["learn_from"] = date.fromisoformat(settings.learn_from) if settings.learn_from else None
    with st.container(border=True):
        form = Form("settings", 1, fields, values, units, access.repository(), settings.version)
        form.draw("shop_name", "units", "currency")
        st.markdown("**Prices**")
        form.draw("hourly_rate", "rebuild_value", "late_price_per_hour", "uncleaned_cost")
        st.markdown("**Edges**")
        form.draw("risk_limit", "risk_limit_last", "flank_wear_mm")
        form.draw("corrosion_wear", "cast_skin_wear", "weld_wear")
        st.markdown("**Depths and tolerances**")
        form.draw("depth_step_mm", "paper_mm", "fixed_pass_mm")
        form.draw("set_aim_mm", "set_tolerance_mm", "set_stop_mm", "height_repeatability_mm")
        st.markdown("**Cool-down**")
        form.draw("wash_cool_minutes", "weld_cool_minutes")
        st.markdown("**Drawer**")
        form.draw("feelers_mm", "leaves_mm", columns=2)
        form.draw("learn_from")
        form.say()
        form.button("Save settings", lambda v: _save(settings, v))
    if settings == Settings(version=settings.version):
        st.caption("These are starting values, common practice from memory: put in your own.")
    _owners(shop, units)


def _owners(shop: Shop, units: Units) -> None:
    """What a rebuild left is worth to single owners."""
    settings, currency = shop.settings, shop.settings.currency
    known = dict(settings.owner_values)
    with st.container(border=True):
        st.markdown("**Owners who value a rebuild otherwise**")
        if known:
            rows = {"Owner": known.keys(), f"A rebuild left is worth ({currency})": (f"{w:g}" for w in known.values())}
            st.dataframe(pd.DataFrame({k: list(v) for k, v in rows.items()}), hide_index=True, width="content")
        owners = sorted({p.owner for p in shop.parts.values() if p.owner} | set(known), key=str.casefold)
        if not owners:
            st.caption("Owners come with their parts: none is named yet.")
            return
        fields = [
            Field("owner", "Owner", "choice", options=[(o, o) for o in owners], required=True),
            Field("worth", f"A rebuild left is worth ({currency})", "number", help=_OWNER),
        ]
        form = Form("owner value", 1, fields, {}, units, access.repository(), settings.version)
        form.draw(columns=2)
        form.say()
        form.button("Save for this owner", lambda v: _save_owner(settings, v), primary=False)


_REBUILD = "What it is worth to leave one more rebuild in the part: weighs depth against minutes."
_OWNER = (
    "Weighs depth against minutes for this owner's parts. Empty: back to the replacement price or the shop's figure."
)
_WORN = "The greatest even width of worn flank, as read with a loupe; ISO 8688-1 and -2 name different ones."
_SKIN = (
    "How many times as fast a cut in such skin wears an edge. Empty: learned from your own edges, or a starting value "
    "until they say (page How it learned, section Edge life)."
)
_RISK = "The chance of spoiling a face that is accepted before the edge is indexed."
_STOP = "Beyond the tolerance somebody has to agree and is named; beyond this nobody can."
_COOL = (
    "The plan keeps a part off the machine for so long after its gate was signed; 0 = done cold. Three hours is a starting "
    "value, common practice. Taking the part's temperature ends the wait."
)
_FIXED = "What is taken a pass without a plan: the plan is compared with it."


def _save(old: Settings, values: dict) -> str:
    since = values.pop("learn_from")
    new = dataclasses.replace(old, learn_from=since.isoformat() if since else "", **values)
    access.repository().save(new, by=access.who(), at=access.now())
    if new.units is not old.units:
        access.read_in(new.units)
    return "Settings saved."


def _save_owner(old: Settings, values: dict) -> str:
    owner, worth = values["owner"], values["worth"]
    kept = tuple((name, money) for name, money in old.owner_values if name.casefold() != owner.casefold())
    new = kept if worth is None else (*kept, (owner, worth))
    access.repository().save(dataclasses.replace(old, owner_values=new), by=access.who(), at=access.now())
    return (
        f"{owner}: as for everybody." if worth is None else f"{owner}: a rebuild left is worth {old.currency}{worth:g}."
    )
