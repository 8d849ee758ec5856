"""The few loops where the time goes, written for eight hypotheses side by side, or one alone.

Each lane is spelled out: the compiler cannot prove that two arrays do not overlap, so it turns a
loop over lanes into vector instructions only when all loads stand before all stores. The plain
form of each function is in its docstring; a test holds them to it. One hypothesis alone (a single
kind of ground) needs no lanes: there the covariance's rows are contiguous.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.estimation.model import ENERGY, PHI, SLIP

FloatArray = NDArray[np.float64]


@jit
def dense_row_times(covariances: FloatArray, sensitivity: FloatArray, cross: FloatArray) -> None:
    """``cross[j, h] = sum_i sensitivity[i, h] covariances[i, j, h]``.

    Parameters
    ----------
    covariances : ndarray, shape (n, n, lanes)
        8 lanes, or 1.
    sensitivity, cross : ndarray, shape (n, lanes)
    """
    n = covariances.shape[0]
    if covariances.shape[2] == 1:
        even = n - n % 2
        for j in range(n):
            cross[j, 0] = 0.0 if even == n else sensitivity[even, 0] * covariances[even, j, 0]
        for i in range(0, even, 2):
            first, second = sensitivity[i, 0], sensitivity[i + 1, 0]
            for j in range(n):
                cross[j, 0] += first * covariances[i, j, 0] + second * covariances[i + 1, j, 0]
        return
    for j in range(n):
        a0 = sensitivity[0, 0] * covariances[0, j, 0]
        a1 = sensitivity[0, 1] * covariances[0, j, 1]
        a2 = sensitivity[0, 2] * covariances[0, j, 2]
        a3 = sensitivity[0, 3] * covariances[0, j, 3]
        a4 = sensitivity[0, 4] * covariances[0, j, 4]
        a5 = sensitivity[0, 5] * covariances[0, j, 5]
        a6 = sensitivity[0, 6] * covariances[0, j, 6]
        a7 = sensitivity[0, 7] * covariances[0, j, 7]
        for i in range(1, n):
            a0 += sensitivity[i, 0] * covariances[i, j, 0]
            a1 += sensitivity[i, 1] * covariances[i, j, 1]
            a2 += sensitivity[i, 2] * covariances[i, j, 2]
            a3 += sensitivity[i, 3] * covariances[i, j, 3]
            a4 += sensitivity[i, 4] * covariances[i, j, 4]
            a5 += sensitivity[i, 5] * covariances[i, j, 5]
            a6 += sensitivity[i, 6] * covariances[i, j, 6]
            a7 += sensitivity[i, 7] * covariances[i, j, 7]
        cross[j, 0] = a0
        cross[j, 1] = a1
        cross[j, 2] = a2
        cross[j, 3] = a3
        cross[j, 4] = a4
        cross[j, 5] = a5
        cross[j, 6] = a6
        cross[j, 7] = a7


@jit
def quadratic_form(sensitivity: FloatArray, cross: FloatArray, out: FloatArray) -> None:
    """``out[h] += sum_i sensitivity[i, h] cross[i, h]``, in place.

    Parameters
    ----------
    sensitivity, cross : ndarray, shape (n, lanes)
        8 lanes, or 1.
    out : ndarray, shape (lanes,)
    """
    n = sensitivity.shape[0]
    if sensitivity.shape[1] == 1:
        total = out[0]
        for i in range(n):
            total += sensitivity[i, 0] * cross[i, 0]
        out[0] = total
        return
    a0 = out[0]
    a1 = out[1]
    a2 = out[2]
    a3 = out[3]
    a4 = out[4]
    a5 = out[5]
    a6 = out[6]
    a7 = out[7]
    for i in range(n):
        a0 += sensitivity[i, 0] * cross[i, 0]
        a1 += sensitivity[i, 1] * cross[i, 1]
        a2 += sensitivity[i, 2] * cross[i, 2]
        a3 += sensitivity[i, 3] * cross[i, 3]
        a4 += sensitivity[i, 4] * cross[i, 4]
        a5 += sensitivity[i, 5] * cross[i, 5]
        a6 += sensitivity[i, 6] * cross[i, 6]
        a7 += sensitivity[i, 7] * cross[i, 7]
    out[0] = a0
    out[1] = a1
    out[2] = a2
    out[3] = a3
    out[4] = a4
    out[5] = a5
    out[6] = a6
    out[7] = a7


@jit
def measured_cross(
    covariances: FloatArray, rotating: float, slip: float, cross: FloatArray
) -> None:
    """Covariance of each state with what is measured, ``y = E - rotating phi + slip sigma``.

    ``cross[j, h] = P[E, j, h] - rotating P[phi, j, h] + slip P[sigma, j, h]``.

    Parameters
    ----------
    covariances : ndarray, shape (n, n, lanes)
        8 lanes, or 1.
    rotating, slip : float
    cross : ndarray, shape (n, lanes)
    """
    n = covariances.shape[0]
    if covariances.shape[2] == 1:
        for j in range(n):
            cross[j, 0] = (
                covariances[ENERGY, j, 0]
                - rotating * covariances[PHI, j, 0]
                + slip * covariances[SLIP, j, 0]
            )
        return
    for j in range(n):
        v0 = (
            covariances[ENERGY, j, 0]
            - rotating * covariances[PHI, j, 0]
            + slip * covariances[SLIP, j, 0]
        )
        v1 = (
            covariances[ENERGY, j, 1]
            - rotating * covariances[PHI, j, 1]
            + slip * covariances[SLIP, j, 1]
        )
        v2 = (
            covariances[ENERGY, j, 2]
            - rotating * covariances[PHI, j, 2]
            + slip * covariances[SLIP, j, 2]
        )
        v3 = (
            covariances[ENERGY, j, 3]
            - rotating * covariances[PHI, j, 3]
            + slip * covariances[SLIP, j, 3]
        )
        v4 = (
            covariances[ENERGY, j, 4]
            - rotating * covariances[PHI, j, 4]
            + slip * covariances[SLIP, j, 4]
        )
        v5 = (
            covariances[ENERGY, j, 5]
            - rotating * covariances[PHI, j, 5]
            + slip * covariances[SLIP, j, 5]
        )
        v6 = (
            covariances[ENERGY, j, 6]
            - rotating * covariances[PHI, j, 6]
            + slip * covariances[SLIP, j, 6]
        )
        v7 = (
            covariances[ENERGY, j, 7]
            - rotating * covariances[PHI, j, 7]
            + slip * covariances[SLIP, j, 7]
        )
        cross[j, 0] = v0
        cross[j, 1] = v1
        cross[j, 2] = v2
        cross[j, 3] = v3
        cross[j, 4] = v4
        cross[j, 5] = v5
        cross[j, 6] = v6
        cross[j, 7] = v7


@jit
def rank_one_downdate(covariances: FloatArray, cross: FloatArray, reduction: FloatArray) -> None:
    """``covariances[i, j, h] -= cross[i, h] reduction[h] cross[j, h]``, in place.

    Parameters
    ----------
    covariances : ndarray, shape (n, n, lanes)
        8 lanes, or 1.
    cross : ndarray, shape (n, lanes)
    reduction : ndarray, shape (lanes,)
    """
    n = covariances.shape[0]
    if covariances.shape[2] == 1:
        for i in range(n):
            factor = cross[i, 0] * reduction[0]
            for j in range(n):
                covariances[i, j, 0] -= factor * cross[j, 0]
        return
    r0 = reduction[0]
    r1 = reduction[1]
    r2 = reduction[2]
    r3 = reduction[3]
    r4 = reduction[4]
    r5 = reduction[5]
    r6 = reduction[6]
    r7 = reduction[7]
    for i in range(n):
        f0 = cross[i, 0] * r0
        f1 = cross[i, 1] * r1
        f2 = cross[i, 2] * r2
        f3 = cross[i, 3] * r3
        f4 = cross[i, 4] * r4
        f5 = cross[i, 5] * r5
        f6 = cross[i, 6] * r6
        f7 = cross[i, 7] * r7
        for j in range(n):
            v0 = covariances[i, j, 0] - f0 * cross[j, 0]
            v1 = covariances[i, j, 1] - f1 * cross[j, 1]
            v2 = covariances[i, j, 2] - f2 * cross[j, 2]
            v3 = covariances[i, j, 3] - f3 * cross[j, 3]
            v4 = covariances[i, j, 4] - f4 * cross[j, 4]
            v5 = covariances[i, j, 5] - f5 * cross[j, 5]
            v6 = covariances[i, j, 6] - f6 * cross[j, 6]
            v7 = covariances[i, j, 7] - f7 * cross[j, 7]
            covariances[i, j, 0] = v0
            covariances[i, j, 1] = v1
            covariances[i, j, 2] = v2
            covariances[i, j, 3] = v3
            covariances[i, j, 4] = v4
            covariances[i, j, 5] = v5
            covariances[i, j, 6] = v6
            covariances[i, j, 7] = v7


@jit
def blend(
    covariances: FloatArray,
    states: FloatArray,
    pooled: FloatArray,
    pooled_covariance: FloatArray,
    keep: FloatArray,
    take: FloatArray,
) -> None:
    """Moment-match each lane with one common Gaussian, in place (covariances only).

    ``P_h = keep_h P_h + take_h P + keep_h take_h (x - x_h)(x - x_h)'``.

    Parameters
    ----------
    covariances : ndarray, shape (n, n, 8)
    states : ndarray, shape (n, 8)
    pooled, pooled_covariance : ndarray, shapes (n,) and (n, n)
    keep, take : ndarray, shape (8,)
    """
    n = covariances.shape[0]
    k0, t0 = keep[0], take[0]
    k1, t1 = keep[1], take[1]
    k2, t2 = keep[2], take[2]
    k3, t3 = keep[3], take[3]
    k4, t4 = keep[4], take[4]
    k5, t5 = keep[5], take[5]
    k6, t6 = keep[6], take[6]
    k7, t7 = keep[7], take[7]
    for i in range(n):
        m = pooled[i]
        d0 = k0 * t0 * (m - states[i, 0])
        d1 = k1 * t1 * (m - states[i, 1])
        d2 = k2 * t2 * (m - states[i, 2])
        d3 = k3 * t3 * (m - states[i, 3])
        d4 = k4 * t4 * (m - states[i, 4])
        d5 = k5 * t5 * (m - states[i, 5])
        d6 = k6 * t6 * (m - states[i, 6])
        d7 = k7 * t7 * (m - states[i, 7])
        for j in range(n):
            p, q = pooled_covariance[i, j], pooled[j]
            v0 = k0 * covariances[i, j, 0] + t0 * p + d0 * (q - states[j, 0])
            v1 = k1 * covariances[i, j, 1] + t1 * p + d1 * (q - states[j, 1])
            v2 = k2 * covariances[i, j, 2] + t2 * p + d2 * (q - states[j, 2])
            v3 = k3 * covariances[i, j, 3] + t3 * p + d3 * (q - states[j, 3])
            v4 = k4 * covariances[i, j, 4] + t4 * p + d4 * (q - states[j, 4])
            v5 = k5 * covariances[i, j, 5] + t5 * p + d5 * (q - states[j, 5])
            v6 = k6 * covariances[i, j, 6] + t6 * p + d6 * (q - states[j, 6])
            v7 = k7 * covariances[i, j, 7] + t7 * p + d7 * (q - states[j, 7])
            covariances[i, j, 0] = v0
            covariances[i, j, 1] = v1
            covariances[i, j, 2] = v2
            covariances[i, j, 3] = v3
            covariances[i, j, 4] = v4
            covariances[i, j, 5] = v5
            covariances[i, j, 6] = v6
            covariances[i, j, 7] = v7


@jit
def pool(
    covariances: FloatArray,
    states: FloatArray,
    share: FloatArray,
    pooled: FloatArray,
    pooled_covariance: FloatArray,
) -> None:
    """Mean and covariance of a mixture of lanes.

    Parameters
    ----------
    covariances : ndarray, shape (n, n, 8)
    states : ndarray, shape (n, 8)
    share : ndarray, shape (8,)
        Of each lane; they add up to 1.
    pooled, pooled_covariance : ndarray, shapes (n,) and (n, n)
        Receive the mean and the covariance.
    """
    n = covariances.shape[0]
    s0, s1, s2, s3 = share[0], share[1], share[2], share[3]
    s4, s5, s6, s7 = share[4], share[5], share[6], share[7]
    for i in range(n):
        m = (s0 * states[i, 0] + s4 * states[i, 4]) + (s1 * states[i, 1] + s5 * states[i, 5])
        m += (s2 * states[i, 2] + s6 * states[i, 6]) + (s3 * states[i, 3] + s7 * states[i, 7])
        pooled[i] = m
        d0, d1 = s0 * (states[i, 0] - m), s1 * (states[i, 1] - m)
        d2, d3 = s2 * (states[i, 2] - m), s3 * (states[i, 3] - m)
        d4, d5 = s4 * (states[i, 4] - m), s5 * (states[i, 5] - m)
        d6, d7 = s6 * (states[i, 6] - m), s7 * (states[i, 7] - m)
        for j in range(i + 1):
            q = pooled[j]
            v0 = s0 * covariances[i, j, 0] + d0 * (states[j, 0] - q)
            v1 = s1 * covariances[i, j, 1] + d1 * (states[j, 1] - q)
            v2 = s2 * covariances[i, j, 2] + d2 * (states[j, 2] - q)
            v3 = s3 * covariances[i, j, 3] + d3 * (states[j, 3] - q)
            v4 = s4 * covariances[i, j, 4] + d4 * (states[j, 4] - q)
            v5 = s5 * covariances[i, j, 5] + d5 * (states[j, 5] - q)
            v6 = s6 * covariances[i, j, 6] + d6 * (states[j, 6] - q)
            v7 = s7 * covariances[i, j, 7] + d7 * (states[j, 7] - q)
            value = ((v0 + v4) + (v1 + v5)) + ((v2 + v6) + (v3 + v7))
            pooled_covariance[i, j] = value
            pooled_covariance[j, i] = value


@jit
def relax(covariances: FloatArray, index: int, factor: float, gained: FloatArray) -> None:
    """Scale one state by ``factor`` and add ``gained`` to its variance, in place.

    Parameters
    ----------
    covariances : ndarray, shape (n, n, lanes)
        8 lanes, or 1.
    index : int
    factor : float
    gained : ndarray, shape (lanes,)
    """
    n = covariances.shape[0]
    if covariances.shape[2] == 1:
        for j in range(n):
            value = factor * covariances[index, j, 0]
            covariances[index, j, 0] = value
            covariances[j, index, 0] = value
        covariances[index, index, 0] = factor * covariances[index, index, 0] + gained[0]
        return
    for j in range(n):
        v0 = factor * covariances[index, j, 0]
        v1 = factor * covariances[index, j, 1]
        v2 = factor * covariances[index, j, 2]
        v3 = factor * covariances[index, j, 3]
        v4 = factor * covariances[index, j, 4]
        v5 = factor * covariances[index, j, 5]
        v6 = factor * covariances[index, j, 6]
        v7 = factor * covariances[index, j, 7]
        covariances[index, j, 0] = v0
        covariances[index, j, 1] = v1
        covariances[index, j, 2] = v2
        covariances[index, j, 3] = v3
        covariances[index, j, 4] = v4
        covariances[index, j, 5] = v5
        covariances[index, j, 6] = v6
        covariances[index, j, 7] = v7
        covariances[j, index, 0] = v0
        covariances[j, index, 1] = v1
        covariances[j, index, 2] = v2
        covariances[j, index, 3] = v3
        covariances[j, index, 4] = v4
        covariances[j, index, 5] = v5
        covariances[j, index, 6] = v6
        covariances[j, index, 7] = v7
    covariances[index, index, 0] = factor * covariances[index, index, 0] + gained[0]
    covariances[index, index, 1] = factor * covariances[index, index, 1] + gained[1]
    covariances[index, index, 2] = factor * covariances[index, index, 2] + gained[2]
    covariances[index, index, 3] = factor * covariances[index, index, 3] + gained[3]
    covariances[index, index, 4] = factor * covariances[index, index, 4] + gained[4]
    covariances[index, index, 5] = factor * covariances[index, index, 5] + gained[5]
    covariances[index, index, 6] = factor * covariances[index, index, 6] + gained[6]
    covariances[index, index, 7] = factor * covariances[index, index, 7] + gained[7]
