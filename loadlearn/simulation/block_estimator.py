"""The estimator, taught many samples at once.

The one place in the simulation that reaches into :class:`~loadlearn.estimation.LoadEstimator`: step
by step in Python it would take a thousand times as long as the drive.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.columns import SAMPLE_COLUMNS
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import air_density_kg_m3

FloatArray = NDArray[np.float64]

_GRADE, _ALTITUDE, _AMBIENT, _PRESSURE = (
    SAMPLE_COLUMNS.index(name)
    for name in ("grade_percent", "altitude_m", "ambient_temp_degc", "ambient_pressure_kpa")
)


class BlockEstimator:
    """A :class:`~loadlearn.estimation.LoadEstimator` that takes many samples at once.

    Parameters
    ----------
    rig : Rig
    """

    def __init__(self, rig: Rig) -> None:
        from loadlearn.estimation import LoadEstimator
        from loadlearn.estimation.intervals import I_DENSITY, I_SLOPE, N_INPUT, ROW_INPUTS

        self._estimator: Any = LoadEstimator(rig)
        shared = [name for name in ROW_INPUTS if name in SAMPLE_COLUMNS]
        self._from = np.array([SAMPLE_COLUMNS.index(name) for name in shared])
        self._to = np.array([ROW_INPUTS.index(name) for name in shared])
        self._width, self._slope, self._density = N_INPUT, I_SLOPE, I_DENSITY

    def learn(self, rows: FloatArray) -> None:
        """Take samples in order; the same as one ``step`` for each.

        Parameters
        ----------
        rows : ndarray, shape (n, SAMPLE_COLUMNS)
        """
        inputs = np.full((rows.shape[0], self._width), np.nan)
        inputs[:, self._to] = rows[:, self._from]
        tangent = rows[:, _GRADE] / 100.0
        inputs[:, self._slope] = tangent / np.sqrt(1.0 + tangent * tangent)
        altitude = np.nan_to_num(rows[:, _ALTITUDE])
        inputs[:, self._density] = air_density_kg_m3(
            altitude, rows[:, _AMBIENT], rows[:, _PRESSURE]
        )
        if self._estimator.state is None:
            self._begin(rows[0])
        self._estimator._advance(inputs)

    def _begin(self, row: FloatArray) -> None:
        """Sources of force and height as the estimator itself finds them in a sample."""
        from loadlearn.estimation.estimator import _sources_of

        sample = {
            name: value
            for name, value in zip(SAMPLE_COLUMNS, row.tolist(), strict=True)
            if math.isfinite(value)
        }
        self._estimator._begin(*_sources_of(sample))

    def summaries(self) -> tuple[float, ...]:
        """Means and standard deviations after the last sample.

        Returns
        -------
        tuple of float
            Mass, its sd, its sd given the tractive scale (kg), rolling resistance and sd, drag
            area and sd (m2), in the order of
            :func:`~loadlearn.policy.draws.draws_from_summaries`; NaN before anything is learnt.
        """
        from loadlearn.estimation import layout

        places = (
            layout.O_MASS,
            layout.O_MASS_SD,
            layout.O_MASS_SD_GIVEN,
            layout.O_ROLL,
            layout.O_ROLL_SD,
            layout.O_DRAG,
            layout.O_DRAG_SD,
        )
        state = self._estimator.state
        if state is None or not math.isfinite(state.last_output[0]):
            return (math.nan,) * len(places)
        return tuple(float(state.last_output[place]) for place in places)
