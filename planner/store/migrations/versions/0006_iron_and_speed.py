"""Keep which grades may meet iron and how wear grows with speed; drop a price that nothing was planned with."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("grades", sa.Column("may_meet_iron", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.add_column("recipes", sa.Column("taylor_n", sa.Double(), nullable=False, server_default=sa.text("1.0")))
    # a spoiled face costs its own metal and minutes, worked out job by job
    op.drop_column("settings", "spoiled_face_cost")
