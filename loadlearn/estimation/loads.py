"""The load can change at a standstill only: hypotheses are spawned there, and the drive decides.

At a standstill three things may have happened: nothing (people, a few tens of kilograms), another
load (drawn from the prior of loads), or nothing is hitched (the rig's own mass). The hazard of a
change grows with the standstill's length.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.estimation.grounds import merge_lanes
from loadlearn.estimation.layout import (
    L_ACTIVE,
    L_CHANGED,
    L_GROUND,
    L_INFORMATION,
    L_LOG_SCALE,
    L_LOG_SCALE_VAR,
    L_LOOSE_INFORMATION,
    L_PRIOR_LOG_IMPLIED,
    L_PRIOR_LOG_IMPLIED_VAR,
    L_PRIOR_LOG_MASS,
    L_PRIOR_LOG_MASS_VAR,
    L_SINCE_S,
    L_SOLO,
    L_WIDEN,
    MAX_LOADS,
    NO_WEIGHT,
)
from loadlearn.estimation.mixture import (
    absolute_log_mass,
    load_weight,
    log_implied_pooled,
    peak_of,
)
from loadlearn.estimation.model import (
    ACCESSORY,
    BIAS,
    COLD,
    DISTURBANCE,
    ENERGY,
    KAPPA,
    LAG,
    PHI,
    REGENERATION,
    REGENERATION_MEAN,
    REGENERATION_SD,
    ROLL,
    SLIP,
    SLOPE,
    SQUAT,
    TILT,
    UNREPORTED,
    WIND,
    Grounds,
    Noise,
    Prior,
)

FloatArray = NDArray[np.float64]

UNTOLD_SHARE = 0.01
"""A changed load of less weight than this, no different from the unchanged one, merges with it."""
TRAFFIC_HALT_S = 120.0
"""Standstills as long as this are as likely traffic's as the driver's own (no source)."""
SOLO_ODDS = 5.0
"""At a change of load, nothing hitched is this many times likelier than the prior at a start."""


@jit
def _start_lane(
    states: FloatArray,
    covariances: FloatArray,
    lane: int,
    mode: int,
    log_implied: float,
    log_implied_var: float,
    drag_factor: float,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
) -> None:
    """Prior of one filter for a load component whose implied mass is log-normal."""
    n = states.shape[0]
    state = np.zeros(n)
    variance = np.zeros(n)
    # phi is normal; its mean and sd follow the log-normal mass to second order.
    phi = math.exp(-log_implied + 0.5 * log_implied_var)
    area = prior.drag_area_m2 * drag_factor
    state[PHI] = phi
    variance[PHI] = phi * phi * log_implied_var
    state[ROLL] = grounds.mean[mode]
    variance[ROLL] = grounds.sd[mode] ** 2
    # kappa = A phi, with A independent of phi.
    state[KAPPA] = area * phi
    variance[KAPPA] = area * area * variance[PHI] + prior.drag_area_sd_m2**2 * (
        phi * phi + variance[PHI]
    )
    variance[DISTURBANCE] = noise.disturbance_sd**2
    variance[WIND] = noise.wind_sd_m_s**2
    variance[ACCESSORY] = noise.accessory_sd_w**2
    state[SLOPE] = prior.speed_slope
    variance[SLOPE] = prior.speed_slope_sd**2
    state[COLD] = prior.cold_excess
    variance[COLD] = prior.cold_excess_sd**2
    variance[TILT] = prior.tilt_sd**2
    state[LAG] = prior.lag_s
    variance[LAG] = prior.lag_sd_s**2
    state[SLIP] = prior.slip_per_n * grounds.slip[mode]
    variance[SLIP] = (prior.slip_sd_per_n * grounds.slip[mode]) ** 2
    if n > REGENERATION and grounds.regeneration[mode] == 1:
        state[REGENERATION] = REGENERATION_MEAN
        variance[REGENERATION] = REGENERATION_SD**2
    if n > UNREPORTED:
        state[UNREPORTED] = prior.unreported
        variance[UNREPORTED] = prior.unreported_sd**2
    if n > BIAS:
        variance[BIAS] = prior.slope_bias_sd**2
    if n > SQUAT:
        state[SQUAT] = prior.squat_rad_s2_m
        variance[SQUAT] = prior.squat_sd_rad_s2_m**2
    for i in range(n):
        states[i, lane] = state[i]
        for j in range(n):
            covariances[i, j, lane] = 0.0
        covariances[i, i, lane] = variance[i]
    covariances[KAPPA, PHI, lane] = area * variance[PHI]
    covariances[PHI, KAPPA, lane] = area * variance[PHI]


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
    """Lay out the load component ``part`` of the prior in ``slot``; equal weights of modes."""
    mass, sd = prior.mass_kg[part], prior.mass_sd_kg[part]
    log_var = math.log(1.0 + (sd / mass) ** 2)
    log_mass = math.log(mass) - 0.5 * log_var
    solo = prior.solo[part]
    loads[slot, L_ACTIVE] = 1.0
    loads[slot, L_SOLO] = solo
    loads[slot, L_CHANGED] = 0.0
    loads[slot, L_LOG_SCALE] = log_scale
    loads[slot, L_LOG_SCALE_VAR] = log_scale_var
    loads[slot, L_PRIOR_LOG_MASS] = log_mass
    loads[slot, L_PRIOR_LOG_MASS_VAR] = log_var
    loads[slot, L_PRIOR_LOG_IMPLIED] = log_mass - log_scale
    loads[slot, L_PRIOR_LOG_IMPLIED_VAR] = log_var + log_scale_var
    loads[slot, L_SINCE_S] = 0.0
    loads[slot, L_INFORMATION] = 0.0
    loads[slot, L_LOOSE_INFORMATION] = 0.0
    loads[slot, L_WIDEN] = 1.0
    for lane in range(log_weights.shape[1]):
        # Lanes without a mode are kept finite, and have no weight.
        mode = lane if lane < grounds.mean.size else 0
        _start_lane(
            states[slot],
            covariances[slot],
            lane,
            mode,
            log_mass - log_scale,
            log_var + log_scale_var,
            prior.solo_drag_factor if solo == 1 else 1.0,
            grounds,
            prior,
            noise,
        )
        log_weights[slot, lane] = log_weight if lane < grounds.mean.size else NO_WEIGHT


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
    """Lay out the hypotheses of a log's start, in place; shapes as in ``layout``."""
    loads[:, :] = 0.0
    log_weights[:, :] = NO_WEIGHT
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
        ground_shares(log_weights[part], grounds, loads[part, L_GROUND:])


@jit
def ground_shares(log_weight: FloatArray, grounds: Grounds, shares: FloatArray) -> None:
    """Probability of each ground under one load.

    Parameters
    ----------
    log_weight : ndarray, shape (lanes,)
    grounds : Grounds
    shares : ndarray, shape (8,)
        Receives the probabilities, by ``Grounds.surface``.
    """
    peak, total = log_weight[0], 0.0
    for mode in range(grounds.mean.size):
        peak = max(peak, log_weight[mode])
    shares[:] = 0.0
    for mode in range(grounds.mean.size):
        weight = math.exp(log_weight[mode] - peak)
        shares[grounds.surface[mode]] += weight
        total += weight
    for surface in range(shares.size):
        shares[surface] /= total


@jit
def change_probability(still_s: float, reversed_before: bool) -> float:
    """Probability that a standstill of this length changed the load.

    Halts of less than a minute or two are traffic's, many in every drive, and nobody hitches or
    unloads in that time; long ones leave time for it. Reversing just before raises the odds
    threefold: hitching and tipping are done in reverse (common practice, no source).
    """
    own = (still_s / TRAFFIC_HALT_S) ** 2
    change = 0.45 * (1.0 - math.exp(-still_s / 500.0)) * own / (1.0 + own)
    return 3.0 * change / (1.0 + 2.0 * change) if reversed_before else change


@jit
def _keep_few(
    log_weights: FloatArray, loads: FloatArray, modes: int, peak: float, most: int
) -> None:
    """Drop loads of less than a thousandth, then the least until ``most`` are left, in place."""
    weights = np.zeros(MAX_LOADS)
    total = 0.0
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] > 0.5:
            weights[load] = load_weight(log_weights[load], modes, peak)
            total += weights[load]
    kept = 0
    for load in range(MAX_LOADS):
        if weights[load] < 1e-3 * total:
            loads[load, L_ACTIVE] = 0.0
        else:
            kept += 1
    while kept > most:
        least = -1
        for load in range(MAX_LOADS):
            if loads[load, L_ACTIVE] > 0.5 and (least < 0 or weights[load] < weights[least]):
                least = load
        loads[least, L_ACTIVE] = 0.0
        kept -= 1


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

    Parameters
    ----------
    states, covariances, log_weights, loads
        Shapes as in ``layout``.
    grounds, prior, noise
        See :mod:`loadlearn.estimation.model`.
    still_s : float
        Length of the standstill (s).
    reversed_before : bool
        Whether the vehicle reversed in the minutes before.
    """
    change = change_probability(still_s, reversed_before)
    if change < 1e-4:
        return
    modes = grounds.mean.size
    n = states.shape[1]
    peak = peak_of(log_weights, loads, modes)
    _keep_few(log_weights, loads, modes, peak, 3)
    total, best, best_weight = 0.0, 0, -1.0
    log_scale, scale_second = 0.0, 0.0
    mode_weight = np.full(modes, 1e-12)
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] < 0.5:
            continue
        weight = load_weight(log_weights[load], modes, peak)
        total += weight
        if weight > best_weight:
            best, best_weight = load, weight
        log_implied, implied_var = log_implied_pooled(
            states[load], covariances[load], log_weights[load], modes
        )
        _, _, scale, scale_var = absolute_log_mass(loads, load, log_implied, implied_var)
        log_scale += weight * scale
        scale_second += weight * (scale_var + scale * scale)
        for mode in range(modes):
            mode_weight[mode] += math.exp(log_weights[load, mode] - peak)
    log_scale /= total
    scale_var_pooled = max(scale_second / total - log_scale * log_scale, 0.0)
    was_solo = loads[best, L_SOLO] > 0.5
    # The same load: people and things get in and out, tyres are let down or pumped up.
    people_kg = 25.0 * (1.0 - math.exp(-still_s / 180.0))
    tyres = 0.15 * (1.0 - math.exp(-still_s / 900.0))
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] < 0.5:
            continue
        loads[load, L_CHANGED] = 0.0
        loads[load, L_SINCE_S] = 0.0
        for mode in range(modes):
            log_weights[load, mode] += math.log1p(-change)
            phi = states[load, PHI, mode]
            covariances[load, PHI, PHI, mode] += (people_kg * phi * phi) ** 2
            covariances[load, ROLL, ROLL, mode] += (tyres * grounds.sd[mode]) ** 2
    # Another load, or none.
    odds_sum = 0.0
    for part in range(prior.mass_kg.size):
        if not (prior.solo[part] == 1 and was_solo):
            odds_sum += prior.weight[part] * (SOLO_ODDS if prior.solo[part] == 1 else 1.0)
    for part in range(prior.mass_kg.size):
        if prior.solo[part] == 1 and was_solo:
            continue
        slot = -1
        for load in range(MAX_LOADS):
            if loads[load, L_ACTIVE] < 0.5:
                slot = load
                break
        if slot < 0:
            break
        share = prior.weight[part] * (SOLO_ODDS if prior.solo[part] == 1 else 1.0) / odds_sum
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
            peak + math.log(change * share),
            log_scale,
            scale_var_pooled,
        )
        loads[slot, L_CHANGED] = 1.0
        for mode in range(modes):
            log_weights[slot, mode] += math.log(mode_weight[mode])
            states[slot, ENERGY, mode] = states[best, ENERGY, mode]
            covariances[slot, ENERGY, ENERGY, mode] = covariances[best, ENERGY, ENERGY, mode] + 1.0
            # What does not hang on the load carries over (not its correlations with the load); a
            # body's pitch does.
            for index in (WIND, ACCESSORY, SLOPE, COLD, TILT, SLIP, LAG, UNREPORTED, SQUAT):
                if index < n:
                    states[slot, index, mode] = states[best, index, mode]
                    covariances[slot, index, index, mode] = covariances[best, index, index, mode]
            # The ground does not change at a standstill; the trailer's tyres are others.
            states[slot, ROLL, mode] = states[best, ROLL, mode]
            covariances[slot, ROLL, ROLL, mode] = (
                covariances[best, ROLL, ROLL, mode] + (0.07 * grounds.mean[mode]) ** 2
            )
        ground_shares(log_weights[slot], grounds, loads[slot, L_GROUND:])


@jit
def tidy(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
    modes: int,
    most_mass_kg: float,
) -> None:
    """Drop loads that are ruled out; merge those that have become the same, in place.

    Ruled out is a load that the drive speaks against, or one picked up on the way that would weigh
    more than ``most_mass_kg``: the prior of a load ends there, and a filter's normal does not.
    """
    peak = peak_of(log_weights, loads, modes)
    total = 0.0
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] > 0.5:
            total += load_weight(log_weights[load], modes, peak)
    for load in range(MAX_LOADS):
        if (
            loads[load, L_ACTIVE] > 0.5
            and loads[load, L_SINCE_S] > 20.0
            and load_weight(log_weights[load], modes, peak) < 1e-7 * total
        ):
            loads[load, L_ACTIVE] = 0.0
    active = 0
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] > 0.5:
            active += 1
    for load in range(MAX_LOADS):
        if (
            active > 1
            and loads[load, L_ACTIVE] > 0.5
            and loads[load, L_CHANGED] > 0.5
            and loads[load, L_SINCE_S] > 5.0
        ):
            mean, variance = log_implied_pooled(
                states[load], covariances[load], log_weights[load], modes
            )
            least = mean + loads[load, L_LOG_SCALE] - math.sqrt(variance)
            if least > math.log(most_mass_kg):
                loads[load, L_ACTIVE] = 0.0
                active -= 1
    for first in range(MAX_LOADS):
        for second in range(first + 1, MAX_LOADS):
            if (
                loads[first, L_ACTIVE] < 0.5
                or loads[second, L_ACTIVE] < 0.5
                or loads[first, L_SOLO] > 0.5
                or loads[second, L_SOLO] > 0.5
            ):
                continue
            share_first = load_weight(log_weights[first], modes, peak) / total
            share_second = load_weight(log_weights[second], modes, peak) / total
            # Another load that turned out the same as the old one is told apart while it matters.
            if (
                loads[first, L_CHANGED] != loads[second, L_CHANGED]
                and min(share_first, share_second) > UNTOLD_SHARE
            ):
                continue
            mean_a, var_a = log_implied_pooled(
                states[first], covariances[first], log_weights[first], modes
            )
            mean_b, var_b = log_implied_pooled(
                states[second], covariances[second], log_weights[second], modes
            )
            small, large = min(var_a, var_b), max(var_a, var_b)
            if large > 2.5 * small or (mean_a - mean_b) ** 2 > 0.5 * small:
                continue
            for mode in range(modes):
                weight_a = math.exp(log_weights[first, mode] - peak)
                weight_b = math.exp(log_weights[second, mode] - peak)
                if weight_b > 1e-9 * weight_a:
                    merge_lanes(
                        states[first],
                        covariances[first],
                        mode,
                        weight_a,
                        states[second, :, mode].copy(),
                        covariances[second, :, :, mode].copy(),
                        weight_b,
                    )
                log_weights[first, mode] = peak + math.log(max(weight_a + weight_b, 1e-300))
            if share_second > share_first:
                loads[first, L_CHANGED] = loads[second, L_CHANGED]
            loads[second, L_ACTIVE] = 0.0
