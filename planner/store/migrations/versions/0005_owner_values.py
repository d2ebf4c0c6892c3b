"""Keep what a rebuild is worth to single owners, the wear land that ends an edge, and the feed of a cut's last pass."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    none = sa.text("'[]'")
    op.add_column(
        "settings", sa.Column("owner_values", sa.JSON(none_as_null=True), nullable=False, server_default=none)
    )
    op.add_column("settings", sa.Column("flank_wear_mm", sa.Double(), nullable=False, server_default=sa.text("0.3")))
    op.add_column("cuts", sa.Column("feed_mm", sa.Double(), nullable=True))
