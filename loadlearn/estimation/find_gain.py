"""Whether a grade channel tells all of the grade, by the drive itself.

A channel that is wrong in slope, or smoothed by the logger, makes hills lower or higher than they
are. What a pull does to the speed tells the same mass as what a climb asks for; where the two
differ, the likelihood of the log over the channel's gain says by how much. Hills that are lower
than the channel says are not put right: a driver who answers what is not seen makes them look so
too. What it would change is considered.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.estimation.intervals import LAG_WITHIN_S
from loadlearn.estimation.likelihood import Likelihood
from loadlearn.estimation.model import Noise
from loadlearn.estimation.posterior import judged
from loadlearn.vehicle.samples import HEIGHT_FROM_GRADE, Samples

FloatArray = NDArray[np.float64]

MOST_GAIN, GAIN_STEP = 0.2, 0.05
"""Gains within this of one are tried."""
SURE_GAIN = 5.0
"""What a gain must win over one in (tempered) log-likelihood."""


class Gain(NamedTuple):
    """What a grade channel is to be multiplied by, and what not knowing it leaves in the log mass.

    Attributes
    ----------
    factor : float
    log_mass_sd : float
    """

    factor: float = 1.0
    log_mass_sd: float = 0.0


def find_gain(likelihood: Likelihood, noise: Noise, samples: Samples) -> Gain:
    """What a log's grade channel is to be multiplied by.

    Parameters
    ----------
    likelihood : Likelihood
    noise : Noise
    samples : record array of ``SAMPLE``, shape (n,)
        As the likelihood takes them, their channels aligned.

    Returns
    -------
    Gain
        One at least; one where the log hardly prefers another, has no grade channel, or is too
        slow: what is lost between its samples would pass for a gain.
    """
    if likelihood.step_s > LAG_WITHIN_S or likelihood.sources.height != HEIGHT_FROM_GRADE:
        return Gain()
    reach = round(MOST_GAIN / GAIN_STEP)
    tried = GAIN_STEP * np.arange(-reach, reach + 1.0)
    slope, tables = samples["slope_sin"].copy(), []
    for one in tried:
        samples["slope_sin"] = np.clip(slope * (1.0 + one), -1.0, 1.0)
        tables.append(likelihood.rows(samples))
    samples["slope_sin"] = slope
    told = judged(likelihood, noise, tried, tables)
    if told.gained <= SURE_GAIN:
        return Gain()
    chosen = max(told.mean, 0.0)
    return Gain(1.0 + chosen, told.about(chosen)[1])
