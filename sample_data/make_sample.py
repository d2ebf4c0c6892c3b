"""Makes the sample shop's CSV files: an invented shop, this week's work, and its finished cuts. Seeded: the same bytes
at every run.

    python sample_data/make_sample.py                                       the files beside this script
    python sample_data/make_sample.py --years 5 --cuts 20000 --out DIR      a shop with a longer record, for benchmarks

Dates are written for the week of 2026-01-05, a Monday (settings.csv, reference_monday). When the sample is opened the
record is moved by whole weeks, and what lies around that week by working days, so that the jobs still lie ahead on
whatever day it is opened. Figures are invented: for showing, never proof.
"""

from __future__ import annotations

import argparse
import csv
import math
from datetime import date, datetime, time, timedelta
from pathlib import Path
from random import Random
from statistics import NormalDist

import shop_description as shop

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


class Dice:
    """Draws that stay the same everywhere: only the generator's uniform numbers are used."""

    def __init__(self, seed: int) -> None:
        self._next = Random(seed).random

    def uniform(self, low: float = 0.0, high: float = 1.0) -> float:
        return low + (high - low) * self._next()

    def chance(self, share: float) -> bool:
        return self._next() < share

    def normal(self, mean: float = 0.0, deviation: float = 1.0) -> float:
        return mean + deviation * NormalDist().inv_cdf(min(max(self._next(), 1e-9), 1 - 1e-9))

    def lognormal(self, median: float, sigma: float) -> float:
        return median * math.exp(self.normal(0.0, sigma))

    def weibull(self, shape: float, scale: float) -> float:
        return scale * (-math.log(1 - self._next())) ** (1 / shape)

    def whole(self, low: int, high: int) -> int:
        return low + int(self._next() * (high - low + 1))

    def pick(self, weighted):
        left = self._next() * sum(entry[-1] for entry in weighted)
        for entry in weighted:
            left -= entry[-1]
            if left < 0:
                return entry
        return weighted[-1]


class Edges:
    """The ledger of edges: one cutter's single pocket holds one edge; it ends by wear, a chip or by rule."""

    def __init__(
        self, dice: Dice, cutter: str, grade: int, opened: dict[int, int], inserts: list, events: list
    ) -> None:
        self.dice, self.cutter, self.grade = dice, cutter, grade
        self.opened, self.inserts, self.events = opened, inserts, events
        self.label, self.position, self.used = "", 0, 0.0

    def fit(self, at: datetime, by: str, reason: str = "", note: str = "") -> None:
        """Put a fresh edge in: the next position, or a new insert; ``reason``: how the old edge ended."""
        name, positions, price, prefix = (shop.GRADES[self.grade][i] for i in (0, 4, 5, -1))
        old = (self.label, self.position)
        event = "indexed"
        if not self.label or self.position == positions:
            event = "replaced" if self.label else "fitted"
            count = self.opened[self.grade] = self.opened.get(self.grade, 0) + 1
            if count % 4 == 1:
                # four inserts at a time, a fortnight before the first of them is opened
                when = datetime.combine(at.date() - timedelta(days=14), time(10, 5))
                self.log(when, "received", by, grade=name, count=4, cost=4 * price)
            self.label, self.position = f"{prefix}-{count:02d}", 0
            self.inserts.append({"insert": self.label, "grade": name, "positions": positions, "scrapped": "no"})
            self.log(at, "opened", by, insert=self.label, grade=name)
        self.position += 1
        self.used = 0.0
        # diamond here loses its finish long before it is worn
        self.life = self.dice.weibull(3.71, 0.72 if self.grade == 0 else 0.95)
        self.rule = self.dice.uniform(0.4, 0.75)
        more = {"from_insert": old[0], "from_position": old[1], "reason": reason} if old[0] else {}
        self.log(
            at,
            event,
            by,
            note,
            insert=self.label,
            position=self.position,
            cutter=self.cutter,
            pocket=1,
            grade=name,
            **more,
        )

    def log(self, at: datetime, event: str, by: str, note: str = "", **more) -> None:
        self.events.append({"at": f"{at:%Y-%m-%d %H:%M}", "event": event, **more, "by": by, "note": note})

    def cut(self, path_m: float, capacity_m: float, skin: float, after: datetime, by: str) -> str:
        """Spend a cut; returns why the edge is taken out after it, "" when it stays."""
        self.used += path_m * skin / capacity_m
        if self.dice.chance(1 - math.exp(-path_m * skin / (1.9 * capacity_m))):
            return "chipped"
        if self.used >= self.life:
            return self.dice.pick(
                (("finish lost", 0.7), ("worn", 0.3))
                if self.grade == 0
                else (("worn", 0.5), ("looked worn", 0.3), ("finish lost", 0.2))
            )[0]
        if self.used >= self.rule:
            return "indexed healthy"
        return ""


class Maker:
    """Draws the shop's record day by day, then lays out this week."""

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

    def shop_tables(self) -> dict[str, list[dict]]:
        faces, openings, depths = [], [], []
        for family in shop.FAMILIES:
            for face in family["faces"]:
                where = {"family": family["family"], "face": face["face"]}
                faces.append(
                    {"family": family["family"], **{k: v for k, v in face.items() if k not in ("openings", "depths")}}
                )
                for name, zone, x, y, radius, land in face.get("openings", ()):
                    openings.append(
                        where | {"zone": zone, "name": name, "x_in": x, "y_in": y, "radius_in": radius, "land_in": land}
                    )
                for name, present, per_cut, least, greatest, restored in face.get("depths", ()):
                    depths.append(
                        where
                        | {"name": name, "present_in": present, "per_cut": per_cut, "least_in": least}
                        | {"greatest_in": greatest, "restored_by": restored}
                    )
        skip = ("faces", "prefix", "factor", "nominal_in")
        hours = []
        for m in self.machines:
            for day in range(5):
                start, end = shop.MACHINE_HOURS[m % 2]
                hours.append({"machine": self._machine_name(m), "weekday": day, "start": start, "end": end})
        for m in self.machines:
            for day in range(5):
                start, end, breaks = shop.SHIFTS[m % 2]
                hours.append(
                    {"person": self._person(m)[0], "weekday": day, "start": start, "end": end, "breaks": breaks}
                )
        tram = []
        for m in self.machines:
            for back in range(12, 0, -1):
                on = MONDAY - timedelta(days=7 * back)
                tram.append(
                    {
                        "machine": self._machine_name(m),
                        "on": f"{on}",
                        "sweep_in": 12,
                        "along_thou": round(0.7 + 0.02 * (12 - back) + self.dice.normal(0, 0.08), 2),
                        "across_thou": round(self.dice.normal(0.1, 0.1), 2),
                        "by": self._person(m)[1],
                    }
                )
        day = [MONDAY + timedelta(days=n) for n in range(12)]
        return {
            "settings": [
                {
                    "shop_name": "Quillmere engine rebuilders (sample)",
                    "units": "inch",
                    "currency": "$",
                    "hourly_rate": 110,
                    "rebuild_value": 100,
                    "reference_monday": f"{MONDAY}",
                }
            ],
            "families": [{k: v for k, v in f.items() if k not in skip} for f in shop.FAMILIES],
            "faces": faces,
            "face_openings": openings,
            "face_depths": depths,
            "gaskets": [
                dict(
                    zip(
                        ("gasket", "crushed_in", "bore_in", "ra_least_uin", "ra_greatest_uin", "may_be_stacked"),
                        g,
                        strict=True,
                    )
                )
                for g in shop.GASKETS
            ],
            "grades": [
                dict(
                    zip(
                        (
                            "grade",
                            "corner",
                            "radius_in",
                            "flat_in",
                            "positions",
                            "price",
                            "stock",
                            "lead_days",
                            "regrind_price",
                        ),
                        g[:-1],
                        strict=True,
                    )
                )
                for g in shop.GRADES
            ],
            "machines": [{**shop.MACHINES[m % 2], "machine": self._machine_name(m)} for m in self.machines],
            "tram": tram,
            "people": [
                {
                    "person": self._person(m)[0],
                    "initials": self._person(m)[1],
                    "hourly_rate": self._person(m)[2],
                    # each at the machine whose ways he knows
                    "machines": self._machine_name(m),
                }
                for m in self.machines
            ],
            "hours": hours,
            "closures": [
                {"first": f"{day[7]}", "last": f"{day[7]}", "reason": "lifting course", "person": shop.PEOPLE[1][0]},
                {"first": f"{day[9]}", "last": f"{day[9]}", "reason": "stocktaking"},
            ],
            "overtime": [
                {
                    "start": f"{day[3]} 13:00",
                    "end": f"{day[3]} 15:00",
                    "price_per_hour": 30,
                    "person": shop.PEOPLE[0][0],
                }
            ],
            "cutters": [cutter for cutter, _ in self._cutters()],
            "recipes": [
                dict(
                    zip(
                        (
                            "material",
                            "grade",
                            "speed_ft_min",
                            "rough_feed_in_rev",
                            "finish_feed_in_rev",
                            "least_pass_thou",
                            "usual_pass_thou",
                            "greatest_pass_thou",
                            "rough_greatest_thou",
                            "finish_pass_thou",
                            "kiss_pass",
                            "fluid",
                            "capacity_path_m",
                            "active",
                            "note",
                        ),
                        (r[0], shop.GRADES[r[1]][0], *r[2:]),
                        strict=True,
                    )
                )
                for r in shop.RECIPES
            ],
        }

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

    # -- this week ---------------------------------------------------------------------------------------------------
    def week(self) -> None:
        for family, positions, conditions, due, kind, matched, more in shop.WEEK:
            first = "Velmoor case half, left" if family == "Velmoor case half" else family
            engine = self.engine(first, MONDAY if more.get("again") else None)
            jobs = []
            spots = positions.split() or [""]
            states = conditions.split() if len(spots) > 1 else [conditions]
            for i, (position, condition) in enumerate(zip(spots, states, strict=True)):
                name = f"{family}, {position}" if family == "Velmoor case half" else family
                jobs.append(self.week_part(name, position, condition, engine, due, kind, more, i))
            if matched:
                self.tables["matched_sets"].append(
                    {
                        "set": f"{engine['order']} {family}",
                        "jobs": "; ".join(str(j) for j in jobs),
                        "tolerance_thou": more.get("tolerance", 3),
                        "gang": "yes" if more.get("gang") else "no",
                    }
                )

    def week_part(self, family, position, condition, engine, due, kind, more, i) -> int:
        dice, tables = self.dice, self.tables
        face = self.families[family]["faces"][0]
        cut_already = bool(more.get("first cut")) and i == 0
        height, known_before = self.arrival(engine, family, face, position)
        part = self.new_part(family, position, engine, condition, state="in the shop", part_number="")
        if known_before:
            part["removed_before_thou"] = known_before
        if "agreed" in more:
            part |= {"agreed_depth_thou": more["agreed"], "agreed_by": engine["owner"]}
        if "expected" in more:
            part |= {"state": "expected", "expected_on": f"{MONDAY + timedelta(days=more['expected'])}"}
        gates = ["clean", "crack check", "pressure test", "straighten", "weld", "measure", "cut", "after-work"]
        if "case" in family or "Pellwick" in family:
            gates.remove("pressure test")
        if more.get("ready made"):
            # the owner's own bench cleans, checks and measures
            part["source"] = "cleaned and checked by the owner"
            gates = ["cut", "after-work"]
        for gate, wanted in (
            ("straighten", more.get("straighten") or condition == "warped"),
            ("weld", more.get("weld")),
        ):
            if not wanted and gate in gates:
                gates.remove(gate)
        for n, gate in enumerate(gates):
            said = f"done {('WT', 'OM')[n % 2]} {MONDAY - timedelta(days=10 - n)}"
            if (
                gate in more.get("not done", ())
                or (gate in ("cut", "after-work") and not cut_already)
                or (gate == "weld" and "hold" in more)
            ):
                said = "open"
            if gate == "after-work":
                said = "open"
            if gate == "cut" and cut_already:
                said = f"done WT {MONDAY - timedelta(days=3)}"
            part["gate_" + gate.replace(" ", "_").replace("-", "_")] = said
        if "hold" in more:
            who, why = more["hold"]
            tables["holds"].append(
                {"tag": part["tag"], "waiting_for": who, "reason": why, "since": f"{MONDAY - timedelta(days=4)}"}
            )
        if "measure" not in more.get("not done", ()):
            by = "WT" if dice.chance(0.5) else "OM"
            tool = ("height gauge on plate", 0.5) if "case" in family else ("micrometer", 0.2)
            at = datetime.combine(MONDAY - timedelta(days=5), time(14, dice.whole(0, 59)))
            for point in POINTS:
                tables["heights"].append(
                    {
                        "tag": part["tag"],
                        "face": face["face"],
                        "point": point,
                        "height_in": f"{height + dice.normal(0, 0.0004):.4f}",
                        "at": f"{at:%Y-%m-%d %H:%M}",
                        "stage": "as arrived",
                        "instrument": tool[0],
                        "repeatability_thou": tool[1],
                        "temperature_c": 20,
                        "by": by,
                    }
                )
        job = self.week_job(part, face["face"], due, kind, more)
        if cut_already:
            job["job_state"] = "cut"
            start = datetime.combine(MONDAY - timedelta(days=3), time(13, 40))
            plan = self.simulate(0, family, position, engine, condition, False, face, start)
            while plan["outcome"] != "finished" or not plan["known"]:
                plan = self.simulate(0, family, position, engine, condition, False, face, start)
            self.store(part, plan, job["job"])
        return job["job"]

    def week_job(self, part: dict, face: str, due: str, kind: str, more: dict) -> dict:
        day, clock = due.split()
        gasket = next((g[0] for g in shop.GASKETS if g[0].split(",")[0] in part["family"]), "")
        job = {
            "job": len(self.tables["jobs"]) + 1,
            "tag": part["tag"],
            "face": face,
            "job_state": "waiting",
            "aim": "to a depth" if "to depth" in more else "till clean",
            "depth_thou": more.get("to depth", ""),
            "due": f"{MONDAY + timedelta(days=int(day))} {clock}",
            "due_kind": kind,
            "weight": 3 if more.get("rush") else 1,
            "gasket": gasket if face == "deck" else "",
            "rush": "yes" if more.get("rush") else "no",
            "machine": self._machine_name(more["machine"]) if "machine" in more else "",
        }
        self.tables["jobs"].append(job)
        return job


def make(out: Path, weeks: int = 78, cuts: int = 2200) -> int:
    """Write every file into ``out``; returns how many finished cuts there are."""
    maker = Maker(weeks, cuts)
    tables = maker.shop_tables()
    maker.record()
    maker.week()
    tables |= maker.tables
    tables["edge_events"].sort(key=lambda event: event["at"])
    for grade, row in enumerate(tables["grades"]):
        # what was received less what was opened
        row["stock"] = -maker.opened.get(grade, 0) % 4
    out.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        headings = list(dict.fromkeys(key for row in rows for key in row))
        with (out / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, headings, restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    return len(tables["cuts"])


def main() -> None:
    ask = argparse.ArgumentParser(description="Make the sample shop's CSV files.")
    ask.add_argument("--years", type=float, default=1.5, help="how far back the record goes")
    ask.add_argument("--cuts", type=int, default=2200, help="how many finished cuts")
    ask.add_argument("--out", type=Path, default=Path(__file__).parent, help="folder to write into")
    said = ask.parse_args()
    print(make(said.out, round(said.years * 52), said.cuts), "cuts written to", said.out)


if __name__ == "__main__":
    main()
