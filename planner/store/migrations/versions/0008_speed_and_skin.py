"""Keep the speed a cut ran at, and what the shop set for wear in harsh skin."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("cuts", sa.Column("speed_m_min", sa.Double(), nullable=True))
    for name in ("corrosion_wear", "cast_skin_wear", "weld_wear"):
        op.add_column("settings", sa.Column(name, sa.Double(), nullable=True))
