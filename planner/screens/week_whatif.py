"""What if: a rush job, a machine down, a Saturday shift, one more person. Two plans side by side in four figures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

import pandas as pd
import streamlit as st

from planner.screens import access, words
from planner.screens.plans import View
from planner.screens.said import act, say
from planner.screens.week_certainty import chances, compared
from planner.screens.week_morning import offer
from planner.shop import Closure, Overtime, Shop, starting
from planner.week import Comparison, compare, what_if, with_job, with_machine_down, with_person
from planner.week.calendar import minutes_since
from planner.week.model import Week
from planner.week.overload import FROM, TO, next_saturday, overtime_price, second_person, with_overtime
from planner.week.queue import Queue
from planner.week.search import Plan

STEPS = 30
_ASKED, _FOUND, _HERE = "what if", "what if found", "what if said"
RUSH, DOWN, SATURDAY, MORE = "a rush job arrives", "a machine is down", "somebody works Saturday", "one more person"


def draw(view: View, shop: Shop, queue: Queue) -> None:
    with st.expander("What if …", key="what if open", on_change="rerun") as more:
        if not more.open:
            return
        _ask(view, shop, queue)


def _ask(view: View, shop: Shop, queue: Queue) -> None:
    asked = st.segmented_control(
        "What if", [RUSH, DOWN, SATURDAY, MORE], default=RUSH, key=_ASKED, required=True, persist_state="session"
    )
    plan = view.plan
    start, alike = plan.start, {}
    cells = st.columns(3)
    if asked == RUSH:
        placed = [j for j in shop.jobs if str(j) in plan.jobs.index]
        if not placed:
            st.caption("No job is planned that it could be like.")
            return
        like = cells[0].selectbox("Like", placed, format_func=lambda j: words.job_name(shop, j), key="what if/like")
        day = cells[1].date_input("Ready on", _next_day(plan), key="what if/rush day")
        hour = cells[2].time_input("At", time(15), key="what if/rush hour")
        changed, alike = with_rush(plan.week, shop, like, datetime.combine(day, hour), start), {"rush": str(like)}
        name = f"a rush job like {words.job_name(shop, like)}, ready {day:%a %d %b} {hour:%H:%M}"
        adopt = None
    elif asked == DOWN:
        machine = cells[0].selectbox(
            "Machine", list(shop.machines), format_func=lambda m: shop.machines[m].name, key="what if/machine"
        )
        day = cells[1].date_input("On", _tuesday(start.date()), key="what if/down day")
        changed = with_down(plan.week, machine, day, start)
        name = f"{shop.machines[machine].name} down on {day:%a %d %b}"
        adopt = ("Store the closure", close, Closure(day, day, "machine down", machine_id=machine))
    elif asked == SATURDAY:
        if not shop.people:
            st.caption("Nobody is entered who could.")
            return
        person = cells[0].selectbox(
            "Who", list(shop.people), format_func=lambda p: shop.people[p].name, key="what if/who"
        )
        first = cells[1].time_input("From", FROM, key="what if/from")
        last = cells[2].time_input("To", TO, key="what if/to")
        if last <= first:
            st.error("The shift ends before it begins.")
            return
        day = next_saturday(start).date()
        price = overtime_price(shop, person)
        offered = Overtime(datetime.combine(day, first), datetime.combine(day, last), price, person_id=person)
        changed = with_overtime(plan.week, offered, start)
        name = f"{shop.people[person].name} on {day:%a %d %b} {first:%H:%M} to {last:%H:%M}"
        adopt = ("Offer it", offer, offered)
        st.caption(f"Taken at {shop.settings.currency}{price:.0f} an hour on top, only where it saves more.")
    else:
        if not shop.people:
            st.caption("Enter one person first: the second one is taken to work the same hours.")
            return
        like = cells[0].selectbox(
            "Hours of", list(shop.people), format_func=lambda p: shop.people[p].name, key="what if/as"
        )
        changed = with_person(plan.week, second_person(plan.week, str(like)))
        name = f"one more person, with the hours of {shop.people[like].name}, on any machine"
        adopt = None
    if st.button("Work it out", key="what if/go"):
        _work_out(view, shop, queue, changed, alike, name)
    say(_HERE)
    _show(view, shop, name, adopt)


def with_rush(week: Week, shop: Shop, like: int, due: datetime, start: datetime) -> Week:
    """The week with one more job, like one that is planned, at a rush job's weight."""
    model = next(j for j in week.jobs if j.id == str(like))
    weight = shop.settings.late_price_per_hour / 60 * starting.RUSH_FACTOR
    job = replace(
        model,
        id="rush",
        due_min=minutes_since(start, due),
        weight_per_min=weight,
        not_before_min=0.0,
        pin_machine="",
        pin_start_min=None,
        started=False,
    )
    return with_job(week, job)


def with_down(week: Week, machine: int, day: date, start: datetime) -> Week:
    """The week with a machine closed for one day."""
    begin = datetime.combine(day, time(0))
    first, last = minutes_since(start, begin), minutes_since(start, begin + timedelta(days=1))
    return with_machine_down(week, str(machine), max(0.0, first), max(last, 1.0))


def _next_day(plan: Plan) -> date:
    """The first day after today that somebody works."""
    tomorrow = plan.start.date() + timedelta(days=1)
    days = {(plan.start + timedelta(minutes=w.start_min)).date() for p in plan.week.people for w in p.windows}
    return min((day for day in days if day >= tomorrow), default=tomorrow)


def _tuesday(today: date) -> date:
    return today + timedelta(days=(1 - today.weekday()) % 7)


def _work_out(view: View, shop: Shop, queue: Queue, changed: Week, alike: dict[str, str], name: str) -> None:
    bar = st.progress(0.0, text="Planning both …")

    def search(from_plan: Plan, week: Week, done: float) -> Plan:
        def tell(step) -> None:
            bar.progress(min(1.0, done + step.share / 2), text="Planning both …")

        return what_if(from_plan, week, steps=STEPS, progress=tell).then

    # what the search gains without the change, too, is not the change's doing
    anew = search(view.plan, view.plan.week, 0.0)
    found = compare(view.plan, search(anew, changed, 0.5))
    bar.progress(1.0, text="Running both a thousand times …")
    knowledge = access.knowledge()
    now, then = (chances(plan, shop, queue, knowledge, alike) for plan in (found.now, found.then))
    bar.empty()
    st.session_state[_FOUND] = (*_asked_of(view, name), _Answer(found, view.plan.cost - anew.cost, now, then))


@dataclass(frozen=True)
class _Answer:
    """Two plans compared; ``alone``: what planning anew saves without the change; chances under either plan."""

    found: Comparison
    alone: float
    now: pd.Series
    then: pd.Series


def _asked_of(view: View, name: str) -> tuple:
    """What an answer belongs to: the shop as it stands, the plan it was asked beside, and the question."""
    return access.kind(), access.versions(), view.plan.decision_key, name


def _show(view: View, shop: Shop, name: str, adopt: tuple | None) -> None:
    kept = st.session_state.get(_FOUND)
    if not kept or kept[:-1] != _asked_of(view, name):
        return
    answer: _Answer = kept[-1]
    found = answer.found

    def named(job: str) -> str:
        return "the rush job" if job == "rush" else words.job_name(shop, int(job))

    st.markdown(f"**What if: {name}**")
    st.dataframe(figures(found, shop), hide_index=True, width="stretch")
    said = []
    for text, ids in (("Late then", found.newly_late), ("No longer late", found.no_longer_late)):
        if ids:
            said.append(f"{text}: " + ", ".join(map(named, ids)))
    if found.moved:
        said.append(f"{len(found.moved)} job{'s' if len(found.moved) > 1 else ''} in another place")
    st.caption("; ".join(said) + "." if said else "The order stays as it is.")
    if answer.alone >= 0.5:
        st.caption(f"Re-planning alone, without it, would save {shop.settings.currency}{answer.alone:.0f}.")
    offered = {w.overtime for p in found.then.week.people for w in p.windows if w.overtime}
    offered -= {w.overtime for p in found.now.week.people for w in p.windows}
    if offered and not offered & found.then.decision.opened:
        st.caption("The plan does not take these hours: they would cost more than they save.")
    for line in compared(answer.now, answer.then, named, ["rush"]):
        st.markdown(f"- {line}")
    if adopt is not None:
        label, deed, noun = adopt
        st.button(label, on_click=act, args=(deed, noun), kwargs={"at": _HERE}, key="what if/adopt")


def close(closure: Closure) -> str:
    """Store a closure; the board says what it does to the accepted plan."""
    access.repository().add(closure, by=access.who(), at=access.now())
    return f"Closed on {closure.first:%a %d %b}. Re-plan to work around it."


def figures(found: Comparison, shop: Shop) -> pd.DataFrame:
    """Four figures of two plans, in words."""
    money = shop.settings.currency
    shown = {
        "late jobs": ("Late jobs", "{:.0f}"),
        "hours": ("Hours of people", "{:.1f} h"),
        "edges": ("Edges to index", "{:.0f}"),
        "cost": ("Cost, lateness counted", money + "{:.0f}"),
    }
    rows = []
    for key, (label, form) in shown.items():
        row = found.figures.loc[key]
        # of the figures as they stand beside it: 34.4 and 35.8 are 1.4 apart, whatever was rounded off
        places = 1 if key == "hours" else 0
        change = form.format(abs(round(row.then, places) - round(row.now, places)))
        zero = form.format(0.0)
        sign = "no change" if change == zero else ("+" if row.change > 0 else "−") + change
        rows.append({"": label, "As planned": form.format(row.now), "What if": form.format(row.then), "Change": sign})
    return pd.DataFrame(rows)
