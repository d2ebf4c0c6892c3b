"""Columns of the files of recorded cuts and of the ledger of edges; the others stand in `file_tables`."""

from __future__ import annotations

from planner.shop import TIMED_STEPS, Outcome, PassReason
from planner.store.file_columns import Column, Kind, Table

_L, _D, _W, _N = Kind.LENGTH, Kind.DEPTH, Kind.WHOLE, Kind.NUMBER
_C, _YN, _RA = Kind.CHOICE, Kind.YES_NO, Kind.RA

CUTS = Table(
    "cuts",
    "a recorded cut",
    (
        Column("cut", "the record's number", _W, required=True),
        Column("job", "the job's number", _W),
        Column("tag", "the part's tag", required=True),
        Column("face", "face", required=True),
        Column("started", "started", Kind.MOMENT),
        Column("ended", "ended", Kind.MOMENT, required=True),
        Column("machine", "machine"),
        Column("cutter", "cutter"),
        Column("grade", "insert grade"),
        Column("recipe_material", "material of the recipe used with that grade"),
        Column("by", "initials"),
        Column("outcome", "how it ended", _C, choices=Outcome),
        Column("stop_depth", "depth at which it stopped", _D, required=True),
        Column("clean_lower", "greatest depth seen not clean", _D),
        Column("clean_upper", "least depth seen clean", _D),
        Column("touch_place", "where it was touched off"),
        Column("delta", "first contact above the touch-off place; empty = unknown", _D),
        Column("paper", "feeler paper", _D),
        Column("ra", "roughness read", _RA, many=True),
        Column("feed", "feed per insert of the last pass", Kind.FEED),
        Column("speed", "surface speed it ran at", Kind.SPEED),
        Column("planned_depth", "planned stop depth", _D),
        Column("allowed_depth", "allowed stop depth", _D),
        Column("planned_passes", "planned passes", _W),
        Column("planned_minutes", "planned minutes", _N),
        Column("attended_minutes", "minutes attended", _N),
        Column("unattended_minutes", "minutes unattended", _N),
        Column("looks", "how it looks"),
        Column("note", "note"),
        Column("reverses", "number of the record this one reverses", _W),
        Column("correction", "why"),
    ),
)
PASSES = Table(
    "passes",
    "a pass of a recorded cut, in order",
    (
        Column("cut", "the cut's number", _W, required=True),
        Column("total", "depth after it", _D, required=True),
        Column("pass_reason", "why it was made", _C, choices=PassReason),
        Column("finishing", "at finishing feed", _YN),
        Column("clean", "clean when looked at; empty = nobody looked", _YN),
        Column("dye_left", "where dye was left"),
        Column("reading", "reading on the instrument"),
        Column("at", "when", Kind.MOMENT),
    ),
)
CUT_HEIGHTS = Table(
    "cut_heights",
    "a height measured after a cut",
    (
        Column("cut", "the cut's number", _W, required=True),
        Column("point", "measuring point", required=True),
        Column("height", "height", _L, required=True),
    ),
)
CUT_MINUTES = Table(
    "cut_minutes",
    "what a step of a recorded cut took",
    (
        Column("cut", "the cut's number", _W, required=True),
        Column("step", "the step: " + ", ".join(TIMED_STEPS), required=True),
        Column("minutes", "minutes, of one where it was done several times", _N, required=True),
    ),
)
EDGE_USES = Table(
    "edge_uses",
    "what a cut did to an edge",
    (
        Column("cut", "the cut's number", _W, required=True),
        Column("insert", "insert", required=True),
        Column("position", "position", _W, required=True),
        Column("path", "path in metal", Kind.PATH, required=True),
        Column("swept", "swept area", Kind.AREA, required=True),
    ),
)
EDGE_EVENTS = Table(
    "edge_events",
    "a line of the ledger of edges",
    (
        Column("at", "when", Kind.MOMENT, required=True),
        Column("event", "what happened", required=True),
        Column("insert", "insert, as it is after the change"),
        Column("position", "its position at work", _W),
        Column("from_insert", "insert that was in the pocket before"),
        Column("from_position", "its position then", _W),
        Column("cutter", "cutter"),
        Column("pocket", "pocket of the cutter", _W),
        Column("reason", "how the edge before ended"),
        Column("grade", "insert grade"),
        Column("count", "how many inserts", _W),
        Column("cost", "price paid", _N),
        Column("wear", "wear land read, mm", _N),
        Column("positions", "positions that cut again after a regrind, such as 1 2"),
        Column("machine", "machine the cutter went on"),
        Column("by", "initials"),
        Column("note", "note"),
    ),
)
