"""Of acknowledging and snoozing the last word counts, and what was snoozed is told again: for what stands already."""

from __future__ import annotations

from alembic import op

revision = "0007_last_word"
down_revision = "0006_probes"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Until now an acknowledgement stopped every repetition, whichever came first; so the snooze beside it ends."""
    op.execute(
        "UPDATE outbox SET due = (SELECT time FROM alerts WHERE alerts.id = outbox.alert_id) "
        "WHERE delivered IS NULL AND NOT given_up AND EXISTS (SELECT 1 FROM alerts WHERE alerts.id = outbox.alert_id "
        "AND alerts.acknowledged_at IS NOT NULL AND alerts.snoozed_until = outbox.due)"
    )
    op.execute("UPDATE alerts SET snoozed_until = NULL WHERE acknowledged_at IS NOT NULL")
    op.execute(
        "UPDATE outbox SET due = (SELECT snoozed_until FROM alerts WHERE alerts.id = outbox.alert_id), "
        "delivered = NULL, given_up = FALSE, attempts = 0, reason = 'it is snoozed' WHERE told > 0 AND EXISTS "
        "(SELECT 1 FROM alerts WHERE alerts.id = outbox.alert_id AND alerts.snoozed_until > CURRENT_TIMESTAMP)"
    )


def downgrade() -> None:
    """Both versions read the same columns."""
