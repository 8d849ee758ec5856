"""What the hypotheses say together: moments, intervals and names, one line of output a row."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, jit
from loadlearn.estimation.grounds import Grounds, name_ground
from loadlearn.estimation.loads import Hypotheses, absolute_log_mass, told_inverse_mass
from loadlearn.estimation.model import LEAST_PHI_PER_KG, STATE, Prior, drag_area, log_implied
from loadlearn.estimation.normal import mixture_interval
from loadlearn.vehicle.roadload import GRAVITY_M_S2, drag_force

FloatArray = NDArray[np.float64]

OUTPUT = np.dtype(
    [
        (name, np.float64)
        for name in (
            "mass_kg",
            "mass_sd_kg",
            "mass_sd_given_scale_kg",
            "mass_low95_kg",
            "mass_high95_kg",
            "mass_given_scale_kg",
            "rolling_resistance",
            "rolling_resistance_sd",
            "rolling_resistance_low95",
            "rolling_resistance_high95",
            "drag_area_m2",
            "drag_area_sd_m2",
            "drag_area_sd_given_scale_m2",
            "p_load_changed",
            "p_nothing_hitched",
            "p_regeneration",
            "surface",
            "log_scale",
            "log_scale_sd",
            "normalised_innovation",
            "loads",
            "log_likelihood",
            "last_stop_s",
            "mass_before_stop_kg",
        )
    ]
)
"""What is known after a row."""

LEAST_WEIGHT = 1e-4
"""Hypotheses of less weight than this are left out of moments and intervals."""
OFFSET_SPEED_M_S, OFFSET_DENSITY_KG_M3 = 25.0, 1.2
"""Where drag is told from rolling resistance: a force that is wrong there by the offset."""


@jit
def mean_and_sd(total: float, first: float, second: float) -> tuple[float, float]:
    """Mean and standard deviation from weighted sums of the first two powers."""
    mean = first / total
    return mean, math.sqrt(max(second / total - mean * mean, 1e-16))


@jit
def summarise(
    hypotheses: Hypotheses,
    grounds: Grounds,
    prior: Prior,
    before: Record,
    out: Record,
    surface_probability: FloatArray,
    scratch: FloatArray,
) -> None:
    """Moments, intervals and names of the mixture, in place.

    Parameters
    ----------
    hypotheses : Hypotheses
        Normalised.
    grounds : Grounds
    prior : Prior
    before : record of ``OUTPUT``
        What was known before: the intervals are searched near those.
    out : record of ``OUTPUT``
        Receives what is known now.
    surface_probability : ndarray, shape (grounds,)
        Receives the probability of each ground.
    scratch : ndarray, shape (6, loads x modes)
    """
    loads, _, weight_of, states, covariances = hypotheses
    phi_at, kappa_at = STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg
    roll_at, cold_at = STATE.rolling_resistance, STATE.cold_tyre_excess
    weights, log_mass, log_mass_sd = scratch[0], scratch[1], scratch[2]
    roll, roll_sd, odds = scratch[3], scratch[4], scratch[5]
    offset_area_m2 = prior.offset_sd_n / drag_force(
        1.0, OFFSET_DENSITY_KG_M3, OFFSET_SPEED_M_S, 0.0
    )
    for kind in range(surface_probability.size):
        surface_probability[kind] = 0.0
    count, active, kept = 0, 0, 0.0
    changed, solo, regeneration = 0.0, 0.0, 0.0
    mass_1, mass_2, implied_1, implied_2 = 0.0, 0.0, 0.0, 0.0
    roll_1, roll_2, scale_1, scale_2 = 0.0, 0.0, 0.0, 0.0
    drag_1, drag_2, drag_given_2 = 0.0, 0.0, 0.0
    for slot in range(loads.size):
        load = loads[slot]
        if load.active == 0:
            continue
        active += 1
        scale_factor = math.exp(load.log_scale)
        for mode in range(grounds.size):
            weight = weight_of[slot, mode]
            changed += weight * load.changed
            solo += weight * load.solo
            regeneration += weight * grounds[mode].regeneration
            if weight < LEAST_WEIGHT:
                surface_probability[grounds[mode].surface] += weight
                continue
            own_roll = states[slot, mode, roll_at]
            own_variance = covariances[slot, mode, roll_at, roll_at]
            name_ground(weight, own_roll, own_variance, mode, grounds, odds, surface_probability)
            kept += weight
            phi, phi_variance = states[slot, mode, phi_at], covariances[slot, mode, phi_at, phi_at]
            told, told_variance = told_inverse_mass(load, phi, phi_variance, prior)
            # What is considered of the mass moves and widens all that was learnt with it.
            moved = (told - phi) / phi_variance
            widened = (told_variance / phi_variance - 1.0) / phi_variance
            mean_i, variance_i = log_implied(told, told_variance)
            mean_m, variance_m, scale, scale_variance = absolute_log_mass(load, mean_i, variance_i)
            weights[count], log_mass[count] = weight, mean_m
            log_mass_sd[count] = math.sqrt(variance_m)
            implied = math.exp(mean_i)
            mass = math.exp(mean_m) if load.solo == 1 else implied * scale_factor
            mass *= 1.0 + 0.5 * variance_m
            mass_1 += weight * mass
            mass_2 += weight * mass * mass * (1.0 + variance_m)
            implied *= 1.0 + 0.5 * variance_i
            implied_1 += weight * implied
            implied_2 += weight * implied * implied * (1.0 + variance_i)
            offset = prior.offset_sd_n * max(told, LEAST_PHI_PER_KG) / GRAVITY_M_S2
            with_mass = covariances[slot, mode, roll_at, phi_at]
            with_mass += covariances[slot, mode, cold_at, phi_at]
            roll_mean = own_roll + states[slot, mode, cold_at] + moved * with_mass
            roll_variance = offset * offset + max(
                own_variance
                + covariances[slot, mode, cold_at, cold_at]
                + 2.0 * covariances[slot, mode, roll_at, cold_at]
                + widened * with_mass * with_mass,
                1e-16,
            )
            roll[count], roll_sd[count] = roll_mean, math.sqrt(roll_variance)
            roll_1 += weight * roll_mean
            roll_2 += weight * (roll_mean * roll_mean + roll_variance)
            scale_1 += weight * scale
            scale_2 += weight * (scale * scale + scale_variance)
            with_mass = covariances[slot, mode, phi_at, kappa_at]
            area, area_variance = drag_area(
                told,
                told_variance,
                states[slot, mode, kappa_at] + moved * with_mass,
                covariances[slot, mode, kappa_at, kappa_at] + widened * with_mass * with_mass,
                with_mass * told_variance / phi_variance,
            )
            scaled = math.exp(scale) if load.solo == 1 else scale_factor
            # What is considered may have moved it where none can be.
            area = max(area, 0.0) * scaled
            area_variance = (area_variance + offset_area_m2 * offset_area_m2) * scaled * scaled
            drag_1 += weight * area
            drag_given_2 += weight * (area_variance + area * area)
            drag_2 += weight * (area_variance + area * area * (1.0 + scale_variance))
            count += 1
    for i in range(count):
        weights[i] /= kept
    out.mass_kg, out.mass_sd_kg = mean_and_sd(kept, mass_1, mass_2)
    out.mass_given_scale_kg, implied_sd = mean_and_sd(kept, implied_1, implied_2)
    out.log_scale, out.log_scale_sd = mean_and_sd(kept, scale_1, scale_2)
    out.mass_sd_given_scale_kg = implied_sd * math.exp(out.log_scale)
    low, high = mixture_interval(
        weights[:count],
        log_mass[:count],
        log_mass_sd[:count],
        math.log(before.mass_low95_kg),
        math.log(before.mass_high95_kg),
    )
    out.mass_low95_kg, out.mass_high95_kg = math.exp(low), math.exp(high)
    out.rolling_resistance, out.rolling_resistance_sd = mean_and_sd(kept, roll_1, roll_2)
    out.rolling_resistance_low95, out.rolling_resistance_high95 = mixture_interval(
        weights[:count],
        roll[:count],
        roll_sd[:count],
        before.rolling_resistance_low95,
        before.rolling_resistance_high95,
    )
    out.drag_area_m2, out.drag_area_sd_m2 = mean_and_sd(kept, drag_1, drag_2)
    _, out.drag_area_sd_given_scale_m2 = mean_and_sd(kept, drag_1, drag_given_2)
    out.p_load_changed, out.p_nothing_hitched = changed, solo
    out.p_regeneration, out.loads = regeneration, active
