"""Which batches were removed: what a broker retains of them is taken back, also where the service was stopped then."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009_removed_batches"
down_revision = "0008_reopened"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "removed_batches",
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("batch_id", name=op.f("pk_removed_batches")),
    )


def downgrade() -> None:
    op.drop_table("removed_batches")
