"""Every table of a shop's database, and the triggers that keep the record append-only."""

from __future__ import annotations

from planner.store.noun_tables import (
    closures,
    cutters,
    engines,
    faces,
    families,
    gaskets,
    grades,
    hand_overs,
    holds,
    inserts,
    jobs,
    machines,
    measured_engines,
    meta,
    overtime,
    part_marks,
    parts,
    people,
    recipes,
    set_members,
    sets,
    settings,
)
from planner.store.record_tables import (
    attachments,
    cuts,
    drafts,
    edge_events,
    edge_uses,
    height_readings,
    intake_checks,
    plans,
    run_taps,
    scrappings,
    surveys,
)
from planner.store.schema import metadata

__all__ = [
    "APPEND_ONLY",
    "append_only_triggers",
    "metadata",
    "attachments",
    "closures",
    "cuts",
    "cutters",
    "drafts",
    "edge_events",
    "edge_uses",
    "engines",
    "faces",
    "families",
    "gaskets",
    "grades",
    "hand_overs",
    "height_readings",
    "holds",
    "inserts",
    "intake_checks",
    "jobs",
    "machines",
    "measured_engines",
    "meta",
    "overtime",
    "part_marks",
    "parts",
    "people",
    "plans",
    "recipes",
    "run_taps",
    "scrappings",
    "set_members",
    "sets",
    "settings",
    "surveys",
]

for _table in metadata.tables.values():
    if _table.autoincrement_column is not None:
        # an id is never used again: what was deleted must not come back as something else in a plan or a draft
        _table.dialect_options["sqlite"]["autoincrement"] = True

APPEND_ONLY = (cuts, edge_uses, height_readings, edge_events, run_taps)


def append_only_triggers() -> tuple[str, ...]:
    """SQLite statements that refuse to change or delete a row of the record. Safe to run again."""
    said = "the record is append-only: correct a mistake by an entry that reverses it"
    return tuple(
        f"CREATE TRIGGER IF NOT EXISTS {table.name}_no_{verb.lower()} BEFORE {verb} ON {table.name} "
        f"BEGIN SELECT RAISE(ABORT, '{table.name}: {said}'); END"
        for table in APPEND_ONLY
        for verb in ("UPDATE", "DELETE")
    )
