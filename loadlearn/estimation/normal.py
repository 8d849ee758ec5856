"""The normal distribution as the kernels need it: density, tail, truncation, mixture quantiles."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit

FloatArray = NDArray[np.float64]

Z95 = 1.959963984540054
"""Half-width of the central 95 % interval of a standard normal."""


@jit
def normal_cdf(x: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-x * 0.7071067811865476)


@jit
def normal_pdf(x: float) -> float:
    """Standard normal density."""
    return 0.3989422804014327 * math.exp(-0.5 * x * x)


@jit
def truncated_normal(low: float, high: float) -> tuple[float, float, float]:
    """Probability, mean and variance of a standard normal held between two bounds.

    Far outside, the nearer bound is taken as a point and the probability returned is 0.
    """
    if low > 0.0:
        # Work in the left tail, where the error function keeps its digits.
        inside = normal_cdf(-low) - normal_cdf(-high)
    else:
        inside = normal_cdf(high) - normal_cdf(low)
    if inside <= 1e-12:
        return 0.0, (low if low > 0.0 else high), 0.0
    pdf_low, pdf_high = normal_pdf(low), normal_pdf(high)
    mean = (pdf_low - pdf_high) / inside
    variance = 1.0 + (low * pdf_low - high * pdf_high) / inside - mean * mean
    return inside, mean, min(max(variance, 0.0), 1.0)


@jit
def _mixture_quantile(
    probability: float,
    start: float,
    count: int,
    weight: FloatArray,
    mean: FloatArray,
    sd: FloatArray,
) -> float:
    """Quantile of a normal mixture: Newton's method from ``start``, held in a bracket."""
    low, high = 1e300, -1e300
    for i in range(count):
        low = min(low, mean[i] - 9.0 * sd[i])
        high = max(high, mean[i] + 9.0 * sd[i])
    # Newton's last step squares what was left: this much of the mixture's width is enough.
    enough = 1e-6 * (high - low)
    at = min(max(start, low), high)
    for _ in range(60):
        below, density = -probability, 0.0
        for i in range(count):
            z = (at - mean[i]) / sd[i]
            if z > 8.5:
                below += weight[i]
            elif z > -8.5:
                below += weight[i] * normal_cdf(z)
                density += weight[i] * normal_pdf(z) / sd[i]
        if below < 0.0:
            low = at
        else:
            high = at
        moved = at - below / density if density > 0.0 else low
        if low < moved < high:
            if abs(moved - at) < enough:
                return moved
        else:
            moved = 0.5 * (low + high)
            if high - low < 1e-6 * enough:
                return moved
        at = moved
    return at


@jit
def mixture_interval(
    count: int, weight: FloatArray, mean: FloatArray, sd: FloatArray
) -> tuple[float, float]:
    """Central 95 % interval of a normal mixture.

    A single component, or components of nearly the same shape, need no search.
    """
    best = 0
    for i in range(count):
        if weight[i] > weight[best]:
            best = i
    if count == 1 or weight[best] > 0.995:
        return mean[best] - Z95 * sd[best], mean[best] + Z95 * sd[best]
    first, second = 0.0, 0.0
    for i in range(count):
        first += weight[i] * mean[i]
        second += weight[i] * (mean[i] * mean[i] + sd[i] * sd[i])
    variance = max(second - first * first, 1e-300)
    spread = 0.0
    for i in range(count):
        if weight[i] > 1e-4:
            spread = max(
                spread, abs(sd[i] * sd[i] / variance - 1.0), (mean[i] - first) ** 2 / variance
            )
    sd_all = math.sqrt(variance)
    low, high = first - Z95 * sd_all, first + Z95 * sd_all
    if spread < 0.1:
        return low, high
    if weight[best] > 0.9:
        # Far components widen the moments more than they move the quantiles.
        low, high = mean[best] - Z95 * sd[best], mean[best] + Z95 * sd[best]
    return (
        _mixture_quantile(0.025, low, count, weight, mean, sd),
        _mixture_quantile(0.975, high, count, weight, mean, sd),
    )
