"""The examples in the docstrings of the pure rooms run and say what they say; the calls scripts rely on have one."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import planner.cut
import planner.edge
import planner.face
import planner.match
import planner.week

ROOMS = (planner.face, planner.cut, planner.edge, planner.match, planner.week)
MODULES = [f"{room.__name__}.{found.name}" for room in ROOMS for found in pkgutil.iter_modules(room.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


@pytest.mark.parametrize(
    "call",
    [
        planner.face.minimum_zone,
        planner.face.cleanup,
        planner.face.choose_shims,
        planner.cut.plan_passes,
        planner.cut.fit_depths,
        planner.edge.fit_life,
        planner.edge.index_age,
        planner.match.match_set,
        planner.match.pair_pool,
        planner.week.plan_week,
        planner.week.order_jobs,
    ],
)
def test_the_larger_calls_show_one(call):
    assert ">>>" in call.__doc__
