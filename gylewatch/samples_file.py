"""Reads the hand samples of one batch, each of which can be corrected."""

from __future__ import annotations

from pathlib import Path

from calibration.hydrometry import batch_gravity
from gylewatch.errors import AboveOriginal, GylewatchError, InputError
from gylewatch.tables import read_samples
from gylewatch.values import Batch, Sample


def read_samples_of(batch: Batch, path: Path, *, above_original: bool = False) -> tuple[Sample, ...]:
    """Every sample of a ``samples.csv``, in order of time.

    Parameters
    ----------
    above_original : let those pass that lie far above the original gravity; whoever concludes from them leaves them out

    Raises
    ------
    InputError
        The file cannot be read, or one row is malformed, out of range, or outside the tables by which samples of this
        batch are corrected.
    """
    rows = read_samples(path)
    for row, sample in rows:
        try:
            batch_gravity(batch, sample)
        except AboveOriginal as error:
            if not above_original:
                raise InputError(f"{path} row {row}", error.reason) from error
        except GylewatchError as error:
            raise InputError(f"{path} row {row}", str(error)) from error
    return tuple(sample for _, sample in rows)
