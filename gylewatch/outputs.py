"""Output files that appear together at the end, or not at all."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import FrameType, TracebackType
from typing import IO, Any, Final, NoReturn, Self

from gylewatch.aside import clear_left_over, open_aside
from gylewatch.errors import InputError

_Usual = Callable[[int, FrameType | None], Any] | signal.Handlers

# What the program does about each while nobody has changed it.
_ENDING: Final[Mapping[signal.Signals, _Usual]] = {
    signal.SIGINT: signal.default_int_handler,
    signal.SIGTERM: signal.SIG_DFL,
    signal.SIGHUP: signal.SIG_DFL,
}
_STDERR: Final = 2
_STOPPED: Final = 128 + signal.SIGINT  # as a shell counts, and as `gylewatch.cli` says for every command


class Outputs:
    """Text files that are written aside and put in place by :meth:`publish`; without it nothing is left behind.

    A target that is no ordinary file (a pipe, a terminal, ``/dev/null``) is written to at the end. A program that is
    told to end (Ctrl-C, SIGTERM, SIGHUP) clears away what it has written aside; what one that was killed has left there
    goes when the same target is opened again.
    """

    def __init__(self) -> None:
        self._pending: list[tuple[IO[str], Path | None, Path]] = []
        self._signals: tuple[signal.Signals, ...] = ()
        self._undisturbed_now = False
        self._told_to_end: int | None = None  # while it was not to be disturbed
        self._published = False

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
            clear_left_over(final)
            with self._undisturbed():
                file, aside = open_aside(final)
                self._pending.append((file, aside, final))
        except OSError as error:
            raise _cannot_write(target, error) from None
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
                    os.fsync(file.fileno())  # and not closed: it would look like one that was left over
            except OSError as error:
                raise _cannot_write(final, error) from None
        # What is no ordinary file comes first: it can fail or keep us waiting, and nothing is in place yet.
        for pending in (each for each in self._pending if each[1] is None):
            self._place(*pending)
        with self._undisturbed():  # all are put in place, or none
            for pending in (each for each in self._pending if each[1] is not None):
                self._place(*pending)
            self._pending.clear()
            self._published = True

    def _place(self, file: IO[str], aside: Path | None, final: Path) -> None:
        try:
            if aside is not None:
                aside.replace(final)
                file.close()
            else:
                file.seek(0)
                with file, final.open("w", encoding="utf-8", newline="") as out:
                    shutil.copyfileobj(file, out)
        except OSError as error:
            raise _cannot_write(final, error) from None

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            # Else somebody (nohup) wants it ignored, or has a way of his own.
            self._signals = tuple(each for each, usual in _ENDING.items() if signal.getsignal(each) is usual)
            for each in self._signals:
                signal.signal(each, self._end)
        return self

    def _end(self, number: int, _: FrameType | None) -> None:
        if self._undisturbed_now:
            self._told_to_end = number
            return
        # Not by an exception: numpy swallows what is raised while it asks an object something.
        self._clear_away()
        if number == signal.SIGINT:
            self._part()
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for each in self._signals:
            signal.signal(each, _ENDING[each])
        for file, _, _ in self._pending:
            with contextlib.suppress(OSError):
                file.close()
        self._clear_away()

    def _part(self) -> NoReturn:
        """End with one line. The terminal has shown ^C, perhaps behind a line of progress."""
        said = "after the outputs were written" if self._published else "no output was written"
        before = "\n" if os.isatty(_STDERR) else ""
        with contextlib.suppress(OSError):  # not by the stream: it may be in the middle of writing
            os.write(_STDERR, f"{before}gylewatch: stopped, {said}\n".encode())
        os._exit(_STOPPED)

    @contextlib.contextmanager
    def _undisturbed(self) -> Iterator[None]:
        """Put off the end. Not by a mask: the signal would reach one of numpy's threads, and end us all the same."""
        self._undisturbed_now = True
        try:
            yield
        finally:
            self._undisturbed_now = False
            if self._told_to_end is not None:
                self._end(self._told_to_end, None)

    def _clear_away(self) -> None:
        for _, aside, _ in self._pending:
            if aside is not None:
                with contextlib.suppress(OSError):
                    aside.unlink(missing_ok=True)


def _cannot_write(path: Path, error: OSError) -> InputError:
    return InputError(str(path), f"cannot be written ({(error.strerror or str(error)).lower()})")
