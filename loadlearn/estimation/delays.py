"""Late channels: moved to the instants that their values belong to, in a whole log or online."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.vehicle.samples import FORCE_CHANNELS, HEIGHT_FIELDS, SAMPLE, Samples

FloatArray = NDArray[np.float64]

LONGEST_DELAY_S = 10.0
MEMORY_S = 5.0
"""Samples are remembered online for this long beyond what the delays ask for."""


ENDS_KEPT_S = 0.5
"""A channel moved by more than this is unknown at the end that it leaves bare."""


class Delays(NamedTuple):
    """How late the force, the height and the speed channel are (s); negative when early."""

    force: float = 0.0
    height: float = 0.0
    speed: float = 0.0


def delays_of(given: Mapping[str, float] | None) -> Delays:
    """Delays from a mapping such as ``prepare`` leaves in ``attrs["delays_s"]``.

    Parameters
    ----------
    given : mapping, optional
        ``force``, ``height`` and ``speed`` (s).

    Raises
    ------
    InputError
        A name is unknown, or a delay is not a number of at most ``LONGEST_DELAY_S``.
    """
    found = Delays()
    for name, value in (given or {}).items():
        if name not in Delays._fields:
            raise InputError(f"delays_s has no '{name}'; it takes force, height and speed")
        if not abs(value) <= LONGEST_DELAY_S:
            raise InputError(
                f"delays_s['{name}'] is {value!r}; give seconds, at most {LONGEST_DELAY_S:g}"
            )
        found = found._replace(**{name: float(value)})
    return found


def shifted(time_s: FloatArray, values: FloatArray, delay_s: float) -> FloatArray:
    """A channel moved earlier by its delay, by straight lines between samples.

    Parameters
    ----------
    time_s, values : ndarray, shape (n,)
        NaN marks absent values; what cannot be formed without them stays NaN.
    delay_s : float
        How late the channel is (s); negative when it is early.

    Returns
    -------
    ndarray, shape (n,)
    """
    if delay_s == 0.0:
        return values.copy()
    present = np.isfinite(values)
    if not present.any():
        return values.copy()
    at = time_s + delay_s
    moved = np.interp(at, time_s[present], values[present], left=np.nan, right=np.nan)
    if not present.all():
        # A straight line over a long absence would invent data.
        index = np.clip(np.searchsorted(time_s, at), 0, len(time_s) - 1)
        moved[~present[index]] = np.nan
    if abs(delay_s) <= ENDS_KEPT_S:
        # The ends keep their last value: a delay of a fraction of a second loses nothing.
        edge = np.isnan(moved) & np.isfinite(values)
        moved[edge] = values[edge]
    return moved


def interval_means(time_s: FloatArray, values: FloatArray, delay_s: float) -> FloatArray:
    """Mean of a late channel over the interval that ends at each stamp, by straight lines.

    Between the instants that a late channel's samples belong to, its straight line has corners
    inside the log's intervals: the mean of the two ends would smooth it once more.

    Parameters
    ----------
    time_s, values : ndarray, shape (n,)
        NaN marks absent values.
    delay_s : float
        How late the channel is (s).

    Returns
    -------
    ndarray, shape (n,)
        NaN at the first stamp, where the channel is absent, and at the ends.
    """
    n = time_s.size
    means = np.full(n, np.nan)
    if n < 3:
        return means
    step = np.diff(time_s)
    area = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * step)])
    if np.isnan(area[-1]):
        # An absent value spoils its neighbours only.
        parts = 0.5 * (values[1:] + values[:-1]) * step
        area = np.concatenate([[0.0], np.cumsum(np.nan_to_num(parts))])
    at = time_s + delay_s
    place = np.clip(np.searchsorted(time_s, at, side="right") - 1, 0, n - 2)
    into = at - time_s[place]
    slope = (values[place + 1] - values[place]) / step[place]
    reached = area[place] + into * (values[place] + 0.5 * slope * into)
    outside = (at < time_s[0]) | (at > time_s[-1])
    reached[outside] = np.nan
    means[1:] = np.diff(reached) / step
    # A whole interval without the channel between the two ends.
    absent = np.concatenate([[0], np.cumsum(np.isnan(values))])
    first, last = place[:-1], np.minimum(place[1:] + 1, n - 1)
    means[1:][absent[last + 1] - absent[first] > 0] = np.nan
    return means


def align(samples: Samples, force: int, height: int, delays: Delays) -> Samples:
    """A log's samples with force and height moved by their delays.

    Parameters
    ----------
    samples : record array of ``SAMPLE``, shape (n,)
    force, height : int
        Which channels force and height are taken from.
    delays : Delays

    Returns
    -------
    record array of ``SAMPLE``, shape (n,)
    """
    if not any(delays):
        return samples
    aligned, time_s = samples.copy(), np.ascontiguousarray(samples["time_s"])
    channel = np.ascontiguousarray(samples[FORCE_CHANNELS[force]])
    if delays.force != 0.0:
        aligned["force_channel_mean"] = interval_means(time_s, channel, delays.force)
    aligned[FORCE_CHANNELS[force]] = shifted(time_s, channel, delays.force)
    height_field = HEIGHT_FIELDS[height]
    aligned[height_field] = shifted(time_s, samples[height_field], delays.height)
    for name in ("speed_m_s", "speed_half_width_m_s"):
        aligned[name] = shifted(time_s, samples[name], delays.speed)
    return aligned


def moved(trace: pd.DataFrame, delays: Mapping[str, float]) -> pd.DataFrame:
    """A trace with some channels moved to the instants that their values belong to.

    Parameters
    ----------
    trace : DataFrame
    delays : mapping
        How late each channel is (s).
    """
    time_s = trace["time_s"].to_numpy(dtype=np.float64)
    return trace.assign(
        **{
            name: shifted(time_s, trace[name].to_numpy(dtype=np.float64), delay_s)
            for name, delay_s in delays.items()
        }
    )


class Waiting:
    """Samples of a stream that wait for their late channels; constant memory.

    Parameters
    ----------
    force, height : int
        Which channels force and height are taken from.
    delays : Delays
    """

    def __init__(self, force: int, height: int, delays: Delays) -> None:
        self._sources = force, height
        self.delays = delays
        self._reach_s = max(0.0, *delays)
        self._back_s = MEMORY_S - min(0.0, *delays)
        self.samples: deque[Samples] = deque()
        self.passed = 0
        """How many of the samples at hand have been passed on."""

    def _time_s(self, index: int) -> float:
        return float(self.samples[index]["time_s"][0])

    def complete(self, index: int, newest_s: float) -> bool:
        """Whether what belongs to a sample at hand has come by the newest stamp."""
        return self._time_s(index) + self._reach_s <= newest_s

    def newest_passed_s(self) -> float:
        """Stamp of the newest sample passed on; NaN before the first."""
        return self._time_s(self.passed - 1) if self.passed > 0 else float("nan")

    def push(self, sample: Samples) -> Samples:
        """Take a sample; return those whose late channels are complete by now.

        Parameters
        ----------
        sample : record array of ``SAMPLE``, shape (1,)

        Returns
        -------
        record array of ``SAMPLE``, shape (k,)
            Aligned, in the order in which they came.
        """
        self.samples.append(sample)
        newest = float(sample["time_s"][0])
        ready = self.passed
        while ready < len(self.samples) and self.complete(ready, newest):
            ready += 1
        if ready == self.passed:
            return np.empty(0, SAMPLE)
        aligned = align(np.concatenate(self.samples), *self._sources, self.delays)
        found = aligned[self.passed : ready]
        self.passed = ready
        # The sample before the next one bounds its interval: that one stays in any case.
        oldest = self._time_s(ready - 1) - self._back_s
        while self.passed > 1 and self._time_s(0) < oldest:
            self.samples.popleft()
            self.passed -= 1
        return found
