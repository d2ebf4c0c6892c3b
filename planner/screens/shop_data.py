"""Which shop is open, where it lies, how to start one's own, backups."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from planner.screens import access
from planner.screens.said import act
from planner.screens.shop_records import table
from planner.store import Backup, Kind, StoreError, backup_now, restore
from planner.store.backup import list_backups

_WHY = {"": "asked for", "before-upgrade": "before an upgrade", "before-restore": "before another was put back"}


def draw() -> None:
    _which()
    _backups()


def _which() -> None:
    kind, where = access.kind(), access.where()
    url = where.url(kind)
    sqlite = url.get_backend_name() == "sqlite"
    with st.container(border=True):
        if kind is Kind.SAMPLE:
            st.markdown("**The sample shop is open.** Its parts, people and records are invented.")
        else:
            st.markdown("**Your own shop is open.**")
        st.markdown(f"It lies in `{url.database if sqlite else url.render_as_string(hide_password=True)}`")
        st.caption("Sample and own shop lie in two files and never mix: each is marked, the wrong one is refused.")
        with st.container(horizontal=True):
            switch_buttons("data")


def switch_buttons(place: str) -> None:
    """Start one's own shop, or look at the other one: one click."""
    if access.kind() is Kind.SAMPLE:
        label = "Look at my own shop" if access.own_exists() else "Start my own shop"
        st.button(label, type="primary", key=f"{place}/own", on_click=act, args=(_switch, Kind.OWN))
    else:
        st.button("Look at the sample again", key=f"{place}/sample", on_click=act, args=(_switch, Kind.SAMPLE))


def _switch(kind: Kind) -> str:
    fresh = kind is Kind.OWN and not access.own_exists()
    access.choose(kind)
    if fresh:
        return "Your own shop is started, empty. Enter what stands below, in that order."
    return "Your own shop is open." if kind is Kind.OWN else "The sample shop is open; your own stays as it is."


# -- backups -----------------------------------------------------------------------------------------------------------
def _backups() -> None:
    st.subheader("Backups")
    kind, where = access.kind(), access.where()
    if where.url(kind).get_backend_name() != "sqlite":
        st.info("This shop lies on a database server: back it up with the server's own means.")
        return
    with st.container(horizontal=True):
        st.button("Back up now", type="primary", key="data/backup", on_click=act, args=(_backup,))
        st.download_button(
            "Download a backup",
            data=_fresh_copy,
            file_name=f"{kind.value}-shop-{access.now():%Y%m%d-%H%M}.db",
            mime="application/vnd.sqlite3",
            key="data/download",
            on_click="ignore",
        )
    found = list_backups(where.backups, kind)
    table(
        [
            {
                "Made": f"{b.at:%a %d %b %Y %H:%M:%S}",
                "Why": _WHY.get(b.why, b.why),
                "Size": f"{b.bytes / 1e6:.1f} MB",
                "File": b.path.name,
            }
            for b in found
        ],
        "No backup yet.",
    )
    st.caption(
        f"They lie in `{where.backups}`; the last 20 are kept. They are on the same disk as the shop: carry a copy off "
        "now and then."
    )
    _put_back({b.path.name: b for b in found})


def _put_back(found: dict[str, Backup]) -> None:
    """Choose a kept backup, or bring one that was carried off; nothing happens before the check mark is set."""
    with st.expander("Put a backup back"):
        name = st.selectbox(
            "Backup",
            list(found),
            format_func=lambda n: f"{found[n].at:%a %d %b %Y %H:%M:%S}, {_WHY.get(found[n].why, found[n].why)}",
            key=f"data/{access.kind()}/which",
        )
        brought = st.file_uploader("… or a file that was carried off", type="db", key=f"data/{access.kind()}/file")
        st.write("Everything stored since then leaves the screen. The present state is backed up first.")
        sure = st.checkbox("Yes, put it back", key=f"data/{access.kind()}/sure")
        chosen = brought if brought is not None else found[name].path if name else None
        st.button(
            "Put it back",
            key="data/restore",
            disabled=not sure or chosen is None,
            on_click=act,
            args=(_restore, chosen),
        )


def _made() -> Backup:
    return backup_now(access.repository().engine, access.where().backups, access.kind(), access.now())


def _backup() -> str:
    made = _made()
    return f"Backed up to {made.path.name}, {made.bytes / 1e6:.1f} MB."


def _fresh_copy() -> bytes:
    return _made().path.read_bytes()


def _restore(chosen) -> str:
    store, folder = access.repository(), access.where().backups
    if isinstance(chosen, Path):
        name, last = chosen.name, restore(store, chosen, folder, access.now())
    else:
        with tempfile.TemporaryDirectory() as place:
            # the name a browser sends is not to be trusted as a path
            path = Path(place) / "brought.db"
            path.write_bytes(chosen.getvalue())
            try:
                name, last = chosen.name, restore(store, path, folder, access.now())
            except StoreError as trouble:
                raise StoreError(str(trouble).replace(path.name, chosen.name)) from trouble
    access.reopen()
    st.session_state[f"data/{access.kind()}/sure"] = False
    return f"{name} is put back. What was there before is kept in {last.path.name}."
