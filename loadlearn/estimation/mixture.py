"""What the hypotheses say together: moments, intervals and names, one line of output a row."""

from __future__ import annotations

import math
from typing import NamedTuple

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
            "innovation_m_s",
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


class Told(NamedTuple):
    """What one hypothesis says, all that is considered taken into account."""

    phi: float
    """Inverse of the implied mass (1/kg)."""
    phi_variance: float
    log_implied: float
    log_implied_variance: float
    log_mass: float
    log_mass_variance: float
    log_scale: float
    log_scale_variance: float
    roll: float
    """With what is left of cold tyres."""
    roll_variance: float
    drag_area_m2: float
    """The scale at its mean."""
    drag_area_variance_m4: float
    """Given the scale."""
    scaled: float
    """exp of the log scale's mean."""


@jit
def told_of(
    load: Record, scale_factor: float, state: FloatArray, covariance: FloatArray, prior: Prior
) -> Told:
    """What one hypothesis says.

    Parameters
    ----------
    load : record of ``LOAD``
    scale_factor : float
        exp of its log scale's mean, before what a load that is known tells of it.
    state, covariance : ndarray, shapes (n,) and (n, n)
    prior : Prior
    """
    phi_at, kappa_at = STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg
    roll_at, cold_at = STATE.rolling_resistance, STATE.cold_tyre_excess
    phi, phi_variance = state[phi_at], covariance[phi_at, phi_at]
    told, told_variance = told_inverse_mass(load, phi, phi_variance, prior)
    # What is considered of the mass moves and widens all that was learnt with it.
    moved = (told - phi) / phi_variance
    widened = (told_variance / phi_variance - 1.0) / phi_variance
    mean_i, variance_i = log_implied(told, told_variance)
    mean_m, variance_m, scale, scale_variance = absolute_log_mass(load, mean_i, variance_i)
    offset = prior.offset_sd_n * max(told, LEAST_PHI_PER_KG) / GRAVITY_M_S2
    with_mass = covariance[roll_at, phi_at] + covariance[cold_at, phi_at]
    roll = state[roll_at] + state[cold_at] + moved * with_mass
    roll_variance = offset * offset + max(
        covariance[roll_at, roll_at]
        + covariance[cold_at, cold_at]
        + 2.0 * covariance[roll_at, cold_at]
        + widened * with_mass * with_mass,
        1e-16,
    )
    with_mass = covariance[phi_at, kappa_at]
    area, area_variance = drag_area(
        told,
        told_variance,
        state[kappa_at] + moved * with_mass,
        covariance[kappa_at, kappa_at] + widened * with_mass * with_mass,
        with_mass * told_variance / phi_variance,
    )
    scaled = math.exp(scale) if load.solo == 1 else scale_factor
    # What is considered may have moved it where none can be.
    area = max(area, 0.0) * scaled
    offset = prior.offset_sd_n / drag_force(1.0, OFFSET_DENSITY_KG_M3, OFFSET_SPEED_M_S, 0.0)
    area_variance = (area_variance + offset * offset) * scaled * scaled
    return Told(
        told,
        told_variance,
        mean_i,
        variance_i,
        mean_m,
        variance_m,
        scale,
        scale_variance,
        roll,
        roll_variance,
        area,
        area_variance,
        scaled,
    )


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
    roll_at = STATE.rolling_resistance
    weights, log_mass, log_mass_sd = scratch[0], scratch[1], scratch[2]
    roll, roll_sd, odds = scratch[3], scratch[4], scratch[5]
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
            one = told_of(load, scale_factor, states[slot, mode], covariances[slot, mode], prior)
            mean_i, variance_i = one.log_implied, one.log_implied_variance
            mean_m, variance_m = one.log_mass, one.log_mass_variance
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
            roll[count], roll_sd[count] = one.roll, math.sqrt(one.roll_variance)
            roll_1 += weight * one.roll
            roll_2 += weight * (one.roll * one.roll + one.roll_variance)
            scale_1 += weight * one.log_scale
            scale_2 += weight * (one.log_scale * one.log_scale + one.log_scale_variance)
            area, area_variance = one.drag_area_m2, one.drag_area_variance_m4
            drag_1 += weight * area
            drag_given_2 += weight * (area_variance + area * area)
            drag_2 += weight * (area_variance + area * area * (1.0 + one.log_scale_variance))
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


JOINT = ("mass_kg", "rolling_resistance", "drag_area_m2")
"""The quantities of :func:`joint`, in order."""


@jit
def joint(
    hypotheses: Hypotheses,
    grounds: Grounds,
    prior: Prior,
    given_log_scale: float,
    weights: FloatArray,
    means: FloatArray,
    covariances: FloatArray,
) -> None:
    """Joint moments of mass, rolling resistance and drag area of every hypothesis, in place.

    Their pooled means and variances are those of :func:`summarise`.

    Parameters
    ----------
    hypotheses : Hypotheses
        Normalised.
    grounds : Grounds
    prior : Prior
    given_log_scale : float
        Where the scale is taken to be known; NaN where it is not.
    weights : ndarray, shape (loads, modes)
        Receives the weights; 0 of what is left out.
    means : ndarray, shape (loads, modes, 3)
        Receives the means, in the order of ``JOINT``.
    covariances : ndarray, shape (loads, modes, 3, 3)
        Receives the covariances.
    """
    loads, _, weight_of, states, filtered = hypotheses
    phi_at, kappa_at = STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg
    roll_at, cold_at = STATE.rolling_resistance, STATE.cold_tyre_excess
    given = not math.isnan(given_log_scale)
    for slot in range(loads.size):
        load = loads[slot]
        scale_factor = math.exp(load.log_scale)
        for mode in range(grounds.size):
            weights[slot, mode] = 0.0
            if load.active == 0 or weight_of[slot, mode] < LEAST_WEIGHT:
                continue
            weights[slot, mode] = weight_of[slot, mode]
            own = filtered[slot, mode]
            one = told_of(load, scale_factor, states[slot, mode], own, prior)
            # Of the inverse mass with the others, once what is considered has widened it.
            share = one.phi_variance / own[phi_at, phi_at]
            widened = (share - 1.0) / own[phi_at, phi_at]
            roll_phi = own[roll_at, phi_at] + own[cold_at, phi_at]
            kappa_roll = own[kappa_at, roll_at] + own[kappa_at, cold_at]
            kappa_roll += widened * roll_phi * own[kappa_at, phi_at]
            roll_phi *= share
            # Drag area is kappa / phi; the log mass is -ln phi.
            per_phi = one.scaled / max(one.phi, LEAST_PHI_PER_KG)
            ratio = one.drag_area_m2 / one.scaled
            drag_phi = per_phi * (own[kappa_at, phi_at] * share - ratio * one.phi_variance)
            drag_roll = per_phi * (kappa_roll - ratio * roll_phi)
            slope = -math.sqrt(one.log_implied_variance / one.phi_variance)
            log_mass, variance = one.log_implied + given_log_scale, one.log_implied_variance
            gain, scale_variance, drag_scale = 1.0, 0.0, 0.0
            if not given:
                log_mass, variance = one.log_mass, one.log_mass_variance
                scale_variance = drag_scale = one.log_scale_variance
                if load.solo == 1:
                    # The implied mass has told of both: see :func:`absolute_log_mass`.
                    of_mass, of_scale = load.prior_log_mass_variance, load.log_scale_variance
                    gain = of_mass / (of_mass + of_scale)
                    drag_scale = gain * of_scale
                    drag_scale *= 1.0 - one.log_implied_variance / (of_mass + of_scale)
            mass = math.exp(log_mass) * (1.0 + 0.5 * variance)
            area = one.drag_area_m2
            mean, covariance = means[slot, mode], covariances[slot, mode]
            mean[0], mean[1], mean[2] = mass, one.roll, area
            covariance[0, 0] = mass * mass * variance
            covariance[1, 1] = one.roll_variance
            covariance[2, 2] = one.drag_area_variance_m4 + area * area * scale_variance
            covariance[0, 1] = covariance[1, 0] = mass * gain * slope * roll_phi
            covariance[0, 2] = mass * (gain * slope * drag_phi + area * drag_scale)
            covariance[2, 0] = covariance[0, 2]
            covariance[1, 2] = covariance[2, 1] = drag_roll
