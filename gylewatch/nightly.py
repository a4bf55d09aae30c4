"""What is done each night: old readings are deleted, old estimates thinned, and the database is copied."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import structlog

from collector.timekeeper import Timekeeper
from gylewatch.config import BackupSettings, RetentionSettings
from gylewatch.errors import GylewatchError
from gylewatch.schedule import NIGHT_HOUR, NIGHT_MINUTE
from storage.store import Store
from storage.upkeep import Rest, no_rest

_log = structlog.get_logger(__name__)


def nightly(
    store: Store,
    retention: RetentionSettings,
    backup: BackupSettings | None,
    timekeeper: Timekeeper,
    *,
    rest: Rest = no_rest,
) -> str | None:
    """Do what the settings ask for, unless the last night's copy is there. What fails is logged; the next night does it
    again.

    Parameters
    ----------
    rest : between two pieces of what takes long; whether to leave the rest for another night, because the service stops

    Returns
    -------
    What was not done, in one sentence; None: all was. Nobody reads a log every day, and a copy is missed too late.
    """
    doubt = timekeeper.look()
    if doubt is not None:
        # By a clock that is years ahead every reading is old, and every good copy older than the newest.
        _log.warning("no upkeep in this night", problem=doubt)
        return f"there was no upkeep last night: {doubt}"
    now = timekeeper.now()
    if backup is not None and _has_last_night(backup, now):
        return None  # a restart in the middle of the day
    doing = "the deleting of old readings"
    try:
        if retention.readings_days is not None:
            removed = store.prune(now - timedelta(days=retention.readings_days), rest=rest)
            _log.info("old readings deleted", number=removed)
        doing = "the thinning of old estimates"
        if retention.estimates_days is not None:
            removed = store.thin_estimates(now - timedelta(days=retention.estimates_days), rest=rest)
            _log.info("estimates of ended batches thinned", deleted=removed)
        doing = "the nightly copy of the database"
        if backup is not None and not rest():
            _back_up(store, backup, now)
    except (GylewatchError, OSError) as error:
        _log.error("the nightly upkeep failed; it is tried again tomorrow", problem=str(error))
        return f"{doing} failed on {now:%Y-%m-%d} and is tried again the next night: {error}"
    return None


def _copy_of(backup: BackupSettings, day: datetime) -> Path:
    return backup.folder / f"gylewatch-{day:%Y%m%d}.sqlite"


def _has_last_night(backup: BackupSettings, now: datetime) -> bool:
    last_night = now - timedelta(hours=NIGHT_HOUR, minutes=NIGHT_MINUTE)
    return any(_copy_of(backup, day).exists() for day in (last_night, now))


def _back_up(store: Store, backup: BackupSettings, now: datetime) -> None:
    backup.folder.mkdir(parents=True, exist_ok=True)
    target = _copy_of(backup, now)
    for broken_off in backup.folder.glob("gylewatch-????????.sqlite.part*"):
        broken_off.unlink()  # in a power cut; each is as long as the database
    store.backup(target)
    # What a clock that was ahead has dated goes first: it would push out the copy of each night as soon as it is made.
    copies = sorted(backup.folder.glob("gylewatch-????????.sqlite"), key=lambda copy: (copy <= target, copy))
    for old in copies[: -backup.keep]:
        old.unlink()
    _log.info("database copied", file=str(target))
