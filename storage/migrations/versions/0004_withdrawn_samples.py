"""Hand samples that were withdrawn, with time and name."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("samples", sa.Column("withdrawn", sa.DateTime(timezone=True), nullable=True))
    op.add_column("samples", sa.Column("withdrawn_by", sa.Text(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("samples") as samples:
        samples.drop_column("withdrawn_by")
        samples.drop_column("withdrawn")
