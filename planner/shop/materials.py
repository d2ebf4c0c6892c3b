"""Materials a face may be made of. One entry per material; DEVELOPERS.md says how to add one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from planner.errors import InputError


@dataclass(frozen=True)
class Material:
    """A work material.

    ``expansion_um_per_m_c``: linear thermal expansion, µm per m and °C. ``chip_family``: materials whose chips must
    not mix with another family's; changing it costs a cleanout. ``never_unattended``: a person stands by while it is
    cut, and it is never the last job before closing.
    """

    key: str
    name: str
    expansion_um_per_m_c: float
    ferrous: bool
    chip_family: str
    never_unattended: bool = False


_ENTRIES = (
    # expansion: aluminium about 23, grey iron about 11 µm/(m °C): handbook figures, from memory
    Material("aluminium", "aluminium", 23.0, False, "aluminium"),
    Material("grey_iron", "grey iron", 11.0, True, "iron"),
    Material("magnesium", "magnesium", 26.0, False, "magnesium", never_unattended=True),
)

MATERIALS: Mapping[str, Material] = MappingProxyType({m.key: m for m in _ENTRIES})


def material(field: str, key: object) -> str:
    """The key of a known material, given its key or its name; raise `InputError` otherwise."""
    if isinstance(key, Material):
        return key.key
    wanted = str(key or "").strip().lower()
    for entry in _ENTRIES:
        if wanted in (entry.key, entry.name):
            return entry.key
    raise InputError(field, key, "one of " + ", ".join(m.name for m in _ENTRIES))
