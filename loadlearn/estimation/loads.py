"""What is hauled: hypotheses of the load, which can change at a standstill only.

At a standstill three things may have happened: nothing (people, a few tens of kilograms), another
load (drawn from the prior of loads), or nothing is hitched (the rig's own mass). The hazard of a
change grows with the standstill's length; the drive that follows decides.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, Records, jit
from loadlearn.estimation.considered import BLOCK_S, misfit, note_block, told
from loadlearn.estimation.grounds import (
    LOOSE_RESISTANCE,
    MOST_GROUNDS,
    REGENERATION_MEAN,
    REGENERATION_SD,
    Grounds,
    greatest,
    ground_shares,
)
from loadlearn.estimation.kalman import merge, redraw
from loadlearn.estimation.model import N_STATES, STATE, Noise, Prior, log_implied

FloatArray = NDArray[np.float64]

MOST_LOADS = 12
NO_WEIGHT = -1e300

LOAD = np.dtype(
    [
        ("active", np.int64),
        ("solo", np.int64),  # nothing is hitched, so that the mass is known
        ("changed", np.int64),  # picked up or set down at the last standstill
        ("weight", np.float64),  # probability, as :func:`normalise` leaves it
        ("log_scale", np.float64),
        ("log_scale_variance", np.float64),
        ("prior_log_mass", np.float64),
        ("prior_log_mass_variance", np.float64),
        ("prior_weight", np.float64),
        ("whole_log_mass", np.float64),  # of the law that the prior is a part of
        ("whole_log_mass_variance", np.float64),
        ("since_s", np.float64),  # driving time since it was laid out, or since the last standstill
        ("driven_s", np.float64),  # ... since it was laid out
        ("answerable_s", np.float64),  # ... of which a driver could answer what is left out
        (
            "block_from_s",
            np.float64,
        ),  # driving time and belief at the stretch's start
        ("block_log_mass", np.float64),
        ("block_variance", np.float64),
        ("blocks", np.float64),  # stretches so far, their steps squared, what was learnt in them
        ("block_steps", np.float64),
        ("block_information", np.float64),
        ("charged", np.float64, (MOST_GROUNDS,)),  # grounds' probabilities at the last charge
    ]
)
"""What is remembered of a load, beside its filters."""


class Hypotheses(NamedTuple):
    """Loads, each with one filter for every kind of ground.

    Attributes
    ----------
    loads : record array of ``LOAD``, shape (12,)
    log_weights : ndarray, shape (12, modes)
    weights : ndarray, shape (12, modes)
        The same as probabilities, as :func:`normalise` leaves them; of active loads.
    states : ndarray, shape (12, modes, n)
    covariances : ndarray, shape (12, modes, n, n)
    """

    loads: Records
    log_weights: FloatArray
    weights: FloatArray
    states: FloatArray
    covariances: FloatArray


def no_hypotheses(modes: int, most_loads: int = MOST_LOADS) -> Hypotheses:
    """Room for hypotheses, none of them active."""
    return Hypotheses(
        np.zeros(most_loads, LOAD),
        np.full((most_loads, modes), NO_WEIGHT),
        np.zeros((most_loads, modes)),
        np.zeros((most_loads, modes, N_STATES)),
        np.zeros((most_loads, modes, N_STATES, N_STATES)),
    )


LEAST_LOG_WEIGHT = -35.0
"""Hypotheses further below the most probable one count as nothing."""


@jit
def relative_weight(log_ratio: float) -> float:
    """Exponential of a log weight relative to the greatest; 0 where it cannot count."""
    return math.exp(log_ratio) if log_ratio > LEAST_LOG_WEIGHT else 0.0


@jit
def normalise(hypotheses: Hypotheses) -> float:
    """Let all weights add up to one, in place; return the log of what they added up to."""
    loads, log_weights, weights = hypotheses.loads, hypotheses.log_weights, hypotheses.weights
    modes = log_weights.shape[1]
    peak, total = NO_WEIGHT, 0.0
    for slot in range(loads.size):
        if loads[slot].active == 1:
            for mode in range(modes):
                peak = max(peak, log_weights[slot, mode])
    for slot in range(loads.size):
        loads[slot].weight = 0.0
        if loads[slot].active == 1:
            for mode in range(modes):
                weights[slot, mode] = relative_weight(log_weights[slot, mode] - peak)
                loads[slot].weight += weights[slot, mode]
            total += loads[slot].weight
    shift = peak + math.log(total)
    for slot in range(loads.size):
        if loads[slot].active == 1:
            loads[slot].weight /= total
            for mode in range(modes):
                weights[slot, mode] /= total
                log_weights[slot, mode] -= shift
    return shift


@jit
def log_implied_pooled(
    states: FloatArray, covariances: FloatArray, log_weights: FloatArray
) -> tuple[float, float]:
    """Mean and variance of the log implied mass over the modes of one load."""
    mass = STATE.inverse_mass_per_kg
    peak = greatest(log_weights)
    total, first, second = 0.0, 0.0, 0.0
    for mode in range(log_weights.size):
        weight = relative_weight(log_weights[mode] - peak)
        if weight >= 1e-9:
            mean, variance = log_implied(states[mode, mass], covariances[mode, mass, mass])
            total += weight
            first += weight * mean
            second += weight * (variance + mean * mean)
    first /= total
    return first, max(second / total - first * first, 1e-16)


@jit
def _prior_inverse_mass(log_implied: float, variance: float) -> tuple[float, float]:
    """Mean and variance of the normal phi of a log-normal implied mass, to second order."""
    phi = math.exp(-log_implied + 0.5 * variance)
    return phi, phi * phi * variance


@jit
def _start_filter(
    state: FloatArray,
    covariance: FloatArray,
    mode: int,
    log_implied: float,
    variance: float,
    drag_area_m2: float,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
) -> None:
    """Prior of one filter for a load component whose implied mass is log-normal."""
    for i in range(N_STATES):
        state[i] = 0.0
        for j in range(N_STATES):
            covariance[i, j] = 0.0
    phi, phi_variance = _prior_inverse_mass(log_implied, variance)
    # kappa = A phi, with A independent of phi.
    kappa_variance = drag_area_m2 * drag_area_m2 * phi_variance + prior.drag_area_sd_m2**2 * (
        phi * phi + phi_variance
    )
    slip = grounds[mode].slip
    for index, mean, sd in (
        (STATE.rolling_resistance, grounds[mode].mean, grounds[mode].sd),
        (STATE.disturbance, 0.0, noise.disturbance_sd),
        (STATE.headwind_m_s, 0.0, noise.wind_sd_m_s),
        (STATE.accessory_power_w, 0.0, noise.accessory_sd_w),
        (STATE.speed_slope, prior.speed_slope, prior.speed_slope_sd),
        (STATE.cold_tyre_excess, prior.cold_excess, prior.cold_excess_sd),
        (STATE.load_tilt, 0.0, prior.tilt_sd),
        (STATE.slip_per_n, prior.slip_per_n * slip, prior.slip_sd_per_n * slip),
        (STATE.force_lag_s, prior.lag_s, prior.lag_sd_s),
        (STATE.unreported_share, prior.unreported, prior.unreported_sd),
        (STATE.slope_bias, 0.0, prior.slope_bias_sd),
        (STATE.squat_rad_s2_m, prior.squat_rad_s2_m, prior.squat_sd_rad_s2_m),
    ):
        state[index] = mean
        covariance[index, index] = sd * sd
    if grounds[mode].regeneration == 1:
        redraw(state, covariance, STATE.regeneration_excess, REGENERATION_MEAN, REGENERATION_SD**2)
    mass, drag = STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg
    state[mass], state[drag] = phi, drag_area_m2 * phi
    covariance[mass, mass], covariance[drag, drag] = phi_variance, kappa_variance
    covariance[drag, mass] = covariance[mass, drag] = drag_area_m2 * phi_variance


@jit
def _log_normal(mean: float, sd: float) -> tuple[float, float]:
    """Mean and variance of the logarithm, of a log-normal law of a mean and an sd."""
    variance = math.log(1.0 + (sd / mean) ** 2)
    return math.log(mean) - 0.5 * variance, variance


@jit
def _start_load(
    slot: int,
    part: int,
    hypotheses: Hypotheses,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    log_scale: float,
    log_scale_variance: float,
) -> None:
    """Lay out the load component ``part`` of the prior in ``slot``, in place; no weights yet."""
    one = prior.parts[part]
    log_mass, log_variance = _log_normal(one.mass_kg, one.mass_sd_kg)
    solo = one.solo
    load = hypotheses.loads[slot]
    load.active, load.solo, load.changed, load.since_s = 1, solo, 0, 0.0
    load.log_scale, load.log_scale_variance = log_scale, log_scale_variance
    load.prior_log_mass, load.prior_log_mass_variance = log_mass, log_variance
    load.prior_weight = one.weight
    whole, whole_variance = _log_normal(one.whole_kg, one.whole_sd_kg)
    load.whole_log_mass, load.whole_log_mass_variance = whole, whole_variance
    load.driven_s = load.answerable_s = load.block_from_s = load.block_variance = 0.0
    load.blocks = load.block_steps = load.block_information = 0.0
    for mode in range(grounds.size):
        _start_filter(
            hypotheses.states[slot, mode],
            hypotheses.covariances[slot, mode],
            mode,
            log_mass - log_scale,
            log_variance + log_scale_variance,
            prior.drag_area_m2 * (prior.solo_drag_factor if solo == 1 else 1.0),
            grounds,
            prior,
            noise,
        )


@jit
def _note_grounds(hypotheses: Hypotheses, slot: int, grounds: Grounds) -> None:
    """Remember how probable each ground is under a load, in place."""
    now = np.empty(MOST_GROUNDS)
    ground_shares(hypotheses.log_weights[slot], grounds, now)
    for surface in range(now.size):
        hypotheses.loads[slot].charged[surface] = now[surface]


@jit
def start(hypotheses: Hypotheses, grounds: Grounds, prior: Prior, noise: Noise) -> None:
    """Lay out the hypotheses of a log's start, in place.

    Parameters
    ----------
    hypotheses : Hypotheses
        As :func:`no_hypotheses` makes them.
    grounds, prior, noise
        See :mod:`loadlearn.estimation.grounds` and :mod:`loadlearn.estimation.model`.
    """
    for part in range(prior.parts.size):
        scale_variance = prior.log_scale_sd**2
        _start_load(part, part, hypotheses, grounds, prior, noise, prior.log_scale, scale_variance)
        for mode in range(grounds.size):
            weight = prior.parts[part].weight * grounds[mode].initial
            hypotheses.log_weights[part, mode] = math.log(weight)
        _note_grounds(hypotheses, part, grounds)
    normalise(hypotheses)


@jit
def told_inverse_mass(
    load: Record, phi: float, variance: float, prior: Prior
) -> tuple[float, float]:
    """Inverse mass of a load, with all that is considered; see :func:`told`."""
    before, before_variance = _prior_inverse_mass(
        load.prior_log_mass - load.log_scale,
        load.prior_log_mass_variance + load.log_scale_variance,
    )
    whole, whole_variance = _prior_inverse_mass(
        load.whole_log_mass - load.log_scale,
        load.whole_log_mass_variance + load.log_scale_variance,
    )
    answers = load.answerable_s / prior.answered_every_s
    steps = 1.0 + prior.misfit_counts * (misfit(load) - 1.0)
    return told(
        phi,
        variance,
        before,
        before_variance,
        whole,
        whole_variance,
        steps,
        answers,
        prior.delay_spread,
    )


@jit
def absolute_log_mass(
    load: Record, log_implied: float, variance: float
) -> tuple[float, float, float, float]:
    """Log combined mass and log scale, given the implied mass that a load's filter has learnt.

    ``ln m = ln m' + ln s``. When nothing is hitched the mass itself is known beforehand, and the
    implied mass says as much of the scale as of the mass: the joint normal of (ln m, ln s) is
    updated with ln m' (a static Kalman update). Otherwise the scale is *considered*, not updated
    (Schmidt, Adv. Control Systems 3, 1966): the total variance is the sum.

    Parameters
    ----------
    load : record of ``LOAD``
    log_implied, variance : float
    """
    scale, scale_variance = load.log_scale, load.log_scale_variance
    if load.solo == 0:
        return log_implied + scale, variance + scale_variance, scale, scale_variance
    prior_variance = load.prior_log_mass_variance + scale_variance
    shift = log_implied - (load.prior_log_mass - scale)
    gain_mass = load.prior_log_mass_variance / prior_variance
    gain_scale = scale_variance / prior_variance
    shrink = prior_variance - variance
    return (
        load.prior_log_mass + gain_mass * shift,
        load.prior_log_mass_variance - gain_mass * gain_mass * shrink,
        scale - gain_scale * shift,
        scale_variance - gain_scale * gain_scale * shrink,
    )


# --- a standstill --------------------------------------------------------------------------------
CHANGE_AT_MOST, CHANGE_TIME_S = 0.45, 500.0
"""Of long standstills so many change the load, after so long (common practice, no source)."""
REVERSED_ODDS = 3.0
"""Hitching and tipping are done in reverse (common practice, no source)."""
SOLO_ODDS = 5.0
"""At a change of load, nothing hitched is this many times likelier than the prior at a start."""
LEAST_CHANGE = 1e-4
PEOPLE_KG, PEOPLE_TIME_S = 25.0, 180.0
TYRES_SD, TYRES_TIME_S = 0.15, 900.0
"""What a halt does to the same load: people and things get in and out, tyres are let down or pumped
up by some of their kind's sd (common practice, no source)."""
OTHER_TYRES = 0.07
"""A trailer's tyres are others: relative change of the rolling resistance on the same ground."""


@jit
def change_probability(still_s: float, reversed_before: bool, traffic_halt_s: float) -> float:
    """Probability that a standstill of this length changed the load.

    Halts of less than a minute or two are traffic's, many in every drive, and nobody hitches or
    unloads in that time; long ones leave time for it.
    """
    own = (still_s / traffic_halt_s) ** 2
    change = CHANGE_AT_MOST * (1.0 - math.exp(-still_s / CHANGE_TIME_S)) * own / (1.0 + own)
    if reversed_before:
        return REVERSED_ODDS * change / (1.0 + (REVERSED_ODDS - 1.0) * change)
    return change


KEPT_AT_A_STOP, LEAST_KEPT = 3, 1e-3
"""So many loads, of at least this probability, go on from a standstill beside the new ones."""


@jit
def _drop_least(hypotheses: Hypotheses) -> None:
    """Drop improbable loads, then the least until few are left, in place."""
    loads, kept = hypotheses.loads, 0
    for slot in range(loads.size):
        if loads[slot].weight < LEAST_KEPT:
            loads[slot].active = 0
        kept += loads[slot].active
    while kept > KEPT_AT_A_STOP:
        least = -1
        for slot in range(loads.size):
            if loads[slot].active == 1 and (least < 0 or loads[slot].weight < loads[least].weight):
                least = slot
        loads[least].active = 0
        kept -= 1
    normalise(hypotheses)


@jit
def _told_pooled(hypotheses: Hypotheses, slot: int, prior: Prior) -> tuple[float, float]:
    """Log implied mass over the modes of one load, the driver's answers considered."""
    mean, variance = log_implied_pooled(
        hypotheses.states[slot], hypotheses.covariances[slot], hypotheses.log_weights[slot]
    )
    phi, phi_variance = _prior_inverse_mass(mean, variance)
    phi, phi_variance = told_inverse_mass(hypotheses.loads[slot], phi, phi_variance, prior)
    return log_implied(phi, phi_variance)


@jit
def _pooled_scale(hypotheses: Hypotheses, prior: Prior) -> tuple[float, float]:
    """Mean and variance of the log tractive scale over the loads."""
    first, second = 0.0, 0.0
    for slot in range(hypotheses.loads.size):
        weight = hypotheses.loads[slot].weight
        if weight > 0.0:
            mean, variance = _told_pooled(hypotheses, slot, prior)
            _, _, scale, scale_variance = absolute_log_mass(hypotheses.loads[slot], mean, variance)
            first += weight * scale
            second += weight * (scale_variance + scale * scale)
    return first, max(second - first * first, 0.0)


@jit
def spawn(
    hypotheses: Hypotheses,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    still_s: float,
    change: float,
) -> None:
    """A standstill is over: the load may be the same, another, or nothing at all, in place.

    Parameters
    ----------
    hypotheses : Hypotheses
    grounds, prior, noise
        See :mod:`loadlearn.estimation.grounds` and :mod:`loadlearn.estimation.model`.
    still_s : float
        Length of the standstill (s).
    change : float
        Probability that it changed the load, from :func:`change_probability`.
    """
    _drop_least(hypotheses)
    loads, log_weights, weights, states, covariances = hypotheses
    modes = grounds.size
    log_scale, scale_variance = _pooled_scale(hypotheses, prior)
    best = 0
    for slot in range(loads.size):
        if loads[slot].weight > loads[best].weight:
            best = slot
    was_solo = loads[best].solo == 1
    mode_weight = np.empty(modes)
    for mode in range(modes):
        mode_weight[mode] = 1e-12
    people_kg = PEOPLE_KG * (1.0 - math.exp(-still_s / PEOPLE_TIME_S))
    tyres = TYRES_SD * (1.0 - math.exp(-still_s / TYRES_TIME_S))
    mass, roll = STATE.inverse_mass_per_kg, STATE.rolling_resistance
    for slot in range(loads.size):
        if loads[slot].active == 0:
            continue
        loads[slot].changed = 0
        loads[slot].since_s = 0.0
        likeliest = int(np.argmax(log_weights[slot]))
        loads[slot].block_variance += (people_kg * states[slot, likeliest, mass]) ** 2
        for mode in range(modes):
            mode_weight[mode] += weights[slot, mode]
            log_weights[slot, mode] += math.log1p(-change)
            phi = states[slot, mode, mass]
            covariances[slot, mode, mass, mass] += (people_kg * phi * phi) ** 2
            covariances[slot, mode, roll, roll] += (tyres * grounds[mode].sd) ** 2
    # Another load, or none.
    odds, odds_sum = np.empty(prior.parts.size), 0.0
    for part in range(odds.size):
        factor = 1.0 if prior.parts[part].solo == 0 else (0.0 if was_solo else SOLO_ODDS)
        odds[part] = factor * prior.parts[part].weight
        odds_sum += odds[part]
    for part in range(odds.size):
        slot = 0
        while slot < loads.size and loads[slot].active == 1:
            slot += 1
        if odds[part] == 0.0 or slot == loads.size:
            continue
        _start_load(slot, part, hypotheses, grounds, prior, noise, log_scale, scale_variance)
        loads[slot].changed = 1
        for mode in range(modes):
            log_weights[slot, mode] = math.log(change * odds[part] / odds_sum * mode_weight[mode])
            # What does not hang on the load carries over (not its correlations with the load); a
            # body's pitch does. The ground does not change at a standstill.
            for index in (
                STATE.energy_height_m,
                STATE.rolling_resistance,
                STATE.headwind_m_s,
                STATE.accessory_power_w,
                STATE.speed_slope,
                STATE.cold_tyre_excess,
                STATE.load_tilt,
                STATE.slip_per_n,
                STATE.force_lag_s,
                STATE.unreported_share,
                STATE.squat_rad_s2_m,
            ):
                states[slot, mode, index] = states[best, mode, index]
                covariances[slot, mode, index, index] = covariances[best, mode, index, index]
            covariances[slot, mode, 0, 0] += 1.0
            covariances[slot, mode, roll, roll] += (OTHER_TYRES * grounds[mode].mean) ** 2
        _note_grounds(hypotheses, slot, grounds)
    normalise(hypotheses)


# --- evidence between loads ----------------------------------------------------------------------
CHARGE_EVERY_S = 20.0
"""Driving time over which a change of ground is told whole: none takes longer to be believed."""


@jit
def loose_probability(hypotheses: Hypotheses, grounds: Grounds) -> float:
    """Probability of loose ground."""
    loose = 0.0
    for slot in range(hypotheses.loads.size):
        if hypotheses.loads[slot].active == 1:
            for mode in range(grounds.size):
                if grounds[mode].mean > LOOSE_RESISTANCE:
                    loose += hypotheses.weights[slot, mode]
    return loose


@jit
def temper_loads(hypotheses: Hypotheses, before: FloatArray, share: float) -> bool:
    """Let only a share of the misfit speak between loads, in place.

    No engine keeps to its line and sand wanders in ways that no model follows, and each misfit
    would be one more reason for another load. The evidence between *grounds* of one load is left as
    it is; between loads it is raised to a power below one, a small one on loose ground (a tempered
    likelihood). A load that was really changed shows in hundreds of nats, so it is still found.

    Parameters
    ----------
    hypotheses : Hypotheses
    before : ndarray, shape (12,)
        Probability of each load before the evidence.
    share : float
        Of it that counts.

    Returns
    -------
    bool
        Whether anything was done.
    """
    total, average, several = 0.0, 0.0, 0
    for slot in range(hypotheses.loads.size):
        after = hypotheses.loads[slot].weight
        if before[slot] > 0.0 and after > 0.0:
            several += 1
            total += before[slot]
            average += before[slot] * math.log(after / before[slot])
    if several < 2:
        return False
    for slot in range(hypotheses.loads.size):
        after = hypotheses.loads[slot].weight
        if before[slot] > 0.0 and after > 0.0:
            gained = math.log(after / before[slot]) - average / total
            for mode in range(hypotheses.log_weights.shape[1]):
                hypotheses.log_weights[slot, mode] -= (1.0 - share) * gained
    return True


@jit
def charge_changes(hypotheses: Hypotheses, grounds: Grounds, driven_s: float, share: float) -> None:
    """Let a load pay in full for changes of ground that it alone needs, in place.

    A lighter load on the same sand, and the old load on a ground that is easier from here on, fit
    alike. That a ground changes just now is improbable, and the second hypothesis pays for it; but
    :func:`temper_loads` sees the price as misfit and takes all but a small share off. The evidence
    of a load is its mean log-likelihood less the divergence of its grounds' probabilities from
    where they stood (the variational identity ``log E exp l = E' l - KL``), and only the first is
    misfit: the rest of the second is charged here.

    Parameters
    ----------
    hypotheses : Hypotheses
    grounds : Grounds
    driven_s : float
        Driving time since the last charge (s).
    share : float
        Of the evidence that counts.
    """
    loads, log_weights = hypotheses.loads, hypotheses.log_weights
    now = np.empty(MOST_GROUNDS)
    for slot in range(loads.size):
        if loads[slot].active == 0:
            continue
        ground_shares(log_weights[slot], grounds, now)
        divergence = 0.0
        for mode in range(grounds.size):
            if grounds[mode].regeneration == 1 or grounds[mode].unchanged == 1:
                continue
            surface = grounds[mode].surface
            if now[surface] > 0.0:
                was = loads[slot].charged[surface]
                might = was + (1.0 - was) * grounds[mode].rate_per_s * driven_s
                divergence += now[surface] * math.log(now[surface] / might)
        for surface in range(now.size):
            loads[slot].charged[surface] = now[surface]
        for mode in range(log_weights.shape[1]):
            log_weights[slot, mode] -= (1.0 - share) * max(divergence, 0.0)


# --- keeping few ---------------------------------------------------------------------------------
TIDY_EVERY_S = 1.95
"""Driving time between two looks; between whole tenths, so that rounding does not decide when."""
RULED_OUT, RULED_OUT_AFTER_S = 1e-7, 20.0
"""A load of less weight is dropped, once it has been driven for so long."""
TOO_HEAVY_AFTER_S = 5.0
UNTOLD_SHARE = 0.01
"""A changed load of less weight than this, no different from the unchanged one, merges with it."""
SAME_VARIANCES, SAME_MEANS = 2.5, 0.5
"""Loads are the same whose variances differ by less than this factor, and their means, squared, by
less than this share of the smaller variance."""


@jit
def _same(hypotheses: Hypotheses, first: int, second: int) -> bool:
    """Whether two loads have come to the same mass."""
    _, log_weights, _, states, covariances = hypotheses
    mean_a, variance_a = log_implied_pooled(states[first], covariances[first], log_weights[first])
    mean_b, variance_b = log_implied_pooled(
        states[second], covariances[second], log_weights[second]
    )
    small = min(variance_a, variance_b)
    return (
        max(variance_a, variance_b) <= SAME_VARIANCES * small
        and (mean_a - mean_b) ** 2 <= SAME_MEANS * small
    )


@jit
def _merged(
    mean: float, variance: float, other: float, other_variance: float, share: float
) -> tuple[float, float]:
    """Mean and variance of a mixture of two laws; ``share`` is the other's."""
    apart = other - mean
    mixed = (1.0 - share) * (variance + share * apart * apart) + share * other_variance
    return mean + share * apart, mixed


@jit
def _merge_loads(hypotheses: Hypotheses, first: int, second: int) -> None:
    """Merge a load into another, ground by ground, in place."""
    _, log_weights, weights, states, covariances = hypotheses
    for mode in range(log_weights.shape[1]):
        weight, other = weights[first, mode], weights[second, mode]
        if other > 1e-9 * weight:
            merge(
                states[first, mode],
                covariances[first, mode],
                weight,
                states[second, mode],
                covariances[second, mode],
                other,
            )
        weights[first, mode] = weight + other
        log_weights[first, mode] = math.log(max(weight + other, 1e-300))
    one, two = hypotheses.loads[first], hypotheses.loads[second]
    total = one.prior_weight + two.prior_weight
    share = two.prior_weight / total
    one.prior_log_mass, one.prior_log_mass_variance = _merged(
        one.prior_log_mass,
        one.prior_log_mass_variance,
        two.prior_log_mass,
        two.prior_log_mass_variance,
        share,
    )
    one.whole_log_mass, one.whole_log_mass_variance = _merged(
        one.whole_log_mass,
        one.whole_log_mass_variance,
        two.whole_log_mass,
        two.whole_log_mass_variance,
        share,
    )
    one.prior_weight = total


@jit
def note_blocks(hypotheses: Hypotheses) -> None:
    """Note the steps of loads whose stretch of driving is over, in place."""
    for slot in range(hypotheses.loads.size):
        load = hypotheses.loads[slot]
        if load.active == 1 and load.driven_s - load.block_from_s >= BLOCK_S:
            mean, variance = log_implied_pooled(
                hypotheses.states[slot], hypotheses.covariances[slot], hypotheses.log_weights[slot]
            )
            note_block(load, mean, variance)


@jit
def tidy(hypotheses: Hypotheses, most_mass_kg: float) -> None:
    """Drop loads that are ruled out; merge those that have become the same, in place.

    Ruled out is a load that the drive speaks against, or one picked up on the way that would weigh
    more than ``most_mass_kg``: the prior of a load ends there, and a filter's normal does not.
    """
    loads, log_weights, _, states, covariances = hypotheses
    active = 0
    for slot in range(loads.size):
        if loads[slot].since_s > RULED_OUT_AFTER_S and loads[slot].weight < RULED_OUT:
            loads[slot].active = 0
        active += loads[slot].active
    for slot in range(loads.size):
        load = loads[slot]
        if active > 1 and load.active * load.changed == 1 and load.since_s > TOO_HEAVY_AFTER_S:
            mean, variance = log_implied_pooled(states[slot], covariances[slot], log_weights[slot])
            if mean + load.log_scale - math.sqrt(variance) > math.log(most_mass_kg):
                load.active = 0
                active -= 1
    for first in range(loads.size):
        for second in range(first + 1, loads.size):
            one, other = loads[first], loads[second]
            if one.active * other.active == 0 or one.solo + other.solo > 0:
                continue
            # Another load that turned out the same as the old one is told apart while it matters.
            untold = min(one.weight, other.weight) <= UNTOLD_SHARE
            if (one.changed == other.changed or untold) and _same(hypotheses, first, second):
                _merge_loads(hypotheses, first, second)
                if other.weight > one.weight:
                    one.changed = other.changed
                one.weight += other.weight
                other.active = 0
    normalise(hypotheses)
