"""The line of a machine's card that tells its last spindle check, and a warning where it would spoil a face."""

from __future__ import annotations

import streamlit as st

from planner.shop import Machine, Shop
from planner.units import Units
from planner.week.queue import Queue
from planner.week.spindle import SpindleCheck, spindle_check


def check_of_machine(shop: Shop, queue: Queue, machine: Machine, job_ids) -> SpindleCheck:
    """The last check against the faces of these jobs."""
    estimates = [queue.by_machine.get((j, machine.id)) or queue.estimates.get(j) for j in job_ids]
    return spindle_check(shop, machine, [e for e in estimates if e is not None])


def draw_spindle(shop: Shop, queue: Queue, machine: Machine, job_ids, units: Units) -> None:
    """One caption, and the warnings before it."""
    check = check_of_machine(shop, queue, machine, job_ids)
    for warning in check.warnings(units):
        st.warning(warning)
    passes = check.pass_words()
    st.caption(f"spindle {check.date_words()}" + (f"; {passes}" if passes else ""))
