"""How a test uses the page Shop: show a section, fill a field, press a button, read what is said."""

from __future__ import annotations

from planner.screens.shop import SECTION

SECTIONS = (
    "Families",
    "Engines",
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
