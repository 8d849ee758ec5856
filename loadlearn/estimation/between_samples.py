"""How the force of a slow log runs between its samples: in straight lines, or bent.

Of a force that changes smoothly the straight line between two samples a second apart misses what
the cubic through their neighbours has (13 (b + c) - (a + d)) / 24 of. It is then too smooth, and
makes a load too light: by 3 % on real trips thinned to one sample a second. Of a force that jumps
the line is the better guess. The likelihood of the log says how much of the difference to take.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.estimation.intervals import LAG_WITHIN_S
from loadlearn.estimation.likelihood import Likelihood
from loadlearn.estimation.model import Noise
from loadlearn.estimation.posterior import judged
from loadlearn.vehicle.samples import FORCE_CHANNELS, Samples

FloatArray = NDArray[np.float64]

MOST_BEND, BEND_STEP = 2.0, 0.5
"""Shares of the cubic's difference from the straight line up to this are tried."""
SURE_BEND = 3.0
"""What a share must gain over none in (tempered) log-likelihood."""


class Bend(NamedTuple):
    """How a force runs between its samples.

    Attributes
    ----------
    share : float
        Of the cubic's difference from straight lines; 0 for straight lines.
    log_mass_sd : float
        What not knowing it leaves in the logarithm of the mass.
    """

    share: float = 0.0
    log_mass_sd: float = 0.0


def bent_means(values: FloatArray, means: FloatArray, share: float) -> FloatArray:
    """Means over the intervals that end at each sample, with a share of the cubic's bend.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced.
    means : ndarray, shape (n,)
        By straight lines; NaN where those between the values are meant.
    share : float

    Returns
    -------
    ndarray, shape (n,)
        NaN where there are no neighbours.
    """
    lines = np.full(values.size, np.nan)
    lines[1:] = 0.5 * (values[1:] + values[:-1])
    bend = np.full(values.size, np.nan)
    bend[2:-1] = (values[1:-2] + values[2:-1] - values[:-3] - values[3:]) / 24.0
    return np.where(np.isnan(means), lines, means) + share * bend


def find_bend(likelihood: Likelihood, noise: Noise, samples: Samples) -> Bend:
    """How the force runs between its samples.

    Parameters
    ----------
    likelihood : Likelihood
    noise : Noise
    samples : record array of ``SAMPLE``, shape (n,)
        Their channels aligned.

    Returns
    -------
    Bend
        Straight lines where the log hardly prefers a bend, or is fast.
    """
    if likelihood.step_s <= LAG_WITHIN_S:
        return Bend()
    values = np.ascontiguousarray(samples[FORCE_CHANNELS[likelihood.sources.force]])
    means = np.ascontiguousarray(samples["force_channel_mean"])
    tried = np.arange(0.0, MOST_BEND + 0.5 * BEND_STEP, BEND_STEP)
    tables, bent = [], samples.copy()
    for share in tried:
        bent["force_channel_mean"] = bent_means(values, means, float(share))
        tables.append(likelihood.rows(bent))
    told = judged(likelihood, noise, tried, tables)
    share = told.mean if told.gained > SURE_BEND else 0.0
    return Bend(share, told.about(share)[1])
