"""The 95 % band of a quantity, from whatever columns a table of estimates has for it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

NORMAL_95 = 1.959963984540054
"""Two-sided 95 % point of the standard normal distribution (tables; recomputed in the tests)."""


def band_95(
    history: pd.DataFrame, name: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Low and high end of the 95 % band over time.

    Parameters
    ----------
    history : DataFrame
        Estimates.
    name : str
        Column of the mean, such as ``mass_kg``; its companions are ``mass_low95_kg``,
        ``mass_high95_kg`` and ``mass_sd_kg``.

    Returns
    -------
    tuple of ndarray of shape (n,), or None
        The mixture's quantiles where the table has them, else those of a normal distribution;
        None when it has neither.
    """
    low = companion(name, "low95")
    high = companion(name, "high95")
    for low_name, high_name in zip(low, high, strict=True):
        if low_name in history and high_name in history:
            return (
                history[low_name].to_numpy(dtype=np.float64),
                history[high_name].to_numpy(dtype=np.float64),
            )
    for sd_name in companion(name, "sd"):
        if sd_name in history:
            mean = history[name].to_numpy(dtype=np.float64)
            half = NORMAL_95 * history[sd_name].to_numpy(dtype=np.float64)
            return mean - half, mean + half
    return None


def band_95_given_scale(
    history: pd.DataFrame, name: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """The 95 % band about the mean, were the tractive scale known to be what it is taken for.

    Parameters
    ----------
    history : DataFrame
        Estimates.
    name : str
        Column of the mean.

    Returns
    -------
    tuple of ndarray of shape (n,), or None
        Never beyond the band in all; None where the table has no sd given the scale.
    """
    for sd_name in companion(name, "sd_given_scale"):
        if sd_name in history:
            mean = history[name].to_numpy(dtype=np.float64)
            half = NORMAL_95 * history[sd_name].to_numpy(dtype=np.float64)
            low, high = mean - half, mean + half
            # A load of a few per cent widens an sd beyond the quantiles of them all.
            in_all = band_95(history, name)
            if in_all is not None:
                low, high = np.fmax(low, in_all[0]), np.fmin(high, in_all[1])
            return low, high
    return None


def companion(name: str, what: str) -> tuple[str, str]:
    """Names a companion column may have: before the unit, or at the end.

    Parameters
    ----------
    name : str
        Column of the mean.
    what : str
        ``sd``, ``low95`` and so on.

    Returns
    -------
    tuple of str
        ``drag_area_sd_m2`` and ``drag_area_m2_sd`` for ``drag_area_m2`` and ``sd``.
    """
    stem, _, unit = name.rpartition("_")
    return f"{stem}_{what}_{unit}", f"{name}_{what}"


def settled_range(
    history: pd.DataFrame, name: str, also: NDArray[np.float64] | None = None
) -> tuple[float, float] | None:
    """Range of an axis that shows the band once the first twentieth of the drive is over.

    The wide start would flatten all that follows.

    Parameters
    ----------
    history : DataFrame
        Estimates.
    name : str
        Column of the mean.
    also : ndarray, optional
        Other values to be shown, such as the truth.

    Returns
    -------
    tuple of float, or None
        Bottom (not below zero) and top; None when the quantity has no band.
    """
    band = band_95(history, name)
    if band is None:
        return None
    start = len(history) // 20
    values = np.concatenate([band[0][start:], band[1][start:]])
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    return _range_of(np.quantile(values, [0.002, 0.998]), also)


def whole_range(
    history: pd.DataFrame, name: str, also: NDArray[np.float64] | None = None
) -> tuple[float, float]:
    """Range of an axis that shows all of the band, the prior included.

    Parameters
    ----------
    history : DataFrame
        Estimates.
    name : str
        Column of the mean.
    also : ndarray, optional
        Other values to be shown.

    Returns
    -------
    tuple of float
        Bottom (not below zero) and top.
    """
    values = np.concatenate(band_95(history, name) or (history[name].to_numpy(dtype=np.float64),))
    values = values[np.isfinite(values)]
    return _range_of(np.array([values.min(), values.max()]) if len(values) else np.ones(2), also)


def _range_of(ends: NDArray[np.float64], also: NDArray[np.float64] | None) -> tuple[float, float]:
    bottom, top = float(ends[0]), float(ends[1])
    if also is not None and np.isfinite(also).any():
        bottom, top = min(bottom, float(np.nanmin(also))), max(top, float(np.nanmax(also)))
    margin = 0.08 * max(top - bottom, 0.02 * abs(top), 1e-6)
    return max(0.0, bottom - margin), top + margin
