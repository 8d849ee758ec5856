"""Whether the logged speed is smoother than the force, and the force smoothed likewise.

Loggers filter road speed by moving means or first-order lags of half a second to some seconds. A
delay takes away what either shifts; what is left pulls every change of speed apart in time and so
makes a load too heavy (a tenth for a lag of half a second in town). The balance is linear in force
and acceleration: with the force smoothed by the same kernel it holds again, and the likelihood of
the log tells the kernel, since it is the force that is tried and the measured speed stays as it is.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.estimation.delays import Delays, align, shifted
from loadlearn.estimation.intervals import LAG_WITHIN_S
from loadlearn.estimation.likelihood import Likelihood
from loadlearn.estimation.model import Noise
from loadlearn.estimation.posterior import Posterior, judged
from loadlearn.vehicle.samples import FORCE_CHANNELS, Samples

FloatArray = NDArray[np.float64]

TRIED_S = 0.6
"""Where a mean over this long fits no better, nothing is smoothed."""
LONGEST_SMOOTHING_S = 4.0
SURE_SMOOTHING = 5.0
"""What smoothing must gain in (tempered) log-likelihood."""
_RATIO = 1.35
"""Between the widths tried."""


class Smoothing(NamedTuple):
    """How the force is smoothed: a centred mean, or a first-order lag moved back by its lag."""

    lag: bool = False
    over_s: float = 0.0


def smoothed_channel(time_s: FloatArray, values: FloatArray, by: Smoothing) -> FloatArray:
    """A channel smoothed by a kernel that delays nothing.

    Parameters
    ----------
    time_s, values : ndarray, shape (n,)
        Evenly spaced but for jitter.
    by : Smoothing

    Returns
    -------
    ndarray, shape (n,)
        NaN where the channel is.
    """
    if by.over_s == 0.0:
        return values
    if by.lag:
        step = float(np.median(np.diff(time_s)))
        kept = pd.Series(values).ewm(alpha=1.0 - math.exp(-step / by.over_s), adjust=False).mean()
        found = np.interp(time_s + by.over_s, time_s, kept.ffill().bfill().to_numpy())
    else:
        held = pd.Series(values).ffill().bfill().to_numpy()
        area = np.concatenate([[0.0], np.cumsum(0.5 * (held[1:] + held[:-1]) * np.diff(time_s))])
        low = np.maximum(time_s - 0.5 * by.over_s, time_s[0])
        high = np.minimum(time_s + 0.5 * by.over_s, time_s[-1])
        found = (np.interp(high, time_s, area) - np.interp(low, time_s, area)) / (high - low)
    found[np.isnan(values)] = np.nan
    return found


class Smoothed(NamedTuple):
    """What :func:`find_smoothing` found.

    Attributes
    ----------
    by : Smoothing
    delay_s : float
        Of the smoothed force.
    log_mass_sd : float
        What not knowing the width leaves in the logarithm of the mass.
    log_mass_change : float
        What the smoothing changes in it.
    """

    by: Smoothing = Smoothing()
    delay_s: float = 0.0
    log_mass_sd: float = 0.0
    log_mass_change: float = 0.0


class _Tried:
    """The log with its force smoothed and moved."""

    def __init__(self, likelihood: Likelihood, noise: Noise, given: Delays) -> None:
        self.likelihood, self.noise, self.given = likelihood, noise, given
        self.samples = likelihood.samples
        self.channel = FORCE_CHANNELS[likelihood.sources.force]
        self.time_s = np.ascontiguousarray(self.samples["time_s"])
        self.force = np.ascontiguousarray(self.samples[self.channel])

    def rows(self, by: Smoothing, delay_s: float) -> Records:
        """Rows with a smoothed and moved force."""
        samples = self.samples.copy()
        samples[self.channel] = smoothed_channel(self.time_s, self.force, by)
        delays = self.given._replace(force=delay_s)
        return self.likelihood.rows(align(samples, *self.likelihood.sources, delays))

    def value(self, by: Smoothing, delay_s: float) -> float:
        """Log-likelihood."""
        return self.likelihood(self.noise, self.rows(by, delay_s))

    def over_width(self, best: Smoothing, delay_s: float) -> Posterior:
        """Posterior of the logarithm of the width."""
        around = math.log(best.over_s) + math.log(_RATIO) * 0.5 * np.arange(-2.0, 3.0)
        rows = [self.rows(best._replace(over_s=math.exp(one)), delay_s) for one in around]
        return judged(self.likelihood, self.noise, around, rows)


def find_smoothing(likelihood: Likelihood, noise: Noise, given: Delays) -> Smoothed:
    """How much smoother than the force the logged speed is.

    Parameters
    ----------
    likelihood : Likelihood
        Of the log with its speed moved already.
    noise : Noise
    given : Delays
        Of force and height, as they are without any smoothing.

    Returns
    -------
    Smoothed
        Nothing where the log hardly prefers it, or is too slow to tell.
    """
    tried = _Tried(likelihood, noise, given)
    if float(np.median(np.diff(tried.time_s))) > LAG_WITHIN_S:
        return Smoothed()
    first = TRIED_S * np.array([0.0, 0.5, 1.0])
    rows = [tried.rows(Smoothing(False, over_s), given.force) for over_s in first]
    told = judged(likelihood, noise, first, rows)
    if told.gained < SURE_SMOOTHING:
        return Smoothed()
    found: list[tuple[float, Smoothing, float]] = []
    for lag in (False, True):
        width, delay_s, best = 0.4 if lag else TRIED_S, given.force, -math.inf
        while width < LONGEST_SMOOTHING_S:
            by = Smoothing(lag, width)
            # Wider and wider: the delay of the one before is nearly that of the next.
            near = [(tried.value(by, at), by, at) for at in delay_s + 0.2 * np.arange(-1.0, 3.0)]
            value, _, delay_s = max(near)
            found.append(max(near))
            if value < best - SURE_SMOOTHING:
                break
            best, width = max(best, value), width * _RATIO
    _, by, delay_s = max(found)
    width_told = tried.over_width(by, delay_s)
    by = by._replace(over_s=math.exp(width_told.mean))
    _, spread = width_told.about(width_told.mean)
    change = width_told.mass_at(width_told.mean) - float(told.log_mass[0])
    return Smoothed(by, delay_s, spread, change)


SHARPENED_S2 = (0.0, 0.5, 1.0, 1.5)
SHARPENED_LATER_S = (0.0, 0.25, 0.5, 0.75)
SHARPENED_OVER_S = 0.5
SURE_SMOOTHED = 6.0
"""Second moments of a kernel that a force is freed of, by how much later it may be, the step of the
second difference that does it, and what that must gain in (tempered) log-likelihood."""


def smoothed_force_doubt(likelihood: Likelihood, noise: Noise, samples: Samples) -> str | None:
    """What to say where the logged *force* is smoother than the speed.

    Its mass comes out too light, and no other channel can be smoothed likewise without losing what
    tells. A kernel of second moment c leaves F + c F''/2 of a force: with that taken off, the log
    must be likelier.

    Parameters
    ----------
    likelihood : Likelihood
    noise : Noise
    samples : record array of ``SAMPLE``, shape (n,)
        As the likelihood takes them, their channels aligned.

    Returns
    -------
    str or None
        A sentence for people.
    """
    time_s = np.ascontiguousarray(samples["time_s"])
    channel = FORCE_CHANNELS[likelihood.sources.force]
    force = np.ascontiguousarray(samples[channel])
    held = pd.Series(force).ffill().bfill().to_numpy()
    step = max(SHARPENED_OVER_S, float(np.median(np.diff(time_s))))
    ahead, behind = (np.interp(time_s + at, time_s, held) for at in (step, -step))
    bent = (ahead - 2.0 * held + behind) / step**2
    sharper, tables = samples.copy(), []
    sharper["force_channel_mean"] = np.nan
    for moment in SHARPENED_S2:
        # A smoothed force is found less late than it is.
        tried = []
        for late_s in SHARPENED_LATER_S:
            sharper[channel] = shifted(time_s, force - 0.5 * moment * bent, late_s)
            tried.append(likelihood.rows(sharper))
        values = [likelihood(noise, rows) for rows in tried]
        tables.append(tried[int(np.argmax(values))])
    told = judged(likelihood, noise, np.array(SHARPENED_S2), tables)
    if told.gained <= SURE_SMOOTHED:
        return None
    return (
        f"{channel} looks smoothed over some {math.sqrt(12.0 * told.mean):.0f} s, which makes a "
        "load too light: log it as it is measured"
    )
