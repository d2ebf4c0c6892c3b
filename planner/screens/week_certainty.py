"""How sure the plan is: chances of being on time, ends of work, edges, and the job that threatens the week most."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
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
from planner.week.chances import deciding, of_ten
from planner.week.doubts import doubts_of
from planner.week.explain import Explanation, moved
from planner.week.queue import Queue
from planner.week.reasons import person_named
from planner.week.risk import SHOWN_BELOW
from planner.week.search import Plan

SAMPLES = 1000
_SHOWN = 5


def ask(view: View, shop: Shop, queue: Queue) -> background.Work | None:
    """The sampled week of the plan shown and, beside a proposal, of the accepted one as it would run now; None when
    nothing is placed."""
    plan = view.plan
    if plan.jobs.empty:
        return None
    knowledge = access.knowledge()
    beside = view.board.today if view.proposal is not None and view.board is not None else None
    # pins are not among what is decided, and they change how a week runs
    pins = tuple(sorted(view.pins.items()))
    key = (*access.versions(), plan.decision_key, beside and beside.decision_key, pins, plan.start.replace(minute=0))
    text = "Running the week a thousand times, with passes and minutes as they may turn out"
    return background.ask(
        ("certainty", access.kind()), key, text, lambda tell: work_out(plan, shop, queue, knowledge, beside)
    )


def draw(view: View, shop: Shop, work: background.Work | None) -> None:
    """What is known of it by now."""
    if work is None:
        return
    st.subheader("How sure it is")
    found = work.result if work.over else work.before
    if not work.over:
        st.caption("Being worked out …" if found is None else "Of the plan before; the new one is being worked out …")
    if found is not None:
        _show(view, shop, found)


def chance_words(work: background.Work | None, job_id: int) -> str:
    """ "4 of 10 on time", and what the accepted plan gives where that differs; empty while it is not known, and without
    a due time."""
    if work is None or work.result is None or str(job_id) not in work.result.risk.jobs.index:
        return ""
    found = deciding(work.result.risk.jobs["chance_on_time"], work.result.beside, [str(job_id)])
    return _chance(found.loc[str(job_id)]) if str(job_id) in found.index else ""


def ask_moves(view: View, shop: Shop, queue: Queue, job_id: int, found: Explanation) -> background.Work:
    """What the best other places of a job do to the chances: its result is "earlier", "later", "elsewhere" -> chances."""
    plan, knowledge = view.plan, access.knowledge()
    moves = {name: getattr(found, name) for name in ("earlier", "later", "elsewhere")}

    def make(tell) -> dict[str, pd.Series]:
        result = {}
        for i, (name, move) in enumerate(moves.items()):
            tell(i / len(moves))
            if move is not None:
                result[name] = chances(
                    replace(plan, decision=moved(plan.decision, str(job_id), move)), shop, queue, knowledge
                )
        return result

    pins = tuple(sorted(view.pins.items()))
    key = (*access.versions(), plan.decision_key, pins, plan.start.replace(minute=0), job_id)
    text = f"Running the week with {words.job_name(shop, job_id)} in other places"
    return background.ask(("moves", access.kind()), key, text, make)


def work_out(plan: Plan, shop: Shop, queue: Queue, knowledge: Knowledge, beside: Plan | None = None) -> Any:
    """The sampled week, the chances under the plan ``beside`` it and, for the job that threatens it most, whether
    measuring it first would pay."""
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
    other = None if beside is None else chances(beside, shop, queue, knowledge)
    return SimpleNamespace(risk=risk, measuring=measuring, start=plan.start, beside=other)


def chances(
    plan: Plan, shop: Shop, queue: Queue, knowledge: Knowledge, like: dict[str, str] | None = None
) -> pd.Series:
    """Each placed job's chance of being on time. ``like``: job id that the shop does not know -> one it is like."""
    doubts = doubts_of(shop, queue)
    doubts |= {job: doubts[other] for job, other in (like or {}).items() if other in doubts}
    risk = risk_of(Tables(plan.week), plan.decision, doubts, samples=SAMPLES, edge_shape=knowledge.life_shape)
    return risk.jobs["chance_on_time"]


def _chance(row: pd.Series) -> str:
    said = f"{of_ten(row['chance'])} on time"
    return f"{said}, {of_ten(row['beside'])} in the accepted plan" if row["differs"] else said


def _show(view: View, shop: Shop, found: Any) -> None:
    risk = found.risk
    left, right = st.columns([4, 5], gap="medium")
    with left:
        _chances(view, shop, found)
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
        st.dataframe(_ends(shop, found), hide_index=True, width="stretch")
    st.caption(
        "From a thousand such weeks: passes as clean-up depths may turn out, minutes as they spread "
        "(starting values), edges as they end. The order stays as planned."
    )


def _chances(view: View, shop: Shop, found: Any) -> None:
    """Low chances first, then those that bear on a decision: the two plans differ, or somebody rushed or pinned it."""
    chance = found.risk.jobs["chance_on_time"]
    single = [j.id for j in shop.open_jobs() if j.rush or j.id in view.pins]
    told = deciding(chance, found.beside, [*map(str, single), *chance[chance < SHOWN_BELOW].index])
    told = told[told.index.astype(int).isin(list(shop.jobs))]  # one may be cut since these figures were made
    low = told[told["chance"] < SHOWN_BELOW].sort_values("chance")
    others = told[told["chance"] >= SHOWN_BELOW]
    if low.empty:
        st.markdown("Every job with a due time is on time in at least 8 of 10 such weeks.")
    for job_id, row in low.iterrows():
        ready = found.risk.jobs.loc[job_id]
        at = f"likely ready {_at(found.start, ready['ready_likely_min'])}, "
        at += f"allow {_at(found.start, ready['ready_allow_min'])}"
        _line(view, shop, job_id, row, f" ({words.due_words(shop.jobs[int(job_id)])}; {at})")
    for job_id, row in others.iterrows():
        _line(view, shop, job_id, row, f" ({words.due_words(shop.jobs[int(job_id)])})")
    if found.beside is not None and not told["differs"].any():
        st.markdown("No job's chance is another one than in the accepted plan.")


def _line(view: View, shop: Shop, job_id: str, row: pd.Series, more: str) -> None:
    job = shop.jobs[int(job_id)]
    marks = [word for word, holds in (("rush", job.rush), ("its time is kept", job.id in view.pins)) if holds]
    marked = f", {' and '.join(marks)}" if marks else ""
    st.markdown(f"- **{words.job_name(shop, job.id)}**{marked}: {_chance(row)}{more}")


def compared(now: pd.Series, then: pd.Series, name, at_stake: Iterable[str] = ()) -> list[str]:
    """Chances that another plan changes, in words: "T3220: 8 of 10 on time instead of 4"."""
    said = []
    for job_id, row in deciding(then, now, at_stake).head(_SHOWN).iterrows():
        instead = f" instead of {of_ten(row['beside'])}" if row["differs"] else ""
        said.append(f"**{name(job_id)}**: {of_ten(row['chance'])} on time{instead}")
    return said


def _ends(shop: Shop, found: Any) -> pd.DataFrame:
    rows = []
    named = (
        (found.risk.machines, lambda key: shop.machines[int(key)].name if int(key) in shop.machines else key),
        (found.risk.people, lambda key: person_named(shop, key)),
    )
    for frame, name in named:
        for key, row in frame.iterrows():
            likely, early, late = (_at(found.start, row[f"end_{c}_min"]) for c in ("likely", "early", "late"))
            rows.append({"Who": name(str(key)), "Done, likely": likely, "Earliest": early, "Allow": late})
    return pd.DataFrame(rows)


def _at(start: datetime, minutes: float) -> str:
    return words.when(start + timedelta(minutes=float(minutes)))
