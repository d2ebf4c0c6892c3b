"""What scripts rely on: the public names of every room are there, and stay what they are when more is imported."""

from __future__ import annotations

import importlib
import inspect
import pkgutil

import pytest

import planner.face

ROOMS = ("shop", "face", "cut", "edge", "match", "week", "store", "sheets")

# the calls that scripts outside this package make
PROMISED = {
    "face": "minimum_zone least_squares cleanup choose_shims",
    "cut": "spindle_speed table_feed pass_minutes cutting_travel clearing_travel path_in_material theoretical_ra "
    "theoretical_rz feed_for_ra plan_passes fit_depths",
    "edge": "fit_life index_age taylor_fit economic_speed fastest_speed",
    "match": "match_set pair_pool swept_volume compression_ratio milled_clearance piston_drop cam_shift",
    "week": "plan_week order_jobs",
}


@pytest.mark.parametrize("room", PROMISED)
def test_promised_calls_are_public(room):
    package = importlib.import_module(f"planner.{room}")
    for name in PROMISED[room].split():
        assert name in package.__all__, name
        assert callable(getattr(package, name)), name


@pytest.mark.parametrize("room", ROOMS)
def test_every_public_name_is_there_once(room):
    package = importlib.import_module(f"planner.{room}")
    assert sorted(package.__all__) == sorted(set(package.__all__))
    assert set(package.__all__) <= set(dir(package))
    for name in package.__all__:
        assert getattr(package, name) is not None


@pytest.mark.parametrize("room", ROOMS)
def test_a_module_never_takes_the_place_of_a_public_name(room):
    package = importlib.import_module(f"planner.{room}")
    for found in pkgutil.iter_modules(package.__path__):
        importlib.import_module(f"planner.{room}.{found.name}")
    assert [name for name in package.__all__ if inspect.ismodule(getattr(package, name))] == []


def test_an_unknown_name_is_refused_as_python_does():
    with pytest.raises(AttributeError, match="no_such_name"):
        planner.face.no_such_name  # noqa: B018
    with pytest.raises(ImportError):
        from planner.cut import no_such_name  # noqa: F401
