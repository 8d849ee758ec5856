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


def _fit_level(
    way_m: FloatArray, change_m: FloatArray, walk: float
) -> tuple[float, float, FloatArray]:
    """Likelihood of a local level, and the noise at each height given all of the drive.

    Parameters
    ----------
    way_m, change_m : ndarray, shape (n,)
        Between one height seen and the next.
    walk : float
        Variance per metre, relative to the noise's.

    Returns
    -------
    log_likelihood, noise_variance : float
        With the noise's variance at its most likely value (concentrated out); nothing was known of
        the datum.
    noise_m : ndarray, shape (n + 1,)
        Of the altimeter, in each height seen.
    """
    from scipy.linalg.lapack import dpttrf, dpttrs

    # Each change is a step of the walk and the noise at either end: tridiagonal.
    diagonal, beside, _ = dpttrf(walk * way_m + 2.0, np.full(way_m.size - 1, -1.0))
    weighed, _ = dpttrs(diagonal, beside, change_m)
    # Not ``@``: of long rows it takes both processors for longer than one needs.
    variance = max(float(np.sum(change_m * weighed)) / change_m.size, 1e-12)
    logs = float(np.log(diagonal).sum()) + change_m.size * math.log(variance)
    return -0.5 * logs, variance, -np.diff(weighed, prepend=0.0, append=0.0)


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
    distance = np.cumsum(way)
    at, difference = distance[seen], (altitude_m - climbed)[seen]
    steps, changes = np.diff(at), np.diff(difference)

    def cost(log_walk: float) -> float:
        return -_fit_level(steps, changes, math.exp(log_walk))[0]

    best = minimize_scalar(cost, bounds=(-16.0, 4.0), method="bounded", options={"xatol": 0.05})
    walk = math.exp(float(best.x))
    _, variance, noise = _fit_level(steps, changes, walk)
    # Between two heights a walk goes straight on, as far as anyone can tell.
    level = np.interp(distance, at, difference - noise)
    return Difference(distance, level - level[0], walk * variance, math.sqrt(variance))


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
