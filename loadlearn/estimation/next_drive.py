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

from loadlearn.estimation import filter as kernel
from loadlearn.estimation import layout
from loadlearn.estimation.model import (
    COLD,
    KAPPA,
    N_ROW,
    PHI,
    R_DRAG0,
    R_DRAG1,
    R_DRAG2,
    R_DT,
    R_DX,
    R_DXCOS,
    R_KNOWN,
    R_LAG,
    R_SLIP,
    R_SLOPE,
    R_SPEED,
    R_TILT,
    R_WORK,
    R_Y,
    ROLL,
    Noise,
)
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import (
    GRAVITY_M_S2,
    drag_force,
    resisting_force,
    rolling_coefficient,
    rotating_mass,
)
from loadlearn.vehicle.traction import MID_LOAD

FloatArray = NDArray[np.float64]
_DENSITY = 1.2
_STEP_S = 0.5


class Present(NamedTuple):
    """The likeliest hypothesis of an estimator, and the noise it works with."""

    state: FloatArray
    covariance: FloatArray
    noise: Noise


def present_of(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
    noise: Noise,
) -> Present:
    """The likeliest hypothesis.

    Parameters
    ----------
    states, covariances, log_weights, loads
        Shapes as in ``layout``.
    noise : Noise

    Returns
    -------
    Present
    """
    weights = np.where(loads[:, layout.L_ACTIVE, None] > 0.5, log_weights, -np.inf)
    load, mode = np.unravel_index(int(np.argmax(weights)), weights.shape)
    return Present(states[load, :, mode].copy(), covariances[load, :, :, mode].copy(), noise)


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
) -> FloatArray:
    """Rows of a manoeuvre driven by the rig at the load learnt (force from the force balance)."""
    table = np.zeros((speed.size - 1, N_ROW))
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
    table[:, R_DT] = _STEP_S
    table[:, R_DX] = dx
    table[:, R_DXCOS] = dx * cosine
    table[:, R_WORK] = force * dx / GRAVITY_M_S2
    table[:, R_DRAG2] = drag_force(1.0, _DENSITY, middle, 0.0) * dx / GRAVITY_M_S2
    table[:, R_DRAG1] = _DENSITY * middle * dx / GRAVITY_M_S2
    table[:, R_DRAG0] = 0.5 * _DENSITY * dx / GRAVITY_M_S2
    table[:, R_SLOPE] = rolling_coefficient(0.0, 1.0, middle) * dx * cosine
    top = max(float(np.max(force)), 1.0)
    table[:, R_TILT] = np.maximum(force, 0.0) * (force / top - MID_LOAD) * dx / GRAVITY_M_S2
    table[:, R_LAG] = np.diff(force, prepend=force[0]) * middle / GRAVITY_M_S2
    table[:, R_KNOWN] = 1.0
    table[:, R_Y] = 0.0
    table[:, R_SPEED] = speed[1:]
    table[:, R_SLIP] = speed[1:] ** 2 / GRAVITY_M_S2 * np.maximum(force, 0.0)
    return table


def _relative_sds(state: FloatArray, covariance: FloatArray) -> dict[str, float]:
    """Standard deviations relative to the mean: mass and drag given the scale, rolling."""
    phi, kappa = state[PHI], state[KAPPA]
    ratio = kappa / phi
    area_var = (
        covariance[KAPPA, KAPPA]
        - 2.0 * ratio * covariance[KAPPA, PHI]
        + ratio * ratio * covariance[PHI, PHI]
    ) / (phi * phi)
    roll_var = covariance[ROLL, ROLL] + covariance[COLD, COLD] + 2.0 * covariance[ROLL, COLD]
    return {
        "combined mass": math.sqrt(covariance[PHI, PHI]) / phi,
        "rolling resistance": math.sqrt(max(roll_var, 0.0)) / max(state[ROLL], 1e-3),
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

    Returns
    -------
    str
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
    mass, area = 1.0 / present.state[PHI], present.state[KAPPA] / present.state[PHI]
    gains = {}
    for name, (speed, slope) in _manoeuvres().items():
        table = _rows_of(speed, slope, rig, mass, present.state[ROLL], max(area, 0.1))
        after_sds = _relative_sds(present.state, covariance_after(present, table))
        gains[name] = after_sds[least]
    best = min(gains, key=lambda name: gains[name])
    return (
        f"The {least} is least known: {best} would narrow its 95 % interval from "
        f"±{196 * before[least]:.1f} % to about ±{196 * gains[best]:.1f} %."
    )


def covariance_after(present: Present, table: FloatArray) -> FloatArray:
    """Covariance of the likeliest hypothesis after driving some rows.

    Parameters
    ----------
    present : Present
    table : ndarray, shape (k, 30)

    Returns
    -------
    ndarray, shape (n, n)
    """
    n = present.state.size
    lanes = layout.LANES
    states = np.repeat(present.state[:, None], lanes, axis=1)
    covariances = np.repeat(present.covariance[:, :, None], lanes, axis=2)
    kernel.carry_covariance(states, covariances, table, present.noise)
    return covariances[:, :, 0].reshape(n, n)
