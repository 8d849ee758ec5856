"""A plain augmented-state extended Kalman filter: speed, mass, rolling resistance, drag area."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.study.peer_inputs import SPEED_SLOPE, history, read_inputs, rig_belief
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import (
    REFERENCE_SPEED_M_S,
    drag_force,
    longitudinal_acceleration,
    resisting_force,
    rolling_coefficient,
)

FloatArray = NDArray[np.float64]


class PlainEkf:
    """The textbook filter: parameters appended to the state as random walks.

    Speed is predicted with the force balance from one sample to the next and measured; where the
    force is not known its variance is opened. One ground, no change of load, no disturbance with
    colour, no tractive scale.

    Parameters
    ----------
    rig : Rig
    initial_mass_kg, initial_mass_sd_kg : float, optional
        As in ``LoadEstimator``.
    acceleration_noise : float
        White acceleration noise (m/s^2 over the square root of 1 Hz).
    speed_sd_m_s : float
        Standard deviation of the measured speed.
    mass_walk : float
        Random walk of the mass, as a share of the initial belief, over the square root of an hour.
    rolling_walk, drag_walk : float
        The same for rolling resistance and drag area.

    References
    ----------
    Jazwinski, *Stochastic Processes and Filtering Theory*, 1970; Ljung, IEEE Trans. Automatic
    Control 24(1), 1979 (parameters as states).
    """

    def __init__(
        self,
        rig: Rig,
        initial_mass_kg: float | None = None,
        initial_mass_sd_kg: float | None = None,
        acceleration_noise: float = 0.02,
        speed_sd_m_s: float = 0.1,
        mass_walk: float = 0.0,
        rolling_walk: float = 0.01,
        drag_walk: float = 0.2,
    ) -> None:
        self.rig = rig
        self.belief = rig_belief(rig, initial_mass_kg, initial_mass_sd_kg)
        self._noise = np.array([acceleration_noise, speed_sd_m_s])
        self._walk = np.array(
            [
                mass_walk * self.belief.mass_kg,
                rolling_walk * self.belief.rolling_resistance,
                drag_walk * self.belief.drag_area_m2,
            ]
        ) / math.sqrt(3600.0)

    def run(self, trace: pd.DataFrame) -> pd.DataFrame:
        """Estimate over a whole trace.

        Parameters
        ----------
        trace : DataFrame
            Canonical columns, or what ``prepare`` returns.

        Returns
        -------
        DataFrame
            One row per sample, see :func:`loadlearn.study.peer_inputs.history`.

        Raises
        ------
        InputError
            No force or no grade channel.
        """
        inputs = read_inputs(trace, self.rig)
        belief = self.belief
        table = np.column_stack(
            (
                inputs.time_s,
                inputs.speed_m_s,
                inputs.force_n,
                inputs.rotating_kg,
                inputs.density_kg_m3,
                inputs.sin_grade,
                inputs.cos_grade,
                inputs.reason == 0,
            )
        )
        state = np.array(
            [0.0, belief.mass_kg, belief.rolling_resistance, belief.drag_area_m2], dtype=np.float64
        )
        sd = (100.0, belief.mass_sd_kg, belief.rolling_resistance_sd, belief.drag_area_sd_m2)
        covariance = np.diag(np.square(sd))
        estimates = np.empty((len(trace), 6))
        _ekf_loop(table, state, covariance, self._noise, self._walk, estimates)
        return history(inputs, self.rig, estimates)


@jit
def _ekf_loop(
    table: FloatArray,
    state: FloatArray,
    covariance: FloatArray,
    noise: FloatArray,
    walk: FloatArray,
    estimates: FloatArray,
) -> None:
    """Predict and update over all samples; state order speed, mass, coefficient, drag area."""
    jacobian = np.eye(4)
    floor = np.array([0.0, 0.2 * state[1], 1e-4, 0.05 * state[3]])
    for k in range(table.shape[0]):
        if k > 0:
            dt = table[k, 0] - table[k - 1, 0]
            if table[k, 7] > 0.5 and table[k - 1, 7] > 0.5:
                force = 0.5 * (table[k, 2] + table[k - 1, 2])
                rotating = 0.5 * (table[k, 3] + table[k - 1, 3])
                density = table[k, 4]
                sine = 0.5 * (table[k, 5] + table[k - 1, 5])
                cosine = 0.5 * (table[k, 6] + table[k - 1, 6])
                speed, mass, rolling, area = state[0], state[1], state[2], state[3]
                coefficient = rolling_coefficient(rolling, SPEED_SLOPE, speed)
                acceleration = longitudinal_acceleration(
                    force, mass, rotating, coefficient, area, density, speed, 0.0, sine, cosine
                )
                inertia = mass + rotating
                weight = resisting_force(1.0, coefficient, 0.0, density, speed, 0.0, sine, cosine)
                normal = resisting_force(mass, 1.0, 0.0, density, speed, 0.0, 0.0, cosine)
                per_area = drag_force(1.0, density, speed, 0.0)
                rise = 2.0 * SPEED_SLOPE * speed / (REFERENCE_SPEED_M_S * REFERENCE_SPEED_M_S)
                jacobian[0, 0] = 1.0 - dt * (normal * rise + area * density * abs(speed)) / inertia
                jacobian[0, 1] = -dt * (weight + acceleration) / inertia
                jacobian[0, 2] = -dt * normal / inertia
                jacobian[0, 3] = -dt * per_area / inertia
                state[0] += dt * acceleration
                covariance[:, :] = jacobian @ covariance @ jacobian.T
                covariance[0, 0] += noise[0] * noise[0] * dt
                for i in range(3):
                    covariance[i + 1, i + 1] += walk[i] * walk[i] * dt
            else:
                # The force is not known: the speed is free, the parameters stay.
                covariance[0, :] = 0.0
                covariance[:, 0] = 0.0
                covariance[0, 0] = 1e4
        measured = table[k, 1]
        if not math.isnan(measured):
            variance = covariance[0, 0] + noise[1] * noise[1]
            gain = covariance[:, 0] / variance
            innovation = measured - state[0]
            for i in range(4):
                state[i] = max(state[i] + gain[i] * innovation, floor[i])
            covariance[:, :] = covariance - np.outer(gain, covariance[0, :])
            covariance[:, :] = 0.5 * (covariance + covariance.T)
        for i in range(3):
            estimates[k, 2 * i] = state[i + 1]
            estimates[k, 2 * i + 1] = math.sqrt(max(covariance[i + 1, i + 1], 1e-18))
