"""The documented files about engines: kinds of engine, what was measured on one, and what the bench hands over."""

from __future__ import annotations

from planner.shop import CamDrive, Crown, StackFace, TautRun
from planner.store.file_columns import Column, Kind, Table

_L, _D, _W, _N, _C = Kind.LENGTH, Kind.DEPTH, Kind.WHOLE, Kind.NUMBER, Kind.CHOICE

ENGINES = Table(
    "engines",
    "a kind of engine, as its drawing knows it",
    (
        Column("engine", "name", required=True),
        Column("bore", "bore", _L, required=True),
        Column("stroke", "stroke", _L, required=True),
        Column("head_families", "families its heads belong to", many=True),
        Column("case_families", "families its case halves belong to", many=True),
        Column("banks", "names of its banks, as the positions of parts name them", many=True),
        Column("cylinders", "cylinders in one bank", _W),
        Column("chamber_cm3", "chamber volume, as drawn", _N),
        Column("chamber_height", "height of the head at which it holds", _L),
        Column("chamber_area", "area of the chamber at the face", Kind.AREA),
        Column("piston_cm3", "volume of the dish; a dome is negative", _N),
        Column("rod", "length of the rod", _L),
        Column("gasket_bore", "bore of the gasket; empty = as the bore", _L),
        Column("most_stacked", "how many gaskets may be stacked", _W),
        Column("pad_recess", "how far the squish pad lies behind the face; 0 = flush", _D),
        *(
            column
            for valve in ("intake", "exhaust")
            for column in (
                Column(f"{valve}_angle_deg", f"angle of the {valve} valve to the bore, degrees", _N),
                Column(f"{valve}_crown", f"what the {valve} valve faces", _C, choices=Crown),
                Column(f"{valve}_crank_deg", "crank angles of its lift curve, from top dead centre", _N, many=True),
                Column(f"{valve}_lift", "lift at each of them", _L, many=True),
            )
        ),
        Column("cam_drive", "where the cam sits and what drives it", _C, choices=CamDrive),
        Column("cam_radius", "pitch radius of the cam's wheel", _L),
        Column("cam_run_angle_deg", "angle of the taut run to the bore, degrees", _N),
        Column("taut_run", "what the taut run does when the head comes down", _C, choices=TautRun),
        Column("pushrod_angle_deg", "angle of the pushrods to the bore, degrees", _N),
        Column("bank_angle_deg", "angle between the banks; 180 = opposed", _N),
        Column("manifold_lean_deg", "lean of the heads' manifold face from the vertical", _N),
        Column("compression_greatest", "greatest compression ratio", _N),
        Column("chamber_spread_greatest_cm3", "greatest spread of chamber volumes", _N),
        Column("squish_least", "least squish", _D),
        Column("intake_least", "least clearance of the intake valve", _D),
        Column("exhaust_least", "least clearance of the exhaust valve", _D),
        Column("preload_least", "least preload", _D),
        Column("preload_greatest", "greatest preload", _D),
        Column("cam_shift_greatest_deg", "greatest change of cam timing, crank degrees", _N),
        Column("notes", "notes"),
    ),
)
LIMIT_COLUMNS = (
    "compression_greatest",
    "chamber_spread_greatest_cm3",
    "squish_least",
    "intake_least",
    "exhaust_least",
    "preload_least",
    "preload_greatest",
    "cam_shift_greatest_deg",
)
MEASURED_BANKS = Table(
    "measured_banks",
    "what was measured on one bank of an engine before its stack was cut",
    (
        Column("engine_serial", "the engine's serial number", required=True),
        Column("engine", "its kind, as the shop names it", required=True),
        Column("measured_on", "the day; cuts from then on come after it", Kind.DATE),
        Column("bank", "the bank; empty = the only one"),
        Column("deck_clearance", "piston below the deck at top dead centre", _D),
        Column("intake", "least clearance of the intake valves", _D),
        Column("exhaust", "least clearance of the exhaust valves", _D),
        Column("preload", "preload", _D),
        Column("gasket_before", "crushed thickness of the gasket before", _L),
        Column("gasket_after", "crushed thickness of the gasket to use", _L),
        Column("gaskets", "names of the gaskets to use, several in a stack", many=True),
        Column("same_gasket", "a gasket as thick as before is used again, its thickness known or not", Kind.YES_NO),
        Column("parts", "tags of parts on this bank, where their position does not tell", many=True),
        Column("by", "initials"),
        Column("engine_notes", "notes"),
    ),
)
CHAMBERS = Table(
    "chambers",
    "a measured chamber volume",
    (
        Column("engine_serial", "the engine's serial number", required=True),
        Column("bank", "the bank"),
        Column("cylinder", "cylinder of the bank, from 1", _W, required=True),
        Column("volume_cm3", "volume", _N, required=True),
        Column("height", "height of the head then", _L),
    ),
)
REPORTED_CUTS = Table(
    "reported_cuts",
    "a cut of an engine made elsewhere, or before the record, as somebody said",
    (
        Column("engine_serial", "the engine's serial number", required=True),
        Column("bank", "the bank"),
        Column("face", "which face of the bank's stack", _C, choices=StackFace, required=True),
        Column("removed", "what it took off", _D, required=True),
        Column("on", "the day", Kind.DATE, required=True),
        Column("said_by", "who said so", required=True),
        Column("note", "note"),
    ),
)
PART_DEPTHS = Table(
    "part_depths",
    "a dimension that changes with the cut, as measured on one part",
    (
        Column("tag", "tag", required=True),
        Column("face", "face", required=True),
        Column("name", "the line of the face's table", required=True),
        Column("value", "value", _L, required=True),
        Column("at", "when", Kind.MOMENT, required=True),
        Column("how", "what restored it; empty = measured as it was"),
        Column("by", "initials"),
    ),
)
HAND_OVERS = Table(
    "hand_overs",
    "what the bench did with a cut part",
    (
        Column("job", "the job's number", _W, required=True),
        Column("flatness", "flatness of the finished face", _D),
        Column("ra_places", "where roughness was read", many=True),
        Column("ra", "roughness at each of them", Kind.RA, many=True),
        Column("pits", "pits left, and where"),
        Column("plugs", "plugs"),
        Column("dowels", "dowels"),
        Column("washed", "washed", Kind.YES_NO),
        Column("protected", "protected", Kind.YES_NO),
        Column("next_person", "who goes on with it"),
        Column("by", "initials"),
        Column("at", "when", Kind.MOMENT),
        Column("note", "note"),
    ),
)
