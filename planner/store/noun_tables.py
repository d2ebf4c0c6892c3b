"""Tables of the nouns: real columns for what is one value, JSON columns for what is nested in a noun.

Column names are the nouns' field names, so a row and a noun translate by name. Lengths mm, areas mm², times minutes.
"""

from __future__ import annotations

from sqlalchemy import Boolean, Column, Date, DateTime, ForeignKey, Index, Integer, String, Table, UniqueConstraint

from planner.store.schema import (
    id_column,
    kept_columns,
    link_column,
    long_column,
    metadata,
    moment_column,
    nested_column,
    number_column,
    text_column,
    whole_column,
    yes_column,
)

# one row: whose shop this is, and the counters every write moves
meta = Table(
    "meta",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("kind", String(10), nullable=False),
    Column("created", DateTime, nullable=False),
    Column("data_version", Integer, nullable=False, default=0),
    Column("shop_version", Integer, nullable=False, default=0),
    Column("records_version", Integer, nullable=False, default=0),
    Column("taps_version", Integer, nullable=False, default=0),
)

settings = Table(
    "settings",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    text_column("shop_name", 80),
    text_column("units", 10),
    text_column("currency", 4),
    *(
        number_column(name, required=True)
        for name in (
            "hourly_rate",
            "rebuild_value",
            "risk_limit",
            "risk_limit_last",
            "depth_step_mm",
            "paper_mm",
            "set_aim_mm",
            "set_tolerance_mm",
            "set_stop_mm",
            "height_repeatability_mm",
            "late_price_per_hour",
            "fixed_pass_mm",
            "uncleaned_cost",
        )
    ),
    nested_column("feelers_mm"),
    nested_column("leaves_mm"),
    text_column("learn_from", 40),
    nested_column("owner_values"),
    number_column("flank_wear_mm", required=True),
    number_column("corrosion_wear"),
    number_column("cast_skin_wear"),
    number_column("weld_wear"),
    number_column("wash_cool_minutes", required=True),
    number_column("weld_cool_minutes", required=True),
    *kept_columns(),
)

# -- parts ---------------------------------------------------------------------------------------------------------
families = Table(
    "families",
    metadata,
    id_column(),
    text_column("name", 80),
    text_column("material", 40),
    text_column("kind", 20),
    text_column("fixture", 80),
    text_column("blocks", 120),
    number_column("weight_kg"),
    number_column("replacement_price"),
    yes_column("hoist"),
    yes_column("one_off"),
    long_column("notes"),
    *kept_columns(),
    Index(None, "name"),
)

faces = Table(
    "faces",
    metadata,
    id_column(),
    link_column("family_id", "families", required=True),
    whole_column("seq", required=True),
    text_column("name", 60),
    text_column("kind", 20),
    number_column("length_mm", required=True),
    number_column("width_mm", required=True),
    number_column("net_share"),
    text_column("datum", 120),
    number_column("new_height_mm"),
    number_column("least_height_mm"),
    number_column("greatest_removal_mm"),
    number_column("ra_least_um"),
    number_column("ra_greatest_um"),
    number_column("flatness_mm"),
    number_column("local_flatness_mm"),
    number_column("local_span_mm"),
    number_column("bow_limit_mm"),
    number_column("parallel_limit_mm"),
    yes_column("ferrous_inserts"),
    yes_column("cover_bolted"),
    nested_column("points"),
    nested_column("proud"),
    nested_column("openings"),
    nested_column("zones"),
    nested_column("depths"),
    Index(None, "family_id"),
)

parts = Table(
    "parts",
    metadata,
    id_column(),
    text_column("tag", 40),
    link_column("family_id", "families", required=True),
    text_column("work_order", 40),
    text_column("engine_serial", 60),
    text_column("position", 40),
    text_column("casting_number", 60),
    text_column("part_number", 60),
    text_column("owner", 80),
    text_column("source", 80),
    text_column("second_mark", 60),
    text_column("condition", 20),
    text_column("state", 20),
    Column("expected_on", Date, nullable=True),
    nested_column("route"),
    nested_column("depths"),
    number_column("removed_before_mm"),
    number_column("agreed_depth_mm"),
    text_column("agreed_by", 80),
    number_column("replacement_price"),
    long_column("notes"),
    # engine serial and position within a family name one physical part, whatever tag it carries; "" = not known
    text_column("same_part", 120),
    *kept_columns(),
    Index(None, "state"),
    Index(None, "tag"),
    Index(None, "family_id"),
    Index(None, "same_part"),
)

# every mark a part can be found by, and the mark's last four characters
part_marks = Table(
    "part_marks",
    metadata,
    id_column(),
    link_column("part_id", "parts", required=True, ondelete="CASCADE"),
    text_column("kind", 20),
    text_column("mark", 60),
    text_column("tail", 4),
    Index(None, "part_id"),
    Index(None, "mark"),
    Index(None, "tail"),
)

holds = Table(
    "holds",
    metadata,
    id_column(),
    link_column("part_id", "parts", required=True, ondelete="CASCADE"),
    text_column("waiting_for", 60),
    text_column("reason", 300),
    Column("since", Date, nullable=False),
    Column("ended", Date, nullable=True),
    Index(None, "part_id"),
)

gaskets = Table(
    "gaskets",
    metadata,
    id_column(),
    text_column("name", 80),
    number_column("crushed_mm", required=True),
    number_column("bore_mm"),
    number_column("ra_least_um"),
    number_column("ra_greatest_um"),
    yes_column("may_be_stacked"),
    *kept_columns(),
)

# -- engines -----------------------------------------------------------------------------------------------------------
engines = Table(
    "engines",
    metadata,
    id_column(),
    text_column("name", 80),
    number_column("bore_mm", required=True),
    number_column("stroke_mm", required=True),
    nested_column("head_family_ids"),
    nested_column("case_family_ids"),
    nested_column("banks"),
    whole_column("cylinders", required=True),
    *(
        number_column(name)
        for name in (
            "chamber_cm3",
            "chamber_height_mm",
            "chamber_area_mm2",
            "piston_cm3",
            "rod_mm",
            "gasket_bore_mm",
        )
    ),
    whole_column("most_stacked", required=True),
    number_column("pad_recess_mm"),
    nested_column("intake"),
    nested_column("exhaust"),
    text_column("cam_drive", 40),
    number_column("cam_radius_mm"),
    number_column("cam_run_angle_deg", required=True),
    text_column("taut_run", 20),
    number_column("pushrod_angle_deg", required=True),
    number_column("bank_angle_deg"),
    number_column("manifold_lean_deg"),
    nested_column("limits"),
    long_column("notes"),
    *kept_columns(),
)

measured_engines = Table(
    "measured_engines",
    metadata,
    id_column(),
    text_column("serial", 60),
    link_column("engine_id", "engines", required=True),
    Column("measured_on", Date, nullable=True),
    nested_column("banks"),
    text_column("by", 40),
    long_column("notes"),
    *kept_columns(),
    Index(None, "serial"),
)

# -- machines, people ------------------------------------------------------------------------------------------------
machines = Table(
    "machines",
    metadata,
    id_column(),
    text_column("name", 60),
    nested_column("speeds_rpm"),
    number_column("least_rpm"),
    number_column("greatest_rpm"),
    number_column("least_feed_mm_min"),
    number_column("greatest_feed_mm_min"),
    number_column("travel_mm"),
    number_column("table_width_mm"),
    number_column("approach_mm", required=True),
    number_column("overrun_mm", required=True),
    number_column("return_minutes", required=True),
    number_column("hourly_rate"),
    text_column("end_of_pass", 20),
    nested_column("instrument"),
    nested_column("tram"),
    nested_column("hours"),
    nested_column("materials"),
    *kept_columns(),
)

people = Table(
    "people",
    metadata,
    id_column(),
    text_column("name", 60),
    text_column("initials", 8),
    nested_column("shifts"),
    nested_column("machine_ids"),
    number_column("hourly_rate"),
    *kept_columns(),
)

closures = Table(
    "closures",
    metadata,
    id_column(),
    Column("first", Date, nullable=False),
    Column("last", Date, nullable=False),
    text_column("reason", 120),
    link_column("machine_id", "machines"),
    link_column("person_id", "people"),
)

overtime = Table(
    "overtime",
    metadata,
    id_column(),
    moment_column("start", required=True),
    moment_column("end", required=True),
    number_column("price_per_hour", required=True),
    link_column("person_id", "people"),
    link_column("machine_id", "machines"),
)

# -- jobs and sets ---------------------------------------------------------------------------------------------------
jobs = Table(
    "jobs",
    metadata,
    id_column(),
    link_column("part_id", "parts", required=True),
    link_column("face_id", "faces", required=True),
    text_column("aim", 20),
    number_column("depth_mm"),
    moment_column("due"),
    text_column("due_kind", 20),
    number_column("weight", required=True),
    text_column("state", 20),
    link_column("gasket_id", "gaskets"),
    moment_column("not_before"),
    link_column("machine_id", "machines"),
    yes_column("rush"),
    text_column("note", 500),
    *kept_columns(),
    Index(None, "part_id"),
    Index(None, "state", "changed_at"),
)

sets = Table(
    "sets",
    metadata,
    id_column(),
    text_column("name", 80),
    number_column("tolerance_mm", required=True),
    number_column("aim_mm"),
    number_column("stop_mm"),
    yes_column("relative_to_nominal"),
    yes_column("gang"),
    yes_column("same_blocks"),
    number_column("accepted_mismatch_mm"),
    text_column("accepted_by", 80),
    text_column("split_agreed_by", 80),
    *kept_columns(),
)

# what the bench did with a cut part; one for a job
hand_overs = Table(
    "hand_overs",
    metadata,
    id_column(),
    link_column("job_id", "jobs", required=True),
    number_column("flatness_mm"),
    nested_column("ra"),
    text_column("pits", 300),
    text_column("plugs", 120),
    text_column("dowels", 120),
    Column("washed", Boolean(create_constraint=False), nullable=True),
    Column("protected", Boolean(create_constraint=False), nullable=True),
    text_column("next_person", 60),
    text_column("by", 40),
    moment_column("at"),
    text_column("note", 500),
    *kept_columns(),
    UniqueConstraint("job_id"),
)

# a job is in one set at most
set_members = Table(
    "set_members",
    metadata,
    Column("job_id", Integer, ForeignKey("jobs.id"), primary_key=True, autoincrement=False),
    link_column("set_id", "sets", required=True, ondelete="CASCADE"),
    whole_column("seq", required=True),
    Index(None, "set_id"),
)

# -- tooling -----------------------------------------------------------------------------------------------------------
grades = Table(
    "grades",
    metadata,
    id_column(),
    text_column("name", 60),
    text_column("corner", 20),
    number_column("radius_mm"),
    number_column("flat_mm"),
    whole_column("positions", required=True),
    number_column("price"),
    whole_column("stock", required=True),
    whole_column("lead_days"),
    number_column("regrind_price"),
    yes_column("may_meet_iron"),
    *kept_columns(),
)

cutters = Table(
    "cutters",
    metadata,
    id_column(),
    text_column("name", 60),
    number_column("diameter_mm", required=True),
    whole_column("inserts", required=True),
    number_column("max_rpm"),
    link_column("machine_id", "machines"),
    link_column("grade_id", "grades"),
    *kept_columns(),
)

recipes = Table(
    "recipes",
    metadata,
    id_column(),
    text_column("material", 40),
    link_column("grade_id", "grades", required=True),
    *(
        number_column(name, required=True)
        for name in (
            "speed_m_min",
            "rough_feed_mm",
            "finish_feed_mm",
            "least_pass_mm",
            "usual_pass_mm",
            "greatest_pass_mm",
        )
    ),
    number_column("rough_greatest_mm"),
    number_column("finish_pass_mm", required=True),
    yes_column("kiss_pass"),
    text_column("fluid", 120),
    number_column("capacity_path_mm"),
    number_column("taylor_n", required=True),
    yes_column("active"),
    text_column("signed_by", 80),
    text_column("note", 500),
    *kept_columns(),
    Index(None, "material", "grade_id"),
)

inserts = Table(
    "inserts",
    metadata,
    id_column(),
    text_column("label", 40),
    link_column("grade_id", "grades", required=True),
    whole_column("positions", required=True),
    yes_column("scrapped"),
    Index(None, "grade_id"),
)
