"""Long signals in few bytes: of every bin of samples the extremes, in their order."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

MISSING = 65535
"""The code of no value; the others step from a signal's least value to its greatest."""
HELD_S = 5.0
"""A channel polled now and then holds its value so long; no value after that is no value."""


class Bins:
    """Stretches of a drive of equally many samples, on the time axis that all signals share.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Rising stamps of the samples.
    most : int
        So many bins at most; with fewer samples each is a bin of its own.
    """

    def __init__(self, time_s: ArrayLike, most: int) -> None:
        time = np.asarray(time_s, dtype=np.float64)
        self.samples = max(1, -(-len(time) // most))
        self.start_s: FloatArray = time[:: self.samples]
        """Stamp of each bin's first sample, shape (bins,)."""
        self.end_s = float(time[-1])

    def packed_time(self) -> str:
        """Starts as 32-bit milliseconds after the first, in base 64."""
        return _text(np.round(1e3 * (self.start_s - self.start_s[0])).astype("<u4"))

    def packed(
        self,
        time_s: ArrayLike,
        values: ArrayLike,
        low: ArrayLike = (),
        high: ArrayLike = (),
        held_s: float = HELD_S,
    ) -> dict[str, Any] | None:
        """A signal in 16-bit steps of its range: per bin its two extremes, in their order.

        Parameters
        ----------
        time_s, values : array_like, shape (m,)
            The signal's own stamps and values; NaN where it is not known.
        low, high : array_like, shape (m,), optional
            A band about it: then a bin has the first value, and the widest extent of the band.
        held_s : float
            A bin without a value holds the last one for so long (s).

        Returns
        -------
        dict or None
            ``least`` and ``greatest``, and in base 64 ``first``; with it ``second`` where bins hold
            more than one sample, or ``low`` and ``high`` of a band. None of a signal that is
            nowhere known.
        """
        time, value = (np.asarray(one, dtype=np.float64) for one in (time_s, values))
        known = np.isfinite(value)
        if not known.any():
            return None
        place = np.clip(np.searchsorted(self.start_s, time[known], side="right") - 1, 0, None)
        if np.size(low):
            band = {"low": np.asarray(low)[known], "high": np.asarray(high)[known]}
            groups = pd.DataFrame({"first": value[known], **band}).groupby(place)
            table = groups.agg({"first": "first", "low": "min", "high": "max"})
        else:
            table = _extremes(place, value[known])
            if self.samples == 1:
                table = table[["first"]]
        table = self._held(table.reindex(range(len(self.start_s))), place, held_s)
        least, greatest = float(table.min().min()), float(table.max().max())
        step = (greatest - least) / (MISSING - 1) or 1.0
        found: dict[str, Any] = {"least": least, "greatest": least + step * (MISSING - 1)}
        for name, column in table.items():
            codes = np.round((column.fillna(least) - least) / step)
            found[str(name)] = _text(np.where(column.isna(), MISSING, codes).astype("<u2"))
        return found

    def _held(self, table: pd.DataFrame, filled: NDArray[np.intp], held_s: float) -> pd.DataFrame:
        """Bins without a sample hold what was before, for a while."""
        last = np.full(len(self.start_s), -1)
        last[filled] = filled
        last = np.maximum.accumulate(last)
        age = self.start_s - np.where(last >= 0, self.start_s[last], -np.inf)
        table = table.ffill()
        table.loc[age > held_s] = np.nan
        return table


def _extremes(place: NDArray[np.intp], value: FloatArray) -> pd.DataFrame:
    """Least and greatest value of each place, in the order in which they came."""
    order = np.lexsort((value, place))
    edges = np.flatnonzero(np.diff(place[order])) + 1
    least = order[np.concatenate(([0], edges))]
    greatest = order[np.concatenate((edges, [len(order)])) - 1]
    first, second = np.minimum(least, greatest), np.maximum(least, greatest)
    return pd.DataFrame({"first": value[first], "second": value[second]}, index=place[first])


def _text(values: NDArray[Any]) -> str:
    return base64.b64encode(values.tobytes()).decode()
