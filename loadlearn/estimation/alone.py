"""One hypothesis alone (one ground, one load): prediction and update of a row fused into one pass.

The arithmetic is that of :mod:`loadlearn.estimation.filter`, which runs many hypotheses side by
side; the model's functions are the same. With a single hypothesis there is nothing to weigh, mix or
temper, the covariance's rows are contiguous, and four neighbours in a row share one instruction.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.estimation.layout import (
    F_LEARNT_S,
    F_LOG_LIKELIHOOD,
    F_SINCE_MIX_S,
    F_SINCE_RELAX_S,
    F_SINCE_TIDY_S,
    L_SINCE_S,
)
from loadlearn.estimation.model import (
    ACCESSORY,
    COLD,
    DISTURBANCE,
    ENERGY,
    PHI,
    R_DT,
    R_HALF,
    R_KNOWN,
    R_ROT,
    R_SLIP,
    R_SPEED,
    R_STILL,
    R_Y,
    ROLL,
    SLIP,
    WIND,
    Grounds,
    Noise,
    measurement_variance,
    process_variance,
    row_sensitivities,
    slow_relaxation,
    unevenness,
)
from loadlearn.vehicle.roadload import GRAVITY_M_S2

FloatArray = NDArray[np.float64]
_HALF_LOG_TWO_PI = 0.9189385332046727
POINT_SHARE = 4e-4
"""An interval whose half width squared is below this share of the variance is a point."""
ILL_CONDITIONED = 1e3
"""Variance of the energy height over that of its measurement from which its row is recomputed."""


@jit
def _relax(covariance: FloatArray, index: int, factor: float, gained: float) -> None:
    """Scale one state by ``factor`` and add ``gained`` to its variance, in place."""
    for j in range(covariance.shape[0]):
        value = factor * covariance[index, j]
        covariance[index, j] = value
        covariance[j, index] = value
    covariance[index, index] = factor * covariance[index, index] + gained


@jit
def _dense_row_times(covariance: FloatArray, sensitivity: FloatArray, cross: FloatArray) -> None:
    """``cross[j] = sum_i sensitivity[i, 0] covariance[i, j]``."""
    n = covariance.shape[0]
    whole = n - n % 4
    for j in range(0, whole, 4):
        s0, s1, s2, s3 = 0.0, 0.0, 0.0, 0.0
        for i in range(n):
            factor = sensitivity[i, 0]
            s0 += factor * covariance[i, j]
            s1 += factor * covariance[i, j + 1]
            s2 += factor * covariance[i, j + 2]
            s3 += factor * covariance[i, j + 3]
        cross[j] = s0
        cross[j + 1] = s1
        cross[j + 2] = s2
        cross[j + 3] = s3
    for j in range(whole, n):
        s0 = 0.0
        for i in range(n):
            s0 += sensitivity[i, 0] * covariance[i, j]
        cross[j] = s0


@jit
def _downdate(covariance: FloatArray, cross: FloatArray, reduction: float) -> None:
    """``covariance[i, j] -= cross[i] reduction cross[j]``, in place."""
    n = covariance.shape[0]
    whole = n - n % 4
    for i in range(n):
        factor = cross[i] * reduction
        for j in range(0, whole, 4):
            v0 = covariance[i, j] - factor * cross[j]
            v1 = covariance[i, j + 1] - factor * cross[j + 1]
            v2 = covariance[i, j + 2] - factor * cross[j + 2]
            v3 = covariance[i, j + 3] - factor * cross[j + 3]
            covariance[i, j] = v0
            covariance[i, j + 1] = v1
            covariance[i, j + 2] = v2
            covariance[i, j + 3] = v3
        for j in range(whole, n):
            covariance[i, j] -= factor * cross[j]


@jit
def filter_alone(
    rows: FloatArray,
    first: int,
    count: int,
    memory: FloatArray,
    state: FloatArray,
    covariance: FloatArray,
    load: FloatArray,
    grounds: Grounds,
    noise: Noise,
) -> int:
    """Run one hypothesis over rows, in place, until a row needs more than that.

    Parameters
    ----------
    rows : ndarray, shape (at least count, 30)
    first, count : int
        Rows ``first`` to ``count - 1`` at most.
    memory : ndarray, shape (18,)
    state : ndarray, shape (n, 1)
    covariance : ndarray, shape (n, n)
    load : ndarray, shape (21,)
        As in :mod:`loadlearn.estimation.layout`.
    grounds : Grounds
        With one mode.
    noise : Noise

    Returns
    -------
    int
        The first row that was not run: ``count``, or one before which a load may have been
        changed, or one whose measurement is an interval (the general loop has those).
    """
    n = state.shape[0]
    mean, texture = grounds.mean[0], grounds.texture[0]
    sensitivity, predicted, cross = np.zeros((n, 1)), np.zeros(1), np.zeros(n)
    since_mix, since_relax = memory[F_SINCE_MIX_S], memory[F_SINCE_RELAX_S]
    driven, log_likelihood = 0.0, 0.0
    factor_dt, factor = -1.0, 1.0
    index = first
    while index < count:
        row = rows[index]
        if row[R_STILL] > 3.0:
            break
        dt = row[R_DT]
        known = row[R_KNOWN] > 0.5
        # What the general loop treats with more care is left to it: before anything is changed.
        half_width = row[R_HALF] * row[R_SPEED] / GRAVITY_M_S2
        noise_variance = measurement_variance(row, noise)
        if half_width * half_width > POINT_SHARE * noise_variance:
            break
        since_relax += dt
        if known:
            since_mix += dt
            driven += dt
        if known and since_mix >= noise.mix_every_s:
            for slow in (WIND, ACCESSORY, COLD):
                kept, gained = slow_relaxation(slow, since_relax, noise)
                state[slow, 0] *= kept
                _relax(covariance, slow, kept, gained)
            since_mix = 0.0
            since_relax = 0.0
        if dt != factor_dt:
            factor_dt = dt
            factor = math.exp(-dt / noise.disturbance_time_s)
        disturbance, walk = unevenness(state[ROLL, 0], mean, texture, mean, noise)
        if known:
            # One dense row of the transition; the rest stays.
            row_sensitivities(state, row, predicted, sensitivity)
            _dense_row_times(covariance, sensitivity, cross)
            total = process_variance(state[PHI, 0], row, noise)
            for i in range(n):
                total += sensitivity[i, 0] * cross[i]
            cross[ENERGY] = total
            for j in range(n):
                covariance[ENERGY, j] = cross[j]
                covariance[j, ENERGY] = cross[j]
            covariance[ROLL, ROLL] += walk * dt
            state[ENERGY, 0] = predicted[0]
        else:
            # The force is not known: the energy height is free, everything else stays.
            covariance[ENERGY, ENERGY] += process_variance(state[PHI, 0], row, noise)
        state[DISTURBANCE, 0] *= factor
        _relax(covariance, DISTURBANCE, factor, disturbance * (1.0 - factor * factor))
        index += 1
        if math.isnan(row[R_Y]):
            continue
        rotating, slip = row[R_ROT], row[R_SLIP]
        for j in range(n):
            cross[j] = (
                covariance[ENERGY, j] - rotating * covariance[PHI, j] + slip * covariance[SLIP, j]
            )
        variance = cross[ENERGY] - rotating * cross[PHI] + slip * cross[SLIP] + noise_variance
        innovation = row[R_Y] - state[ENERGY, 0] + rotating * state[PHI, 0] - slip * state[SLIP, 0]
        reduction = 1.0 / variance
        gain = innovation * reduction
        if known:
            log_likelihood += -0.5 * (innovation * gain + math.log(variance)) - _HALF_LOG_TWO_PI
        for i in range(n):
            state[i, 0] += cross[i] * gain
        _downdate(covariance, cross, reduction)
        if cross[ENERGY] > ILL_CONDITIONED * noise_variance:
            # As in the general loop: M P = kept x (M P before).
            kept = noise_variance * reduction
            for j in range(1, n + 1):
                i = j % n
                value = cross[i] * kept + rotating * covariance[PHI, i] - slip * covariance[SLIP, i]
                covariance[ENERGY, i] = value
                covariance[i, ENERGY] = value
    memory[F_SINCE_MIX_S] = since_mix
    memory[F_SINCE_RELAX_S] = since_relax
    memory[F_LEARNT_S] += driven
    memory[F_SINCE_TIDY_S] += driven
    memory[F_LOG_LIKELIHOOD] += log_likelihood
    load[L_SINCE_S] += driven
    return index
