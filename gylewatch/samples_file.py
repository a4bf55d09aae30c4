"""Reads the hand samples of one batch, each of which can be corrected."""

from __future__ import annotations

from pathlib import Path

from calibration.hydrometry import hand_gravity
from gylewatch.errors import GylewatchError, InputError
from gylewatch.tables import read_samples
from gylewatch.values import Batch, Sample


def read_samples_of(batch: Batch, path: Path) -> tuple[Sample, ...]:
    """Every sample of a ``samples.csv``, in order of time.

    Raises
    ------
    InputError
        The file cannot be read, or one row is malformed, out of range, or outside the tables by which samples of this
        batch are corrected.
    """
    rows = read_samples(path)
    for row, sample in rows:
        try:
            hand_gravity(sample, original_gravity_sg=batch.original_gravity_sg, settings=batch.instruments)
        except GylewatchError as error:
            raise InputError(f"{path} row {row}", str(error)) from error
    return tuple(sample for _, sample in rows)
