"""Long signals in few bytes: per bin of samples the first, the least and the greatest."""

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
        """A signal in 16-bit steps of its range: per bin its first value, the least, the greatest.

        Parameters
        ----------
        time_s, values : array_like, shape (m,)
            The signal's own stamps and values; NaN where it is not known.
        low, high : array_like, shape (m,), optional
            A band about it, whose widest extent is kept in place of the signal's own.
        held_s : float
            A bin without a value holds the last one for so long (s).

        Returns
        -------
        dict or None
            ``least`` and ``greatest`` with ``first``, ``low`` and ``high`` in base 64, the last two
            only where they differ from the first. None of a signal that is nowhere known.
        """
        time, value = (np.asarray(one, dtype=np.float64) for one in (time_s, values))
        low = np.asarray(low if np.size(low) else value, dtype=np.float64)
        high = np.asarray(high if np.size(high) else value, dtype=np.float64)
        place = np.clip(np.searchsorted(self.start_s, time, side="right") - 1, 0, None)
        known = np.isfinite(value)
        if not known.any():
            return None
        groups = pd.DataFrame({"first": value, "low": low, "high": high})[known].groupby(
            place[known]
        )
        table = groups.agg({"first": "first", "low": "min", "high": "max"})
        table = self._held(table.reindex(range(len(self.start_s))), place[known], held_s)
        least, greatest = float(table["low"].min()), float(table["high"].max())
        step = (greatest - least) / (MISSING - 1) or 1.0
        found: dict[str, Any] = {"least": least, "greatest": least + step * (MISSING - 1)}
        codes = {
            name: np.where(
                column.isna(), MISSING, np.round((column.fillna(least) - least) / step)
            ).astype("<u2")
            for name, column in table.items()
        }
        found["first"] = _text(codes["first"])
        if any((codes[name] != codes["first"]).any() for name in ("low", "high")):
            found["low"], found["high"] = _text(codes["low"]), _text(codes["high"])
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


def _text(values: NDArray[Any]) -> str:
    return base64.b64encode(values.tobytes()).decode()
