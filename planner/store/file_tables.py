"""The documented files: which columns each kind of table has. Screens and the README show this list; the sample shop,
imports and exports are read and written by it.

Names link rows: a face names its family, a job its part's tag, a cut its job's number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from planner.shop import (
    Aim,
    Condition,
    CornerKind,
    Counts,
    DueKind,
    EndOfPass,
    FaceKind,
    GateKind,
    HeightStage,
    JobState,
    PartKind,
    PartState,
)
from planner.store.file_columns import Column, Kind, Table
from planner.store.file_engine_tables import ENGINES
from planner.units import System

_L, _D, _W, _N = Kind.LENGTH, Kind.DEPTH, Kind.WHOLE, Kind.NUMBER
_C, _YN, _RA = Kind.CHOICE, Kind.YES_NO, Kind.RA


def gate_column(kind: GateKind) -> str:
    """The column of a part's file that holds one gate."""
    return "gate_" + kind.value.replace(" ", "_").replace("-", "_")


UNITS_COLUMN = Column(
    "units", "inch or metric, for headings that state no unit; the same in every row", _C, choices=System
)

_FAMILY = (
    Column("family", "the drawing's name", required=True),
    Column("material", "aluminium, grey iron or magnesium", required=True),
    Column("part_kind", "head or case half", _C, choices=PartKind),
    Column("fixture", "the fixture it sits on"),
    Column("blocks", "the blocks it needs"),
    Column("weight", "weight of the part", Kind.MASS),
    Column("replacement_price", "price of another one", _N),
    Column("hoist", "lifted by hoist", _YN),
    Column("one_off", "a family of one part", _YN),
    Column("notes", "notes"),
)
_FACE = (
    Column("face", "the face's name", required=True),
    Column("face_kind", "which surface", _C, choices=FaceKind),
    Column("length", "length along the traverse", _L, required=True),
    Column("width", "width across it", _L, required=True),
    Column("net_share", "metal area over length × width, 0 to 1; empty = unknown", _N),
    Column("datum", "from where the height is measured"),
    Column("new_height", "height of a new part", _L),
    Column("least_height", "limit as a least height", _L),
    Column("greatest_removal", "limit as the greatest total removal since new", _D),
    Column("ra_least", "gasket's band, smoothest", _RA),
    Column("ra_greatest", "gasket's band, roughest", _RA),
    Column("flatness", "flatness asked for, overall", _D),
    Column("local_flatness", "flatness asked for over the local span", _D),
    Column("local_span", "the span of the local flatness", _L),
    Column("bow_limit", "greatest bow before straightening", _D),
    Column("parallel_limit", "greatest difference of finished height above the datum", _D),
    Column("proud", "what may stand above the face", many=True),
    Column("ferrous_inserts", "ferrous metal in the face", _YN),
    Column("cover_bolted", "cut with its cover bolted on", _YN),
)
_IDENTITY = (
    Column("tag", "the part's tag, each once", required=True),
    Column("family", "the family, as the shop names it", required=True),
    Column("work_order", "work order"),
    Column("engine_serial", "the engine's serial number"),
    Column("position", "where it sits: left, right, 1, 2 …"),
    Column("casting_number", "casting number"),
    Column("part_number", "part number"),
    Column("owner", "whose part it is"),
    Column("source", "where it came from"),
    Column("second_mark", "a second mark, for a lost tag"),
    Column("condition", "condition; empty = unknown", _C, choices=Condition),
    Column("state", "where the part is; empty = in the shop", _C, choices=PartState),
    Column("expected_on", "the day it is expected", Kind.DATE),
    Column("removed_before", "depth that earlier cuts took, when known", _D),
    Column("agreed_depth", "depth agreed with the customer", _D),
    Column("agreed_by", "who agreed it"),
    Column("replacement_price", "price of another one", _N),
    Column("notes", "notes"),
)
_GATES = tuple(
    Column(gate_column(k), f"{k.value}: open, failed, not needed, or done with initials and date (done WT 2026-03-05)")
    for k in GateKind
)
_JOB = (
    Column("aim", "till clean (usual) or to a depth", _C, choices=Aim),
    Column("depth", "the depth, for a job cut to a depth", _D),
    Column("due", "when it is due", Kind.MOMENT),
    Column("due_kind", "ready then, or assembly starts then", _C, choices=DueKind),
    Column("weight", "how much being late matters; 1 is usual", _N),
    Column("not_before", "not to be cut before", Kind.MOMENT),
    Column("gasket", "gasket, as the shop names it"),
    Column("machine", "only on this machine"),
    Column("rush", "a rush job", _YN),
    Column("job_note", "note on the job"),
)
_FACE_OF_PART = Column("face", "the face to cut; empty = the family's first")

# what a person may import ------------------------------------------------------------------------------------
IMPORT_PARTS = Table(
    "parts",
    "a part with its job",
    (
        *_IDENTITY,
        *_GATES,
        Column("hold_for", "waits for whom"),
        Column("hold_reason", "what it waits for"),
        Column("height", "height as it arrived, at the measuring point", _L),
        Column("point", "the measuring point of that height; empty = middle"),
        _FACE_OF_PART,
        *_JOB,
        Column("set", "name of its matched set: rows with the same name belong together"),
        Column("set_tolerance", "the set's height tolerance", _D),
        UNITS_COLUMN,
    ),
)
IMPORT_FAMILIES = Table(
    "families",
    "a face; rows with the same family are faces of one family, whose own columns need filling in the first only",
    (
        _FAMILY[0],
        replace(_FAMILY[1], required=False, what="aluminium, grey iron or magnesium; needed in the family's first row"),
        *_FAMILY[2:],
        *_FACE,
        UNITS_COLUMN,
    ),
)

# one noun a row ----------------------------------------------------------------------------------------------
GASKETS = Table(
    "gaskets",
    "a gasket on the shelf",
    (
        Column("gasket", "name", required=True),
        Column("crushed", "crushed thickness", _L, required=True),
        Column("bore", "bore of its opening", _L),
        Column("ra_least", "smoothest face it seals on", _RA),
        Column("ra_greatest", "roughest face it seals on", _RA),
        Column("may_be_stacked", "may be stacked", _YN),
    ),
)
GRADES = Table(
    "grades",
    "an insert grade the shop buys",
    (
        Column("grade", "name", required=True),
        Column("corner", "corner radius, round, or wiper flat", _C, choices=CornerKind),
        Column("radius", "corner radius (half the diameter of a round insert)", _L),
        Column("flat", "length of a wiper's flat", _L),
        Column("positions", "usable positions of one insert", _W),
        Column("price", "price of one insert", _N),
        Column("stock", "unopened inserts on the shelf", _W),
        Column("lead_days", "days from order to delivery", _W),
        Column("regrind_price", "price of a regrind", _N),
        Column("may_meet_iron", "iron or steel in an aluminium face does it no harm", _YN),
    ),
)
MACHINES = Table(
    "machines",
    "a machine",
    (
        Column("machine", "name", required=True),
        Column("speeds_rpm", "its list of speeds, rev/min", _N, many=True),
        Column("least_rpm", "slowest speed of a range", _N),
        Column("greatest_rpm", "fastest speed of a range", _N),
        Column("least_feed", "slowest table feed", Kind.TABLE_FEED),
        Column("greatest_feed", "fastest table feed", Kind.TABLE_FEED),
        Column("travel", "greatest traverse", _L),
        Column("table_width", "greatest face width it reaches", _L),
        Column("approach", "clearance before the face", _L),
        Column("overrun", "clearance after the face", _L),
        Column("return_minutes", "minutes of the return", _N),
        Column("hourly_rate", "price of an hour", _N),
        Column("end_of_pass", "stop when cut, or run clear", _C, choices=EndOfPass),
        Column("instrument", "depth instrument: dial, bar indicator, readout"),
        Column("counts", "up or down as the cutter goes deeper", _C, choices=Counts),
        Column("per_turn", "depth in one turn; empty for a readout", _D),
        Column("zeroable", "can be set to zero at touch-off", _YN),
        Column("step", "least step it shows", _D),
        Column("backlash", "backlash", _D),
        Column("materials", "only these materials; empty = all", many=True),
    ),
)
PEOPLE = Table(
    "people",
    "a person who runs machines",
    (
        Column("person", "name", required=True),
        Column("initials", "initials"),
        Column("machines", "only these machines; empty = any", many=True),
        Column("hourly_rate", "price of an hour", _N),
    ),
)
CUTTERS = Table(
    "cutters",
    "a cutter",
    (
        Column("cutter", "name", required=True),
        Column("diameter", "diameter", _L, required=True),
        Column("inserts", "how many inserts", _W),
        Column("max_rpm", "greatest speed marked on its body; empty = not marked", _N),
        Column("machine", "the machine it hangs on"),
        Column("grade", "the insert grade it carries"),
    ),
)
RECIPES = Table(
    "recipes",
    "cutting data for one material with one grade",
    (
        Column("material", "aluminium, grey iron or magnesium", required=True),
        Column("grade", "the insert grade", required=True),
        Column("speed", "surface speed", Kind.SPEED, required=True),
        Column("rough_feed", "roughing feed", Kind.FEED, required=True),
        Column("finish_feed", "finishing feed", Kind.FEED, required=True),
        Column("least_pass", "least pass depth", _D, required=True),
        Column("usual_pass", "usual pass depth", _D, required=True),
        Column("greatest_pass", "greatest pass depth", _D, required=True),
        Column("rough_greatest", "greatest pass depth at roughing feed", _D),
        Column("finish_pass", "depth of the finishing pass", _D),
        Column("kiss_pass", "kiss pass first", _YN),
        Column("fluid", "fluid"),
        Column("capacity_path", "path one edge lasts (scale of life)", Kind.PATH),
        Column("taylor_n", "exponent of wear against speed; 1 = the path lasts alike at any speed", _N),
        Column("active", "planned with", _YN),
        Column("signed_by", "who signed it"),
        Column("note", "note"),
    ),
)
INSERTS = Table(
    "inserts",
    "an opened insert",
    (
        Column("insert", "label", required=True),
        Column("grade", "its grade", required=True),
        Column("positions", "how many positions", _W),
        Column("scrapped", "scrapped", _YN),
    ),
)

# the rest of a whole shop ------------------------------------------------------------------------------------
FAMILIES = Table("families", "a family", _FAMILY)
FACES = Table("faces", "a face of a family", (_FAMILY[0], *_FACE))
_WHERE = (Column("family", "the family", required=True), Column("face", "its face", required=True))
FACE_POINTS = Table(
    "face_points",
    "a measuring point, from the face's left lower corner",
    (
        *_WHERE,
        Column("point", "name", required=True),
        Column("x", "along the length", _L, required=True),
        Column("y", "across", _L, required=True),
    ),
)
FACE_OPENINGS = Table(
    "face_openings",
    "an opening of a face, or a zone that has to seal around one",
    (
        *_WHERE,
        Column("zone", "opening, fire ring, fluid opening, outer edge or free area", required=True),
        Column("name", "name of the zone"),
        Column("x", "centre, along the length", _L, required=True),
        Column("y", "centre, across", _L, required=True),
        Column("radius", "radius", _L, required=True),
        Column("land", "land around it", _L),
        Column("counts", "has to come clean", _YN),
    ),
)
FACE_DEPTHS = Table(
    "face_depths",
    "a dimension that changes with the cut",
    (
        *_WHERE,
        Column("name", "name", required=True),
        Column("present", "present value", _L),
        Column("per_cut", "change per unit cut: 1, 0 or -1", _N),
        Column("least", "least value", _L),
        Column("greatest", "greatest value", _L),
        Column("restored_by", "how it is restored"),
    ),
)
TRAM = Table(
    "tram",
    "a tram reading",
    (
        Column("machine", "machine", required=True),
        Column("on", "day", Kind.DATE, required=True),
        Column("sweep", "length of the sweep", _L, required=True),
        Column("along", "difference along the travel, trailing side high positive", _D, required=True),
        Column("across", "difference across it, far side high positive", _D, required=True),
        Column("by", "initials"),
    ),
)
HOURS = Table(
    "hours",
    "hours of a machine or a person that repeat each week",
    (
        Column("machine", "machine"),
        Column("person", "person"),
        Column("weekday", "0 Monday to 6 Sunday", _W, required=True),
        Column("start", "start", Kind.CLOCK, required=True),
        Column("end", "end", Kind.CLOCK, required=True),
        Column("breaks", "breaks, such as 09:30-09:45; 12:00-12:30", many=True),
    ),
)
CLOSURES = Table(
    "closures",
    "days on which the shop, a machine or a person is away",
    (
        Column("first", "first day", Kind.DATE, required=True),
        Column("last", "last day", Kind.DATE, required=True),
        Column("reason", "reason", required=True),
        Column("machine", "machine; both empty = the whole shop"),
        Column("person", "person"),
    ),
)
OVERTIME = Table(
    "overtime",
    "overtime offered",
    (
        Column("start", "start", Kind.MOMENT, required=True),
        Column("end", "end", Kind.MOMENT, required=True),
        Column("price_per_hour", "price of an hour on top", _N, required=True),
        Column("person", "person; empty = everybody"),
        Column("machine", "machine; empty = all"),
    ),
)
SETTINGS = Table(
    "settings",
    "the shop's habits and prices: one row",
    (
        Column("shop_name", "name", required=True),
        Column("units", "inch or metric on screens", _C, choices=System),
        Column("currency", "currency"),
        Column("hourly_rate", "price of an hour", _N),
        Column("rebuild_value", "what a rebuild is worth", _N),
        Column("risk_limit", "greatest chance of an edge failing in a face", _N),
        Column("risk_limit_last", "the same where less than one rebuild is left", _N),
        Column("depth_step", "step in which depths are planned", _D),
        Column("paper", "feeler paper at touch-off", _D),
        Column("set_aim", "aim of a set", _D),
        Column("set_tolerance", "height tolerance of a set", _D),
        Column("set_stop", "greatest mismatch of a set somebody may agree to", _D),
        Column("height_repeatability", "repeatability of a height", _D),
        Column("late_price_per_hour", "price of an hour late", _N),
        Column("fixed_pass", "the shop's fixed pass", _D),
        Column("uncleaned_cost", "cost of a part not cleaned", _N),
        Column("feelers", "feelers at hand", _D, many=True),
        Column("leaves", "shim leaves at hand", _D, many=True),
        Column("leaf_counts", "how many of each leaf", _W, many=True),
        Column("learn_from", "records count from then on"),
        Column("owners", "owners to whom a rebuild is worth something else", many=True),
        Column("owner_rebuild_values", "what it is worth to each of them", _N, many=True),
        Column("flank_wear", "wear land at which an edge is worn", _L),
        Column("corrosion_wear", "how many times as fast corroded skin wears an edge; empty = learned", _N),
        Column("cast_skin_wear", "the same for cast skin", _N),
        Column("weld_wear", "the same for weld", _N),
        Column("wash_cool_minutes", "until a washed part has cooled", _N),
        Column("weld_cool_minutes", "until a welded or straightened part has cooled", _N),
        Column("reference_monday", "the Monday this week's dates are written for", Kind.DATE),
    ),
)
PARTS = Table("parts", "a part", (*_IDENTITY, *_GATES))
HOLDS = Table(
    "holds",
    "a part that waits for somebody",
    (
        Column("tag", "tag", required=True),
        Column("waiting_for", "waits for whom", required=True),
        Column("reason", "for what", required=True),
        Column("since", "since", Kind.DATE, required=True),
        Column("ended", "ended", Kind.DATE),
    ),
)
HEIGHTS = Table(
    "heights",
    "a measured height",
    (
        Column("tag", "tag", required=True),
        Column("face", "face", required=True),
        Column("point", "measuring point", required=True),
        Column("height", "height", _L, required=True),
        Column("at", "when", Kind.MOMENT, required=True),
        Column("stage", "as arrived, finished or clamped check", _C, choices=HeightStage),
        Column("instrument", "measured with"),
        Column("repeatability", "its repeatability", _D),
        Column("temperature_c", "temperature, °C", _N),
        Column("by", "initials"),
    ),
)
JOBS = Table(
    "jobs",
    "a job: one face of one part",
    (
        Column("job", "the job's number", _W, required=True),
        Column("tag", "the part's tag", required=True),
        Column("face", "face", required=True),
        Column("job_state", "how far it is", _C, choices=JobState),
        *_JOB,
    ),
)
SETS = Table(
    "matched_sets",
    "a matched set",
    (
        Column("set", "name", required=True),
        Column("jobs", "numbers of its jobs", _W, required=True, many=True),
        Column("tolerance", "height tolerance", _D),
        Column("aim", "aim within it", _D),
        Column("stop", "greatest mismatch somebody may agree to", _D),
        Column("relative_to_nominal", "compared with each part's new height", _YN),
        Column("gang", "on the table together", _YN),
        Column("same_blocks", "same blocks, same zero", _YN),
        Column("accepted_mismatch", "mismatch accepted", _D),
        Column("accepted_by", "by whom"),
        Column("split_agreed_by", "who agreed to different machines"),
    ),
)

IMPORTS: Mapping[str, Table] = MappingProxyType(
    {t.name: t for t in (IMPORT_PARTS, IMPORT_FAMILIES, GASKETS, GRADES, MACHINES, PEOPLE, CUTTERS, RECIPES, ENGINES)}
)
