"""Whether force, speed or grade are smoothed by the logger, and the force or grade made to match.

Loggers filter channels by moving means or first-order lags of half a second to some seconds. A
delay takes away what either shifts; what is left pulls every change apart in time. A speed smoother
than the force makes a load too heavy (a tenth for a lag of half a second in town), a force smoother
than the speed too light. The balance is linear in force and acceleration: with the force smoothed
as the speed is, or sharpened where it is itself too smooth, it holds again. It is the force that is
tried, and what is measured stays as it is, so that the likelihoods can be compared.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.estimation.delays import Delays, align
from loadlearn.estimation.likelihood import Likelihood, on_common_rows
from loadlearn.estimation.model import Noise
from loadlearn.estimation.posterior import PARTS, Posterior, judged, tempered
from loadlearn.log.alignment import even_stamps
from loadlearn.vehicle.gating import CRAWL_SPEED_M_S
from loadlearn.vehicle.samples import FORCE_CHANNELS, HEIGHT_FIELDS, SOURCE_TRACTIVE

FloatArray = NDArray[np.float64]

LONGEST_SMOOTHING_S = 5.0
SURE_SMOOTHING = 5.0
"""What smoothing or sharpening must gain in (tempered) log-likelihood."""
INVERSE_NOISE = 0.03
"""Share of noise in the power of what is sharpened (Wiener, 1949, from memory)."""
OTHER_SHAPE_SD = 0.01
"""What a logger's filter of another shape than a mean or a lag leaves in the mass, relative: rms of
three real trips with filters of two poles, triangles, and both after one another."""
PADDING_S = 20.0
"""Ends are held for so long before a channel is filtered."""
_RATIO = 1.3
"""Between the widths tried ..."""
_STEP_S = 0.2
"""... and the delays."""


class Kernel(NamedTuple):
    """What a channel is filtered by: a centred mean, or a first-order lag moved back by its lag."""

    lag: bool = False
    over_s: float = 0.0
    """Width of the mean or time constant of the lag (s); negative where it is undone."""
    of_power: bool = False
    """Whether it is the power of a tread force that is filtered."""


TRIED = (
    Kernel(False, 1.5),
    Kernel(True, 0.5),
    Kernel(False, -2.0),
    Kernel(False, -3.0),
    Kernel(True, -0.5),
    Kernel(True, -1.0),
    Kernel(False, -3.0, True),
)
"""Where none of these fits better than the channel as it is, nothing more is tried."""
LAG_OF_MEAN = 12.0**-0.5
"""A lag as wide as a mean, by their standard deviations."""


def filtered(time_s: FloatArray, values: FloatArray, by: Kernel) -> FloatArray:
    """A channel smoothed by a kernel that delays nothing, or with such a kernel undone.

    Parameters
    ----------
    time_s, values : ndarray, shape (n,)
        NaN marks absent values.
    by : Kernel
        Undone as Wiener's filter does: what the kernel nearly removes stays away.

    Returns
    -------
    ndarray, shape (n,)
        NaN where the channel is.
    """
    present = np.isfinite(values)
    if by.over_s == 0.0 or np.count_nonzero(present) < 2:
        return values
    step = float(np.median(np.diff(time_s)))
    even = even_stamps(np.append(time_s, time_s[-1] + 0.5 * step), step)
    signal = np.interp(even, time_s[present], values[present])
    ends = int(PADDING_S / step)
    count = 1 << int(even.size + 2 * ends - 1).bit_length()
    # Round the corner from the last value to the first in a straight line.
    joined = np.linspace(signal[-1], signal[0], count - even.size - 2 * ends + 2)[1:-1]
    ring = np.concatenate([signal, np.full(ends, signal[-1]), joined, np.full(ends, signal[0])])
    turns = np.fft.rfftfreq(count, step) * abs(by.over_s)
    if by.lag:
        response = np.exp(2j * np.pi * turns) / (1.0 + 2j * np.pi * turns)
    else:
        response = np.sinc(turns).astype(np.complex128)
    if by.over_s < 0.0:
        power = np.abs(response) ** 2
        response = (1.0 + INVERSE_NOISE) * np.conj(response) / (power + INVERSE_NOISE)
    made = np.fft.irfft(np.fft.rfft(ring) * response, count)[: even.size]
    found = np.interp(time_s, even, made)
    found[~present] = np.nan
    return np.asarray(found)


def filtered_force(
    time_s: FloatArray, values: FloatArray, speed_m_s: FloatArray, by: Kernel, delay_s: float
) -> FloatArray:
    """A force channel filtered, that is to be moved by a delay.

    Parameters
    ----------
    time_s, values, speed_m_s : ndarray, shape (n,)
    by : Kernel
    delay_s : float
        How late the channel is (s): a power belongs to the speed of so long before.

    Returns
    -------
    ndarray, shape (n,)
    """
    if not by.of_power:
        return filtered(time_s, values, by)
    power = filtered(time_s, values * speed_m_s, by)
    earlier = np.interp(time_s - delay_s, time_s, np.nan_to_num(speed_m_s))
    force = power / np.maximum(earlier, CRAWL_SPEED_M_S)
    return np.where(earlier >= CRAWL_SPEED_M_S, force, np.nan)


class Filtered(NamedTuple):
    """What :func:`find_smoothing` found.

    Attributes
    ----------
    by : Kernel
        What the channel is to be filtered by.
    delay_s : float
        Of the channel then.
    log_mass_sd : float
        What not knowing the width leaves in the logarithm of the mass.
    log_mass_change : float
        What the filter changes in it.
    """

    by: Kernel = Kernel()
    delay_s: float = 0.0
    log_mass_sd: float = 0.0
    log_mass_change: float = 0.0


class _Tried:
    """The log with its force or its slope filtered, and moved."""

    def __init__(self, likelihood: Likelihood, noise: Noise, given: Delays, field: str) -> None:
        self.likelihood, self.noise, self.given, self.field = likelihood, noise, given, field
        force, height = likelihood.sources
        self.channel = FORCE_CHANNELS[force] if field == "force" else HEIGHT_FIELDS[height]
        self.time_s = np.ascontiguousarray(likelihood.samples["time_s"])
        self.values = np.ascontiguousarray(likelihood.samples[self.channel])
        self.speed = np.ascontiguousarray(likelihood.samples["speed_m_s"])

    def rows(self, by: Kernel, delay_s: float) -> Records:
        """Rows with the channel filtered and moved."""
        samples = self.likelihood.samples.copy()
        samples[self.channel] = filtered_force(self.time_s, self.values, self.speed, by, delay_s)
        delays = self.given._replace(**{self.field: delay_s})
        return self.likelihood.rows(align(samples, *self.likelihood.sources, delays))

    def best_near(self, by: Kernel, delay_s: float) -> tuple[float, Kernel, float]:
        """Greatest log-likelihood of a kernel over the delay, from one on; kernel and delay."""

        def of(at: float) -> tuple[float, Kernel, float]:
            return self.likelihood(self.noise, self.rows(by, at)), by, at

        best = of(delay_s)
        for step in (_STEP_S, -_STEP_S):
            while (found := of(best[2] + step)) > best:
                best = found
        return best

    def climb(self, by: Kernel, delay_s: float) -> tuple[float, Kernel, float]:
        """From a width, wider or narrower as long as the likelihood rises."""
        best = self.best_near(by, delay_s)
        for ratio in (_RATIO, 1.0 / _RATIO):
            while 0.1 < abs(best[1].over_s * ratio) < LONGEST_SMOOTHING_S:
                wider = best[1]._replace(over_s=best[1].over_s * ratio)
                found = self.best_near(wider, best[2])
                if found[0] <= best[0]:
                    break
                best = found
        return best

    def over_width(self, by: Kernel, delay_s: float) -> Posterior:
        """Posterior of the width about one."""
        widths = by.over_s + 0.12 * abs(by.over_s) * np.arange(-2.0, 3.0)
        rows = [self.rows(by._replace(over_s=float(one)), delay_s) for one in widths]
        return judged(self.likelihood, self.noise, widths, rows)


def find_smoothing(
    likelihood: Likelihood, noise: Noise, given: Delays, other_delay_s: float
) -> Filtered:
    """What the force is to be filtered by.

    Parameters
    ----------
    likelihood : Likelihood
        Of the log with its speed moved already.
    noise : Noise
    given : Delays
        Of force and height, as they are without any filter.
    other_delay_s : float
        Another delay that the force may have.

    Returns
    -------
    Filtered
        Nothing where the log hardly prefers it.
    """
    tried = _Tried(likelihood, noise, given, "force")
    measured = likelihood.sources.force == SOURCE_TRACTIVE
    kernels = [
        one for one in TRIED if abs(one.over_s) > likelihood.step_s and one.of_power <= measured
    ]
    # Without the filter the delay is not found quite where it is with it.
    others = {1.0: given.force - _STEP_S, -1.0: other_delay_s}
    candidates = [(one, given.force) for one in (Kernel(), *kernels)]
    for one in kernels:
        at = others[math.copysign(1.0, one.over_s)]
        if abs(at - given.force) >= _STEP_S:
            candidates.append((one, at))
    tables = [tried.rows(*one) for one in candidates]
    on_common_rows(tables)
    told = [likelihood.judged(noise, table, PARTS) for table in tables]
    parts = np.array([one.parts for one in told])
    best = int(np.argmax(parts.sum(axis=1)))
    if -tempered(parts, best)[0] < SURE_SMOOTHING:
        return Filtered()
    by, delay_s = candidates[best]
    ratio = 1.0 / LAG_OF_MEAN if by.lag else LAG_OF_MEAN
    starts = [by, Kernel(not by.lag, by.over_s * ratio, by.of_power)]
    if measured and by.over_s < 0.0:
        starts.append(by._replace(of_power=not by.of_power))
    _, by, delay_s = max(tried.climb(start, delay_s) for start in starts)
    width = tried.over_width(by, delay_s)
    return _filtered(width, by, delay_s, told[0].log_mass)


def _filtered(width: Posterior, by: Kernel, delay_s: float, log_mass_before: float) -> Filtered:
    """What is found, from the posterior of its width."""
    _, spread = width.about(width.mean)
    change = width.mass_at(width.mean) - log_mass_before
    spread = float(np.hypot(spread, OTHER_SHAPE_SD))
    return Filtered(by._replace(over_s=width.mean), delay_s, spread, change)


def find_grade_lag(likelihood: Likelihood, noise: Noise, given: Delays) -> Filtered:
    """What a grade channel that is late is to be sharpened by: what is late may be smoothed.

    Parameters
    ----------
    likelihood : Likelihood
    noise : Noise
    given : Delays
        Of force and height.

    Returns
    -------
    Filtered
        Nothing where the log hardly prefers it.
    """
    tried = _Tried(likelihood, noise, given, "height")
    widths = given.height * np.array([-1.4, -1.05, -0.7, -0.35, 0.0])
    rows = [tried.rows(Kernel(True, float(one)), given.height) for one in widths]
    told = judged(likelihood, noise, widths, rows)
    if told.gained < SURE_SMOOTHING:
        return Filtered()
    _, by, delay_s = tried.climb(Kernel(True, told.mean), given.height)
    width = tried.over_width(by, delay_s)
    return _filtered(width, by, delay_s, told.mass_at(0.0))
