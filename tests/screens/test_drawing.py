"""What one drawing of a page reads once, and what it must not miss."""

from __future__ import annotations

from dataclasses import replace

import pytest

from planner.screens import access
from planner.screens.drawing import drawing, once
from planner.store import Kind
from tests.tiny import MONDAY


@pytest.fixture
def asked():
    """A reading that counts how often it was made."""

    def read():
        read.times += 1
        return read.times

    read.times = 0
    return read


def test_inside_a_drawing_a_thing_is_read_once_and_in_the_next_one_anew(asked):
    with drawing():
        assert [once("it", asked), once("it", asked), once("other", asked)] == [1, 1, 2]
    with drawing():
        assert once("it", asked) == 3


def test_outside_a_drawing_everything_is_read_anew(asked):
    assert [once("it", asked), once("it", asked)] == [1, 2]


def test_a_drawing_that_breaks_off_is_over(asked):
    with pytest.raises(RuntimeError), drawing():
        once("it", asked)
        raise RuntimeError
    assert [once("it", asked), once("it", asked)] == [2, 3]


def test_what_is_stored_while_a_page_is_drawn_is_seen_on_it(store):
    ours = access._open(Kind.OWN)
    part = next(iter(ours.load_shop().parts.values()))
    with drawing():
        access.choose(Kind.OWN)
        before = access.versions(), access.data_version()
        ours.save(replace(part, owner="somebody else"), by="ab", at=MONDAY)
        assert access.versions() != before[0]
        assert access.data_version() != before[1]
        assert access.shop().parts[part.id].owner == "somebody else"


def test_the_store_is_asked_once_for_its_counters_while_a_page_is_drawn(store, monkeypatch):
    ours, times = access._open(Kind.OWN), []
    asked = ours.versions
    monkeypatch.setattr(ours, "versions", lambda: times.append(1) or asked())
    with drawing():
        access.choose(Kind.OWN)
        for _ in range(5):
            access.shop()
    assert len(times) == 1
