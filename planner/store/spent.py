"""What a recorded cut spent of its edge beside the path: the speed it ran at and the skin it ran in."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from sqlalchemy import Column, Connection, Table

from planner.cut.setups import SpeedWear
from planner.shop import Cutter, Machine, Recipe, starting
from planner.store.rows import load_nouns

__all__ = ["SKIN_BY_NAME", "ran_at", "read_speed_wear"]

SKIN_BY_NAME: Mapping[str, str] = MappingProxyType({c.value: skin for c, skin in starting.SKIN_OF.items()})
"""Kind of harsh skin by the condition recorded with a cut."""


def ran_at(cuts: Table) -> tuple[Column, ...]:
    """The columns of a cut that say how it wore its edge: condition, then what `SpeedWear.of` takes."""
    return cuts.c.condition, cuts.c.speed_m_min, cuts.c.machine_id, cuts.c.cutter_id


def read_speed_wear(connection: Connection) -> SpeedWear:
    """Recipes, machines and cutters as they stand."""
    return SpeedWear(*(load_nouns(connection, kind) for kind in (Recipe, Machine, Cutter)))
