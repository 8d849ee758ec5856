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
    bottom, top = np.quantile(values, [0.002, 0.998])
    if also is not None and np.isfinite(also).any():
        bottom, top = min(bottom, np.nanmin(also)), max(top, np.nanmax(also))
    margin = 0.08 * max(top - bottom, 0.02 * abs(top), 1e-6)
    return max(0.0, float(bottom - margin)), float(top + margin)
