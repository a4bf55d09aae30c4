"""Estimates have an interval of attenuation and of alcohol; those from before keep none."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010_strength_intervals"
down_revision = "0009_removed_batches"
branch_labels = None
depends_on = None

_COLUMNS = ("apparent_attenuation_low", "apparent_attenuation_high", "abv_low_percent", "abv_high_percent")


def upgrade() -> None:
    for name in _COLUMNS:
        op.add_column("estimates", sa.Column(name, sa.Double(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("estimates") as estimates:
        for name in _COLUMNS:
            estimates.drop_column(name)
