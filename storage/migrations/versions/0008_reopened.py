"""When a batch that had ended was last reopened: whoever watches it reads it again."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008_reopened"
down_revision = "0007_last_word"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("batches", sa.Column("reopened", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("batches") as batches:
        batches.drop_column("reopened")
