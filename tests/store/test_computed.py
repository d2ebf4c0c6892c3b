"""Results kept on disk: computed once, anew when anything they rest on changed, never in the way."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest

from planner.store import computed
from planner.store.computed import KEPT, Computed

ROOT = Path(__file__).resolve().parents[2]
calls: list[tuple] = []


def _joined(a, b):
    calls.append((a, b))
    return (a, b)


@pytest.fixture
def kept(tmp_path):
    calls.clear()
    return Computed(tmp_path / "computed")


def test_a_result_is_computed_once_even_by_another_start(kept):
    assert kept.call(_joined, 1, "x") == (1, "x")
    assert Computed(kept.folder).call(_joined, 1, "x") == (1, "x")
    assert calls == [(1, "x")]
    assert kept.folder.stat().st_mode & 0o077 == 0


def test_what_the_nouns_are_made_of_is_kept(kept):
    inside = {"depths": MappingProxyType({1: math.inf}), "heights": np.arange(3.0)}
    kept.call(_joined, inside, "x")
    again = kept.call(_joined, inside, "x")[0]
    assert len(calls) == 1
    assert again["depths"] == MappingProxyType({1: math.inf}) and isinstance(again["depths"], MappingProxyType)
    assert (again["heights"] == inside["heights"]).all()


def test_the_next_start_finds_it_whatever_the_order_of_a_set(tmp_path):
    code = (
        "import pathlib, sys, collections; from planner.store.computed import Computed\n"
        "kept = Computed(pathlib.Path(sys.argv[1]))\n"
        "names = [f'part {i}' for i in range(40)]\n"
        "again = ''.join(['par', 't 1'])\n"  # equal to a name, but another object
        "print(kept.call(len, (frozenset(names), {'a': set(names)}, names[1], again if len(sys.argv) > 2 else names[1])))"
    )
    for seed, more in (("1", ()), ("2", ()), ("3", ("another object",))):
        done = subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / "computed"), *more],
            env=dict(os.environ) | {"PYTHONHASHSEED": seed},
            cwd=ROOT, capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert done.stdout.strip() == "4"
    assert len(list((tmp_path / "computed").iterdir())) == 1


def test_other_inputs_or_another_program_compute_anew(kept, monkeypatch):
    kept.call(_joined, 1, "x")
    kept.call(_joined, 2, "x")
    monkeypatch.setattr(computed, "program", lambda: b"the next version")
    kept.call(_joined, 1, "x")
    assert calls == [(1, "x"), (2, "x"), (1, "x")]


@pytest.mark.parametrize("damage", [b"", b"no pickle", b"\x80\x05cno.such\nThing\n."])
def test_a_damaged_file_is_computed_again_and_mended(kept, damage):
    kept.call(_joined, 1, "x")
    (file,) = kept.folder.iterdir()
    file.write_bytes(damage)
    assert kept.call(_joined, 1, "x") == (1, "x")
    assert kept.call(_joined, 1, "x") == (1, "x")
    assert len(calls) == 2


def test_only_the_last_few_are_kept(kept):
    for number in range(KEPT + 3):
        kept.call(_joined, number, "x")
    assert len(list(kept.folder.iterdir())) == KEPT
    kept.call(_joined, KEPT + 2, "x")
    assert len(calls) == KEPT + 3


def test_a_disk_that_takes_nothing_costs_only_time(kept):
    kept.folder.parent.mkdir(exist_ok=True)
    kept.folder.write_text("a file where the folder should be")
    assert kept.call(_joined, 1, "x") == (1, "x")
    assert kept.call(_joined, 1, "x") == (1, "x")
    assert len(calls) == 2


def test_the_program_s_own_files_tell_its_version():
    assert b"store/computed.py" in computed.program()
