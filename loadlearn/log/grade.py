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

from loadlearn.vehicle.roadload import GRAVITY_M_S2

FloatArray = NDArray[np.float64]

SLOPE_WALK_PER_M05 = 1.5e-3
"""Random walk of the slope over distance: 1.5 % over 100 m (rolling roads; common practice)."""
LEAST_HEIGHT_SD_M = 0.02
PITCH_SD = 0.026
"""A body's pitch against the road, 1.5 degrees (common practice, no source)."""


def smooth_slope(
    step_m: FloatArray, height_m: FloatArray, noise: float, walk: float
) -> tuple[FloatArray, FloatArray]:
    """Slope and its variance by a local-linear trend in distance; NaN heights are not measured.

    Backwards run the sums of what later heights say of each prediction (Durbin & Koopman, *Time
    Series Analysis by State Space Methods*, 4.4, from memory): nothing is inverted.

    Parameters
    ----------
    step_m, height_m : ndarray, shape (n,)
    noise : float
        Variance of a height (m^2).
    walk : float
        Variance that the slope gains per metre.

    Returns
    -------
    slope, variance : ndarray, shape (n,)
    """
    # Plain numbers: a tenth of a second for an hour at 10 Hz, less than compiling this takes.
    steps, heights = step_m.tolist(), height_m.tolist()
    predicted = []
    a, b = next((height for height in heights if height == height), 0.0), 0.0
    p00, p01, p11 = 100.0, 0.0, 0.01
    for d, height in zip(steps, heights, strict=True):
        a += d * b
        q = walk * d
        p00 += 2.0 * d * p01 + d * d * p11 + q * d * d / 3.0
        p01 += d * p11 + q * d / 2.0
        p11 += q
        innovation = height - a
        predicted.append((b, p00, p01, p11, innovation))
        if innovation == innovation:
            gain, turn = p00 / (p00 + noise), p01 / (p00 + noise)
            a += gain * innovation
            b += turn * innovation
            p00, p01, p11 = p00 * (1.0 - gain), p01 * (1.0 - gain), p11 - turn * p01
    slope, variance = np.empty(len(steps)), np.empty(len(steps))
    # Of height and slope: the gradient of the log-likelihood of what follows, and its information.
    r0, r1, n00, n01, n11 = 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(len(steps) - 1, -1, -1):
        b, p00, p01, p11, innovation = predicted[k]
        if innovation == innovation:
            total = p00 + noise
            left, turn = noise / total, p01 / total
            r0 = left * r0 - turn * r1 + innovation / total
            n00 = left * left * n00 - 2.0 * left * turn * n01 + turn * turn * n11 + 1.0 / total
            n01 = left * n01 - turn * n11
        slope[k] = b + p01 * r0 + p11 * r1
        variance[k] = p11 - (p01 * p01 * n00 + 2.0 * p01 * p11 * n01 + p11 * p11 * n11)
        d = steps[k]
        r1 += d * r0
        n11 += 2.0 * d * n01 + d * d * n00
        n01 += d * n00
    return slope, variance


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
    slope, variance = smooth_slope(
        steps_m(time_s, speed),
        np.where(seen, altitude, np.nan),
        height_noise_sd_m(altitude[seen]) ** 2,
        SLOPE_WALK_PER_M05**2,
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
