"""Temperatures of a vessel's own probe, and alerts of one kind that tell of several causes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006_probes"
down_revision = "0005_advert_counters"
branch_labels = None
depends_on = None

_ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_AUTO = {"sqlite_autoincrement": True}


def upgrade() -> None:
    """Alerts told before had one cause a kind, which is the empty one."""
    op.create_table(
        "probe_readings",
        sa.Column("id", _ROW_ID, nullable=False),
        sa.Column("vessel_id", sa.Text(), nullable=False),
        sa.Column("probe", sa.Text(), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("temperature_c", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_probe_readings")),
        sa.UniqueConstraint("probe", "time", name=op.f("uq_probe_readings_probe_time")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_probe_readings_vessel_id_id"), "probe_readings", ["vessel_id", "id"], unique=False)
    op.create_index(op.f("ix_probe_readings_vessel_id_time"), "probe_readings", ["vessel_id", "time"], unique=False)
    with op.batch_alter_table("batch_states") as table:
        table.add_column(sa.Column("probe_cursor", sa.BigInteger(), nullable=False, server_default="0"))
    with op.batch_alter_table("batch_states") as table:
        table.alter_column("probe_cursor", existing_type=sa.BigInteger(), server_default=None)
    with op.batch_alter_table("alerts", table_kwargs=_AUTO) as table:
        table.add_column(sa.Column("cause", sa.Text(), nullable=False, server_default=""))
        table.drop_constraint(op.f("uq_alerts_batch_id_kind_time_resolves"), type_="unique")
        table.create_unique_constraint(
            op.f("uq_alerts_batch_id_kind_cause_time_resolves"), ["batch_id", "kind", "cause", "time", "resolves"]
        )
    with op.batch_alter_table("alerts", table_kwargs=_AUTO) as table:
        table.alter_column("cause", existing_type=sa.Text(), server_default=None)


def downgrade() -> None:
    """Drop what only causes tell apart, and what was to be told of it."""
    op.execute("DELETE FROM outbox WHERE alert_id IN (SELECT id FROM alerts WHERE cause <> '')")
    op.execute("DELETE FROM alerts WHERE cause <> ''")
    with op.batch_alter_table("alerts", table_kwargs=_AUTO) as table:
        table.drop_constraint(op.f("uq_alerts_batch_id_kind_cause_time_resolves"), type_="unique")
        table.drop_column("cause")
        table.create_unique_constraint(
            op.f("uq_alerts_batch_id_kind_time_resolves"), ["batch_id", "kind", "time", "resolves"]
        )
    with op.batch_alter_table("batch_states") as table:
        table.drop_column("probe_cursor")
    op.drop_index(op.f("ix_probe_readings_vessel_id_time"), table_name="probe_readings")
    op.drop_index(op.f("ix_probe_readings_vessel_id_id"), table_name="probe_readings")
    op.drop_table("probe_readings")
