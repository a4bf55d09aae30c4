"""Run by Alembic. The connection, with its transaction, comes from `storage.migrate`."""

from __future__ import annotations

from alembic import context

from storage.schema import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite cannot change a column in place
)
with context.begin_transaction():
    context.run_migrations()
