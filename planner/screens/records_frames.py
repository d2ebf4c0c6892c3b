"""Tables behind the page Records: recorded cuts filtered, plan against actual, a part's course, charge lines.

Frames in, frames out, in mm and minutes; what a person reads is written in the person's units at the end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from planner.cut.knowledge import Knowledge, edge_life_mm, skin_factor
from planner.shop import Condition, Face, Outcome, PassReason, Shop
from planner.units import Units

HAIR_MM = 1e-6
RECUT_WORDS = {
    PassReason.MATCH.value: "to the partner's height",
    PassReason.TOOL_MARK.value: "tool mark",
}


@dataclass(frozen=True)
class Filters:
    """What the person wants to see; empty = everything. ``last`` is the last day that counts."""

    family: tuple[str, ...] = ()
    condition: tuple[str, ...] = ()
    machine: tuple[str, ...] = ()
    by: tuple[str, ...] = ()
    outcome: tuple[str, ...] = ()
    first: date | None = None
    last: date | None = None
    text: str = ""

    def of(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The rows of a frame of cuts that are wanted."""
        keep = np.ones(len(frame), dtype=bool)
        for column in ("family", "condition", "machine", "by", "outcome"):
            wanted = getattr(self, column)
            if wanted:
                keep &= frame[column].isin(wanted).to_numpy()
        if self.first is not None:
            keep &= (frame["ended"] >= pd.Timestamp(self.first)).to_numpy()
        if self.last is not None:
            keep &= (frame["ended"] < pd.Timestamp(self.last + timedelta(days=1))).to_numpy()
        if self.text.strip():
            said = self.text.strip().casefold()
            hit = np.zeros(len(frame), dtype=bool)
            for column in ("tag", "work_order", "engine_serial", "owner"):
                hit |= frame[column].str.casefold().str.contains(said, regex=False).to_numpy(dtype=bool)
            keep &= hit
        return frame if keep.all() else frame[keep]


def with_totals(frame: pd.DataFrame) -> pd.DataFrame:
    """Recorded cuts with the minutes they took in all."""
    minutes = frame["attended_minutes"].fillna(0.0) + frame["unattended_minutes"].fillna(0.0)
    known = frame["attended_minutes"].notna() | frame["unattended_minutes"].notna()
    return frame.assign(minutes=minutes.where(known))


def cuts_table(frame: pd.DataFrame, units: Units) -> pd.DataFrame:
    """Cuts as people read them, one row each."""

    def depth(values):
        return ["" if math.isnan(v) else units.depth(v, unit=False) for v in values]

    def minutes(values):
        return ["" if math.isnan(v) else f"{v:.0f}" for v in values]

    unit, frame = units.depth_unit, frame.reset_index(drop=True)
    return pd.DataFrame(
        {
            "When": frame["ended"],
            "Part": frame["tag"],
            "Work order": frame["work_order"],
            "Family": frame["family"],
            "Face": frame["face"],
            "Condition": frame["condition"],
            f"Taken ({unit})": depth(frame["stop_depth_mm"]),
            f"Likely ({unit})": depth(frame["planned_depth_mm"]),
            f"Allowed ({unit})": depth(frame["allowed_depth_mm"]),
            "Passes": frame["pass_count"].astype(int),
            "Minutes": minutes(frame["minutes"]),
            "Planned min": minutes(frame["planned_minutes"]),
            f"Ra ({units.ra_unit})": ["" if math.isnan(v) else units.ra(v, unit=False) for v in frame["ra_um"]],
            "How it ended": frame["outcome"],
            "Machine": frame["machine"].fillna(""),
            "By": frame["by"],
            "Note": frame["note"],
        }
    )


@dataclass(frozen=True, eq=False)
class Against:
    """Plan against actual. Differences are actual less planned: ``depth_mm``, ``passes``, ``minutes``, each (n,).

    ``inside`` of ``bounded`` cuts stopped within the depth allowed for; ``by_quarter``: quarter, inside (share), cuts.
    """

    depth_mm: np.ndarray
    passes: np.ndarray
    minutes: np.ndarray
    bounded: int
    inside: int
    by_quarter: pd.DataFrame


def plan_against_actual(frame: pd.DataFrame) -> Against:
    """Finished cuts that were planned, set beside their plan."""
    done = frame[frame["outcome"] == Outcome.FINISHED.value]

    def difference(actual: str, planned: str) -> np.ndarray:
        values = (done[actual] - pd.to_numeric(done[planned])).to_numpy(dtype=float)
        return values[np.isfinite(values)]

    bounded = done[done["allowed_depth_mm"].notna()]
    held = bounded["stop_depth_mm"] <= bounded["allowed_depth_mm"] + HAIR_MM
    quarters = pd.DataFrame({"quarter": bounded["ended"].dt.to_period("Q").dt.start_time, "held": held})
    grouped = quarters.groupby("quarter")["held"].agg(["mean", "size"]).reset_index()
    return Against(
        difference("stop_depth_mm", "planned_depth_mm"),
        difference("pass_count", "planned_passes"),
        difference("minutes", "planned_minutes"),
        len(bounded),
        int(held.sum()),
        grouped.rename(columns={"mean": "inside", "size": "cuts"}),
    )


def binned(values: np.ndarray, width: float) -> pd.DataFrame:
    """How many values lie around each multiple of ``width``: columns at, cuts. The outermost hundredth is gathered in
    the last bins, so that one wild figure does not flatten the picture."""
    if not values.size:
        return pd.DataFrame({"at": [], "cuts": []})
    low, high = np.quantile(values, [0.005, 0.995])
    steps = np.round(np.clip(values, low, high) / width).astype(int)
    at, count = np.unique(steps, return_counts=True)
    every = np.arange(at[0], at[-1] + 1)
    full = np.zeros(len(every), dtype=int)
    full[at - at[0]] = count
    return pd.DataFrame({"at": every * width, "cuts": full})


# -- one part ----------------------------------------------------------------------------------------------------------
def rebuild_course(course: pd.DataFrame, face: Face, rebuild_mm: float) -> pd.DataFrame:
    """A part's heights over time with the rebuilds left at each: at, height (mm), what, left (None = limit unknown)."""
    least = least_height_mm(face)
    if least is None:
        return course.assign(left=None)
    left = [max(0, math.floor((h - least) / rebuild_mm + 1e-6)) for h in course["height"]]
    return course.assign(left=left)


def least_height_mm(face: Face) -> float | None:
    """The height a face must keep; None where no limit is known."""
    if face.least_height_mm is not None:
        return face.least_height_mm
    if face.limit.greatest_removal_mm is not None and face.new_height_mm is not None:
        return face.new_height_mm - face.limit.greatest_removal_mm
    return None


# -- charge lines ------------------------------------------------------------------------------------------------------
def charge_lines(frame: pd.DataFrame, details: pd.DataFrame, shop: Shop, knowledge: Knowledge) -> pd.DataFrame:
    """What each cut may be charged with, work order by work order, newest first.

    ``details`` by cut id: agreed_mm (the part's agreed depth), reasons (of its passes, in order), and ``uses``: list of
    (grade id, path mm). Columns: cut, work_order, owner, tag, face, ended, hours_attended, hours_unattended, work_money,
    taken_mm, agreed_mm, over_mm (this cut's share of what lies over the agreed depth), edge_share, edge_money, recut
    (its cause, "" = a first cut), extra (further passes and why).
    """
    rows, taken, before = [], {}, {}
    joined = frame.sort_values(["ended", "id"]).join(details, on="id")
    for cut in joined.itertuples():
        face = (cut.part_id, cut.face_id)
        total = taken.get(face, 0.0)
        agreed = None if cut.agreed_mm is None or math.isnan(cut.agreed_mm) else float(cut.agreed_mm)
        over = 0.0
        if agreed is not None:
            over = max(0.0, total + cut.stop_depth_mm - agreed) - max(0.0, total - agreed)
        share, money = edge_share(cut.uses, cut.material, cut.condition, shop, knowledge)
        machine = shop.machines.get(cut.machine_id)
        rate = (machine.hourly_rate if machine else None) or shop.settings.hourly_rate
        attended, unattended = (
            0.0 if math.isnan(m) else m / 60 for m in (cut.attended_minutes, cut.unattended_minutes)
        )
        reasons = cut.reasons if isinstance(cut.reasons, tuple) else ()
        rows.append(
            {
                "cut": cut.id,
                "work_order": cut.work_order,
                "owner": cut.owner,
                "tag": cut.tag,
                "face": cut.face,
                "ended": cut.ended,
                "hours_attended": attended,
                "hours_unattended": unattended,
                "work_money": (attended + unattended) * rate,
                "taken_mm": cut.stop_depth_mm,
                "agreed_mm": agreed,
                "over_mm": over,
                "edge_share": share,
                "edge_money": money,
                "recut": recut_cause(before.get(face), reasons),
                "extra": extra_passes(reasons) if face not in before else "",
            }
        )
        taken[face] = total + cut.stop_depth_mm
        before[face] = cut
    columns = list(rows[0]) if rows else ["cut", "work_order"]
    return pd.DataFrame(rows[::-1], columns=columns)


def edge_share(
    uses, material: str, condition: str, shop: Shop, knowledge: Knowledge
) -> tuple[float | None, float | None]:
    """Share of an edge's life a cut spent, and its money; (None, None) where no edge is on record for it."""
    if not isinstance(uses, (tuple, list)) or not uses:
        return None, None
    skin = skin_factor(shop, knowledge, Condition(condition))
    share = money = 0.0
    for grade_id, path in uses:
        each = path * skin / edge_life_mm(shop, knowledge, material, grade_id)[0]
        grade = shop.grades.get(grade_id)
        share += each
        money += each * (grade.price or 0.0) / grade.positions if grade else 0.0
    return share, money


def recut_cause(earlier, reasons: tuple[str, ...]) -> str:
    """Why a face was cut again within one visit; "" for a first cut, or one that goes on after a pause."""
    if earlier is None or earlier.outcome == Outcome.PAUSED.value:
        return ""
    real = [r for r in reasons if r != PassReason.KISS.value]
    if real and all(r in RECUT_WORDS for r in real):
        return RECUT_WORDS[real[0]]
    if earlier.outcome == Outcome.NOT_CLEAN.value:
        return "was not clean at the agreed depth"
    if earlier.outcome == Outcome.TO_WELD.value:
        return "after welding"
    return f"face looked {earlier.looks}" if earlier.looks else "cut again, no cause on record"


def extra_passes(reasons: tuple[str, ...]) -> str:
    """Passes beyond clean-up and finishing, such as "1 to the partner's height"."""
    counts = {words: sum(r == reason for r in reasons) for reason, words in RECUT_WORDS.items()}
    return ", ".join(f"{n} {words}" for words, n in counts.items() if n)


def charge_table(lines: pd.DataFrame, units: Units, currency: str) -> pd.DataFrame:
    """Charge lines with numbers in the person's units, as they go into a spreadsheet."""
    factor, unit, places = units.depth_factor, units.depth_unit, 1 if units.inch else 3
    if lines.empty:
        return pd.DataFrame()
    return pd.DataFrame(
        {
            "Work order": lines["work_order"],
            "Owner": lines["owner"],
            "Part": lines["tag"],
            "Face": lines["face"],
            "When": lines["ended"],
            "Attended (h)": lines["hours_attended"].round(2),
            "Unattended (h)": lines["hours_unattended"].round(2),
            f"Work ({currency})": lines["work_money"].round(2),
            f"Taken ({unit})": (lines["taken_mm"] / factor).round(places),
            f"Agreed ({unit})": (pd.to_numeric(lines["agreed_mm"]) / factor).round(places),
            f"Over the agreed depth ({unit})": (lines["over_mm"].where(lines["agreed_mm"].notna()) / factor).round(
                places
            ),
            "Edge share (%)": (pd.to_numeric(lines["edge_share"]) * 100).round(2),
            f"Insert share ({currency})": pd.to_numeric(lines["edge_money"]).round(2),
            "Cut again because": lines["recut"],
            "Extra passes": lines["extra"],
        }
    )


def charge_view(lines: pd.DataFrame, units: Units, currency: str) -> pd.DataFrame:
    """Charge lines to look at, within a tablet's width; the file has every figure in a column of its own."""
    factor, unit, places = units.depth_factor, units.depth_unit, 1 if units.inch else 3

    def depth(values, unknown: str = ""):
        return [unknown if math.isnan(v) else f"{v / factor:.{places}f}" for v in values]

    agreed = pd.to_numeric(lines["agreed_mm"]).to_numpy(float)
    over = np.where(np.isnan(agreed), np.nan, lines["over_mm"].to_numpy(float))
    money = pd.to_numeric(lines["edge_money"]).to_numpy(float)
    why = [", ".join(w for w in both if w) for both in zip(lines["recut"], lines["extra"], strict=True)]
    attended, alone = lines["hours_attended"], lines["hours_unattended"]
    return pd.DataFrame(
        {
            "Order": lines["work_order"].to_numpy(),
            "Part": [f"{tag} {face}" for tag, face in zip(lines["tag"], lines["face"], strict=True)],
            "When": lines["ended"].to_numpy(),
            "Hours + alone": [f"{a:.2f} + {b:.2f}" for a, b in zip(attended, alone, strict=True)],
            f"Work ({currency})": [f"{v:.2f}" for v in lines["work_money"]],
            f"Taken ({unit})": depth(lines["taken_mm"].to_numpy(float)),
            f"Over agreed ({unit})": depth(over),
            f"Inserts ({currency})": ["" if math.isnan(v) else f"{v:.2f}" for v in money],
            "Again, extra": why,
        }
    )


def order_totals(lines: pd.DataFrame) -> Mapping[str, float]:
    """Totals of charge lines: orders, hours, over_mm, edge money, recuts."""
    if lines.empty:
        return {"orders": 0, "hours": 0.0, "over_mm": 0.0, "edge_money": 0.0, "recuts": 0}
    return {
        "orders": int(lines["work_order"].nunique()),
        "hours": float((lines["hours_attended"] + lines["hours_unattended"]).sum()),
        "over_mm": float(lines["over_mm"].sum()),
        "edge_money": float(pd.to_numeric(lines["edge_money"]).sum()),
        "recuts": int((lines["recut"] != "").sum()),
    }


def export_table(frame: pd.DataFrame, units: Units) -> pd.DataFrame:
    """Cuts for a spreadsheet: figures as numbers in the person's units, which the headings name."""
    table = cuts_table(frame, units)
    for heading in table.columns:
        if heading.endswith(")") or heading in ("Minutes", "Planned min"):
            table[heading] = pd.to_numeric(table[heading])
    return table.assign(
        **{
            "Attended min": frame["attended_minutes"].to_numpy(),
            "Unattended min": frame["unattended_minutes"].to_numpy(),
            "Planned passes": frame["planned_passes"].to_numpy(),
            "Serial": frame["engine_serial"].to_numpy(),
            "Position": frame["position"].to_numpy(),
            "Owner": frame["owner"].to_numpy(),
        }
    )


__all__ = [
    "Against",
    "Filters",
    "binned",
    "charge_lines",
    "charge_table",
    "charge_view",
    "cuts_table",
    "export_table",
    "least_height_mm",
    "order_totals",
    "plan_against_actual",
    "rebuild_course",
    "with_totals",
]
