"""Road grade with its uncertainty, from a grade channel, an altimeter or a body accelerometer.

The estimator itself works on heights and never differentiates (see ``estimation.model``); this
grade is for people, figures and the policy. From an altimeter: a local-linear trend in distance
(height and slope, the slope a random walk), smoothed over the whole log by the Kalman filter and
the Rauch-Tung-Striebel smoother (AIAA J. 3(8), 1965); the altimeter's noise is estimated from the
log's own second differences.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.vehicle.roadload import GRAVITY_M_S2

FloatArray = NDArray[np.float64]

SLOPE_WALK_PER_M05 = 1.5e-3
"""Random walk of the slope over distance: 1.5 % over 100 m (rolling roads; common practice)."""
LEAST_HEIGHT_SD_M = 0.02
PITCH_SD = 0.026
"""A body's pitch against the road, 1.5 degrees (common practice, no source)."""


@jit
def _smooth_height(
    step_m: FloatArray,
    height_m: FloatArray,
    noise_variance: float,
    walk_variance_per_m: float,
    slope: FloatArray,
    slope_variance: FloatArray,
) -> None:
    """Local-linear trend in distance, forwards and back; NaN heights are not measured."""
    n = height_m.size
    mean = np.zeros((n, 2))
    cov = np.zeros((n, 2, 2))
    mean_p = np.zeros((n, 2))
    cov_p = np.zeros((n, 2, 2))
    start = 0.0
    for k in range(n):
        if not math.isnan(height_m[k]):
            start = height_m[k]
            break
    a, b = start, 0.0
    p00, p01, p11 = 100.0, 0.0, 0.01
    for k in range(n):
        d = step_m[k] if k > 0 else 0.0
        a = a + d * b
        q = walk_variance_per_m * d
        p00 = p00 + 2.0 * d * p01 + d * d * p11 + q * d * d / 3.0
        p01 = p01 + d * p11 + q * d / 2.0
        p11 = p11 + q
        mean_p[k, 0], mean_p[k, 1] = a, b
        cov_p[k, 0, 0], cov_p[k, 0, 1], cov_p[k, 1, 0], cov_p[k, 1, 1] = p00, p01, p01, p11
        if not math.isnan(height_m[k]):
            s = p00 + noise_variance
            k0, k1 = p00 / s, p01 / s
            innovation = height_m[k] - a
            a, b = a + k0 * innovation, b + k1 * innovation
            p00, p01, p11 = p00 * (1.0 - k0), p01 * (1.0 - k0), p11 - k1 * p01
        mean[k, 0], mean[k, 1] = a, b
        cov[k, 0, 0], cov[k, 0, 1], cov[k, 1, 0], cov[k, 1, 1] = p00, p01, p01, p11
    slope[n - 1], slope_variance[n - 1] = b, p11
    back = mean[n - 1].copy()
    back_cov = cov[n - 1].copy()
    transition = np.eye(2)
    for k in range(n - 2, -1, -1):
        transition[0, 1] = step_m[k + 1]
        predicted = cov_p[k + 1]
        determinant = predicted[0, 0] * predicted[1, 1] - predicted[0, 1] ** 2
        if determinant <= 1e-30:
            slope[k], slope_variance[k] = back[1], back_cov[1, 1]
            continue
        inverse = np.empty((2, 2))
        inverse[0, 0], inverse[1, 1] = predicted[1, 1] / determinant, predicted[0, 0] / determinant
        inverse[0, 1] = inverse[1, 0] = -predicted[0, 1] / determinant
        gain = cov[k] @ transition.T @ inverse
        back = mean[k] + gain @ (back - mean_p[k + 1])
        back_cov = cov[k] + gain @ (back_cov - predicted) @ gain.T
        slope[k], slope_variance[k] = back[1], back_cov[1, 1]


def height_noise_sd_m(height_m: FloatArray) -> float:
    """Noise of an altimeter from its own second differences (robust).

    For white noise of standard deviation s the second difference has 6 s^2; slow height drops out.

    Parameters
    ----------
    height_m : ndarray, shape (n,)
        New values only: a held altitude is no new measurement.

    Returns
    -------
    float
        Standard deviation (m), at least ``LEAST_HEIGHT_SD_M``.
    """
    if height_m.size < 4:
        return LEAST_HEIGHT_SD_M
    second = np.diff(height_m, 2)
    return max(1.4826 * float(np.median(np.abs(second))) / math.sqrt(6.0), LEAST_HEIGHT_SD_M)


def steps_m(time_s: FloatArray, speed_m_s: FloatArray) -> FloatArray:
    """Way driven from the sample before to each sample (m).

    Parameters
    ----------
    time_s, speed_m_s : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        Zero at the first.
    """
    way = np.concatenate([[0.0], 0.5 * (speed_m_s[1:] + speed_m_s[:-1]) * np.diff(time_s)])
    driven: FloatArray = np.maximum(way, 0.0)
    return driven


def new_heights(time_s: FloatArray, height_m: FloatArray) -> NDArray[np.bool_]:
    """Which heights are measurements: a held value only repeats the last one.

    Parameters
    ----------
    time_s, height_m : ndarray, shape (n,)
        NaN where there is no height.

    Returns
    -------
    ndarray of bool, shape (n,)
        One that stays for a second is a measurement again.
    """
    new = np.isfinite(height_m) & (np.concatenate([[np.nan], height_m[:-1]]) != height_m)
    last_s, seen = -np.inf, np.zeros(height_m.size, dtype=bool)
    for k in np.flatnonzero(np.isfinite(height_m)):
        if new[k] or time_s[k] - last_s >= 0.95:
            seen[k], last_s = True, time_s[k]
    return seen


def _from_heights(time_s: FloatArray, speed: FloatArray, altitude: FloatArray) -> FloatArray:
    """Slope and its sd (tangent), shape (2, n), from an altimeter."""
    seen = new_heights(time_s, altitude)
    measured = np.where(seen, altitude, np.nan)
    slope, variance = np.empty(altitude.size), np.empty(altitude.size)
    _smooth_height(
        steps_m(time_s, speed),
        measured,
        height_noise_sd_m(altitude[seen]) ** 2,
        SLOPE_WALK_PER_M05**2,
        slope,
        variance,
    )
    return np.vstack([slope, np.sqrt(np.maximum(variance, 0.0))])


def road_grade(trace: pd.DataFrame) -> pd.DataFrame:
    """Road grade over a whole log, and how sure it is.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns, n rows: a grade channel is taken as it is, else the altitude, else the
        body accelerometer less the change of speed.

    Returns
    -------
    DataFrame
        n rows: ``grade_percent``, ``grade_sd_percent``; NaN where nothing says.
    """
    n = len(trace)

    def column(name: str) -> FloatArray | None:
        if name not in trace.columns or not trace[name].notna().any():
            return None
        return trace[name].to_numpy(dtype=np.float64)

    time_s = trace["time_s"].to_numpy(dtype=np.float64)
    speed = np.nan_to_num(trace["speed_m_s"].to_numpy(dtype=np.float64))
    grade, altitude, accel = (
        column("grade_percent"),
        column("altitude_m"),
        column("accel_long_m_s2"),
    )
    if grade is not None:
        # Without a second witness the channel's own scatter is what can be told.
        scatter = height_noise_sd_m(grade[np.isfinite(grade)])
        return pd.DataFrame({"grade_percent": grade, "grade_sd_percent": np.full(n, scatter)})
    if altitude is not None:
        slope, sd = _from_heights(time_s, speed, altitude)
    elif accel is not None:
        change = np.gradient(speed, time_s) if n > 1 else np.zeros(n)
        sine = np.clip((accel - change) / GRAVITY_M_S2, -0.6, 0.6)
        slope = sine / np.sqrt(1.0 - sine * sine)
        sd = np.full(n, PITCH_SD)
    else:
        slope, sd = np.full(n, np.nan), np.full(n, np.nan)
    return pd.DataFrame({"grade_percent": 100.0 * slope, "grade_sd_percent": 100.0 * sd})
