"""The invented engines of the sample: what their drawings say, and what was measured on the ones that are here. No dice:
every figure is written down. Nothing stands for a real engine."""

# a vee with a manifold between its heads; an overhead cam; an opposed one known by its case halves; four single heads
ENGINES = [
    {
        "engine": "Brackle vee six",
        "bore_in": 3.4,
        "stroke_in": 3.1,
        "head_families": "Brackle boat head",
        "banks": "left; right",
        "cylinders": 3,
        "chamber_cm3": 52,
        "chamber_height_in": 4.75,
        "chamber_area_in2": 8.4,
        "piston_cm3": 3.5,
        "rod_in": 5.7,
        "gasket_bore_in": 3.52,
        "most_stacked": 2,
        "pad_recess_thou": 0,
        "intake_angle_deg": 14,
        "intake_crown": "flat crown",
        "exhaust_angle_deg": 14,
        "exhaust_crown": "flat crown",
        "cam_drive": "cam in the case, pushrods",
        "pushrod_angle_deg": 6,
        "bank_angle_deg": 90,
        "manifold_lean_deg": 55,
        "compression_greatest": 9.6,
        "chamber_spread_greatest_cm3": 1,
        "squish_least_thou": 35,
        "intake_least_thou": 80,
        "exhaust_least_thou": 100,
        "preload_least_thou": 20,
        "preload_greatest_thou": 60,
    },
    {
        "engine": "Tessalin vee six, overhead cams",
        "bore_in": 3.45,
        "stroke_in": 3.2,
        "head_families": "Tessalin bimetal head",
        "banks": "left; right",
        "cylinders": 3,
        "chamber_cm3": 49,
        "chamber_height_in": 4.31,
        "chamber_area_in2": 8.8,
        "piston_cm3": -1.5,
        "rod_in": 5.9,
        "gasket_bore_in": 3.6,
        "pad_recess_thou": 0,
        "intake_angle_deg": 18,
        "intake_crown": "pocket parallel to the valve head",
        "exhaust_angle_deg": 20,
        "exhaust_crown": "pocket parallel to the valve head",
        "cam_drive": "cam in the head, chain or belt",
        "cam_radius_in": 2.05,
        "cam_run_angle_deg": 4,
        "taut_run": "shortens",
        "bank_angle_deg": 60,
        "compression_greatest": 10.4,
        "chamber_spread_greatest_cm3": 1,
        "squish_least_thou": 35,
        "intake_least_thou": 60,
        "exhaust_least_thou": 75,
        "cam_shift_greatest_deg": 1.5,
    },
    {
        "engine": "Velmoor opposed six",
        "bore_in": 3.65,
        "stroke_in": 3.3,
        "case_families": "Velmoor case half, left; Velmoor case half, right",
        "banks": "left; right",
        "cylinders": 3,
        "piston_cm3": 2,
        "rod_in": 5.6,
        "gasket_bore_in": 3.76,
        "pad_recess_thou": 0,
        "cam_drive": "cam in the case, pushrods",
        "pushrod_angle_deg": 8,
        "bank_angle_deg": 180,
        "compression_greatest": 9.2,
        "squish_least_thou": 38,
        "intake_least_thou": 80,
        "exhaust_least_thou": 100,
    },
    {
        "engine": "Pellwick four, single heads",
        "bore_in": 3.7,
        "stroke_in": 3.6,
        "head_families": "Pellwick single head",
        "banks": "1; 2; 3; 4",
        "cylinders": 1,
        "chamber_cm3": 61,
        "chamber_height_in": 3.4,
        "chamber_area_in2": 9.9,
        "piston_cm3": 0,
        "gasket_bore_in": 3.86,
        "most_stacked": 2,
        "cam_drive": "cam in the case, pushrods",
        "compression_greatest": 8.9,
        "chamber_spread_greatest_cm3": 1,
    },
]
# family of a member of the week's set, which of its sets (0 = the first), and what was measured bank by bank:
# (bank, chambers cm3, deck clearance, intake, exhaust, preload in thou, gasket before in). "" = not measured
MEASURED = [
    (
        "Brackle boat head",
        0,
        "Brackle vee six",
        [
            ("left", (51.2, 51.5, 51.4), 4, 96, 121, 38, 0.042),
            ("right", (51.0, 51.3, 51.6), 4, 97, 119, 36, 0.042),
        ],
    ),
    (
        "Velmoor case half, left",
        0,
        "Velmoor opposed six",
        [("left", (58.4, 58.1, 58.6), 6, 112, 131, "", 0.04), ("right", (58.2, 58.5, 58.3), 6, 110, "", "", 0.04)],
    ),
    (
        "Tessalin bimetal head",
        0,
        "Tessalin vee six, overhead cams",
        [("left", (48.4, "", 48.7), 3, 82, 98, "", 0.055), ("right", (48.6, 48.5, 48.9), 3, 84, "", "", 0.055)],
    ),
]
# valve recession of the first set's members, left and right, inches: no two heads are alike
RECESSION = (0.0585, 0.0560)


def engine_tables(tables: dict[str, list[dict]], measured_on: str, read_at: str) -> dict[str, list[dict]]:
    """The files about engines, for the parts and sets in ``tables``."""
    parts = {row["tag"]: row for row in tables["parts"]}
    tags = {row["job"]: row["tag"] for row in tables["jobs"]}
    sets: dict[str, list[list[str]]] = {}
    for row in tables["matched_sets"]:
        members = [tags[int(j)] for j in row["jobs"].split("; ")]
        sets.setdefault(parts[members[0]]["family"], []).append(members)
    banks, chambers, depths = [], [], []
    for family, which, engine, measured in MEASURED:
        serial = parts[sets[family][which][0]]["engine_serial"]
        for bank, volumes, deck, intake, exhaust, preload, gasket in measured:
            banks.append(
                {
                    "engine_serial": serial,
                    "engine": engine,
                    "measured_on": measured_on,
                    "bank": bank,
                    "deck_clearance_thou": deck,
                    "intake_thou": intake,
                    "exhaust_thou": exhaust,
                    "preload_thou": preload,
                    "gasket_before_in": gasket,
                    "by": "WT",
                }
            )
            chambers += [
                {"engine_serial": serial, "bank": bank, "cylinder": i, "volume_cm3": v}
                for i, v in enumerate(volumes, start=1)
                if v != ""
            ]
    for tag, value in zip(sets["Brackle boat head"][0], RECESSION, strict=True):
        depths.append(
            {"tag": tag, "face": "deck", "name": "valve recession", "value_in": value, "at": read_at, "by": "WT"}
        )
    return {"engines": ENGINES, "measured_banks": banks, "chambers": chambers, "part_depths": depths}
