"""Keep what the steps of a cut took, and count the entries on run sheets."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    nothing = sa.text("'{}'")
    op.add_column("cuts", sa.Column("step_minutes", sa.JSON(none_as_null=True), nullable=False, server_default=nothing))
    op.add_column("meta", sa.Column("taps_version", sa.Integer(), nullable=False, server_default=sa.text("0")))
