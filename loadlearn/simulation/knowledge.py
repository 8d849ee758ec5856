"""What the settings of a strategy are made from, second by second: nothing, the truth, or learning.

Only :class:`Truth` is told the true load; :class:`Learning` sees the logger's rows alone.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import as_record
from loadlearn.policy.draws import LoadDraw, draws_from_summaries
from loadlearn.policy.weighing import with_weighing
from loadlearn.simulation.block_estimator import BlockEstimator
from loadlearn.simulation.preparation import PreparedDrive
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]


class Knowledge(Protocol):
    """What the settings are made from, second by second."""

    def renew(self, step: int) -> tuple[NDArray[Any], float, float]:
        """What is known after ``step`` steps of the plant.

        Returns
        -------
        draws : ndarray of LoadDraw, shape (1, d)
        mass_kg, mass_sd_kg : float
        """
        ...


class Nothing:
    """Hardly any load: ratings cannot act, and a strategy that is the same everywhere stays so."""

    def __init__(self) -> None:
        self._draws = as_record(LoadDraw(1.0, 0.01, 0.0, 1.0, 0.0, 1.0))[None]

    def renew(self, step: int) -> tuple[NDArray[Any], float, float]:
        """Draws that nobody asks, and a mass that counts as known."""
        return self._draws, 1000.0, 0.0


class Truth:
    """The true load of the last step as the only draw."""

    def __init__(self, records: NDArray[Any], prepared: PreparedDrive) -> None:
        self._records = records
        self._scale = float(prepared.drawn["tractive_scale"])
        self._tow_kg = float(prepared.drawn["tow_mass_kg"])
        self._start = (
            float(prepared.drawn["combined_mass_kg"]),
            float(prepared.ground[0]["coefficient"]),
            float(prepared.drawn["drag_area_m2"]),
        )

    def renew(self, step: int) -> tuple[NDArray[Any], float, float]:
        """The truth as the only draw; as in :class:`Knowledge`."""
        if step == 0:
            mass, rolling, drag = self._start
        else:
            last = self._records[step - 1]
            mass, rolling, drag = last["mass_kg"], last["rolling_resistance"], last["drag_area_m2"]
        own = LoadDraw(mass, rolling, drag, self._scale, mass - self._tow_kg, 1.0)
        return as_record(own)[None], float(mass), 0.0


class Learning:
    """The estimator, fed with the logger's rows only."""

    def __init__(
        self,
        rig: Rig,
        rows: FloatArray,
        steps_per_row: int,
        weighed: tuple[float, float] | None = None,
    ) -> None:
        self._rig, self._rows, self._every = rig, rows, steps_per_row
        self._weighed = weighed
        self._estimator = BlockEstimator(rig, weighed)
        self._done = 0

    def renew(self, step: int) -> tuple[NDArray[Any], float, float]:
        """What is learnt from the rows so far; as in :class:`Knowledge`."""
        rows_so_far = -(-step // self._every)
        if rows_so_far > self._done:
            self._estimator.learn(self._rows[self._done : rows_so_far])
            self._done = rows_so_far
        summaries = self._estimator.summaries()
        mass = with_weighing(summaries[0], summaries[1], summaries[2], self._weighed)
        draws = draws_from_summaries(self._rig, *mass, *summaries[3:])
        return draws, float(mass[0][0]), float(mass[1][0])
