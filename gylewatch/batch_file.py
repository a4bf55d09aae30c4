"""Reads ``batch.toml``: one batch as the brewer writes it down."""

from __future__ import annotations

from pathlib import Path

from gylewatch.batch_table import batch_of
from gylewatch.errors import InputError
from gylewatch.toml_table import TableError, read_toml
from gylewatch.values import Batch, HandSettings


def read_batch(path: Path, *, instruments: HandSettings | None = None) -> Batch:
    """Read a batch from a file as the contract describes it.

    Parameters
    ----------
    instruments : those with which its samples are measured, where the file does not say; None: the contract's

    Raises
    ------
    InputError
        The file is missing or malformed, or a key is missing, unknown or out of range.
    """
    try:
        top = read_toml(path)
        table = top.table("batch", required=True)
        top.finish()
        return batch_of(table, instruments or HandSettings())
    except TableError as error:
        raise InputError(str(path), str(error).removeprefix(f"{path}: ")) from None
