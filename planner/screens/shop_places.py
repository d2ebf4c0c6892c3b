"""The places of a face: its picture to scale, and lists of points, openings, sealing zones and depths, one a line."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pandas as pd
import streamlit as st

from planner import InputError
from planner.screens import access, charts
from planner.screens.fields import Field, shown
from planner.screens.forms import Form
from planner.screens.kept import kept
from planner.screens.picture import specification
from planner.shop import Circle, DepthLine, Face, Family, MeasuringPoint, Zone, ZoneKind
from planner.units import Units, read_number


@dataclass(frozen=True)
class _Lines:
    """One list of a face: how a member is written in pieces and read from them."""

    name: str
    label: str
    pattern: str
    pieces: int
    write: Callable[[Any, Units], list[str]]
    read: Callable[[list[str], Units], Any]


def _size(mm: float | None, units: Units) -> str:
    return shown("height", mm, units)


def _mm(said: str, units: Units) -> float | None:
    return units.read_length_mm("length", said) if said else None


def _circle(pieces: list[str], units: Units) -> Circle:
    x, y, diameter = (units.read_length_mm("length", p) for p in pieces)
    return Circle(x, y, diameter / 2)


def _circle_words(circle: Circle, units: Units) -> list[str]:
    return [_size(v, units) for v in (circle.x_mm, circle.y_mm, 2 * circle.radius_mm)]


def _zone(pieces: list[str], units: Units) -> Zone:
    name, kind, x, y, diameter, land, counts = pieces
    if counts not in ("yes", "no"):
        raise InputError("counts", counts, "yes or no: whether it has to come out clean")
    return Zone(name, kind, _circle([x, y, diameter], units), units.read_length_mm("land", land), counts == "yes")


def _depth_line(pieces: list[str], units: Units) -> DepthLine:
    name, present, change, least, greatest, restored = pieces
    return DepthLine(
        name,
        _mm(present, units),
        read_number("change", change),
        _mm(least, units),
        _mm(greatest, units),
        restored,
    )


_LISTS = (
    _Lines(
        "points",
        "Measuring points",
        "name; x; y",
        3,
        lambda p, u: [p.name, _size(p.x_mm, u), _size(p.y_mm, u)],
        lambda pieces, u: MeasuringPoint(pieces[0], *(u.read_length_mm("length", p) for p in pieces[1:])),
    ),
    _Lines("openings", "Openings", "x; y; diameter", 3, _circle_words, _circle),
    _Lines(
        "zones",
        "Sealing zones",
        "name; " + ", ".join(k.value for k in ZoneKind) + "; x; y; diameter; land; has to come clean (yes, no)",
        7,
        lambda z, u: [
            z.name,
            z.kind.value,
            *_circle_words(z.circle, u),
            _size(z.land_mm, u),
            "yes" if z.counts else "no",
        ],
        _zone,
    ),
    _Lines(
        "depths",
        "Depths the cut changes",
        "name; present or nothing; change per unit cut (-1, 0, 1); least; greatest; restored by",
        6,
        lambda d, u: [
            d.name,
            _size(d.present_mm, u),
            f"{d.per_cut:g}",
            _size(d.least_mm, u),
            _size(d.greatest_mm, u),
            d.restored_by,
        ],
        _depth_line,
    ),
)


def draw(family: Family, face: Face, units: Units) -> None:
    """The picture, and the lists behind it."""
    left, right = st.columns([3, 2], gap="medium")
    with left:
        picture(face, units)
    with right, st.expander("Points, openings, sealing zones, depths"):
        st.caption(
            f"One a line, pieces parted by semicolons; figures in {'inches' if units.inch else 'mm'}, from the left lower "
            "corner. Without points of your own, the corners and the middle are measured."
        )
        fields = [Field(spec.name, f"{spec.label}: {spec.pattern}", "long") for spec in _LISTS]
        texts = {spec.name: _text(spec, face, units) for spec in _LISTS}
        # the text is in one unit system: each has a draft of its own
        record = f"{family.id}/{face.id}/{units.system}"
        form = Form("places", record, fields, texts, units, access.repository(), family.version)
        form.draw(columns=1)
        form.say()
        form.button("Save places", lambda v: _save(family, face, v, units))


def picture(face: Face, units: Units) -> None:
    """The face to scale, its openings and measuring points."""
    st.vega_lite_chart(
        spec=_drawn(face, units),
        width="content",
        alt=f"{face.name} to scale with {len(face.points)} measuring points and {len(face.openings)} openings",
    )
    st.caption(f"The {face.name} face to scale ({units.length_unit}). Crosses: where heights are measured.")


@kept(32)
def _drawn(face: Face, units: Units) -> dict:
    factor = units.length_factor
    openings = pd.DataFrame(
        [{"x": c.x_mm / factor, "y": c.y_mm / factor, "radius": c.radius_mm / factor} for c in face.openings],
        columns=["x", "y", "radius"],
    )
    points = pd.DataFrame(
        [{"name": p.name, "x": p.x_mm / factor, "y": p.y_mm / factor} for p in face.points], columns=["name", "x", "y"]
    )
    return specification(charts.face((face.length_mm / factor, face.width_mm / factor), openings, points))


def _line(spec: _Lines, member: Any, units: Units) -> str:
    return "; ".join(spec.write(member, units)).rstrip()


def _text(spec: _Lines, face: Face, units: Units) -> str:
    return "\n".join(_line(spec, member, units) for member in getattr(face, spec.name))


def _members(spec: _Lines, face: Face, said: str, units: Units) -> tuple:
    # a line left as it was keeps its exact figures, not the rounded ones on the screen
    kept = {_line(spec, member, units): member for member in getattr(face, spec.name)}
    found = []
    for line in (part.strip() for part in said.splitlines()):
        if not line:
            continue
        if line in kept:
            found.append(kept[line])
            continue
        pieces = [p.strip() for p in line.split(";")]
        if len(pieces) != spec.pieces:
            raise InputError(spec.name, line, spec.pattern)
        try:
            found.append(spec.read(pieces, units))
        except InputError as wrong:
            raise InputError(spec.name, line, f"{wrong.field.split('.')[-1]}: {wrong.accepted}") from None
    return tuple(found)


def _save(family: Family, face: Face, values: dict[str, str], units: Units) -> str:
    lists = {spec.name: _members(spec, face, values[spec.name], units) for spec in _LISTS}
    new = dataclasses.replace(face, **lists)
    faces = tuple(new if f.id == face.id else f for f in family.faces)
    access.repository().save(dataclasses.replace(family, faces=faces), by=access.who(), at=access.now())
    return f"Places of {face.name} saved."
