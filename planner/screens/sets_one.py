"""One matched set: heights as a picture, which to cut first and why, the open members' targets, what would help."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd
import pyarrow as pa
import streamlit as st

from planner import InputError
from planner.match import MemberState, heights_before
from planner.screens import charts, engine_depths, sets_help, sets_target, words
from planner.screens.kept import kept
from planner.screens.picture import specification
from planner.screens.tables import rows_table
from planner.shop import Shop
from planner.units import Units, minutes_words
from planner.week.gang import GangCourse, course_words
from planner.week.queue import Queue
from planner.week.set_help import target_of
from planner.week.set_view import SetView, price_lower
from planner.week.staying import stay_words

# a limit farther below than this many times what the picture shows would press the heights together
_FAR = 2.5
HARDLY = 0.005


def draw(shop: Shop, queue: Queue, view: SetView, units: Units) -> None:
    if view.plan is None:
        st.warning("This set cannot be planned yet: " + "; ".join(view.problems) + ".")
        if view.gang:
            st.info(_together_words(shop, view))
        _members(shop, queue, view, units)
        return
    for problem in view.problems:
        st.error(problem[0].upper() + problem[1:] + ".")
    if view.apart_because:
        st.warning(f"Not cut together, but planned one by one: {view.apart_because}.")
    if view.feasible:
        st.success(_together_words(shop, view) if view.gang else first_words(view))
    left, right = st.columns([5, 4])
    with left:
        spec, off = picture(shop, queue, view, units)
        st.vega_lite_chart(
            spec=spec, width="stretch", alt="Heights of the members before and after, window, target and limit"
        )
        if off:
            st.caption(off)
    with right:
        if view.gang:
            _gang(shop, queue, view, units)
        else:
            _order(shop, view, units)
    _members(shop, queue, view, units)
    st.caption(planned_words(view, units))
    stays(shop, queue, view)
    sets_target.draw(shop, queue, view, units)
    sets_help.draw(shop, queue, view, units)


def first_words(view: SetView) -> str:
    """What to do next with this set."""
    if view.advice is not None:
        done = [m.name for m in view.members.members if m.state is MemberState.FINISHED]
        window = f" The measured heights of {', '.join(done)} set the window." if done else ""
        return view.advice.reason + window
    return "Cut the member first that will probably end lowest: it sets the height for the others."


def difference(shop: Shop, view: SetView, heights_mm: Mapping[int, float], units: Units) -> str:
    """Greatest difference of these heights, compared as the set compares them."""
    if view.plan is None:
        return "unknown"
    known = []
    for job_id, height in heights_mm.items():
        offset = 0.0
        if view.matched.relative_to_nominal:
            offset = shop.face_of(shop.jobs[job_id]).new_height_mm
        if height is not None and offset is not None:
            known.append(height - offset)
    return units.depth(max(known) - min(known)) if len(known) > 1 else "unknown"


def stays(shop: Shop, queue: Queue, view: SetView) -> None:
    """On which machine and cutter the set stays, or why it cannot."""
    stay = queue.stays.get(view.matched.id)
    if stay is None or (view.gang and not stay.broken):
        return
    said = stay_words(shop, stay)
    if stay.broken:
        st.warning(said)
    elif said:
        st.caption(said + ("" if stay.agreed_by else " Who may part it says so under “Change this set”."))


def planned_words(view: SetView, units: Units) -> str:
    """How close the plan brings the heights, and what is compared."""
    window = view.plan.cuts.window_mm
    if view.gang:
        said = (
            "One plane cuts all that lie on the table: they end alike to the doubt of their heights, each with as many "
        )
        said += "passes as the others. Cut is counted from a member's own first contact, likely and to allow for; what is left "
        return said + "is told at the likely one. Heights are measured after the cut all the same."
    said = f"Planned within {units.depth(window)}; {units.depth(view.matched.tolerance_mm)} counts as matched"
    said += f", of which up to {units.depth(view.guard_mm)} is kept for the doubt of the readings. "
    said += f"Heights are means over {len(view.points)} points every member was measured at"
    if view.matched.relative_to_nominal:
        said += ", compared less each family's new height"
    said += "; each member also stays above its limit at its lowest point. What is left is told at these targets, in "
    said += "the queue at the depth to allow for. Equal cuts do not make equal heights."
    levelled = [m for m in view.members.members if m.state is not MemberState.FINISHED and _stands_low(view, m)]
    if levelled:
        said += " A surveyed face comes clean at a depth below its high spot; at its points it loses less height."
    return said


def _stands_low(view: SetView, member) -> bool:
    """Whether a member's points lie below its first contact, so that it loses less height than its depth."""
    job_id = next(j for j in view.order if view.member(j) is member)
    return member.height_mm - view.heights_mm[job_id] > 1e-4


def _gang(shop: Shop, queue: Queue, view: SetView, units: Units) -> None:
    """What the members on the table together take, against one by one."""
    st.markdown("**On the table together**")
    begun = any(j in shop.taps for j in view.gang)
    on = queue.estimates[view.gang[0]].setup.machine.id
    courses = [c for c in queue.gangs.values() if c.set_id == view.matched.id]
    for course in sorted(courses, key=lambda c: c.machine_id != on):
        told = course.against
        where = f"{shop.machines[course.machine_id].name}, {course.layout}"
        minutes = minutes_words(course.machine_minutes)
        if begun:
            st.write(f"{where}: {units.depth(course.reached_mm)} cut below first contact with the highest.")
            if course.next_pass is None:
                clean = all(course.together[j].course.worth for j in course.job_ids)
                st.write("All are clean: no pass is to come." if clean else _stuck(shop, course))
            else:
                st.write(f"Still to come: {course_words(shop, course, units)}; about {minutes} at the machine.")
            continue
        st.write(f"{where}: {course_words(shop, course, units)}; about {minutes} at the machine.")
        verb = "Saves" if told.minutes_saved >= 0 else "Takes longer by"
        st.markdown(
            f"{verb} **{minutes_words(abs(told.minutes_saved))}** at the machine; cuts away "
            f"**{units.depth(told.more_mm)}** more, in all."
        )
        shares = ", ".join(
            f"{words.job_name(shop, j)} {minutes_words(queue.by_machine[j, course.machine_id].machine_minutes)}"
            for j in course.job_ids
        )
        worth = "Worth it" if told.saving >= 0 else "Cut one by one it would be cheaper"
        st.caption(
            f"{worth}, by {money(shop, abs(told.saving))}: minutes saved against material. Each one's share of the "
            f"minutes, its unloading with them: {shares}. The bench work stays each one's own."
        )


def _together_words(shop: Shop, view: SetView) -> str:
    if len(view.gang) == len(view.matched.job_ids):
        return "On the table together: one plane cuts all, so no order counts."
    *tags, last = (shop.part_of(shop.jobs[j]).tag for j in view.gang)
    return (
        f"{', '.join(tags)} and {last} are on the table together: one plane cuts them, so no order counts among them."
    )


def _stuck(shop: Shop, course: GangCourse) -> str:
    """A gang of which a member is not clean, and must not be cut deeper."""
    tags = [shop.part_of(shop.jobs[j]).tag for j in course.job_ids if not course.together[j].course.worth]
    verb = "is" if len(tags) == 1 else "are"
    return f"Stop and call: {' and '.join(tags)} {verb} not clean, and no deeper pass fits. Whose job is ended leaves the others."


def _order(shop: Shop, view: SetView, units: Units) -> None:
    st.markdown("**Which to cut first**")
    advice = view.advice
    if advice is None or len(advice.outcomes) < 2:
        open_now = [m.name for m in view.members.open_members]
        st.write(f"Left to cut: {', '.join(open_now)}." if open_now else "Every member is finished.")
        if advice is not None and advice.best.recut_cost > 0:
            st.dataframe(_outcomes(advice.outcomes, units, shop), hide_index=True, width="stretch")
        return
    st.dataframe(_outcomes(advice.outcomes[:4], units, shop), hide_index=True, width="stretch")
    lowest = sorted(advice.lowest_chance.items(), key=lambda item: -item[1])
    st.caption(
        "Chance to end lowest: "
        + ", ".join(f"{name} {chance(c)}" for name, c in lowest)
        + ". A second setup comes with its chance and what it costs on average; beyond clean is what is cut away only to "
        "match, on average." + _never(advice.outcomes)
    )
    lower = price_lower(view).lower
    if lower is not None:
        st.info(
            f"Or cut {next(n for n in lower.order if _open(view, n))} {units.depth(lower.lower_mm)} lower than clean on "
            f"purpose: a second setup then comes up {chance(lower.needed_chance)} of the time, and saves "
            f"{money(shop, advice.best.cost - lower.cost)} on average."
        )
    else:
        st.caption("Cutting the first lower on purpose does not pay.")


def _open(view: SetView, name: str) -> bool:
    return next(m for m in view.members.members if m.name == name).state is not MemberState.FINISHED


def _outcomes(outcomes, units: Units, shop: Shop) -> pa.Table:
    table = {
        "Order": [" → ".join(o.order) for o in outcomes],
        "Second setup": [
            f"{chance(max(o.recut_chance.values(), default=0.0))}, {money(shop, o.recut_cost)}" for o in outcomes
        ],
        "Beyond clean": [units.depth(o.extra_mm) for o in outcomes],
    }
    # what hardly ever happens is said once below, not in every row
    for label, shares in (
        ("Outside", [o.outside_chance for o in outcomes]),
        ("Below limit", [o.below_limit_chance for o in outcomes]),
    ):
        if max(shares) >= HARDLY:
            table[label] = [chance(share) for share in shares]
    return pa.table(table)


def _never(outcomes) -> str:
    """What hardly ever happens in any order, in words."""
    never = []
    if max(o.outside_chance for o in outcomes) < HARDLY:
        never.append("end outside the window")
    if max(o.below_limit_chance for o in outcomes) < HARDLY:
        never.append("end below a limit")
    return f" Hardly any chance to {' or to '.join(never)}." if never else ""


def chance(share: float) -> str:
    """A chance as people say it."""
    if share < HARDLY:
        return "hardly any"
    return "sure" if share > 0.995 else f"{share:.0%}"


def money(shop: Shop, amount: float) -> str:
    return f"{shop.settings.currency}{amount:.0f}"


# -- the picture and the table -----------------------------------------------------------------------------------------
def picture(shop: Shop, queue: Queue, view: SetView, units: Units) -> tuple[dict, str]:
    """Specification of the picture, and what is said of limits too far below to be in it."""
    factor = units.length_factor
    rows, bars, limits = [], [], []
    low = min(f - _offset(view, j) for j, f in view.finals_mm.items())
    for job_id in view.order:
        part = words.job_name(shop, job_id)
        member = view.member(job_id)
        if member.state is MemberState.FINISHED:
            before = _before(shop, view, job_id)
            rows += [] if before is None else [(part, "before", before / factor)]
            rows.append((part, "after", view.heights_mm[job_id] / factor))
        else:
            rows.append((part, "before", view.heights_mm[job_id] / factor))
            rows.append((part, "target", view.finals_mm[job_id] / factor))
            window = _window(shop, queue, view, job_id, units) or (low, low + view.plan.cuts.window_mm)
            if window[1] > window[0]:
                bars.append((part, *(w / factor for w in window)))
        if view.least_mm.get(job_id) is not None:
            limits.append((part, "limit", view.least_mm[job_id] / factor))
    values = [r[2] for r in rows] + [v for b in bars for v in b[1:]]
    span = max(max(values) - min(values), 2 * view.matched.tolerance_mm / factor)
    near = [row for row in limits if min(values) - row[2] <= _FAR * span]
    off = ""
    if len(near) < len(limits):
        below = min(min(values) * factor - row[2] * factor for row in limits if row not in near)
        off = f"The limit lies {units.depth(below, down=True)} or more below the lowest height: off the picture."
    return _heights(tuple(rows + near), tuple(bars), units.length_unit, 4 if units.inch else 3), off


def _before(shop: Shop, view: SetView, job_id: int) -> float | None:
    """Mean height of a finished member before its cut, over the set's points; None where it was not measured at all of
    them then."""
    job = shop.jobs[job_id]
    own = [c for c in engine_depths.cuts_of(shop.part_of(job)) if c.job_id == job_id and c.face_id == job.face_id]
    found = heights_before(shop.part_of(job), job.face_id, min(own, key=lambda c: c.ended, default=None))
    if not own or not view.points or any(p not in found for p in view.points):
        return None
    return sum(found[p] for p in view.points) / len(view.points)


def _offset(view: SetView, job_id: int) -> float:
    return view.members.offset_mm(view.member(job_id))


def _window(shop: Shop, queue: Queue, view: SetView, job_id: int, units: Units) -> tuple[float, float] | None:
    """Window of an open member: between the finished ones' where there are any, else that of the plan."""
    offset = _offset(view, job_id)
    finished = [m for m in view.members.members if m.state is MemberState.FINISHED]
    if not finished:
        low = min(f - _offset(view, j) for j, f in view.finals_mm.items())
        return low + offset, low + offset + view.plan.cuts.window_mm
    try:
        target = target_of(shop, view, job_id, queue.estimates[job_id], units).partner
    except InputError:
        return None
    return (target.low_mm, target.high_mm) if target.open else None


@kept(32)
def _heights(rows: tuple, bars: tuple, unit: str, places: int) -> dict:
    heights = pd.DataFrame(rows, columns=["part", "kind", "value"])
    windows = pd.DataFrame(bars, columns=["part", "low", "high"])
    return specification(charts.set_heights(heights, windows, unit, places))


def _members(shop: Shop, queue: Queue, view: SetView, units: Units) -> None:
    # left to itself the depth is cut off on a tablet
    wide = {"Cut": st.column_config.Column(width=190)}
    st.dataframe(members(shop, queue, view, units), hide_index=True, width="stretch", column_config=wide)


def members(shop: Shop, queue: Queue, view: SetView, units: Units) -> pa.Table:
    """The members in cutting order; what is cut, and in how many passes, as the queue tells it."""
    rows = []
    for job_id in view.order:
        job = shop.jobs[job_id]
        part = shop.part_of(job)
        member = view.member(job_id)
        cut, least = view.cuts_mm.get(job_id), view.least_mm.get(job_id)
        spread = None if member is None else member.spread_mm
        lowest = None
        if member is not None and job_id in view.finals_mm and least is not None:
            lowest = view.finals_mm[job_id] - member.least_mean_mm
        done = member is not None and member.state is MemberState.FINISHED
        estimate = queue.estimates.get(job_id)
        # what a tablet shows without scrolling comes first: what is cut, and what it leaves
        rows.append(
            {
                "Member": words.job_name(shop, job_id),
                "State": member.state.value if member is not None else job.state.value,
                "Height now": units.height(view.heights_mm.get(job_id)),
                "Cut": ""
                if estimate is None
                else words.likely_allow(estimate.stop_likely_mm, estimate.stop_allow_mm, units),
                "Passes": "" if estimate is None else str(len(estimate.passes_likely)),
                "Height lost": "done" if done and not cut else units.depth(cut),
                "Height after": units.height(view.finals_mm.get(job_id)),
                "Left above limit": "unknown" if lowest is None else units.depth(lowest, down=True),
                "Limit": units.height(least) if least is not None else "no limit known, ask",
                "To clean": _to_clean(member, done, units),
                "Spread": "unknown" if spread is None else units.depth(spread),
                "Position": part.position,
            }
        )
    return rows_table(rows)


def _to_clean(member, done: bool, units: Units) -> str:
    """Where the member would likely stop if it were in no set."""
    if done:
        return "done"
    return units.depth(None if member is None or member.removal_mm is None else member.likely_removal_mm)
