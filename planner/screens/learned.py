"""How it learned: each belief beside the record it comes from, what the plan saves, and what another speed would cost."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import streamlit as st

from planner import InputError
from planner.cut import compare_with_fixed, fit_check
from planner.cut.course import pass_policy
from planner.cut.finish import STARTING_FLOOR_UM, STARTING_RATIO
from planner.cut.knowledge import edge_life_mm, learn_depth
from planner.cut.work import attended_minutes, learn_work_minutes, start_of, unattended_check
from planner.edge import ends_by_reason, speed_what_if
from planner.screens import access, charts_record, words
from planner.screens.picture import specification
from planner.shop import Shop
from planner.units import Units
from planner.week.learning import chip_range

_SECTIONS = ("Clean-up depth", "Minutes", "Finish", "Edge life", "Passes and worth", "Cutting speed")
_KM = 1e6
_TAYLOR_N = 0.3
"""Neutral starting value: for these grades no published exponent was found."""


def draw() -> None:
    st.title("How it learned")
    shop, units = access.shop(), access.units()
    since = shop.settings.learn_from
    st.caption(f"Learns from cuts since {since}." if since else "Learns from the whole record (page Shop, settings).")
    section = st.segmented_control(
        "Section",
        _SECTIONS,
        default=_SECTIONS[0],
        required=True,
        key="learned section",
        label_visibility="collapsed",
        persist_state="session",
    )
    parts = dict(zip(_SECTIONS, (_depths, _minutes, _finish, _edges, _passes, _speed), strict=True))
    parts[section](shop, units)


def _depths(shop: Shop, units: Units) -> None:
    known = {
        (r.family_id, r.face_id, r.condition): r
        for r in shop.depth_records
        if r.family_id in shop.families and any(f.id == r.face_id for f in shop.families[r.family_id].faces)
    }
    if not known:
        st.info("No cut teaches a clean-up depth yet: all depths are starting values.")
        return

    def name(key) -> str:
        family = shop.families[key[0]]
        return f"{family.name}, {family.face(key[1]).name}, {key[2].value} ({len(known[key].lower_mm)} records)"

    keys = sorted(known, key=lambda k: -len(known[k].lower_mm))
    key = st.selectbox("Face and condition", keys, format_func=name, key="learned depth", persist_state="session")
    spec, origin, likely, allow = _fitted(access.kind(), access.versions()[1], units, key)
    st.vega_lite_chart(spec=spec, width="stretch", alt="Share of parts clean by depth: fit and record")
    st.write(
        f"Likely {units.depth(likely)}, allow {units.depth(allow)}: {origin}. Line: the fit. Band: the record, between "
        "parts seen clean by that depth and parts that may have been. A face with few records leans on others of its "
        "kind, those on the rest of the shop, each worth five records; with many of its own it stands alone."
    )


@st.cache_resource(max_entries=32, show_spinner="Fitting …")
def _fitted(which, records: int, units: Units, key: tuple) -> tuple[dict, str, float, float]:
    shop = access.shop()
    record = next(r for r in shop.depth_records if (r.family_id, r.face_id, r.condition) == key)
    depth = learn_depth(shop, *key)
    places = np.linspace(0.0, float(depth.distribution.ppf(0.995)), 80)[1:]
    check = fit_check(depth.distribution, record.lower_mm, record.upper_mm, places)
    frame = pd.DataFrame(
        {
            "depth": places / units.depth_factor,
            "fitted": check.fitted,
            "surely": check.surely_clean,
            "possibly": check.possibly_clean,
        }
    )
    spec = specification(charts_record.depth_fit(frame, units.depth_unit))
    return spec, depth.origin.words, depth.likely_mm, depth.allow_mm


def _minutes(shop: Shop, units: Units) -> None:
    rows = []
    for family in shop.families.values():
        told, start = access.knowledge().steps(family), attended_minutes(start_of(family), 4, False)
        rows.append(
            {
                "Family": family.name,
                "Starting value (min)": f"{start:.0f}",
                "Likely (min)": f"{attended_minutes(told.steps, 4, False):.0f}",
                "Allow (min)": f"{attended_minutes(told.allowed, 4, False):.0f}",
                "From": told.origin.words,
            }
        )
    st.write("A person's minutes at the machine for a job of four traverses:")
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
    for check in _unattended(access.kind(), access.versions()[1]):
        machine = shop.machines[check.machine_id].name
        st.write(
            f"{machine}, unattended: {check.ratio:.0%} of the computed minutes in the middle, four of five between "
            f"{check.low:.0%} and {check.high:.0%} ({check.records} records)."
        )


@st.cache_resource(max_entries=4, show_spinner="Comparing …")
def _unattended(which, records: int) -> list:
    shop, work = access.shop(), access.learned().work
    return unattended_check(shop, work, learn_work_minutes(shop, work))


def _finish(shop: Shop, units: Units) -> None:
    st.write("Ra = √((ratio × theory)² + floor²); theory follows from feed and corner.")
    rows = [
        {
            "Material": material.replace("_", " "),
            "Grade": shop.grades[grade_id].name,
            "Ratio": f"{model.ratio:.2f}",
            f"Floor ({units.ra_unit})": units.ra(model.floor_um, unit=False),
            "Readings scatter": f"{model.scatter:.0%}",
            "From": model.origin,
        }
        for (material, grade_id), model in access.knowledge().finish.items()
        if grade_id in shop.grades
    ]
    if rows:
        st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
    else:
        st.info("No reading of Ra under a cutter with one insert is recorded yet.")
    st.caption(f"Starting values: ratio {STARTING_RATIO}, floor {units.ra(STARTING_FLOOR_UM)}.")


def _edges(shop: Shop, units: Units) -> None:
    learned = access.learned()
    if not learned.knowledge.edge_lives:
        st.info("No edge on record has cut anything yet: lives are starting values.")
        return
    rows = []
    for grade_id, known in learned.knowledge.edge_lives.items():
        name = shop.grades[grade_id].name
        st.markdown(f"**{name}.** {known.verdict()}.")
        for end, life in (("worn", known.life.worn), ("finish lost", known.life.finish)):
            for i, material in enumerate(known.materials if life is not None else ()):
                rows.append(_life_row(name, material, end, life.capacities[i], life.intervals[i], life.sources[i]))
        if known.life.chips is not None:
            middle, low, high = chip_range(known.life.chips)
            rows.append(_life_row(name, "all", "chipped", middle, (low, high), ""))
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
    counts = ends_by_reason(learned.edges)
    st.caption(
        "Ends on record: "
        + (", ".join(f"{n} {end.value}" for end, n in counts.items()) or "none")
        + f". Ranges hold the truth 95 times of 100. An edge counts as worn at a wear land of "
        f"{units.depth(shop.settings.flank_wear_mm)} where it is measured."
    )


def _life_row(grade, material, end, path, interval, source) -> dict:
    return {
        "Grade": grade,
        "Material": material.replace("_", " "),
        "End": end,
        "Path (km)": f"{path / _KM:.0f}",
        "Between (km)": f"{interval[0] / _KM:.0f} and {interval[1] / _KM:.0f}",
        "From": source,
    }


def _job(shop: Shop):
    """An open job that can be cut, to show figures on."""
    estimates = {j: e for j, e in access.queue().estimates.items() if e.setup is not None}
    if not estimates:
        st.info("No open job can be cut now: figures are shown on one of them.")
        return None
    chosen = st.selectbox(
        "Job",
        list(estimates),
        format_func=lambda j: words.job_name(shop, j),
        key="learned job",
        persist_state="session",
    )
    return estimates[chosen if chosen in estimates else next(iter(estimates))]


def _passes(shop: Shop, units: Units) -> None:
    estimate = _job(shop)
    if estimate is None:
        return
    worth, currency = estimate.worth, shop.settings.currency
    st.metric(f"A rebuild of this part is worth ({currency})", f"{worth.per_rebuild:.0f}", help=worth.origin.words)
    st.caption(worth.origin.words)
    look = access.knowledge().steps(shop.family_of(shop.part_of(shop.jobs[estimate.job_id]))).steps.look
    in_hand = estimate.room.in_hand_mm
    try:
        plan = pass_policy(
            shop,
            estimate.setup,
            estimate.depth,
            look,
            estimate.rebuild_mm,
            math.inf if in_hand is None else in_hand,
            value_per_mm=worth.per_mm,
        )
        rate = (estimate.setup.hourly_rate or shop.settings.hourly_rate) / 60
        found = compare_with_fixed(
            plan.policy.problem,
            plan.schedule,
            shop.settings.fixed_pass_mm,
            pass_minutes=estimate.setup.rough.minutes + look,
            finish_minutes=estimate.setup.finish.minutes + look,
            rebuild_mm=estimate.rebuild_mm,
            tolerance_cost=rate,
        )
    except InputError as wrong:
        st.info(f"Nothing to compare: {wrong.field} should be {wrong.accepted}.")
        return
    fixed = units.depth(shop.settings.fixed_pass_mm)
    if found.as_good:
        st.write(f"The shop's fixed rule of {fixed} a pass is as good here.")
    cells = st.columns(3)
    cells[0].metric("Minutes saved a part", f"{found.minutes_saved:.1f}")
    cells[1].metric("Less over-removal", units.depth(found.over_saved_mm))
    cells[2].metric("Rebuilds saved per hundred parts", f"{found.rebuilds_per_hundred:.0f}")
    st.caption(f"The plan against the fixed rule, {fixed} a pass; below 0 the fixed rule is ahead on that figure.")


def _speed(shop: Shop, units: Units) -> None:
    estimate = _job(shop)
    if estimate is None:
        return
    setup = estimate.setup
    n = st.slider("Taylor exponent n", 0.1, 0.7, _TAYLOR_N, 0.05, key="learned n", persist_state="session")
    path, origin = edge_life_mm(shop, access.knowledge(), setup.recipe.material, setup.grade.id)
    life, feed = path / 1000 / setup.recipe.speed_m_min, setup.finish
    rate = (setup.hourly_rate or shop.settings.hourly_rate) / 60
    contact = min(1.0, feed.path_mm / 1000 / setup.speed_m_min / feed.minutes)
    price = (setup.grade.price or 0.0) / setup.grade.positions * setup.cutter.inserts
    at, c = setup.speed_m_min, setup.recipe.speed_m_min * life**n
    found = speed_what_if(np.linspace(0.5, 2.0, 61) * at, feed.minutes, at, n, c, 10.0, rate, price, contact)
    cells = st.columns(3)
    cells[0].metric("Now", units.speed(at))
    cells[1].metric("Cheapest", units.speed(found.cheapest_m_min))
    cells[2].metric("Fastest", units.speed(found.fastest_m_min))
    shown = found.speeds_m_min / units.speed_factor
    for values, title in ((found.cost, f"a traverse ({shop.settings.currency})"), (found.minutes, "a traverse (min)")):
        now = float(np.interp(at, found.speeds_m_min, values))
        mark = pd.DataFrame({"speed": [at / units.speed_factor], "value": [now], "kind": ["now"]})
        chart = charts_record.speeds(pd.DataFrame({"speed": shown, "value": values}), mark, title, units.speed_unit)
        st.vega_lite_chart(spec=specification(chart), width="stretch", alt=f"{title} against surface speed")
    st.caption(
        f"Edge life: {origin.words}; n is a neutral starting value, set your own. Edge changes take 10 min. The "
        "cutter's marked rpm, the machine and the recipe's own range come first: a speed shown here is no leave to use it."
    )
