"""The few loops where the time goes, written for eight hypotheses side by side, or one alone.

Each lane is spelled out: the compiler cannot prove that two arrays do not overlap, so it turns a
loop over lanes into vector instructions only when all loads stand before all stores. The plain
form of each function is in its docstring; a test holds them to it. One hypothesis alone (a single
kind of ground) needs no lanes: there the covariance's rows are contiguous.

A covariance is symmetric: of eight lanes only the upper triangle (``[i, j]`` with ``i <= j``) is
read and kept up to date here, half of all loads and stores, until ``mirror`` completes it for
others. Most logs need 12 to 14 states: in the loops of every row their number is a constant, so
that the compiler unrolls them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.estimation.model import ENERGY, PHI, SLIP

FloatArray = NDArray[np.float64]


@jit(inline="always")
def _dense_row_times(
    n: int, covariances: FloatArray, sensitivity: FloatArray, cross: FloatArray
) -> None:
    for i in range(n):
        cross[i, 0] = 0.0
        cross[i, 1] = 0.0
        cross[i, 2] = 0.0
        cross[i, 3] = 0.0
        cross[i, 4] = 0.0
        cross[i, 5] = 0.0
        cross[i, 6] = 0.0
        cross[i, 7] = 0.0
    for i in range(n):
        s0 = sensitivity[i, 0]
        s1 = sensitivity[i, 1]
        s2 = sensitivity[i, 2]
        s3 = sensitivity[i, 3]
        s4 = sensitivity[i, 4]
        s5 = sensitivity[i, 5]
        s6 = sensitivity[i, 6]
        s7 = sensitivity[i, 7]
        a0 = cross[i, 0] + s0 * covariances[i, i, 0]
        a1 = cross[i, 1] + s1 * covariances[i, i, 1]
        a2 = cross[i, 2] + s2 * covariances[i, i, 2]
        a3 = cross[i, 3] + s3 * covariances[i, i, 3]
        a4 = cross[i, 4] + s4 * covariances[i, i, 4]
        a5 = cross[i, 5] + s5 * covariances[i, i, 5]
        a6 = cross[i, 6] + s6 * covariances[i, i, 6]
        a7 = cross[i, 7] + s7 * covariances[i, i, 7]
        for j in range(i + 1, n):
            c0 = covariances[i, j, 0]
            c1 = covariances[i, j, 1]
            c2 = covariances[i, j, 2]
            c3 = covariances[i, j, 3]
            c4 = covariances[i, j, 4]
            c5 = covariances[i, j, 5]
            c6 = covariances[i, j, 6]
            c7 = covariances[i, j, 7]
            x0 = cross[j, 0] + s0 * c0
            x1 = cross[j, 1] + s1 * c1
            x2 = cross[j, 2] + s2 * c2
            x3 = cross[j, 3] + s3 * c3
            x4 = cross[j, 4] + s4 * c4
            x5 = cross[j, 5] + s5 * c5
            x6 = cross[j, 6] + s6 * c6
            x7 = cross[j, 7] + s7 * c7
            a0 += sensitivity[j, 0] * c0
            a1 += sensitivity[j, 1] * c1
            a2 += sensitivity[j, 2] * c2
            a3 += sensitivity[j, 3] * c3
            a4 += sensitivity[j, 4] * c4
            a5 += sensitivity[j, 5] * c5
            a6 += sensitivity[j, 6] * c6
            a7 += sensitivity[j, 7] * c7
            cross[j, 0] = x0
            cross[j, 1] = x1
            cross[j, 2] = x2
            cross[j, 3] = x3
            cross[j, 4] = x4
            cross[j, 5] = x5
            cross[j, 6] = x6
            cross[j, 7] = x7
        cross[i, 0] = a0
        cross[i, 1] = a1
        cross[i, 2] = a2
        cross[i, 3] = a3
        cross[i, 4] = a4
        cross[i, 5] = a5
        cross[i, 6] = a6
        cross[i, 7] = a7


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
    if n == 12:
        _dense_row_times(12, covariances, sensitivity, cross)
    elif n == 13:
        _dense_row_times(13, covariances, sensitivity, cross)
    elif n == 14:
        _dense_row_times(14, covariances, sensitivity, cross)
    else:
        _dense_row_times(n, covariances, sensitivity, cross)


@jit(inline="always")
def _quadratic_form(n: int, sensitivity: FloatArray, cross: FloatArray, out: FloatArray) -> None:
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
    if n == 12:
        _quadratic_form(12, sensitivity, cross, out)
    elif n == 13:
        _quadratic_form(13, sensitivity, cross, out)
    elif n == 14:
        _quadratic_form(14, sensitivity, cross, out)
    else:
        _quadratic_form(n, sensitivity, cross, out)


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
        phi_row, phi_column = min(j, PHI), max(j, PHI)
        slip_row, slip_column = min(j, SLIP), max(j, SLIP)
        v0 = (
            covariances[ENERGY, j, 0]
            - rotating * covariances[phi_row, phi_column, 0]
            + slip * covariances[slip_row, slip_column, 0]
        )
        v1 = (
            covariances[ENERGY, j, 1]
            - rotating * covariances[phi_row, phi_column, 1]
            + slip * covariances[slip_row, slip_column, 1]
        )
        v2 = (
            covariances[ENERGY, j, 2]
            - rotating * covariances[phi_row, phi_column, 2]
            + slip * covariances[slip_row, slip_column, 2]
        )
        v3 = (
            covariances[ENERGY, j, 3]
            - rotating * covariances[phi_row, phi_column, 3]
            + slip * covariances[slip_row, slip_column, 3]
        )
        v4 = (
            covariances[ENERGY, j, 4]
            - rotating * covariances[phi_row, phi_column, 4]
            + slip * covariances[slip_row, slip_column, 4]
        )
        v5 = (
            covariances[ENERGY, j, 5]
            - rotating * covariances[phi_row, phi_column, 5]
            + slip * covariances[slip_row, slip_column, 5]
        )
        v6 = (
            covariances[ENERGY, j, 6]
            - rotating * covariances[phi_row, phi_column, 6]
            + slip * covariances[slip_row, slip_column, 6]
        )
        v7 = (
            covariances[ENERGY, j, 7]
            - rotating * covariances[phi_row, phi_column, 7]
            + slip * covariances[slip_row, slip_column, 7]
        )
        cross[j, 0] = v0
        cross[j, 1] = v1
        cross[j, 2] = v2
        cross[j, 3] = v3
        cross[j, 4] = v4
        cross[j, 5] = v5
        cross[j, 6] = v6
        cross[j, 7] = v7


@jit(inline="always")
def _rank_one_downdate(
    n: int, covariances: FloatArray, cross: FloatArray, reduction: FloatArray
) -> None:
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
        for j in range(i, n):
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
    if n == 12:
        _rank_one_downdate(12, covariances, cross, reduction)
    elif n == 13:
        _rank_one_downdate(13, covariances, cross, reduction)
    elif n == 14:
        _rank_one_downdate(14, covariances, cross, reduction)
    else:
        _rank_one_downdate(n, covariances, cross, reduction)


@jit
def blend(
    covariances: FloatArray,
    states: FloatArray,
    arriving: FloatArray,
    arriving_covariance: FloatArray,
    keep: FloatArray,
    take: FloatArray,
) -> None:
    """Moment-match each lane with a Gaussian that arrives there, in place.

    ``P_h = keep_h P_h + take_h P + keep_h take_h (x_h' - x_h)(x_h' - x_h)'``, then
    ``x_h = x_h + take_h (x_h' - x_h)``.

    Parameters
    ----------
    covariances : ndarray, shape (n, n, 8)
    states : ndarray, shape (n, 8)
    arriving : ndarray, shape (n, 8)
        The mean x' that arrives in each lane.
    arriving_covariance : ndarray, shape (n, n)
        Its covariance, the same for all lanes.
    keep, take : ndarray, shape (8,)
        Shares of what stayed and of what arrives; they add up to 1.
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
        d0 = k0 * t0 * (arriving[i, 0] - states[i, 0])
        d1 = k1 * t1 * (arriving[i, 1] - states[i, 1])
        d2 = k2 * t2 * (arriving[i, 2] - states[i, 2])
        d3 = k3 * t3 * (arriving[i, 3] - states[i, 3])
        d4 = k4 * t4 * (arriving[i, 4] - states[i, 4])
        d5 = k5 * t5 * (arriving[i, 5] - states[i, 5])
        d6 = k6 * t6 * (arriving[i, 6] - states[i, 6])
        d7 = k7 * t7 * (arriving[i, 7] - states[i, 7])
        for j in range(i, n):
            p = arriving_covariance[i, j]
            v0 = k0 * covariances[i, j, 0] + t0 * p + d0 * (arriving[j, 0] - states[j, 0])
            v1 = k1 * covariances[i, j, 1] + t1 * p + d1 * (arriving[j, 1] - states[j, 1])
            v2 = k2 * covariances[i, j, 2] + t2 * p + d2 * (arriving[j, 2] - states[j, 2])
            v3 = k3 * covariances[i, j, 3] + t3 * p + d3 * (arriving[j, 3] - states[j, 3])
            v4 = k4 * covariances[i, j, 4] + t4 * p + d4 * (arriving[j, 4] - states[j, 4])
            v5 = k5 * covariances[i, j, 5] + t5 * p + d5 * (arriving[j, 5] - states[j, 5])
            v6 = k6 * covariances[i, j, 6] + t6 * p + d6 * (arriving[j, 6] - states[j, 6])
            v7 = k7 * covariances[i, j, 7] + t7 * p + d7 * (arriving[j, 7] - states[j, 7])
            covariances[i, j, 0] = v0
            covariances[i, j, 1] = v1
            covariances[i, j, 2] = v2
            covariances[i, j, 3] = v3
            covariances[i, j, 4] = v4
            covariances[i, j, 5] = v5
            covariances[i, j, 6] = v6
            covariances[i, j, 7] = v7
    for i in range(n):
        v0 = states[i, 0] + t0 * (arriving[i, 0] - states[i, 0])
        v1 = states[i, 1] + t1 * (arriving[i, 1] - states[i, 1])
        v2 = states[i, 2] + t2 * (arriving[i, 2] - states[i, 2])
        v3 = states[i, 3] + t3 * (arriving[i, 3] - states[i, 3])
        v4 = states[i, 4] + t4 * (arriving[i, 4] - states[i, 4])
        v5 = states[i, 5] + t5 * (arriving[i, 5] - states[i, 5])
        v6 = states[i, 6] + t6 * (arriving[i, 6] - states[i, 6])
        v7 = states[i, 7] + t7 * (arriving[i, 7] - states[i, 7])
        states[i, 0] = v0
        states[i, 1] = v1
        states[i, 2] = v2
        states[i, 3] = v3
        states[i, 4] = v4
        states[i, 5] = v5
        states[i, 6] = v6
        states[i, 7] = v7


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
        Receive the mean and the covariance's upper triangle.
    """
    n = covariances.shape[0]
    s0, s1, s2, s3 = share[0], share[1], share[2], share[3]
    s4, s5, s6, s7 = share[4], share[5], share[6], share[7]
    for i in range(n - 1, -1, -1):
        m = (s0 * states[i, 0] + s4 * states[i, 4]) + (s1 * states[i, 1] + s5 * states[i, 5])
        m += (s2 * states[i, 2] + s6 * states[i, 6]) + (s3 * states[i, 3] + s7 * states[i, 7])
        pooled[i] = m
        d0, d1 = s0 * (states[i, 0] - m), s1 * (states[i, 1] - m)
        d2, d3 = s2 * (states[i, 2] - m), s3 * (states[i, 3] - m)
        d4, d5 = s4 * (states[i, 4] - m), s5 * (states[i, 5] - m)
        d6, d7 = s6 * (states[i, 6] - m), s7 * (states[i, 7] - m)
        for j in range(i, n):
            q = pooled[j]
            v0 = s0 * covariances[i, j, 0] + d0 * (states[j, 0] - q)
            v1 = s1 * covariances[i, j, 1] + d1 * (states[j, 1] - q)
            v2 = s2 * covariances[i, j, 2] + d2 * (states[j, 2] - q)
            v3 = s3 * covariances[i, j, 3] + d3 * (states[j, 3] - q)
            v4 = s4 * covariances[i, j, 4] + d4 * (states[j, 4] - q)
            v5 = s5 * covariances[i, j, 5] + d5 * (states[j, 5] - q)
            v6 = s6 * covariances[i, j, 6] + d6 * (states[j, 6] - q)
            v7 = s7 * covariances[i, j, 7] + d7 * (states[j, 7] - q)
            pooled_covariance[i, j] = ((v0 + v4) + (v1 + v5)) + ((v2 + v6) + (v3 + v7))


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
        row, column = min(j, index), max(j, index)
        v0 = factor * covariances[row, column, 0]
        v1 = factor * covariances[row, column, 1]
        v2 = factor * covariances[row, column, 2]
        v3 = factor * covariances[row, column, 3]
        v4 = factor * covariances[row, column, 4]
        v5 = factor * covariances[row, column, 5]
        v6 = factor * covariances[row, column, 6]
        v7 = factor * covariances[row, column, 7]
        covariances[row, column, 0] = v0
        covariances[row, column, 1] = v1
        covariances[row, column, 2] = v2
        covariances[row, column, 3] = v3
        covariances[row, column, 4] = v4
        covariances[row, column, 5] = v5
        covariances[row, column, 6] = v6
        covariances[row, column, 7] = v7
    covariances[index, index, 0] = factor * covariances[index, index, 0] + gained[0]
    covariances[index, index, 1] = factor * covariances[index, index, 1] + gained[1]
    covariances[index, index, 2] = factor * covariances[index, index, 2] + gained[2]
    covariances[index, index, 3] = factor * covariances[index, index, 3] + gained[3]
    covariances[index, index, 4] = factor * covariances[index, index, 4] + gained[4]
    covariances[index, index, 5] = factor * covariances[index, index, 5] + gained[5]
    covariances[index, index, 6] = factor * covariances[index, index, 6] + gained[6]
    covariances[index, index, 7] = factor * covariances[index, index, 7] + gained[7]


@jit
def mirror(covariances: FloatArray) -> None:
    """Complete the lower triangle from the upper one, in place; one lane alone is whole.

    Parameters
    ----------
    covariances : ndarray, shape (n, n, lanes)
        8 lanes, or 1.
    """
    n, width = covariances.shape[1], covariances.shape[2]
    if width == 1:
        return
    for i in range(n):
        for j in range(i + 1, n):
            for h in range(width):
                covariances[j, i, h] = covariances[i, j, h]
