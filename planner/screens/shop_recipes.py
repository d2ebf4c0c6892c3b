"""Recipes: cutting data per material and insert grade. Magnesium is a proposal until somebody signs it by name."""

from __future__ import annotations

import dataclasses

import pandas as pd
import streamlit as st

from planner import InputError
from planner.cut import spindle_speed, table_feed
from planner.screens import access
from planner.screens.forms import Field, Form
from planner.screens.said import act, tell
from planner.screens.shop_records import delete_button, pick, store_noun, table
from planner.sheets.cautions import DEFER, cautions
from planner.shop import MATERIALS, Cutter, Recipe, Shop, recipe_speeds
from planner.units import Units

_MATERIALS = {m.key: m.name for m in MATERIALS.values()}
BY_SPEED, BY_RPM = "surface speed and feed per revolution", "rpm and feed per minute"
_RPM_FIELDS = ("cutter_id", "rpm", "rough_table_feed", "finish_table_feed")
_SPEED_FIELDS = ("speed_m_min", "rough_feed_mm", "finish_feed_mm")


def draw(shop: Shop, units: Units) -> None:
    table(
        [_row(r, shop, units) for r in shop.recipes.values()],
        "No recipe yet. A recipe says how one material is cut with one insert grade."
        + ("" if shop.grades else " Enter an insert grade first."),
    )
    if not shop.grades:
        return
    names = {i: recipe_name(r, shop) for i, r in shop.recipes.items()}
    with st.container(border=True):
        recipe = shop.recipes.get(pick("recipe", "Recipe", names, "a new recipe"))
        _form(recipe, shop, units)
    if recipe is not None:
        if recipe.material == "magnesium" and not recipe.active:
            _sign(recipe, units)
        _speeds(recipe, shop, units)


def recipe_name(recipe: Recipe, shop: Shop) -> str:
    """ "grey iron with boron nitride"."""
    grade = shop.grades.get(recipe.grade_id)
    return f"{_MATERIALS[recipe.material]} with {grade.name if grade else 'a grade not in use'}"


def _state(recipe: Recipe) -> str:
    if recipe.active:
        return f"in use, signed {recipe.signed_by}" if recipe.signed_by else "in use"
    return "proposal, not signed" if recipe.material == "magnesium" else "not in use"


def _row(recipe: Recipe, shop: Shop, units: Units) -> dict:
    return {
        "Recipe": recipe_name(recipe, shop),
        "State": _state(recipe),
        "Surface speed": units.speed(recipe.speed_m_min),
        f"Feeds ({units.feed_unit})": f"{units.feed(recipe.rough_feed_mm, unit=False)}, "
        f"finishing {units.feed(recipe.finish_feed_mm, unit=False)}",
        f"Passes ({units.depth_unit})": f"{units.depth(recipe.least_pass_mm, unit=False)} to "
        f"{units.depth(recipe.greatest_pass_mm, unit=False)}, usual {units.depth(recipe.usual_pass_mm, unit=False)}",
        f"Finishing ({units.depth_unit})": units.depth(recipe.finish_pass_mm, unit=False),
        "Kiss pass": "yes" if recipe.kiss_pass else "no",
        "Fluid": recipe.fluid,
    }


def _fields(shop: Shop) -> list[Field]:
    cutters = {i: c.name for i, c in shop.cutters.items()}
    return [
        Field("material", "Material", "choice", options=_MATERIALS, required=True),
        Field("grade_id", "Insert grade", "choice", options={i: g.name for i, g in shop.grades.items()}, required=True),
        Field("speed_m_min", "Surface speed", "speed"),
        Field("rough_feed_mm", "Roughing feed per insert", "feed"),
        Field("finish_feed_mm", "Finishing feed per insert", "feed"),
        Field("cutter_id", "For the cutter", "choice", options=cutters),
        Field("rpm", "Speed (rpm)", "number"),
        Field("rough_table_feed", "Roughing feed", "table_feed"),
        Field("finish_table_feed", "Finishing feed", "table_feed"),
        Field("least_pass_mm", "Least pass", "depth", required=True),
        Field("usual_pass_mm", "Usual pass", "depth", required=True),
        Field("greatest_pass_mm", "Greatest pass", "depth", required=True),
        Field("rough_greatest_mm", "Greatest roughing pass", "depth"),
        Field("finish_pass_mm", "Finishing pass", "depth", required=True),
        Field("kiss_pass", "Kiss pass first", "flag", help="One traverse at zero depth, to see where it touches."),
        Field("fluid", "Fluid", placeholder="dry, mist, …"),
        Field(
            "capacity_path_mm",
            "Path one edge lasts",
            "way",
            placeholder="starting value",
            help="In metal, at this speed.",
        ),
        Field(
            "taylor_n",
            "Wear against speed, exponent n",
            "number",
            required=True,
            help="Of V × Tⁿ = C. 1 is neutral: an edge lasts the same path at any speed. Less than 1: faster wears it more. "
            "Counts where a machine cannot run the recipe's own speed.",
        ),
        Field("note", "Note", "long"),
    ]


def _form(recipe: Recipe | None, shop: Shop, units: Units) -> None:
    fields = _fields(shop)
    values = (
        {"kiss_pass": True, "taylor_n": 1.0, "grade_id": next(iter(shop.grades)) if len(shop.grades) == 1 else None}
        if recipe is None
        else {f.name: getattr(recipe, f.name, None) for f in fields}
    )
    record = recipe.id if recipe else None
    form = Form("recipe", record, fields, values, units, access.repository(), recipe.version if recipe else 0)
    form.draw("material", "grade_id")
    typed = st.segmented_control(
        "Typed as",
        [BY_SPEED, BY_RPM],
        default=BY_SPEED,
        required=True,
        key=f"shop/{access.kind()}/recipe typed/{record}",
        persist_state="session",
    )
    form.draw(*(_SPEED_FIELDS if typed == BY_SPEED else _RPM_FIELDS), columns=3 if typed == BY_SPEED else 4)
    if typed == BY_RPM:
        _converted(form, shop, units)
    form.draw("least_pass_mm", "usual_pass_mm", "greatest_pass_mm", "rough_greatest_mm", "finish_pass_mm", columns=5)
    form.draw("fluid", "capacity_path_mm", "taylor_n", "kiss_pass", columns=4)
    form.draw("note", columns=1)
    form.say()
    with st.container(horizontal=True):
        form.button("Save recipe", lambda v: _save(recipe, v, typed, shop))
        if recipe is not None:
            if recipe.active:
                st.button("Take out of use", key=f"recipe/off/{recipe.id}", on_click=act, args=(_switch, recipe, False))
            elif recipe.material != "magnesium":
                st.button("Put in use", key=f"recipe/on/{recipe.id}", on_click=act, args=(_switch, recipe, True))
            delete_button(recipe, f"recipe {recipe_name(recipe, shop)}")


def from_rpm(values: dict, cutters: dict[int, Cutter]) -> dict[str, float]:
    """Surface speed and feeds per insert from what was typed for a cutter; raises `InputError` naming the field."""
    cutter = cutters.get(values["cutter_id"])
    if cutter is None:
        raise InputError("cutter_id", "", "the cutter the rpm and the feed were found with")
    for name, what in (("rpm", "the speed"), ("rough_table_feed", "the feed"), ("finish_table_feed", "the feed")):
        if values[name] is None:
            raise InputError(name, "", what)
        if values[name] <= 0:
            raise InputError(name, values[name], "a number above 0")
    if cutter.max_rpm is not None and values["rpm"] > cutter.max_rpm:
        raise InputError("rpm", values["rpm"], f"at most {cutter.max_rpm:g} rpm, what is marked on {cutter.name}")
    speed, rough = recipe_speeds(values["rpm"], values["rough_table_feed"], cutter.diameter_mm, cutter.inserts)
    _, finish = recipe_speeds(values["rpm"], values["finish_table_feed"], cutter.diameter_mm, cutter.inserts)
    return {"speed_m_min": speed, "rough_feed_mm": rough, "finish_feed_mm": finish}


def _converted(form: Form, shop: Shop, units: Units) -> None:
    try:
        found = from_rpm(form.read(), dict(shop.cutters))
    except InputError:
        st.caption("With cutter, rpm and both feeds typed, surface speed and feed per revolution are shown here.")
        return
    st.caption(
        f"That is {units.speed(found['speed_m_min'])}, roughing {units.feed(found['rough_feed_mm'])}, "
        f"finishing {units.feed(found['finish_feed_mm'])} per insert: kept so, for any cutter."
    )


def _save(old: Recipe | None, values: dict, typed: str, shop: Shop) -> str:
    if typed == BY_RPM:
        values |= from_rpm(values, dict(shop.cutters))
    for name in _SPEED_FIELDS:
        if values[name] is None:
            raise InputError(name, "", "a figure, it cannot stay empty")
    kept = {k: v for k, v in values.items() if k not in _RPM_FIELDS}
    said = ""
    if kept["material"] == "magnesium":
        # a signature stands for the figures that were signed: changed ones are a proposal again
        kept |= {"active": False, "signed_by": ""}
        said = " It is a proposal until somebody signs it."
    new = Recipe(**kept) if old is None else dataclasses.replace(old, **kept)
    return store_noun("recipe", old, new, "Recipe " + recipe_name(new, shop), said)


def _switch(recipe: Recipe, active: bool) -> str:
    signed = recipe.signed_by if active else ""
    new = dataclasses.replace(recipe, active=active, signed_by=signed)
    access.repository().save(new, by=access.who(), at=access.now())
    return "The recipe is in use." if active else "The recipe is out of use: nothing is planned with it."


# -- magnesium ---------------------------------------------------------------------------------------------------------
def _sign(recipe: Recipe, units: Units) -> None:
    with st.container(border=True):
        st.markdown("**Sign this magnesium recipe**")
        front, back = cautions("magnesium")
        st.warning("  \n".join(front))
        st.caption(f"{DEFER} Also: {' '.join(back)}")
        st.write(
            "Nothing is planned with this recipe until a person who knows the shop's magnesium practice has checked "
            "every figure above and signs by name."
        )
        fields = [
            Field("signed_by", "Name of the person who signs", required=True),
            Field("read", "I have checked the figures and read the cautions", "flag"),
        ]
        form = Form("recipe sign", recipe.id, fields, {}, units, access.repository(), recipe.version)
        form.draw(columns=2)
        form.say()
        form.button("Sign and put in use", lambda v: _signed(recipe, v))


def _signed(recipe: Recipe, values: dict) -> str:
    if not values["read"]:
        raise InputError("read", "", "the check mark of the person who signs")
    new = dataclasses.replace(recipe, active=True, signed_by=values["signed_by"])
    access.repository().save(new, by=access.who(), at=access.now())
    # a signed recipe has no such form any more that could say it
    tell(f"Signed by {values['signed_by']}: the recipe is in use.")
    return ""


# -- what it comes to --------------------------------------------------------------------------------------------------
def _speeds(recipe: Recipe, shop: Shop, units: Units) -> None:
    rows = []
    for cutter in shop.cutters.values():
        if cutter.grade_id not in (None, recipe.grade_id):
            continue
        rpm = spindle_speed(recipe.speed_m_min, cutter.diameter_mm)
        note = ""
        if cutter.max_rpm is None:
            note = "no marked maximum: refused for planning"
        elif rpm > cutter.max_rpm:
            rpm, note = cutter.max_rpm, "held to the cutter's marked maximum"
        rows.append(
            {
                "Cutter": cutter.name,
                "rpm": round(rpm),
                f"Roughing ({units.table_feed_unit})": units.table_feed(
                    table_feed(recipe.rough_feed_mm, cutter.inserts, rpm), unit=False
                ),
                f"Finishing ({units.table_feed_unit})": units.table_feed(
                    table_feed(recipe.finish_feed_mm, cutter.inserts, rpm), unit=False
                ),
                "": note,
            }
        )
    if rows:
        st.markdown("**What it comes to on your cutters**, before the machine's own speeds and feeds round it")
        st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
