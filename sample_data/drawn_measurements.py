"""Intake checks and surveys of the invented shop, drawn with dice of their own: the other files do not change."""

from __future__ import annotations

from datetime import datetime, time, timedelta

import shop_description as shop
from drawn_edges import Dice
from shop_record import MONDAY

SEED = 77
FEELERS = (0, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15)
# tag: how far hollow along, across and twisted, thou; a pit, thou, and its place
CHECKED = {
    "T3216": (2.0, 1.0, 0.5, 0, ""),
    "T3221": (4.0, 2.5, 1.0, 7, "beside the third water opening"),
    "T3224": (3.0, 2.0, 1.0, 4, "at the edge, middle back"),
    "T3226": (5.0, 1.5, 0.5, 0, ""),
    "T3227": (3.5, 2.0, 1.5, 3, "near the front left corner"),
}
# tag: bow, tilt along, tilt across, thou; a pit, thou; days before the week; "" or the goal
SURVEYED = {
    "T3202": (1.5, 3.0, -1.0, 0.0, -3),
    "T3204": (3.5, 1.5, 2.0, 0.0, -3),
    "T3225": (2.5, -2.0, 1.5, 2.0, -3),
}
PAST, PAST_FAMILY = 12, "Brackle boat head"


def places(face: dict) -> dict[str, tuple[float, float]]:
    """Nine places of a face in inches, in sweeping order, clear of its openings."""
    length, width = float(face["length_in"]), float(face["width_in"])
    inset = min(5 / 25.4, width / 10, length / 10)
    left, right, front, back = inset, length - inset, inset, width - inset
    found = {
        "front left": (left, front),
        "middle front": (length / 2, front),
        "front right": (right, front),
        "middle right": (right, width / 2),
        "middle": (length / 2, width / 2),
        "middle left": (left, width / 2),
        "back left": (left, back),
        "middle back": (length / 2, back),
        "back right": (right, back),
    }
    for _, _, x, y, radius, _ in face.get("openings", ()):
        at_x, at_y = found["middle"]
        if (at_x - x) ** 2 + (at_y - y) ** 2 < radius**2:
            found["middle"] = (x + radius + 0.08, y)
    return found


def draw(parts: list[dict], cuts: list[dict]) -> dict[str, list[dict]]:
    """Rows of feeler_checks.csv and survey_points.csv, from the rows of parts.csv and cuts.csv."""
    dice = Dice(SEED)
    family_of = {part["tag"]: part["family"] for part in parts}
    faces = {f["family"]: {face["face"]: face for face in f["faces"]} for f in shop.FAMILIES}
    checks, points = [], []

    def half(value: float) -> float:
        return round(value * 2) / 2

    def feeler(gap: float) -> float:
        return max(leaf for leaf in FEELERS if leaf <= gap)

    for tag, (along, across, twist, pit, place) in CHECKED.items():
        if tag not in family_of:
            continue
        at = datetime.combine(MONDAY - timedelta(days=5), time(15, dice.whole(0, 59)))
        lines = (along, across, max(0.0, along + across - 2 + twist), max(0.0, along + across - 2 - twist))
        names = ("along_thou", "across_thou", "first_diagonal_thou", "second_diagonal_thou")
        checks.append(
            {"tag": tag, "face": "deck", "at": f"{at:%Y-%m-%d %H:%M}", "by": "WT"}
            | {name: feeler(gap + dice.uniform(0, 0.3)) for name, gap in zip(names, lines, strict=True)}
            | {"pit_thou": pit or "", "pit_place": place}
        )

    number = 0

    def sweep(tag: str, face: str, at: datetime, bow: float, tilts: tuple[float, float], pit: float, by: str) -> None:
        nonlocal number
        number += 1
        known = faces[family_of[tag]][face]
        length, width = float(known["length_in"]), float(known["width_in"])
        where, zero = places(known), None
        for name, (x, y) in where.items():
            u, v = 2 * x / length - 1, 2 * y / width - 1
            z = bow * (0.8 * u * u + 0.2 * v * v) + (tilts[0] * u + tilts[1] * v) / 2 + dice.normal(0, 0.3)
            zero = z if zero is None else zero
            points.append(
                {
                    "survey": number,
                    "tag": tag,
                    "face": face,
                    "at": f"{at:%Y-%m-%d %H:%M}",
                    "by": by,
                    "point": name,
                    "x_in": round(x, 3),
                    "y_in": round(y, 3),
                    "z_thou": half(z - zero),
                    "pit_thou": pit if pit and name == "middle back" else "",
                }
            )

    past = [cut for cut in cuts if family_of.get(cut["tag"]) == PAST_FAMILY and cut["face"] == "deck"][-PAST - 1 : -1]
    for cut in past:
        at = datetime.fromisoformat(cut["started"]) - timedelta(minutes=25)
        tilts = (dice.normal(0, 2), dice.normal(0, 1.5))
        sweep(cut["tag"], "deck", at, max(0.5, dice.normal(2.0, 0.7)), tilts, 0.0, cut["by"])
    for tag, (bow, along, across, pit, day) in SURVEYED.items():
        if tag in family_of:
            at = datetime.combine(MONDAY + timedelta(days=day), time(14, dice.whole(0, 59)))
            sweep(tag, "deck", at, bow, (along, across), pit, "OM")
    return {"feeler_checks": checks, "survey_points": points}
