"""Long signals with few points: what is drawn keeps every extreme, where it was."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

MOST_BINS = 1000
"""About one per pixel of a panel; more only cost time."""


def line_envelope(
    time: ArrayLike, values: ArrayLike, bins: int = MOST_BINS
) -> tuple[FloatArray, FloatArray]:
    """The least and the greatest sample of each bin, in the order in which they came.

    Parameters
    ----------
    time, values : array_like, shape (n,)
        Values may be NaN where nothing is to be drawn.
    bins : int

    Returns
    -------
    time, values : ndarray, shape (at most 2 bins,)
    """
    time, values = np.asarray(time, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if len(values) <= 2 * bins:
        return time, values
    folded, starts = _folded(values, bins)
    low = np.where(np.isnan(folded), np.inf, folded).argmin(axis=1) + starts
    high = np.where(np.isnan(folded), -np.inf, folded).argmax(axis=1) + starts
    kept = np.stack((np.minimum(low, high), np.maximum(low, high)), axis=1).ravel()
    return time[kept], values[kept]


def band_envelope(
    time: ArrayLike, low: ArrayLike, high: ArrayLike, bins: int = MOST_BINS
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The widest that a band is in each bin.

    Parameters
    ----------
    time, low, high : array_like, shape (n,)
    bins : int

    Returns
    -------
    time, low, high : ndarray, shape (at most 2 bins,)
    """
    time = np.asarray(time, dtype=np.float64)
    low, high = np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)
    if len(time) <= 2 * bins:
        return time, low, high
    (lows, starts), (highs, _) = _folded(low, bins), _folded(high, bins)
    return time[starts], np.fmin.reduce(lows, axis=1), np.fmax.reduce(highs, axis=1)


def _folded(values: FloatArray, bins: int) -> tuple[FloatArray, NDArray[np.int64]]:
    """Values as one row per bin, the last filled up with NaN; where each row starts."""
    size = -(-len(values) // bins)
    starts = np.arange(0, len(values), size)
    padded = np.full(len(starts) * size, np.nan)
    padded[: len(values)] = values
    return padded.reshape(len(starts), size), starts
