"""Tables of what happened: cuts, edge changes, run-sheet taps, heights (append-only), measurements, plans, drafts."""

from __future__ import annotations

from sqlalchemy import Column, Index, LargeBinary, String, Table, UniqueConstraint

from planner.store.schema import (
    id_column,
    link_column,
    long_column,
    metadata,
    moment_column,
    nested_column,
    number_column,
    text_column,
    whole_column,
)

# -- the record: append-only, a mistake is corrected by an entry that reverses it ----------------------------------
cuts = Table(
    "cuts",
    metadata,
    id_column(),
    link_column("job_id", "jobs"),
    link_column("part_id", "parts", required=True),
    link_column("face_id", "faces", required=True),
    moment_column("started"),
    moment_column("ended", required=True),
    number_column("stop_depth_mm", required=True),
    link_column("machine_id", "machines"),
    link_column("cutter_id", "cutters"),
    link_column("grade_id", "grades"),
    link_column("recipe_id", "recipes"),
    text_column("by", 40),
    text_column("outcome", 30),
    nested_column("passes"),
    number_column("clean_lower_mm"),
    number_column("clean_upper_mm"),
    text_column("touch_place", 60),
    number_column("delta_mm"),
    number_column("paper_mm", required=True),
    nested_column("heights_mm"),
    nested_column("ra_um"),
    number_column("feed_mm"),
    number_column("speed_m_min"),
    number_column("planned_depth_mm"),
    number_column("allowed_depth_mm"),
    whole_column("planned_passes"),
    number_column("planned_minutes"),
    number_column("attended_minutes"),
    number_column("unattended_minutes"),
    nested_column("step_minutes"),
    text_column("looks", 60),
    long_column("note"),
    link_column("reverses_id", "cuts"),
    text_column("correction", 500),
    # as they were when the cut was made: the part may be described anew later
    link_column("family_id", "families", required=True),
    text_column("condition", 20),
    text_column("material", 40),
    whole_column("pass_count", required=True),
    # the depth with its sign: a reversing entry takes off what the reversed one took, so a plain sum is right
    number_column("removed_mm", required=True),
    UniqueConstraint("reverses_id"),
    Index(None, "part_id", "face_id"),
    Index(None, "job_id"),
    Index(None, "ended"),
    Index(None, "family_id", "face_id", "condition"),
)

# path and area with their sign: a reversing cut carries the same edges with negative figures
edge_uses = Table(
    "edge_uses",
    metadata,
    id_column(),
    link_column("cut_id", "cuts", required=True),
    link_column("insert_id", "inserts", required=True),
    whole_column("position", required=True),
    text_column("material", 40),
    number_column("path_mm", required=True),
    number_column("swept_mm2", required=True),
    Index(None, "cut_id"),
    Index(None, "insert_id", "position"),
)

height_readings = Table(
    "height_readings",
    metadata,
    id_column(),
    link_column("part_id", "parts", required=True),
    link_column("face_id", "faces", required=True),
    text_column("point", 40),
    number_column("height_mm", required=True),
    moment_column("at", required=True),
    text_column("stage", 20),
    text_column("instrument", 60),
    number_column("repeatability_mm"),
    number_column("temperature_c"),
    text_column("by", 40),
    link_column("cut_id", "cuts"),
    link_column("reverses_id", "height_readings"),
    text_column("correction", 500),
    UniqueConstraint("reverses_id"),
    Index(None, "part_id"),
    Index(None, "cut_id"),
)

edge_events = Table(
    "edge_events",
    metadata,
    id_column(),
    moment_column("at", required=True),
    text_column("by", 60),
    text_column("kind", 30),
    link_column("insert_id", "inserts"),
    whole_column("position"),
    link_column("cutter_id", "cutters"),
    whole_column("pocket"),
    link_column("grade_id", "grades"),
    whole_column("count"),
    number_column("cost"),
    text_column("note", 500),
    link_column("cut_id", "cuts"),
    link_column("reverses_id", "edge_events"),
    nested_column("payload"),
    UniqueConstraint("reverses_id"),
    Index(None, "insert_id"),
    Index(None, "cutter_id"),
)

run_taps = Table(
    "run_taps",
    metadata,
    id_column(),
    link_column("job_id", "jobs", required=True),
    whole_column("seq", required=True),
    moment_column("at", required=True),
    text_column("by", 60),
    text_column("kind", 30),
    nested_column("payload"),
    whole_column("reverses_seq"),
    UniqueConstraint("job_id", "seq"),
)

# what a scrapping changed around its part, and what came of it when it was taken back
scrappings = Table(
    "scrappings",
    metadata,
    id_column(),
    link_column("cut_id", "cuts", required=True),
    nested_column("changed"),
    nested_column("undone"),
    UniqueConstraint("cut_id"),
)

# -- measurements, plans, drafts
intake_checks = Table(
    "intake_checks",
    metadata,
    id_column(),
    link_column("part_id", "parts", required=True),
    link_column("face_id", "faces", required=True),
    moment_column("at", required=True),
    text_column("by", 60),
    number_column("lower_mm"),
    number_column("upper_mm"),
    number_column("pit_mm"),
    nested_column("payload"),
    Index(None, "part_id"),
)

surveys = Table(
    "surveys",
    metadata,
    id_column(),
    link_column("part_id", "parts", required=True),
    link_column("face_id", "faces", required=True),
    link_column("job_id", "jobs"),
    moment_column("at", required=True),
    text_column("by", 60),
    text_column("stage", 30),
    nested_column("payload"),
    Index(None, "part_id"),
)

attachments = Table(
    "attachments",
    metadata,
    id_column(),
    link_column("part_id", "parts", required=True),
    moment_column("at", required=True),
    text_column("by", 60),
    text_column("name", 120),
    text_column("media_type", 80),
    text_column("note", 300),
    Column("content", LargeBinary(16 * 1024 * 1024), nullable=False),
    Index(None, "part_id"),
)

plans = Table(
    "plans",
    metadata,
    id_column(),
    moment_column("at", required=True),
    text_column("by", 60),
    text_column("note", 500),
    whole_column("data_version", required=True),
    whole_column("stored_version", required=True),
    nested_column("payload"),
)

drafts = Table(
    "drafts",
    metadata,
    Column("key", String(200), primary_key=True),
    nested_column("payload"),
    moment_column("updated_at", required=True),
)
