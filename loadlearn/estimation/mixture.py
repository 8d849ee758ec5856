"""What the hypotheses say together: moments, intervals, ground probabilities, absolute mass."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.estimation.layout import (
    F_LOG_MASS_HIGH,
    F_LOG_MASS_LOW,
    F_ROLL_HIGH,
    F_ROLL_LOW,
    L_ACTIVE,
    L_CHANGED,
    L_INFORMATION,
    L_LOG_SCALE,
    L_LOG_SCALE_VAR,
    L_LOOSE_INFORMATION,
    L_PRIOR_LOG_IMPLIED,
    L_PRIOR_LOG_IMPLIED_VAR,
    L_PRIOR_LOG_MASS,
    L_PRIOR_LOG_MASS_VAR,
    L_SOLO,
    L_WIDEN,
    O_CHANGED,
    O_DRAG,
    O_DRAG_SD,
    O_DRAG_SD_GIVEN,
    O_IMPLIED,
    O_LOADS,
    O_LOG_SCALE,
    O_LOG_SCALE_SD,
    O_MASS,
    O_MASS_HIGH,
    O_MASS_LOW,
    O_MASS_SD,
    O_MASS_SD_GIVEN,
    O_REGENERATION,
    O_ROLL,
    O_ROLL_HIGH,
    O_ROLL_LOW,
    O_ROLL_SD,
    O_SOLO,
)
from loadlearn.estimation.model import COLD, KAPPA, PHI, ROLL, Grounds
from loadlearn.estimation.normal import mixture_interval
from loadlearn.vehicle.roadload import GRAVITY_M_S2, drag_force

FloatArray = NDArray[np.float64]

LEAST_PHI_PER_KG = 1e-6
"""Nothing on a road weighs more than a thousand tonnes."""
LEFT_OUT_SD = 0.0025
"""What wheel slip, bends without a position, an efficiency that is not one number and the like
leave in the mass, given the scale, however long one drives (``experiments/target_table.py``: its
bias)."""

LOOSE_LEFT_OUT_SD = 0.015
"""The same of what is learnt on loose ground. The driver answers its unevenness with the pedal, and
what the pedal answers at once is taken for load (identification in closed loop): a few per cent."""

LEAST_LOG_WEIGHT = -35.0
"""Hypotheses further below the most probable one count as nothing."""
LEAST_WEIGHT = 1e-4
"""Hypotheses of less weight than this are left out of moments and intervals."""
OFFSET_SPEED_M_S, OFFSET_DENSITY_KG_M3 = 25.0, 1.2
"""Where drag is told from rolling resistance: a force that is wrong there by the offset."""


@jit
def relative_weight(log_ratio: float) -> float:
    """Exponential of a log weight relative to the greatest; 0 where it cannot count."""
    return math.exp(log_ratio) if log_ratio > LEAST_LOG_WEIGHT else 0.0


@jit
def load_weight(log_weights: FloatArray, modes: int, peak: float) -> float:
    """Weight of one load over its modes, relative to ``exp(peak)``."""
    total = 0.0
    for mode in range(modes):
        total += relative_weight(log_weights[mode] - peak)
    return total


@jit
def peak_of(log_weights: FloatArray, loads: FloatArray, modes: int) -> float:
    """Greatest log weight over active loads and modes."""
    peak = -1e300
    for load in range(loads.shape[0]):
        if loads[load, L_ACTIVE] > 0.5:
            for mode in range(modes):
                peak = max(peak, log_weights[load, mode])
    return peak


@jit(inline="always")
def weigh(
    log_weights: FloatArray,
    loads: FloatArray,
    modes: int,
    peak: float,
    each: FloatArray,
    of_load: FloatArray,
) -> float:
    """Weights of all hypotheses relative to ``exp(peak)``.

    Parameters
    ----------
    log_weights : ndarray, shape (loads, lanes)
    loads : ndarray, shape (loads, 21)
    modes : int
    peak : float
    each : ndarray, shape (loads, lanes)
        Receives the weights of the active loads.
    of_load : ndarray, shape (loads,)
        Receives their sums over the modes, 0 for other loads.

    Returns
    -------
    float
        The sum.
    """
    total = 0.0
    for load in range(loads.shape[0]):
        of_load[load] = 0.0
        if loads[load, L_ACTIVE] > 0.5:
            for mode in range(modes):
                weight = relative_weight(log_weights[load, mode] - peak)
                each[load, mode] = weight
                of_load[load] += weight
            total += of_load[load]
    return total


@jit(inline="always")
def absolute_log_mass(
    loads: FloatArray, load: int, log_implied: float, log_implied_var: float
) -> tuple[float, float, float, float]:
    """Log combined mass and log scale, given the implied mass that a load's filter has learnt.

    ``ln m = ln m' + ln s``. When nothing is hitched the mass itself is known beforehand, and the
    implied mass says as much of the scale as of the mass: the joint normal of (ln m, ln s) is
    updated with ln m' (a static Kalman update). Otherwise the scale is *considered*, not updated
    (Schmidt, Adv. Control Systems 3, 1966): the total variance is the sum.

    Returns
    -------
    log_mass, variance, log_scale, log_scale_variance : float
    """
    scale, scale_var = loads[load, L_LOG_SCALE], loads[load, L_LOG_SCALE_VAR]
    if loads[load, L_SOLO] < 0.5:
        return log_implied + scale, log_implied_var + scale_var, scale, scale_var
    prior_var = loads[load, L_PRIOR_LOG_IMPLIED_VAR]
    shift = log_implied - loads[load, L_PRIOR_LOG_IMPLIED]
    gain_mass = loads[load, L_PRIOR_LOG_MASS_VAR] / prior_var
    gain_scale = scale_var / prior_var
    shrink = prior_var - log_implied_var
    return (
        loads[load, L_PRIOR_LOG_MASS] + gain_mass * shift,
        loads[load, L_PRIOR_LOG_MASS_VAR] - gain_mass * gain_mass * shrink,
        scale - gain_scale * shift,
        scale_var - gain_scale * gain_scale * shrink,
    )


@jit(inline="always")
def log_implied(phi: float, phi_var: float) -> tuple[float, float]:
    """Mean and variance of ln m' = -ln phi for a normal phi (second order).

    Where the normal reaches beyond zero (outliers at a drive's start), what comes out is a broad
    law of finite masses.
    """
    phi = max(phi, LEAST_PHI_PER_KG)
    variance = min(phi_var / (phi * phi), 1.0)
    return -math.log(phi) + 0.5 * variance, variance + LEFT_OUT_SD * LEFT_OUT_SD


@jit
def log_implied_pooled(
    states: FloatArray, covariances: FloatArray, log_weights: FloatArray, modes: int
) -> tuple[float, float]:
    """Mean and variance of ln m' over the modes of one load."""
    peak = log_weights[0]
    for mode in range(modes):
        peak = max(peak, log_weights[mode])
    total, first, second = 0.0, 0.0, 0.0
    for mode in range(modes):
        weight = relative_weight(log_weights[mode] - peak)
        if weight < 1e-9:
            continue
        mean, variance = log_implied(states[PHI, mode], covariances[PHI, PHI, mode])
        total += weight
        first += weight * mean
        second += weight * (variance + mean * mean)
    first /= total
    return first, max(second / total - first * first, 1e-16)


@jit
def reckon_information(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
    modes: int,
    loose: float,
) -> None:
    """What loads have learnt of the mass since the last reckoning, and where, in place.

    What loose ground has told of the mass, in all, is worth no more than an observation of sd
    ``LOOSE_LEFT_OUT_SD``, however long one drives there; what firm ground has told is not touched.

    Parameters
    ----------
    states, covariances, log_weights, loads
        Shapes as in ``layout``.
    modes : int
    loose : float
        Probability of loose ground.
    """
    for load in range(loads.shape[0]):
        if loads[load, L_ACTIVE] < 0.5:
            continue
        _, variance = log_implied_pooled(states[load], covariances[load], log_weights[load], modes)
        information = 1.0 / max(variance - LEFT_OUT_SD * LEFT_OUT_SD, 1e-12)
        before = loads[load, L_INFORMATION]
        if information < before:
            loads[load, L_LOOSE_INFORMATION] *= information / before
        elif before > 0.0:
            loads[load, L_LOOSE_INFORMATION] += loose * (information - before)
        loads[load, L_INFORMATION] = information
        told = loads[load, L_LOOSE_INFORMATION]
        counted = told / (1.0 + told * LOOSE_LEFT_OUT_SD * LOOSE_LEFT_OUT_SD)
        loads[load, L_WIDEN] = information / (information - told + counted)


@jit(inline="always")
def drag_area(
    phi: float, phi_var: float, kappa: float, kappa_var: float, covariance: float
) -> tuple[float, float]:
    """Mean and variance of kappa / phi (m^2, scale 1), to second order in phi."""
    per_phi = 1.0 / max(phi, LEAST_PHI_PER_KG)
    ratio = kappa * per_phi
    mean = ratio + (ratio * phi_var - covariance) * per_phi * per_phi
    variance = kappa_var - 2.0 * ratio * covariance + ratio * ratio * phi_var
    return mean, max(variance * per_phi * per_phi, 1e-16)


LEAST_NAMED_AGAIN = 0.01
"""A hypothesis of less weight than this keeps the name it has ..."""
SURELY_FIRST = 1.5
"""... and so does one on the first kind whose resistance is within so many sd of that kind's."""


@jit(inline="always")
def name_ground(
    weight: float,
    roll: float,
    roll_var: float,
    own: int,
    kind_mean: FloatArray,
    kind_sd: FloatArray,
    odds_before: FloatArray,
    odds: FloatArray,
    surface_probability: FloatArray,
) -> None:
    """Share the weight of a hypothesis among the names of grounds, in place.

    The kinds of ground differ by what they are expected to resist only. Each kind's filter follows
    the resistance, and which of them caught it in its first second says little: given what the
    resistance is now known to be, Bayes' rule with the kinds' priors names it.

    Parameters
    ----------
    weight : float
    roll, roll_var : float
        Rolling resistance on this hypothesis, and its variance.
    own : int
        The name that the hypothesis has: it is kept where no kind explains the resistance.
    kind_mean, kind_sd : ndarray, shape (at least grounds,)
        What the kinds are expected to resist.
    odds_before : ndarray, shape (at least grounds,)
        Those of the log's start on the first kind (from there, and back there), those of arrival
        on the others.
    odds : ndarray, shape (at least grounds,)
        Scratch.
    surface_probability : ndarray, shape (grounds,)
    """
    if own == 0:
        variance = kind_sd[0] * kind_sd[0] + roll_var
        if (roll - kind_mean[0]) ** 2 < SURELY_FIRST * SURELY_FIRST * variance:
            surface_probability[0] += weight
            return
    total = 0.0
    for kind in range(surface_probability.size):
        variance = kind_sd[kind] * kind_sd[kind] + roll_var
        away = roll - kind_mean[kind]
        odds[kind] = odds_before[kind] * math.exp(-0.5 * away * away / variance)
        odds[kind] /= math.sqrt(variance)
        total += odds[kind]
    if total <= 0.0:
        surface_probability[own] += weight
        return
    for kind in range(surface_probability.size):
        surface_probability[kind] += weight * odds[kind] / total


@jit(inline="always")
def summarise(
    states: FloatArray,
    covariances: FloatArray,
    each: FloatArray,
    total: float,
    loads: FloatArray,
    grounds: Grounds,
    offset_sd_n: float,
    memory: FloatArray,
    out: FloatArray,
    surface_probability: FloatArray,
    weights: FloatArray,
    log_mass: FloatArray,
    log_mass_sd: FloatArray,
    roll: FloatArray,
    roll_sd: FloatArray,
    odds: FloatArray,
) -> None:
    """Moments and intervals of the mixture: one output row.

    Parameters
    ----------
    states, covariances : ndarray
        Shapes as in ``layout``.
    each : ndarray, shape (loads, lanes)
        Weights, from :func:`weigh`.
    total : float
        Their sum.
    loads : ndarray, shape (loads, 21)
    grounds : Grounds
    offset_sd_n : float
        Constant error of the computed force to be considered in rolling resistance and drag (N).
    memory : ndarray, shape (18,)
        The filter's: the intervals before, near which these are searched, and then these.
    out : ndarray, shape (24,)
        Receives the output row.
    surface_probability : ndarray, shape (grounds,)
        Receives the probability of each ground.
    weights, log_mass, log_mass_sd, roll, roll_sd : ndarray, shape (loads x lanes,)
        Scratch.
    odds : ndarray, shape (lanes,)
        Scratch.
    """
    modes = grounds.mean.size
    # Taken out of the tuple once: each taking counts a reference.
    surface, in_regeneration = grounds.surface, grounds.regeneration
    kind_mean, kind_sd = grounds.mean, grounds.sd
    at_start, rate_per_s = grounds.kind_at_start, grounds.rate_per_s
    offset_area_m2 = offset_sd_n / drag_force(1.0, OFFSET_DENSITY_KG_M3, OFFSET_SPEED_M_S, 0.0)
    for kind in range(surface_probability.size):
        surface_probability[kind] = 0.0
    count, active = 0, 0
    changed, solo, regeneration = 0.0, 0.0, 0.0
    drag, drag_second, drag_given = 0.0, 0.0, 0.0
    mass_first, mass_second, implied_first, implied_second = 0.0, 0.0, 0.0, 0.0
    roll_first, roll_second, scale_first, scale_second, kept = 0.0, 0.0, 0.0, 0.0, 0.0
    # Most hypotheses share one scale: its exponential is taken when it changes.
    last_scale_log, scale_factor = 0.0, 1.0
    for load in range(loads.shape[0]):
        if loads[load, L_ACTIVE] < 0.5:
            continue
        active += 1
        for mode in range(modes):
            weight = each[load, mode] / total
            own = surface[mode]
            if weight < LEAST_NAMED_AGAIN:
                surface_probability[own] += weight
            else:
                name_ground(
                    weight,
                    states[load, ROLL, mode],
                    covariances[load, ROLL, ROLL, mode],
                    own,
                    kind_mean,
                    kind_sd,
                    at_start if own == 0 else rate_per_s,
                    odds,
                    surface_probability,
                )
            if loads[load, L_CHANGED] > 0.5:
                changed += weight
            if loads[load, L_SOLO] > 0.5:
                solo += weight
            if in_regeneration[mode] == 1:
                regeneration += weight
            if weight < LEAST_WEIGHT:
                continue
            phi, phi_var = states[load, PHI, mode], covariances[load, PHI, PHI, mode]
            mean_i, var_i = log_implied(phi, phi_var)
            # What loose ground tells is not all believed: see reckon_information.
            var_i += (loads[load, L_WIDEN] - 1.0) * (var_i - LEFT_OUT_SD * LEFT_OUT_SD)
            mean_m, var_m, scale, scale_var = absolute_log_mass(loads, load, mean_i, var_i)
            weights[count] = weight
            log_mass[count] = mean_m
            log_mass_sd[count] = math.sqrt(var_m)
            if scale != last_scale_log:
                last_scale_log = scale
                scale_factor = math.exp(scale)
            mass_i = math.exp(mean_i)
            known_mass = loads[load, L_SOLO] > 0.5
            mass = math.exp(mean_m) if known_mass else mass_i * scale_factor
            mean_mass = mass * (1.0 + 0.5 * var_m)
            mass_first += weight * mean_mass
            mass_second += weight * mean_mass * mean_mass * (1.0 + var_m)
            mean_implied = mass_i * (1.0 + 0.5 * var_i)
            implied_first += weight * mean_implied
            implied_second += weight * mean_implied * mean_implied * (1.0 + var_i)
            roll_mean = states[load, ROLL, mode] + states[load, COLD, mode]
            roll_var = max(
                covariances[load, ROLL, ROLL, mode]
                + covariances[load, COLD, COLD, mode]
                + 2.0 * covariances[load, ROLL, COLD, mode],
                1e-16,
            )
            roll[count] = roll_mean
            offset_slope = offset_sd_n * max(phi, LEAST_PHI_PER_KG) / GRAVITY_M_S2
            roll_var += offset_slope * offset_slope
            roll_sd[count] = math.sqrt(roll_var)
            roll_first += weight * roll_mean
            roll_second += weight * (roll_mean * roll_mean + roll_var)
            scale_first += weight * scale
            scale_second += weight * (scale * scale + scale_var)
            area, area_var = drag_area(
                phi,
                phi_var,
                states[load, KAPPA, mode],
                covariances[load, KAPPA, KAPPA, mode],
                covariances[load, PHI, KAPPA, mode],
            )
            area_var += offset_area_m2 * offset_area_m2
            area *= scale_factor
            drag += weight * area
            drag_given += weight * (area_var + area * area)
            drag_second += weight * (area_var + area * area * (1.0 + scale_var))
            kept += weight
            count += 1
    # Shortened, not told how many: a count that starts as a literal is compiled for twice.
    weights, log_mass, log_mass_sd = weights[:count], log_mass[:count], log_mass_sd[:count]
    roll, roll_sd = roll[:count], roll_sd[:count]
    for i in range(count):
        weights[i] /= kept
    out[O_MASS] = mass_first / kept
    out[O_MASS_SD] = math.sqrt(max(mass_second / kept - out[O_MASS] ** 2, 1e-12))
    out[O_IMPLIED] = implied_first / kept
    scale_mean = scale_first / kept
    out[O_MASS_SD_GIVEN] = math.exp(scale_mean) * math.sqrt(
        max(implied_second / kept - out[O_IMPLIED] ** 2, 1e-12)
    )
    low, high = mixture_interval(
        weights,
        log_mass,
        log_mass_sd,
        memory[F_LOG_MASS_LOW],
        memory[F_LOG_MASS_HIGH],
    )
    memory[F_LOG_MASS_LOW], memory[F_LOG_MASS_HIGH] = low, high
    out[O_MASS_LOW], out[O_MASS_HIGH] = math.exp(low), math.exp(high)
    out[O_ROLL] = roll_first / kept
    out[O_ROLL_SD] = math.sqrt(max(roll_second / kept - out[O_ROLL] ** 2, 1e-16))
    low, high = mixture_interval(weights, roll, roll_sd, memory[F_ROLL_LOW], memory[F_ROLL_HIGH])
    memory[F_ROLL_LOW], memory[F_ROLL_HIGH] = low, high
    out[O_ROLL_LOW], out[O_ROLL_HIGH] = low, high
    out[O_DRAG] = drag / kept
    out[O_DRAG_SD] = math.sqrt(max(drag_second / kept - out[O_DRAG] ** 2, 1e-16))
    out[O_DRAG_SD_GIVEN] = math.sqrt(max(drag_given / kept - out[O_DRAG] ** 2, 1e-16))
    out[O_CHANGED] = changed
    out[O_SOLO] = solo
    out[O_REGENERATION] = regeneration
    out[O_LOG_SCALE] = scale_mean
    out[O_LOG_SCALE_SD] = math.sqrt(max(scale_second / kept - scale_mean**2, 0.0))
    out[O_LOADS] = active
