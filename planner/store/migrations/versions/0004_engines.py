"""Keep engines, what was measured on them and on parts, and what the bench hands over."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def _kept() -> tuple[sa.Column, ...]:
    return (
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_by", sa.String(length=60), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=True),
    )


def _nested(name: str, **options) -> sa.Column:
    return sa.Column(name, sa.JSON(none_as_null=True), nullable=False, **options)


def upgrade() -> None:
    op.add_column("parts", _nested("depths", server_default=sa.text("'[]'")))
    op.create_table(
        "engines",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("bore_mm", sa.Double(), nullable=False),
        sa.Column("stroke_mm", sa.Double(), nullable=False),
        _nested("head_family_ids"),
        _nested("case_family_ids"),
        _nested("banks"),
        sa.Column("cylinders", sa.Integer(), nullable=False),
        sa.Column("chamber_cm3", sa.Double(), nullable=True),
        sa.Column("chamber_height_mm", sa.Double(), nullable=True),
        sa.Column("chamber_area_mm2", sa.Double(), nullable=True),
        sa.Column("piston_cm3", sa.Double(), nullable=True),
        sa.Column("rod_mm", sa.Double(), nullable=True),
        sa.Column("gasket_bore_mm", sa.Double(), nullable=True),
        sa.Column("most_stacked", sa.Integer(), nullable=False),
        sa.Column("pad_recess_mm", sa.Double(), nullable=True),
        _nested("intake"),
        _nested("exhaust"),
        sa.Column("cam_drive", sa.String(length=40), nullable=False),
        sa.Column("cam_radius_mm", sa.Double(), nullable=True),
        sa.Column("cam_run_angle_deg", sa.Double(), nullable=False),
        sa.Column("taut_run", sa.String(length=20), nullable=False),
        sa.Column("pushrod_angle_deg", sa.Double(), nullable=False),
        sa.Column("bank_angle_deg", sa.Double(), nullable=True),
        sa.Column("manifold_lean_deg", sa.Double(), nullable=True),
        _nested("limits"),
        sa.Column("notes", sa.Text(), nullable=False),
        *_kept(),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_engines")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "measured_engines",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("serial", sa.String(length=60), nullable=False),
        sa.Column("engine_id", sa.Integer(), nullable=False),
        sa.Column("measured_on", sa.Date(), nullable=True),
        _nested("banks"),
        sa.Column("by", sa.String(length=40), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        *_kept(),
        sa.ForeignKeyConstraint(["engine_id"], ["engines.id"], name=op.f("fk_measured_engines_engine_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measured_engines")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_measured_engines_serial"), "measured_engines", ["serial"], unique=False)
    op.create_table(
        "hand_overs",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("flatness_mm", sa.Double(), nullable=True),
        _nested("ra"),
        sa.Column("pits", sa.String(length=300), nullable=False),
        sa.Column("plugs", sa.String(length=120), nullable=False),
        sa.Column("dowels", sa.String(length=120), nullable=False),
        sa.Column("washed", sa.Boolean(), nullable=True),
        sa.Column("protected", sa.Boolean(), nullable=True),
        sa.Column("next_person", sa.String(length=60), nullable=False),
        sa.Column("by", sa.String(length=40), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=True),
        sa.Column("note", sa.String(length=500), nullable=False),
        *_kept(),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_hand_overs_job_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_overs")),
        sa.UniqueConstraint("job_id", name=op.f("uq_hand_overs_job_id")),
        sqlite_autoincrement=True,
    )
