"""What an edge may still cut: finish, rough, or none; with the reason.

Common practice, no source: iron wears a diamond edge away by reaction with carbon; an edge that has cut iron carries
nicks and particles that score aluminium; magnesium is cut only with a keen edge, because a rubbing edge makes fine,
hot chips. Magnesium always needs a person's confirmation besides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from planner.edge.ends import End
from planner.errors import InputError, between, not_negative

__all__ = ["Allowed", "Permit", "may_cut"]


class Allowed(StrEnum):
    """What an edge is allowed to do in a material."""

    FINISH = "finish"
    ROUGH = "rough"
    NONE = "none"


@dataclass(frozen=True)
class Permit:
    """``allowed`` and, where it is not everything, ``reason``."""

    allowed: Allowed
    reason: str = ""


def may_cut(
    material: str,
    grade_materials: Iterable[str],
    ferrous: Iterable[str],
    worked: Iterable[str] = (),
    edge_use: float = 0.0,
    limit_use: float = 1.0,
    end: End | None = None,
    ferrous_in_face: bool = False,
    meets_iron: bool = False,
    keen_only: Iterable[str] = ("magnesium",),
    keen_share: float = 0.6,
) -> Permit:
    """What an edge may still cut of ``material``.

    ``grade_materials``: materials the shop has a recipe for with this grade. ``ferrous``: materials that are iron or
    steel. ``worked``: materials the edge has cut. ``edge_use`` spent against ``limit_use``, the planning limit.
    ``end``: how the edge ended, if it has. ``ferrous_in_face``: seat rings, sleeves or dowels of iron stand in the
    face; then the grade needs a recipe for an iron, or ``meets_iron``: the shop's word that it does it no harm.
    ``keen_only``: materials cut only while the edge has spent at most ``keen_share`` of the limit.
    """
    if not str(material).strip():
        raise InputError("material", material, "a material")
    spent = not_negative("edge_use", edge_use)
    limit = not_negative("limit_use", limit_use)
    share = between("keen_share", keen_share, 0.0, 1.0)
    iron, suited, done = set(ferrous), set(grade_materials), set(worked)
    met_iron = bool(done & iron)
    if end not in (None, End.STILL_CUTTING, End.JOB_END, End.FINISH_LOST):
        return Permit(Allowed.NONE, f"the edge ended: {End(end)}")
    name = material.replace("_", " ")
    if material not in suited:
        return Permit(Allowed.NONE, f"no recipe for {name} with this grade")
    if ferrous_in_face and material not in iron and not (meets_iron or suited & iron):
        return Permit(Allowed.NONE, "iron in the face: this grade may not meet it")
    if material in set(keen_only):
        if met_iron:
            return Permit(Allowed.NONE, f"the edge has cut {_list(done & iron)}; {name} needs a keen edge")
        if end is End.FINISH_LOST or spent > share * limit:
            return Permit(Allowed.NONE, f"{name} needs a keen edge")
    if end is End.FINISH_LOST:
        return Permit(Allowed.ROUGH, "the edge has lost its finish")
    if met_iron and material not in iron:
        return Permit(Allowed.ROUGH, f"the edge has cut {_list(done & iron)}: it never finishes {name}")
    if spent > limit:
        return Permit(Allowed.ROUGH, "the edge is past its planning limit")
    return Permit(Allowed.FINISH)


def _list(names: Iterable[str]) -> str:
    return " and ".join(name.replace("_", " ") for name in sorted(names))
