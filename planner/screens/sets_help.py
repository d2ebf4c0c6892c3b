"""What would help a set that does not fit, with figures; what is chosen is stored with who agreed."""

from __future__ import annotations

import streamlit as st

from planner import InputError
from planner.match import Help, Option
from planner.screens import access, words
from planner.screens.kept import kept
from planner.screens.refusals import refused
from planner.screens.said import act
from planner.shop import Shop
from planner.store import set_changes
from planner.units import Units
from planner.week.loose import Pool, pool_of
from planner.week.queue import Queue
from planner.week.set_help import options_of
from planner.week.set_view import SetView


def draw(shop: Shop, queue: Queue, view: SetView, units: Units) -> None:
    if view.feasible and view.gang:
        # what could be done is weighed one by one
        return
    if view.feasible:
        label = "What else could be done"
        with st.expander(label, on_change="rerun", key=f"help/{view.matched.id}") as opened:
            if opened.open:
                _options(shop, queue, view, units)
        return
    st.subheader("What would help")
    _options(shop, queue, view, units)


@kept(4)
def _pool(which, version: int, records: int) -> Pool:
    return pool_of(access.shop(), access.knowledge())


def loose() -> Pool:
    """The loose parts of the shop as it stands, nothing chosen yet."""
    return _pool(access.kind(), *access.versions())


@kept(16)
def _found(which, version: int, records: int, system, set_id: int) -> tuple[Option, ...]:
    queue = access.queue()
    view = queue.sets[set_id]
    return options_of(access.shop(), view, queue.estimates, access.knowledge(), loose().parts, access.units())


def _options(shop: Shop, queue: Queue, view: SetView, units: Units) -> None:
    try:
        found = _found(access.kind(), *access.versions(), units.system, view.matched.id)
    except InputError as wrong:
        st.caption(f"Nothing can be weighed yet. {refused(wrong, units)}")
        return
    # within the aim there is nothing to agree to
    found = [o for o in found if o.kind is not Help.ACCEPT or o.who_agrees]
    if not found:
        st.write("Nothing: the set fits as it is planned.")
    for number, option in enumerate(found):
        with st.container(border=True):
            _option(shop, view, option, number, units)


def _option(shop: Shop, view: SetView, option: Option, number: int, units: Units) -> None:
    works = ":green-badge[works]" if option.possible else ":red-badge[not enough]"
    st.markdown(f"**{option.kind.value[0].upper()}{option.kind.value[1:]}** {works}")
    st.write(option.text)
    st.caption(
        f"Taken beyond clean: {units.depth(option.removal_mm)} in all; left apart: {units.depth(option.mismatch_mm)}; "
        f"costs {shop.settings.currency}{option.cost:.0f}."
    )
    if not option.possible:
        return
    key = f"option/{view.matched.id}/{view.matched.version}/{option.kind.name}/{number}"
    agreed = ""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        if option.who_agrees and option.kind in (Help.ACCEPT, Help.GASKET, Help.PARTNER):
            agreed = st.text_input("Who agreed", key=f"{key}/who", persist_state="session", width=260)
        st.button(
            _VERB[option.kind], key=f"{key}/do", on_click=act, args=(_do, shop, view, option, f"{key}/who", agreed)
        )


_VERB = {
    Help.ACCEPT: "Agree to this mismatch",
    Help.RECUT: "Put it back in the queue",
    Help.GASKET: "Plan these gaskets",
    Help.PARTNER: "Swap the partner",
    Help.WELD: "Send it to weld",
}


def _do(shop: Shop, view: SetView, option: Option, who_key: str, agreed: str) -> str:
    agreed = (st.session_state.get(who_key) or agreed).strip()
    store, by, at = access.repository(), access.who(), access.now()
    matched, units = view.matched, access.units()
    jobs = {shop.part_of(shop.jobs[j]).tag: j for j in matched.job_ids}
    if option.who_agrees and option.kind in (Help.ACCEPT, Help.GASKET, Help.PARTNER) and not agreed:
        raise InputError("Who agreed", "", "the name of who agreed to it")
    if option.kind is Help.ACCEPT:
        # agreed to a little more than reckoned: the last figure shown counts in full
        mismatch = option.mismatch_mm + 0.05 * units.depth_factor
        set_changes.accept_mismatch(store, matched, mismatch, agreed, by, at)
        return f"{agreed} agreed to {units.depth(option.mismatch_mm)} in {matched.name}."
    if option.kind is Help.RECUT:
        depths = {jobs[name]: depth for name, depth in option.recuts_mm}
        set_changes.cut_again(store, shop, matched, depths, by, at)
        return f"{', '.join(option.members)} in the queue again, to the depth that is missing."
    if option.kind is Help.GASKET:
        chosen = {jobs[name]: pieces for name, pieces in option.gaskets}
        heights = max(view.finals_mm.values()) - min(view.finals_mm.values())
        set_changes.fit_gaskets(store, shop, matched, chosen, heights, agreed, by, at)
        return "The gaskets are planned on their banks."
    if option.kind is Help.PARTNER:
        staying, new = option.members
        leaving = next(j for name, j in jobs.items() if name != staying)
        set_changes.swap_partner(store, shop, matched, leaving, loose().tags[new].id, by, at)
        return f"{new} goes with {staying}; {words.job_name(shop, leaving)} is on the shelf."
    part = shop.part_of(shop.jobs[jobs[option.members[0]]])
    set_changes.send_to_weld(store, part, f"weld the spot so that {matched.name} can match", by, at)
    return f"{part.tag} waits for the weld."
