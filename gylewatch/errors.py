"""The error tree: one leaf for each thing a caller can do differently.

The text of every error is written for a brewer: what is wrong, where, and what to do.
Data that a program may want is kept in attributes.
"""

from __future__ import annotations

import errno
from typing import Final

_MACHINES: Final = frozenset(
    (errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ENOMEM, errno.EMFILE, errno.ENFILE, errno.ESTALE)
)


class GylewatchError(Exception):
    """Base of every error that gylewatch raises on purpose."""


class ConfigError(GylewatchError):
    """The configuration file is missing, malformed or holds a wrong value."""


class MachineError(GylewatchError):
    """A disk that fails or can only be read, no room, no memory: the same call may succeed later."""


def is_machines(error: OSError) -> bool:
    """Whether a file cannot be used because of the machine, and nothing that was given is wrong."""
    return error.errno in _MACHINES


class InputError(GylewatchError):
    """A file or value given by the user cannot be used.

    Parameters
    ----------
    place : where the fault lies, e.g. ``readings.csv row 17``
    reason : what is wrong and what to do about it
    """

    def __init__(self, place: str, reason: str) -> None:
        super().__init__(f"{place}: {reason}")
        self.place = place
        self.reason = reason


class AboveOriginal(InputError):
    """A sample lies far above the batch's original gravity: one of the two is wrong, or it is of another beer.

    Whoever takes it in now asks; where it stands already it is left out and named, and the rest goes on.
    """


class TooEarly(InputError):
    """What was asked for cannot be done yet and may be asked for again, unchanged, in a while."""


class OutOfDomain(GylewatchError):
    """A value lies outside the range for which a formula or table is valid."""

    def __init__(self, quantity: str, value: float, low: float, high: float) -> None:
        super().__init__(f"{quantity} {value:g} is outside {low:g} to {high:g}, the range the source covers")
        self.quantity = quantity
        self.value = value
        self.low = low
        self.high = high


class CalibrationError(GylewatchError):
    """The reference points do not bear a curve. Nothing was saved."""


class StorageError(GylewatchError):
    """The database could not be opened, read or written.

    ``retry`` says whether the same call may succeed later (locked, disk full) without anyone changing the program.
    """

    def __init__(self, message: str, *, retry: bool) -> None:
        super().__init__(message)
        self.retry = retry


class NotFound(GylewatchError):
    """A float, vessel, curve or batch of that name does not exist."""

    def __init__(self, what: str, name: str, remedy: str = "") -> None:
        super().__init__(f"no {what} is called {name!r}" + (f"; {remedy}" if remedy else ""))
        self.what = what
        self.name = name


class AlreadyExists(GylewatchError):
    """A float, vessel or batch of that name exists already."""

    def __init__(self, what: str, name: str) -> None:
        super().__init__(f"a {what} called {name!r} exists already; choose another name")
        self.what = what
        self.name = name


class NotReady(GylewatchError):
    """Nothing can be taken yet, though nothing is wrong with what was sent; the same call succeeds later."""


class TransportError(GylewatchError):
    """A broker, radio or port cannot be used now; the message names it and the remedy."""


class DeliveryError(GylewatchError):
    """An alert could not be delivered over one channel; ``retry`` says whether trying again may help."""

    def __init__(self, channel: str, *, retry: bool, reason: str) -> None:
        super().__init__(f"{channel}: {reason}")
        self.channel = channel
        self.retry = retry
        self.reason = reason
