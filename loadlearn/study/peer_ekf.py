"""A plain augmented-state extended Kalman filter: speed, mass, rolling resistance, drag area."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.study.peer_inputs import SPEED_SLOPE, Inputs, history, read_inputs, rig_belief
from loadlearn.vehicle.gating import REASON
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
        self._noise = (acceleration_noise, speed_sd_m_s)
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
        state = np.array(
            [0.0, belief.mass_kg, belief.rolling_resistance, belief.drag_area_m2], dtype=np.float64
        )
        sd = (100.0, belief.mass_sd_kg, belief.rolling_resistance_sd, belief.drag_area_sd_m2)
        covariance = np.diag(np.square(sd))
        estimates = np.empty((len(trace), 6))
        _ekf_loop(inputs, state, covariance, self._noise, self._walk, estimates)
        return history(inputs, self.rig, estimates)


@jit
def _ekf_loop(
    inputs: Inputs,
    state: FloatArray,
    covariance: FloatArray,
    noise: tuple[float, float],
    walk: FloatArray,
    estimates: FloatArray,
) -> None:
    """Predict and update over all samples; state order speed, mass, coefficient, drag area."""
    acceleration_noise, speed_sd_m_s = noise
    jacobian = np.eye(4)
    floor = np.array([0.0, 0.2 * state[1], 1e-4, 0.05 * state[3]])
    for k in range(inputs.time_s.size):
        if k > 0:
            dt = inputs.time_s[k] - inputs.time_s[k - 1]
            if inputs.reason[k] == REASON.known and inputs.reason[k - 1] == REASON.known:
                force = 0.5 * (inputs.force_n[k] + inputs.force_n[k - 1])
                rotating = 0.5 * (inputs.rotating_kg[k] + inputs.rotating_kg[k - 1])
                density = inputs.density_kg_m3[k]
                sine = 0.5 * (inputs.sin_grade[k] + inputs.sin_grade[k - 1])
                cosine = 0.5 * (inputs.cos_grade[k] + inputs.cos_grade[k - 1])
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
                per_speed = normal * rise + area * density * abs(speed)
                falls = (per_speed, weight + acceleration, normal, per_area)
                jacobian[0, :] = -dt / inertia * np.array(falls)
                jacobian[0, 0] += 1.0
                state[0] += dt * acceleration
                covariance[:, :] = jacobian @ covariance @ jacobian.T
                covariance[0, 0] += acceleration_noise * acceleration_noise * dt
                for i in range(3):
                    covariance[i + 1, i + 1] += walk[i] * walk[i] * dt
            else:
                # The force is not known: the speed is free, the parameters stay.
                covariance[0, :] = 0.0
                covariance[:, 0] = 0.0
                covariance[0, 0] = 1e4
        measured = inputs.speed_m_s[k]
        if not math.isnan(measured):
            variance = covariance[0, 0] + speed_sd_m_s * speed_sd_m_s
            gain = covariance[:, 0] / variance
            innovation = measured - state[0]
            for i in range(4):
                state[i] = max(state[i] + gain[i] * innovation, floor[i])
            covariance[:, :] = covariance - np.outer(gain, covariance[0, :])
            covariance[:, :] = 0.5 * (covariance + covariance.T)
        for i in range(3):
            estimates[k, 2 * i] = state[i + 1]
            estimates[k, 2 * i + 1] = math.sqrt(max(covariance[i + 1, i + 1], 1e-18))
