"""The last counter of each float's encrypted advertisements."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005_advert_counters"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("floats", sa.Column("advert_counter", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("floats") as floats:
        floats.drop_column("advert_counter")
