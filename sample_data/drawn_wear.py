"""What the invented shop's people saw of their edges: wear lands read, edges cleaned, an insert reground, finish that
fades before it is lost. Drawn with dice of their own, over the record as it is: only what they touch changes."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import shop_description as shop
from drawn_edges import Dice

SEED = 118
# the wear land after 0.55 of the recipe's path, mm, and how it grows with the path
WORN_MM, GROWS = 0.3, 0.8
# edges of the grade for iron whose wear was read, and at which shares of what they cut
READ = {("C-03", 2): (0.3, 0.6, 0.95), ("C-04", 1): (0.25, 0.5, 0.75, 0.97), ("C-04", 2): (0.5, 0.9)}
CLEANED = {("R-01", 4): 0.6, ("R-01", 5): 0.5, ("D-03", 1): 0.4}
# insert: days after it came out that it left, days away, position that cuts again
REGROUND = {"D-02": (11, 21, "1")}
FADES_FROM, FADES_BY = 0.8, 0.7


def set_up(tables: dict[str, list[dict]]) -> None:
    """The speed each cut ran at, as its machine and cutter make of the recipe, and since when the cutter of each machine's
    last cuts sits on it; in place."""
    cutters = {row["cutter"]: row for row in tables["cutters"]}
    machines = {row["machine"]: row for row in tables["machines"]}
    wanted = {(row["material"], row["grade"]): float(row["speed_ft_min"]) for row in tables["recipes"]}
    last: dict[str, dict] = {}
    for cut in tables["cuts"]:
        cutter, machine = cutters[cut["cutter"]], machines[cut["machine"]]
        foot = math.pi * float(cutter["diameter_in"]) / 12
        rpm = min(wanted[cut["recipe_material"], cut["grade"]] / foot, float(cutter["max_rpm"] or math.inf))
        listed = [float(s) for s in str(machine.get("speeds_rpm") or "").split(";") if s.strip()]
        if listed:
            rpm = max(s for s in listed if s <= rpm)
        else:
            rpm = min(max(rpm, float(machine["least_rpm"])), float(machine["greatest_rpm"]))
        cut["speed_ft_min"] = round(rpm * foot)
        if last.get(cut["machine"], {}).get("cutter") != cut["cutter"]:
            last[cut["machine"]] = cut
    for machine, cut in last.items():
        tables["edge_events"].append(
            {"at": cut["started"], "event": "mounted", "by": cut["by"], "cutter": cut["cutter"], "machine": machine}
        )


def draw(events: list[dict], uses: list[dict], cuts: list[dict]) -> None:
    """Add to the ledger of edges and make the last Ra of edges that lost their finish fade; in place."""
    dice = Dice(SEED)
    made = {cut["cut"]: cut for cut in cuts}
    courses: dict[tuple[str, int], list[tuple[dict, float]]] = {}
    for use in uses:
        courses.setdefault((use["insert"], use["position"]), []).append((made[use["cut"]], use["path_m"]))
    fitted = {(e["insert"], e["position"]): e for e in events if e["event"] in ("fitted", "indexed", "replaced")}

    def at_share(edge: tuple[str, int], share: float) -> tuple[datetime, float, dict]:
        """When an edge had cut that share of all it cut, the path up to there, and the line that put it in."""
        course = courses[edge]
        whole, done = sum(path for _, path in course), 0.0
        ended = ""
        for cut, path in course:
            done += path
            ended = cut["ended"]
            if done >= share * whole:
                break
        return datetime.strptime(ended, "%Y-%m-%d %H:%M") + timedelta(minutes=2), done, fitted[edge]

    def log(at: datetime, event: str, by: str, note: str = "", **more) -> None:
        events.append({"at": f"{at:%Y-%m-%d %H:%M}", "event": event, **more, "by": by, "note": note})

    capacity_m = {shop.GRADES[r[1]][0]: r[12] for r in shop.RECIPES if r[0] != "magnesium"}
    for edge, shares in READ.items():
        if edge not in courses:
            continue  # a record of another length has other edges
        least = 0.0
        for share in shares:
            at, done, line = at_share(edge, share)
            land = WORN_MM * (done / (0.55 * capacity_m[line["grade"]])) ** GROWS * dice.lognormal(1, 0.05)
            least = max(least, round(land, 2))
            where = {k: line[k] for k in ("insert", "position", "cutter", "pocket")}
            log(at, "wear read", line["by"], wear=least, **where)
    for edge, share in CLEANED.items():
        if edge not in courses:
            continue
        at, _, line = at_share(edge, share)
        where = {k: line[k] for k in ("insert", "position", "cutter", "pocket")}
        log(at, "cleaned", line["by"], "built-up aluminium", **where)
    for label, (after, away, positions) in REGROUND.items():
        out = next((e for e in events if e.get("from_insert") == label and e["insert"] != label), None)
        if out is None:
            continue
        left = datetime.strptime(out["at"], "%Y-%m-%d %H:%M") + timedelta(days=after)
        price = next(g[8] for g in shop.GRADES if g[0] == out["grade"])
        log(left, "to regrind", out["by"], insert=label)
        log(left + timedelta(days=away), "back from regrind", out["by"], insert=label, cost=price, positions=positions)
    for line in events:
        if line.get("reason") == "finish lost":
            _fade(courses[line["from_insert"], line["from_position"]])


def _fade(course: list[tuple[dict, float]]) -> None:
    """Ra rises over the last fifth of what the edge cut."""
    whole, done = sum(path for _, path in course), 0.0
    for cut, path in course:
        done += path
        late = max(0.0, (done / whole - FADES_FROM) / (1 - FADES_FROM))
        if late and cut["ra_uin"]:
            read = [round(float(ra) * (1 + FADES_BY * late)) for ra in cut["ra_uin"].split("; ")]
            cut["ra_uin"] = "; ".join(map(str, read))
