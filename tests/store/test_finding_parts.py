"""Find takes any mark of a part, or its last four characters, and shows all earlier cuts and the total removed."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.shop import Part, PartState


@pytest.fixture
def marked(repository, stored):
    return repository.save(
        replace(stored.left, casting_number="C 1188-77A", part_number="PN/5", second_mark="punch XQ", owner="harbour")
    )


@pytest.mark.parametrize(
    ("typed", "mark"),
    [
        ("H-101", "tag"),
        ("h101", "tag"),  # capitals and dashes do not matter
        ("-101", "tag"),  # four characters typed, the three that count end the tag
        ("H101 ", "tag"),
        ("W-9", "work order"),
        ("ES 00-4711", "engine serial"),
        ("4711", "engine serial"),
        ("00-4711", "engine serial"),
        ("77A", None),
        ("877A", "casting number"),
        ("8-77A", "casting number"),
        ("1188-77a", "casting number"),
        ("pn5", "part number"),
        ("punch xq", "second mark"),
        ("", None),
        ("%", None),
        ("____", None),
        ("4712", None),
    ],
)
def test_what_is_typed_finds_the_part(repository, stored, marked, typed, mark):
    found = {f.part.id: f for f in repository.find(typed)}
    if mark is None:
        assert found == {}
    else:
        assert mark in found[marked.id].marks


def test_both_parts_of_the_work_order_are_found_newest_first(repository, stored):
    assert [f.part.tag for f in repository.find("W-9")] == ["H-102", "H-101"]
    assert len(repository.find("W-9", limit=1)) == 1


def test_a_found_part_shows_its_cuts_and_the_total_removed(repository, stored, make_cut):
    repository.record_cut(make_cut())
    repository.add_history([make_cut(job_id=None, stop_depth_mm=0.2, ended=datetime(2024, 1, 1), started=None)])
    wrong = repository.add_history([make_cut(job_id=None, stop_depth_mm=0.5)])
    assert wrong == 1
    repository.reverse_cut(3, "typed twice", "ab", datetime(2026, 3, 3))
    (found,) = repository.find("H-101")
    assert [c.stop_depth_mm for c in found.cuts] == [0.2, 0.1]
    assert found.removed_mm == {stored.deck.id: pytest.approx(0.3)}
    assert found.family.name == "small head"


def test_a_part_that_came_back_under_another_tag_brings_its_past(repository, stored, make_cut):
    repository.record_cut(make_cut())
    old = repository.save(replace(repository.load(Part, stored.left.id), state=PartState.GONE, removed_before_mm=0.15))
    fields = {"engine_serial": "es00 4711", "position": "Left"}
    back = repository.add(Part("K-7", stored.family.id, **fields))
    (found,) = repository.find("K-7")
    assert found.part == back and [p.id for p in found.earlier] == [old.id]
    assert found.removed_mm == {stored.deck.id: pytest.approx(0.1)}
    # what was taken before the first record is known from the first record
    assert found.removed_before_mm == 0.15
    assert {f.part.tag for f in repository.find("4711")} == {"K-7", "H-101", "H-102"}
    # the plan counts the earlier cut as well, unless the shop says itself what was removed before
    assert repository.load_shop().removed_mm[back.id, stored.deck.id] == pytest.approx(0.1)
    repository.save(replace(back, removed_before_mm=0.25))
    assert (back.id, stored.deck.id) not in repository.load_shop().removed_mm
    # the other side of the engine is another part
    other = repository.add(Part("K-8", stored.family.id, engine_serial="ES 00-4711", position="middle"))
    assert repository.history_of(other.id).earlier == ()


def test_a_casting_number_alone_does_not_make_two_parts_one(repository, stored):
    """Every part of a family carries the same casting number."""
    for tag in ("C-1", "C-2"):
        repository.add(Part(tag, stored.family.id, casting_number="7788", position="left"))
    found = repository.find("7788")
    assert [f.part.tag for f in found] == ["C-2", "C-1"] and all(f.earlier == () for f in found)


def test_an_old_mark_is_forgotten_when_it_is_corrected(repository, stored):
    repository.save(replace(stored.left, tag="H-909"))
    assert repository.find("H-101") == () and len(repository.find("H-909")) == 1


def test_no_history_of_no_part(repository, stored):
    assert repository.history_of(99) is None


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(typed=st.text(max_size=30))
def test_nothing_typed_breaks_the_search(repository, stored, typed):
    for found in repository.find(typed):
        assert found.marks
