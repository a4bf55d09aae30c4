"""Files written aside, beside the one that they will replace; a lock tells the living from the dead.

The lock belongs to the open file. So it is gone with its program, however that ended.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import secrets
import stat
from pathlib import Path
from typing import IO


def open_aside(final: Path) -> tuple[IO[str], Path]:
    """A new hidden file beside `final`, locked for as long as it is open, and its path.

    Raises
    ------
    OSError
        The folder is missing or cannot be written to.
    """
    while True:
        path = final.with_name(f".{final.name}.{secrets.token_hex(4)}.part")
        file = path.open("x", encoding="utf-8", newline="")
        # A file system without locks: then nobody else gets one either, and nothing is cleared away.
        with contextlib.suppress(OSError):
            fcntl.flock(file, fcntl.LOCK_EX)
        if os.fstat(file.fileno()).st_nlink:
            return file, path
        file.close()  # another one took it for left over, between its making and its lock


def clear_left_over(final: Path) -> None:
    """Remove what programs that were killed have left aside of `final`; never what a living one writes."""
    ours = re.compile(re.escape(f".{final.name}.") + r"[0-9a-f]{8}\.part")
    with contextlib.suppress(OSError):
        for path in [each for each in final.parent.iterdir() if ours.fullmatch(each.name)]:
            with contextlib.suppress(OSError):  # locked, or somebody else's
                _remove_if_dead(path)


def _remove_if_dead(path: Path) -> None:
    descriptor = os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK)  # some file systems lock only what is written
    try:
        if stat.S_ISREG(os.fstat(descriptor).st_mode):
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            path.unlink()
    finally:
        os.close(descriptor)
