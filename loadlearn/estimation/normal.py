"""The normal distribution as the kernels need it: density, tail, truncation, mixture quantiles."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit

FloatArray = NDArray[np.float64]

Z95 = 1.959963984540054
"""Half-width of the central 95 % interval of a standard normal."""

FAR = 6.0
"""Standard deviations beyond which a component's tail (1e-9) counts as nothing."""
LIGHT = 1e-3
"""A component of less weight counts as a point: a fiftieth of either tail at most."""


@jit
def normal_cdf(x: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-x * 0.7071067811865476)


@jit
def normal_pdf(x: float) -> float:
    """Standard normal density."""
    return 0.3989422804014327 * math.exp(-0.5 * x * x)


@jit
def normal_cdf_and_pdf(x: float) -> tuple[float, float]:
    """Standard normal distribution function, to 7.5e-8, and density, with one exponential.

    Abramowitz & Stegun, Handbook of Mathematical Functions, 26.2.17.
    """
    pdf = normal_pdf(x)
    t = 1.0 / (1.0 + 0.2316419 * abs(x))
    tail = -1.821255978 + t * 1.330274429
    tail = 1.781477937 + t * tail
    tail = -0.356563782 + t * tail
    tail = pdf * t * (0.319381530 + t * tail)
    return (1.0 - tail if x > 0.0 else tail), pdf


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
    weight: FloatArray,
    mean: FloatArray,
    sd: FloatArray,
) -> float:
    """Quantile of a normal mixture: Newton's method from ``start``, held in a bracket."""
    low, high, narrowest = 1e300, -1e300, 1e300
    for i in range(weight.size):
        narrowest = min(narrowest, sd[i])
        low = min(low, mean[i] - 9.0 * sd[i])
        high = max(high, mean[i] + 9.0 * sd[i])
    # Newton's last step squares what was left: this much is enough.
    enough = 0.02 * narrowest
    at = min(max(start, low), high)
    for _ in range(60):
        below, density = -probability, 0.0
        for i in range(weight.size):
            z = (at - mean[i]) / sd[i]
            if z > FAR or (z > 0.0 and weight[i] < LIGHT):
                below += weight[i]
            elif z > -FAR and weight[i] >= LIGHT:
                cdf, pdf = normal_cdf_and_pdf(z)
                below += weight[i] * cdf
                density += weight[i] * pdf / sd[i]
        if below < 0.0:
            low = at
        else:
            high = at
        moved = at - below / density if density > 0.0 else low
        if abs(moved - at) < enough and density > 0.0:
            return moved
        if not low < moved < high:
            moved = 0.5 * (low + high)
            if high - low < 1e-5 * narrowest:
                return moved
        at = moved
    return at


@jit
def mixture_interval(
    weight: FloatArray,
    mean: FloatArray,
    sd: FloatArray,
    before_low: float = math.nan,
    before_high: float = math.nan,
) -> tuple[float, float]:
    """Central 95 % interval of a normal mixture.

    A single component, or components of nearly the same shape, need no search.

    Parameters
    ----------
    weight, mean, sd : ndarray, shape (components,)
    before_low, before_high : float
        Where to start the search: the interval a moment ago, NaN where there is none.
    """
    best = 0
    for i in range(weight.size):
        if weight[i] > weight[best]:
            best = i
    if weight[best] > 0.995:
        return mean[best] - Z95 * sd[best], mean[best] + Z95 * sd[best]
    first, second = 0.0, 0.0
    for i in range(weight.size):
        first += weight[i] * mean[i]
        second += weight[i] * (mean[i] * mean[i] + sd[i] * sd[i])
    variance = max(second - first * first, 1e-300)
    spread = 0.0
    for i in range(weight.size):
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
    if before_low < before_high:
        low, high = before_low, before_high
    return (
        _mixture_quantile(0.025, low, weight, mean, sd),
        _mixture_quantile(0.975, high, weight, mean, sd),
    )
