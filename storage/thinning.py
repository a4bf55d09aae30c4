"""Which of very many rows a picture needs. Pure."""

from __future__ import annotations

from datetime import timedelta
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
