"""Output files that appear together at the end, or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from gylewatch.errors import InputError


class Outputs:
    """Text files that are written aside and put in place by :meth:`publish`; without it nothing is left behind.

    A target that is no ordinary file (a pipe, a terminal, ``/dev/null``) is written to at the end.
    """

    def __init__(self) -> None:
        self._pending: list[tuple[IO[str], Path | None, Path]] = []

    def open(self, target: Path) -> IO[str]:
        """A text file to write; lines end as they are written.

        Raises
        ------
        InputError
            The target is a folder, or its folder is missing or cannot be written to.
        """
        try:
            final = target.resolve()
            if final.is_dir():
                raise InputError(str(target), "is a folder; name a file")
            if final.exists() and not final.is_file():
                file: IO[str] = tempfile.TemporaryFile("w+", encoding="utf-8", newline="")  # noqa: SIM115
                self._pending.append((file, None, final))
                return file
            if final.exists() and not os.access(final, os.W_OK):
                raise InputError(str(target), "is write-protected; choose another file")
            aside = final.with_name(f".{final.name}.{secrets.token_hex(4)}.part")
            file = aside.open("x", encoding="utf-8", newline="")
        except OSError as error:
            raise _cannot_write(target, error) from None
        self._pending.append((file, aside, final))
        return file

    def publish(self) -> None:
        """Put every file in its place.

        Raises
        ------
        InputError
            A file could not be completed, e.g. the disk is full; no ordinary target was touched then.
        """
        for file, aside, final in self._pending:
            try:
                file.flush()
                if aside is not None:
                    os.fsync(file.fileno())
                    file.close()
            except OSError as error:
                raise _cannot_write(final, error) from None
        for place in [self._place(*pending) for pending in self._pending]:
            place()
        self._pending.clear()

    def _place(self, file: IO[str], aside: Path | None, final: Path) -> Callable[[], None]:
        def place() -> None:
            try:
                if aside is not None:
                    aside.replace(final)
                else:
                    file.seek(0)
                    with file, final.open("w", encoding="utf-8", newline="") as out:
                        shutil.copyfileobj(file, out)
            except OSError as error:
                raise _cannot_write(final, error) from None

        return place

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for file, aside, _ in self._pending:
            with contextlib.suppress(OSError):
                file.close()
            if aside is not None:
                aside.unlink(missing_ok=True)


def _cannot_write(path: Path, error: OSError) -> InputError:
    return InputError(str(path), f"cannot be written ({(error.strerror or str(error)).lower()})")
