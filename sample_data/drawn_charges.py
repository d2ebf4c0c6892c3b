"""What steps of the last cuts took, a depth that was agreed and passed, a face cut again: drawn with dice of their own,
so that the other figures do not change."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, time, timedelta

from drawn_edges import Dice
from shop_record import STEPS

SEED = 78
CLOCKED = 60
"""So many of the last cuts were clocked step by step."""
NAMES = ("load", "sweep", "shim_round", "clamp", "dye", "dry", "touch_off", "look", "partner_check", "unload")
PASSED_THOU = 1.5
RECUT_THOU = 1.0
DAY_ENDS = time(15)


def draw(tables: dict[str, list[dict]], group: Callable[[str], str]) -> dict[str, list[dict]]:
    """Rows of cut_minutes.csv; adds an agreed depth to a part and a second cut to another. ``group``: of a family."""
    dice, cuts = Dice(SEED), tables["cuts"]
    parts = {part["tag"]: part for part in tables["parts"]}
    minutes = []
    for cut in cuts[-CLOCKED:]:
        usual = dict(zip(NAMES, STEPS[group(parts[cut["tag"]]["family"])], strict=True))
        for name in ("load", "sweep", "clamp", "dye", "touch_off", "look", "unload"):
            took = usual[name] * 1.08 * dice.lognormal(1, 0.15)
            minutes.append({"cut": cut["cut"], "step": name, "minutes": round(took, 1)})
    past = [cut for cut in reversed(cuts) if not cut["job"] and cut["outcome"] == "finished"]
    passed = next(cut for cut in past if cut["stop_depth_thou"] >= 6)
    part = parts[passed["tag"]]
    part |= {"agreed_depth_thou": passed["stop_depth_thou"] - PASSED_THOU, "agreed_by": part["owner"]}
    _cut_again(
        tables, next(cut for cut in past if cut is not passed and not cut.get("looks") and _day_left(cut, cuts)), dice
    )
    return {"cut_minutes": minutes}


def _day_left(cut: dict, cuts: list[dict]) -> bool:
    """Whether the machine stood still for the rest of the day after a cut, and an hour was left of it."""
    ended = datetime.fromisoformat(cut["ended"])
    later = (c for c in cuts if c["machine"] == cut["machine"] and c["started"][:10] == cut["ended"][:10])
    return ended + timedelta(hours=1) <= datetime.combine(ended, DAY_ENDS) and all(
        c["started"] < cut["ended"] for c in later
    )


def _cut_again(tables: dict[str, list[dict]], first: dict, dice: Dice) -> None:
    """A grey streak seen on the finished face: one more pass takes it off."""
    first["looks"] = "grey streak"
    start = datetime.fromisoformat(first["ended"]) + timedelta(minutes=12)
    number = len(tables["cuts"]) + 1
    attended, unattended = round(24 * dice.lognormal(1, 0.1)), round(9 * dice.lognormal(1, 0.1), 1)
    kept = (
        "tag",
        "face",
        "machine",
        "cutter",
        "grade",
        "recipe_material",
        "by",
        "outcome",
        "touch_place",
        "paper_thou",
    )
    tables["cuts"].append(
        {"cut": number, "job": ""}
        | {name: first[name] for name in kept}
        | {
            "started": f"{start:%Y-%m-%d %H:%M}",
            "ended": f"{start + timedelta(minutes=attended + unattended):%Y-%m-%d %H:%M}",
            "stop_depth_thou": RECUT_THOU,
            "attended_minutes": attended,
            "unattended_minutes": unattended,
            "looks": "good",
        }
    )
    tables["passes"].append(
        {"cut": number, "total_thou": RECUT_THOU, "pass_reason": "tool mark", "finishing": "yes", "clean": ""}
    )
    for row in [row for row in tables["cut_heights"] if row["cut"] == first["cut"]]:
        after = float(row["height_in"]) - RECUT_THOU / 1000 + dice.normal(0, 0.0001)
        tables["cut_heights"].append({"cut": number, "point": row["point"], "height_in": f"{after:.4f}"})
    use = next(row for row in tables["edge_uses"] if row["cut"] == first["cut"])
    passes = sum(row["cut"] == first["cut"] for row in tables["passes"])
    each = {name: round(use[name] / passes, 1) for name in ("path_m", "swept_in2")}
    tables["edge_uses"].append(use | {"cut": number} | each)
