"""A running app on one's own shop, filled with the tiny shop, at the hour the tiny shop was made for."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from planner.screens import access
from planner.shop import Shop
from planner.store import Kind, Places, Repository, open_kind, places
from planner.store.computed import Computed
from tests.tiny import MONDAY, tiny_shop

APP = Path(__file__).parents[2] / "app.py"


def fill(store: Repository, shop: Shop) -> dict[str, dict[int, int]]:
    """Store every noun of a shop; returns the stored id of each id, by noun ("parts", "jobs", …)."""
    new: dict[str, dict[int, int]] = {}

    def put(kind: str, change: Callable[[object], dict] = lambda noun: {}) -> None:
        new[kind] = {}
        for key, noun in sorted(getattr(shop, kind).items()):
            stored = store.add(dataclasses.replace(noun, id=None, **change(noun)), by="ab", at=MONDAY)
            new[kind][key] = stored.id
            if kind == "families":
                new["faces"] |= {old.id: face.id for old, face in zip(noun.faces, stored.faces, strict=True)}

    def link(kind: str, key: int | None) -> int | None:
        return None if key is None else new[kind][key]

    new["faces"] = {}
    put("families", lambda n: {"faces": tuple(dataclasses.replace(f, id=None) for f in n.faces)})
    put("machines")
    put("people", lambda n: {"machine_ids": tuple(link("machines", i) for i in n.machine_ids)})
    put("grades")
    put(
        "cutters",
        lambda n: {"machine_id": link("machines", n.machine_id), "grade_id": link("grades", n.grade_id)},
    )
    put("recipes", lambda n: {"grade_id": link("grades", n.grade_id)})
    put("gaskets")
    put(
        "parts",
        lambda n: {
            "family_id": link("families", n.family_id),
            "heights": tuple(dataclasses.replace(h, face_id=link("faces", h.face_id)) for h in n.heights),
        },
    )
    put(
        "jobs",
        lambda n: {
            "part_id": link("parts", n.part_id),
            "face_id": link("faces", n.face_id),
            "gasket_id": link("gaskets", n.gasket_id),
        },
    )
    put("sets", lambda n: {"job_ids": tuple(link("jobs", i) for i in n.job_ids)})
    return new


@pytest.fixture(scope="session")
def kept_results(tmp_path_factory: pytest.TempPathFactory) -> Computed:
    """What took long to compute, kept from one test to the next as from one start of the app to the next: a result is
    known by all that it was computed from."""
    return Computed(tmp_path_factory.mktemp("computed"))


def made_once(folder: Path, shop: Shop | None) -> Path:
    """The file of one's own shop, just started, with a shop's nouns in it or with none."""
    store = open_kind(Places(folder), Kind.OWN, MONDAY)
    if shop is not None:
        fill(store, shop)
    store.engine.dispose()
    return Path(Places(folder).url(Kind.OWN).database)


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_once(tmp_path_factory.mktemp("empty"), None)


@pytest.fixture(scope="session")
def tiny_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_once(tmp_path_factory.mktemp("tiny"), tiny_shop())


@pytest.fixture
def data_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kept_results: Computed) -> Path:
    """A user's data directory of its own, nothing cached, the shop's clock on the tiny shop's Monday morning."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("PLANNER_DATABASE", raising=False)
    monkeypatch.setattr(access, "now", lambda: MONDAY)
    monkeypatch.setattr(access, "_computed", lambda: kept_results)
    st.cache_resource.clear()
    st.cache_data.clear()
    yield tmp_path
    st.cache_resource.clear()
    st.cache_data.clear()


def own_from(file: Path) -> Repository:
    """One's own shop, begun as a copy of this file."""
    where = places()
    where.make()
    shutil.copyfile(file, where.url(Kind.OWN).database)
    return open_kind(where, Kind.OWN, MONDAY)


@pytest.fixture
def empty_own(data_home: Path, empty_file: Path) -> Repository:
    """One's own shop, just started: nothing in it."""
    return own_from(empty_file)


@pytest.fixture
def store(data_home: Path, tiny_file: Path) -> Repository:
    """One's own shop with the tiny shop in it. The app opens the same file."""
    return own_from(tiny_file)


@pytest.fixture
def app(store: Repository) -> AppTest:
    """The app on the tiny shop, not run yet: it starts on the page Week."""
    return AppTest.from_file(str(APP), default_timeout=60)


@pytest.fixture
def empty_app(empty_own: Repository) -> AppTest:
    """The app on an empty shop of one's own, not run yet."""
    return AppTest.from_file(str(APP), default_timeout=60)


def turn(at: AppTest, page: str) -> AppTest:
    """Show a page by its name in the address, the way a button's callback asks for it."""
    at.session_state["go to"] = page
    at.run()
    assert not at.exception, [e.value for e in at.exception]
    return at


@pytest.fixture
def go() -> Callable[[AppTest, str], AppTest]:
    """``go(app, "shop")``: show that page; fails on any exception there."""
    return turn


@pytest.fixture
def sheet(app, store, go):
    """The run sheet of the tiny shop's first job; its only person is named."""
    shop = store.load_shop()
    job = next(iter(shop.jobs.values()))
    app.session_state["who"] = next(iter(shop.people))
    go(app, "run")
    app.selectbox(key="run job").select(job.id).run()
    assert not app.exception
    return app, store, job.id
