"""The board: a lane per day, machine and person, with setups, passes, index stops, breaks and due marks."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pandas as pd
import streamlit as st

from planner.screens import words
from planner.screens.palette import WORK
from planner.screens.picture import Picture, empty_chart
from planner.screens.plans import View
from planner.shop import Shop
from planner.week.search import Plan

PICKED = "week job"
_CHART = "week board"
_SPANS = {"first day": 1, "three days": 3, "the week": 5, "everything": 60}


def draw(view: View, shop: Shop, seen: Picture, now: datetime) -> None:
    st.subheader("Board")
    rows = view.rows
    if rows.empty:
        st.write("Nothing is placed.")
        return
    span = st.segmented_control(
        "Show", list(_SPANS), default="three days", key="board span", required=True, persist_state="session"
    )
    days = _SPANS[span]
    machines = {str(i): m.name for i, m in shop.machines.items()}
    people = {str(i): p.name for i, p in shop.people.items()}
    lanes = [*machines.values(), *people.values()]

    def chart():
        frame = board_rows(shop, rows, machines, people, days, now, view.plan)
        drawn = set(frame["lane"])
        in_order = [f"{day}  {who}" for day in dict.fromkeys(frame["day"]) for who in lanes]
        return _timeline(frame, [lane for lane in in_order if lane in drawn])

    st.vega_lite_chart(
        spec=dict(seen.once(("board", days, view.proposed), chart, now)),
        width="stretch",
        key=f"{_CHART}/{days}",
        on_select=lambda: picked_on_board(f"{_CHART}/{days}"),
        alt="Jobs on machines and people, a lane a day, with due times as triangles; red triangles are missed",
    )
    st.caption(
        "Click a bar to pick its job. Triangles: due; red: missed. Grey: break. Names stand over the bars of the machines."
    )


def _timeline(frame: pd.DataFrame, lanes: list[str]) -> dict[str, Any]:
    """`charts.timeline` of these rows: its lanes and the hours it shows are put into the kept chart."""
    bars = frame[frame["work"].isin(WORK)]
    first, last = float(bars["begin"].min()) // 1, -(-float(bars["end"].max()) // 1)
    spec = empty_chart("timeline") | {
        "height": 29 * len(lanes) + 90,
        "datasets": {"rows": frame},
    }
    for layer in spec["layer"]:
        layer["encoding"]["x"]["scale"]["domain"] = [min(first, 7.0), max(last, 16.0)]
        layer["encoding"]["y"]["sort"] = lanes
    return spec


def picked_on_board(key: str) -> None:
    """Callback of the chart: the bar that was clicked names the job."""
    chosen = st.session_state[key].selection.get("pick", [])
    if chosen and str(chosen[0].get("job", "")).isdigit():
        st.session_state[PICKED] = int(chosen[0]["job"])


def board_rows(
    shop: Shop, rows: pd.DataFrame, machines: dict, people: dict, days: int, now: datetime, plan: Plan
) -> pd.DataFrame:
    """The timeline by days: day, who, lane, begin and end in hours of the day, work, what, time; of a name also where
    the next one on its lane begins."""
    bars = []
    for row in rows.to_dict("records"):
        for who in (machines.get(row["machine"]), people.get(row["person"])):
            if who:
                bars.append((who, row["job"], _work(row["kind"], row["where"]), row["start"], row["end"]))
    frame = _joined(pd.DataFrame(bars, columns=["who", "job", "work", "start", "end"]))
    frame["what"] = [words.job_name(shop, int(j)) for j in frame["job"]]
    ends = rows.groupby("job")["end"].max()
    cut_on = rows[rows["machine"] != ""].groupby("job")["machine"].first().to_dict()
    dues = []
    for job_id, end in ends.items():
        job = shop.jobs.get(int(job_id))
        if job is None or job.due is None or job_id not in cut_on:
            continue
        who = machines.get(cut_on[job_id])
        missed = pd.Timestamp(end) > job.due
        dues.append(
            (
                who,
                job_id,
                "missed" if missed else "due",
                job.due,
                job.due,
                f"{words.job_name(shop, job.id)}: {words.due_words(job)}",
            )
        )
    marks = pd.DataFrame(dues, columns=["who", "job", "work", "start", "end", "what"])
    free = _breaks(plan, machines, people)
    names = _names(shop, frame, set(machines.values()))
    frame = pd.concat([frame, names, *([marks] if dues else []), *([free] if len(free) else [])], ignore_index=True)
    frame["start"], frame["end"] = pd.to_datetime(frame["start"]), pd.to_datetime(frame["end"])
    midnight = frame["start"].dt.normalize()
    bar_days = midnight[frame["work"].isin(WORK)]
    shown = sorted(bar_days.unique())[:days]
    frame = frame[midnight.isin(shown)].copy()
    midnight = frame["start"].dt.normalize()
    frame["day"] = frame["start"].dt.strftime("%a %d %b")
    frame["begin"] = (frame["start"] - midnight).dt.total_seconds() / 3600
    frame["end"] = ((frame["end"] - midnight).dt.total_seconds() / 3600).clip(upper=24)
    clock = frame["start"].dt.strftime("%H:%M")
    frame["time"] = clock
    frame = frame.sort_values("start", kind="stable").drop(columns=["start"])
    frame["lane"] = frame["day"] + "  " + frame["who"]
    frame["next"] = frame[frame["work"] == "name"].groupby("lane")["begin"].shift(-1, fill_value=24.0)
    today = frame[frame["day"] == f"{now:%a %d %b}"]
    if len(today):
        hour = now.hour + now.minute / 60
        lines = today[["day", "who", "lane"]].drop_duplicates()
        lines = lines.assign(work="now", begin=hour, end=hour, what="now", time=f"{now:%H:%M}")
        frame = pd.concat([frame, lines], ignore_index=True)
    return frame


def _names(shop: Shop, bars: pd.DataFrame, machines: set[str]) -> pd.DataFrame:
    """A job's tag where it begins on a machine, each day anew."""
    mine = bars[bars["who"].isin(machines)]
    first = mine.groupby(["who", "job", mine["start"].dt.normalize()], as_index=False)["start"].min()
    tags = [shop.part_of(shop.jobs[int(j)]).tag if int(j) in shop.jobs else "" for j in first["job"]]
    return first.assign(work="name", end=first["start"], what=tags)


def _breaks(plan: Plan, machines: dict, people: dict) -> pd.DataFrame:
    """Pauses between two stretches of hours of one day, and overtime the plan takes, by machine and person."""
    found = []
    named = [(people.get(p.id), p.windows) for p in plan.week.people]
    named += [(machines.get(m.id), m.windows) for m in plan.week.machines]
    for who, windows in named:
        used = [w for w in windows if who and (not w.overtime or w.overtime in plan.decision.opened)]
        for w in used:
            if w.overtime:
                found.append((who, "", "overtime", w.start_min, w.end_min, "overtime taken"))
        for a, b in zip(used, used[1:], strict=False):
            if b.start_min - a.end_min < 1e-6:
                continue
            if (plan.start + timedelta(minutes=a.end_min)).date() == (
                plan.start + timedelta(minutes=b.start_min)
            ).date():
                found.append((who, "", "break", a.end_min, b.start_min, "break"))
    frame = pd.DataFrame(found, columns=["who", "job", "work", "start", "end", "what"])
    for column in ("start", "end"):
        frame[column] = pd.Timestamp(plan.start) + pd.to_timedelta(frame[column].astype(float), unit="min")
    return frame


def _work(kind: str, where: str) -> str:
    if kind in ("index", "index stop"):
        return "index the edge"
    if "change" in kind or kind == "cleanout":
        return "change of setup"
    if where == "traverse":
        return "cut"
    if where == "wait":
        return "drying"
    return "at the bench" if where == "away" else "at the machine"


def _joined(frame: pd.DataFrame) -> pd.DataFrame:
    """Neighbouring stretches of one job and one kind of work as one bar: far fewer marks to draw."""
    frame = frame.sort_values(["who", "start"], kind="stable").reset_index(drop=True)
    frame["start"], frame["end"] = pd.to_datetime(frame["start"]), pd.to_datetime(frame["end"])
    same = (frame[["who", "job", "work"]] == frame[["who", "job", "work"]].shift()).all(axis=1)
    touching = (frame["start"] - frame["end"].shift()).abs() < pd.Timedelta(seconds=2)
    groups = (~(same & touching)).cumsum()
    return frame.groupby(groups, as_index=False).agg(
        {"who": "first", "job": "first", "work": "first", "start": "min", "end": "max"}
    )
