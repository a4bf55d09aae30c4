"""The covariances of a cloud, (m, m, n): what the state's changes do to them.

They are held in single precision: they are most of what a belief weighs, and good to far more digits than it is known.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from fermentation.belief import FloatArray, IndexArray, SingleArray


def mix(covariance: SingleArray, one: int, keep: FloatArray | float, other: int, share: FloatArray) -> None:
    """State `one` becomes keep * one + share * other; the covariance is changed in place and stays symmetric."""
    row, kept, shared = covariance[one], _single(keep), _single(share)
    row *= kept
    row += shared * covariance[other]
    row[one] = kept * row[one] + shared * row[other]
    covariance[:, one] = row


def scale(covariance: SingleArray, one: int, keep: FloatArray | float) -> None:
    """State `one` becomes keep * one; the covariance is changed in place and stays symmetric."""
    row, kept = covariance[one], _single(keep)
    row *= kept
    row[one] *= kept
    covariance[:, one] = row  # a copy: to work the column out as well takes twice as long


def widened(covariance: SingleArray, along: FloatArray, factor: FloatArray | float) -> SingleArray:
    """The covariance and a factor (n,) times the products of the states of `along`, (m, n) or (m, 1), with each other.

    Each pair of states is worked out once: it is quicker, and the result is exactly symmetric.
    """
    one, other, place = _pairs(len(along))
    single = _single(along)
    products = (single * _single(factor)).take(one, axis=0)
    products *= single.take(other, axis=0)
    wider: SingleArray = products.take(place, axis=0)
    wider += covariance
    return wider


def _single(values: FloatArray | float) -> SingleArray:
    # Once, as numpy goes three times as slowly where precisions are mixed.
    return np.asarray(values, dtype=np.float32)


@cache
def _pairs(m: int) -> tuple[IndexArray, IndexArray, IndexArray]:
    """The pairs of m states, and for each entry of an (m, m) table the place of its pair."""
    one, other = np.triu_indices(m)
    place = np.empty((m, m), dtype=np.intp)
    place[one, other] = place[other, one] = np.arange(len(one))
    return one, other, place
