"""The Kalman filter of one hypothesis: what is believed is a normal law, mean and covariance.

With the state x, its covariance P, a transition f with Jacobian F and process noise Q, and a scalar
measurement y = m'x + noise of variance R, the textbook's two steps are::

    predict   x <- f(x)                P <- F P F' + Q
    update    nu = y - m'x             what is new in the measurement (innovation)
              S  = m'P m + R           its variance
              x <- x + P m nu / S      P <- P - P m m'P / S

(Kalman, J. Basic Eng. 82(1), 1960; extended to a nonlinear f, which here is nearly linear:
Bar-Shalom, Li & Kirubarajan, *Estimation with Applications to Tracking and Navigation*, 2001,
chapters 5 and 10; from memory.) Two traits of the model make each step cost n^2 operations: only
the first state moves, so that F is the identity but for its first row, and what is measured reads
three states only. Everything is done in place.

All hypotheses have as many states as the model (a constant: the compiler then unrolls the loops),
and the arrays of a call are distinct in memory, which is what lets it use vector instructions.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.estimation.model import MEASURED, N_STATES
from loadlearn.estimation.normal import truncated_normal

FloatArray = NDArray[np.float64]

_HALF_LOG_TWO_PI = 0.9189385332046727
POINT_SHARE = 4e-4
"""An interval whose half width squared is below this share of the variance is a point."""
ILL_CONDITIONED = 1e3
"""Variance of the first state over the measurement's from which its row is computed anew."""


@jit(distinct=True)
def predict(
    state: FloatArray,
    covariance: FloatArray,
    first_row: FloatArray,
    predicted: float,
    variance: float,
    cross: FloatArray,
) -> None:
    """Carry a hypothesis over an interval, in place: the first state moves, the others stay.

    Parameters
    ----------
    state, covariance : ndarray, shapes (n,) and (n, n)
    first_row : ndarray, shape (n,)
        Of the Jacobian F.
    predicted : float
        The first state at the interval's end, f(x).
    variance : float
        Process noise of the first state.
    cross : ndarray, shape (n,)
        Scratch; receives F's first row times P.
    """
    for j in range(N_STATES):
        cross[j] = 0.0
    for i in range(N_STATES):
        for j in range(N_STATES):
            cross[j] += first_row[i] * covariance[i, j]
    for i in range(N_STATES):
        variance += first_row[i] * cross[i]
    for j in range(N_STATES):
        covariance[0, j] = cross[j]
    for j in range(N_STATES):
        covariance[j, 0] = cross[j]
    covariance[0, 0] = variance
    state[0] = predicted


@jit(distinct=True)
def relax(
    state: FloatArray, covariance: FloatArray, index: int, factor: float, gained: float
) -> None:
    """Let one state relax: multiplied by a factor, its variance gaining something, in place."""
    state[index] *= factor
    for j in range(N_STATES):
        covariance[index, j] *= factor
    for j in range(N_STATES):
        covariance[j, index] *= factor
    covariance[index, index] += gained


@jit(distinct=True)
def measured_cross(
    covariance: FloatArray, reads: tuple[float, float, float], cross: FloatArray
) -> float:
    """Covariance of each state with what is measured, P m, and the variance m'P m.

    Parameters
    ----------
    covariance : ndarray, shape (n, n)
    reads : tuple of 3 floats
        What the measurement reads of each of the ``MEASURED`` states; of the first, 1.
    cross : ndarray, shape (n,)
        Receives P m.
    """
    for j in range(N_STATES):
        cross[j] = (
            covariance[MEASURED[0], j]
            + reads[1] * covariance[MEASURED[1], j]
            + reads[2] * covariance[MEASURED[2], j]
        )
    return cross[MEASURED[0]] + reads[1] * cross[MEASURED[1]] + reads[2] * cross[MEASURED[2]]


@jit(distinct=True)
def measured_mean(state: FloatArray, reads: tuple[float, float, float]) -> float:
    """What the measurement is expected to be, m'x."""
    return state[MEASURED[0]] + reads[1] * state[MEASURED[1]] + reads[2] * state[MEASURED[2]]


@jit(distinct=True)
def update(
    state: FloatArray,
    covariance: FloatArray,
    measured: float,
    reads: tuple[float, float, float],
    noise_variance: float,
    half_width: float,
    cross: FloatArray,
) -> tuple[float, float, float]:
    """Update a hypothesis with one measurement, in place.

    A value read in whole units is an interval, not a point: the posterior given
    ``|y - m'x - noise| <= half_width`` is matched in its first two moments (assumed-density
    filtering; a truncated normal in the direction of the innovation).

    Parameters
    ----------
    state, covariance : ndarray, shapes (n,) and (n, n)
    measured : float
        y, or the middle of its interval.
    reads : tuple of 3 floats
        m; as in :func:`measured_cross`.
    noise_variance : float
        R.
    half_width : float
        Half the interval's width; 0 for a point.
    cross : ndarray, shape (n,)
        Scratch.

    Returns
    -------
    log_likelihood : float
        Of the measurement.
    innovation : float
        What is new in it, nu; of an interval, its expectation.
    normalised : float
        The innovation over its sd.
    """
    variance = measured_cross(covariance, reads, cross) + noise_variance
    innovation = measured - measured_mean(state, reads)
    reduction = 1.0 / variance
    shift = innovation * reduction
    kept = noise_variance * reduction
    normalised = innovation * math.sqrt(reduction)
    log_likelihood = 0.5 * math.log(reduction) - 0.5 * innovation * shift - _HALF_LOG_TWO_PI
    if half_width * half_width > POINT_SHARE * variance:
        sd = math.sqrt(variance)
        inside, mean, spread = truncated_normal(
            (innovation - half_width) / sd, (innovation + half_width) / sd
        )
        shift = mean / sd
        reduction = (1.0 - spread) / variance
        kept = spread + reduction * noise_variance
        innovation, normalised = mean * sd, mean
        if inside > 0.0:
            log_likelihood = math.log(inside / (2.0 * half_width))
        else:
            log_likelihood = -0.5 * mean * mean - math.log(sd) - _HALF_LOG_TWO_PI
    ill_conditioned = cross[0] > ILL_CONDITIONED * noise_variance
    # Half of the reduction to either factor: both triangles then round alike.
    root = math.sqrt(reduction)
    for i in range(N_STATES):
        state[i] += cross[i] * shift
    for j in range(N_STATES):
        cross[j] *= root
    for i in range(N_STATES):
        for j in range(N_STATES):
            covariance[i, j] -= cross[i] * cross[j]
    if ill_conditioned and root > 0.0:
        # After a stretch of unknown force the first row is a small difference of large numbers.
        # Without that: m'P = kept x (m'P before).
        for j in range(1, N_STATES + 1):
            i = j % N_STATES
            value = (
                cross[i] / root * kept
                - reads[1] * covariance[MEASURED[1], i]
                - reads[2] * covariance[MEASURED[2], i]
            )
            covariance[0, i] = value
            covariance[i, 0] = value
    return log_likelihood, innovation, normalised


@jit(distinct=True)
def set_first(
    state: FloatArray,
    covariance: FloatArray,
    measured: float,
    reads: tuple[float, float, float],
    variance: float,
) -> None:
    """The first measurement, in place: nothing was known of the first state before it.

    Parameters
    ----------
    state, covariance, measured, reads
        As in :func:`update`.
    variance : float
        Of the measurement.
    """
    state[0] = measured - reads[1] * state[MEASURED[1]] - reads[2] * state[MEASURED[2]]
    for j in range(1, N_STATES + 1):
        i = j % N_STATES
        value = -reads[1] * covariance[MEASURED[1], i] - reads[2] * covariance[MEASURED[2], i]
        covariance[0, i] = value
        covariance[i, 0] = value
    covariance[0, 0] += variance


@jit(distinct=True)
def hold_between(
    state: FloatArray,
    covariance: FloatArray,
    index: int,
    low: float,
    high: float,
    cross: FloatArray,
) -> float:
    """Hold one state to what it can be, in place.

    When most of the normal lies outside the bounds, its moments are matched to the normal
    truncated there.

    Parameters
    ----------
    state, covariance : ndarray, shapes (n,) and (n, n)
    index : int
        Of the state.
    low, high : float
    cross : ndarray, shape (n,)
        Scratch.

    Returns
    -------
    float
        Log of the probability that the bounds hold; 0 when enough of it lies inside.
    """
    if low <= state[index] <= high:
        return 0.0
    sd = math.sqrt(max(covariance[index, index], 1e-12))
    inside, shift, kept = truncated_normal((low - state[index]) / sd, (high - state[index]) / sd)
    if inside > 0.4:
        return 0.0
    root = math.sqrt(1.0 - max(kept, 0.01))
    for j in range(N_STATES):
        cross[j] = covariance[index, j] / sd
    for i in range(N_STATES):
        state[i] += cross[i] * shift
    for j in range(N_STATES):
        cross[j] *= root
    for i in range(N_STATES):
        for j in range(N_STATES):
            covariance[i, j] -= cross[i] * cross[j]
    return math.log(max(inside, 1e-9))


@jit(distinct=True)
def redraw(
    state: FloatArray, covariance: FloatArray, index: int, mean: float, variance: float
) -> None:
    """Forget one state for a new belief about it, uncorrelated with the others, in place."""
    state[index] = mean
    for j in range(N_STATES):
        covariance[index, j] = 0.0
    for j in range(N_STATES):
        covariance[j, index] = 0.0
    covariance[index, index] = variance


@jit(distinct=True)
def copy(
    state: FloatArray,
    covariance: FloatArray,
    other_state: FloatArray,
    other_covariance: FloatArray,
) -> None:
    """Let a hypothesis be the same as another, in place."""
    for i in range(N_STATES):
        state[i] = other_state[i]
        for j in range(N_STATES):
            covariance[i, j] = other_covariance[i, j]


@jit(distinct=True)
def merge(
    state: FloatArray,
    covariance: FloatArray,
    weight: float,
    other_state: FloatArray,
    other_covariance: FloatArray,
    other_weight: float,
) -> None:
    """Merge another hypothesis into this one, in place: mean and covariance of the mixture.

    ``P = a P1 + b P2 + a b (x2 - x1)(x2 - x1)'`` and ``x = x1 + b (x2 - x1)``, with the shares a
    and b of the two.

    Parameters
    ----------
    state, covariance : ndarray, shapes (n,) and (n, n)
    weight : float
        Of this hypothesis; not negative.
    other_state, other_covariance : ndarray, shapes (n,) and (n, n)
    other_weight : float
    """
    total = weight + other_weight
    if total <= 0.0:
        return
    a, b = weight / total, other_weight / total
    for i in range(N_STATES):
        for j in range(N_STATES):
            apart = (other_state[i] - state[i]) * (other_state[j] - state[j])
            covariance[i, j] = a * covariance[i, j] + b * other_covariance[i, j] + a * b * apart
    for i in range(N_STATES):
        state[i] += b * (other_state[i] - state[i])
