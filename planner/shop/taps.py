"""Entries on a job's run sheet: what was tapped at the machine, when and by whom."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any


class TapKind(StrEnum):
    """What an entry says; its payload holds inside units (mm, minutes)."""

    START = "start"
    CONFIRM = "confirm"
    STEP = "step"
    TOUCH = "touch"
    MARK = "mark"
    PASS = "pass"
    LOOK = "look"
    PLACE = "place"
    EDGE = "edge"
    INDEX_STEP = "index step"
    CHECK = "check"
    PAUSE = "pause"
    RESUME = "resume"
    HOLD = "hold"


@dataclass(frozen=True)
class Tap:
    """One entry of a run sheet. ``seq`` counts from 1 within its job; ``reverses_seq``: the tap it takes back."""

    job_id: int
    seq: int
    at: datetime
    kind: str
    payload: Mapping[str, Any] = field(default_factory=dict)
    by: str = ""
    reverses_seq: int | None = None
