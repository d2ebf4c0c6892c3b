"""Give sets their greatest mismatch, same blocks and an agreed split; give the shop its aim and greatest mismatch."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

THOU = 0.0254


def upgrade() -> None:
    op.add_column("sets", sa.Column("stop_mm", sa.Double(), nullable=True))
    op.add_column("sets", sa.Column("same_blocks", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.add_column("sets", sa.Column("split_agreed_by", sa.String(length=80), nullable=False, server_default=""))
    for name, thou in (("set_aim_mm", 2), ("set_stop_mm", 5)):
        default = sa.text(repr(thou * THOU))
        op.add_column("settings", sa.Column(name, sa.Double(), nullable=False, server_default=default))
    # a shop with a tolerance of its own keeps aim and greatest mismatch on either side of it
    op.execute("UPDATE settings SET set_aim_mm = set_tolerance_mm WHERE set_aim_mm > set_tolerance_mm")
    op.execute("UPDATE settings SET set_stop_mm = set_tolerance_mm WHERE set_stop_mm < set_tolerance_mm")
    # what no check refused before: an aim beyond the tolerance never bound
    op.execute("UPDATE sets SET aim_mm = tolerance_mm WHERE aim_mm > tolerance_mm")
