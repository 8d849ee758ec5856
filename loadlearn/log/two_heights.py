"""A grade channel and an altimeter in one log: each is good where the other is not.

A grade channel tells small hills and loses the height by a random walk as its errors add up; an
altimeter keeps the height, but for its drift, and its noise hides small hills. Their difference
along the road is a random walk seen through white noise, a *local level* (Harvey, *Forecasting,
Structural Time Series Models and the Kalman Filter*, 1989, from memory), whose two levels come
from the log by maximum likelihood. What the difference cannot tell is how much of the walk is the
grade's and how much the altimeter's: that share is found with the force balance
(:mod:`loadlearn.estimation.prepare`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.log.grade import new_heights, steps_m

FloatArray = NDArray[np.float64]

LEAST_HEIGHTS = 300
"""Fewer heights than this tell too little of the two levels."""
LEAST_DISTANCE_M = 2000.0


class Difference(NamedTuple):
    """The altimeter's height less the height that the grade adds up to, along a drive.

    Attributes
    ----------
    distance_m : ndarray, shape (n,)
    level_m : ndarray, shape (n,)
        The difference without the altimeter's noise, from zero at the start (m).
    walk_per_m : float
        Variance that it gains per metre (m^2/m).
    noise_sd_m : float
        White noise of the altimeter (m).
    """

    distance_m: FloatArray
    level_m: FloatArray
    walk_per_m: float
    noise_sd_m: float


@jit
def _filter_level(
    step_m: FloatArray,
    difference_m: FloatArray,
    walk: float,
    mean: FloatArray,
    variance: FloatArray,
) -> tuple[float, float]:
    """Local level, forwards; variances relative to the noise's. NaN is not measured.

    Returns
    -------
    log_likelihood, noise_variance : float
        With the noise's variance at its most likely value (concentrated out).
    """
    level, spread, begun = 0.0, 0.0, False
    logs, squares, count = 0.0, 0.0, 0
    for k in range(step_m.size):
        spread += walk * step_m[k]
        value = difference_m[k]
        if not math.isnan(value):
            if begun:
                total = spread + 1.0
                innovation = value - level
                logs += math.log(total)
                squares += innovation * innovation / total
                count += 1
                level += spread / total * innovation
                spread /= total
            else:
                # Nothing was known of the datum.
                begun, level, spread = True, value, 1.0
        mean[k], variance[k] = level, spread
    noise = max(squares / max(count, 1), 1e-12)
    return -0.5 * (logs + count * math.log(noise)), noise


@jit
def _smooth_level(step_m: FloatArray, walk: float, mean: FloatArray, variance: FloatArray) -> None:
    """The level given all of the drive, in place of ``mean`` (Rauch, Tung & Striebel, 1965)."""
    for k in range(step_m.size - 2, -1, -1):
        predicted = variance[k] + walk * step_m[k + 1]
        if predicted > 0.0:
            mean[k] += variance[k] / predicted * (mean[k + 1] - mean[k])


def difference_of_heights(
    time_s: FloatArray, speed_m_s: FloatArray, slope_sin: FloatArray, altitude_m: FloatArray
) -> Difference | None:
    """How far the altimeter's height and the grade's run apart, without the altimeter's noise.

    Parameters
    ----------
    time_s, speed_m_s, slope_sin, altitude_m : ndarray, shape (n,)
        NaN where a channel did not report.

    Returns
    -------
    Difference or None
        None where the two have too little in common.
    """
    from scipy.optimize import minimize_scalar

    way, slope = steps_m(time_s, np.nan_to_num(speed_m_s)), np.nan_to_num(slope_sin)
    climbed = np.cumsum(0.5 * (slope + np.concatenate([slope[:1], slope[:-1]])) * way)
    seen = new_heights(time_s, altitude_m) & np.isfinite(slope_sin) & np.isfinite(speed_m_s)
    if np.count_nonzero(seen) < LEAST_HEIGHTS or way.sum() < LEAST_DISTANCE_M:
        return None
    difference = np.where(seen, altitude_m - climbed, np.nan)
    mean, variance = np.empty(time_s.size), np.empty(time_s.size)

    def cost(log_walk: float) -> float:
        found, _ = _filter_level(way, difference, math.exp(log_walk), mean, variance)
        return -float(found)

    best = minimize_scalar(cost, bounds=(-16.0, 4.0), method="bounded", options={"xatol": 0.05})
    walk = math.exp(float(best.x))
    _, noise = _filter_level(way, difference, walk, mean, variance)
    _smooth_level(way, walk, mean, variance)
    return Difference(np.cumsum(way), mean - mean[0], walk * float(noise), math.sqrt(noise))


def corrected_slope(slope_sin: FloatArray, apart: Difference, share: float) -> FloatArray:
    """The grade's slope, bent so that its height follows the altimeter's by a share.

    Parameters
    ----------
    slope_sin : ndarray, shape (n,)
    apart : Difference
    share : float
        Of the difference that is the grade's error, 0 to 1.

    Returns
    -------
    ndarray, shape (n,)
        Sine of the slope; between two samples it adds up to the grade's and that share of the
        difference.
    """
    step = np.diff(apart.distance_m)
    missed = np.zeros(step.size)
    moved = step > 0.01
    missed[moved] = share * np.diff(apart.level_m)[moved] / step[moved]
    padded = np.concatenate([missed[:1], missed, missed[-1:]])
    bent: FloatArray = np.clip(slope_sin + 0.5 * (padded[1:] + padded[:-1]), -0.6, 0.6)
    return bent
