"""How sure the plan is: chances of being on time, ends of work, edges, and the job that threatens the week most."""

from __future__ import annotations

from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pandas as pd
import streamlit as st

from planner.cut.knowledge import Knowledge
from planner.screens import access, background, words
from planner.screens.plans import View
from planner.shop import Shop, Source, starting
from planner.week import Tables, measuring_first, risk_of
from planner.week.doubts import doubts_of
from planner.week.queue import Queue
from planner.week.risk import SHOWN_BELOW
from planner.week.search import Plan

SAMPLES = 1000


def draw(view: View, shop: Shop, queue: Queue) -> list[background.Work]:
    """What is known of it; returns what is still being worked out."""
    plan = view.plan
    if plan.jobs.empty:
        return []
    knowledge = access.knowledge()
    key = (*access.versions(), plan.decision_key, plan.start.replace(minute=0))
    text = "Running the week a thousand times, with passes and minutes as they may turn out"
    work = background.ask(("certainty", access.kind()), key, text, lambda tell: work_out(plan, shop, queue, knowledge))
    st.subheader("How sure it is")
    found = work.result if work.over else work.before
    if found is None:
        st.caption("Being worked out …")
    else:
        _show(plan, shop, found)
    return [] if work.over else [work]


def work_out(plan: Plan, shop: Shop, queue: Queue, knowledge: Knowledge) -> Any:
    """The sampled week and, for the job that threatens it most, whether measuring it first would pay."""
    tables, doubts = Tables(plan.week), doubts_of(shop, queue)
    risk = risk_of(tables, plan.decision, doubts, samples=SAMPLES, edge_shape=knowledge.life_shape)
    measuring = None
    if risk.threat and queue.estimates[int(risk.threat)].origins["depth"].source is not Source.MEASURED:
        family = shop.family_of(shop.part_of(shop.jobs[int(risk.threat)]))
        measuring = measuring_first(
            tables,
            plan.decision,
            risk.threat,
            doubts,
            minutes=starting.STEPS[starting.group(family.material, family.kind)].intake,
            rate_per_min=shop.settings.hourly_rate / 60,
            edge_shape=knowledge.life_shape,
            name=lambda j: words.job_name(shop, int(j)),
            money=shop.settings.currency,
        )
    return SimpleNamespace(risk=risk, measuring=measuring, start=plan.start)


def of_ten(chance: float) -> str:
    """ "8 of 10 on time"."""
    count = round(chance * 10)
    if count == 0 and chance > 0:
        return "less than 1 of 10 on time"
    if count == 10 and chance < 1:
        return "more than 9 of 10 on time"
    return f"{count} of 10 on time"


def _show(plan: Plan, shop: Shop, found: Any) -> None:
    risk, start = found.risk, found.start
    left, right = st.columns([4, 5], gap="medium")
    with left:
        doubtful = risk.jobs[risk.jobs["chance_on_time"] < SHOWN_BELOW].sort_values("chance_on_time")
        if doubtful.empty:
            st.markdown("Every job with a due time is on time in at least 8 of 10 such weeks.")
        for job_id, row in doubtful.iterrows():
            job = shop.jobs.get(int(job_id))
            if job is None:  # cut since these figures were made
                continue
            st.markdown(
                f"- **{words.job_name(shop, job.id)}**: {of_ten(row['chance_on_time'])} ({words.due_words(job)}; likely "
                f"ready {_at(start, row['ready_likely_min'])}, allow {_at(start, row['ready_allow_min'])})"
            )
        if risk.threat:
            name = words.job_name(shop, int(risk.threat))
            said = f"**{name}** threatens the week most: what it takes is least sure and moves the others."
            measured = found.measuring.sentence if found.measuring else "Its depth is measured already."
            st.markdown(f"{said} {measured}")
        edges = [
            f"{grade}: likely {int(row['likely'])}, allow {int(row['allow'])}"
            for (_, grade), row in risk.edges.iterrows()
            if row["allow"] > 0
        ]
        st.caption("Edges used up: " + ("; ".join(edges) if edges else "none, as far as can be told") + ".")
    with right:
        st.dataframe(_ends(plan, shop, found), hide_index=True, width="stretch")
    st.caption(
        "From a thousand such weeks: passes as clean-up depths may turn out, minutes as they spread "
        "(starting values), edges as they end. The order stays as planned."
    )


def _ends(plan: Plan, shop: Shop, found: Any) -> pd.DataFrame:
    rows = []
    for frame, nouns in ((found.risk.machines, shop.machines), (found.risk.people, shop.people)):
        for key, row in frame.iterrows():
            noun = nouns.get(int(key)) if str(key).isdigit() else None
            likely, early, late = (_at(found.start, row[f"end_{c}_min"]) for c in ("likely", "early", "late"))
            rows.append(
                {"Who": noun.name if noun else str(key), "Done, likely": likely, "Earliest": early, "Allow": late}
            )
    return pd.DataFrame(rows)


def _at(start: datetime, minutes: float) -> str:
    moment = start + timedelta(minutes=float(minutes))
    return f"{moment:%a} {moment.day} {moment:%b %H:%M}"
