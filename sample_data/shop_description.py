"""The invented shop of the sample: its families, machines, people, tooling and this week's work, in inches and thou.

Every name here is made up. Nothing stands for a real engine, maker, shop or person.
"""


# a bore pitch, a row of openings: (name, zone, x, y, radius, land), inches
def _bores(count, first, pitch, y, radius, land):
    found = []
    for i in range(count):
        x = round(first + i * pitch, 4)
        found.append(("", "opening", x, y, radius, ""))
        found.append((f"ring {i + 1}", "fire ring", x, y, radius, land))
    return found


def _passages(count, first, pitch, ys, radius, land):
    found = []
    for row, y in enumerate(ys):
        for i in range(count):
            x = round(first + i * pitch, 4)
            found.append(("", "opening", x, y, radius, ""))
            found.append((f"water {row * count + i + 1}", "fluid opening", x, y, radius, land))
    return found


# hidden from the planner: nominal height for simulating, and how clean-up depths here differ from common practice
FAMILIES = [
    {
        "family": "Brackle boat head",
        "material": "aluminium",
        "part_kind": "head",
        "fixture": "head rails",
        "blocks": "pair, 2 in",
        "weight_lb": 31,
        "replacement_price": 940,
        "prefix": "BK",
        "factor": 1.25,
        "notes": "left and right are one drawing, turned",
        "faces": [
            {
                "face": "deck",
                "face_kind": "deck",
                "length_in": 12.2,
                "width_in": 7.0,
                "net_share": 0.58,
                "datum": "cover rail, two buttons",
                "new_height_in": 4.75,
                "least_height_in": 4.72,
                "ra_least_uin": 12,
                "ra_greatest_uin": 30,
                "flatness_thou": 2,
                "local_flatness_thou": 1,
                "local_span_in": 3,
                "bow_limit_thou": 4,
                "parallel_limit_thou": 2,
                "proud": "two dowels",
                "openings": _bores(3, 2.3, 3.8, 3.5, 1.72, 0.12) + _passages(4, 1.0, 3.4, (0.55, 6.45), 0.22, 0.12),
                "depths": [("valve recession", 0.062, -1, 0.03, "", "sinking the seats")],
            },
            {
                "face": "intake",
                "face_kind": "intake",
                "length_in": 11.4,
                "width_in": 2.6,
                "net_share": 0.55,
                "datum": "bolt holes' line",
                "new_height_in": 3.31,
                "greatest_removal_thou": 15,
                "ra_least_uin": 30,
                "ra_greatest_uin": 80,
                "flatness_thou": 3,
                "openings": [("", "opening", x, 1.3, 0.8, "") for x in (2.1, 5.7, 9.3)],
            },
        ],
    },
    {
        "family": "Orvane pump head",
        "material": "aluminium",
        "part_kind": "head",
        "fixture": "head rails",
        "blocks": "pair, 3 in",
        "weight_lb": 42,
        "replacement_price": 1280,
        "prefix": "OV",
        "factor": 0.85,
        "notes": "overhead cam: check the tunnel before straightening",
        "faces": [
            {
                "face": "deck",
                "face_kind": "deck",
                "length_in": 17.4,
                "width_in": 6.2,
                "net_share": 0.6,
                "datum": "cam cover rail",
                "new_height_in": 5.18,
                "ra_least_uin": 30,
                "ra_greatest_uin": 60,
                "flatness_thou": 3,
                "local_flatness_thou": 1,
                "local_span_in": 3,
                "bow_limit_thou": 5,
                "openings": _bores(4, 2.4, 4.2, 3.1, 1.6, 0.12) + _passages(5, 0.6, 4.05, (0.5, 5.7), 0.2, 0.1),
                "depths": [("chain guide groove", 0.118, -1, 0.1, "", "recutting the groove")],
            }
        ],
    },
    {
        "family": "Pellwick single head",
        "material": "aluminium",
        "part_kind": "head",
        "fixture": "four-up plate",
        "blocks": "",
        "weight_lb": 9,
        "replacement_price": 310,
        "prefix": "PW",
        "factor": 0.95,
        "notes": "",
        "faces": [
            {
                "face": "deck",
                "face_kind": "deck",
                "length_in": 5.6,
                "width_in": 5.4,
                "net_share": 0.52,
                "datum": "rocker pad",
                "new_height_in": 3.4,
                "greatest_removal_thou": 20,
                "ra_least_uin": 16,
                "ra_greatest_uin": 32,
                "flatness_thou": 2,
                "local_flatness_thou": 1,
                "local_span_in": 3,
                "openings": _bores(1, 2.8, 0, 2.7, 1.9, 0.15),
            }
        ],
    },
    {
        "family": "Tessalin bimetal head",
        "material": "aluminium",
        "part_kind": "head",
        "fixture": "head rails",
        "blocks": "pair, 2 in",
        "weight_lb": 38,
        "replacement_price": 1150,
        "prefix": "TN",
        "factor": 1.3,
        "notes": "iron fire rings stand in the face: diamond will not do",
        "faces": [
            {
                "face": "deck",
                "face_kind": "deck",
                "length_in": 13.0,
                "width_in": 7.4,
                "net_share": 0.6,
                "datum": "cover rail",
                "new_height_in": 4.31,
                "least_height_in": 4.285,
                "ra_least_uin": 30,
                "ra_greatest_uin": 60,
                "flatness_thou": 2,
                "local_flatness_thou": 1,
                "local_span_in": 3,
                "bow_limit_thou": 4,
                "ferrous_inserts": "yes",
                "openings": _bores(3, 2.5, 4.0, 3.7, 1.75, 0.14) + _passages(4, 0.8, 3.8, (0.5, 6.9), 0.21, 0.1),
            }
        ],
    },
    {
        "family": "Dunmarrow generator head",
        "material": "grey iron",
        "part_kind": "head",
        "fixture": "long rails",
        "blocks": "three pairs, 3 in",
        "weight_lb": 196,
        "replacement_price": 2650,
        "prefix": "DM",
        "factor": 0.8,
        "hoist": "yes",
        "notes": "",
        "faces": [
            {
                "face": "deck",
                "face_kind": "deck",
                "length_in": 26.0,
                "width_in": 8.5,
                "net_share": 0.62,
                "datum": "cover rail",
                "new_height_in": 5.9,
                "least_height_in": 5.86,
                "ra_least_uin": 60,
                "ra_greatest_uin": 100,
                "flatness_thou": 4,
                "local_flatness_thou": 2,
                "local_span_in": 6,
                "bow_limit_thou": 6,
                "openings": _bores(6, 2.5, 4.2, 4.25, 1.78, 0.14) + _passages(7, 0.4, 4.2, (0.6, 7.9), 0.28, 0.12),
                "depths": [("injector stand-out", 0.085, 1, 0.07, 0.11, "washers")],
            }
        ],
    },
    {
        "family": "Haddrow pump head",
        "material": "grey iron",
        "part_kind": "head",
        "fixture": "long rails",
        "blocks": "two pairs, 3 in",
        "weight_lb": 118,
        "replacement_price": 1480,
        "prefix": "HD",
        "factor": 1.15,
        "hoist": "yes",
        "notes": "",
        "faces": [
            {
                "face": "deck",
                "face_kind": "deck",
                "length_in": 18.4,
                "width_in": 7.6,
                "net_share": 0.63,
                "datum": "cover rail",
                "new_height_in": 4.125,
                "greatest_removal_thou": 30,
                "ra_least_uin": 60,
                "ra_greatest_uin": 100,
                "flatness_thou": 3,
                "local_flatness_thou": 2,
                "local_span_in": 6,
                "openings": _bores(4, 2.6, 4.4, 3.8, 1.9, 0.14) + _passages(5, 0.5, 4.35, (0.55, 7.05), 0.25, 0.12),
            }
        ],
    },
    *(
        {
            "family": f"Velmoor case half, {side}",
            "material": "aluminium",
            "part_kind": "case half",
            "fixture": "crank-line bar",
            "blocks": "bar stands",
            "weight_lb": 58,
            "replacement_price": 2100,
            "prefix": "VM",
            "factor": factor,
            "notes": "",
            "faces": [
                {
                    "face": "deck",
                    "face_kind": "deck",
                    "length_in": 20.0,
                    "width_in": 6.0,
                    "net_share": 0.55,
                    "datum": "crank line",
                    "new_height_in": 7.2,
                    "least_height_in": 7.185,
                    "ra_least_uin": 12,
                    "ra_greatest_uin": 30,
                    "flatness_thou": 2,
                    "local_flatness_thou": 1,
                    "local_span_in": 6,
                    "parallel_limit_thou": 2,
                    "proud": "four studs; two dowels",
                    "openings": _bores(3, 3.4, 6.6, 3.0, 1.85, 0.15),
                },
                {
                    "face": "parting",
                    "face_kind": "parting",
                    "length_in": 22.0,
                    "width_in": 11.0,
                    "net_share": 0.35,
                    "datum": "crank line",
                    "ra_least_uin": 16,
                    "ra_greatest_uin": 32,
                    "flatness_thou": 1.5,
                    "proud": "dowels",
                },
                {
                    # its sealing line runs on over the front cover's edge
                    "face": "front end",
                    "face_kind": "end or cover",
                    "length_in": 10.5,
                    "width_in": 6.0,
                    "net_share": 0.3,
                    "datum": "rear bearing shoulder",
                    "new_height_in": 21.4,
                    "ra_least_uin": 30,
                    "ra_greatest_uin": 80,
                    "flatness_thou": 3,
                    "proud": "two dowels",
                    "cover_bolted": "yes",
                },
            ],
        }
        for side, factor in (("left", 1.0), ("right", 1.1))
    ),
    {
        "family": "Skeldrin case half, magnesium",
        "material": "magnesium",
        "part_kind": "case half",
        "fixture": "crank-line bar",
        "blocks": "bar stands",
        "weight_lb": 24,
        "replacement_price": 3400,
        "prefix": "SK",
        "factor": 1.0,
        "notes": "sent out until a recipe is signed",
        "faces": [
            {
                "face": "deck",
                "face_kind": "deck",
                "length_in": 14.5,
                "width_in": 5.6,
                "net_share": 0.5,
                "datum": "crank line",
                "new_height_in": 6.05,
                "ra_greatest_uin": 32,
                "flatness_thou": 2,
                "proud": "four studs",
                "openings": _bores(2, 4.2, 6.1, 2.8, 1.8, 0.15),
            }
        ],
    },
    {
        # as a head comes in that nobody has a drawing of: name, material, size
        "family": "Lodderby barge head",
        "material": "grey iron",
        "part_kind": "head",
        "prefix": "LD",
        "factor": 1.0,
        "nominal_in": 5.02,
        "faces": [{"face": "deck", "face_kind": "deck", "length_in": 21.5, "width_in": 8.0}],
    },
]

GRADES = [
    # name, corner, radius in, flat, positions, price, stock, lead days, regrind, label prefix
    ("diamond R1/16", "corner radius", 0.0625, "", 2, 128, 2, 6, 48, "D"),
    ("CBN R1/16", "corner radius", 0.0625, "", 4, 96, 2, 4, "", "C"),
    ("CBN round 1/2", "round", 0.25, "", 6, 112, 1, 10, "", "R"),
]
RECIPES = [
    # material, grade, ft/min, rough in/rev, finish in/rev, least, usual, greatest, rough greatest, finish thou, kiss,
    # fluid, capacity m, active, note
    ("aluminium", 0, 2500, 0.006, 0.004, 0.5, 1.5, 4, 8, 1.0, "yes", "light mist; flammable", 600_000, "yes", ""),
    (
        "aluminium",
        2,
        2000,
        0.006,
        0.004,
        0.5,
        1.5,
        4,
        5,
        1.0,
        "yes",
        "light mist; flammable",
        200_000,
        "yes",
        "faces with iron in them",
    ),
    ("grey iron", 1, 1200, 0.008, 0.005, 1, 2.5, 6, 10, 1.5, "yes", "dry", 120_000, "yes", ""),
    (
        "magnesium",
        0,
        500,
        0.007,
        0.005,
        1,
        3,
        6,
        "",
        2.0,
        "no",
        "dry or mineral oil, never water",
        360_000,
        "no",
        "a proposal: nothing is planned with it until somebody signs it",
    ),
]
GASKETS = [
    # name, crushed, bore, ra least, ra greatest, stack
    ("Brackle, layered steel", 0.042, 3.52, 12, 30, "yes"),
    ("Brackle, layered steel, thick", 0.052, 3.52, 12, 30, "no"),
    ("Orvane, composite", 0.058, 3.28, 30, 60, "no"),
    ("Pellwick, copper", 0.032, 3.86, 16, 32, "yes"),
    ("Tessalin, composite", 0.055, 3.6, 30, 60, "no"),
    ("Dunmarrow, composite", 0.06, 3.62, 60, 100, "no"),
    ("Haddrow, composite", 0.058, 3.88, 60, 100, "no"),
    ("Velmoor, layered steel", 0.04, 3.76, 12, 30, "no"),
]
MACHINES = [
    {
        "machine": "North surfacer",
        "speeds_rpm": "160; 240; 380; 520; 640; 800",
        "least_feed_in_min": 0.5,
        "greatest_feed_in_min": 12,
        "travel_in": 44,
        "table_width_in": 13,
        "approach_in": 0.15,
        "overrun_in": 0.15,
        "return_minutes": 0.6,
        "hourly_rate": 105,
        "end_of_pass": "stop when cut",
        "instrument": "dial",
        "counts": "up",
        "per_turn_thou": 50,
        "zeroable": "no",
        "step_thou": 0.5,
        "backlash_thou": 2,
    },
    {
        "machine": "South surfacer",
        "least_rpm": 150,
        "greatest_rpm": 1200,
        "least_feed_in_min": 0.5,
        "greatest_feed_in_min": 15,
        "travel_in": 50,
        "table_width_in": 14,
        "approach_in": 0.1,
        "overrun_in": 0.1,
        "return_minutes": 0.4,
        "hourly_rate": 120,
        "end_of_pass": "run clear",
        "instrument": "readout",
        "counts": "down",
        "zeroable": "yes",
        "step_thou": 0.1,
        "backlash_thou": 0,
    },
]
PEOPLE = [
    # name, initials, rate, the record's days: start, end, breaks
    ("Wrenna Tallick", "WT", 46, "07:00", "15:30", "09:30-09:45; 12:00-12:30"),
    ("Osk Marrinby", "OM", 44, "08:00", "16:30", "10:00-10:15; 12:30-13:00"),
]
# this season both are at the engine stands in the afternoon: hours at the surfacers
SHIFTS = [("07:00", "11:45", "09:30-09:45"), ("07:45", "12:15", "10:00-10:15")]
MACHINE_HOURS = [("07:00", "11:15"), ("07:45", "11:45")]
CUTTERS = [
    # name, diameter, inserts, marked rpm, machine, grade
    ("12 in fly cutter A", 12, 1, 1000, 0, 0),
    ("14 in fly cutter", 14, 1, 700, 1, 1),
    ("12 in fly cutter B", 12, 1, 900, 1, 2),
    ("10 in fly cutter, mark worn off", 10, 1, "", 0, 0),
]
OWNERS = [
    "Slackwater Boat Hire",
    "Fenmouth Pumping Board",
    "Lantern Hill power house",
    "Mirefield Drainage",
    "Kelpie Ferries",
    "Harbour workshop",
    "Stonewick Quarry",
    "Private owner",
    "Saltpan Growers",
    "Ebbside Rescue boats",
]

# this week, Monday = day 0: (family, positions, conditions, due day and time, what it means, set or not, more)
WEEK = [
    ("Brackle boat head", "left right", "normal normal", "1 15:00", "ready", "set", {}),
    ("Brackle boat head", "left right", "warped normal", "3 15:00", "assembly starts", "set", {"again": True}),
    ("Brackle boat head", "left right", "corroded normal", "2 12:00", "assembly starts", "set", {"first cut": True}),
    ("Velmoor case half", "left right", "normal light", "3 16:00", "ready", "set", {"tolerance": 2}),
    ("Velmoor case half", "left right", "normal normal", "4 16:00", "assembly starts", "set", {"tolerance": 2}),
    ("Pellwick single head", "1 2 3 4", "normal normal damaged normal", "4 15:00", "ready", "set", {"gang": True}),
    (
        "Tessalin bimetal head",
        "left right",
        "normal corroded",
        "3 12:00",
        "ready",
        "set",
        {"again": True, "machine": 1},
    ),
    (
        "Tessalin bimetal head",
        "left right",
        "unknown unknown",
        "4 16:00",
        "ready",
        "set",
        {"machine": 1, "expected": 1, "ready made": True, "not done": ("measure",)},
    ),
    ("Dunmarrow generator head", "", "normal", "1 16:00", "ready", "", {"again": True}),
    (
        "Dunmarrow generator head",
        "",
        "heavily corroded",
        "3 16:00",
        "ready",
        "",
        {"hold": ("customer", "estimate exceeds the agreed depth: go on, weld or replace?"), "agreed": 10},
    ),
    ("Dunmarrow generator head", "", "normal", "4 14:00", "assembly starts", "", {"rush": True}),
    ("Haddrow pump head", "", "normal", "2 15:00", "ready", "", {}),
    ("Haddrow pump head", "", "corroded", "2 14:00", "ready", "", {"again": True, "not done": ("pressure test",)}),
    (
        "Haddrow pump head",
        "",
        "welded",
        "4 16:00",
        "ready",
        "",
        {"hold": ("welder", "bead to be roughed flush"), "weld": True},
    ),
    ("Orvane pump head", "", "warped", "3 16:00", "ready", "", {"straighten": True}),
    (
        "Lodderby barge head",
        "",
        "unknown",
        "4 16:00",
        "ready",
        "",
        {"hold": ("customer", "no limit known: how much may come off?"), "not done": ("measure",)},
    ),
    ("Skeldrin case half, magnesium", "", "normal", "4 15:00", "ready", "", {"not done": ("measure",)}),
    ("Brackle boat head", "left", "light", "3 10:00", "ready", "", {"to depth": 2.0, "again": True}),
]

# loose parts, bought in and kept for engines to come: (family, position, condition, heights over the datum, in, in the
# order of the measuring points)
SHELF = [
    ("Brackle boat head", "left", "normal", (4.7468, 4.7464, 4.7466, 4.7471, 4.7467)),
    ("Brackle boat head", "right", "light", (4.7391, 4.7394, 4.7389, 4.7392, 4.7390)),
    ("Brackle boat head", "left", "corroded", (4.7442, 4.7447, 4.7444, 4.7440, 4.7443)),
    ("Brackle boat head", "right", "normal", (4.7459, 4.7455, 4.7457, 4.7461, 4.7456)),
    ("Brackle boat head", "right", "warped", (4.7488, 4.7481, 4.7487, 4.7490, 4.7479)),
    ("Brackle boat head", "left", "normal", (4.7402, 4.7398, 4.7401, 4.7404, 4.7400)),
    ("Tessalin bimetal head", "", "normal", (4.2957, 4.2954, 4.2956, 4.2959, 4.2955)),
    ("Tessalin bimetal head", "", "light", (4.2939, 4.2936, 4.2938, 4.2941, 4.2937)),
    ("Orvane pump head", "", "unknown", ()),
]
