"""Keep what a scrapping changes around its part, so that taking it back can undo it."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "scrappings",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("cut_id", sa.Integer(), nullable=False),
        sa.Column("changed", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("undone", sa.JSON(none_as_null=True), nullable=False),
        sa.ForeignKeyConstraint(["cut_id"], ["cuts.id"], name="fk_scrappings_cut_id"),
        sa.PrimaryKeyConstraint("id", name="pk_scrappings"),
        sa.UniqueConstraint("cut_id", name="uq_scrappings_cut_id"),
        sqlite_autoincrement=True,
    )
