"""The run sheet of one job, for a tablet at the machine: what to set, pass by pass, and what came out."""

from __future__ import annotations

import streamlit as st

from planner.cut.running import fold
from planner.screens import (
    access,
    estimate_view,
    pending,
    plans,
    run_before,
    run_edges,
    run_gang,
    run_partner,
    run_passes,
    words,
)
from planner.screens.kept import kept
from planner.screens.keys import tall
from planner.screens.run_deeds import JOB, Sheet, begin, go_on, open_sheet, stop_for, turn_to, typed, undo, words_of
from planner.screens.said import act, keep_label, say
from planner.screens.week_live import watch
from planner.shop import Job, JobState, Shop, TapKind
from planner.store import Kind
from planner.units import as_read, minutes_words
from planner.week.gang import course_words

_ORDER, _HERE = "run order", "run machine here"


def draw() -> None:
    shop = access.shop()
    jobs = {j.id: j for j in shop.open_jobs()}
    if not jobs:
        st.title("Run sheet", anchor=False)
        st.info("No job is open. Enter parts on the page Parts.")
        return
    sheet = open_sheet(shop, _choose(shop, jobs))
    say()
    _last_entry(sheet)
    state, estimate = sheet.state, sheet.estimate
    # a job held on the machine says so itself
    waits = [w for w in sheet.part.waits_for if not (state.held and w.endswith(state.held))]
    if waits:
        told = as_read("; ".join(waits), sheet.units)
        st.error(("Waits: " if state.begun else "Not on the machine yet: ") + told)
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
    order = _in_turn(shop, jobs)
    if st.session_state.get(JOB) not in jobs:
        named = st.query_params.get("job", "")
        st.session_state[JOB] = int(named) if named.isdigit() and int(named) in jobs else order[0]
    labels = _labels(access.kind(), access.versions()[0], shop)
    keep_label(JOB, labels[st.session_state[JOB]])
    with st.container(horizontal=True, vertical_alignment="center"):
        st.header("Run sheet", anchor=False, width="content")
        job_id = st.selectbox(
            "Job",
            order,
            key=JOB,
            format_func=labels.__getitem__,
            persist_state="session",
            label_visibility="collapsed",
        )
    # a tablet that reloads, or wakes after a power cut, comes back to this job, at this machine, with this person
    here = _machine_of(shop, jobs[job_id])
    if here is not None:
        st.session_state[_HERE] = here
    told = {"job": job_id, "who": st.session_state.get("who"), "machine": st.session_state.get(_HERE)}
    for name, value in told.items():
        if value is not None:
            st.query_params[name] = str(value)
    return job_id


def _in_turn(shop: Shop, jobs: dict[int, Job]) -> list[int]:
    """What is on this tablet's machine first, then as the plan says; put together anew when a job begins or ends."""
    free = frozenset(i for i, j in jobs.items() if not shop.part_of(j).waits_for)
    running = frozenset(i for i, j in jobs.items() if j.state is JobState.RUNNING)
    stamp = (access.kind(), tuple(jobs), free, running)
    known = st.session_state.get(_ORDER)
    if known is not None and known[0] == stamp:
        return known[1]
    turns, here, who = plans.turns(), _here(shop), access.who()

    def place(i: int) -> tuple:
        turn, machine = turns.get(i, (len(turns), None))
        if i in running:
            machine = _machine_of(shop, jobs[i])
        elsewhere = here is not None and machine not in (here, None)
        taps = shop.taps.get(i, ()) if i in running else ()
        mine = bool(taps) and bool(who) and taps[-1].by == who
        since = -taps[-1].at.timestamp() if taps else 0.0
        return (i not in free | running, elsewhere, i not in running, not mine, since, turn, i)

    order = sorted(jobs, key=place)
    st.session_state[_ORDER] = (stamp, order)
    return order


def _here(shop: Shop) -> int | None:
    """The machine this tablet stands at: where its last job ran."""
    named = st.query_params.get("machine", "")
    known = st.session_state.get(_HERE, int(named) if named.isdigit() else None)
    return known if known in shop.machines else None


def _machine_of(shop: Shop, job: Job) -> int | None:
    """The machine a job was begun on; None before."""
    return fold(shop.taps[job.id]).machine_id if shop.taps.get(job.id) else None


@kept(4)
def _labels(which: Kind, version: access.Version, _shop: Shop) -> dict[int, str]:
    """What the open jobs are called, by id."""
    return {job.id: _job_words(_shop, job) for job in _shop.open_jobs()}


def _job_words(shop: Shop, job: Job) -> str:
    part = shop.part_of(job)
    family = shop.family_of(part)
    state = " (waits)" if part.waits_for else ""
    if job.state is JobState.RUNNING:
        state = " (on the machine)"
    return f"{words.job_name(shop, job.id)}: {'quick job' if family.one_off else family.name}{state}"


def _last_entry(sheet: Sheet) -> None:
    """What is on disk: an entry counts once it stands here. And taking it back."""
    if not sheet.taps:
        return
    last = sheet.taps[-1]
    left, right = st.columns([4, 1], vertical_alignment="center")
    by = f" by {last.by}" if last.by else ""
    count = len(sheet.taps)
    stored = f"{count} {'entry' if count == 1 else 'entries'} stored"
    told = as_read(words_of(last), sheet.units)
    with left.container(gap=None):
        st.markdown(f":green-badge[{stored}] last: **{told}**, {last.at:%a %H:%M:%S}{by}")
        pending.draw()
    right.button(
        tall("Undo it,", "the last entry"),
        key=f"undo/{sheet.job.id}/{sheet.seen}",
        icon=":material/undo:",
        width="stretch",
        on_click=act,
        args=(undo, sheet),
    )


def _gang(sheet: Sheet) -> None:
    """A gang's members have a sheet each: what is joint, what is this one's own, and the way to the others."""
    matched = sheet.shop.set_of(sheet.job.id)
    if matched is None or not (matched.gang or sheet.mates):
        return
    machine = sheet.state.machine_id or (sheet.estimate.setup.machine.id if sheet.estimate.setup else None)
    course = sheet.course or run_gang.course_of(sheet.job.id, machine)

    def tags(ids) -> dict[int, str]:
        return {i: sheet.shop.part_of(sheet.shop.jobs[i]).tag for i in ids}

    if course is None:
        whole = ", ".join(tags(matched.job_ids).values())
        gone = run_gang.ended(sheet)
        if gone:
            st.info(f"**Gang of {whole}**: the others are ended; this one goes on by itself.")
        elif not sheet.state.begun:
            st.warning(f"Gang of {whole}: not planned as one setting. The page Matched sets says why.")
    elif sheet.mates:
        st.info(
            f"**Gang: {', '.join(tags(course.job_ids).values())}**, {course.layout}. The figure to set, touch-off, passes "
            "and edge are of all: what is tapped of them stands on every member's sheet. Depths, levelling and heights are "
            "each one's own."
        )
    else:
        st.info(
            f"**Gang: {', '.join(tags(course.job_ids).values())}**, {course.layout}, one setting: "
            f"{course_words(sheet.shop, course, sheet.units)}; {minutes_words(course.machine_minutes)} at the machine for "
            "all. Depths and heights below are this member's own, from its own first contact, as the gang is cut; minutes "
            "and cost are its share, those of a pass the whole traverse's."
        )
    _off_the_table(sheet)
    with st.container(horizontal=True):
        for job_id, tag in tags(matched.job_ids).items():
            if job_id != sheet.job.id and job_id in access.queue().estimates:
                st.button(tall(f"Sheet of {tag}"), key=f"gang/{job_id}", on_click=turn_to, args=(job_id,))


def _off_the_table(sheet: Sheet) -> None:
    """Who was ended has left the gang, but lies under the cutter until somebody takes it off."""
    gone = list(run_gang.ended(sheet).values())
    if gone and run_gang.next_pass(sheet) is not None:
        who, verb, them = " and ".join(gone), "is" if len(gone) == 1 else "are", "it" if len(gone) == 1 else "them"
        st.warning(f"**{who} {verb} ended: off the table before the next pass**, or the traverse cuts {them} too.")


def _not_begun(sheet: Sheet) -> None:
    _gang(sheet)
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
        gang = run_gang.course_of(sheet.job.id, machine)
        on = "It is" if gang is None else f"All {len(gang.job_ids)} are"
        st.button(
            tall(f"{on} on {sheet.shop.machines[machine].name}", "now: begin"),
            type="primary",
            on_click=act,
            args=(begin, sheet, machine, gang),
            disabled=bool(sheet.part.waits_for),
        )
        estimate_view.print_button(sheet.shop, sheet.job, estimate, sheet.units)
        pending.draw()
    run_before.out_of_tram(sheet, machine)
    estimate_view.draw(sheet.shop, sheet.job, estimate, sheet.units)


def _under_way(sheet: Sheet) -> None:
    state = sheet.state
    planned = run_gang.next_pass(sheet)
    # everything up to the first mark fits a tablet's screen: nobody has scrolled when the figures come in its place
    fresh = state.zero is None and not state.passes and not state.set_up
    if sheet.mates:
        _gang(sheet)
    if state.chipped:
        st.error(f"{run_edges.chipped_words(sheet)} chipped: index it before the next pass.")
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
            if fresh:
                left, right = st.columns([2, 3])
                with left:
                    run_before.mind(sheet)
                with right:
                    run_before.set_up(sheet)
                    run_before.touch_off(sheet)
            else:
                run_before.touch_off(sheet)
                if not (state.set_up or state.passes):
                    run_before.set_up(sheet)
    done = _done(sheet)
    if done:
        _ending(sheet)
    run_edges.buttons(sheet)
    if not sheet.mates:
        _gang(sheet)
    matched = sheet.shop.set_of(sheet.job.id)
    view = access.queue().sets.get(matched.id) if matched else None
    if view is not None and state.zero is not None and state.zero.marked:
        run_partner.draw(sheet, view)
    if not fresh or state.chipped or state.index_left:
        run_before.mind(sheet)
    run_passes.made(sheet)
    if not done:
        _ending(sheet)
    _pausing(sheet)


def _done(sheet: Sheet) -> bool:
    """Clean, and no pass to come: the ending stands where the passes stood."""
    waits = any(one.state.waits_for_look for one in sheet.together)
    return run_gang.clean(sheet) and run_gang.next_pass(sheet) is None and not waits


def _ending(sheet: Sheet) -> None:
    done = _done(sheet)
    with st.expander("End the job: heights, Ra, looks", expanded=done, on_change="rerun", key=f"end/{done}") as more:
        if more.open:
            from planner.screens import run_end

            run_end.draw(sheet)


def _pausing(sheet: Sheet) -> None:
    with st.expander("Pause, or hold and call", on_change="rerun", key="pause or hold") as more:
        if not more.open:
            return
        st.button(tall("Pause to another day"), on_click=act, args=(stop_for, sheet, TapKind.PAUSE))
        left, middle, right = st.columns([2, 4, 2], vertical_alignment="bottom")
        whom = left.selectbox("Call", ("lead", "customer", "assembler"), key="hold for")
        middle.text_input("Why", key="hold why", placeholder="not clean at the agreed depth")
        right.button(tall("Hold it", "and call"), width="stretch", on_click=act, args=(_hold, sheet, whom))


def _hold(sheet: Sheet, whom: str) -> str:
    return stop_for(sheet, TapKind.HOLD, whom, typed("hold why") or f"call before going on, {sheet.part.tag}")


def _waiting(sheet: Sheet) -> None:
    state, units = sheet.state, sheet.units
    held = next((w for w in sheet.part.waits_for if state.held and w.endswith(state.held)), state.held)
    why = f"Held, to be called: {held}" if state.held else "Paused"
    taken = f"{units.depth(state.removed_mm)} taken, all of it kept" if state.passes else "Nothing cut yet"
    st.info(f"{as_read(why, units)}. {taken}.")
    with st.container(horizontal=True):
        st.button(tall("Go on:", "still clamped as it was"), type="primary", on_click=act, args=(go_on, sheet, False))
        st.button(tall("Go on:", "it was taken off or re-clamped"), on_click=act, args=(go_on, sheet, True))
    run_passes.made(sheet)
    _ending(sheet)
    _pausing(sheet)


def _behind(sheet: Sheet) -> None:
    """What is not needed at every pass."""
    run_before.further(sheet)
    if sheet.state.begun:
        with st.expander("The whole estimate", on_change="rerun", key="whole estimate") as more:
            if more.open:
                estimate_view.print_button(sheet.shop, sheet.job, sheet.estimate, sheet.units)
                estimate_view.draw(sheet.shop, sheet.job, sheet.estimate, sheet.units)
        return
    # what was typed and not recorded yet lies open; said once, or the first field typed would take the others' place
    kept = access.repository().draft_keys(f"cut:{sheet.job.id}")
    begun = st.session_state.setdefault(f"paper begun/{sheet.job.id}", bool(kept))
    with st.expander("Type in a finished paper sheet", expanded=begun, on_change="rerun", key="paper sheet") as more:
        if more.open:
            from planner.screens import run_paper

            run_paper.draw(sheet)
