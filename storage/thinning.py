"""Which of very many rows a picture needs, and which are kept for good. Pure."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

LEAST_GAP = timedelta(hours=2)  # shorter silences change nothing that could be seen in beer
GAP_INTERVALS = 4.0  # of the usual interval between rows: a slow float is not silent between its reports


def ends_and_extremes(lows: NDArray[np.float64], at_most: int) -> NDArray[np.intp]:
    """The first row, the last, and of equally long stretches the row with the lowest value of each column.

    Parameters
    ----------
    lows : (n, k) values; to keep the highest ones too, give their negative as another column
    at_most : k + 2 or more rows to keep

    Returns
    -------
    row numbers in order, at most `at_most`

    Raises
    ------
    ValueError
        `at_most` is below k + 2: the ends and the extremes of one stretch would not fit.
    """
    n, k = lows.shape
    if at_most < k + 2:
        raise ValueError(f"{at_most} points are too few to keep the extremes; ask for {k + 2} or more")
    if n <= at_most:
        return np.arange(n)
    stretches = (at_most - 2) // k
    bounds = np.arange(stretches + 1) * n // stretches
    lowest = [start + lows[start:end].argmin(axis=0) for start, end in pairwise(bounds)]
    return np.unique(np.concatenate([[0, n - 1], *lowest]))


def gaps(times: NDArray[np.datetime64], at_most: int) -> NDArray[np.intp]:
    """The rows after which nothing came for hours.

    Parameters
    ----------
    times : (n,) in order
    at_most : so many gaps, the longest ones

    Returns
    -------
    row numbers in order: between each and the one after it lies a gap
    """
    if len(times) < 2:
        return np.zeros(0, dtype=np.intp)
    steps = np.diff(times).astype("timedelta64[us]").astype(np.float64)
    least = max(LEAST_GAP / timedelta(microseconds=1), GAP_INTERVALS * float(np.median(steps)))
    found = np.flatnonzero(steps > least)
    longest = found[np.argsort(-steps[found], kind="stable")[:at_most]]
    return np.sort(longest)


def between_hours(
    times: Sequence[datetime], kept: Collection[datetime], *, keep_first: bool
) -> tuple[tuple[int, int], ...]:
    """The rows that need not be kept where one an hour is enough: the last one of each hour, and of all, stays.

    Parameters
    ----------
    times : of the rows, in order
    kept : times of which a row stays as well
    keep_first : whether the first row of a time beside these stays, too

    Returns
    -------
    the first and the last number of each stretch of rows that may go, in order
    """
    standing = set(kept)
    first = next((row for row, time in enumerate(times) if time not in standing), None) if keep_first else None
    runs: list[tuple[int, int]] = []
    for row, (time, following) in enumerate(pairwise(times)):
        if row == first or time in standing or _hour(time) != _hour(following):
            continue
        if runs and runs[-1][1] == row - 1:
            runs[-1] = (runs[-1][0], row)
        else:
            runs.append((row, row))
    return tuple(runs)


def _hour(time: datetime) -> datetime:
    return time.replace(minute=0, second=0, microsecond=0)
