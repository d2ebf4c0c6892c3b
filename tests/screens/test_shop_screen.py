"""The page Shop: every section draws, saves what was typed, refuses what cannot be, keeps what was not saved."""

from __future__ import annotations

import dataclasses
from datetime import date, datetime

import pytest

from planner.screens.shop import SECTION
from planner.shop import Cutter, Family, Gasket, InsertGrade, Machine, Person, Recipe
from planner.store import Kind, open_kind, places
from planner.store.backup import list_backups
from tests.tiny import MONDAY

SECTIONS = (
    "Families",
    "Machines",
    "People",
    "Cutters",
    "Insert grades",
    "Recipes",
    "Gaskets",
    "Calendar",
    "Settings",
    "Data",
)


def show(at, go, section: str):
    at.session_state[SECTION] = section
    return go(at, "shop")


def field(at, label: str, kind: str = "text_input", nth: int = 0):
    """The field with this label (units in brackets left out)."""
    found = [w for w in getattr(at, kind) if w.label == label or w.label.startswith(f"{label} (")]
    assert len(found) > nth, (label, [w.label for w in getattr(at, kind)])
    return found[nth]


def press(at, label: str):
    found = [b for b in at.button if b.label == label]
    assert found, (label, [b.label for b in at.button])
    found[0].click().run()
    assert not at.exception, [e.value for e in at.exception]
    return at


def said(at) -> str:
    return " ".join(e.value for kind in (at.success, at.error, at.warning, at.info) for e in kind)


def only(nouns: dict, name: str):
    return next(n for n in nouns.values() if n.name == name)


@pytest.mark.parametrize("section", SECTIONS)
@pytest.mark.parametrize("system", ["inch", "metric"])
def test_every_section_draws_on_the_tiny_shop(app, go, section, system):
    app.session_state["units"] = system
    show(app, go, section)
    assert [t.value for t in app.title] == ["Shop"]


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_draws_on_an_empty_shop(empty_app, go, section):
    show(empty_app, go, section)
    assert any("What to enter first" in m.value for m in empty_app.markdown)
