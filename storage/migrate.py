"""Brings a database to the schema of this program, or refuses it in one sentence."""

from __future__ import annotations

import threading
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect

from gylewatch.errors import StorageError
from storage.database import Database, check_foreign_keys

# Alembic keeps the context of a run in a global.
_ONE_AT_A_TIME = threading.Lock()

MIGRATIONS = Path(__file__).parent / "migrations"


def upgrade(database: Database, *, create: bool, migrations: Path = MIGRATIONS) -> None:
    """Run the migrations that the database lacks, all in one transaction.

    Parameters
    ----------
    create : whether an empty database may be filled
    migrations : the folder of the migration scripts

    Raises
    ------
    StorageError
        The database is empty and may not be filled, holds another program's tables, or was written by a newer
        gylewatch.
    """
    config = Config()
    config.set_main_option("script_location", str(migrations).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    scripts = ScriptDirectory.from_config(config)
    with _ONE_AT_A_TIME, database.changing_schema() as connection:
        current = MigrationContext.configure(connection).get_current_revision()
        if current == scripts.get_current_head():
            return
        if current is None:
            _check_new(database, inspect(connection).get_table_names(), create=create)
        elif current not in {script.revision for script in scripts.walk_revisions()}:
            raise StorageError(
                f"database {database.place.shown} was written by a newer gylewatch (schema {current}); "
                "install that version or restore an older backup",
                retry=False,
            )
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        check_foreign_keys(connection)


def _check_new(database: Database, tables: list[str], *, create: bool) -> None:
    foreign = sorted(set(tables) - {"alembic_version"})
    if foreign:
        raise StorageError(
            f"database {database.place.shown} holds tables that are not gylewatch's ({', '.join(foreign[:3])}); "
            "name another database",
            retry=False,
        )
    if not create:
        raise StorageError(
            f"database {database.place.shown} is empty; create its tables with: gylewatch init, or start the service",
            retry=False,
        )
