"""The record of the invented shop: engines that come in, cuts as two people make them, what they measure and wear."""

from __future__ import annotations

import math
from datetime import date, datetime, time, timedelta

import shop_description as shop
from drawn_edges import Dice, Edges

MONDAY = date(2026, 1, 5)
INCH_M = 0.0254
# clean-up depth, thou: common-practice medians and spreads of the logarithm that this shop deviates from
DEPTHS = {
    "aluminium head": {
        "light": (1.2, 0.35),
        "normal": (2.4, 0.35),
        "warped": (4, 0.45),
        "corroded": (5, 0.45),
        "heavily corroded": (11, 0.3),
        "damaged": (4, 0.5),
        "welded": (4, 0.45),
        "unknown": (3.5, 0.6),
    },
    "iron head": {
        "light": (2, 0.35),
        "normal": (4, 0.4),
        "warped": (5, 0.4),
        "corroded": (7, 0.45),
        "heavily corroded": (12, 0.34),
        "damaged": (5, 0.55),
        "welded": (5, 0.4),
        "unknown": (5, 0.55),
    },
    "case half": {
        "light": (1.2, 0.35),
        "normal": (2.4, 0.35),
        "warped": (2.4, 0.6),
        "corroded": (4, 0.48),
        "heavily corroded": (8, 0.38),
        "damaged": (4, 0.48),
        "welded": (4, 0.48),
        "unknown": (3.5, 0.6),
    },
}
PARTING = (1.5, 0.4)
CONDITIONS = (
    ("light", 0.1),
    ("normal", 0.5),
    ("warped", 0.12),
    ("corroded", 0.13),
    ("heavily corroded", 0.03),
    ("damaged", 0.05),
    ("welded", 0.03),
    ("unknown", 0.04),
)
# minutes: load, sweep, shim round, clamp, dye, dry, touch-off, look, partner check, unload
STEPS = {
    "aluminium head": (8, 5, 4, 2, 1, 3, 5, 1.5, 5, 4),
    "iron head": (14, 7, 5, 3, 2, 3, 5, 2, 6, 6),
    "case half": (15, 7, 5, 4, 1, 3, 5, 1.5, 6, 5),
}
SKIN = {"corroded": 1.3, "heavily corroded": 1.3, "welded": 2.5}
POINTS = ("front left", "front right", "back right", "back left", "middle")
# what a bench cuts: family, members of one engine, share of engines
MIX = (
    (
        ("Brackle boat head", ("left", "right"), 0.3),
        ("Orvane pump head", ("",), 0.28),
        ("Pellwick single head", ("1", "2", "3", "4"), 0.14),
        ("Velmoor", ("left", "right"), 0.16),
        ("Brackle boat head", ("left",), 0.12),
    ),
    (
        ("Dunmarrow generator head", ("",), 0.32),
        ("Haddrow pump head", ("",), 0.3),
        ("Tessalin bimetal head", ("left", "right"), 0.28),
        ("Lodderby barge head", ("",), 0.1),
    ),
)


class Record:
    """Draws the shop's finished cuts day by day."""

    def __init__(self, weeks: int, cuts: int, seed: int = 20260269) -> None:
        self.dice = Dice(seed)
        self.weeks, self.wanted = weeks, cuts
        self.families = {f["family"]: f for f in shop.FAMILIES}
        # a longer record than one pair of benches can make needs more of them
        days = weeks * 5
        self.pairs = max(1, math.ceil(cuts / days / 6.2))
        self.machines = list(range(2 * self.pairs))
        self.tables: dict[str, list[dict]] = {
            name: []
            for name in (
                "parts",
                "holds",
                "heights",
                "jobs",
                "matched_sets",
                "cuts",
                "passes",
                "cut_heights",
                "edge_uses",
                "inserts",
                "edge_events",
            )
        }
        self.opened: dict[int, int] = {}
        self.edges = {
            c: Edges(
                self.dice, cutter["cutter"], grade, self.opened, self.tables["inserts"], self.tables["edge_events"]
            )
            for c, (cutter, grade) in enumerate(self._cutters())
            if c % 4 < 3
        }
        self.known: dict[str, list[dict]] = {name: [] for name in self.families}
        self.queue: list[list] = [[] for _ in self.machines]
        self.numbers = {"tag": 1000, "order": 4100, "serial": 20000}

    # -- the shop ------------------------------------------------------------------------------------------------------
    def _machine_name(self, m: int) -> str:
        name = shop.MACHINES[m % 2]["machine"]
        return name if m < 2 else f"{name} {m // 2 + 1}"

    def _person(self, m: int):
        name, initials, *rest = shop.PEOPLE[m % 2]
        return (name, initials, *rest) if m < 2 else (f"{name} {m // 2 + 1}", f"{initials}{m // 2 + 1}", *rest)

    def _cutters(self):
        for pair in range(self.pairs):
            for name, diameter, inserts, mark, machine, grade in shop.CUTTERS:
                yield (
                    {
                        "cutter": name if pair == 0 else f"{name}, {pair + 1}",
                        "diameter_in": diameter,
                        "inserts": inserts,
                        "max_rpm": mark,
                        "machine": self._machine_name(2 * pair + machine),
                        "grade": shop.GRADES[grade][0],
                    },
                    grade,
                )

    # -- parts ------------------------------------------------------------------------------------------------------
    def new_part(self, family: str, position: str, engine: dict, condition: str, **more) -> dict:
        self.numbers["tag"] += 1
        prefix = self.families[family]["prefix"]
        part = {
            "tag": f"T{self.numbers['tag']}",
            "family": family,
            "work_order": engine["order"],
            "engine_serial": engine["serial"],
            "position": position,
            "casting_number": f"{prefix} {engine['cast']}",
            "owner": engine["owner"],
            "condition": condition,
            "state": "gone",
            **more,
        }
        self.tables["parts"].append(part)
        return part

    def engine(self, family: str, before: date | None = None) -> dict:
        """An engine that comes in: usually a new one, sometimes one that was here more than 100 days ago."""
        self.numbers["order"] += 1
        order = f"W{self.numbers['order']}"
        seen = [e for e in self.known[family] if before is not None and (before - e["on"]).days > 100]
        if seen:
            old = seen[self.dice.whole(0, len(seen) - 1)]
            return {**old, "order": order, "old": old}
        self.numbers["serial"] += self.dice.whole(3, 60)
        prefix = self.families[family]["prefix"]
        return {
            "order": order,
            "serial": f"{prefix}{self.numbers['serial']}",
            "cast": self.dice.whole(310, 389),
            "owner": shop.OWNERS[self.dice.whole(0, len(shop.OWNERS) - 1)],
            "lost": {},
            "old": None,
        }

    def arrival(self, engine: dict, family: str, face: dict, position: str) -> tuple[float, str]:
        """Height on arrival, inches, and what is known of earlier cuts by others, thou ("" = unknown)."""
        nominal = face.get("new_height_in") or self.families[family].get("nominal_in") or 6.0
        key = (position, face["face"])
        if key in engine["lost"]:
            return nominal - engine["lost"][key] / 1000, ""
        lost = round(self.dice.uniform(1, 7), 1) if self.dice.chance(0.3) else 0.0
        engine["lost"][key] = lost
        return nominal - lost / 1000, str(lost) if lost and self.dice.chance(0.5) else ""

    # -- the record --------------------------------------------------------------------------------------------------
    def record(self) -> None:
        first = MONDAY - timedelta(weeks=self.weeks)
        for c, edges in self.edges.items():
            edges.fit(datetime.combine(first, time(6, 45)), "WT" if c % 2 == 0 else "OM")
        due = 0.0
        done = 0
        per_day = self.wanted / (self.weeks * 5)
        for day in range(self.weeks * 7):
            on = first + timedelta(days=day)
            if on.weekday() > 4:
                continue
            due += per_day
            clocks = {
                m: datetime.combine(on, self._start(m)) + timedelta(minutes=self.dice.uniform(12, 25))
                for m in self.machines
            }
            while done < due and clocks:
                # the bench that is free first takes the next part
                m = min(clocks, key=lambda b: (clocks[b], b))
                end = self.one_cut(m, clocks[m])
                if end is None:
                    del clocks[m]
                    continue
                done += 1
                # bench work and what else a day brings
                clocks[m] = end + timedelta(minutes=self.dice.uniform(14, 34))

    def _start(self, m: int) -> time:
        return time.fromisoformat(self._person(m)[3])

    def one_cut(self, m: int, start: datetime) -> datetime | None:
        """One finished cut of the past; None when the day is too short for it."""
        if not self.queue[m]:
            self.fill_queue(m, start.date())
        family, position, engine, condition, second, face = self.queue[m][0]
        plan = self.simulate(m, family, position, engine, condition, second, face, start)
        if plan["end"] > datetime.combine(start.date(), time.fromisoformat(self._person(m)[4])):
            return None
        self.queue[m].pop(0)
        before = {} if not plan["known_before"] else {"removed_before_thou": plan["known_before"]}
        part = self.new_part(family, position, engine, condition, **before)
        self.store(part, plan)
        return plan["end"]

    def fill_queue(self, m: int, on: date) -> None:
        name, members, _ = self.dice.pick(MIX[m % 2])
        again = self.dice.chance(0.1)
        first = f"{name} case half, left" if name == "Velmoor" else name
        engine = self.engine(first, on if again else None)
        if engine["old"] is None:
            self.known[first].append(engine)
        engine["on"] = on
        for i, position in enumerate(members):
            family = f"Velmoor case half, {position}" if name == "Velmoor" else name
            condition = self.dice.pick(CONDITIONS)[0]
            if condition == "warped" and "case" in family:
                condition = "normal"
            faces = self.families[family]["faces"]
            face = faces[1] if len(faces) > 1 and self.dice.chance(0.08) else faces[0]
            self.queue[m].append((family, position, engine, condition, i > 0, face))

    def group(self, family: str) -> str:
        f = self.families[family]
        if f["part_kind"] == "case half":
            return "case half"
        return "iron head" if f["material"] == "grey iron" else "aluminium head"

    def simulate(self, m, family, position, engine, condition, second, face, start) -> dict:
        """Draw one cut: depth, passes as this person makes them, minutes, heights, finish, what the edge spent."""
        dice, group, f = self.dice, self.group(family), self.families[family]
        iron = group == "iron head"
        cutter_index = 4 * (m // 2) + (0 if m % 2 == 0 else (1 if iron else 2))
        recipe = shop.RECIPES[{0: 0, 1: 2, 2: 1}[cutter_index % 4]]
        median, sigma = PARTING if face["face"] == "parting" else DEPTHS[group][condition]
        true = dice.lognormal(median * f["factor"], sigma * 0.9)
        finish_feed, rough_feed = recipe[4], recipe[3]
        step = 0.5
        habit = dice.pick(
            ((2.0, 0.6), (1.5, 0.25), (3.0, 0.15)) if not iron else ((2.5, 0.4), (3.0, 0.35), (2.0, 0.25))
        )[0]
        if condition == "heavily corroded":
            habit = 4.0 if not iron else 5.0
        known = dice.chance(0.7)
        delta = 0.0 if dice.chance(0.75) else round(dice.lognormal(0.9, 0.4), 1)
        paper = 4 if known and dice.chance(0.6) else 0
        if not known:
            delta = dice.lognormal(0.9, 0.4)
        greatest = 10.0 if not iron else 18.0
        if condition == "heavily corroded":
            greatest *= 1.6
        # depth below first contact; an unknown place of touch-off leaves only what the instrument reads
        depth = 0.0 if known else delta
        finishing_all = dice.chance(0.3)
        passes, clean_at, dirty_at = [], None, None
        looked = dice.chance(0.95)
        passes.append((depth, "kiss", True, False if looked else None))
        if looked:
            dirty_at = depth
        while True:
            going = max(step, habit if len(passes) > 1 or true > 1 else 1.0)
            if depth + going > greatest:
                break
            depth += going
            looked = dice.chance(0.95)
            clean = depth >= true
            passes.append((depth, "search", finishing_all, clean if looked else None))
            if looked and clean:
                clean_at = depth
                break
            if looked:
                dirty_at = depth
        outcome = "finished" if clean_at is not None else "stopped before clean"
        if clean_at is not None and not finishing_all:
            depth += recipe[9]
            passes.append((depth, "finish", True, True))
        if clean_at is not None and second and dice.chance(0.2):
            depth += dice.pick(((0.5, 0.5), (1.0, 0.3), (1.5, 0.2)))[0]
            passes.append((depth, "match", True, True))
        # geometry: fly cutter over the middle of the face
        radius = shop.CUTTERS[cutter_index % 4][1] / 2
        length, width = face["length_in"], face["width_in"]
        rpm = recipe[2] * 12 / (math.pi * 2 * radius)
        if m % 2 == 0:
            rpm = max(s for s in (160, 240, 380, 520, 640, 800) if s <= rpm + 1)
        travel = length + 2 * radius + 0.2 if m % 2 else length + radius - math.sqrt(radius**2 - width**2 / 4) + 0.3
        arc = 2 * radius * math.asin(width / 2 / radius) / width
        net = face.get("net_share", 1.0)
        unattended, path_m, swept = dice.lognormal(STEPS[group][5], 0.1), 0.0, 0.0
        for total, _, finishing, _ in passes:
            feed = finish_feed if finishing else rough_feed
            unattended += travel / (feed * rpm) + (0.4 if m % 2 else 0.6)
            share = min(1.0, max(0.12, total / true))
            path_m += length * width * net / feed * arc * share * INCH_M
            swept += length * width * net * share
        load, sweep, shim, clamp, dye, _, touch, look, partner, unload = STEPS[group]
        usual = load + sweep + 2 * shim + clamp + dye + touch + unload + (partner if second else 0)
        rounds = dice.whole(0, 3)
        attended = (usual + (rounds - 2) * shim) * 1.08 * dice.lognormal(1, 0.13) + look * len(passes) * dice.lognormal(
            1, 0.2
        )
        minutes = attended + unattended
        end = start + timedelta(minutes=minutes)
        for said in self._person(m)[5].split("; "):
            a, b = (datetime.combine(start.date(), time.fromisoformat(t)) for t in said.split("-"))
            if start < a < end:
                end += b - a
        height, known_before = self.arrival(engine, family, face, position)
        read = known and paper != 0
        # feed of the last pass over the nose: Ra in µin, a shop's usual spread around it
        last_feed = finish_feed if passes[-1][2] else rough_feed
        theory = (last_feed * 25400) ** 2 / (18 * math.sqrt(3) * shop.GRADES[recipe[1]][2] * 25400)
        ra = math.hypot(1.3 * theory, 0.22) / 0.0254
        return {
            "m": m,
            "face": face,
            "true": true,
            "known": known,
            "delta": delta,
            "paper": paper,
            "passes": passes,
            "clean_at": clean_at,
            "dirty_at": dirty_at,
            "outcome": outcome,
            "depth": depth,
            "start": start,
            "end": end,
            "attended": attended,
            "unattended": unattended,
            "height": height,
            "known_before": known_before,
            "engine": engine,
            "position": position,
            "cutter": cutter_index,
            "recipe": recipe,
            "path_m": path_m,
            "swept": swept,
            "skin": SKIN.get(condition, 1.0),
            "read": read,
            "usual": usual,
            "travel": travel,
            "rpm": rpm,
            "median": median,
            "ra": [round(dice.lognormal(ra, 0.12)) for _ in range(3)] if dice.chance(0.6) else [],
            "group": group,
        }

    def store(self, part: dict, plan: dict, job: int | None = None) -> None:
        dice, tables, m = self.dice, self.tables, plan["m"]
        number = len(tables["cuts"]) + 1
        edges, by = self.edges[plan["cutter"]], self._person(m)[1]
        off = 0.0 if plan["known"] else plan["delta"]
        learned = plan["known"]
        cut = {
            "cut": number,
            "job": job or "",
            "tag": part["tag"],
            "face": plan["face"]["face"],
            "started": f"{plan['start']:%Y-%m-%d %H:%M}",
            "ended": f"{plan['end']:%Y-%m-%d %H:%M}",
            "machine": self._machine_name(m),
            "cutter": edges.cutter,
            "grade": shop.GRADES[plan["recipe"][1]][0],
            "recipe_material": plan["recipe"][0],
            "by": by,
            "outcome": plan["outcome"],
            "stop_depth_thou": round(plan["depth"] - off, 2),
            "clean_lower_thou": round(plan["dirty_at"], 2) if learned and plan["dirty_at"] is not None else "",
            "clean_upper_thou": round(plan["clean_at"], 2) if learned and plan["clean_at"] is not None else "",
            "touch_place": ("highest corner" if plan["delta"] == 0 else "middle")
            if plan["known"]
            else "near the middle",
            "delta_thou": round(plan["delta"], 2) if plan["known"] else "",
            "paper_thou": plan["paper"],
            "ra_uin": "; ".join(str(r) for r in plan["ra"]),
            "attended_minutes": round(plan["attended"]),
            "unattended_minutes": round(plan["unattended"], 1),
        }
        if plan["start"].date() >= MONDAY - timedelta(weeks=26) and dice.chance(0.8):
            count = max(2, round(plan["median"] * 1.15 / 2.0) + 2)
            planned = plan["median"] * 1.15 + 1.2
            cut |= {
                "planned_depth_thou": round(planned * 2) / 2,
                "allowed_depth_thou": round(planned * 1.35 * 2) / 2,
                "planned_passes": count,
                "planned_minutes": round(
                    plan["usual"] + 3 + count * (plan["travel"] / (plan["recipe"][4] * plan["rpm"]) + 2)
                ),
            }
        tables["cuts"].append(cut)
        for total, reason, finishing, clean in plan["passes"]:
            tables["passes"].append(
                {
                    "cut": number,
                    "total_thou": round(total - off, 2),
                    "pass_reason": reason,
                    "finishing": "yes" if finishing else "no",
                    "clean": "" if clean is None else ("yes" if clean else "no"),
                }
            )
        lost = max(0.0, plan["depth"] - 0.2 * plan["true"])
        plan["engine"]["lost"][(plan["position"], plan["face"]["face"])] += lost
        if dice.chance(0.85) or job:
            for point in POINTS:
                low = dice.uniform(0, 0.4) * plan["true"]
                after = plan["height"] - max(0.0, plan["depth"] - low) / 1000 + dice.normal(0, 0.0002)
                tables["cut_heights"].append({"cut": number, "point": point, "height_in": f"{after:.4f}"})
        tables["edge_uses"].append(
            {
                "cut": number,
                "insert": edges.label,
                "position": edges.position,
                "path_m": round(plan["path_m"], 1),
                "swept_in2": round(plan["swept"], 1),
            }
        )
        reason = edges.cut(plan["path_m"], 0.8 * plan["recipe"][12], plan["skin"], plan["end"], by)
        if reason:
            cut["looks"] = {"chipped": "lines", "finish lost": "dull"}.get(reason, "")
            edges.fit(plan["end"] + timedelta(minutes=6), by, reason, "seen on the face" if reason == "chipped" else "")
