"""The first schema."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make all tables of the first release."""
    op.create_table(
        "floats",
        sa.Column("float_id", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("float_id", name=op.f("pk_floats")),
        sa.UniqueConstraint("address", name=op.f("uq_floats_address")),
    )
    op.create_table(
        "heard_floats",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("first_heard", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_heard", sa.DateTime(timezone=True), nullable=False),
        sa.Column("packets", sa.Integer(), nullable=False),
        sa.Column("rssi_dbm", sa.Integer(), nullable=True),
        sa.Column("last_values", sa.JSON(), nullable=False),
        sa.Column("ignored", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_heard_floats")),
    )
    op.create_table(
        "rejected",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("received", sa.DateTime(timezone=True), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("float_id", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rejected")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "rejected_counts",
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("reason", name=op.f("pk_rejected_counts")),
    )
    op.create_table(
        "vessels",
        sa.Column("vessel_id", sa.Text(), nullable=False),
        sa.Column("volume_l", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("vessel_id", name=op.f("pk_vessels")),
    )
    op.create_table(
        "curves",
        sa.Column("float_id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("curve", sa.JSON(), nullable=False),
        sa.Column("reference_points", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["float_id"], ["floats.float_id"], name=op.f("fk_curves_float_id")),
        sa.PrimaryKeyConstraint("float_id", "version", name=op.f("pk_curves")),
    )
    op.create_table(
        "readings",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("float_id", sa.Text(), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("angle_deg", sa.Double(), nullable=False),
        sa.Column("temperature_c", sa.Double(), nullable=False),
        sa.Column("battery_v", sa.Double(), nullable=True),
        sa.Column("battery_percent", sa.Double(), nullable=True),
        sa.Column("rssi_dbm", sa.Integer(), nullable=True),
        sa.Column("acceleration_g", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["float_id"], ["floats.float_id"], name=op.f("fk_readings_float_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
        sa.UniqueConstraint("float_id", "time", name=op.f("uq_readings_float_id_time")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_readings_float_id_id"), "readings", ["float_id", "id"], unique=False)
    op.create_table(
        "batches",
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("float_id", sa.Text(), nullable=False),
        sa.Column("vessel_id", sa.Text(), nullable=False),
        sa.Column("pitched", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("curve_version", sa.Integer(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["float_id", "curve_version"],
            ["curves.float_id", "curves.version"],
            name=op.f("fk_batches_float_id_curve_version"),
        ),
        sa.ForeignKeyConstraint(["float_id"], ["floats.float_id"], name=op.f("fk_batches_float_id")),
        sa.ForeignKeyConstraint(["vessel_id"], ["vessels.vessel_id"], name=op.f("fk_batches_vessel_id")),
        sa.PrimaryKeyConstraint("batch_id", name=op.f("pk_batches")),
    )
    op.create_index(op.f("ix_batches_float_id"), "batches", ["float_id"], unique=False)
    op.create_table(
        "alerts",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("resolves", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.Column("acknowledged_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("acknowledged_by", sa.Text(), nullable=True),
        sa.Column("snoozed_until", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.batch_id"], name=op.f("fk_alerts_batch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alerts")),
        sa.UniqueConstraint("batch_id", "kind", "time", "resolves", name=op.f("uq_alerts_batch_id_kind_time_resolves")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "batch_states",
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.Column("reading_cursor", sa.BigInteger(), nullable=False),
        sa.Column("sample_cursor", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.batch_id"], name=op.f("fk_batch_states_batch_id")),
        sa.PrimaryKeyConstraint("batch_id", name=op.f("pk_batch_states")),
    )
    op.create_table(
        "estimates",
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("gravity_sg", sa.Double(), nullable=False),
        sa.Column("gravity_low_sg", sa.Double(), nullable=False),
        sa.Column("gravity_high_sg", sa.Double(), nullable=False),
        sa.Column("rate_points_per_day", sa.Double(), nullable=False),
        sa.Column("rate_low_points_per_day", sa.Double(), nullable=False),
        sa.Column("rate_high_points_per_day", sa.Double(), nullable=False),
        sa.Column("original_gravity_sg", sa.Double(), nullable=False),
        sa.Column("apparent_attenuation", sa.Double(), nullable=False),
        sa.Column("real_attenuation", sa.Double(), nullable=False),
        sa.Column("abv_percent", sa.Double(), nullable=False),
        sa.Column("temperature_c", sa.Double(), nullable=False),
        sa.Column("phase", sa.Text(), nullable=False),
        sa.Column("probability_started", sa.Double(), nullable=False),
        sa.Column("probability_still", sa.Double(), nullable=False),
        sa.Column("probability_attenuated", sa.Double(), nullable=False),
        sa.Column("bias_points", sa.Double(), nullable=False),
        sa.Column("noise_points", sa.Double(), nullable=False),
        sa.Column("misfit_sigma", sa.Double(), nullable=False),
        sa.Column("forecast_final_gravity_sg", sa.Double(), nullable=True),
        sa.Column("forecast_final_gravity_low_sg", sa.Double(), nullable=True),
        sa.Column("forecast_final_gravity_high_sg", sa.Double(), nullable=True),
        sa.Column("forecast_finish_time", sa.DateTime(timezone=True), nullable=True),
        sa.Column("forecast_finish_low", sa.DateTime(timezone=True), nullable=True),
        sa.Column("forecast_finish_high", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.batch_id"], name=op.f("fk_estimates_batch_id")),
        sa.PrimaryKeyConstraint("batch_id", "time", name=op.f("pk_estimates")),
    )
    op.create_table(
        "samples",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("instrument", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("sample_temperature_c", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.batch_id"], name=op.f("fk_samples_batch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_samples")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_samples_batch_id_id"), "samples", ["batch_id", "id"], unique=False)
    op.create_table(
        "outbox",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("alert_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("due", sa.DateTime(timezone=True), nullable=True),
        sa.Column("delivered", sa.DateTime(timezone=True), nullable=True),
        sa.Column("given_up", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["alert_id"], ["alerts.id"], name=op.f("fk_outbox_alert_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
        sa.UniqueConstraint("alert_id", "channel", name=op.f("uq_outbox_alert_id_channel")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_outbox_delivered_given_up"), "outbox", ["delivered", "given_up"], unique=False)


def downgrade() -> None:
    """Drop them all."""
    op.drop_index(op.f("ix_outbox_delivered_given_up"), table_name="outbox")
    op.drop_table("outbox")
    op.drop_index(op.f("ix_samples_batch_id_id"), table_name="samples")
    op.drop_table("samples")
    op.drop_table("estimates")
    op.drop_table("batch_states")
    op.drop_table("alerts")
    op.drop_index(op.f("ix_batches_float_id"), table_name="batches")
    op.drop_table("batches")
    op.drop_index(op.f("ix_readings_float_id_id"), table_name="readings")
    op.drop_table("readings")
    op.drop_table("curves")
    op.drop_table("vessels")
    op.drop_table("rejected_counts")
    op.drop_table("rejected")
    op.drop_table("heard_floats")
    op.drop_table("floats")
