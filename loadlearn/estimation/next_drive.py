"""What to drive next: which standard manoeuvre tells most about what is least known.

The covariance of the likeliest hypothesis is carried through each manoeuvre by the filter's own
prediction and update (whose covariance does not depend on what is measured), so the answer is what
this estimator would gain, not a rule of thumb.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.estimation.filter import carry_covariance
from loadlearn.estimation.grounds import Grounds
from loadlearn.estimation.learner import Setup
from loadlearn.estimation.loads import Hypotheses
from loadlearn.estimation.model import ROW, STATE, Noise
from loadlearn.vehicle.engine_force import MID_LOAD
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import (
    GRAVITY_M_S2,
    drag_force,
    resisting_force,
    rolling_coefficient,
    rotating_mass,
)

FloatArray = NDArray[np.float64]
_DENSITY = 1.2
_STEP_S = 0.5


class Present(NamedTuple):
    """The likeliest hypothesis of an estimator, and what it works with."""

    state: FloatArray
    covariance: FloatArray
    grounds: Grounds
    noise: Noise


def present_of(hypotheses: Hypotheses, setup: Setup) -> Present:
    """The likeliest hypothesis."""
    active = hypotheses.loads["active"][:, None] == 1
    weights = np.where(active, hypotheses.log_weights, -np.inf)
    likeliest = np.unravel_index(int(np.argmax(weights)), weights.shape)
    return Present(
        hypotheses.states[likeliest].copy(),
        hypotheses.covariances[likeliest].copy(),
        setup.grounds,
        setup.noise,
    )


def _manoeuvres() -> dict[str, tuple[FloatArray, FloatArray]]:
    """Speed (m/s) and grade (sine) over time, at half-second steps."""

    def ramp(start: float, end: float, seconds: float) -> FloatArray:
        return np.linspace(start, end, int(seconds / _STEP_S) + 1)

    level = np.zeros_like
    coast = ramp(25.0, 8.0, 75.0)
    pull = np.concatenate([ramp(40 / 3.6, 80 / 3.6, 25.0), ramp(80 / 3.6, 80 / 3.6, 10.0)])
    climb = np.full(int(180 / _STEP_S) + 1, 17.0)
    hill = np.where(np.arange(climb.size) < climb.size // 2, 0.06, -0.01)
    slow, fast = ramp(14.0, 14.0, 120.0), ramp(26.0, 26.0, 120.0)
    steady = np.concatenate([slow, ramp(14.0, 26.0, 25.0), fast])
    return {
        "a coast-down in neutral from 90 to 30 km/h": (coast, level(coast)),
        "a pull from 40 to 80 km/h": (pull, level(pull)),
        "three minutes up a steady 6 % climb and on over the top": (climb, hill),
        "two minutes each at a steady 50 and 95 km/h on the flat": (steady, level(steady)),
    }


def _rows_of(
    speed: FloatArray, slope: FloatArray, rig: Rig, mass: float, roll: float, area: float
) -> Records:
    """Rows of a manoeuvre driven by the rig at the load learnt (force from the force balance)."""
    table = np.zeros(speed.size - 1, ROW)
    middle = 0.5 * (speed[1:] + speed[:-1])
    acceleration = np.diff(speed) / _STEP_S
    sine = 0.5 * (slope[1:] + slope[:-1])
    cosine = np.sqrt(1.0 - sine * sine)
    coefficient = rolling_coefficient(roll, 0.001, middle)
    wheels = rotating_mass(0.0, rig.vehicle.wheel_inertia_kg_m2, 0.0, rig.vehicle.tyre_radius_m)
    force = (mass + wheels) * acceleration + resisting_force(
        mass, coefficient, area, _DENSITY, middle, 0.0, sine, cosine
    )
    dx = middle * _STEP_S
    table["dt_s"] = _STEP_S
    table["distance_m"] = dx
    table["distance_cos_m"] = dx * cosine
    table["work_kg_m"] = force * dx / GRAVITY_M_S2
    table["drag2"] = drag_force(1.0, _DENSITY, middle, 0.0) * dx / GRAVITY_M_S2
    table["drag1"] = _DENSITY * middle * dx / GRAVITY_M_S2
    table["drag0"] = 0.5 * _DENSITY * dx / GRAVITY_M_S2
    table["slope_m"] = rolling_coefficient(0.0, 1.0, middle) * dx * cosine
    top = max(float(np.max(force)), 1.0)
    table["tilt_kg_m"] = np.maximum(force, 0.0) * (force / top - MID_LOAD) * dx / GRAVITY_M_S2
    table["lag_kg_m_s"] = np.diff(force, prepend=force[0]) * middle / GRAVITY_M_S2
    table["known"] = 1.0
    table["measured_m"] = 0.0
    table["speed_m_s"] = speed[1:]
    table["slip_m_n"] = speed[1:] ** 2 / GRAVITY_M_S2 * np.maximum(force, 0.0)
    return table


def _relative_sds(state: FloatArray, covariance: FloatArray) -> dict[str, float]:
    """Standard deviations relative to the mean: mass and drag given the scale, rolling."""
    phi_at, kappa_at = STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg
    roll_at, cold_at = STATE.rolling_resistance, STATE.cold_tyre_excess
    phi, kappa = state[phi_at], state[kappa_at]
    ratio = kappa / phi
    area_var = (
        covariance[kappa_at, kappa_at]
        - 2.0 * ratio * covariance[kappa_at, phi_at]
        + ratio * ratio * covariance[phi_at, phi_at]
    ) / (phi * phi)
    roll_var = (
        covariance[roll_at, roll_at]
        + covariance[cold_at, cold_at]
        + 2.0 * covariance[roll_at, cold_at]
    )
    return {
        "combined mass": math.sqrt(covariance[phi_at, phi_at]) / phi,
        "rolling resistance": math.sqrt(max(roll_var, 0.0)) / max(state[roll_at], 1e-3),
        "drag area": math.sqrt(max(area_var, 0.0)) / max(abs(ratio), 0.1),
    }


# What a calibrator would call well known: relative standard deviations (common practice, no
# source). The quantity furthest beyond its own is the one least known.
_WELL_KNOWN = {"combined mass": 0.01, "rolling resistance": 0.10, "drag area": 0.10}


def what_to_drive_next(rig: Rig, last: pd.Series, present: Present) -> str:
    """One sentence: the manoeuvre that tells most about what is least known, and what it gains.

    Parameters
    ----------
    rig : Rig
    last : Series
        The last row of the estimates.
    present : Present
    """
    before = _relative_sds(present.state, present.covariance)
    scale_sd = math.sqrt(
        max(last["mass_sd_kg"] ** 2 - last["mass_sd_given_scale_kg"] ** 2, 0.0)
    ) / max(last["mass_kg"], 1.0)
    if scale_sd > max(2.0 * before["combined mass"], 0.01):
        learnt = before["combined mass"]
        tow_sd = float(rig.vehicle.mass_sd_kg or 0.0) / rig.vehicle.mass_kg
        now = 196 * math.hypot(scale_sd, learnt)
        after = 196 * math.hypot(tow_sd * scale_sd / math.hypot(tow_sd, scale_sd), learnt)
        weighed = 196 * math.hypot(0.003, learnt)
        return (
            "The tractive scale is what limits the mass now: a drive of weighed mass, given to "
            f"calibrate, would narrow the 95 % interval of the mass from ±{now:.1f} % to about "
            f"±{weighed:.1f} %; a solo run at the rig's own mass to about ±{after:.1f} %."
        )
    least = max(before, key=lambda name: before[name] / _WELL_KNOWN[name])
    phi = present.state[STATE.inverse_mass_per_kg]
    mass, area = 1.0 / phi, present.state[STATE.drag_per_mass_m2_kg] / phi
    gains = {}
    for name, (speed, slope) in _manoeuvres().items():
        table = _rows_of(
            speed, slope, rig, mass, present.state[STATE.rolling_resistance], max(area, 0.1)
        )
        after_sds = _relative_sds(present.state, covariance_after(present, table))
        gains[name] = after_sds[least]
    best = min(gains, key=lambda name: gains[name])
    return (
        f"The {least} is least known: {best} would narrow its 95 % interval from "
        f"±{196 * before[least]:.1f} % to about ±{196 * gains[best]:.1f} %."
    )


def covariance_after(present: Present, table: Records) -> FloatArray:
    """Covariance of the likeliest hypothesis after driving some rows.

    Parameters
    ----------
    present : Present
    table : record array of ``ROW``, shape (k,)

    Returns
    -------
    ndarray, shape (n, n)
    """
    covariance = present.covariance.copy()
    carry_covariance(present.state.copy(), covariance, table, present.grounds, present.noise)
    return covariance
