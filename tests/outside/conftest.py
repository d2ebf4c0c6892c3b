"""Where published data sets lie: beside the checkout when present; the checks that need them are skipped otherwise."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


def reference_path(name: str) -> Path | None:
    """Path of a published data set, or None where it is not present."""
    named = os.environ.get("PLANNER_REFERENCE")
    folders = [Path(named)] if named else []
    folders.append(Path(__file__).resolve().parents[2].parent / "shared" / "reference")
    for folder in folders:
        if (folder / name).exists():
            return folder / name
    return None


@pytest.fixture
def reference_dir():
    """A function name -> Path; skips the test where the data set is not present."""

    def find(name: str) -> Path:
        path = reference_path(name)
        if path is None:
            pytest.skip(f"published data set {name} is not present beside the checkout")
        return path

    return find
