"""What went wrong with a database, in one line: place, fault, remedy, and whether trying again may help."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

from sqlalchemy.exc import TimeoutError as PoolTimeout

from gylewatch.errors import StorageError

# https://www.postgresql.org/docs/15/errcodes-appendix.html
_POSTGRESQL_PASSES = {
    "08": "the connection was lost; check that the server runs",
    "53": "the server is out of disk space, memory or connections; free some",
    "57": "the server is shutting down or starting; it will be tried again",
    "40": "another program changed the same rows; it will be tried again",
    "55": "another program holds the lock; it will be tried again",
}
_POSTGRESQL_COMES_OR_GOES = ("shutting down", "starting up", "not yet accepting connections", "in recovery mode")
_POSTGRESQL_REFUSALS = ("authentication failed", "does not exist", "no pg_hba.conf entry", "no password supplied")

_FULL = "the disk is full; free some space"
_NO_RIGHT = "it cannot be written; give this user the right to write to the file and to the folder around it"
_ONLY_READ = (
    "its file system can only be read; check the disk (dmesg says whether it is damaged) and mount it for writing, or, "
    "where a unit of systemd shuts it off, name the folder under ReadWritePaths"
)

_ROOM_BYTES = 100_000
# The shared-memory file beside the database takes 32 KiB (https://www.sqlite.org/walformat.html), and a file system may
# keep the last blocks to itself.


def explain(error: Exception, shown: str, path: Path | None) -> StorageError:
    """The `StorageError` for a failure of the library, the driver or the file system.

    Parameters
    ----------
    error : what was raised
    shown : the database's place in words
    path : of the SQLite file, None on a server
    """
    if isinstance(error, PoolTimeout):
        return StorageError(f"database {shown}: too many uses at once; it will be tried again", retry=True)
    cause = getattr(error, "orig", None) or error
    if isinstance(cause, sqlite3.Error):
        fault, retry = _sqlite_fault(cause, path)
    elif isinstance(cause, OSError):
        fault, retry = f"{cause.strerror or cause}; check the disk and the folder's permissions", True
    elif hasattr(cause, "sqlstate"):
        fault, retry = _postgresql_fault(cause)
    else:
        fault, retry = f"{_first_line(cause)}; please report this", False
    return StorageError(f"database {shown}: {fault}", retry=retry)


def _sqlite_fault(error: sqlite3.Error, path: Path | None) -> tuple[str, bool]:
    name = getattr(error, "sqlite_errorname", "")
    primary = "_".join(name.split("_")[:2])
    if primary in ("SQLITE_READONLY", "SQLITE_CANTOPEN"):
        return _not_writable(path)
    faults = {
        "SQLITE_BUSY": ("another program is writing to it; close that program or try again", True),
        "SQLITE_LOCKED": ("another program is writing to it; close that program or try again", True),
        "SQLITE_FULL": (_FULL, True),
        "SQLITE_NOTADB": ("the file is not a database; name another file or restore a backup", False),
        "SQLITE_CORRUPT": ("the file is damaged; restore a backup", False),
        "SQLITE_IOERR": (_io_fault(path), True),
        "SQLITE_NOMEM": ("the machine is out of memory; end other programs, or try again", True),
        "SQLITE_PROTOCOL": ("too many programs open it at once; try again", True),
    }
    return faults.get(primary, (f"{_first_line(error)}; please report this", False))


def _io_fault(path: Path | None) -> str:
    """SQLite also calls it a fault of the disk when there is no room for the file that its users share."""
    return (
        _FULL
        if path is not None and _is_full(path.parent)
        else "the disk cannot be read or written; check the disk and its cable"
    )


def _is_full(folder: Path) -> bool:
    try:
        files = os.statvfs(folder)
        return shutil.disk_usage(folder).free < _ROOM_BYTES or (files.f_files > 0 and files.f_favail == 0)
    except OSError:
        return False


def _not_writable(path: Path | None) -> tuple[str, bool]:
    """Why a file cannot be opened or written, and whether that may pass without anybody changing what was set.

    A file system that turned read-only, and a full one, are trouble of the machine; a missing right is not.
    """
    if path is None:
        return "it cannot be opened", False
    try:
        if wrong := _wrong_place(path):
            return wrong, False
        if os.statvfs(path.parent).f_flag & os.ST_RDONLY:
            return _ONLY_READ, True
        may_write = _may_write(path)
    except PermissionError:
        may_write = False
    except OSError:
        return _io_fault(path), True
    if not may_write:
        return _NO_RIGHT, False
    return (_FULL if _is_full(path.parent) else "it cannot be opened now; check the disk, or try again"), True


def _wrong_place(path: Path) -> str:
    if path.is_dir():
        return "this is a folder; name a file in it"
    if not path.parent.is_dir():
        return f"the folder {path.parent} does not exist; create it"
    return ""


def _may_write(path: Path) -> bool:
    # By the rights that count: a program may have laid down those that it was started with.
    effective = os.access in os.supports_effective_ids
    folder = os.access(path.parent, os.W_OK | os.X_OK, effective_ids=effective)
    return folder and (not path.exists() or os.access(path, os.R_OK | os.W_OK, effective_ids=effective))


def _postgresql_fault(error: BaseException) -> tuple[str, bool]:
    state: str | None = getattr(error, "sqlstate", None)
    text = _first_line(error)
    if state is None:
        return _refused_by_postgresql(text)
    if state == "25006":
        return "the server allows only reading; name the primary server", False
    if state[:2] in _POSTGRESQL_PASSES:
        return _POSTGRESQL_PASSES[state[:2]], True
    if state[:2] in ("28", "3D", "42"):
        return f"the server refuses: {text}; check user, rights and name of the database", False
    return f"{text}; please report this", False


def _refused_by_postgresql(text: str) -> tuple[str, bool]:
    """Of a connection that is not made the driver knows the words only, and no code."""
    if any(refusal in text for refusal in _POSTGRESQL_REFUSALS):
        return f"the server refuses: {text}; check user, password and name of the database", False
    if any(words in text for words in _POSTGRESQL_COMES_OR_GOES):
        return _POSTGRESQL_PASSES["57"], True
    return f"the server cannot be reached; check that it runs and the host in the url ({text})", True


def _first_line(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__
