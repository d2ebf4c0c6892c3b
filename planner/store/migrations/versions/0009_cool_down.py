"""Keep how long parts cool after washing, and after welding or straightening."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for name in ("wash_cool_minutes", "weld_cool_minutes"):
        op.add_column("settings", sa.Column(name, sa.Double(), nullable=False, server_default=sa.text("180.0")))
