"""Notices about the service itself; how often each channel has taken a message."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """A message is now either an alert or a notice. What was delivered before counts as told."""
    op.create_table(
        "notices",
        sa.Column("id", _ROW_ID, nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("ends", sa.Boolean(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notices")),
        sa.UniqueConstraint("cause", "time", "ends", name=op.f("uq_notices_cause_time_ends")),
        sqlite_autoincrement=True,
    )
    with op.batch_alter_table("outbox", table_kwargs={"sqlite_autoincrement": True}) as table:
        table.alter_column("alert_id", existing_type=_ROW_ID, nullable=True)
        table.add_column(sa.Column("notice_id", _ROW_ID, nullable=True))
        table.add_column(sa.Column("told", sa.Integer(), nullable=False, server_default="0"))
        table.create_foreign_key(op.f("fk_outbox_notice_id"), "notices", ["notice_id"], ["id"])
        table.create_unique_constraint(op.f("uq_outbox_notice_id_channel"), ["notice_id", "channel"])
    op.execute("UPDATE outbox SET told = 1 WHERE delivered IS NOT NULL")
    with op.batch_alter_table("outbox", table_kwargs={"sqlite_autoincrement": True}) as table:
        table.alter_column("told", existing_type=sa.Integer(), server_default=None)


def downgrade() -> None:
    """Drop notices and what was to be told of them."""
    op.execute("DELETE FROM outbox WHERE alert_id IS NULL")
    with op.batch_alter_table("outbox", table_kwargs={"sqlite_autoincrement": True}) as table:
        table.drop_constraint(op.f("uq_outbox_notice_id_channel"), type_="unique")
        table.drop_constraint(op.f("fk_outbox_notice_id"), type_="foreignkey")
        table.drop_column("told")
        table.drop_column("notice_id")
        table.alter_column("alert_id", existing_type=_ROW_ID, nullable=False)
    op.drop_table("notices")
