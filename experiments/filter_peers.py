"""Peers of the compiled filter for one hypothesis, on the same model: a loop fused by hand, and
statsmodels.

Neither shares the package's Kalman steps; the model's own functions (force balance, levels of
noise) are the package's, so that what differs is the filter alone.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadlearn.estimation.model import (
    N_STATES,
    SLOW,
    STATE,
    measurement_row,
    measurement_variance,
    process_variance,
    relaxation,
    transition,
    unevenness,
)
from loadlearn.study import problem, reference

FloatArray = NDArray[np.float64]


# --- fused by hand -------------------------------------------------------------------------------
@functools.cache
def _fused() -> Callable[..., Any]:
    """One loop over the rows, all in it, compiled when first needed."""
    import numba

    f, q, r = transition.compiled(), process_variance.compiled(), measurement_variance.compiled()
    reads_of, uneven, relaxes = (
        one.compiled() for one in (measurement_row, unevenness, relaxation)
    )
    n, roll, gust = N_STATES, STATE.rolling_resistance, STATE.disturbance
    phi, slip = STATE.inverse_mass_per_kg, STATE.slip_per_n

    @numba.njit(nogil=True, error_model="numpy", fastmath={"contract"})
    def loop(rows, x, p, here, noise, elapsed_s, states, covariances, keep):  # type: ignore[no-untyped-def]
        s, c, scale, datum = np.empty(n), np.empty(n), np.ones(n), False
        for k in range(rows.size):
            row = rows[k]
            if elapsed_s[k] > 0.0:
                for i in range(n):
                    scale[i] = 1.0
                for i in SLOW:
                    scale[i] = relaxes(i, elapsed_s[k], noise)[0]
                for i in range(n):
                    x[i] *= scale[i]
                    for j in range(n):
                        p[i, j] *= scale[i] * scale[j]
                for i in SLOW:
                    p[i, i] += relaxes(i, elapsed_s[k], noise)[1]
            level, walk = uneven(x[roll], here.mean, here.texture, here.mean, noise)
            added = q(x[phi], row, noise)
            if row.known > 0.5:
                moved = f(x, row, s)
                for j in range(n):
                    c[j] = 0.0
                for i in range(n):
                    for j in range(n):
                        c[j] += s[i] * p[i, j]
                for i in range(n):
                    added += s[i] * c[i]
                for j in range(n):
                    p[0, j] = c[j]
                    p[j, 0] = c[j]
                p[0, 0] = added
                x[0] = moved
                p[roll, roll] += walk * row.dt_s
            else:
                p[0, 0] += added
            kept = math.exp(-row.dt_s / noise.disturbance_time_s)
            x[gust] *= kept
            for j in range(n):
                p[gust, j] *= kept
            for j in range(n):
                p[j, gust] *= kept
            p[gust, gust] += level * (1.0 - kept * kept)
            y = row.measured_m
            if not math.isnan(y):
                m = reads_of(row)
                variance = r(row, noise)
                if datum:
                    for j in range(n):
                        c[j] = p[0, j] + m[1] * p[phi, j] + m[2] * p[slip, j]
                    total = c[0] + m[1] * c[phi] + m[2] * c[slip] + variance
                    new = (y - x[0] - m[1] * x[phi] - m[2] * x[slip]) / total
                    for i in range(n):
                        x[i] += c[i] * new
                        gain = c[i] / total
                        for j in range(n):
                            p[i, j] -= gain * c[j]
                else:
                    datum = True
                    x[0] = y - m[1] * x[phi] - m[2] * x[slip]
                    for j in range(1, n):
                        p[0, j] = -m[1] * p[phi, j] - m[2] * p[slip, j]
                        p[j, 0] = p[0, j]
                    p[0, 0] = -m[1] * p[0, phi] - m[2] * p[0, slip] + variance
            if keep:
                states[k] = x
                covariances[k] = p

    return loop


def run_fused(
    given: problem.Problem, elapsed_s: FloatArray, keep: bool = True
) -> reference.Trajectory:
    """One hypothesis in one loop, fused by hand.

    Parameters
    ----------
    given : Problem
        With one mode.
    elapsed_s : ndarray, shape (rows,)
        From :func:`loadlearn.study.problem.turns`.
    keep : bool
        False for the posterior after the last row only.
    """
    count = len(given.rows) if keep else 1
    state, covariance = given.states[0].copy(), given.covariances[0].copy()
    states = np.empty((count, N_STATES))
    covariances = np.empty((count, N_STATES, N_STATES))
    here = given.grounds[0]
    _fused()(given.rows, state, covariance, here, given.noise, elapsed_s, states, covariances, keep)
    if not keep:
        states[0], covariances[0] = state, covariance
    return reference.Trajectory(states[:, None], covariances[:, None], np.ones((count, 1)))


# --- statsmodels ---------------------------------------------------------------------------------
def linear_model(given: problem.Problem, found: reference.Trajectory) -> Any:
    """The model about a trajectory as a linear one with matrices for every row, in statsmodels.

    An extended Kalman filter *is* the Kalman filter of its model made linear where it stands; those
    places are given here, and so is the first measurement, before which no height is known.

    Parameters
    ----------
    given : Problem
        With one mode.
    found : Trajectory
        Whose states the model is made linear about.

    Returns
    -------
    KalmanFilter
        From the row after the first measurement on.
    """
    from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

    rows, noise = given.rows, given.noise
    first = int(np.argmax(np.isfinite(rows["measured_m"]))) + 1
    count, elapsed_s = len(rows) - first, problem.turns(rows, noise)[1]
    moves, steps = np.zeros((N_STATES, N_STATES, count)), np.zeros((N_STATES, count))
    added, reads = np.zeros((N_STATES, N_STATES, count)), np.zeros((1, N_STATES, count))
    variance = np.zeros((1, 1, count))
    for place, (row, elapsed) in enumerate(zip(rows[first:], elapsed_s[first:], strict=True)):
        state, slow = found.states[first + place - 1, 0], []
        if elapsed > 0.0:
            slow = reference.slow_levels(elapsed, noise)
        before, gained = reference.relaxed(slow)
        state = before @ state
        levels, walk = reference.ground_levels(state, row, 0, given.grounds, noise)
        own = reference.process_noise(float(state[STATE.inverse_mass_per_kg]), row, noise, walk)
        matrix, constant = np.eye(N_STATES), np.zeros(N_STATES)
        if row["known"] > 0.5:
            predicted, matrix = reference.jacobian(state, row)
            constant = predicted - matrix @ state
        after, disturbed = reference.relaxed(levels)
        moves[..., place] = after @ matrix @ before
        steps[:, place] = after @ constant
        own = matrix @ gained @ matrix.T + own
        added[..., place] = after @ own @ after.T + disturbed
        reads[..., place] = reference.measurement_matrix(row)
        variance[0, 0, place] = measurement_variance(row, noise)
    made = KalmanFilter(k_endog=1, k_states=N_STATES, selection=np.eye(N_STATES))
    # There what a row does is done after its measurement: from each row to the next.
    at, spread = found.states[first - 1, 0], found.covariances[first - 1, 0]
    made.bind(np.ascontiguousarray(rows["measured_m"][first:]))
    made["design"], made["obs_cov"] = reads, variance
    made["transition"] = np.roll(moves, -1, axis=2)
    made["state_intercept"] = np.roll(steps, -1, axis=1)
    made["state_cov"] = np.roll(added, -1, axis=2)
    start = moves[..., 0] @ at + steps[:, 0]
    made.initialize_known(start, moves[..., 0] @ spread @ moves[..., 0].T + added[..., 0])
    return made


def trajectory_of(result: Any) -> reference.Trajectory:
    """What statsmodels' filter found, row by row."""
    states = np.ascontiguousarray(result.filtered_state.T)[:, None]
    covariances = np.ascontiguousarray(result.filtered_state_cov.transpose(2, 0, 1))[:, None]
    return reference.Trajectory(states, covariances, np.ones((len(states), 1)))
