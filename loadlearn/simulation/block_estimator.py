"""The estimator, taught many samples at once.

Step by step in Python it would take a thousand times as long as the drive.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.policy.columns import SAMPLE_COLUMNS
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]

_SUMMARIES = (
    "mass_kg",
    "mass_sd_kg",
    "mass_sd_given_scale_kg",
    "rolling_resistance",
    "rolling_resistance_sd",
    "drag_area_m2",
    "drag_area_sd_m2",
)


class BlockEstimator:
    """A :class:`~loadlearn.estimation.LoadEstimator` that takes many samples at once.

    Parameters
    ----------
    rig : Rig
    weighed : tuple of float, optional
        A weighed mass and its sd (kg) to start from.
    """

    def __init__(self, rig: Rig, weighed: tuple[float, float] | None = None) -> None:
        from loadlearn.estimation import LoadEstimator

        mass_kg, sd_kg = weighed or (None, None)
        self._estimator = LoadEstimator(rig, initial_mass_kg=mass_kg, initial_mass_sd_kg=sd_kg)

    def learn(self, rows: FloatArray) -> None:
        """Take samples in order; the same as one ``step`` for each.

        Parameters
        ----------
        rows : ndarray, shape (n, SAMPLE_COLUMNS)
        """
        from loadlearn.estimation.learner import Sources
        from loadlearn.vehicle.samples import samples_of

        block = pd.DataFrame(rows, columns=pd.Index(SAMPLE_COLUMNS))
        if self._estimator.state is None:
            self._estimator.begin(Sources.of(block))
        self._estimator.learn(samples_of(block))

    def summaries(self) -> tuple[float, ...]:
        """Means and standard deviations after the last sample.

        Returns
        -------
        tuple of float
            Mass, its sd, its sd given the tractive scale (kg), rolling resistance and sd, drag
            area and sd (m2), in the order of
            :func:`~loadlearn.policy.draws.draws_from_summaries`; NaN before anything is learnt.
        """
        state = self._estimator.state
        if state is None:
            return (math.nan,) * len(_SUMMARIES)
        return tuple(float(state.output[name][0]) for name in _SUMMARIES)
