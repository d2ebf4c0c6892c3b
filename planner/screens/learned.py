"""How it learned: each belief beside the record it comes from, what the plan saves, and what another speed would cost."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import streamlit as st

from planner import InputError
from planner.cut import compare_with_fixed, fit_check, starting_depth
from planner.cut.course import pass_policy
from planner.cut.finish import STARTING_FLOOR_UM, STARTING_RATIO
from planner.cut.knowledge import edge_life_mm, learn_depth
from planner.cut.work import (
    CREDIBLE,
    MinuteBook,
    attended_minutes,
    finish_readings,
    learn_work_minutes,
    start_of,
    unattended_check,
)
from planner.edge import ends_by_reason, speed_what_if
from planner.screens import access, charts_record, words
from planner.screens import learned_pictures as pictures
from planner.screens.kept import kept
from planner.screens.picture import specification
from planner.shop import Shop
from planner.units import Units, counted
from planner.week.measured import MISSED_MM, MISSED_START, surveys_cut

_SECTIONS = (
    "Clean-up depth",
    "What surveys miss",
    "Minutes",
    "Finish",
    "Edge life",
    "Passes and worth",
    "Cutting speed",
)
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
    parts = dict(zip(_SECTIONS, (_depths, _missed, _minutes, _finish, _edges, _passes, _speed), strict=True))
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
        return (
            f"{family.name}, {family.face(key[1]).name}, {key[2].value} ({counted(len(known[key].lower_mm), 'record')})"
        )

    keys = sorted(known, key=lambda k: -len(known[k].lower_mm))
    key = st.selectbox("Face and condition", keys, format_func=name, key="learned depth", persist_state="session")
    spec, origin, likely, allow = _fitted(access.kind(), access.versions()[1], units, key)
    st.vega_lite_chart(spec=spec, width="stretch", alt="Share of parts clean by depth: fit and record")
    st.write(
        f"Likely {units.depth(likely)}, allow {units.depth(allow)}: {origin}. Line: the fit. Band: the record, between "
        "parts seen clean by that depth and parts that may have been. A face with few records leans on others of its "
        "kind, those on the rest of the shop, each worth five records; with many of its own it stands alone."
    )


@kept(32, show_spinner="Fitting …")
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


def _missed(shop: Shop, units: Units) -> None:
    missed = access.knowledge().missed or MISSED_START
    likely, allow = units.depth(missed.median_mm), units.depth(starting_depth(missed.median_mm, missed.sigma).ppf(0.8))
    start = f"{units.depth(MISSED_MM)} is the starting value"
    if not missed.records:
        st.info(
            f"No surveyed face was cut yet: a sweep of a few points is taken to miss {likely}, allow {allow}, a starting "
            "value. Sweep a face, then cut it with a look after each pass, and this learns."
        )
        return
    spec, doubt = _missed_drawn(access.kind(), access.versions()[1], units)
    st.vega_lite_chart(spec=spec, width="stretch", alt="Share of surveyed faces clean by depth beyond their survey")
    count = f"{missed.records} surveyed faces that were then cut"
    if missed.records == 1:
        count = "one surveyed face that was then cut"
    st.write(
        f"A sweep misses likely {likely}, allow {allow}: learned from {count}; {start}, worth five of them. Line: the fit, "
        f"with the readings' own doubt of {units.depth(doubt)}. Band: the record, between faces seen clean that far beyond "
        "the depth of their survey and faces that may have been. Left of 0 the survey was deeper than the cut."
    )


@kept(8, show_spinner="Comparing …")
def _missed_drawn(which, records: int, units: Units) -> tuple[dict, float]:
    known = surveys_cut(access.shop(), access.repository().followed_surveys())
    frame = pictures.missed_frame(known, access.knowledge().missed, units)
    chart = charts_record.depth_fit(frame, units.depth_unit, "clean-up beyond the surveyed depth")
    return specification(chart), known.doubt_mm


def _minutes(shop: Shop, units: Units) -> None:
    rows = []
    for family in shop.families.values():
        told, start = access.knowledge().steps(family), attended_minutes(start_of(family), 4, False)
        rows.append(
            {
                "Family": family.name,
                "Fixture": family.fixture,
                "Start (min)": f"{start:.0f}",
                "Likely (min)": f"{attended_minutes(told.steps, 4, False):.0f}",
                "Allow (min)": f"{attended_minutes(told.allowed, 4, False):.0f}",
                "From": told.origin.words,
            }
        )
    st.write("A person's minutes at the machine for a job of four traverses; start: the starting value.")
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
    st.markdown("**Step by step**")
    family_id = st.selectbox(
        "Family",
        list(shop.families),
        format_func=lambda i: shop.families[i].name + (f", {f}" if (f := shop.families[i].fixture) else ""),
        key="learned minutes",
        persist_state="session",
    )
    (kinds, steps), left_out = _steps_told(access.kind(), access.versions()[1], family_id)
    for kind, table in zip(kinds, steps, strict=True):
        st.caption(kind)
        st.dataframe(table, hide_index=True, width="stretch")
    st.caption(
        "Likely: the middle one, so that a clock left running over lunch moves it little; four of five take no longer than "
        "allow, and as many no less than least. Clocked: by taps on run sheets, or typed at the end of a job; a step nobody "
        "clocked follows the job's whole."
    )
    st.caption(
        f"Not taken: minutes below a tenth or above {CREDIBLE:.0f} times the start, for then the clock was not on the work "
        f"(taps made afterwards, one left running). Left out of the shop's record: {pictures.left_out_words(left_out)}."
    )
    st.markdown("**Traverses against the computed minutes**")
    checks = _unattended(access.kind(), access.versions()[1])
    if not checks:
        st.caption("No cut with unattended minutes is recorded yet: traverses count as computed.")
    for check in checks:
        machine = shop.machines[check.machine_id].name
        st.write(
            f"{machine}, unattended: {check.ratio:.0%} of the computed minutes in the middle, four of five between "
            f"{check.low:.0%} and {check.high:.0%} ({counted(check.records, 'record')})."
        )


@kept(32, show_spinner="Sorting the minutes …")
def _steps_told(which, records: int, family_id: int) -> tuple[tuple[tuple, tuple], dict[str, int]]:
    shop, book = access.shop(), MinuteBook(access.shop(), access.learned().work)
    told = book.learn(family_id)
    known = told.total.records.learned or any(c.records.learned for c in told.clocked.values())
    return pictures.step_tables(start_of(shop.families[family_id]), told if known else None), book.left_out


@kept(4, show_spinner="Comparing …")
def _unattended(which, records: int) -> list:
    shop, work = access.shop(), access.learned().work
    return unattended_check(shop, work, learn_work_minutes(shop, work))


def _finish(shop: Shop, units: Units) -> None:
    known = {key: model for key, model in access.knowledge().finish.items() if key[1] in shop.grades}
    if not known:
        st.info("No reading of Ra under a cutter with one insert is recorded yet.")
    else:
        key = st.selectbox(
            "Material and grade",
            list(known),
            format_func=lambda k: f"{k[0].replace('_', ' ')}, {shop.grades[k[1]].name} ({known[k].records} readings)",
            key="learned finish",
            persist_state="session",
        )
        spec = _finish_drawn(access.kind(), access.versions(), units, key if key in known else next(iter(known)))
        st.vega_lite_chart(spec=spec, width="stretch", alt="Ra read against the feed that made it")
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
        for (material, grade_id), model in known.items()
    ]
    if rows:
        st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
    st.caption(f"Starting values: ratio {STARTING_RATIO}, floor {units.ra(STARTING_FLOOR_UM)}.")


@kept(16, show_spinner="Drawing …")
def _finish_drawn(which, versions, units: Units, key: tuple[str, int]) -> dict:
    found = _readings(which, versions)[key]
    points, line = pictures.finish_frames(found, access.knowledge().finish[key], units)
    return specification(charts_record.readings(points, line, units.feed_unit, units.ra_unit))


@kept(2)
def _readings(which, versions) -> dict:
    return finish_readings(access.shop(), access.learned().work)


def _edges(shop: Shop, units: Units) -> None:
    learned = access.learned()
    lives = learned.knowledge.edge_lives
    if not lives:
        st.info("No edge on record has cut anything yet: lives are starting values.")
        return
    for grade_id, known in lives.items():
        st.markdown(f"**{shop.grades[grade_id].name}.** {known.verdict()}.")
    frame, spec = _lives_drawn(access.kind(), access.versions(), access.edge_version(), units)
    st.vega_lite_chart(spec=spec, width="stretch", alt="Path an edge lasts by material and end, with its range")
    ends = ", ".join(f"{n} {end.value}" for end, n in ends_by_reason(learned.edges).items()) or "none"
    st.caption(
        "Dot: learned. Band: holds the truth 95 times of 100. Upright line: starting value. "
        f"Ends on record: {ends}. An edge counts as worn at a wear land of "
        f"{units.depth(shop.settings.flank_wear_mm)} where it is measured."
    )
    st.dataframe(
        pd.DataFrame(
            {
                "Grade": frame["grade"],
                "Material": frame["material"],
                "End": frame["end"],
                f"Path ({units.way_unit})": [
                    f"{v:.0f}, between {a:.0f} and {b:.0f}"
                    for v, a, b in zip(frame["value"], frame["low"], frame["high"], strict=True)
                ],
                "From": frame["source"],
            }
        ),
        hide_index=True,
        width="stretch",
    )
    st.markdown("**Harsh skin**")
    st.dataframe(pictures.skin_table(shop, learned.knowledge), hide_index=True, width="stretch")
    st.caption(
        "The mean over the passes of such a cut, against clean metal; one figure for the shop, fitted together with every "
        "life. An ended edge counts once a twentieth of its path ran in that skin. Set your own on the page Shop, settings."
    )
    st.markdown("**Wear lands read**")
    read = pictures.wear_table(learned.edges, units)
    if read.empty:
        st.caption("None is read on an edge that counts. Read them on the page Inserts, section Change an edge.")
        return
    when = {"When": st.column_config.DatetimeColumn(format="DD MMM YYYY")}
    st.dataframe(read, hide_index=True, width="stretch", column_config=when)


@kept(4)
def _lives_drawn(which, versions, edges: int, units: Units) -> tuple[pd.DataFrame, dict]:
    frame = pictures.life_frame(access.shop(), access.knowledge().edge_lives, units)
    return frame, specification(charts_record.ranges(frame, f"path an edge lasts ({units.way_unit})", log=True))


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
    known = setup.recipe.taylor_n < 1
    start = min(0.7, max(0.1, setup.recipe.taylor_n)) if known else _TAYLOR_N
    name = f"learned n/{setup.recipe.id}/{setup.recipe.version}"
    n = st.slider("Taylor exponent n", 0.1, 0.7, start, 0.05, key=name, persist_state="session")
    best, marks, drawn, origin = _speeds_drawn(access.kind(), access.versions(), units, estimate.job_id, n)
    for cell, (kind, mark) in zip(st.columns(3), marks.items(), strict=True):
        cell.metric(kind.capitalize(), units.speed(mark.speed_m_min))
    held = [
        f"the {kind} would be {units.speed(wanted)}, kept from it by the {marks[kind].held_by}"
        for kind, wanted in (("cheapest", best.cheapest_m_min), ("fastest", best.fastest_m_min))
        if marks[kind].held_by
    ]
    if held:
        st.write(f"On {setup.machine.name} with {setup.cutter.name}: {'; '.join(held)}.")
    for title, spec in drawn:
        st.vega_lite_chart(spec=spec, width="stretch", alt=f"{title} against surface speed")
    told = "starts at the recipe's" if known else "is a neutral starting value, set your own"
    change, clocked = access.knowledge().index_minutes()
    st.caption(
        f"Edge life: {origin.words}; n {told}. Edge changes take "
        f"{change:.0f} min ({clocked.words}). The recipe and the insert's own range come first: a speed shown here is no "
        "leave to use it."
    )


@kept(32, show_spinner="Drawing …")
def _speeds_drawn(which, versions, units: Units, job_id: int, n: float):
    """The best speeds, the marks on the curve, (title, chart) of cost, minutes and life, and where the edge's life is from."""
    shop, setup = access.shop(), access.queue().estimates[job_id].setup
    path, origin = edge_life_mm(shop, access.knowledge(), setup.recipe.material, setup.grade.id)
    life, feed = path / 1000 / setup.recipe.speed_m_min, setup.finish
    rate = (setup.hourly_rate or shop.settings.hourly_rate) / 60
    contact = min(1.0, feed.path_mm / 1000 / setup.speed_m_min / feed.minutes)
    price = (setup.grade.price or 0.0) / setup.grade.positions * setup.cutter.inserts
    at, c = setup.speed_m_min, setup.recipe.speed_m_min * life**n

    change, _ = access.knowledge().index_minutes()

    def what_if(speeds):
        return speed_what_if(speeds, feed.minutes, at, n, c, change, rate, price, contact)

    best, marks, curve, dots = pictures.speed_frames(setup, what_if, units)
    shown = (
        ("cost", f"a traverse ({shop.settings.currency})"),
        ("minutes", "a traverse (min)"),
        ("life", "edge life (h cutting)"),
    )
    drawn = []
    for figure, title in shown:
        chart = charts_record.speeds(
            curve.rename(columns={figure: "value"})[["speed", "value"]],
            dots.rename(columns={figure: "value"})[["speed", "value", "kind"]],
            title,
            units.speed_unit,
        )
        drawn.append((title, specification(chart)))
    return best, marks, tuple(drawn), origin
