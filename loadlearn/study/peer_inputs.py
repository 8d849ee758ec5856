"""What the baselines are fed: force, slope and density per sample, and force balances in intervals.

Force and gating come from :mod:`loadlearn.vehicle.traction`, physics from
:mod:`loadlearn.vehicle.roadload`: the baselines differ from ``LoadEstimator`` in how they estimate,
not in what they are told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.log.grade import new_heights, smooth_slope, steps_m
from loadlearn.vehicle.gating import REASON, REASONS
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import (
    GRAVITY_M_S2,
    HANDBOOK_GROUNDS,
    drag_force,
    grade_angle,
    resisting_force,
    rolling_coefficient,
)
from loadlearn.vehicle.samples import (
    HEIGHT_FROM_ALTITUDE,
    HEIGHT_FROM_GRADE,
    height_source,
    samples_of,
)
from loadlearn.vehicle.traction import traction

FloatArray = NDArray[np.float64]

SPEED_SLOPE = 0.0010
"""Rise of rolling resistance with speed, k: the mean that ``LoadEstimator`` believes in, too."""
LONGEST_STEP_S = 2.5
"""Samples further apart than this are not joined."""
GRADE_WALK_PER_M05 = 0.0010
"""Random walk of the road's slope over the square root of a metre, for grade from altitude."""
ALTITUDE_SD_M = 0.5


class Inputs(NamedTuple):
    """Channels of a trace as the baselines see them; arrays of shape (n,).

    Attributes
    ----------
    time_s, speed_m_s, force_n, rotating_kg, density_kg_m3, sin_grade, cos_grade : ndarray
        Force at the tread times the rig's mean tractive scale (N).
    reason : ndarray of int
        0 where the sample may be learnt from, else an index into ``gating.REASONS``.
    """

    time_s: FloatArray
    speed_m_s: FloatArray
    force_n: FloatArray
    rotating_kg: FloatArray
    density_kg_m3: FloatArray
    sin_grade: FloatArray
    cos_grade: FloatArray
    reason: NDArray[np.int64]


def read_inputs(trace: pd.DataFrame, rig: Rig) -> Inputs:
    """Force, slope and density over a trace.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns, or what ``prepare`` returns.
    rig : Rig

    Raises
    ------
    InputError
        No force or no grade channel.
    """
    pulled = traction(trace, rig)
    time_s = trace["time_s"].to_numpy(dtype=np.float64)
    speed = trace["speed_m_s"].to_numpy(dtype=np.float64)
    sine, cosine = slope(trace)
    reason = np.array(pulled["set_aside_because"].cat.codes, dtype=np.int64)
    reason[(reason == REASON.known) & ~np.isfinite(sine)] = REASON.no_grade
    gap = np.diff(time_s, prepend=time_s[0]) > LONGEST_STEP_S
    reason[(reason == REASON.known) & gap] = REASON.gap
    return Inputs(
        time_s=time_s,
        speed_m_s=speed,
        force_n=pulled["force_n"].to_numpy() * rig.uncertainty.tractive_scale,
        rotating_kg=pulled["rotating_mass_kg"].to_numpy(),
        density_kg_m3=samples_of(trace)["air_density_kg_m3"].copy(),
        sin_grade=sine,
        cos_grade=cosine,
        reason=reason,
    )


def slope(trace: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Sine and cosine of the road's angle from grade, else altitude, else body accelerometer.

    Altitude is smoothed over the whole trace given, as one does with a log: a slope that walks at
    random over distance (:func:`loadlearn.log.grade.smooth_slope`). The
    accelerometer's dv/dt is taken off by central differences; its pitch bias stays in.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns, n rows.

    Returns
    -------
    sine, cosine : ndarray, shape (n,)
        NaN where not known.

    Raises
    ------
    InputError
        No grade channel.
    """
    source = height_source(trace)
    if source == HEIGHT_FROM_GRADE:
        return grade_angle(trace["grade_percent"].to_numpy(dtype=np.float64))
    time_s = trace["time_s"].to_numpy(dtype=np.float64)
    speed = trace["speed_m_s"].to_numpy(dtype=np.float64)
    if source == HEIGHT_FROM_ALTITUDE:
        altitude = trace["altitude_m"].to_numpy(dtype=np.float64)
        heights = np.where(new_heights(time_s, altitude), altitude, np.nan)
        steps = steps_m(time_s, np.nan_to_num(speed))
        found, _ = smooth_slope(steps, heights, ALTITUDE_SD_M**2, GRADE_WALK_PER_M05**2)
        sine = np.clip(found, -0.6, 0.6)
    else:
        smooth = pd.Series(speed).rolling(_samples(time_s, 1.0), center=True, min_periods=1).mean()
        rise = np.gradient(smooth.to_numpy(), time_s) if len(time_s) > 1 else np.zeros(len(time_s))
        along = trace["accel_long_m_s2"].to_numpy(dtype=np.float64)
        sine = np.clip((along - rise) / GRAVITY_M_S2, -0.6, 0.6)
    return sine, np.sqrt(1.0 - sine * sine)


def _samples(time_s: FloatArray, seconds: float) -> int:
    step = float(np.median(np.diff(time_s))) if len(time_s) > 1 else seconds
    return max(1, 2 * int(0.5 * seconds / max(step, 1e-3)) + 1)


@dataclass(frozen=True)
class Intervals:
    """Force balances over intervals: ``response = regressors @ (m, m c20, CdA) + error``.

    Attributes
    ----------
    end : ndarray of int, shape (k,)
        Index of the sample at which each interval ends.
    time_s, length_s : ndarray, shape (k,)
    regressors : ndarray, shape (k, 3)
        Acceleration with slope (m/s^2), weight on the road per kg (m/s^2), drag per m^2 (N/m^2).
    response : ndarray, shape (k,)
        Mean force at the tread less what the rotating parts take (N).
    """

    end: NDArray[np.int64]
    time_s: FloatArray
    length_s: FloatArray
    regressors: FloatArray
    response: FloatArray


def force_intervals(inputs: Inputs, interval_s: float) -> Intervals:
    """Means of the force balance over intervals in which every sample may be learnt from.

    Parameters
    ----------
    inputs : Inputs
    interval_s : float
        Intervals are at least this long (s).
    """
    time_s, speed = inputs.time_s, inputs.speed_m_s
    usable = (inputs.reason == REASON.known) & np.isfinite(speed)
    coefficient = rolling_coefficient(0.0, SPEED_SLOPE, speed)
    per_mass = resisting_force(
        1.0, coefficient, 0.0, 1.0, speed, 0.0, inputs.sin_grade, inputs.cos_grade
    )
    per_rolling = resisting_force(1.0, 1.0, 0.0, 1.0, speed, 0.0, 0.0, inputs.cos_grade)
    per_drag = drag_force(1.0, inputs.density_kg_m3, speed, 0.0)
    columns = np.column_stack((inputs.force_n, per_mass, per_rolling, per_drag, inputs.rotating_kg))
    columns = np.where(usable[:, None], columns, 0.0)
    steps = np.diff(time_s)
    integral = np.vstack(
        (np.zeros(5), np.cumsum(0.5 * steps[:, None] * (columns[1:] + columns[:-1]), axis=0))
    )
    starts, ends = _cut(time_s, usable, interval_s)
    length = time_s[ends] - time_s[starts]
    mean = (integral[ends] - integral[starts]) / length[:, None]
    acceleration = (speed[ends] - speed[starts]) / length
    regressors = np.column_stack((acceleration + mean[:, 1], mean[:, 2], mean[:, 3]))
    return Intervals(
        end=ends,
        time_s=time_s[ends],
        length_s=length,
        regressors=regressors,
        response=mean[:, 0] - mean[:, 4] * acceleration,
    )


def _cut(
    time_s: FloatArray, usable: NDArray[np.bool_], interval_s: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last sample of each interval, all of whose samples are usable."""
    starts, ends = [], []
    start = -1
    times = time_s.tolist()
    for index, good in enumerate(usable.tolist()):
        if not good or (start >= 0 and times[index] - times[index - 1] > LONGEST_STEP_S):
            start = index if good else -1
            continue
        if start < 0:
            start = index
        elif times[index] - times[start] >= interval_s - 1e-6:
            starts.append(start)
            ends.append(index)
            start = index
    return np.array(starts, dtype=np.int64), np.array(ends, dtype=np.int64)


@dataclass(frozen=True)
class Belief:
    """Beliefs before the drive: mass (kg), rolling resistance at 20 m/s, drag area (m^2)."""

    mass_kg: float
    mass_sd_kg: float
    rolling_resistance: float
    rolling_resistance_sd: float
    drag_area_m2: float
    drag_area_sd_m2: float

    def mean(self) -> FloatArray:
        """Of (m, m c20, CdA), shape (3,)."""
        return np.array([self.mass_kg, self.mass_kg * self.rolling_resistance, self.drag_area_m2])

    def covariance(self) -> FloatArray:
        """Of (m, m c20, CdA), shape (3, 3), with mass and coefficient independent."""
        mass, coefficient = self.mass_sd_kg**2, self.rolling_resistance_sd**2
        product = (
            self.rolling_resistance**2 * mass + self.mass_kg**2 * coefficient + mass * coefficient
        )
        shared = self.rolling_resistance * mass
        return np.array(
            [
                [mass, shared, 0.0],
                [shared, product, 0.0],
                [0.0, 0.0, self.drag_area_sd_m2**2],
            ]
        )


def rig_belief(
    rig: Rig, initial_mass_kg: float | None = None, initial_mass_sd_kg: float | None = None
) -> Belief:
    """What a rig file says before the drive: half-way from its mass to GCM, a sealed road.

    Parameters
    ----------
    rig : Rig
    initial_mass_kg, initial_mass_sd_kg : float, optional
        Another belief about the combined mass (kg).
    """
    vehicle, sealed = rig.vehicle, HANDBOOK_GROUNDS[0]
    span = rig.nominal_gcm_kg - vehicle.mass_kg
    assert vehicle.drag_area_sd_m2 is not None
    return Belief(
        mass_kg=vehicle.mass_kg + 0.5 * span if initial_mass_kg is None else initial_mass_kg,
        mass_sd_kg=0.25 * span if initial_mass_sd_kg is None else initial_mass_sd_kg,
        rolling_resistance=sealed.rolling_resistance,
        rolling_resistance_sd=sealed.rolling_resistance_sd,
        drag_area_m2=vehicle.drag_area_m2,
        drag_area_sd_m2=vehicle.drag_area_sd_m2,
    )


def history(inputs: Inputs, rig: Rig, estimates: FloatArray) -> pd.DataFrame:
    """The columns of the estimates that a baseline can give.

    Parameters
    ----------
    inputs : Inputs
    rig : Rig
    estimates : ndarray, shape (n, 6)
        Mass, its sd, rolling resistance, its sd, drag area, its sd at each sample.

    Returns
    -------
    DataFrame
        One row per sample. A baseline does not know of a tractive scale: its two standard
        deviations of mass are the same, and the ground is always ``sealed``.
    """
    return pd.DataFrame(
        {
            "time_s": inputs.time_s,
            "mass_kg": estimates[:, 0],
            "mass_sd_kg": estimates[:, 1],
            "mass_sd_given_scale_kg": estimates[:, 1],
            "rolling_resistance": estimates[:, 2],
            "rolling_resistance_sd": estimates[:, 3],
            "drag_area_m2": estimates[:, 4],
            "drag_area_sd_m2": estimates[:, 5],
            "surface": pd.Categorical(["sealed"] * len(estimates)),
            "learning": (inputs.reason == REASON.known).astype(np.int8),
            "set_aside_because": pd.Categorical(
                np.array(REASONS, dtype=object)[inputs.reason], categories=list(REASONS)
            ),
            "mass_given_scale_kg": estimates[:, 0] / rig.uncertainty.tractive_scale,
        }
    )
