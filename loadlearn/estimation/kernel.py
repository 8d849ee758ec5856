"""The compiled filter: a Kalman filter per hypothesis, hypotheses of ground and of load.

Two layers. *Modes* are kinds of ground (some in regeneration); they switch at any moment, and the
switch re-draws the rolling resistance (interacting multiple models, Blom & Bar-Shalom, IEEE Trans.
Automatic Control 33(8), 1988, with pooled moments: O(modes) instead of O(modes^2)). *Loads* are
Gaussian components of what is hauled; they are spawned at a standstill only, and pruned or merged
as the drive decides. Every hypothesis is linear but for two products (wind with drag, regeneration
with inverse mass), see :mod:`loadlearn.estimation.model`.

Nothing here knows of files, channels or vehicles beyond the model's functions.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.estimation.model import (
    ACCESSORY,
    BIAS,
    COLD,
    DISTURBANCE,
    ENERGY,
    KAPPA,
    N_STATES,
    PHI,
    R_DT,
    R_HALF,
    R_KNOWN,
    R_REGEN,
    R_REVERSED,
    R_ROT,
    R_SPEED,
    R_STILL,
    R_TIME,
    R_Y,
    REGENERATION,
    REGENERATION_HIGH,
    REGENERATION_LOW,
    REGENERATION_MEAN,
    REGENERATION_OFF_PER_S,
    REGENERATION_ON_PER_S,
    REGENERATION_SD,
    ROLL,
    SLOPE,
    UNREPORTED,
    WIND,
    Grounds,
    Noise,
    Prior,
    measurement_variance,
    process_variance,
    row_sensitivities,
)
from loadlearn.roadload import GRAVITY_M_S2

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MAX_LOADS = 12
MIX_EVERY_S = 0.25

# What is remembered of a load hypothesis, beside its filters.
(
    L_ACTIVE,
    L_SOLO,
    L_CHANGED,
    L_LOG_SCALE,
    L_LOG_SCALE_VAR,
    L_PRIOR_LOG_MASS,
    L_PRIOR_LOG_MASS_VAR,
    L_PRIOR_LOG_IMPLIED,
    L_PRIOR_LOG_IMPLIED_VAR,
    L_SINCE_S,
) = range(10)
N_LOAD = 10

# Scalars of the filter's own memory.
(
    F_STARTED,
    F_SINCE_MIX_S,
    F_LOG_LIKELIHOOD,
    F_LEARNT_S,
    F_SINCE_TIDY_S,
    F_ENERGY_OPEN,
    F_LAST_STOP_S,
    F_BEFORE_KG,
    F_NIS,
    F_SURFACE,
    F_LAST_KG,
) = range(11)
N_FILTER = 11

# Output columns of a row.
(
    O_MASS,
    O_MASS_SD,
    O_MASS_SD_GIVEN,
    O_MASS_LOW,
    O_MASS_HIGH,
    O_IMPLIED,
    O_ROLL,
    O_ROLL_SD,
    O_ROLL_LOW,
    O_ROLL_HIGH,
    O_DRAG,
    O_DRAG_SD,
    O_DRAG_SD_GIVEN,
    O_CHANGED,
    O_SOLO,
    O_REGENERATION,
    O_SURFACE,
    O_LOG_SCALE,
    O_LOG_SCALE_SD,
    O_NIS,
    O_LOADS,
    O_LOG_LIKELIHOOD,
    O_STOP,
    O_BEFORE,
    O_LOW_GIVEN,
    O_HIGH_GIVEN,
) = range(26)
N_OUTPUT = 26


@jit
def _normal_cdf(x: float) -> float:
    return 0.5 * math.erfc(-x * 0.7071067811865476)


@jit
def _normal_pdf(x: float) -> float:
    return 0.3989422804014327 * math.exp(-0.5 * x * x)


@jit
def predict(
    state: FloatArray,
    covariance: FloatArray,
    row: FloatArray,
    noise: Noise,
    decay: FloatArray,
    sensitivity: FloatArray,
    scratch: FloatArray,
) -> None:
    """Carry one filter over a row's interval, in place.

    ``decay`` holds the factors of the Ornstein-Uhlenbeck states (1 for the others) and, in its
    second half, the variances they gain.
    """
    if row[R_KNOWN] > 0.5:
        predicted = row_sensitivities(state, row, sensitivity)
        # Rows outermost: the inner loop runs along memory and is vectorised.
        for j in range(N_STATES):
            scratch[j] = covariance[0, j]
        for i in range(1, N_STATES):
            factor = sensitivity[i]
            for j in range(N_STATES):
                scratch[j] += factor * covariance[i, j]
        variance = 0.0
        for i in range(N_STATES):
            variance += sensitivity[i] * scratch[i]
        state[ENERGY] = predicted
        for j in range(1, N_STATES):
            covariance[0, j] = scratch[j]
            covariance[j, 0] = scratch[j]
        covariance[0, 0] = variance + process_variance(state[PHI], row, noise)
    else:
        # The force is not known: the energy height is free, everything else stays.
        covariance[0, 0] += process_variance(state[PHI], row, noise)
    for index in (DISTURBANCE, WIND, ACCESSORY, COLD):
        factor = decay[index]
        state[index] *= factor
        for j in range(N_STATES):
            covariance[index, j] *= factor
            covariance[j, index] *= factor
        covariance[index, index] += decay[N_STATES + index]
    if row[R_KNOWN] > 0.5:
        covariance[ROLL, ROLL] += decay[N_STATES + ROLL]


@jit
def update(
    state: FloatArray, covariance: FloatArray, row: FloatArray, noise: Noise, scratch: FloatArray
) -> tuple[float, float]:
    """Update one filter with the measured energy height, in place.

    A speed read in whole units is an interval, not a point: the posterior given
    ``|y - E + phi mu T| <= half width`` is matched in its first two moments (assumed-density
    filtering; a truncated normal in the direction of the innovation).

    Returns
    -------
    log_likelihood, normalised_innovation_squared : float
    """
    rotating = row[R_ROT]
    innovation = row[R_Y] - state[ENERGY] + rotating * state[PHI]
    for j in range(N_STATES):
        scratch[j] = covariance[0, j] - rotating * covariance[1, j]
    variance = scratch[0] - rotating * scratch[1] + measurement_variance(row, noise)
    half_width = row[R_HALF] * row[R_SPEED] / GRAVITY_M_S2
    sd = math.sqrt(variance)
    if half_width > 0.02 * sd:
        low = (innovation - half_width) / sd
        high = (innovation + half_width) / sd
        if low > 0.0:
            # Work in the left tail, where the error function keeps its digits.
            mass = _normal_cdf(-low) - _normal_cdf(-high)
        else:
            mass = _normal_cdf(high) - _normal_cdf(low)
        if mass > 1e-12:
            pdf_low = _normal_pdf(low)
            pdf_high = _normal_pdf(high)
            shift = (pdf_low - pdf_high) / mass
            kept = 1.0 + (low * pdf_low - high * pdf_high) / mass - shift * shift
            kept = min(max(kept, 0.0), 1.0)
            log_likelihood = math.log(mass / (2.0 * half_width))
        else:
            # Far outside: the nearer edge, taken as a point.
            shift = low if low > 0.0 else high
            kept = 0.0
            log_likelihood = -0.5 * shift * shift - math.log(sd) - 0.9189385332046727
        gain = shift / sd
        reduction = (1.0 - kept) / variance
        nis = shift * shift
    else:
        gain = innovation / variance
        reduction = 1.0 / variance
        nis = innovation * innovation / variance
        log_likelihood = -0.5 * nis - math.log(sd) - 0.9189385332046727
    for j in range(N_STATES):
        state[j] += scratch[j] * gain
    for i in range(N_STATES):
        factor = scratch[i] * reduction
        for j in range(N_STATES):
            covariance[i, j] -= factor * scratch[j]
    return log_likelihood, nis


@jit
def decays(row: FloatArray, noise: Noise, decay: FloatArray) -> None:
    """Factors and added variances of the states that relax, over one row."""
    dt = row[R_DT]
    for j in range(N_STATES):
        decay[j] = 1.0
        decay[N_STATES + j] = 0.0
    factor = math.exp(-dt / noise.disturbance_time_s)
    decay[DISTURBANCE] = factor
    decay[N_STATES + DISTURBANCE] = noise.disturbance_sd**2 * (1.0 - factor * factor)
    factor = math.exp(-dt / noise.wind_time_s)
    decay[WIND] = factor
    decay[N_STATES + WIND] = noise.wind_sd_m_s**2 * (1.0 - factor * factor)
    factor = math.exp(-dt / noise.accessory_time_s)
    decay[ACCESSORY] = factor
    decay[N_STATES + ACCESSORY] = noise.accessory_sd_w**2 * (1.0 - factor * factor)
    decay[COLD] = math.exp(-dt / noise.cold_time_s)
    decay[N_STATES + ROLL] = noise.roll_walk_per_s05**2 * dt


@jit
def _start_filter(
    state: FloatArray,
    covariance: FloatArray,
    log_implied: float,
    log_implied_var: float,
    ground_mean: float,
    ground_sd: float,
    regeneration: int,
    drag_factor: float,
    prior: Prior,
    noise: Noise,
) -> None:
    """Prior of one filter for a load component whose implied mass is log-normal."""
    state[:] = 0.0
    covariance[:, :] = 0.0
    # phi is normal; its mean and sd follow the log-normal mass to second order.
    phi = math.exp(-log_implied + 0.5 * log_implied_var)
    phi_var = phi * phi * log_implied_var
    area = prior.drag_area_m2 * drag_factor
    area_sd = prior.drag_area_sd_m2
    state[PHI] = phi
    covariance[PHI, PHI] = phi_var
    state[ROLL] = ground_mean
    covariance[ROLL, ROLL] = ground_sd * ground_sd
    # kappa = A phi, A independent of phi.
    state[KAPPA] = area * phi
    covariance[KAPPA, KAPPA] = area * area * phi_var + area_sd * area_sd * (phi * phi + phi_var)
    covariance[KAPPA, PHI] = area * phi_var
    covariance[PHI, KAPPA] = area * phi_var
    covariance[DISTURBANCE, DISTURBANCE] = noise.disturbance_sd**2
    covariance[WIND, WIND] = noise.wind_sd_m_s**2
    covariance[ACCESSORY, ACCESSORY] = noise.accessory_sd_w**2
    state[SLOPE] = prior.speed_slope
    covariance[SLOPE, SLOPE] = prior.speed_slope_sd**2
    state[COLD] = prior.cold_excess
    covariance[COLD, COLD] = prior.cold_excess_sd**2
    state[UNREPORTED] = prior.unreported
    covariance[UNREPORTED, UNREPORTED] = prior.unreported_sd**2
    covariance[BIAS, BIAS] = prior.slope_bias_sd**2
    if regeneration == 1:
        state[REGENERATION] = REGENERATION_MEAN
        covariance[REGENERATION, REGENERATION] = REGENERATION_SD**2


@jit
def start(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
) -> None:
    """Lay out the hypotheses of a log's start, in place.

    Shapes: states (loads, modes, 12), covariances (loads, modes, 12, 12), log_weights (loads,
    modes), loads (loads, 10).
    """
    loads[:, :] = 0.0
    log_weights[:, :] = -1e300
    for part in range(prior.mass_kg.size):
        _start_load(
            part,
            part,
            states,
            covariances,
            log_weights,
            loads,
            grounds,
            prior,
            noise,
            math.log(prior.weight[part]),
            prior.log_scale,
            prior.log_scale_sd**2,
        )
        for mode in range(grounds.mean.size):
            log_weights[part, mode] += math.log(grounds.initial[mode])


@jit
def _start_load(
    slot: int,
    part: int,
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    log_weight: float,
    log_scale: float,
    log_scale_var: float,
) -> None:
    mass, sd = prior.mass_kg[part], prior.mass_sd_kg[part]
    log_var = math.log(1.0 + (sd / mass) ** 2)
    log_mass = math.log(mass) - 0.5 * log_var
    solo = prior.solo[part]
    loads[slot, L_ACTIVE] = 1.0
    loads[slot, L_SOLO] = solo
    loads[slot, L_LOG_SCALE] = log_scale
    loads[slot, L_LOG_SCALE_VAR] = log_scale_var
    loads[slot, L_PRIOR_LOG_MASS] = log_mass
    loads[slot, L_PRIOR_LOG_MASS_VAR] = log_var
    loads[slot, L_PRIOR_LOG_IMPLIED] = log_mass - log_scale
    loads[slot, L_PRIOR_LOG_IMPLIED_VAR] = log_var + log_scale_var
    loads[slot, L_SINCE_S] = 0.0
    for mode in range(grounds.mean.size):
        _start_filter(
            states[slot, mode],
            covariances[slot, mode],
            loads[slot, L_PRIOR_LOG_IMPLIED],
            loads[slot, L_PRIOR_LOG_IMPLIED_VAR],
            grounds.mean[mode],
            grounds.sd[mode],
            grounds.regeneration[mode],
            prior.solo_drag_factor if solo == 1 else 1.0,
            prior,
            noise,
        )
        log_weights[slot, mode] = log_weight


@jit
def mix(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    grounds: Grounds,
    dt: float,
    old_states: FloatArray,
    old_covariances: FloatArray,
    pooled: FloatArray,
    pooled_covariance: FloatArray,
) -> None:
    """Let the ground (and a regeneration) change during ``dt`` seconds of driving, in place.

    Arrivals on a ground come with the pooled moments of all modes of the same regeneration flag,
    but with the rolling resistance re-drawn from the new ground's prior, uncorrelated with all
    else.
    """
    modes = grounds.mean.size
    peak = log_weights[0]
    for mode in range(modes):
        peak = max(peak, log_weights[mode])
    weight = np.empty(modes)
    for mode in range(modes):
        weight[mode] = math.exp(log_weights[mode] - peak)
        old_states[mode] = states[mode]
        old_covariances[mode] = covariances[mode]
    new_weight = np.zeros(modes)
    for flag in range(2):
        total = 0.0
        leaving = 0.0
        for mode in range(modes):
            if grounds.regeneration[mode] == flag:
                total += weight[mode]
                leaving += grounds.rate_per_s[mode]
        if total <= 0.0:
            continue
        # Pooled moments over the modes of this flag.
        pooled[:] = 0.0
        pooled_covariance[:, :] = 0.0
        for mode in range(modes):
            share = weight[mode] / total
            if grounds.regeneration[mode] != flag or share < 1e-12:
                continue
            for i in range(N_STATES):
                pooled[i] += share * old_states[mode, i]
        for mode in range(modes):
            share = weight[mode] / total
            if grounds.regeneration[mode] != flag or share < 1e-12:
                continue
            for i in range(N_STATES):
                di = old_states[mode, i] - pooled[i]
                for j in range(N_STATES):
                    dj = old_states[mode, j] - pooled[j]
                    pooled_covariance[i, j] += share * (old_covariances[mode, i, j] + di * dj)
        for mode in range(modes):
            if grounds.regeneration[mode] != flag:
                continue
            stay = weight[mode] * (1.0 - (leaving - grounds.rate_per_s[mode]) * dt)
            arrive = (total - weight[mode]) * grounds.rate_per_s[mode] * dt
            new_weight[mode] = stay + arrive
            if arrive <= 1e-9 * stay:
                continue
            pooled[ROLL] = grounds.mean[mode]
            for i in range(N_STATES):
                pooled_covariance[i, ROLL] = 0.0
                pooled_covariance[ROLL, i] = 0.0
            pooled_covariance[ROLL, ROLL] = grounds.sd[mode] ** 2
            _merge_into(states[mode], covariances[mode], stay, pooled, pooled_covariance, arrive)
    # A regeneration may begin or end; the ground stays.
    for mode in range(modes):
        other = grounds.partner[mode]
        if other < 0 or grounds.regeneration[mode] == 1:
            continue
        begin = new_weight[mode] * REGENERATION_ON_PER_S * dt
        end = new_weight[other] * REGENERATION_OFF_PER_S * dt
        old_states[mode] = states[mode]
        old_covariances[mode] = covariances[mode]
        old_states[other] = states[other]
        old_covariances[other] = covariances[other]
        _clear_state(old_states[mode], old_covariances[mode], REGENERATION)
        old_states[mode, REGENERATION] = REGENERATION_MEAN
        old_covariances[mode, REGENERATION, REGENERATION] = REGENERATION_SD**2
        _clear_state(old_states[other], old_covariances[other], REGENERATION)
        stay_off, stay_on = new_weight[mode] - begin, new_weight[other] - end
        if begin > 1e-9 * stay_on:
            _merge_into(
                states[other],
                covariances[other],
                stay_on,
                old_states[mode],
                old_covariances[mode],
                begin,
            )
        if end > 1e-9 * stay_off:
            _merge_into(
                states[mode],
                covariances[mode],
                stay_off,
                old_states[other],
                old_covariances[other],
                end,
            )
        new_weight[mode] = stay_off + end
        new_weight[other] = stay_on + begin
    for mode in range(modes):
        log_weights[mode] = peak + math.log(max(new_weight[mode], 1e-300))
        if grounds.regeneration[mode] == 1:
            log_weights[mode] += _bound_regeneration(states[mode], covariances[mode])


@jit
def _bound_regeneration(state: FloatArray, covariance: FloatArray) -> float:
    """Hold the excess fuel of a regeneration to what regenerations can be, in place.

    When most of the normal lies outside the bounds, its moments are matched to the normal
    truncated there (so a wrong mass cannot hide behind an impossible regeneration). Returns the
    log of the probability that the bounds hold, 0 when most of it lies inside.
    """
    variance = covariance[REGENERATION, REGENERATION]
    sd = math.sqrt(max(variance, 1e-12))
    low = (REGENERATION_LOW - state[REGENERATION]) / sd
    high = (REGENERATION_HIGH - state[REGENERATION]) / sd
    inside = _normal_cdf(high) - _normal_cdf(low)
    if inside > 0.4:
        return 0.0
    if inside > 1e-9:
        pdf_low, pdf_high = _normal_pdf(low), _normal_pdf(high)
        shift = (pdf_low - pdf_high) / inside
        kept = 1.0 + (low * pdf_low - high * pdf_high) / inside - shift * shift
        kept = min(max(kept, 0.0), 1.0)
    else:
        shift = low if low > 0.0 else high
        kept = 0.01
        inside = 1e-9
    gain = np.empty(N_STATES)
    for j in range(N_STATES):
        gain[j] = covariance[REGENERATION, j] / sd
    for i in range(N_STATES):
        state[i] += gain[i] * shift
        for j in range(N_STATES):
            covariance[i, j] -= gain[i] * gain[j] * (1.0 - kept)
    return math.log(inside)


@jit
def _clear_state(state: FloatArray, covariance: FloatArray, index: int) -> None:
    state[index] = 0.0
    for j in range(N_STATES):
        covariance[index, j] = 0.0
        covariance[j, index] = 0.0


@jit
def _merge_into(
    state: FloatArray,
    covariance: FloatArray,
    weight: float,
    other: FloatArray,
    other_covariance: FloatArray,
    other_weight: float,
) -> None:
    """Moment-match two Gaussian components into the first, in place."""
    total = weight + other_weight
    if total <= 0.0:
        return
    a, b = weight / total, other_weight / total
    for i in range(N_STATES):
        di = other[i] - state[i]
        for j in range(N_STATES):
            dj = other[j] - state[j]
            covariance[i, j] = a * covariance[i, j] + b * other_covariance[i, j] + a * b * di * dj
    for i in range(N_STATES):
        state[i] += b * (other[i] - state[i])


@jit
def _load_weight(log_weights: FloatArray, peak: float) -> float:
    total = 0.0
    for mode in range(log_weights.size):
        total += math.exp(log_weights[mode] - peak)
    return total


@jit
def _peak(log_weights: FloatArray, loads: FloatArray) -> float:
    peak = -1e300
    for load in range(loads.shape[0]):
        if loads[load, L_ACTIVE] > 0.5:
            for mode in range(log_weights.shape[1]):
                peak = max(peak, log_weights[load, mode])
    return peak


@jit
def absolute_log_mass(
    load: FloatArray, log_implied: float, log_implied_var: float
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
    scale, scale_var = load[L_LOG_SCALE], load[L_LOG_SCALE_VAR]
    if load[L_SOLO] < 0.5:
        return log_implied + scale, log_implied_var + scale_var, scale, scale_var
    prior_var = load[L_PRIOR_LOG_IMPLIED_VAR]
    shift = log_implied - load[L_PRIOR_LOG_IMPLIED]
    gain_mass = load[L_PRIOR_LOG_MASS_VAR] / prior_var
    gain_scale = scale_var / prior_var
    shrink = prior_var - log_implied_var
    return (
        load[L_PRIOR_LOG_MASS] + gain_mass * shift,
        load[L_PRIOR_LOG_MASS_VAR] - gain_mass * gain_mass * shrink,
        scale - gain_scale * shift,
        scale_var - gain_scale * gain_scale * shrink,
    )


@jit
def _log_implied(state: FloatArray, covariance: FloatArray) -> tuple[float, float]:
    """Mean and variance of ln m' = -ln phi for a normal phi (second order)."""
    phi = max(state[PHI], 1e-9)
    variance = covariance[PHI, PHI] / (phi * phi)
    return -math.log(phi) + 0.5 * variance, variance


@jit
def spawn(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    still_s: float,
    reversed_before: bool,
) -> None:
    """A standstill is over: the load may be the same, another, or nothing at all, in place.

    The hazard of a change grows with the standstill's length; reversing just before raises its
    odds (hitching and tipping are done in reverse).
    """
    change = 0.45 * (1.0 - math.exp(-still_s / 500.0))
    if reversed_before:
        change = 3.0 * change / (1.0 + 2.0 * change)
    if change < 1e-4:
        return
    peak = _peak(log_weights, loads)
    modes = log_weights.shape[1]
    total = 0.0
    best, best_weight = 0, -1.0
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] > 0.5:
            weight = _load_weight(log_weights[load], peak)
            total += weight
            if weight > best_weight:
                best, best_weight = load, weight
    # Keep the few loads that matter; the rest makes room.
    log_scale, scale_second, mode_log = 0.0, 0.0, np.zeros(modes)
    for mode in range(modes):
        mode_log[mode] = 1e-12
    kept_loads = 0
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] < 0.5:
            continue
        weight = _load_weight(log_weights[load], peak)
        if weight < 1e-3 * total:
            loads[load, L_ACTIVE] = 0.0
            continue
        kept_loads += 1
        log_implied, implied_var = _log_implied_pooled(
            states[load], covariances[load], log_weights[load]
        )
        _, _, scale, scale_var = absolute_log_mass(loads[load], log_implied, implied_var)
        share = weight / total
        log_scale += share * scale
        scale_second += share * (scale_var + scale * scale)
        for mode in range(modes):
            mode_log[mode] += math.exp(log_weights[load, mode] - peak) / total
    while kept_loads > 3:
        worst, worst_weight = -1, 1e300
        for load in range(MAX_LOADS):
            if loads[load, L_ACTIVE] > 0.5:
                weight = _load_weight(log_weights[load], peak)
                if weight < worst_weight:
                    worst, worst_weight = load, weight
        loads[worst, L_ACTIVE] = 0.0
        kept_loads -= 1
    scale_var_pooled = max(scale_second - log_scale * log_scale, 0.0)
    pooled_solo = loads[best, L_SOLO] > 0.5
    # The same load: people and things get in and out, tyres are let down or pumped up.
    people = 25.0 * (1.0 - math.exp(-still_s / 180.0))
    tyres = 1.0 - math.exp(-still_s / 900.0)
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] < 0.5:
            continue
        loads[load, L_CHANGED] = 0.0
        loads[load, L_SINCE_S] = 0.0
        for mode in range(modes):
            log_weights[load, mode] += math.log1p(-change)
            phi = states[load, mode, PHI]
            covariances[load, mode, PHI, PHI] += (people * phi * phi) ** 2
            covariances[load, mode, ROLL, ROLL] += (0.15 * tyres * grounds.sd[mode]) ** 2
    # Another load, or none.
    weight_sum = 0.0
    for part in range(prior.mass_kg.size):
        if not (prior.solo[part] == 1 and pooled_solo):
            weight_sum += prior.weight[part] * (5.0 if prior.solo[part] == 1 else 1.0)
    for part in range(prior.mass_kg.size):
        if prior.solo[part] == 1 and pooled_solo:
            continue
        slot = -1
        for load in range(MAX_LOADS):
            if loads[load, L_ACTIVE] < 0.5:
                slot = load
                break
        if slot < 0:
            break
        # Nothing hitched is as likely as all other loads together.
        share = change * prior.weight[part] * (5.0 if prior.solo[part] == 1 else 1.0) / weight_sum
        _start_load(
            slot,
            part,
            states,
            covariances,
            log_weights,
            loads,
            grounds,
            prior,
            noise,
            peak + math.log(total * share),
            log_scale,
            scale_var_pooled,
        )
        loads[slot, L_CHANGED] = 1.0
        for mode in range(modes):
            log_weights[slot, mode] += math.log(mode_log[mode])
            state, covariance = states[slot, mode], covariances[slot, mode]
            parent, parent_covariance = states[best, mode], covariances[best, mode]
            state[ENERGY] = parent[ENERGY]
            covariance[ENERGY, ENERGY] = parent_covariance[ENERGY, ENERGY] + 1.0
            # What does not hang on the load carries over (its correlations with the load do not).
            for index in (WIND, ACCESSORY, SLOPE, COLD, UNREPORTED, BIAS):
                state[index] = parent[index]
                covariance[index, index] = parent_covariance[index, index]
            # The tow vehicle's tyres stay on the same ground; the trailer's are others.
            state[ROLL] = parent[ROLL]
            covariance[ROLL, ROLL] = parent_covariance[ROLL, ROLL] + (0.4 * grounds.sd[mode]) ** 2


@jit
def _log_implied_pooled(
    states: FloatArray, covariances: FloatArray, log_weights: FloatArray
) -> tuple[float, float]:
    """Mean and variance of ln m' over the modes of one load."""
    peak = log_weights[0]
    for mode in range(log_weights.size):
        peak = max(peak, log_weights[mode])
    total, first, second = 0.0, 0.0, 0.0
    for mode in range(log_weights.size):
        weight = math.exp(log_weights[mode] - peak)
        if weight < 1e-9:
            continue
        mean, variance = _log_implied(states[mode], covariances[mode])
        total += weight
        first += weight * mean
        second += weight * (variance + mean * mean)
    first /= total
    return first, max(second / total - first * first, 1e-16)


@jit
def tidy(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
) -> None:
    """Drop loads that the drive has ruled out; merge those that have become the same, in place."""
    peak = _peak(log_weights, loads)
    modes = log_weights.shape[1]
    total = 0.0
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] > 0.5:
            total += _load_weight(log_weights[load], peak)
    for load in range(MAX_LOADS):
        if (
            loads[load, L_ACTIVE] > 0.5
            and loads[load, L_SINCE_S] > 20.0
            and _load_weight(log_weights[load], peak) < 1e-7 * total
        ):
            loads[load, L_ACTIVE] = 0.0
    for first in range(MAX_LOADS):
        if loads[first, L_ACTIVE] < 0.5:
            continue
        for second in range(first + 1, MAX_LOADS):
            if (
                loads[second, L_ACTIVE] < 0.5
                or loads[first, L_SOLO] > 0.5
                or loads[second, L_SOLO] > 0.5
                or loads[first, L_CHANGED] != loads[second, L_CHANGED]
            ):
                continue
            mean_a, var_a = _log_implied_pooled(
                states[first], covariances[first], log_weights[first]
            )
            mean_b, var_b = _log_implied_pooled(
                states[second], covariances[second], log_weights[second]
            )
            small, large = min(var_a, var_b), max(var_a, var_b)
            if large > 2.5 * small or (mean_a - mean_b) ** 2 > 0.5 * small:
                continue
            for mode in range(modes):
                weight_a = math.exp(log_weights[first, mode] - peak)
                weight_b = math.exp(log_weights[second, mode] - peak)
                if weight_b > 1e-9 * weight_a:
                    _merge_into(
                        states[first, mode],
                        covariances[first, mode],
                        weight_a,
                        states[second, mode],
                        covariances[second, mode],
                        weight_b,
                    )
                log_weights[first, mode] = peak + math.log(max(weight_a + weight_b, 1e-300))
            loads[second, L_ACTIVE] = 0.0


@jit
def _mixture_quantile(
    probability: float, count: int, weight: FloatArray, mean: FloatArray, sd: FloatArray
) -> float:
    """Quantile of a normal mixture by bisection between the extreme component quantiles."""
    # Acklam-free: the bracket needs no inverse error function.
    low, high = 1e300, -1e300
    for i in range(count):
        low = min(low, mean[i] - 9.0 * sd[i])
        high = max(high, mean[i] + 9.0 * sd[i])
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = 0.0
        for i in range(count):
            below += weight[i] * _normal_cdf((middle - mean[i]) / sd[i])
        if below < probability:
            low = middle
        else:
            high = middle
        if high - low < 1e-7 * (abs(middle) + 1e-3):
            break
    return 0.5 * (low + high)


_Z95 = 1.959963984540054


@jit
def _interval(
    count: int, weight: FloatArray, mean: FloatArray, sd: FloatArray
) -> tuple[float, float]:
    """Central 95 % interval of a normal mixture."""
    best = 0
    for i in range(count):
        if weight[i] > weight[best]:
            best = i
    if count == 1 or weight[best] > 0.995:
        return mean[best] - _Z95 * sd[best], mean[best] + _Z95 * sd[best]
    # Components of nearly the same shape need no search.
    first, second, spread = 0.0, 0.0, 0.0
    for i in range(count):
        first += weight[i] * mean[i]
        second += weight[i] * (mean[i] * mean[i] + sd[i] * sd[i])
    variance = max(second - first * first, 1e-300)
    for i in range(count):
        if weight[i] > 1e-6:
            spread = max(
                spread,
                abs(sd[i] * sd[i] / variance - 1.0),
                (mean[i] - first) ** 2 / variance,
            )
    if spread < 0.05:
        sd_all = math.sqrt(variance)
        return first - _Z95 * sd_all, first + _Z95 * sd_all
    return (
        _mixture_quantile(0.025, count, weight, mean, sd),
        _mixture_quantile(0.975, count, weight, mean, sd),
    )


@jit
def summarise(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
    grounds: Grounds,
    out: FloatArray,
    surface_probability: FloatArray,
    scratch: FloatArray,
) -> None:
    """Moments and intervals of the mixture: one output row.

    ``scratch`` has shape (7, loads x modes).
    """
    peak = _peak(log_weights, loads)
    modes = log_weights.shape[1]
    total = 0.0
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] > 0.5:
            total += _load_weight(log_weights[load], peak)
    surface_probability[:] = 0.0
    count = 0
    active = 0
    changed, solo, regeneration = 0.0, 0.0, 0.0
    weights, log_mass, log_mass_sd, implied, implied_sd, roll, roll_sd = (
        scratch[0],
        scratch[1],
        scratch[2],
        scratch[3],
        scratch[4],
        scratch[5],
        scratch[6],
    )
    drag, drag_second, drag_given = 0.0, 0.0, 0.0
    mass_first, mass_second, implied_first, implied_second = 0.0, 0.0, 0.0, 0.0
    roll_first, roll_second = 0.0, 0.0
    scale_first, scale_second = 0.0, 0.0
    kept = 0.0
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] < 0.5:
            continue
        active += 1
        for mode in range(modes):
            weight = math.exp(log_weights[load, mode] - peak) / total
            surface_probability[grounds.surface[mode]] += weight
            if loads[load, L_CHANGED] > 0.5:
                changed += weight
            if loads[load, L_SOLO] > 0.5:
                solo += weight
            if grounds.regeneration[mode] == 1:
                regeneration += weight
            if weight < 1e-7:
                continue
            state, covariance = states[load, mode], covariances[load, mode]
            log_implied, implied_var = _log_implied(state, covariance)
            log_m, log_m_var, scale, scale_var = absolute_log_mass(
                loads[load], log_implied, implied_var
            )
            weights[count] = weight
            log_mass[count] = log_m
            log_mass_sd[count] = math.sqrt(log_m_var)
            implied[count] = log_implied
            implied_sd[count] = math.sqrt(implied_var)
            roll[count] = state[ROLL] + state[COLD]
            roll_sd[count] = math.sqrt(
                max(
                    covariance[ROLL, ROLL] + covariance[COLD, COLD] + 2.0 * covariance[ROLL, COLD],
                    1e-16,
                )
            )
            mean_mass = math.exp(log_m + 0.5 * log_m_var)
            mass_first += weight * mean_mass
            mass_second += weight * mean_mass * mean_mass * math.exp(log_m_var)
            mean_implied = math.exp(log_implied + 0.5 * implied_var)
            implied_first += weight * mean_implied
            implied_second += weight * mean_implied * mean_implied * math.exp(implied_var)
            roll_first += weight * roll[count]
            roll_second += weight * (roll[count] ** 2 + roll_sd[count] ** 2)
            scale_first += weight * scale
            scale_second += weight * (scale * scale + scale_var)
            # CdA = kappa m = kappa s / phi, to second order in phi.
            phi = state[PHI]
            kappa = state[KAPPA]
            ratio = kappa / phi
            given_var = (
                covariance[KAPPA, KAPPA]
                - 2.0 * ratio * covariance[KAPPA, PHI]
                + ratio * ratio * covariance[PHI, PHI]
            ) / (phi * phi)
            area = ratio + (ratio * covariance[PHI, PHI] - covariance[KAPPA, PHI]) / (phi * phi)
            area *= math.exp(scale)
            drag += weight * area
            drag_given += weight * (given_var + area * area)
            drag_second += weight * (given_var + area * area * (1.0 + scale_var))
            kept += weight
            count += 1
    for i in range(count):
        weights[i] /= kept
    out[O_MASS] = mass_first / kept
    out[O_MASS_SD] = math.sqrt(max(mass_second / kept - out[O_MASS] ** 2, 1e-12))
    out[O_IMPLIED] = implied_first / kept
    scale_mean = scale_first / kept
    out[O_MASS_SD_GIVEN] = math.exp(scale_mean) * math.sqrt(
        max(implied_second / kept - out[O_IMPLIED] ** 2, 1e-12)
    )
    low, high = _interval(count, weights, log_mass, log_mass_sd)
    out[O_MASS_LOW], out[O_MASS_HIGH] = math.exp(low), math.exp(high)
    low, high = _interval(count, weights, implied, implied_sd)
    out[O_LOW_GIVEN], out[O_HIGH_GIVEN] = math.exp(low), math.exp(high)
    out[O_ROLL] = roll_first / kept
    out[O_ROLL_SD] = math.sqrt(max(roll_second / kept - out[O_ROLL] ** 2, 1e-16))
    out[O_ROLL_LOW], out[O_ROLL_HIGH] = _interval(count, weights, roll, roll_sd)
    out[O_DRAG] = drag / kept
    out[O_DRAG_SD] = math.sqrt(max(drag_second / kept - out[O_DRAG] ** 2, 1e-16))
    out[O_DRAG_SD_GIVEN] = math.sqrt(max(drag_given / kept - out[O_DRAG] ** 2, 1e-16))
    out[O_CHANGED] = changed
    out[O_SOLO] = solo
    out[O_REGENERATION] = regeneration
    out[O_LOG_SCALE] = scale_mean
    out[O_LOG_SCALE_SD] = math.sqrt(max(scale_second / kept - scale_mean**2, 0.0))
    out[O_LOADS] = active


@jit
def filter_rows(
    rows: FloatArray,
    count: int,
    memory: FloatArray,
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    outputs: FloatArray,
    surface_probability: FloatArray,
    with_outputs: bool,
) -> None:
    """Run the hypotheses over rows, in place.

    Parameters
    ----------
    rows : ndarray, shape (at least count, 23)
    count : int
    memory : ndarray, shape (11,)
    states, covariances, log_weights, loads
        As in :func:`start`.
    grounds, prior, noise
        See :mod:`loadlearn.estimation.model`.
    outputs : ndarray, shape (count, 26)
    surface_probability : ndarray, shape (count, grounds)
    with_outputs : bool
        False to compute the log-likelihood only.
    """
    modes = grounds.mean.size
    sensitivity = np.empty(N_STATES)
    scratch = np.empty(N_STATES)
    decay = np.empty(2 * N_STATES)
    old_states = np.empty((modes, N_STATES))
    old_covariances = np.empty((modes, N_STATES, N_STATES))
    pooled = np.empty(N_STATES)
    pooled_covariance = np.empty((N_STATES, N_STATES))
    mixture = np.empty((7, MAX_LOADS * modes))
    for index in range(count):
        row = rows[index]
        if memory[F_STARTED] == 0.0:
            start(states, covariances, log_weights, loads, grounds, prior, noise)
            memory[F_STARTED] = 1.0
            memory[F_ENERGY_OPEN] = 1.0
        if row[R_STILL] > 0.0 and memory[F_LEARNT_S] > 0.0:
            if row[R_STILL] > 3.0:
                memory[F_LAST_STOP_S] = row[R_TIME]
                memory[F_BEFORE_KG] = memory[F_LAST_KG]
                spawn(
                    states,
                    covariances,
                    log_weights,
                    loads,
                    grounds,
                    prior,
                    noise,
                    row[R_STILL],
                    row[R_REVERSED] > 0.5,
                )
        decays(row, noise, decay)
        measured = not math.isnan(row[R_Y])
        known = row[R_KNOWN] > 0.5
        if known:
            memory[F_SINCE_MIX_S] += row[R_DT]
            memory[F_LEARNT_S] += row[R_DT]
            memory[F_SINCE_TIDY_S] += row[R_DT]
        mix_now = known and memory[F_SINCE_MIX_S] >= MIX_EVERY_S
        peak = -1e300
        nis_best = math.nan
        for load in range(MAX_LOADS):
            if loads[load, L_ACTIVE] < 0.5:
                continue
            if known:
                loads[load, L_SINCE_S] += row[R_DT]
            if mix_now and modes > 1:
                mix(
                    states[load],
                    covariances[load],
                    log_weights[load],
                    grounds,
                    memory[F_SINCE_MIX_S],
                    old_states,
                    old_covariances,
                    pooled,
                    pooled_covariance,
                )
            for mode in range(modes):
                state, covariance = states[load, mode], covariances[load, mode]
                predict(state, covariance, row, noise, decay, sensitivity, scratch)
                if not measured:
                    continue
                if memory[F_ENERGY_OPEN] == 1.0:
                    # The first height sets the datum: known to the measurement's own noise.
                    state[ENERGY] = row[R_Y] + row[R_ROT] * state[PHI]
                    half = row[R_HALF] * row[R_SPEED] / GRAVITY_M_S2
                    covariance[ENERGY, ENERGY] = (
                        measurement_variance(row, noise) + half * half / 3.0
                    )
                    continue
                log_likelihood, nis = update(state, covariance, row, noise, scratch)
                if known:
                    log_weights[load, mode] += log_likelihood
                    if log_weights[load, mode] > peak:
                        peak = log_weights[load, mode]
                        nis_best = nis
        if measured:
            memory[F_ENERGY_OPEN] = 0.0
        if mix_now:
            memory[F_SINCE_MIX_S] = 0.0
        memory[F_NIS] = nis_best
        if mix_now and row[R_REGEN] != 0.0:
            # The regeneration flag is evidence, not proof: flags come late and go early.
            for load in range(MAX_LOADS):
                for mode in range(modes):
                    agrees = (grounds.regeneration[mode] == 1) == (row[R_REGEN] > 0.0)
                    log_weights[load, mode] += -0.05 if agrees else -3.0
        if peak > -1e299:
            # Keep the weights near one; what is taken off is the log's likelihood.
            total = 0.0
            for load in range(MAX_LOADS):
                if loads[load, L_ACTIVE] > 0.5:
                    total += _load_weight(log_weights[load], peak)
            shift = peak + math.log(total)
            memory[F_LOG_LIKELIHOOD] += shift
            for load in range(MAX_LOADS):
                if loads[load, L_ACTIVE] > 0.5:
                    for mode in range(modes):
                        log_weights[load, mode] -= shift
        if memory[F_SINCE_TIDY_S] > 2.0:
            memory[F_SINCE_TIDY_S] = 0.0
            tidy(states, covariances, log_weights, loads)
        if with_outputs:
            out = outputs[index]
            summarise(
                states,
                covariances,
                log_weights,
                loads,
                grounds,
                out,
                surface_probability[index],
                mixture,
            )
            # The surface named is the most probable one, with hysteresis.
            named = int(memory[F_SURFACE])
            likeliest = int(np.argmax(surface_probability[index]))
            if surface_probability[index, likeliest] > 0.6 or (
                surface_probability[index, named] < 0.2
            ):
                named = likeliest
            memory[F_SURFACE] = named
            memory[F_LAST_KG] = out[O_MASS]
            out[O_SURFACE] = named
            out[O_NIS] = nis_best
            out[O_LOG_LIKELIHOOD] = memory[F_LOG_LIKELIHOOD]
            out[O_STOP] = memory[F_LAST_STOP_S]
            out[O_BEFORE] = memory[F_BEFORE_KG]
