"""The page How it learned: every section on a shop without and with a record."""

from __future__ import annotations

from datetime import timedelta

import pytest

from planner.shop import Cut
from tests.tiny import MONDAY

SECTIONS = ("Clean-up depth", "Minutes", "Finish", "Edge life", "Passes and worth", "Cutting speed")


@pytest.fixture
def taught(store):
    shop = store.load_shop()
    part = next(p for p in shop.parts.values() if p.tag == "T-1")
    face = shop.families[part.family_id].faces[0].id
    cutter = next(c for c in shop.cutters.values() if c.name == "fly 300")
    store.add_history(
        Cut(
            None,
            part.id,
            face,
            MONDAY - timedelta(days=n),
            0.08,
            machine_id=cutter.machine_id,
            cutter_id=cutter.id,
            grade_id=cutter.grade_id,
            clean_lower_mm=0.05,
            clean_upper_mm=0.08 + 0.001 * n,
            attended_minutes=60,
            unattended_minutes=30,
            ra_um=(0.8,),
            by="ab",
        )
        for n in range(1, 21)
    )
    return store


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_stands_without_a_record(app, go, section):
    app.session_state["learned section"] = section
    go(app, "learned")


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_stands_on_a_record(app, go, taught, section):
    app.session_state["learned section"] = section
    go(app, "learned")
    said = " ".join([m.value for m in app.markdown] + [str(d.value) for d in app.dataframe])
    if section in SECTIONS[:3]:
        assert "learned from 20" in said.replace("\n", " ") or "learned from 2" in said
    if section == "Finish":
        assert len(app.get("vega_lite_chart")) == 1
