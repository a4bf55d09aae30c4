"""Calibrations in progress, so that terminal and page go on with the same one."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "calibrations",
        sa.Column("float_id", sa.Text(), nullable=False),
        sa.Column("session", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["float_id"], ["floats.float_id"], name=op.f("fk_calibrations_float_id")),
        sa.PrimaryKeyConstraint("float_id", name=op.f("pk_calibrations")),
    )


def downgrade() -> None:
    op.drop_table("calibrations")
