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
from datetime import datetime, time, timedelta
from pathlib import Path

import drawn_charges
import drawn_measurements
import drawn_wear
import shop_description as shop
from shop_engines import engine_tables
from shop_record import MONDAY, POINTS, Record


class Maker(Record):
    """The shop's description, its record, and this week laid out."""

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
                    ),
                    may_meet_iron="yes" if "round" in g[0] else "no",
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

    def shelf(self) -> None:
        """Loose parts without a job; nothing of them is drawn, so the record stays as it is."""
        for family, position, condition, heights in shop.SHELF:
            none = {"order": "", "serial": "", "cast": "", "owner": "the shop"}
            part = self.new_part(family, position, none, condition, state="on the shelf", source="bought in")
            part["casting_number"] = ""
            for point, height in zip(POINTS, heights, strict=False):
                self.tables["heights"].append(
                    {
                        "tag": part["tag"],
                        "face": self.families[family]["faces"][0]["face"],
                        "point": point,
                        "height_in": f"{height:.4f}",
                        "at": f"{MONDAY - timedelta(days=20)} 15:00",
                        "stage": "as arrived",
                        "instrument": "micrometer",
                        "repeatability_thou": 0.2,
                        "temperature_c": 20,
                        "by": "OM",
                    }
                )

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
    maker.shelf()
    tables |= maker.tables
    tables |= engine_tables(tables, f"{MONDAY - timedelta(days=6)}", f"{MONDAY - timedelta(days=5)} 14:30")
    tables |= drawn_measurements.draw(tables["parts"], tables["cuts"])
    drawn_wear.draw(tables["edge_events"], tables["edge_uses"], tables["cuts"])
    drawn_wear.set_up(tables)
    tables |= drawn_charges.draw(tables, maker.group)
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
