"""The run sheet of one job, for a tablet at the machine: what to set, pass by pass, and what came out."""

from __future__ import annotations

import streamlit as st

from planner.cut.running import fold
from planner.screens import access, estimate_view, run_before, run_edges, run_partner, run_passes, words
from planner.screens.run_deeds import Sheet, begin, go_on, stop_for, typed, undo, words_of
from planner.screens.said import act, say
from planner.screens.week_live import watch
from planner.shop import Job, JobState, Shop, TapKind
from planner.units import minutes_words

_JOB = "run job"


def draw() -> None:
    shop = access.shop()
    jobs = {j.id: j for j in shop.open_jobs()}
    if not jobs:
        st.title("Run sheet", anchor=False)
        st.info("No job is open. Enter parts on the page Parts.")
        return
    sheet = _sheet(shop, _choose(shop, jobs))
    say()
    _last_entry(sheet)
    _gang(sheet)
    state, estimate = sheet.state, sheet.estimate
    if sheet.part.waits_for:
        st.error("Not on the machine yet: " + "; ".join(sheet.part.waits_for))
    if not state.begun:
        _not_begun(sheet)
    elif estimate.setup is None:
        st.error("; ".join(estimate.against) or "No machine can take this face.")
    elif state.paused or state.held:
        _waiting(sheet)
    else:
        _under_way(sheet)
    _behind(sheet)
    # what another session taps stands here within seconds
    watch([])


def _choose(shop: Shop, jobs: dict[int, Job]) -> int:
    free = [i for i, j in jobs.items() if not shop.part_of(j).waits_for]
    order = sorted(jobs, key=lambda i: (jobs[i].state is not JobState.RUNNING, i not in free, i))
    if st.session_state.get(_JOB) not in jobs:
        st.session_state[_JOB] = _remembered(shop, jobs) or order[0]
    title, choice = st.columns([1, 3], vertical_alignment="center")
    title.header("Run sheet", anchor=False)
    job_id = choice.selectbox(
        "Job",
        order,
        key=_JOB,
        format_func=lambda i: _job_words(shop, jobs[i], i in free),
        persist_state="session",
        label_visibility="collapsed",
    )
    # a tablet that reloads, or wakes after a power cut, comes back to this job
    st.query_params["job"] = str(job_id)
    if st.session_state.get("who") is not None:
        st.query_params["who"] = str(st.session_state["who"])
    return job_id


def _remembered(shop: Shop, jobs: dict[int, Job]) -> int | None:
    """The job in the address; else the one this person tapped last, else the one anybody did."""
    named = st.query_params.get("job", "")
    if named.isdigit() and int(named) in jobs:
        return int(named)
    who = access.who()
    last = [(taps[-1].by == who and bool(who), taps[-1].at, i) for i, taps in shop.taps.items() if i in jobs]
    return max(last)[2] if last else None


def _job_words(shop: Shop, job: Job, free: bool) -> str:
    family = shop.family_of(shop.part_of(job))
    state = "" if free else " (waits)"
    if job.state is JobState.RUNNING:
        state = " (on the machine)"
    return f"{words.job_name(shop, job.id)}: {'quick job' if family.one_off else family.name}{state}"


def _sheet(shop: Shop, job_id: int) -> Sheet:
    job = shop.jobs[job_id]
    part, taps = shop.part_of(job), shop.taps.get(job_id, ())
    estimate = access.queue().estimates[job_id]
    seen = access.repository().last_tap_seq(job_id)
    units = access.units()
    return Sheet(shop, job, part, shop.family_of(part), shop.face_of(job), estimate, fold(taps), taps, seen, units)


def _last_entry(sheet: Sheet) -> None:
    """What is on disk: an entry counts once it stands here. And taking it back."""
    if not sheet.taps:
        return
    last = sheet.taps[-1]
    left, right = st.columns([4, 1], vertical_alignment="center")
    by = f" by {last.by}" if last.by else ""
    count = len(sheet.taps)
    left.markdown(
        f":green-badge[{count} {'entry' if count == 1 else 'entries'} stored] last: **{words_of(last)}**, "
        f"{last.at:%a %H:%M:%S}{by}"
    )
    right.button(
        "Undo it",
        key=f"undo/{sheet.job.id}/{sheet.seen}",
        icon=":material/undo:",
        width="stretch",
        on_click=act,
        args=(undo, sheet),
    )


def _gang(sheet: Sheet) -> None:
    """A gang's members have a sheet each: what is joint, what is this one's own, and the way to the others."""
    matched = sheet.shop.set_of(sheet.job.id)
    if matched is None or not matched.gang:
        return
    queue, machine = access.queue(), sheet.estimate.setup.machine.id if sheet.estimate.setup else None
    course = next((c for c in queue.gangs.values() if (c.set_id, c.machine_id) == (matched.id, machine)), None)
    tags = {i: sheet.shop.part_of(sheet.shop.jobs[i]).tag for i in matched.job_ids}
    if course is None:
        st.warning(f"Gang of {', '.join(tags.values())}: not planned as one setting. The page Matched sets says why.")
    else:
        st.info(
            f"**Gang: {', '.join(tags.values())}**, {course.layout}, one setting. Joint: the touch-off at the highest "
            f"member, {len(course.passes)} passes to {sheet.units.depth(course.stop_mm)} below it, "
            f"{minutes_words(course.machine_minutes)} at the machine for all. Figures below are this member's own, as if "
            "it lay alone: levelling, looks, heights. Tap each member's sheet."
        )
    with st.container(horizontal=True):
        for job_id, tag in tags.items():
            if job_id != sheet.job.id and job_id in queue.estimates:
                st.button(f"Sheet of {tag}", key=f"gang/{job_id}", on_click=_turn_to, args=(job_id,))


def _turn_to(job_id: int) -> None:
    st.session_state[_JOB] = job_id


def _not_begun(sheet: Sheet) -> None:
    run_before.mind(sheet)
    estimate = sheet.estimate
    if estimate.setup is None:
        st.error("; ".join(estimate.against) or "No machine can take this face.")
        return
    able = sorted({m for j, m in access.queue().by_machine if j == sheet.job.id})
    machine = estimate.setup.machine.id
    run_edges.warn_spent(sheet)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        if len(able) > 1:
            machine = st.selectbox(
                "Machine",
                able,
                index=able.index(machine),
                format_func=lambda i: sheet.shop.machines[i].name,
                key=f"run machine/{sheet.job.id}",
                width=260,
            )
        st.button(
            f"It is on {sheet.shop.machines[machine].name} now: begin",
            type="primary",
            on_click=act,
            args=(begin, sheet, machine),
            disabled=bool(sheet.part.waits_for),
        )
        estimate_view.print_button(sheet.shop, sheet.job, estimate, sheet.units)
    estimate_view.draw(sheet.shop, sheet.job, estimate, sheet.units)


def _under_way(sheet: Sheet) -> None:
    state, estimate = sheet.state, sheet.estimate
    planned = estimate.passes[0] if estimate.passes else None
    # once it is set up they stand below: the touch-off fits a tablet's screen, and the figures after it
    fresh = state.zero is None and not state.passes and not state.set_up
    if fresh:
        run_before.mind(sheet)
    if state.chipped:
        st.error("The edge chipped: index it before the next pass.")
    if state.passes or (state.zero is not None and state.zero.marked):
        run_passes.figures(sheet, planned)
    if state.ready_to_cut:
        run_passes.taps(sheet, planned)
    else:
        run_edges.index_list(sheet)
        if state.waits_for_look:
            run_passes.taps(sheet, planned)
        elif not (state.index_left or state.chipped):
            if not state.passes:
                run_before.steps(sheet)
            run_before.touch_off(sheet)
    run_edges.buttons(sheet)
    matched = sheet.shop.set_of(sheet.job.id)
    view = access.queue().sets.get(matched.id) if matched else None
    if view is not None and state.zero is not None and state.zero.marked:
        run_partner.draw(sheet, view)
    if not fresh:
        run_before.mind(sheet)
    run_passes.made(sheet)
    _ending(sheet)


def _ending(sheet: Sheet) -> None:
    done = sheet.state.clean_mm is not None and not sheet.estimate.passes and not sheet.state.waits_for_look
    with st.expander("End the job: heights, Ra, looks", expanded=done, on_change="rerun", key=f"end/{done}") as more:
        if more.open:
            from planner.screens import run_end

            run_end.draw(sheet)
    with st.expander("Pause, or hold and call", on_change="rerun", key="pause or hold") as more:
        if not more.open:
            return
        st.button("Pause to another day", on_click=act, args=(stop_for, sheet, TapKind.PAUSE))
        left, middle, right = st.columns([2, 4, 2], vertical_alignment="bottom")
        whom = left.selectbox("Call", ("lead", "customer", "assembler"), key="hold for")
        middle.text_input("Why", key="hold why", placeholder="not clean at the agreed depth")
        right.button("Hold it", width="stretch", on_click=act, args=(_hold, sheet, whom))


def _hold(sheet: Sheet, whom: str) -> str:
    return stop_for(sheet, TapKind.HOLD, whom, typed("hold why") or f"call before going on, {sheet.part.tag}")


def _waiting(sheet: Sheet) -> None:
    state, units = sheet.state, sheet.units
    why = f"Held: {state.held}" if state.held else "Paused"
    taken = f"{units.depth(state.removed_mm)} taken" if state.passes else "nothing cut yet"
    st.info(f"{why}. {taken}, all of it kept.")
    with st.container(horizontal=True):
        st.button("Go on: still clamped as it was", type="primary", on_click=act, args=(go_on, sheet, False))
        st.button("Go on: it was taken off or re-clamped", on_click=act, args=(go_on, sheet, True))
    run_passes.made(sheet)
    _ending(sheet)


def _behind(sheet: Sheet) -> None:
    """What is not needed at every pass."""
    run_before.further(sheet)
    if sheet.state.begun:
        with st.expander("The whole estimate", on_change="rerun", key="whole estimate") as more:
            if more.open:
                estimate_view.print_button(sheet.shop, sheet.job, sheet.estimate, sheet.units)
                estimate_view.draw(sheet.shop, sheet.job, sheet.estimate, sheet.units)
        return
    # what was typed and not recorded yet lies open
    begun = bool(access.repository().draft_keys(f"cut:{sheet.job.id}"))
    with st.expander("Type in a finished paper sheet", expanded=begun, on_change="rerun", key="paper sheet") as more:
        if more.open:
            from planner.screens import run_paper

            run_paper.draw(sheet)
