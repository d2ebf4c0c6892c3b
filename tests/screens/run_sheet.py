"""What a person does on the run sheet, for the tests of that page."""

from __future__ import annotations

from datetime import datetime

from planner.edge import Fitted


def press(at, label, nth=0):
    # a key for a finger has its label on two lines
    found = [b for b in at.button if label in " ".join(b.label.split())]
    assert found, (label, [b.label for b in at.button])
    found[nth].click()
    at.run()
    assert not at.exception, [e.value for e in at.exception]
    return at


def field(at, label):
    found = [f for f in at.text_input if label in f.label]
    assert found, (label, [f.label for f in at.text_input])
    return found[0]


def said(at) -> str:
    shown = (*at.markdown, *at.caption, *at.title, *at.error, *at.warning, *at.info, *at.success)
    return " | ".join(str(e.value) for e in shown)


def to_the_mark(at):
    press(at, "begin")
    press(at, "Paper grips")
    press(at, "First mark")
    return at


def end_it(at):
    at.checkbox(key=next(c.key for c in at.checkbox if "out" in c.label)).check().run()
    return press(at, "Record and end")


def fit(store, at=datetime(2026, 3, 2, 6)):
    """A fresh edge sits in the cutter of this sheet."""
    store.add_edge_event(Fitted(at=at, by="ab", cutter="fly 300", pocket=1, insert="D-1", position=1, grade="diamond"))
